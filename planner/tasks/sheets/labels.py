"""Labels for dishes, cells, milt, units and samples: what stands on each, and in which order."""

from __future__ import annotations

from collections.abc import Callable

import pandas as pd

from broodstock.errors import UsageError
from planner.reports.labels import Label, LabelSheet, LabelStock, label_of
from planner.tasks.programme import Programme
from planner.tasks.rows import rows
from planner.tasks.settings import Settings
from planner.tasks.sheets.asked import Asked
from planner.tasks.sheets.dishes import (
    LAST,
    cell_names,
    dishes_of_day,
    head_line,
    named_cell,
    natural,
    walk_of_units,
)
from planner.tasks.sheets.kinds import Printed

MOST = 5000
LIVING = ("brood", "hold")
Made = tuple[list[Label], str, str]


def labels(programme: Programme, asked: Asked) -> Printed:
    """Make labels.

    Parameters
    ----------
    programme : Programme
        Records.
    asked : Asked
        ``what`` (dishes, cells, milt, units, samples), ``day``, ``building``, ``group``, ``plate``, ``copies``,
        ``skip``.

    Raises
    ------
    UsageError
        If a word is not known, nothing is there to label, or words or code do not fit on the labels.
    """
    what = asked.one_of("what", list(_MAKERS))
    stock = stock_of(programme.settings)
    made, words, note = _MAKERS[what](programme, asked, stock)
    if not made:
        raise UsageError(
            f"labels sheet: found no {what} for what was asked. Expected at least one. Ask for less."
        )
    copies = asked.whole("copies", 1, 1, 20)
    if len(made) * copies > MOST:
        raise UsageError(
            f"labels sheet: found {len(made) * copies} labels. Expected at most {MOST} at a time. Ask for a part: "
            "a day, a building, a group or a plate."
        )
    out = tuple(x for label in made for x in (label,) * copies)
    skip = asked.whole("skip", 0, 0, 1800)
    title = f"Labels for {what}"
    by_day = what in ("dishes", "milt") or (what == "cells" and "spawning" in asked.plans)
    about = dishes_of_day(programme, asked).day.isoformat() if by_day else ""
    return Printed(
        LabelSheet(title, head_line(programme, (words,)), "", 0, stock, out, skip, note=note), about=about
    )


def stock_of(settings: Settings) -> LabelStock:
    """Return the label stock of the settings."""
    s = settings
    return LabelStock(
        float(s["label_page_width"]), float(s["label_page_height"]), int(s["label_columns"]), int(s["label_rows"]),
        float(s["label_width"]), float(s["label_height"]), float(s["label_margin_left"]),
        float(s["label_margin_top"]), float(s["label_gap_across"]), float(s["label_gap_down"]),
        float(s["label_inset"]), float(s["label_text_least"]), int(s["label_dots_per_inch"]),
        s["label_code"], s["label_frame"] == "line",
    )  # fmt: skip


def _dishes(programme: Programme, asked: Asked, stock: LabelStock) -> Made:
    day = dishes_of_day(programme, asked)
    plan = f"plan {day.plan}" if day.plan else ""
    out = []
    for d in day.dishes:
        cell = f"cell {d.cell}" if d.cell else "cell ______"
        parts = (f"female {d.dam}", f"male {d.sire}", cell, f"{day.day:%d %b %Y}")
        more = (f"{d.dam} x {d.sire}", d.cell, day.day.isoformat(), plan)
        out.append(label_of(d.name, _lines(parts, stock), "dish", more, plan))
    note = "From " + (f"{plan} and the crosses of that day." if plan else "the crosses of that day.")
    return out, f"{day.day:%d %b %Y}", note


def _cells(programme: Programme, asked: Asked, stock: LabelStock) -> Made:
    """Cells in walking order, with the dish in each where the day or the plan tells."""
    units = programme.tables["units"]
    units = units[units["kind"] == "cell"]
    order = walk_of_units(programme)
    held: dict[str, list[str]] = {}
    words = ""
    if asked.text("day") or "spawning" in asked.plans:
        day = dishes_of_day(programme, asked)
        words = f"{day.day:%d %b %Y}"
        names = cell_names(programme)
        for d in day.dishes:
            held.setdefault(named_cell(d.cell, names), []).append(d.name)
    out = []
    for r in sorted(rows(units), key=lambda r: (order[r.unit_id], natural(r.unit_id))):
        if held and r.unit_id not in held:
            continue
        parts = (r.building or "", ", ".join(held.get(r.unit_id, ())), words)
        out.append(label_of(r.unit_id, _lines(parts, stock), "cell", (r.building or "",)))
    return (
        out,
        words,
        "Cells in walking order." + (" Only cells that hold a dish of that day." if held else ""),
    )


