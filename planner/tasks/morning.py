"""The spawning morning: plan the rest of the day again after something went otherwise than planned."""

from __future__ import annotations

import datetime as dt
import difflib
import threading
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from broodstock.arrays import IntArray
from broodstock.errors import UsageError
from planner.optimise.spawning.coefficients import coefficients
from planner.optimise.spawning.data import SpawningData
from planner.optimise.spawning.read import read_plan
from planner.optimise.spawning.replan import replan
from planner.optimise.spawning.solve import SearchSettings
from planner.optimise.status import SolveReport, SolveStatus
from planner.tasks.no_plan import STOPPED_WORDS
from planner.tasks.plan_file import read_plan_file
from planner.tasks.programme import Programme
from planner.tasks.spawning import EarlierToday, SpawningOutcome, no_plan_error, outcome_of
from planner.tasks.spawning_data import spawning_inputs
from planner.tasks.spawning_refusals import refuse_no_cells

REPLAN_SECONDS = 2.0
FACTORIAL_BEGUN = (
    "Dishes of the factorial are laid: the rest is planned by the limits of the fish, without its rule."
)


@dataclass(frozen=True)
class MorningEvents:
    """What happened since the sheet was printed.

    Parameters
    ----------
    lost : mapping of str to str
        Fish that cannot be used any more, with the reason: not ripe, no milt, dead, hybrid found.
    few_eggs : mapping of str to int
        Females with eggs for fewer dishes than planned (dishes laid today included).
    unreadable : tuple of str
        Fish whose tag cannot be read: crossed only with fish unrelated to every fish they might be.
    arrived : mapping of str to str
        Untagged wild fish that came in, by a temporary name, with the sex; taken as unrelated founders.
    laid : tuple of (str, str)
        Dishes laid since the sheet was printed, planned or not: female, male.
    cells : int or None
        Dishes that can still be laid, after a failure or a short crew.
    laid_in_all : tuple of (str, str), optional
        Every dish laid today, in place of `laid` and of what earlier re-plans were told.
    in_records : mapping of str to (str, str)
        Dishes that the records hold: label to the female and male they were laid with.
    """

    lost: Mapping[str, str] = field(default_factory=dict)
    few_eggs: Mapping[str, int] = field(default_factory=dict)
    unreadable: tuple[str, ...] = ()
    arrived: Mapping[str, str] = field(default_factory=dict)
    laid: tuple[tuple[str, str], ...] = ()
    cells: int | None = None
    laid_in_all: tuple[tuple[str, str], ...] | None = None
    in_records: Mapping[str, tuple[str, str]] = field(default_factory=dict)


@dataclass(frozen=True)
class MorningOutcome:
    """The new plan and what changed.

    Parameters
    ----------
    programme : Programme
        The records with the fish that arrived.
    outcome : SpawningOutcome
        The new plan; its version is one higher and voids the old sheet.
    kept, dropped, added : tuple of (str, str, int)
        Dishes of the old plan that stay, those that fall away, those that are new: female, male, number.
    laid : tuple of (str, str)
        Dishes already laid, which are facts.
    """

    programme: Programme
    outcome: SpawningOutcome
    kept: tuple[tuple[str, str, int], ...]
    dropped: tuple[tuple[str, str, int], ...]
    added: tuple[tuple[str, str, int], ...]
    laid: tuple[tuple[str, str], ...]

    def change_lines(self) -> list[str]:
        """Return the differences to the old plan in words."""
        lines = [f"kept: {sum(n for *_, n in self.kept)} dishes; laid: {len(self.laid)}"]
        lines += [
            f"falls away: {dam} x {sire}" + (f" ({n} dishes)" if n > 1 else "")
            for dam, sire, n in self.dropped
        ]
        lines += [f"new: {dam} x {sire}" + (f" ({n} dishes)" if n > 1 else "") for dam, sire, n in self.added]
        return lines

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return self.outcome.as_dict() | {
            "kept": self.kept,
            "falls_away": self.dropped,
            "new": self.added,
            "laid": self.laid,
            "changes": self.change_lines(),
        }


