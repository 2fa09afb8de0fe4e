"""Plans recorded in the register they were made from: a new version voids the older one."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from broodstock.errors import UsageError
from planner.store.register import Register
from planner.tasks.people import check_person
from planner.tasks.plan_file import plain_value
from planner.tasks.registers import is_register
from planner.tasks.rows import rows

if TYPE_CHECKING:
    import pandas as pd

    from planner.tasks.release import ReleaseOutcome
    from planner.tasks.spawning import SpawningOutcome

LIVING = ("draft", "proposed", "approved")
"""States of a plan that a new version voids."""


def recorded_version(place: Path | str, kind: str, day: dt.date | None) -> int:
    """Return the next version of the plan of a kind for a day.

    Parameters
    ----------
    place : Path or str
        Register the plan is made from.
    kind : str
        ``spawning`` or ``release``.
    day : date, optional
        Day planned for; default: any, so that no number is used twice for a kind.

    Raises
    ------
    UsageError
        If the place is no register.
    """
    _refuse_folder(place)
    with Register.open(place, read_only=True) as register:
        found = _plans_of(register, kind, day)
    return 1 + max((int(p["version"] or 0) for p in found), default=0)


def _refuse_folder(place: Path | str) -> None:
    if not is_register(place):
        raise UsageError(
            f"--record: found {place}, a folder of records. Expected a register: a folder has no place for plans. Make one "
            "with 'kinshoal register new' and import the folder."
        )


def _plans_of(register: Register, kind: str, day: dt.date | None) -> list[dict[str, Any]]:
    start = f"{kind}-" if day is None else f"{kind}-{day.isoformat()}-"
    return [p for p in register.rows("plans", {"kind": kind}) if str(p["plan_id"]).startswith(start)]


def spawning_lines(outcome: SpawningOutcome) -> list[dict[str, Any]]:
    """Return one line for each dish of a spawning plan."""
    return [
        {"what": f"dish {r.dish_id}", "dam": r.dam, "sire": r.sire, "number": 1, "note": r.cell or None}
        for r in rows(outcome.crosses)
    ]


def release_lines(outcome: ReleaseOutcome, sites: pd.DataFrame) -> list[dict[str, Any]]:
    """Return one line for each family and water of a release plan; `sites` is the table that names the waters."""
    site_of = dict(zip(sites["name"], sites["site_id"], strict=True))
    sent = outcome.fish[outcome.fish["site"].ne("")]
    groups = sent.groupby(["site", "family", "unit"], sort=True).size().reset_index(name="number")
    return [
        {
            "what": "release",
            "site_id": site_of[r.site],
            "family": r.family or None,
            "unit": r.unit or None,
            "number": int(r.number),
        }
        for r in rows(groups)
    ]


def record_plan(
    place: Path | str,
    kind: str,
    outcome: SpawningOutcome | ReleaseOutcome,
    lines: Sequence[Mapping[str, Any]],
    who: str,
    reason: str = "",
) -> str:
    """Write a plan and its lines into the register it was made from, in one change; older versions become void.

    Parameters
    ----------
    place : Path or str
        The register.
    kind : str
        ``spawning`` or ``release``.
    outcome : SpawningOutcome or ReleaseOutcome
        The plan.
    lines : sequence of mapping
        Its lines, columns of ``plan_lines``.
    who, reason : str
        Who records it and why.

    Returns
    -------
    str
        What was written, in words.

    Raises
    ------
    UsageError
        If the place is no register, or another plan of this version was recorded meanwhile.
    NotAllowedError
        If the person may not enter.
    RegisterError
        If it cannot be written.
    """
    _refuse_folder(place)
    made = outcome.provenance
    plan_id = f"{kind}-{outcome.day.isoformat()}-v{made.version}"
    with Register.open(place) as register:
        who = check_person(register, who)
        if register.get("plans", plan_id) is not None:
            raise UsageError(
                f"plan {plan_id}: found a plan of this version in the register. Expected a new version. Plan again; "
                "someone recorded another plan meanwhile."
            )
        saw = [c for c in register.changes() if c.hash == made.inputs]
        plan = {
            "plan_id": plan_id,
            "kind": kind,
            "version": made.version,
            "made_on": made.made_on,
            "made_by": who,
            "data_change": saw[0].change_id if saw else None,
            "data_hash": made.inputs,
            "seed": made.seed,
            "settings": json.dumps(
                dict(made.settings), sort_keys=True, default=plain_value, ensure_ascii=False
            ),
            "mark": made.mark,
            "state": "proposed",
            "content": json.dumps(
                outcome.as_dict(), default=plain_value, ensure_ascii=False, allow_nan=False
            ),
        }
        older = [p for p in _plans_of(register, kind, outcome.day) if p["state"] in LIVING]
        why = reason or f"{kind} plan for {outcome.day.isoformat()}, version {made.version}"
        with register.writing(who, why, source=f"mark {made.mark}", kind="plan") as writer:
            for p in older:
                writer.change("plans", int(p["record_id"]), {"state": "superseded"})
            writer.add("plans", [plan])
            numbered = [
                {"plan_id": plan_id, "line": i, "due_on": outcome.day, "state": "open", **line}
                for i, line in enumerate(lines, start=1)
            ]
            writer.add("plan_lines", numbered)
        version = register.data_version().text
    voided = "; void now: " + ", ".join(str(p["plan_id"]) for p in older) if older else ""
    return f"recorded {plan_id} with {len(lines)} line(s) as {version}{voided}"
