"""The sheets as a person looks for them: by desk and time of the year; printed, kept, in force or void, keyed in or not."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from broodstock.errors import KinshoalError
from planner.tasks.programme import Programme
from planner.tasks.sheets.asked import Asked, plans_in
from planner.tasks.sheets.keyed_before import source_of
from planner.tasks.sheets.kinds import KINDS, Ask, SheetKind
from planner.tasks.sheets.make import KeptSheet, kept_sheets, make_sheet
from planner.tasks.sheets.plan_forms import spawning_sheets

if TYPE_CHECKING:
    from planner.store.register import Register
    from planner.tasks.jobs import Options, Say
    from planner.tasks.workplace import Workplace

SHELVES: tuple[tuple[str, str, tuple[str, ...]], ...] = (
    ("Today", "Before and on a spawning day", ("ripeness", "labels")),
    ("Today", "Eggs, fry and rearing", ("eggs", "incubator", "cull", "inventory")),
    ("Waters", "Larvae", ("larvae",)),
    ("Waters", "Census and drawdown", ("census", "drawdown")),
    ("Waters", "Release", ("release", "loading")),
    ("Waters", "Deciding, and the end of the year", ("memo", "stocking")),
)
"""Desk, time of the year, and the sheets of it, in the order of the work."""
OTHER = ("Records", "Other sheets")
MOST_OFFERED = 400
SHEETS = "sheets"
"""Folder of the kept sheets in a workplace."""

COLUMNS = {
    "building": ("units", "building"),
    "unit": ("units", "unit_id"),
    "water": ("sites", "site_id"),
    "zone": ("larval_takes", "zone"),
    "lot": ("lots", "lot_id"),
    "family": ("families", "family_id"),
    "season": ("crosses", "season"),
    "truck": ("trucks", "truck"),
    "group": ("samples", "group"),
    "plate": ("samples", "plate"),
    "event": ("releases", "event"),
}
"""Where the records hold what a sheet may be asked for."""
WORDS = {
    "sex": ("female", "male"),
    "what": ("dishes", "cells", "milt", "units", "samples"),
    "count": ("swim_up", "hatched", "fertilised", "eggs"),
    "about": ("spawning", "release", "load", "tradeoff", "projection"),
}
DAYS = ("day", "review")


@dataclass(frozen=True)
class OfferedAsk:
    """One thing a sheet may be asked for, with what the records offer.

    Parameters
    ----------
    ask : Ask
        The thing.
    offered : tuple of (str, str)
        Value and words; empty when it is typed freely.
    is_day : bool
        It is a day.
    """

    ask: Ask
    offered: tuple[tuple[str, str], ...]
    is_day: bool


@dataclass(frozen=True)
class OfferedSheet:
    """One kind of sheet as it is offered.

    Parameters
    ----------
    kind : SheetKind
        The kind.
    asks : tuple of OfferedAsk
        What may be given.
    missing : str
        Why it cannot be printed now, empty if it can.
    """

    kind: SheetKind
    asks: tuple[OfferedAsk, ...]
    missing: str = ""


def shelves(programme: Programme, plans: Mapping[str, Path]) -> list[tuple[str, str, list[OfferedSheet]]]:
    """Return desk, time of the year and the sheets of it; a kind that nobody placed comes last."""
    placed = {n for *_, names in SHELVES for n in names}
    rest = tuple(n for n in KINDS if n not in placed)
    every = (*SHELVES, *(((*OTHER, rest),) if rest else ()))
    return [
        (d, t, [_offered(programme, KINDS[n], plans) for n in names if n in KINDS]) for d, t, names in every
    ]


def _offered(programme: Programme, kind: SheetKind, plans: Mapping[str, Path]) -> OfferedSheet:
    asks = tuple(OfferedAsk(a, offered_for(programme, a), a.name in DAYS) for a in kind.asks)
    there = kind.plan in plans or (kind.plan == "any" and plans) or not kind.plan
    missing = "" if there else f"It is made from a {kind.plan} plan, and there is none yet."
    return OfferedSheet(kind, asks, missing)


def offered_for(programme: Programme, ask: Ask) -> tuple[tuple[str, str], ...]:
    """Return the values that the records offer for one thing: value and words."""
    if ask.name in WORDS:
        return tuple((w, w.replace("_", " ")) for w in WORDS[ask.name])
    if ask.name not in COLUMNS:
        return ()
    table, column = COLUMNS[ask.name]
    frame = programme.tables[table]
    values = [str(v) for v in frame[column].dropna().unique() if str(v)]
    if table == "sites":
        names = dict(zip(frame["site_id"], frame["name"], strict=True))
        return tuple((v, f"{v}: {names[v]}") for v in sorted(values))[:MOST_OFFERED]
    return tuple((v, v) for v in sorted(values, reverse=column == "season"))[:MOST_OFFERED]


def plans_of(workplace: Workplace) -> dict[str, Path]:
    """Return the folder of each kind of plan in a workplace."""
    reports = sorted(workplace.work.glob("reports/*/*"), key=lambda p: p.stat().st_mtime_ns)
    below = [p for p in (*workplace.work.glob("*"), *reports) if p.is_dir()]
    return plans_in(below)


def print_sheet(workplace: Workplace, options: Options, say: Say) -> dict[str, object]:
    """Print a sheet and keep it; a job.

    Options: ``sheet`` (its name), ``values`` (what it is asked for, text by name).
    """
    from planner.tasks.programme import open_programme
    from planner.tasks.sheets.kinds import kind_of

    kind = kind_of(str(options.get("sheet") or ""))
    values = {str(k): str(v).strip() for k, v in dict(options.get("values") or {}).items() if str(v).strip()}
    say("Reading the records")
    programme = open_programme(workplace.source, with_scans=True) if kind.scans else workplace.programme()
    say("Laying out the sheet")
    kept = make_sheet(programme, kind.name, Asked(values, plans_of(workplace)), workplace.work / SHEETS)
    return kept.as_dict() | {"subject": kept.subject, "newest": kept.newest}


def all_kept(workplace: Workplace) -> list[KeptSheet]:
    """Return every sheet kept in a workplace: those printed by name, and those of the spawning plans."""
    try:
        plans = spawning_sheets(workplace.plan_folder("spawning"))
    except KinshoalError:  # a file that is no plan of ours stops no other sheet
        plans = []
    return [*plans, *kept_sheets(workplace.work / SHEETS)]


def keyed_in(register: Register, sheets: Sequence[KeptSheet]) -> dict[str, str]:
    """Return who keyed in which sheet and when, by its source."""
    wanted = {source_of(s) for s in sheets if s.forms}
    out: dict[str, str] = {}
    for change in register.changes():
        if change.source in wanted:
            words = f"{change.entered_by}, {change.entered_at[:10]}"
            out[change.source] = f"{out[change.source]}; {words}" if change.source in out else words
    return out