def plan_again(
    programme: Programme,
    plan_folder: Path,
    events: MorningEvents,
    cancel: threading.Event | None = None,
) -> MorningOutcome:
    """Plan the rest of the day from the last plan in a folder.

    Parameters
    ----------
    programme : Programme
        The records the plan was made from.
    plan_folder : Path
        Folder with ``spawning_plan.json``.
    events : MorningEvents
        What happened; dishes laid in earlier re-plans of the day are remembered in the plan file.
    cancel : threading.Event, optional
        Set from elsewhere to stop; the best plan so far is returned and its notes say so.

    Returns
    -------
    MorningOutcome
        The new plan, changed as little as a small rise of the mean kinship allows.

    Raises
    ------
    UsageError
        If the plan was made from other records, or a fish is not known.
    NoPlanError
        If the rest of the day cannot meet the rules (exit code 4), with the rules that conflict; or no plan was found
        before the stop (exit code 5).
    """
    old = read_plan_file(plan_folder / "spawning_plan.json")
    if old["provenance"]["inputs"] != programme.fingerprint:
        raise UsageError(
            f"{plan_folder}: found a plan made from other records (fingerprint {old['provenance']['inputs'][:10]}). "
            f"Expected one made from these ({programme.fingerprint[:10]}). Make a new plan with 'kinshoal spawn'."
        )
    events = _with_memory(old, events)
    day = dt.date.fromisoformat(old["provenance"]["settings"]["spawning_day"])
    with_new = _with_arrivals(programme, events.arrived)
    inputs = spawning_inputs(
        with_new,
        day,
        _names(old["provenance"]["settings"]["not_ripe"]),
        [*_names(old["provenance"]["settings"]["also_ripe"]), *events.arrived],
    )
    data = _changed(inputs.data, events)
    if _breaks_factorial(inputs.data, events):
        inputs = replace(inputs, notes=(*inputs.notes, FACTORIAL_BEGUN))
    planned = _planned_table(data, old)
    co = coefficients(data)
    report = SolveReport(SolveStatus.PROVEN, True, None, None, None, 0, 0.0, ())
    before = read_plan(data, co, planned, report, seed=int(old["provenance"]["seed"]))
    laid_now = Counter(events.laid)
    rows = np.array(
        [[_row(data, d), _row(data, s), n] for (d, s), n in laid_now.items()], dtype=np.int32
    ).reshape(-1, 3)
    lost = [_position(data, fish) for fish in events.lost]
    rest = int(planned.sum()) - len(events.laid)
    dishes = None if events.cells is None else min(events.cells, max(rest, 0))
    refuse_no_cells(data, len(events.laid), max(rest, 0) if dishes is None else dishes)
    done = replan(
        data,
        before,
        laid=rows,
        lost=lost,
        dishes=dishes,
        settings=SearchSettings(
            time_limit=REPLAN_SECONDS * 5,
            relative_gap=float(programme.settings["gap"]),
            seed=int(old["provenance"]["seed"]),
        ),
        cancel=cancel,
    )
    if not done.plan.has_plan:
        raise no_plan_error(done.plan)
    if done.plan.status is SolveStatus.STOPPED:
        inputs = replace(inputs, notes=(*inputs.notes, STOPPED_WORDS))
    outcome = outcome_of(
        with_new,
        replace(inputs, data=done.data),
        done.plan,
        day,
        int(old["provenance"]["version"]) + 1,
        _settings_of(old, events),
        compare=False,
        earlier=EarlierToday(old["crosses"], events.laid, int(old["last_dish_number"]), events.in_records),
    )
    return MorningOutcome(
        with_new,
        outcome,
        _named(data, done.kept),
        _named(data, done.dropped),
        _named(data, done.added),
        tuple(events.laid),
    )


def _with_memory(old: Mapping[str, Any], events: MorningEvents) -> MorningEvents:
    """Add what earlier re-plans of the day were told."""
    memory = old.get("events", {})
    laid = (*(tuple(x) for x in memory.get("laid", ())), *events.laid)
    return MorningEvents(
        lost={**memory.get("lost", {}), **events.lost},
        few_eggs={**memory.get("few_eggs", {}), **events.few_eggs},
        unreadable=tuple(dict.fromkeys([*memory.get("unreadable", ()), *events.unreadable])),
        arrived={**memory.get("arrived", {}), **events.arrived},
        laid=laid if events.laid_in_all is None else events.laid_in_all,
        cells=events.cells,
        in_records=events.in_records,
    )


def events_as_dict(events: MorningEvents) -> dict[str, Any]:
    """Return the events as plain values for the plan file."""
    return {
        "lost": dict(events.lost),
        "few_eggs": dict(events.few_eggs),
        "unreadable": list(events.unreadable),
        "arrived": dict(events.arrived),
        "laid": [list(x) for x in events.laid],
    }


def remembered(plan_folder: Path, events: MorningEvents) -> dict[str, Any]:
    """Return the events of the day so far, those of the plan file and the new ones."""
    return events_as_dict(_with_memory(read_plan_file(plan_folder / "spawning_plan.json"), events))


def _names(text: str) -> list[str]:
    return [] if text == "none" else [x.strip() for x in text.split(",") if x.strip()]


