"""What was released in a span of time: one row per fish or group, joined with water, line, permit and certificate."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pandas as pd

from planner.tasks.permit_events import events_of
from planner.tasks.programme import Programme
from planner.tasks.rows import rows

LINES = {"cross": "hatchery", "larval-group": "wild larvae", "backwater": "backwater"}
UNKNOWN = "not known"
NO_PERMIT, NO_CERTIFICATE, NO_UNIT = "none on record", "none on record", "unit not on record"
COLUMNS = (
    "event",
    "day",
    "site_id",
    "line",
    "family",
    "year_class",
    "number",
    "tag",
    "mm",
    "g",
    "permit",
    "certificate",
    "unit",
)


def stocked(programme: Programme, first: dt.date, last: dt.date) -> pd.DataFrame:
    """Return what was released from a day to a day.

    Parameters
    ----------
    programme : Programme
        Records.
    first, last : date
        Both included.

    Returns
    -------
    DataFrame
        One row per tagged fish (``number`` 1), and one per lot released with more fish than are on record one by one at
        that water and day, for those beyond them. The sum of ``number`` is what the permits count.
    """
    table = programme.tables["releases"]
    here = table[(table["released_on"] >= pd.Timestamp(first)) & (table["released_on"] <= pd.Timestamp(last))]
    kinds = dict(
        zip(programme.tables["families"]["family_id"], programme.tables["families"]["kind"], strict=True)
    )
    units = _units(programme)
    out: list[dict[str, Any]] = []
    for r in rows(here):
        day = r.released_on.date()
        unit = units["tag"].get(r.tag) or units["place"].get((day, r.site_id), ())
        out.append(
            {
                "event": str(r.event),
                "day": day,
                "site_id": str(r.site_id),
                "line": LINES.get(kinds.get(r.family, ""), UNKNOWN),
                "family": str(r.family) or UNKNOWN,
                "year_class": None if pd.isna(r.year_class) else int(r.year_class),
                "number": 1,
                "tag": str(r.tag),
                "mm": None if pd.isna(r.total_length_mm) else float(r.total_length_mm),
                "g": None if pd.isna(r.weight_g) else float(r.weight_g),
                "unit": tuple(unit),
            }
        )
    out += _beyond(programme, first, last)
    frame = pd.DataFrame(out, columns=[c for c in COLUMNS if c not in ("permit", "certificate")] + ["permit"])
    places = {(d, u) for d, u in zip(frame["day"], frame["unit"], strict=True)}
    certificates = {(d, u): _certificates(programme, u, d) for d, u in places}
    frame["certificate"] = [certificates[d, u] for d, u in zip(frame["day"], frame["unit"], strict=True)]
    permits = {d: permits_on(programme, d) for d in set(frame["day"])}
    frame["permit"] = [
        named if isinstance(named, str) and named else permits[d]
        for named, d in zip(frame["permit"], frame["day"], strict=True)
    ]
    frame["unit"] = [", ".join(u) or NO_UNIT for u in frame["unit"]]
    return frame[list(COLUMNS)]


def _beyond(programme: Programme, first: dt.date, last: dt.date) -> list[dict[str, Any]]:
    """Return lots released with more fish than are on record one by one, as the tally of permits counts them."""
    moves = {f"group_moves {m.move_id}": m for m in rows(programme.tables["group_moves"])}
    lots = {lot.lot_id: lot for lot in rows(programme.tables["lots"])}
    kinds = dict(
        zip(programme.tables["families"]["family_id"], programme.tables["families"]["kind"], strict=True)
    )
    out = []
    for e in events_of(programme, "release"):
        move = moves.get(e.record)
        if move is None or not first <= e.on <= last:
            continue
        lot = lots.get(move.from_lot)
        year = None if lot is None or pd.isna(lot.year_class) else int(lot.year_class)
        out.append(
            {
                "event": str(move.move_id),
                "day": e.on,
                "site_id": str(move.to_site),
                "line": LINES.get(kinds.get(move.family, ""), UNKNOWN),
                "family": str(move.family) or f"lot {move.from_lot}",
                "year_class": year,
                "number": e.number,
                "tag": "",
                "mm": None,
                "g": None,
                "unit": (str(move.from_unit),) if move.from_unit else (),
                "permit": str(move.permit_id),
            }
        )
    return out


def _units(programme: Programme) -> dict[str, dict[Any, Any]]:
    """Return units by tag of the stock, and by day and water of the lots released there."""
    stock = programme.tables["stock"]
    by_tag = {t: (str(u),) for t, u in zip(stock["tag"], stock["unit"], strict=True) if t and u}
    by_place: dict[tuple[dt.date, str], tuple[str, ...]] = {}
    moves = programme.tables["group_moves"]
    for m in rows(moves[moves["kind"] == "release"]):
        if m.from_unit and pd.notna(m.happened_on):
            place = (m.happened_on.date(), str(m.to_site))
            by_place[place] = tuple(sorted({*by_place.get(place, ()), str(m.from_unit)}))
    return {"tag": by_tag, "place": by_place}


def permits_on(programme: Programme, day: dt.date) -> str:
    """Return the permits for releases that are valid on a day."""
    table = programme.tables["permits"]
    valid = table[
        (table["activity"] == "release")
        & (table["valid_from"] <= pd.Timestamp(day))
        & (table["valid_until"] >= pd.Timestamp(day))
    ]
    return ", ".join(sorted(set(valid["permit_id"]))) or NO_PERMIT


def _certificates(programme: Programme, units: tuple[str, ...], day: dt.date) -> str:
    """Return the clear certificates of some units that are valid on a day, and the units without one."""
    if not units:
        return NO_UNIT
    table = programme.tables["certificates"]
    valid = table[
        (table["result"] == "clear")
        & (table["issued_on"] <= pd.Timestamp(day))
        & (table["valid_until"] >= pd.Timestamp(day))
    ]
    found = [(u, sorted(valid.loc[valid["unit"] == u, "certificate_id"])) for u in units]
    said = [c for _, some in found for c in some]
    without = [u for u, some in found if not some]
    if not said:
        return NO_CERTIFICATE
    return ", ".join(said) + (f"; none for {', '.join(without)}" if without else "")
