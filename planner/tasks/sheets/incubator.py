"""The incubator map: cells in rows and columns, the dish in each, how the females are spread, a box for every round."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from broodstock.errors import UsageError
from planner.reports.cautions import cautions_for
from planner.reports.cell_map import Cell, cell_map
from planner.reports.sheet import Block, CheckBlock, ColumnSpec, Sheet, TableBlock, TextBlock
from planner.tasks.programme import Programme
from planner.tasks.sheets.asked import Asked
from planner.tasks.sheets.dishes import Dish, DishDay, cell_trays, dishes_of_day, head_line, natural
from planner.tasks.sheets.forms import EntryForm, FormField, FormLine
from planner.tasks.sheets.kinds import Printed

PAIR_LETTERS = 20
"""Longer pairs take two lines of a cell, so that they stay legible."""


@dataclass(frozen=True)
class Place:
    """Where a cell stands: tray and water supply, both counted from 1."""

    tray: int
    supply: int


def incubator_map(programme: Programme, asked: Asked) -> Printed:
    """Lay out the incubator map of a day.

    Parameters
    ----------
    programme : Programme
        Records.
    asked : Asked
        ``day`` and ``rounds``; a spawning plan of that day adds the dishes that are not laid yet.

    Raises
    ------
    UsageError
        If there is no dish, or none has a cell.
    """
    rounds = asked.whole("rounds", 8, 0, 12)
    back = int(programme.settings["incubator_days"])
    day = dishes_of_day(programme, asked, back)
    in_cells: dict[str, list[Dish]] = {}
    for d in day.dishes:
        if d.cell:
            in_cells.setdefault(d.cell, []).append(d)
    if not in_cells:
        raise UsageError(
            f"incubator sheet: found no cell on the {len(day.dishes)} dishes up to {day.day}. Expected the column cell "
            "of the table crosses, or a spawning plan. Enter the cells."
        )
    trays = _trays(programme, in_cells)
    letters = _letters(day)
    across = int(programme.settings["incubator_columns"])
    per_supply = int(programme.settings["incubator_rows"])
    places = {c: Place(k + 1, k // per_supply + 1) for k, (_, cells) in enumerate(trays) for c in cells}
    maps: list[Block] = [
        cell_map(
            f"Water supply {start // per_supply + 1}",
            [(name, [_cell(c, in_cells.get(c, []), letters) for c in cells]) for name, cells in trays[start : start + per_supply]],
            across,
            rounds,
        )
        for start in range(0, len(trays), per_supply)
    ]  # fmt: skip
    no_cell = [d for d in day.dishes if not d.cell]
    twice = [c for c, held in in_cells.items() if len(held) > 1]
    how = TextBlock(
        "How to read the map",
        (
            "Each frame is a cell: its name, the dish, female x male. The letter in the box is the female: the same "
            "letter is the same mother (half or full sibs).",
            f"Small boxes: one for each round ({rounds}); tick it when flow, temperature and eggs were looked at, and "
            "write faults on the list. Names of cells are read on the cell, never counted off.",
            f"Trays and supplies follow the settings incubator_columns ({across}) and incubator_rows ({per_supply}); "
            "correct them if your room stands otherwise. Dishes older than "
            f"{back} days (setting incubator_days) are not shown.",
        ),
        boxed=True,
    )
    blocks: list[Block] = [how, *maps, _spread(day, letters, places), _supplies(day, places)]
    blocks.append(_list_of(day, letters, in_cells))
    warnings = []
    if twice:
        warnings.append(f"More than one dish in a cell: {', '.join(sorted(twice, key=natural))}.")
    if no_cell:
        warnings.append(f"Dishes without a cell: {', '.join(d.name for d in no_cell)}.")
    if warnings:
        blocks.insert(1, TextBlock("Look at these first", tuple(warnings), boxed=True))
    blocks.append(
        CheckBlock(
            "At the end of the day",
            (
                f"Cells with a dish counted in the room: ________ of {len(in_cells)} on this map",
                "Every cell carries the label of its dish, and no dish was moved without a line on the list",
                "Alarm of flow and oxygen tried",
            ),
        )
    )
    facts = (
        ("Dishes", str(len(day.dishes))),
        ("Cells with a dish", f"{len(in_cells)} of {len(places)}"),
        ("Females", str(len(letters))),
        ("Plan", day.plan or "none"),
        ("Round by", "________________"),
        ("Water, °C", "________"),
    )
    sheet = Sheet(
        "Incubator map",
        head_line(programme, (f"{day.day:%d %b %Y}",)),
        "",
        0,
        facts,
        tuple(blocks),
        cautions_for(("eggs", "disinfectant")),
        landscape=True,
    )
    laid = [d for d in _by_cell(day) if d.laid]
    form = EntryForm(
        "crosses",
        "Dishes by cell",
        (FormField("cell", "Now in cell"),),
        tuple(FormLine(d.name, f"{d.cell or 'no cell'} · {d.name} · {d.dam} x {d.sire}", {"cross_id": d.name}) for d in laid),
        action="change",
    )  # fmt: skip
    return Printed(sheet, (form,) if laid else (), about=day.day.isoformat())


def _trays(programme: Programme, in_cells: dict[str, list[Dish]]) -> list[tuple[str, list[str]]]:
    """Return title and cells of each tray; cells that are no unit come last."""
    trays = cell_trays(programme)
    known = {c for _, cells in trays for c in cells}
    others = sorted((c for c in in_cells if c not in known), key=natural)
    room = "Cells not in the table units" if known else "Cells"
    across = int(programme.settings["incubator_columns"])
    trays += [(room, others[k : k + across]) for k in range(0, len(others), across)]
    return [(f"Tray {k}{f' · {room}' if room else ''}", cells) for k, (room, cells) in enumerate(trays, 1)]


def _letters(day: DishDay) -> dict[str, str]:
    """Letter the females in walking order: A, B, ... Z, AA, AB, ..."""
    out = {}
    for k, dam in enumerate(day.females):
        text, n = "", k + 1
        while n:
            n, rest = divmod(n - 1, 26)
            text = chr(65 + rest) + text
        out[dam] = text
    return out


def _cell(name: str, held: list[Dish], letters: dict[str, str]) -> Cell:
    lines: list[str] = []
    for d in held:
        dam, sire = d.dam or "unknown", d.sire or "unknown"
        pair = f"{dam} x {sire}"
        lines += [d.name, *((pair,) if len(pair) <= PAIR_LETTERS else (dam, f"x {sire}"))]
    if len(held) == 1:
        lines.append(f"{held[0].number} of {held[0].of}" + ("" if held[0].laid else ", to be laid"))
    return Cell(name, "/".join(dict.fromkeys(letters[d.dam] for d in held)), tuple(lines))


def _spread(day: DishDay, letters: dict[str, str], places: dict[str, Place]) -> TableBlock:
    table = []
    for dam, dishes in day.females.items():
        at = [places[d.cell] for d in dishes if d.cell in places]
        trays, supplies = sorted({p.tray for p in at}), sorted({p.supply for p in at})
        many = len(dishes) > 1
        risk = (
            "all in one tray"
            if many and len(trays) == 1
            else "all on one supply"
            if many and len(supplies) == 1
            else "–"
        )
        listed = (", ".join(map(str, x)) or "–" for x in (trays, supplies))
        table.append((letters[dam], dam or "unknown", str(len(dishes)), *listed, risk))
    return TableBlock(
        "How the females are spread",
        (
            ColumnSpec("Letter", 0.6),
            ColumnSpec("Female", 1.2),
            ColumnSpec("Dishes", 0.6, "right"),
            ColumnSpec("Trays", 1.4),
            ColumnSpec("Supplies", 1.4),
            ColumnSpec("If one fails", 1.6),
        ),
        tuple(table),
        small=True,
        note="A female whose dishes all stand on one supply is lost with it. Where cells are free, put one of her dishes "
        "elsewhere and write it on the list.",
    )  # fmt: skip


def _supplies(day: DishDay, places: dict[str, Place]) -> TableBlock:
    dishes = Counter(places[d.cell].supply for d in day.dishes if d.cell in places)
    whole: dict[int, list[str]] = {}
    for dam, mine in day.females.items():
        at = {places[d.cell].supply if d.cell in places else 0 for d in mine}
        if len(at) == 1:
            whole.setdefault(at.pop(), []).append(dam or "unknown")
    table = tuple(
        (str(s), str(dishes.get(s, 0)), str(len(whole.get(s, ()))), ", ".join(whole.get(s, ())) or "none")
        for s in sorted({p.supply for p in places.values()})
        if dishes.get(s)
    )
    return TableBlock(
        "What one failing supply takes with it",
        (
            ColumnSpec("Supply", 0.6),
            ColumnSpec("Dishes", 0.6, "right"),
            ColumnSpec("Females wholly lost", 0.9, "right"),
            ColumnSpec("Which", 5),
        ),
        table,
        small=True,
    )


def _by_cell(day: DishDay) -> list[Dish]:
    return sorted(day.dishes, key=lambda d: (not d.cell, natural(d.cell), natural(d.name)))


def _list_of(day: DishDay, letters: dict[str, str], in_cells: dict[str, list[Dish]]) -> TableBlock:
    table = tuple(
        (
            d.cell or "none",
            letters[d.dam],
            d.name,
            d.dam or "unknown",
            d.sire or "unknown",
            f"{d.made_on:%d %b}",
            "",
            "",
            "",
        )
        for d in _by_cell(day)
    )
    return TableBlock(
        "Dishes by cell",
        (
            ColumnSpec("Cell", 0.8),
            ColumnSpec("Letter", 0.5),
            ColumnSpec("Dish", 1.2),
            ColumnSpec("Female", 0.9),
            ColumnSpec("Male", 0.9),
            ColumnSpec("Laid", 0.7),
            ColumnSpec("Now in cell", 1, blank=True),
            ColumnSpec("Time, by", 1.1, blank=True),
            ColumnSpec("Remark: flow, fungus, temperature", 3, blank=True),
        ),
        table,
        small=True,
        row_mm=7.0,
    )  # fmt: skip
