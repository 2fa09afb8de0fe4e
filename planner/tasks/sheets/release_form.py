"""The release form of one water: tags planned for it to tick off, the dead, the water on the shore, two signatures."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pandas as pd

from broodstock.errors import UsageError
from planner.reports.cautions import cautions_for
from planner.reports.sheet import Block, CheckBlock, ColumnSpec, Sheet, TableBlock, TextBlock
from planner.tasks.fish_state import withdrawals
from planner.tasks.move_subjects import stock_movers
from planner.tasks.permits import permit_room
from planner.tasks.programme import Programme
from planner.tasks.rows import rows
from planner.tasks.sheets.asked import Asked
from planner.tasks.sheets.forms import EntryForm, FormField, FormLine
from planner.tasks.sheets.kinds import Printed
from planner.tasks.sheets.loading import load_number, loaded_fish, loads_of
from planner.tasks.sheets.places import water_of

FEW = 240
"""Up to so many fish the list has the larger type."""
SPARE_LINES = 8
NAMED = 5


def release_form(programme: Programme, asked: Asked) -> Printed:
    """Lay out the release form of one water of a release plan.

    Parameters
    ----------
    programme : Programme
        Records.
    asked : Asked
        ``water``; ``day`` (default the day of the plan), ``load`` (fish of one truck alone, its number on the
        loading sheet), ``event`` (name of the release; default from day and water); the folder of a release plan, and of
        the loads when the trucks are to be known.

    Raises
    ------
    UsageError
        If the plan or the load sends nothing there, the loads are of another plan, a fish of it is gone, was released already or stands under a withdrawal time,
        or the permits leave no room.
    """
    plan = asked.plan("release")
    site = water_of(programme, asked)
    made = plan["provenance"]
    settings = made["settings"]
    day = dt.date.fromisoformat(
        settings.get("release_day", programme.settings.day("release_day").isoformat())
    )
    only, trucks, load = None, {}, 0
    wanted = bool(asked.text("load"))
    if wanted or ("load" in asked.plans and asked.plan("load")["release_mark"] == made["mark"]):
        here = loaded_fish(asked)
        here = here[here["site"] == str(site.name)]
        trucks = dict(zip(here["stock_id"], here["truck"], strict=True))
    if wanted:
        trips = loads_of(asked, made["mark"])
        load = load_number(asked, trips)
        trip = trips[load - 1]
        day = dt.date.fromisoformat(trip["date"])
        mine = (
            (here["day"] == str(trip["day"]))
            & (here["truck"] == trip["truck"])
            & (here["trip"] == str(trip["trip"]))
        )
        only = set(here.loc[mine, "stock_id"])
        if not only:
            raise UsageError(
                f"release sheet, load: found {load}, which has no fish for {site.site_id}. Expected one that stops there."
            )
    day = asked.day("day", day)
    event = asked.text("event", f"R-{day.isoformat()}-{site.site_id}" + (f"-{load}" if load else ""))
    fish = _fish_of(programme, plan, site, day, only)
    fish["truck"] = [trucks.get(s, "") for s in fish["stock_id"]]
    kg = fish["weight_g"].sum() / 1000.0
    unweighed = int(fish["weight_g"].isna().sum())
    mass = f"{kg:.1f} kg" + (f", {unweighed} fish not weighed" if unweighed else "")
    blocks: list[Block] = [
        TextBlock(
            "How to fill this in",
            (
                "Scan every fish. Tick 'free' when it swims off, 'dead' when it is dead on arrival or dies before release. "
                "A tag with neither tick was not found: look again in the tank.",
                "A fish whose tag is not on the list is written below it. Nothing is released here beyond the permit.",
            ),
            boxed=True,
        ),
        _water_table(),
        *_fallback(plan, str(site.name)),
        _list(fish),
        _spare_table(),
        _counts(len(fish)),
        _signatures(),
    ]
    room = permit_room(programme, "release", len(fish), day)
    sheet = Sheet(
        "Release form",
        " · ".join(x for x in (programme.settings["programme_name"], f"{site.name} ({site.site_id})", f"{day:%d %b %Y}") if x),
        "",
        0,
        (
            ("Water", f"{site.name} ({site.site_id})"),
            ("Release", event),
            ("Fish planned", f"{len(fish)} of {fish['family'].nunique()} families"),
            ("Mass", mass),
            ("Plan", f"version {made['version']}, mark {made['mark']}"),
            ("Permit", room.why),
            ("Load", f"{load} of the loading sheet" if load else "all that come to this water"),
            ("Truck", "________________" if not any(fish["truck"]) else ", ".join(sorted({t for t in fish["truck"] if t}))),
        ),
        tuple(blocks),
        cautions_for(("release", "names", "heat", "handling", "water_order", "privacy")),
    )  # fmt: skip
    return Printed(sheet, _forms(fish, site, day, event), about=day.isoformat())


def _fish_of(
    programme: Programme, plan: dict[str, Any], site: Any, day: dt.date, only: set[str] | None
) -> pd.DataFrame:
    """Return the fish planned for a water, or some of them, by tag; stop when one of them may not be there any more."""
    sent: dict[str, list[str]] = plan.get("fish", {})
    names = sent.get(str(site.name), [])
    if not names:
        some = ", ".join(sent) or "none"
        raise UsageError(
            f"release sheet, water: found {site.site_id}, to which this plan sends no fish. Expected one that gets some: {some}."
        )
    if only is not None:
        names = [n for n in names if n in only]
    stock = programme.tables["stock"]
    stock = stock[stock["gone_on"].isna()]
    fish = stock[stock["stock_id"].isin(names)].sort_values("tag", kind="stable").reset_index(drop=True)
    gone = sorted(set(names) - set(fish["stock_id"]))
    if gone:
        raise UsageError(
            f"release sheet: found {_few(gone)} of the plan no longer in the stock. Expected all {len(names)} fish. Make a new "
            "version of the release plan first."
        )
    releases = programme.tables["releases"]
    again = sorted(set(fish["tag"]) & set(releases["tag"]))
    if again:
        raise UsageError(
            f"release sheet: found {_few(again)} on record as released already. Expected tags that are not released. Is "
            "this release keyed in? Otherwise make a new version of the plan."
        )
    mine = set(fish["stock_id"])
    late = withdrawals(programme, [m for m in stock_movers(programme) if m.name in mine], day)
    waits = fish.loc[fish["stock_id"].isin(set(late)), "tag"]
    if len(waits):
        raise UsageError(
            f"release sheet: found {_few(sorted(waits))} under a medicine withdrawal time on {day}. Expected fish whose time is "
            "over. Take a later day or a new version of the plan."
        )
    room = permit_room(programme, "release", len(fish), day)
    if not room.may:
        raise UsageError(
            f"release sheet: {room.why}. Expected room for {len(fish)} fish on {day}. What would change it: {room.change}."
        )
    return fish


def _fallback(plan: dict[str, Any], name: str) -> list[Block]:
    """Return what the plan says of this water being red, if it does."""
    words = [str(f["words"]) for f in plan.get("fallbacks", ()) if f["site"] == name]
    after = (
        "Make a new version of the plan and print a new form before the truck turns; this one is void then."
    )
    return [TextBlock("", (f"{words[0][:1].upper()}{words[0][1:]}. {after}",))] if words else []


def _few(names: list[str]) -> str:
    more = f" and {len(names) - NAMED} more" if len(names) > NAMED else ""
    return ", ".join(names[:NAMED]) + more


def _list(fish: pd.DataFrame) -> TableBlock:
    few = len(fish) <= FEW
    beside = 2 if few else 3
    cells = [_words(r) if few else f"{r.tag} · {r.family}" for r in rows(fish)]
    columns = (ColumnSpec("PIT code · family · mm" if few else "PIT code · family", 2.7), ColumnSpec("free", 0.45, blank=True),
               ColumnSpec("dead", 0.45, blank=True)) * beside  # fmt: skip
    table = []
    for k in range(0, len(cells), beside):
        line = cells[k : k + beside]
        table.append(tuple(x for cell in line for x in (cell, "", "")) + ("–",) * (3 * (beside - len(line))))
    return TableBlock(
        f"Planned for this water: {len(fish)} tags in the order of the codes",
        columns,
        tuple(table),
        small=not few,
    )


def _words(row: Any) -> str:
    length = "" if pd.isna(row.total_length_mm) else f"{row.total_length_mm:.0f}"
    return " · ".join(x for x in (str(row.tag), str(row.family), length) if x)


def _spare_table() -> TableBlock:
    return TableBlock(
        "Released here, but not on the list",
        (
            ColumnSpec("No", 0.3, "right"),
            ColumnSpec("PIT code as read", 2.2, blank=True),
            ColumnSpec("Family, if known", 1.2, blank=True),
            ColumnSpec("mm", 0.6, blank=True),
            ColumnSpec("g", 0.6, blank=True),
            ColumnSpec("Who allowed it", 1.6, blank=True),
        ),
        tuple((str(k), *[""] * 5) for k in range(1, SPARE_LINES + 1)),
    )


def _water_table() -> TableBlock:
    return TableBlock(
        "Water and time",
        (
            ColumnSpec("", 1.8),
            ColumnSpec("Time", 1, blank=True),
            ColumnSpec("Temperature °C", 1, blank=True),
            ColumnSpec("Oxygen mg/L", 1, blank=True),
            ColumnSpec("Fish look", 1.6, blank=True),
        ),
        tuple((x, "", "", "", "") for x in ("In the truck on arrival", "At the shore", "In the truck after tempering")),
        note="Hold back when oxygen or the difference in temperature is beyond what your programme agreed.",
    )  # fmt: skip


def _counts(planned: int) -> CheckBlock:
    return CheckBlock(
        "Does it add up?",
        (
            f"Free ________ + dead ________ + not found ________ = {planned} on the list; not on the list but free ________",
            "Dead fish: tags scanned, carcasses kept or left as the permit says   number ________",
            "Fish kept in a pen to look at after a day: ________   looked at on ____________   dead then ________",
            "Permit and health certificate seen; truck water not let into this water",
        ),
    )


def _signatures() -> TableBlock:
    return TableBlock(
        "Two people sign",
        (
            ColumnSpec("", 1),
            ColumnSpec("Name", 2, blank=True),
            ColumnSpec("Signature", 2.4, blank=True),
            ColumnSpec("Day, time", 1.2, blank=True),
        ),
        (("Released by", "", "", ""), ("Second person", "", "", "")),
        keep_together=True,
    )


def _forms(fish: pd.DataFrame, site: Any, day: dt.date, event: str) -> tuple[EntryForm, ...]:
    fixed = {"event": event, "released_on": day.isoformat(), "site_id": str(site.site_id)}
    note = f"dead at release to {site.site_id} on {day.isoformat()}"
    free = tuple(FormLine(str(r.tag), _words(r), _known(r)) for r in rows(fish))
    dead = tuple(
        FormLine(
            str(r.tag),
            _words(r),
            {
                "stock_id": str(r.stock_id),
                "gone_on": day.isoformat(),
                "note": "; ".join(x for x in (str(r.note), note) if x),
            },
        )
        for r in rows(fish)
    )
    return (
        EntryForm("releases", "Planned for this water: free", (), free, fixed, tick="free"),
        EntryForm("stock", "Planned for this water: dead", (), dead, action="change", tick="dead"),
        EntryForm(
            "releases",
            "Released here, but not on the list",
            (
                FormField("tag", "PIT code as read"),
                FormField("family", "Family, if known"),
                FormField("total_length_mm", "mm"),
                FormField("weight_g", "g"),
            ),
            tuple(FormLine(f"not listed {k}", f"not listed, line {k}") for k in range(1, SPARE_LINES + 1)),
            fixed,
        ),
    )


def _known(row: Any) -> dict[str, str]:
    """Return the columns of a release that stand printed, or follow from the tag."""
    out = {"tag": str(row.tag), "family": str(row.family), "sex": str(row.sex), "truck": str(row.truck)}
    if pd.notna(row.year_class):
        out["year_class"] = str(int(row.year_class))
    for name in ("total_length_mm", "weight_g"):
        value = getattr(row, name)
        if pd.notna(value):
            out[name] = f"{value:g}"
    return {k: v for k, v in out.items() if v}
