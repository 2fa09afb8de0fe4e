"""Jobs around a release plan: the trade-off between survivors and kinship, and the loads of the trucks."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from broodstock.errors import UsageError
from planner.tasks.jobs import Options, Say
from planner.tasks.jobs_planning import PLAN_FILES, day_of, kept_version, names_of, settings_of
from planner.tasks.outputs import write_text
from planner.tasks.plan_file import plain_value, read_plan_file
from planner.tasks.stopping import stop_asked
from planner.tasks.workplace import Workplace

SHOWN = "shown.json"
OTHERS_AT_MOST = 3


def tradeoff(workplace: Workplace, options: Options, say: Say) -> dict[str, Any]:
    """Make the trade-off of a release, or look for plans nearly as good as that of the settings.

    Options: ``points``, ``lowest`` (percent), ``day`` (ISO), ``others`` (number of plans nearly as good), ``tolerance``
    (percent), ``only_others`` (flag: keep the picture as it is), ``settings`` (name to text).
    """
    from planner.tasks.tradeoff import release_tradeoff, write_tradeoff

    folder = workplace.plan_folder("tradeoff")
    only = bool(options.get("only_others"))
    if only and not (folder / SHOWN).exists():
        raise UsageError("plans nearly as good: found no trade-off. Expected one; make it first.")
    asked: dict[str, Any] = tradeoff_shown(folder)["asked"] if only else {  # type: ignore[index]
        "points": _whole(options, "points", 7),
        "lowest": _percent(options, "lowest", 90.0),
        "day": str(options.get("day") or ""),
        "settings": settings_of(options),
    }  # fmt: skip
    others = _whole(options, "others", OTHERS_AT_MOST if only else 0)
    tolerance = _percent(options, "tolerance", 2.0)
    say("Reading the records")
    programme = workplace.programme(asked["settings"])
    day = day_of(asked)
    if only:
        # The plans nearly as good belong to the plan of the settings; the picture with all its points stays.
        with stop_asked() as cancel:
            outcome = release_tradeoff(
                programme, 2, asked["lowest"] / 100, day, others, tolerance / 100, say, cancel
            )
        lines = outcome.others_lines()
        write_text(folder / "alternatives.csv", lines.to_csv(index=False, lineterminator="\n"))
        shown = tradeoff_shown(folder) or {}
        return _write_shown(folder, shown | _others_of(outcome, tolerance))
    with stop_asked() as cancel:
        outcome = release_tradeoff(
            programme, asked["points"], asked["lowest"] / 100, day, others, tolerance / 100, say, cancel
        )
    say("Drawing")
    (folder / "alternatives.csv").unlink(missing_ok=True)
    write_tradeoff(outcome, folder)
    points = []
    for p in outcome.points:
        m, plan = p.plan.measures, p.plan
        points.append(
            {
                "share": p.survivors_share,
                "status": str(plan.status),
                "survivors": m.survivors.as_dict() if m else None,
                "released": m.released if m else None,
                "weighted": p.kinship_weighted,
                "within": p.kinship_within,
                "whole": p.kinship_whole,
                "objective": plan.objective,
                "bound": plan.bound,
                "gap": plan.gap,
                "dominated": p.dominated,
                "note": p.note,
            }
        )
    found: dict[str, Any] = {"others": [], "tolerance": None}
    if others:
        found = _others_of(outcome, tolerance)
    values = {
        "asked": asked,
        "points": points,
        "notes": list(outcome.inputs.notes),
        "provenance": outcome.provenance.as_dict(),
    }
    return _write_shown(folder, values | found)


def _others_of(outcome: Any, tolerance: float) -> dict[str, Any]:
    """Return the plans nearly as good as plain values."""
    return {
        "others": [
            {
                "above": o.above,
                "gap": o.gap,
                "otherwise": [int(x) for x in o.otherwise],
                "most_otherwise": o.most_otherwise,
                "survivors": o.measures.survivors.as_dict(),
            }
            for o in outcome.others
        ],
        "tolerance": tolerance,
    }


def _write_shown(folder: Path, values: dict[str, Any]) -> dict[str, Any]:
    write_text(folder / SHOWN, json.dumps(values, ensure_ascii=False, allow_nan=False, default=plain_value))
    return {"kind": "tradeoff", "points": len(values["points"]), "others": len(values["others"])}


def tradeoff_shown(folder: Path) -> dict[str, Any] | None:
    """Return the last trade-off as plain values, with the names of its files; None when there is none."""
    path = folder / SHOWN
    if not path.exists():
        return None
    values: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    return values | {"files": sorted(p.name for p in folder.iterdir() if not p.name.startswith("."))}


def loads(workplace: Workplace, options: Options, say: Say) -> dict[str, Any]:
    """Load the trucks for the last release plan.

    Options: ``day`` (ISO), ``failed`` (list of trucks that do not drive), ``settings`` (name to text).
    """
    from planner.tasks.load import planned_version, truck_loads, write_loads

    folder, release = workplace.plan_folder("loads"), workplace.plan_folder("release")
    if not (release / PLAN_FILES["release"]).exists():
        raise UsageError("truck loads: found no release plan. Expected one; make a release plan first.")
    say("Reading the records")
    programme = workplace.programme(settings_of(options))
    failed = names_of(options, "failed")
    say("Loading the trucks" + (f" without {', '.join(failed)}" if failed else ""))
    with stop_asked() as cancel:
        outcome = truck_loads(
            programme, release, day_of(options), failed, planned_version(folder), say, cancel
        )
    say("Writing the loading sheet")
    write_loads(programme, outcome, folder)
    return kept_version(folder, "loads", outcome.provenance.version)


def release_version(workplace: Workplace) -> int:
    """Return the version of the last release plan, 0 when there is none."""
    path = workplace.plan_folder("release") / PLAN_FILES["release"]
    return int(read_plan_file(path)["provenance"]["version"]) if path.exists() else 0


def _whole(options: Options, key: str, default: int) -> int:
    text = str(options.get(key) if options.get(key) is not None else "").strip()
    if not text:
        return default
    if not text.isdigit():
        raise UsageError(f"{key}: found {text!r}. Expected a whole number, for example {default}.")
    return int(text)


def _percent(options: Options, key: str, default: float) -> float:
    text = str(options.get(key) if options.get(key) is not None else "").strip().removesuffix("%")
    if not text:
        return default
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        value = -1.0
    if not 0 <= value <= 100:
        raise UsageError(f"{key}: found {text!r}. Expected percent from 0 to 100, for example {default:g}.")
    return value
