"""The ripeness check: walk through the station, one line per broodfish, what was seen and what is expected."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pandas as pd

from broodstock.errors import UsageError
from planner.reports.cautions import cautions_for
from planner.reports.sheet import CheckBlock, ColumnSpec, Sheet, TableBlock, TextBlock
from planner.tasks.programme import Programme
from planner.tasks.rows import rows
from planner.tasks.sheets.asked import Asked
from planner.tasks.sheets.dishes import LAST, head_line, natural, walk_of_units
from planner.tasks.sheets.forms import EntryForm, FormField, FormLine
from planner.tasks.sheets.kinds import Printed

SEEN = {
    "female": "ripe · ripening · not-ripe · spent",
    "male": "ripe · ripening · not-ripe · spent · no-milt",
}
ROW_MM = 7.5


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
    order = walk_of_units(programme)
    buildings = units["building"].to_dict()
    building = asked.one_of("building", sorted({b for b in buildings.values() if b}), "")
    sex = asked.one_of("sex", ("female", "male"), "")
    if sex:
        fish = fish[fish["sex"] == sex]
    if building:
        fish = fish[fish["unit"].map(buildings) == building]
    if fish.empty:
        raise UsageError(
            "ripeness sheet: found no living broodfish for what was asked. Expected fish of status brood. Ask for "
            "less, or enter the fish."
        )
    last = _last_looks(programme, day)
    held = _holds(programme, day)
    listed = sorted(rows(fish), key=lambda r: (order.get(r.unit, LAST), r.unit, natural(r.fish_id)))
    table, lines = [], []
    for r in listed:
        window, chance, looked = _expected(last.get(r.fish_id), day)
        where = " ".join(x for x in (buildings.get(r.unit, ""), r.unit) if x) or "no unit"
        circle = SEEN.get(r.sex, SEEN["male"])
        name = f"{r.fish_id} (HOLD: {held[r.fish_id]})" if r.fish_id in held else r.fish_id
        table.append((where, name, r.sex, r.tag or "none", looked, window, chance, "", circle, "", "", ""))
        lines.append(FormLine(r.fish_id, f"{where} · {r.fish_id} · {r.sex}", {"fish_id": r.fish_id}))
    columns = (
        ColumnSpec("Unit", 1.2),
        ColumnSpec("Fish", 0.9),
        ColumnSpec("Sex", 0.6),
        ColumnSpec("PIT code", 1.5),
        ColumnSpec("Last look", 1.15),
        ColumnSpec("Window expected", 1.25),
        ColumnSpec("Chance", 0.55, "right"),
        ColumnSpec("Scanned", 0.6, blank=True),
        ColumnSpec("Seen today (circle one)", 2.5),
        ColumnSpec("Ripe from", 0.75, blank=True),
        ColumnSpec("Ripe until", 0.75, blank=True),
        ColumnSpec("Remark", 1.5, blank=True),
    )
    how = TextBlock(
        "How to fill this in",
        (
            "Scan first, then circle what was seen. A fish that is not in its unit, or was not found, is a remark. "
            "Give the days you expect it ripe from and until where you can judge them.",
            "The chance is the last one entered for that fish: a judgement of the crew, not a measurement. Looks "
            f"older than {programme.settings['look_valid_days']} days belong to an earlier season and are not shown.",
        ),
        boxed=True,
    )
    end = CheckBlock(
        "Before anyone goes home",
        (
            f"Fish looked at: ________ of {len(listed)} on this sheet",
            "Fish not found, dead or hurt written down",
            "Bath emptied as label and rules say",
        ),
    )
    facts = (
        ("Fish", str(len(listed))),
        ("Females", str(sum(r.sex == "female" for r in listed))),
        ("Males", str(sum(r.sex == "male" for r in listed))),
        ("On hold", str(sum(r.fish_id in held for r in listed))),
        ("Looked at by", "________________"),
        ("Water, °C", "________"),
    )
    sheet = Sheet(
        "Ripeness check",
        head_line(programme, (f"{day:%d %b %Y}", building, f"{sex}s" if sex else "")),
        "",
        0,
        facts,
        (
            how,
            TableBlock("Broodfish in walking order", columns, tuple(table), small=True, row_mm=ROW_MM),
            end,
        ),
        cautions_for(("scan", "anaesthesia", "handling", "heat")),
        landscape=True,
    )
    form = EntryForm(
        "ripeness",
        "Broodfish in walking order",
        (
            FormField("state", "Seen today"),
            FormField("window_start", "Ripe from"),
            FormField("window_end", "Ripe until"),
        ),
        tuple(lines),
        {"checked_on": day.isoformat()},
    )
    return Printed(sheet, (form,), about=day.isoformat())


def _last_looks(programme: Programme, day: dt.date) -> dict[str, Any]:
    """Return the last look of this season at each fish."""
    looks = programme.tables["ripeness"]
    until, back = pd.Timestamp(day), pd.Timedelta(days=int(programme.settings["look_valid_days"]))
    looks = looks[(looks["checked_on"] <= until) & (looks["checked_on"] >= until - back)]
    return {r.fish_id: r for r in rows(looks.sort_values("checked_on", kind="stable"))}


def _holds(programme: Programme, day: dt.date) -> dict[str, str]:
    """Return the reason of each hold on a fish that is in force."""
    out = {}
    for r in rows(programme.tables["holds"]):
        begun = pd.isna(r.from_date) or r.from_date <= pd.Timestamp(day)
        if (
            r.subject_kind == "fish"
            and begun
            and not (pd.notna(r.until_date) and r.until_date < pd.Timestamp(day))
        ):
            out[r.subject] = r.reason
    return out


def _expected(seen: Any, day: dt.date) -> tuple[str, str, str]:
    if seen is None:
        return "not known", "–", "none this season"
    window = "not known"
    if pd.notna(seen.window_start) and pd.notna(seen.window_end):
        past = ", over" if seen.window_end < pd.Timestamp(day) else ""
        window = f"{seen.window_start:%d %b} to {seen.window_end:%d %b}{past}"
    chance = f"{seen.probability:.0%}" if pd.notna(seen.probability) else "–"
    return window, chance, f"{seen.checked_on:%d %b}: {seen.state}"
