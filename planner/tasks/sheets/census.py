"""The crew sheet of a census: tags that may be met in one water, blank lines for captures, effort, odd fish."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pandas as pd

from broodstock.errors import UsageError
from planner.reports.cautions import cautions_for
from planner.reports.sheet import Block, CheckBlock, ColumnSpec, Sheet, TableBlock, TextBlock
from planner.tasks.drawdown import expected_tags
from planner.tasks.programme import Programme
from planner.tasks.rows import rows
from planner.tasks.sheets.asked import Asked
from planner.tasks.sheets.forms import EntryForm, FormField, FormLine
from planner.tasks.sheets.kinds import Printed
from planner.tasks.sheets.places import water_of

TAGS_PER_ROW = 4
SETS_PER_DAY = 6
MOST_SETS = 18
FULL_LIST = "expected_tags.csv"

ODD_FISH = (
    ("Its tag is on the list", "Length, weight, sex; let it go.", "The whole code as the reader shows it."),
    (
        "Its tag is not on the list",
        "Scan again. Do not give it a second tag. Clip a fin.",
        "The whole code, digit by digit, and 'not on the list'. The office looks it up.",
    ),
    (
        "No tag is read",
        "Scan both sides with a second reader, also one for older tags. Then clip a fin and give a new tag.",
        "A line through the box of the tag read, the new code, the vial.",
    ),
    ("Two tags are read", "Scan each alone if you can. No new tag.", "One code under tag read, the other as a remark."),
    (
        "Another species",
        "Free it or keep it as your permit says.",
        "Species and number in the box of effort; no line of its own.",
    ),
    (
        "Perhaps a hybrid, or not sure",
        "Clip a fin, take a photograph with the vial in it. No new tag. Keep or free it as your permit says.",
        "'hybrid?' or 'species?' and the vial; DNA decides later.",
    ),
    (
        "Dead, or it dies",
        "Scan, measure, clip. Stop and phone when the permit's number of deaths is near.",
        "'dead' as a remark, how and when.",
    ),
)  # fmt: skip
"""What is met, what to do, what to write. Common practice, no source; permits and local rules come first."""


def census_crew(programme: Programme, asked: Asked) -> Printed:
    """Lay out the crew sheet of a census of one water.

    Parameters
    ----------
    programme : Programme
        Records, with scans.
    asked : Asked
        ``water``; ``day`` (first day, default the day of the records), ``days``, ``gears`` (with commas), ``lines``
        (blank lines for captures), ``tags`` (most tags printed; all are in a table beside the sheet).

    Raises
    ------
    UsageError
        If the water is not known or a word makes no sense.
    """
    site = water_of(programme, asked)
    first = asked.day("day", programme.today)
    days = asked.whole("days", 3, 1, 21)
    blanks = asked.whole("lines", 24, 1, 200)
    most = asked.whole("tags", 300, 0, 3000)
    gears = [g.strip() for g in asked.text("gears", "net").split(",") if g.strip()]
    if not gears:
        raise UsageError(
            "gears: found only commas. Expected names of gears, for example trammel net, hoop net."
        )
    last = first + dt.timedelta(days=days - 1)
    expected = expected_tags(programme, site.site_id, pd.Timestamp(first))
    when = f"{first:%d %b %Y}" if days == 1 else f"{first:%d %b} to {last:%d %b %Y}"
    captures, forms = _captures(programme, site, first, days, gears, blanks)
    met_here = int((expected["confidence"] == "met here").sum())
    blocks: list[Block] = [
        TableBlock(
            "What to do with the fish you meet",
            (ColumnSpec("You meet", 1), ColumnSpec("Do", 2.2), ColumnSpec("Write", 1.8)),
            ODD_FISH,
            note="Your permit and local rules come before this table.",
        ),
        _effort(days, gears),
        captures,
        CheckBlock(
            "Each evening",
            (
                "Lines filled: ________   fish let go: ________   dead: ________   vials: ________   They agree with each other",
                "Hours of every set are written, also of sets without fish; copied to the lines of its fish",
                "Reader read out and its clock looked at: clock says ________ , true time ________",
                "Lowest and highest water temperature ______ ______ °C; stopped for heat or wind: from ______ to ______",
                "Nets, boats and tubs dried or cleaned before the next water   done by ____________",
            ),
        ),
        *_tag_list(expected, most),
    ]
    sheet = Sheet(
        "Census crew sheet",
        " · ".join(
            x for x in (programme.settings["programme_name"], f"{site.name} ({site.site_id})", when) if x
        ),
        "",
        0,
        (
            ("Water", f"{site.name} ({site.site_id})"),
            ("Days", f"{days}: {when}"),
            ("Gears", ", ".join(gears)),
            (
                "Tags that may be met",
                f"{len(expected)}: {met_here} met here, {len(expected) - met_here} released here",
            ),
            ("Crew leader", "________________"),
            ("Written by", "________________"),
        ),
        tuple(blocks),
        cautions_for(_activities(gears)),
        landscape=True,
    )
    tables = {FULL_LIST: expected.to_csv(index=False, lineterminator="\n")}
    return Printed(sheet, forms, tables, about=first.isoformat())


def _activities(gears: list[str]) -> tuple[str, ...]:
    """Return the activities whose cautions apply to the gears."""
    words = " ".join(gears).lower()
    shock = "electro" in words
    nets = any(w in words for w in ("net", "seine", "trap"))
    return (
        *(("electrofishing",) if shock else ()),
        *(("nets",) if nets else ()),
        *("boats", "heat", "handling", "tagging", "dna", "water_order", "privacy"),
    )


def _effort(days: int, gears: list[str]) -> TableBlock:
    sets = min(MOST_SETS, SETS_PER_DAY * days)
    columns = (
        ColumnSpec("Set", 0.5),
        ColumnSpec("Gear", 1.4, blank=True),
        ColumnSpec("Place (number on the crew's own map)", 1.8, blank=True),
        ColumnSpec("Set: day, time", 1.5, blank=True),
        ColumnSpec("Lifted: day, time", 1.5, blank=True),
        ColumnSpec("Hours", 0.8, blank=True),
        ColumnSpec("Our fish", 0.8, blank=True),
        ColumnSpec("Other species, number", 2.4, blank=True),
        ColumnSpec("°C", 0.6, blank=True),
    )
    only = gears[0] if len(gears) == 1 else ""
    return TableBlock(
        "Effort: every set, also those without fish",
        columns,
        tuple((str(k), only, *[""] * 7) for k in range(1, sets + 1)),
        note="A set without fish is a result: it stays on this paper, file it. Hours of electrofishing are hours with "
        "current in the water."
        if any("electro" in g.lower() for g in gears)
        else "A set without fish is a result: it stays on this paper, file it.",
    )


def _captures(
    programme: Programme, site: Any, first: dt.date, days: int, gears: list[str], blanks: int
) -> tuple[TableBlock, tuple[EntryForm, ...]]:
    """Return the block of blank lines, and the forms of its clips and captures; clips come first: captures name them."""
    one_day, one_gear = days == 1, len(gears) == 1
    vials = _vials(programme, site.site_id, first, blanks)
    columns = [
        ColumnSpec("Line", 0.45, "right"),
        ColumnSpec("Tag as read", 2.3, blank=True),
        ColumnSpec("New tag", 2.3, blank=True),
        ColumnSpec("Sex", 0.5, blank=True),
        ColumnSpec("mm", 0.7, blank=True),
        ColumnSpec("TL FL SL", 0.6, blank=True),
        ColumnSpec("g", 0.8, blank=True),
        ColumnSpec("Clip taken, vial", 1.5),
        ColumnSpec("Remark", 1.6, blank=True),
        ColumnSpec("Set", 0.5, blank=True),
        ColumnSpec("Hours of the set", 0.7, blank=True),
    ]
    fields = [
        FormField("tag", "Tag as read"),
        FormField("new_tag", "New tag"),
        FormField("sex", "Sex"),
        FormField("length_mm", "mm"),
        FormField("length_type", "TL FL SL"),
        FormField("weight_g", "g"),
        FormField("sample_id", "Clip taken, vial"),
        FormField("note", "Remark"),
        FormField("effort_h", "Hours of the set"),
    ]
    if not one_gear:
        columns.append(ColumnSpec("Gear", 0.9, blank=True))
        fields.append(FormField("method", "Gear"))
    if not one_day:
        columns.insert(1, ColumnSpec("Day", 0.6, blank=True))
        fields.insert(0, FormField("captured_on", "Day"))
    place = [c.label for c in columns].index("Clip taken, vial")
    table = tuple(
        tuple(str(k) if i == 0 else f"☐ {vial}" if i == place else "" for i in range(len(columns)))
        for k, vial in enumerate(vials, 1)
    )
    block = TableBlock(
        "Captures: one line for each of our fish",
        tuple(columns),
        table,
        note="Sex: F, M or ?. Length as measured, never converted in the field: TL total, FL fork, SL standard. Tick a vial only when a clip "
        "is in it; a vial of a line without a clip stays empty for ever.",
    )
    fixed = {"site_id": str(site.site_id)}
    clips = EntryForm(
        "samples",
        "Clips taken",
        () if one_day else (FormField("collected_on", "Day"),),
        tuple(FormLine(v, f"line {k} · vial {v}", {"sample_id": v}) for k, v in enumerate(vials, 1)),
        fixed | {"group": "capture"} | ({"collected_on": first.isoformat()} if one_day else {}),
        tick="Clip taken, vial",
    )
    captures = EntryForm(
        "captures",
        "Captures: one line for each of our fish",
        tuple(fields),
        tuple(FormLine(f"line {k}", f"line {k} · vial {v}") for k, v in enumerate(vials, 1)),
        fixed
        | ({"captured_on": first.isoformat()} if one_day else {})
        | ({"method": gears[0]} if one_gear else {}),
        named="capture_id",
        prefix=f"CAP-{first.isoformat()}",
    )
    return block, (clips, captures)


def _vials(programme: Programme, site_id: str, first: dt.date, number: int) -> list[str]:
    """Return names for vials that no sample in the records has."""
    start = f"{site_id}{first:%y%m%d}-"
    taken = {str(s) for s in programme.tables["samples"]["sample_id"] if str(s).startswith(start)}
    out: list[str] = []
    k = 0
    while len(out) < number:
        k += 1
        if f"{start}{k:02d}" not in taken:
            out.append(f"{start}{k:02d}")
    return out


def _tag_list(expected: pd.DataFrame, most: int) -> list[Block]:
    if expected.empty:
        return [TextBlock("Tags that may be met", ("None: no fish is on record as released or met here.",))]
    met_first = expected.assign(met=(expected["confidence"] == "met here").astype(int))
    shown = met_first.sort_values(
        ["met", "last_met", "tag"], ascending=[False, False, True], kind="stable"
    ).head(most)
    shown = shown.sort_values("tag", kind="stable")
    left = len(expected) - len(shown)
    words = "Order of the codes. Family · mm when released · last met (r: released here, not met since)."
    if left:
        words += (
            f" {len(shown)} of {len(expected)} are printed: those met here last, then those released last. "
            f"{left} more are in {FULL_LIST} beside this sheet: load it on the reader or the tablet."
        )
    cells = [_tag_cell(r) for r in rows(shown)]
    cells += [" "] * (-len(cells) % TAGS_PER_ROW)
    table = tuple(tuple(cells[k : k + TAGS_PER_ROW]) for k in range(0, len(cells), TAGS_PER_ROW))
    return [
        TableBlock(
            "Tags that may be met",
            tuple(ColumnSpec("PIT code · family · mm · last met") for _ in range(TAGS_PER_ROW)),
            table,
            note=words,
            small=True,
        )
    ]


def _tag_cell(row: Any) -> str:
    length = "" if pd.isna(row.length_mm) else f"{row.length_mm:.0f}"
    met = f"{row.last_met:%m/%Y}" + ("" if row.confidence == "met here" else " r")
    return f"☐ {row.tag} · " + " · ".join(x for x in (str(row.family), length, met) if x)
