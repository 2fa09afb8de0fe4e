"""The cull list: fish of each family to keep and to take out, where they are, and boxes for two people."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from broodstock.errors import UsageError
from broodstock.lots.records import moves_of
from planner.reports.cautions import cautions_for
from planner.reports.sheet import Block, CheckBlock, ColumnSpec, Sheet, TableBlock, TextBlock
from planner.tasks.programme import Programme
from planner.tasks.rows import rows
from planner.tasks.season_equalise import STAGES, SURPLUS_ORDER, cull_plan
from planner.tasks.sheets.asked import Asked
from planner.tasks.sheets.dishes import LAST, cell_names, head_line, named_cell, natural, walk_of_units
from planner.tasks.sheets.forms import EntryForm, FormField, FormLine
from planner.tasks.sheets.kinds import Printed

ROW_MM = 8.5


@dataclass(frozen=True)
class Part:
    """Fish of a family in one place.

    Parameters
    ----------
    family, dam, sire : str
        Family and its parents.
    unit, lot, cross : str
        Unit; lot, empty while they are in their cell; dish, empty once they are in a lot.
    counted, keep, surplus : int
        Of the whole family, by the cull plan.
    of : int
        Places the family is in.
    """

    family: str
    dam: str
    sire: str
    unit: str
    lot: str
    cross: str
    counted: int
    keep: int
    surplus: int
    of: int = 1


def cull_list(programme: Programme, asked: Asked) -> Printed:
    """Lay out the cull list of a season.

    Parameters
    ----------
    programme : Programme
        Records.
    asked : Asked
        ``season``, ``keep`` (fish to keep in all), ``count`` (count it starts from), ``day`` (default the
        programme's own).

    Raises
    ------
    UsageError
        If the season has no counts, a word is not known, or no family can be culled by itself any more.
    """
    season = asked.whole("season", 0, 1950, 2100)
    keep = asked.whole("keep", 0, 1, 100_000_000)
    stage: Any = asked.one_of("count", STAGES, "swim_up")
    day = asked.day("day", programme.today)
    answer = cull_plan(programme, season, (keep,), stage=stage)
    parts, gone = _parts(programme, season, day, answer.values["families"])
    if not parts:
        raise UsageError(
            f"cull sheet: found no family of {season} that is still by itself on {day}: {gone[0][1] if gone else ''}. "
            "Expected families in their cells or in lots of their own. Give an earlier day, or sort them by DNA first."
        )
    facts = dict(answer.facts)
    how = TextBlock(
        "How to cull",
        (
            "Count each family first. Keep at most the number under 'Keep', drawn by chance from the whole tank or cell; "
            "take out the rest. 'Take out' is from the last count and moves with yours: counted now less keep.",
            "A family with fewer fish than 'Keep' keeps all. Nothing from one family fills up another.",
            "Two people count, and both sign the line. A cull of a lot that is keyed in waits in the register until the "
            "second person confirms it.",
            SURPLUS_ORDER,
        ),
        boxed=True,
    )
    listed = TableBlock("Families in walking order", _columns(), tuple(_row(p) for p in parts), row_mm=ROW_MM,
                        small=True)  # fmt: skip
    blocks: list[Block] = [how, listed]
    if gone:
        blocks.append(
            TableBlock(
                "Families that cannot be culled by themselves",
                (ColumnSpec("Family", 1), ColumnSpec("Why", 4)),
                tuple(gone),
                small=True,
            )
        )
    notes = (x for x in answer.notes if x != SURPLUS_ORDER)
    blocks.append(TextBlock("About the cull plan", (*answer.warnings, *notes)))
    total = sum({p.family: p.surplus for p in parts}.values())
    blocks.append(_end(parts, total))
    head = (
        ("Families on this list, with fish", f"{len({p.family for p in parts})}, {facts['Families, with fish'].split(', ')[1]}"),
        ("Counted, all families", facts["Counted"]),
        ("Keep on this list, in all", f"{sum({p.family: p.keep for p in parts}.values())}, {facts['Kept at the cull']}"),
        ("Take out on this list", str(total)),
        ("Effective families before, after", facts["Effective families before, after"]),
        ("Effective parents before", facts["Effective parents before"]),
        ("Effective parents after", facts["Effective parents after"]),
        ("Approved by", "________________"),
    )  # fmt: skip
    sheet = Sheet(
        "Cull list",
        head_line(programme, (f"season {season}", f"from the counts at {_stage(stage)}", f"{day:%d %b %Y}")),
        "",
        0,
        head,
        tuple(blocks),
        cautions_for(("cull", "disinfectant", "decision")),
        landscape=True,
    )
    return Printed(sheet, _forms(parts, day), about=day.isoformat())


def _parts(
    programme: Programme, season: int, day: dt.date, families: list[dict[str, Any]]
) -> tuple[list[Part], list[tuple[str, str]]]:
    """Return where each family of the plan is, in walking order, and those that are mixed with others."""
    crosses = programme.tables["crosses"]
    cells = cell_names(programme)
    dishes: dict[str, list[Any]] = {}
    for r in rows(crosses[crosses["season"] == season]):
        dishes.setdefault(r.family or r.cross_id, []).append(r)
    lots, mixed = _lots(programme, day)
    cell_days = int(programme.settings["incubator_days"])
    parts, gone = [], []
    for f in families:
        if not f["available"]:
            continue
        name = f["family"]
        own = lots.get(name, [])
        places = [(unit, lot, "") for lot, unit in own]
        if not own and name in mixed:
            gone.append((name, mixed[name]))
            continue
        if not own:
            old = [r for r in dishes[name] if (day - r.made_on.date()).days > cell_days]
            if old:
                gone.append(
                    (name, f"laid {old[0].made_on:%d %b %Y}, in no lot, and longer ago than incubator_days")
                )
                continue
            places = [(named_cell(r.cell, cells), "", r.cross_id) for r in dishes[name]]
        for unit, lot, cross in places:
            parts.append(
                Part(name, f["dam"], f["sire"], unit, lot, cross, f["available"], f["keep"][0], f["surplus"], len(places))
            )  # fmt: skip
    order = walk_of_units(programme)
    parts.sort(key=lambda p: (order.get(p.unit, LAST), natural(p.unit), natural(p.family)))
    return parts, gone


def _lots(programme: Programme, day: dt.date) -> tuple[dict[str, list[tuple[str, str]]], dict[str, str]]:
    """Return lots of one family that hold fish on a day with their units, and where other families were mixed."""
    table = programme.tables["lots"]
    kind = dict(zip(table["lot_id"], table["kind"], strict=True))
    closed = {r.lot_id: r.closed_on.date() for r in rows(table) if pd.notna(r.closed_on)}
    unit: dict[str, str] = {}
    families: dict[str, list[str]] = {}
    mixed: dict[str, str] = {}
    for m in moves_of(programme.tables["group_moves"]):
        if m.on > day:
            continue
        target = m.target
        if m.kind == "in" and target is not None:
            families.setdefault(target.lot, []).extend(f for f in m.families if f)
            if kind.get(target.lot) != "family":
                mixed |= {
                    f: f"in {target.lot} with other families since {m.on:%d %b %Y}" for f in m.families if f
                }
        if target is not None and target.kind == "unit" and (m.kind == "in" or target.lot == m.lot):
            unit[target.lot] = target.place
        if m.kind == "merge" and target is not None and kind.get(m.lot) == "family":
            mixed |= dict.fromkeys(
                families.get(m.lot, ()), f"in {target.lot} with other families since {m.on:%d %b %Y}"
            )
    out: dict[str, list[tuple[str, str]]] = {}
    for lot, names in families.items():
        if kind.get(lot) != "family":
            continue
        if lot in closed and closed[lot] <= day:
            mixed |= {f: mixed.get(f, f"lot {lot} was closed on {closed[lot]:%d %b %Y}") for f in names}
            continue
        for f in dict.fromkeys(names):
            out.setdefault(f, []).append((lot, unit.get(lot, "")))
    return out, mixed


def _columns() -> tuple[ColumnSpec, ...]:
    return (
        ColumnSpec("Unit", 0.7),
        ColumnSpec("Family", 0.9),
        ColumnSpec("Female x male", 1.3),
        ColumnSpec("Lot or dish", 1.1),
        ColumnSpec("Counted", 0.8, "right"),
        ColumnSpec("Keep", 0.7, "right"),
        ColumnSpec("Take out", 0.8, "right"),
        ColumnSpec("Counted now", 1, blank=True),
        ColumnSpec("Taken out", 1, blank=True),
        ColumnSpec("Kept", 1, blank=True),
        ColumnSpec("By", 0.7, blank=True),
        ColumnSpec("Second person", 0.9, blank=True),
        ColumnSpec("Where to, remark", 1.8, blank=True),
    )


def _row(p: Part) -> tuple[str, ...]:
    more = f" (in {p.of} places)" if p.of > 1 else ""
    numbers = (f"{p.counted}", f"{p.keep}", f"{p.surplus}") if p.of == 1 else tuple(
        f"{n} of all" for n in (p.counted, p.keep, p.surplus)
    )  # fmt: skip
    return (
        p.unit or "–",
        p.family + more,
        f"{p.dam or 'unknown'} x {p.sire or 'unknown'}",
        p.lot or p.cross,
        *numbers,
        *("",) * 6,
    )


def _end(parts: list[Part], total: int) -> CheckBlock:
    return CheckBlock(
        "Before anyone goes home",
        (
            f"Lines done: ________ of {len(parts)} on this sheet",
            f"Fish taken out: ________ (by the last count {total})",
            "Where the surplus went is written on each line and approved: name ________________",
            "Permit looked at: number of fish allowed ________, used with this cull ________",
            "Carcasses recorded; tools and nets disinfected between families",
        ),
    )


def _forms(parts: list[Part], day: dt.date) -> tuple[EntryForm, ...]:
    """Lots get an event of kind cull, which a second person confirms; dishes still in their cells get the number kept."""

    def words(p: Part) -> str:
        return f"{p.unit or '–'} · {p.family} · {p.lot or p.cross}"

    forms = []
    in_lots = [p for p in parts if p.lot]
    if in_lots:
        fixed = {"happened_on": day.isoformat(), "kind": "cull", "method": "counted"}
        lines = tuple(
            FormLine(f"{p.family} {p.lot} {p.unit}", words(p), _without_empty({"from_lot": p.lot, "from_unit": p.unit, "family": p.family}))
            for p in in_lots
        )  # fmt: skip
        forms.append(
            EntryForm(
                "group_moves", "Families in lots", (FormField("number", "Taken out"), FormField("note", "Remark")),
                lines, fixed, named="move_id", prefix=f"CULL-{day.isoformat()}",
            )
        )  # fmt: skip
    in_cells = [p for p in parts if p.cross]
    if in_cells:
        lines = tuple(FormLine(p.cross, words(p), {"cross_id": p.cross}) for p in in_cells)
        forms.append(
            EntryForm(
                "crosses", "Families in their cells", (FormField("kept", "Kept"),), lines, action="change"
            )
        )
    return tuple(forms)


def _without_empty(values: Mapping[str, str]) -> dict[str, str]:
    return {k: v for k, v in values.items() if v}


def _stage(stage: str) -> str:
    return {"swim_up": "swim-up", "hatched": "hatch", "eggs": "laying", "kept": "the last cull"}.get(
        stage, stage
    )
