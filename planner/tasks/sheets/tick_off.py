"""The tick-off sheet of a drawdown, with lines for strangers, young and other species, ready to be keyed in."""

from __future__ import annotations

from typing import Any

import pandas as pd

from broodstock.errors import UsageError
from planner.reports.cautions import cautions_for
from planner.reports.monitoring_sheets import (
    COUNTED,
    COUNTS,
    DRAWDOWN_CAUTIONED,
    HANDLED,
    STRANGERS,
    drawdown_blocks,
)
from planner.reports.sheet import Sheet
from planner.tasks.drawdown import expected_tags, expected_words
from planner.tasks.programme import Programme
from planner.tasks.renovations import BACKWATERS
from planner.tasks.rows import rows
from planner.tasks.sheets.asked import Asked
from planner.tasks.sheets.forms import EntryForm, FormField, FormLine
from planner.tasks.sheets.kinds import Printed
from planner.tasks.sheets.places import water_of

STRANGER_LINES, YOUNG_LINES, INTRUDER_LINES = 12, 12, 6


def drawdown_tick_off(programme: Programme, asked: Asked) -> Printed:
    """Lay out the tick-off sheet of a water that is emptied.

    Parameters
    ----------
    programme : Programme
        Records, with scans.
    asked : Asked
        ``water``, ``day`` (default the day of the records), ``drawdown`` (its name; default from water and day).

    Raises
    ------
    UsageError
        If the water is not known or cannot be emptied, or fish were handled under that name of a drawdown already.
    """
    site = water_of(programme, asked)
    if site.kind not in BACKWATERS:
        raise UsageError(
            f"drawdown sheet, water: found {site.site_id}, a {site.kind}. Expected a water that can be emptied: "
            f"{', '.join(BACKWATERS)}. For others print the census sheet."
        )
    day = asked.day("day", programme.today)
    name = asked.text("drawdown", f"DD-{day.isoformat()}-{site.site_id}")
    handled = programme.tables["drawdown_fish"]
    done = int((handled["drawdown_id"] == name).sum())
    if done:
        raise UsageError(
            f"drawdown sheet, drawdown: found {name}, under which {done} fish are on record. Expected a new name, so that "
            "no line means two fish. Name it otherwise, for example by its second day."
        )
    expected = expected_tags(programme, site.site_id, pd.Timestamp(day))
    met = int((expected["confidence"] == "met here").sum())
    facts = (
        ("Water", f"{site.name} ({site.site_id})"),
        ("Drawdown", name),
        ("Day", f"{day:%d %b %Y}"),
        ("Tags expected", f"{len(expected)}: {met} met here, {len(expected) - met} released here"),
        ("Fish go to", "________________"),
        ("Written by", "________________"),
    )
    blocks = drawdown_blocks(
        [expected_words(r) for r in rows(expected)], STRANGER_LINES, YOUNG_LINES, INTRUDER_LINES
    )
    sheet = Sheet(
        "Drawdown tick-off",
        " · ".join(x for x in (programme.settings["programme_name"], f"{site.name} ({site.site_id})", f"{day:%d %b %Y}") if x),
        "",
        0,
        facts,
        blocks,
        cautions_for(DRAWDOWN_CAUTIONED),
        landscape=True,
    )  # fmt: skip
    fixed = {"drawdown_id": name, "site_id": str(site.site_id), "handled_on": day.isoformat()}
    tables = {"expected_tags.csv": expected.to_csv(index=False, lineterminator="\n")}
    forms = (*_forms(expected, fixed), _counts(fixed, len(expected)))
    return Printed(sheet, forms, tables, about=day.isoformat())


def _forms(expected: pd.DataFrame, fixed: dict[str, str]) -> tuple[EntryForm, ...]:
    """Return the forms of the four blocks; lines are numbered through, as on the paper."""
    start = len(expected)
    handled = tuple(FormField(c, label) for c, label, _ in HANDLED)
    strangers = tuple(FormField(c, label) for c, label, _ in STRANGERS)
    listed = tuple(
        FormLine(str(r.tag), f"{k} · {r.tag}", {"number": str(k), "tag": str(r.tag)})
        for k, r in enumerate(rows(expected), 1)
    )
    return (
        EntryForm("drawdown_fish", "Expected", handled, listed, fixed | {"kind": "adult"}),
        _blank("Not on the list", strangers, fixed | {"kind": "adult"}, start, STRANGER_LINES),
        _blank("Young of this water", strangers, fixed | {"kind": "young"}, start + STRANGER_LINES, YOUNG_LINES),
        _blank(
            "Other species",
            (FormField("species", "Species"), FormField("total_length_mm", "mm"), FormField("fate", "Fate"),
             FormField("note", "Remark")),
            fixed | {"kind": "intruder"},
            start + STRANGER_LINES + YOUNG_LINES,
            INTRUDER_LINES,
        ),
    )  # fmt: skip


def _blank(
    title: str, fields: tuple[FormField, ...], fixed: dict[str, Any], start: int, lines: int
) -> EntryForm:
    numbers = range(start + 1, start + lines + 1)
    return EntryForm(
        "drawdown_fish",
        title,
        fields,
        tuple(FormLine(f"line {k}", f"line {k}", {"number": str(k)}) for k in numbers),
        fixed,
    )


def _counts(fixed: dict[str, str], expected: int) -> EntryForm:
    """Return the form of the counts of two people; each is kept as a version of its own."""
    return EntryForm(
        "drawdown_counts",
        "Two people count",
        tuple(FormField(c, label) for c, label, _ in COUNTED),
        tuple(FormLine(f"count {k}", f"count {k}") for k in range(1, COUNTS + 1)),
        {
            "drawdown_id": fixed["drawdown_id"],
            "site_id": fixed["site_id"],
            "counted_on": fixed["handled_on"],
            "expected": str(expected),
        },
    )
