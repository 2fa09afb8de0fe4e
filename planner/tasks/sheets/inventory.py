"""The inventory of tanks: fish expected in each unit in walking order, boxes for what is found, room for fish not listed."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pandas as pd

from broodstock.errors import UsageError
from planner.reports.cautions import cautions_for
from planner.reports.sheet import Block, CheckBlock, ColumnSpec, Sheet, TableBlock, TextBlock
from planner.tasks.programme import Programme
from planner.tasks.rows import rows
from planner.tasks.sheets.asked import Asked
from planner.tasks.sheets.dishes import LAST, head_line, natural, walk_of_units
from planner.tasks.sheets.forms import EntryForm, FormField, FormLine
from planner.tasks.sheets.kinds import Printed

LIVING = ("brood", "hold", "to-release")
BLANK_LINES = 2
ROW_MM = 8.0
NO_UNIT = "No unit in the records"


def tank_inventory(programme: Programme, asked: Asked) -> Printed:
    """Lay out the inventory of a day.

    Parameters
    ----------
    programme : Programme
        Records.
    asked : Asked
        ``day`` (default the programme's own), ``building``, ``unit``.

    Raises
    ------
    UsageError
        If a word is not known, or no living fish with a name of its own is expected there.
    """
    day = asked.day("day", programme.today)
    units = programme.tables["units"]
    buildings = dict(zip(units["unit_id"], units["building"], strict=True))
    building = asked.one_of("building", sorted({b for b in buildings.values() if b}), "")
    unit = asked.one_of("unit", sorted(buildings, key=natural), "")
    fish = programme.tables["fish"]
    fish = fish[fish["status"].isin(LIVING)]
    if building:
        fish = fish[fish["unit"].map(buildings) == building]
    if unit:
        fish = fish[fish["unit"] == unit]
    if fish.empty:
        raise UsageError(
            "inventory sheet: found no living fish for what was asked. Expected fish of status brood, hold or "
            "to-release in a unit. Ask for less."
        )
    order = walk_of_units(programme)
    loss = float(programme.settings["weight_loss_warn"])
    held: dict[str, list[Any]] = {}
    for r in sorted(rows(fish), key=lambda r: (order.get(r.unit, LAST), natural(r.unit), natural(r.fish_id))):
        held.setdefault(r.unit, []).append(r)
    how = TextBlock(
        "How to fill this in",
        (
            "Scan every fish, twice if nothing is read, then with another reader. A fish on the list that is not found "
            "stays without a tick; a fish that is not on the list goes on a blank line with its code.",
            "A fish without a code: fin clip and a new tag, both written down; its DNA gives the old name back.",
            f"'Tell if below' is the last weight less {loss:.0%} (setting weight_loss_warn; common practice, no source): "
            "tell the manager the same day.",
        ),
        boxed=True,
    )
    blocks: list[Block] = [how]
    blocks += [_unit(name, buildings.get(name, ""), listed, loss) for name, listed in held.items()]
    total = sum(map(len, held.values()))
    blocks.append(
        CheckBlock(
            "Before anyone goes home",
            (
                f"Fish found: ________ of {total} on this sheet; not found: ________; not on the list: ________",
                "Fish not found are looked for in the units beside, then written down by name",
                "Dead or hurt fish written down, fin clip taken",
            ),
        )
    )
    sheet = Sheet(
        "Inventory",
        head_line(programme, (f"{day:%d %b %Y}", building, unit)),
        "",
        0,
        (
            ("Units", str(len(held))),
            ("Fish expected", str(total)),
            ("Females, males", f"{(fish['sex'] == 'female').sum()}, {(fish['sex'] == 'male').sum()}"),
            ("Water, °C", "________"),
            ("Read by", "________________"),
            ("Written by", "________________"),
        ),
        tuple(blocks),
        cautions_for(("scan", "anaesthesia", "handling", "heat", "dna")),
        landscape=True,
    )
    return Printed(sheet, _forms([r for listed in held.values() for r in listed], day), about=day.isoformat())


def _unit(name: str, building: str, listed: list[Any], loss: float) -> TableBlock:
    table = []
    for r in listed:
        weighed = pd.notna(r.weight_g)
        last = ", ".join(
            x
            for x in (
                f"{r.total_length_mm:.0f} mm" if pd.notna(r.total_length_mm) else "",
                f"{r.weight_g:.0f} g" if weighed else "",
            )
            if x
        )
        when = f" ({r.measured_on:%b %Y})" if last and pd.notna(r.measured_on) else ""
        least = f"{r.weight_g * (1 - loss):.0f} g" if weighed else "–"
        state = "" if r.status == "brood" else f" ({r.status})"
        table.append(
            (f"{r.fish_id}{state}", r.sex, r.tag or "none", f"{last}{when}" or "–", least, *("",) * 6)
        )
    table += [("",) * 11] * BLANK_LINES
    return TableBlock(
        " · ".join(x for x in (building, name or NO_UNIT) if x),
        (
            ColumnSpec("Fish", 0.9),
            ColumnSpec("Sex", 0.7),
            ColumnSpec("PIT code", 1.5),
            ColumnSpec("Last length, weight", 1.8),
            ColumnSpec("Tell if below", 0.9, "right"),
            ColumnSpec("Found", 0.6, blank=True),
            ColumnSpec("Total length, mm", 1, blank=True),
            ColumnSpec("Weight, g", 1, blank=True),
            ColumnSpec("Clip", 0.5, blank=True),
            ColumnSpec("New tag", 1.4, blank=True),
            ColumnSpec("Lesions, sex, remark", 2, blank=True),
        ),
        tuple(table),
        (("Expected", str(len(listed))), ("Found", "______"), ("Not on the list", "______")),
        small=True,
        row_mm=ROW_MM,
    )


def _forms(listed: list[Any], day: dt.date) -> tuple[EntryForm, ...]:
    """Lengths and weights become measurements: the older ones stay."""

    def lines(kind: str) -> tuple[FormLine, ...]:
        return tuple(
            FormLine(f"{r.fish_id} {kind}", f"{r.unit or '–'} · {r.fish_id}", {"subject": r.fish_id})
            for r in listed
        )

    return tuple(
        EntryForm(
            "measurements",
            title,
            (FormField("value", label),),
            lines(kind),
            {"subject_kind": "fish", "measured_on": day.isoformat(), "kind": kind, "unit": unit},
        )
        for title, label, kind, unit in (
            ("Lengths", "Total length, mm", "total-length", "mm"),
            ("Weights", "Weight, g", "weight", "g"),
        )
    )