def _with_arrivals(programme: Programme, arrived: Mapping[str, str]) -> Programme:
    """Return the programme with untagged wild fish as broodfish of unknown parents."""
    if not arrived:
        return programme
    import pandas as pd

    fish = programme.tables["fish"]
    taken = set(fish["fish_id"]) & set(arrived)
    if taken:
        raise UsageError(
            f"arrived fish: found {min(taken)!r}, the name of a fish in the records. Expected a new temporary name, "
            "for example 'unknown-1'."
        )
    for name, sex in arrived.items():
        if sex not in ("female", "male"):
            raise UsageError(f"arrived fish {name!r}: found sex {sex!r}. Expected female or male.")
    new = fish.iloc[:0].reindex(range(len(arrived)))
    words = [c for c in fish.columns if fish[c].dtype == object]
    new[words] = ""
    new["fish_id"] = list(arrived)
    new["sex"] = list(arrived.values())
    new["sex_basis"], new["origin"], new["status"] = "seen", "wild-adult", "brood"
    joined = pd.concat([fish, new], ignore_index=False)
    joined.attrs.update(fish.attrs)
    return replace(programme, tables={**programme.tables, "fish": joined})


def _changed(data: SpawningData, events: MorningEvents) -> SpawningData:
    most = data.most_uses.copy()
    unknown = data.unknown.copy()
    laid = Counter(d for d, _ in events.laid) + Counter(s for _, s in events.laid)
    for fish, dishes in events.few_eggs.items():
        place = _position(data, fish)
        most[place] = min(int(most[place]), int(data.made_uses[place]) + max(dishes, laid[fish]))
    for fish in events.unreadable:
        unknown[_position(data, fish)] = True
    safe = data.safe_limit if data.unknown.any() else data.pair_limit or 0.0
    changed = replace(data, most_uses=most, unknown=unknown, safe_limit=safe)
    return replace(changed, factorial=None, blocks=1) if _breaks_factorial(data, events) else changed


def _breaks_factorial(data: SpawningData, events: MorningEvents) -> bool:
    """Tell whether dishes laid stand in a factorial, whose rest is planned by the limits of the fish alone."""
    return data.factorial is not None and bool(events.laid)


def _planned_table(data: SpawningData, old: Mapping[str, Any]) -> np.ndarray:
    """Return the dishes of the old plan, laid or not, over the candidates of now."""
    of_female = {data.ids[int(r)]: k for k, r in enumerate(data.females)}
    of_male = {data.ids[int(r)]: k for k, r in enumerate(data.males)}
    table = np.zeros((data.n_females, data.n_males), dtype=np.int64)
    dishes = [(c["dam"], c["sire"]) for c in old["crosses"]]
    dishes += [tuple(x) for x in old.get("events", {}).get("laid", ())]
    for dam, sire in dishes:
        table[of_female[dam], of_male[sire]] += 1
    return table


def _position(data: SpawningData, fish: str) -> int:
    for place, row in enumerate(data.candidates):
        if data.ids[int(row)] == fish:
            return place
    names = [data.ids[int(r)] for r in data.candidates]
    near = difflib.get_close_matches(fish, names, 1)
    hint = f" Did you mean {near[0]!r}?" if near else ""
    raise UsageError(f"fish named this morning: found {fish!r}. Expected a candidate of this plan.{hint}")


def _row(data: SpawningData, fish: str) -> int:
    return int(data.candidates[_position(data, fish)])


def _named(data: SpawningData, rows: IntArray) -> tuple[tuple[str, str, int], ...]:
    return tuple((data.ids[d], data.ids[s], n) for d, s, n in rows.tolist())


def _settings_of(old: Mapping[str, Any], events: MorningEvents) -> dict[str, Any]:
    told = {
        "lost": ", ".join(f"{f} ({why})" for f, why in events.lost.items()),
        "few_eggs": ", ".join(f"{f} ({n})" for f, n in events.few_eggs.items()),
        "tag_unreadable": ", ".join(events.unreadable),
        "arrived": ", ".join(f"{f} ({sex})" for f, sex in events.arrived.items()),
        "laid": ", ".join(f"{d} x {s}" for d, s in events.laid),
        "cells_left": "" if events.cells is None else str(events.cells),
    }
    return dict(old["provenance"]["settings"]) | {k: v for k, v in told.items() if v}


def parse_pairs(texts: Sequence[str], what: str) -> dict[str, str]:
    """Split ``FISH=VALUE`` texts.

    Raises
    ------
    UsageError
        If a text has no equals sign.
    """
    out = {}
    for text in texts:
        name, sign, value = text.partition("=")
        if not sign:
            raise UsageError(f"{what}: found {text!r}. Expected FISH=VALUE.")
        out[name.strip()] = value.strip()
    return out
