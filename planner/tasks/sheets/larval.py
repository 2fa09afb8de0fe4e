"""The larval collection sheet of a night: light-trap stations by zone, what is left to take, and when to stop."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import pandas as pd

from broodstock.errors import UsageError
from planner.reports.cautions import cautions_for
from planner.reports.sheet import Block, CheckBlock, ColumnSpec, Sheet, TableBlock, TextBlock
from planner.tasks.permits import Room, permit_room
from planner.tasks.programme import Programme
from planner.tasks.quota import monday_of, quota_cells, quotas_of
from planner.tasks.sheets.asked import Asked
from planner.tasks.sheets.forms import EntryForm, FormField, FormLine
from planner.tasks.sheets.kinds import Printed

NEW_CLASS_MONTH = 7
"""Nights from this month on count to the year class of the next year (spawning begins about New Year)."""


@dataclass(frozen=True)
class ZoneRoom:
    """What a zone may still give on a night.

    Parameters
    ----------
    zone : str
        Zone.
    wanted, taken, taken_tonight : int
        Quota of the week (None when none is set), larvae of the week and of the night on record.
    by_quota, by_night : int or None
        Left by the quota of the week, and by the largest share of one night; None when there is no such limit.
    """

    zone: str
    wanted: int | None
    taken: int
    taken_tonight: int
    by_quota: int | None
    by_night: int | None

    @property
    def left(self) -> int | None:
        """The smaller of both, None without a limit."""
        limits = [x for x in (self.by_quota, self.by_night) if x is not None]
        return min(limits) if limits else None


def year_class_of_night(night: dt.date) -> int:
    """Return the year class larvae of a night belong to: that of the next year from July on."""
    return night.year + (night.month >= NEW_CLASS_MONTH)


def larval_collection(programme: Programme, asked: Asked) -> Printed:
    """Lay out the larval collection sheet of a night.

    Parameters
    ----------
    programme : Programme
        Records.
    asked : Asked
        ``day`` (the evening the night begins; default the day of the records), ``zone``, ``stations`` of each zone.

    Raises
    ------
    UsageError
        If a word is not known, no zone is known, the permits leave no room, or nothing is left to take.
    """
    night = asked.day("day", programme.today)
    stations = asked.whole("stations", 4, 1, 20)
    zones = _zones(programme)
    if not zones:
        raise UsageError(
            "larvae sheet: found no zone in sites, larval_takes or larval_quotas. Expected at least one. Add a site of "
            "the kind reservoir-zone or a quota."
        )
    zone = asked.one_of("zone", zones, "")
    room = permit_room(programme, "collect-larvae", 1, night)
    if not room.may:
        phone = next((t.phone for t in room.tallies if t.phone), "the office that issued the permit")
        raise UsageError(
            f"larvae sheet: found for {night}: {room.why}. Expected room for at least one larva. Take no larvae; ask for "
            f"another day or a larger permit and phone: {phone}."
        )
    rooms = [_room_of(programme, z, night) for z in ([zone] if zone else zones)]
    if all(r.left == 0 for r in rooms):
        raise UsageError(
            f"larvae sheet: found nothing left to take on {night} in {', '.join(r.zone for r in rooms)}: quota or share "
            "of one night used up. Ask for another zone or day, or change the quota."
        )
    rooms = [r for r in rooms if r.left != 0] + [r for r in rooms if r.left == 0]
    open_zones = [r for r in rooms if r.left != 0]
    stop, why = _stop(open_zones, room)
    blocks: list[Block] = [
        TextBlock("Stop line", _stop_words(stop, why, room), boxed=True),
        _rooms_table(rooms),
    ]
    lines: list[FormLine] = []
    for r in open_zones:
        block, more = _stations(r, stations, night)
        blocks.append(block)
        lines += more
    year = year_class_of_night(night)
    blocks.append(
        CheckBlock(
            "Before anyone goes home",
            (
                "Larvae taken tonight in all zones, dead ones counted: ________   counted by ____________   checked by ____________",
                "Sub-sample for DNA taken from each zone: vials ____________ to ____________",
                "Every container carries night, zone and group; oxygen and temperature in it: ________  ________",
                "Water at the first trap: temperature ______ °C   level ______   wind and moon ____________",
                "Traps counted out ______ and in ______; nothing left in the water",
            ),
        )
    )
    sheet = Sheet(
        "Larval collection",
        " · ".join(x for x in (programme.settings["programme_name"], f"night from {night:%d %b %Y}") if x),
        "",
        0,
        (
            ("Night", f"{night:%a %d %b %Y}"),
            ("Year class", f"{year} (nights from July on count to the next year)"),
            ("Stop at", "no number set" if stop is None else f"{stop} larvae"),
            ("Permit", room.why),
            ("Leader", "________________"),
            ("Second", "________________"),
        ),
        tuple(blocks),
        cautions_for(("larvae", "night", "boats", "dna", "water_order", "privacy")),
        landscape=True,
    )
    form = EntryForm(
        "larval_takes",
        "Stations",
        (FormField("effort_h", "Hours"), FormField("number", "Taken"), FormField("family", "Larval group")),
        tuple(lines),
        {"collected_on": night.isoformat(), "year_class": str(year)},
        named="take_id",
        prefix=f"LT-{night.isoformat()}",
    )
    return Printed(sheet, (form,), about=night.isoformat())


def _zones(programme: Programme) -> list[str]:
    """Return zones in the order of the table of sites, then those known from takes and quotas alone."""
    sites = programme.tables["sites"]
    named = [
        str(n).partition(": ")[2] or str(n) for n in sites.loc[sites["kind"] == "reservoir-zone", "name"]
    ]
    more = {*programme.tables["larval_takes"]["zone"], *programme.tables["larval_quotas"]["zone"]} - {""}
    return [*dict.fromkeys(named), *sorted(more - set(named))]


def _room_of(programme: Programme, zone: str, night: dt.date) -> ZoneRoom:
    year = year_class_of_night(night)
    week = monday_of(night)
    cell = next((c for c in quota_cells(programme, year) if (c.zone, c.week_from) == (zone, week)), None)
    quotas = quotas_of(programme, year)
    takes = programme.tables["larval_takes"]
    here = takes[(takes["zone"] == zone) & (takes["collected_on"] == pd.Timestamp(night))]
    tonight = int(here["number"].sum())
    wanted = cell.wanted if cell else None
    taken = cell.taken if cell else 0
    if wanted is None:
        by_quota = 0 if quotas else None  # a season with quotas wants nothing where none is set
    else:
        by_quota = max(0, wanted - taken)
    season = sum(n for n, _ in quotas.values())
    share = quotas.get((zone, week), (0, None))[1]
    base, most = (
        (season, float(programme.settings["larval_night_share_max"]))
        if share is None
        else (wanted or 0, share)
    )
    by_night = max(0, int(base * most + 1e-9) - tonight) if season else None
    return ZoneRoom(zone, wanted, taken, tonight, by_quota, by_night)


def _stop(rooms: list[ZoneRoom], room: Room) -> tuple[int | None, str]:
    """Return the number that ends the night in all zones, and what sets it."""
    by_zones = None if any(r.left is None for r in rooms) else sum(r.left or 0 for r in rooms)
    if room.left is not None and (by_zones is None or room.left <= by_zones):
        return room.left, "left under the permit"
    if by_zones is not None:
        return by_zones, "the sum of what the zones may give tonight"
    return None, ""


def _stop_words(stop: int | None, why: str, room: Room) -> tuple[str, ...]:
    if stop is None:
        first = f"No quota and no permit number stands in the records ({room.why}). Ask for the number before you leave: ________"
    else:
        first = f"STOP for the night at {stop} larvae in all zones together: {why}. Stop in a zone at its own number below."
    phone = next((t.phone for t in room.tallies if t.phone), "")
    return (
        first,
        "Every larva taken counts, alive or dead, of whatever species it turns out to be.",
        f"When the number is reached: lights off, traps out, phone {phone or 'the office that issued the permit'}.",
    )


def _rooms_table(rooms: list[ZoneRoom]) -> TableBlock:
    def shown(value: int | None, without: str = "none set") -> str:
        return without if value is None else str(value)

    return TableBlock(
        "What each zone may still give",
        (
            ColumnSpec("Zone", 1.6),
            ColumnSpec("Wanted this week", 1, "right"),
            ColumnSpec("Taken this week", 1, "right"),
            ColumnSpec("Left of the quota", 1, "right"),
            ColumnSpec("Left for one night", 1, "right"),
            ColumnSpec("Stop at", 0.9, "right"),
            ColumnSpec("Running count (tally marks)", 4, blank=True),
        ),
        tuple(
            (
                r.zone,
                shown(r.wanted),
                str(r.taken),
                shown(r.by_quota),
                shown(r.by_night),
                "0: not tonight" if r.left == 0 else shown(r.left, "the permit"),
                "–" if r.left == 0 else "",
            )
            for r in rooms
        ),
    )  # fmt: skip


def _stations(room: ZoneRoom, stations: int, night: dt.date) -> tuple[TableBlock, list[FormLine]]:
    columns = (
        ColumnSpec("Station", 0.7),
        ColumnSpec("Light on", 0.9, blank=True),
        ColumnSpec("Light off", 0.9, blank=True),
        ColumnSpec("Hours", 0.8, blank=True),
        ColumnSpec("Taken, dead ones too", 1.2, blank=True),
        ColumnSpec("Of them dead", 0.9, blank=True),
        ColumnSpec("Species in doubt", 1.2, blank=True),
        ColumnSpec("Container", 1.1, blank=True),
        ColumnSpec("Larval group", 1.3, blank=True),
        ColumnSpec("Remark", 1.8, blank=True),
    )
    numbers = range(1, stations + 1)
    table = TableBlock(
        f"{room.zone}: stations",
        columns,
        tuple((str(k), *[""] * 9) for k in numbers),
        note="Hours are lamp hours of that trap. A trap without larvae is written down with 0. Hours, larvae taken and group "
        "are keyed in; the rest stays on this paper.",
        keep_together=True,
    )
    return table, [
        FormLine(f"{room.zone} {k}", f"{room.zone} · station {k}", {"zone": room.zone}) for k in numbers
    ]
