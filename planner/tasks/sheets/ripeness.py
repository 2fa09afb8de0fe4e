"""The ripeness check: walk through the station, one line per broodfish, what was seen and what is expected."""

from __future__ import annotations

import pandas as pd

from broodstock.errors import UsageError
from planner.reports.cautions import cautions_for
from planner.reports.sheet import CheckBlock, ColumnSpec, Sheet, TableBlock, TextBlock
from planner.tasks.programme import Programme
from planner.tasks.rows import rows
from planner.tasks.sheets.asked import Asked
from planner.tasks.sheets.forms import EntryForm, FormField, FormLine
from planner.tasks.sheets.kinds import Printed

LAST = 10**6
SEEN = "ripe · ripening · not ripe · spent · no milt"


def ripeness_check(programme: Programme, asked: Asked) -> Printed:
    """Lay out the ripeness check of a day.

    Parameters
    ----------
    programme : Programme
        Records.
    asked : Asked
        ``day`` (default the spawning day), ``building``, ``sex``.

    Raises
    ------
    UsageError
        If a word is not known, or no living broodfish is left.
    """
    day = asked.day("day", programme.settings.day("spawning_day"))
    fish = programme.tables["fish"]
    fish = fish[fish["status"] == "brood"]
    units = programme.tables["units"].set_index("unit_id")
    order = units["walk_order"].to_dict()
    buildings = units["building"].to_dict()
    building = asked.one_of("building", sorted({b for b in buildings.values() if b}), "")
    sex = asked.one_of("sex", ("female", "male"), "")
    if sex:
        fish = fish[fish["sex"] == sex]
    if building:
        fish = fish[fish["unit"].map(buildings) == building]
    if fish.empty:
        raise UsageError("ripeness sheet: found no living broodfish for what was asked. Ask for less.")
    looks = programme.tables["ripeness"]
    looks = (
        looks[looks["checked_on"] <= pd.Timestamp(day)].sort_values("checked_on").groupby("fish_id").tail(1)
    )
    last = {r.fish_id: r for r in rows(looks)}
    listed = sorted(rows(fish), key=lambda r: (_walk(order.get(r.unit)), r.unit, r.fish_id))
    table, lines = [], []
    for r in listed:
        seen = last.get(r.fish_id)
        window, chance, looked = _expected(seen)
        where = " ".join(x for x in (buildings.get(r.unit, ""), r.unit) if x)
        table.append((where or "–", r.fish_id, r.sex, r.tag or "none", looked, window, chance, "", "", ""))
        lines.append(FormLine(r.fish_id, f"{where or '–'} · {r.fish_id} · {r.sex}", {"fish_id": r.fish_id}))
    columns = (
        ColumnSpec("Unit", 1.6),
        ColumnSpec("Fish", 0.7),
        ColumnSpec("Sex", 0.6),
        ColumnSpec("PIT code", 1.4),
        ColumnSpec("Last look", 1.5),
        ColumnSpec("Window expected", 1.4),
        ColumnSpec("Chance", 0.6, "right"),
        ColumnSpec("Scanned", 0.7, blank=True),
        ColumnSpec("Seen today", 1.4, blank=True),
        ColumnSpec("Remark", 1.6, blank=True),
    )
    how = TextBlock(
        "How to fill this in",
        (
            f"Scan first, then write one of: {SEEN}. A fish that is not in its unit is written down as a remark.",
            "The chance is the last one entered for that fish; it is a judgement of the crew, not a measurement.",
        ),
        boxed=True,
    )
    end = CheckBlock(
        "Before anyone goes home",
        (f"Fish looked at: ________ of {len(listed)} on this sheet", "Dead or hurt fish written down", "Water of the bath thrown away as the label says"),
    )  # fmt: skip
    sheet = Sheet(
        "Ripeness check",
        " · ".join(x for x in (programme.settings["programme_name"], programme.settings["station"], f"{day:%d %b %Y}") if x),
        "",
        0,
        (("Fish", str(len(listed))), ("Females", str(sum(r.sex == "female" for r in listed))),
         ("Males", str(sum(r.sex == "male" for r in listed))), ("Looked at by", "________________")),
        (how, TableBlock("Broodfish in walking order", columns, tuple(table), small=True), end),
        cautions_for(("names", "anaesthesia", "heat")),
        landscape=True,
    )  # fmt: skip
    form = EntryForm(
        "ripeness",
        "Broodfish in walking order",
        (FormField("state", "Seen today"),),
        tuple(lines),
        {"checked_on": day.isoformat()},
    )
    return Printed(sheet, (form,))


def _walk(order: object) -> int:
    return int(order) if isinstance(order, int | float) and pd.notna(order) else LAST


def _expected(seen: object) -> tuple[str, str, str]:
    if seen is None:
        return "not known", "", "never"
    first, end = getattr(seen, "window_start"), getattr(seen, "window_end")  # noqa: B009
    window = f"{first:%d %b} to {end:%d %b}" if pd.notna(first) and pd.notna(end) else "not known"
    chance = getattr(seen, "probability")  # noqa: B009
    looked = f"{getattr(seen, 'checked_on'):%d %b %Y}: {getattr(seen, 'state')}"  # noqa: B009
    return window, f"{chance:.0%}" if pd.notna(chance) else "", looked
