"""Dishes entered in the register since a spawning plan was made: facts of the day for its page and for the next plan."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from broodstock.fields import TABLES
from planner.tasks.plan_file import read_plan_file

if TYPE_CHECKING:
    from planner.store.register import Register
    from planner.tasks.morning import MorningEvents
    from planner.tasks.plan_pages import SpawningDay
    from planner.tasks.programme import Programme
    from planner.tasks.workplace import Workplace

PLAN = "spawning_plan.json"


@dataclass(frozen=True, order=True)
class KeyedDish:
    """One dish in the records: label, female, male."""

    label: str
    dam: str
    sire: str


def keyed_dishes(workplace: Workplace, plan: Mapping[str, Any]) -> tuple[KeyedDish, ...]:
    """Return the dishes of the plan's day that came into the register after the plan saw it.

    Nothing for a folder of records, for a plan made from elsewhere, and where more than these dishes changed since: a plan
    of older records is not changed little by little, it is made anew.
    """
    if not workplace.is_register:
        return ()
    from planner.tasks.verbs import open_register

    with open_register(workplace.place, read_only=True) as register:
        return _since(register, plan) or ()


def _since(register: Register, plan: Mapping[str, Any]) -> tuple[KeyedDish, ...] | None:
    """Return the dishes entered since; None when something else changed too, or the plan is of other records."""
    made = plan["provenance"]
    changes = register.changes()
    saw = next((c.change_id for c in changes if c.hash == made["inputs"]), None)
    if saw is None:
        return None
    later = [c.change_id for c in changes if c.change_id > saw]
    if not later:
        return ()
    day = str(made["settings"]["spawning_day"])
    for name in (*TABLES, "call_sets"):
        if name not in register.schema.specs:
            continue
        touched = register.count(name, {"change_id": later})
        gone = (
            register.count(name, as_known_on=saw)
            + (touched if name == "crosses" else 0)
            - register.count(name)
        )
        if gone or (touched and name != "crosses"):
            return None
    new = register.rows("crosses", {"change_id": later})
    if any(r["made_on"] != day for r in new):
        return None
    return tuple(sorted(KeyedDish(r["cross_id"], r["dam"], r["sire"]) for r in new))


def programme_as_planned(
    workplace: Workplace, plan: Mapping[str, Any], overrides: Mapping[str, str]
) -> tuple[Programme, tuple[KeyedDish, ...]]:
    """Return the records as the plan saw them, and the dishes entered since, which the next plan takes as laid.

    Parameters
    ----------
    workplace : Workplace
        Records.
    plan : mapping
        The plan file.
    overrides : mapping
        Settings of the plan.

    Returns
    -------
    Programme, tuple of KeyedDish
        The records as they are, and no dishes, when anything else changed: then the plan is refused as one of other
        records.
    """
    now = workplace.programme(overrides)
    if now.fingerprint == plan["provenance"]["inputs"] or not workplace.is_register:
        return now, ()
    keyed = keyed_dishes(workplace, plan)
    if not keyed:
        return now, ()
    crosses = now.tables["crosses"]
    before = crosses[~crosses["cross_id"].isin([k.label for k in keyed])]
    before.attrs.update(crosses.attrs)
    tables = {**now.tables, "crosses": before}
    return replace(now, tables=tables, fingerprint=str(plan["provenance"]["inputs"])), keyed


def laid_in_all(
    folder: Path, plan: Mapping[str, Any], keyed: Sequence[KeyedDish], ticks: Sequence[str]
) -> list[tuple[str, str]]:
    """Return female and male of every dish laid today: from the records first, then ticked on the page.

    A dish that was ticked and then entered counts once, with the male of the records.

    Parameters
    ----------
    folder : Path
        Folder of the plan, with older versions in ``versions``.
    plan : mapping
        The newest plan.
    keyed : sequence of KeyedDish
        Dishes in the records.
    ticks : sequence of str
        Labels ticked since the newest version.
    """
    remembered = Counter((str(d), str(s)) for d, s in plan.get("events", {}).get("laid", ()))
    planned: dict[str, list[tuple[str, str]]] = {}
    for path in [*folder.glob(f"versions/*/{PLAN}"), folder / PLAN]:
        for c in read_plan_file(path)["crosses"] if path.exists() else ():
            planned.setdefault(c["dish_id"], []).append((c["dam"], c["sire"]))
    for dish in keyed:
        for pair in [(dish.dam, dish.sire), *planned.get(dish.label, ())]:
            if remembered[pair]:
                remembered[pair] -= 1
                break
    entered = {k.label for k in keyed}
    now = {c["dish_id"]: (c["dam"], c["sire"]) for c in plan["crosses"]}
    return [
        *remembered.elements(),
        *((k.dam, k.sire) for k in keyed),
        *(now[t] for t in ticks if t in now and t not in entered),
    ]


def with_records(
    workplace: Workplace,
    folder: Path,
    plan: Mapping[str, Any],
    overrides: Mapping[str, str],
    events: MorningEvents,
    ticks: Sequence[str] = (),
) -> tuple[Programme, MorningEvents]:
    """Return the records as the plan saw them, and what happened with the dishes of the records taken as laid.

    Parameters
    ----------
    workplace, folder, plan, overrides
        As `programme_as_planned` and `laid_in_all`.
    events : MorningEvents
        What happened, as told; a dish told as laid that is in the records counts once.
    ticks : sequence of str
        Labels ticked since the newest version.
    """
    programme, keyed = programme_as_planned(workplace, plan, overrides)
    if not keyed:
        return programme, events
    ticked_pairs = [(c["dam"], c["sire"]) for c in plan["crosses"] if c["dish_id"] in ticks]
    told = Counter(events.laid) - Counter(ticked_pairs) - Counter((k.dam, k.sire) for k in keyed)
    laid = (*laid_in_all(folder, plan, keyed, ticks), *told.elements())
    in_records = {k.label: (k.dam, k.sire) for k in keyed}
    return programme, replace(events, laid_in_all=laid, in_records=in_records)


def day_now(workplace: Workplace) -> SpawningDay | None:
    """Return the spawning day as it stands, dishes in the records taken as laid; None when there is no plan.

    A dish that was made with another male than planned is shown with the male of the records.
    """
    from planner.tasks.plan_pages import plan_shown, spawning_day, ticked

    folder = workplace.plan_folder("spawning")
    state, plan = spawning_day(folder), plan_shown(folder, "spawning")
    keyed = () if plan is None else keyed_dishes(workplace, plan)
    if state is None or plan is None or not keyed:
        return state
    by_label = {k.label: k for k in keyed}
    females = [
        (
            dam,
            [
                replace(x, sire=by_label[x.dish_id].sire, laid=True, entered=True)
                if x.dish_id in by_label
                else x
                for x in dishes
            ],
            spare,
        )
        for dam, dishes, spare in state.females
    ]
    shown = [x for _, dishes, _ in females for x in dishes]
    laid = laid_in_all(folder, plan, keyed, ticked(folder, state.version))
    earlier = Counter(laid) - Counter((x.dam, x.sire) for x in shown if x.laid)
    return replace(
        state,
        females=females,
        done=list(earlier.elements()),
        left=sum(not x.laid for x in shown),
        laid=len(laid),
    )