def _milt(programme: Programme, asked: Asked, stock: LabelStock) -> Made:
    """One tube for each male of the dishes of a day."""
    day = dishes_of_day(programme, asked)
    plan = f"plan {day.plan}" if day.plan else ""
    fish = {r.fish_id: r for r in rows(programme.tables["fish"])}
    order = walk_of_units(programme)
    uses: dict[str, int] = {}
    for d in day.dishes:
        uses[d.sire] = uses.get(d.sire, 0) + 1

    def place(name: str) -> tuple[int, str, object]:
        unit = fish[name].unit if name in fish else ""
        return order.get(unit, LAST), unit, natural(name)

    straws = {r.fish_id: r.store_place for r in rows(programme.tables["frozen_milt"])}
    out = []
    for name in sorted(uses, key=place):
        many = f"for {uses[name]} dish{'es' if uses[name] > 1 else ''}"
        when = f"{day.day:%d %b %Y}  time ______"
        living = name in fish and fish[name].status in LIVING
        if living or name not in straws:
            tag = (fish[name].tag or "none") if name in fish else "not in the records"
            words, parts = f"PIT {tag}", ("milt, one male", f"PIT {tag}", many, when)
        else:
            words, parts = "frozen", ("frozen milt, one male", straws[name] or "place not known", many, when)
        more = (words, day.day.isoformat(), plan)
        out.append(label_of(name, _lines(parts, stock), "milt", more, plan))
    return (
        out,
        f"{day.day:%d %b %Y}",
        "One tube for each male, in walking order of the males. Never pool milt.",
    )


def _units(programme: Programme, asked: Asked, stock: LabelStock) -> Made:
    units = programme.tables["units"]
    units = units[units["kind"] != "cell"]
    buildings = sorted({b for b in units["building"] if b})
    building = asked.one_of("building", buildings, "")
    if building:
        units = units[units["building"] == building]
    order = walk_of_units(programme)
    out = []
    for r in sorted(rows(units), key=lambda r: (order[r.unit_id], natural(r.unit_id))):
        parts = (
            r.building or "",
            r.kind,
            f"{r.volume_l:g} L" if pd.notna(r.volume_l) else "",
            f"room for {r.capacity_fish:.0f} fish" if pd.notna(r.capacity_fish) else "",
        )
        out.append(label_of(r.unit_id, _lines(parts, stock), "unit", (r.building or "", r.kind)))
    return out, building, "Tanks, ponds and compartments in walking order; cells have labels of their own."


def _samples(programme: Programme, asked: Asked, stock: LabelStock) -> Made:
    """Vials by plate and well; without plate by name."""
    samples = programme.tables["samples"]
    day = asked.text("day")
    if day:
        on = asked.day("day", programme.today)
        samples = samples[samples["collected_on"] == pd.Timestamp(on)]
    for word in ("group", "plate"):
        known = sorted({x for x in samples[word] if x})
        if asked.text(word):
            samples = samples[samples[word] == asked.one_of(word, known)]
    if not any(asked.text(w) for w in ("day", "group", "plate")):
        raise UsageError(
            "labels sheet: found samples without a part. Expected day, group or plate, for example group=brood. "
            "Say which vials need labels."
        )
    out = []
    for r in sorted(rows(samples), key=lambda r: (r.plate or "~", _well(r.well), r.sample_id)):
        whose = r.fish_id or r.stock_id or r.family or r.group
        when = f"{r.collected_on:%d %b %Y}" if pd.notna(r.collected_on) else ""
        well = f"{r.plate} {r.well}".strip() if r.plate else ""
        parts = (
            str(whose),
            f"{r.group}, repeat of {r.replicate_of}" if r.replicate_of else r.group,
            when,
            well,
        )
        iso = f"{r.collected_on:%Y-%m-%d}" if pd.notna(r.collected_on) else ""
        out.append(label_of(r.sample_id, _lines(parts, stock), "sample", (str(whose), iso, well)))
    words = " · ".join(asked.text(w) for w in ("day", "group", "plate") if asked.text(w))
    return out, words, "Vials by plate and well. One fish, one vial."


_MAKERS: dict[str, Callable[[Programme, Asked, LabelStock], Made]] = {
    "dishes": _dishes,
    "cells": _cells,
    "milt": _milt,
    "units": _units,
    "samples": _samples,
}


def _lines(parts: tuple[str, ...], stock: LabelStock) -> tuple[str, ...]:
    """One part a line beside a QR code; two parts a line on low labels without one beside."""
    kept = [p for p in parts if p]
    if stock.code == "qr" or stock.height >= 50:
        return tuple(kept)
    return tuple(" · ".join(kept[k : k + 2]) for k in range(0, len(kept), 2))


def _well(text: str) -> tuple[str, int]:
    """Order of the wells of a plate, column by column as they are filled."""
    letter, digits = (text or "")[:1], (text or "")[1:]
    return (f"{int(digits):03d}" if digits.isdigit() else digits, ord(letter) if letter else 0)
