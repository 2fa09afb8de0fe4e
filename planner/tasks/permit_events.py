"""What counts against permits, event by event: larvae taken, adults caught, females spawned, releases, tags, deaths."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any, cast

from planner.tasks.individuals import as_date
from planner.tasks.programme import Programme
from planner.tasks.rows import rows

ACTIVITIES = ("collect-larvae", "collect-adults", "spawn", "release", "tag", "sacrifice")
ADULT_STAGES = ("adult", "adults", "broodfish", "brood")
LARVAL_STAGES = ("larva", "larvae", "eggs", "egg", "fry")


@dataclass(frozen=True, slots=True)
class Event:
    """One thing that counts.

    Parameters
    ----------
    on : date
        Day.
    number : int
        Fish, larvae or females.
    what : str
        In words.
    record : str
        Table and name of the record.
    once : str
        Events with the same mark in one span count once (a female on two days); empty: each counts.
    stage : str
        ``larvae``, ``juveniles`` or ``adults`` where it matters.
    permit : str
        Permit it names; empty if none.
    """

    on: dt.date
    number: int
    what: str
    record: str
    once: str = ""
    stage: str = ""
    permit: str = ""


def events_of(programme: Programme, activity: str) -> list[Event]:
    """Return everything in the records that counts as an activity, by day.

    Parameters
    ----------
    programme : Programme
        Open records.
    activity : str
        One of `ACTIVITIES`; any other has no events.
    """
    made = {
        "collect-larvae": _larvae,
        "collect-adults": _adults,
        "spawn": _spawned,
        "release": _released,
        "tag": _tagged,
        "sacrifice": _deaths,
    }.get(activity)
    return sorted(made(programme), key=lambda e: (e.on, e.record)) if made else []


def _larvae(programme: Programme) -> Iterator[Event]:
    for r in rows(programme.tables["larval_takes"]):
        on = as_date(r.collected_on)
        if on and r.number:
            yield Event(
                on, int(r.number), f"larvae taken in {r.zone}", f"larval_takes {r.take_id}", stage="larvae"
            )


def _adults(programme: Programme) -> Iterator[Event]:
    for r in rows(programme.tables["fish"]):
        on = as_date(r.entered_on)
        if on and r.origin == "wild-adult":
            yield Event(
                on, 1, f"wild adult '{r.fish_id}' taken into care", f"fish {r.fish_id}", stage="adults"
            )


def _spawned(programme: Programme) -> Iterator[Event]:
    for r in rows(programme.tables["crosses"]):
        on = as_date(r.made_on)
        if on:
            yield Event(
                on, 1, f"female '{r.dam}' spawned", f"crosses {r.cross_id}", f"female {r.dam}", "females"
            )


def _released(programme: Programme) -> Iterator[Event]:
    """Yield releases; a lot released where and when single fish are on record counts only for the fish beyond them."""
    groups: dict[tuple[str, Any, str], int] = {}
    single: dict[tuple[Any, str], int] = {}
    table = programme.tables["releases"]
    known_day = table[table["released_on"].notna()]
    together = known_day.groupby(["event", "released_on", "site_id"], sort=False, dropna=False).size()
    for key, number in together.items():
        event, day, site = cast("tuple[str, Any, str]", key)
        on = day.date()
        groups[event, on, site] = groups.get((event, on, site), 0) + int(number)
        single[on, site] = single.get((on, site), 0) + int(number)
    for (event, on, site), number in groups.items():
        yield Event(on, number, f"fish released at {site}", f"releases {event}")
    to_site = {f"group_moves {r.move_id}": r.to_site for r in rows(programme.tables["group_moves"])}
    for e in _group_moves(programme, ("release",), "fish released from a lot"):
        place = (e.on, to_site[e.record])
        known = min(single.get(place, 0), e.number)
        if known:
            single[place] -= known
        if e.number > known:
            yield replace(e, number=e.number - known)


def _tagged(programme: Programme) -> Iterator[Event]:
    days: dict[dt.date, int] = {}
    for one in programme.individuals:
        for first, _ in one.tags.values():
            if first is not None:
                days[first] = days.get(first, 0) + 1
    for on, number in days.items():
        yield Event(on, number, "fish tagged", "fish, identifiers, stock, captures")


def _deaths(programme: Programme) -> Iterator[Event]:
    for r in rows(programme.tables["fish"]):
        on = as_date(r.status_on)
        if on and r.status == "dead":
            yield Event(on, 1, f"'{r.fish_id}' died", f"fish {r.fish_id}", stage="adults")
    yield from _group_moves(programme, ("death", "cull"), "fish of a lot")


def _group_moves(programme: Programme, kinds: tuple[str, ...], words: str) -> Iterator[Event]:
    stage = {r.lot_id: r.stage for r in rows(programme.tables["lots"])}
    for r in rows(programme.tables["group_moves"]):
        on = as_date(r.happened_on)
        number = as_int(r.number)
        if on and r.kind in kinds and number:
            what = f"{words}: {r.kind} from lot '{r.from_lot}'"
            yield Event(
                on, number, what, f"group_moves {r.move_id}", "", stage.get(r.from_lot, ""), r.permit_id
            )


def as_int(value: Any) -> int:
    """Return a cell of a whole-number column, 0 when empty."""
    import pandas as pd

    return 0 if value is None or pd.isna(value) else int(value)
