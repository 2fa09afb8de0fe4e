"""Every fish known one by one, whatever table knows it: its tags, last place, last length, sex, samples."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from typing import Any

import pandas as pd

from planner.tasks.programme import Programme
from planner.tasks.rows import rows

IN_CARE = ("brood", "hold", "to-release")


@dataclass
class Individual:
    """One fish.

    Parameters
    ----------
    name : str
        ``fish_id``, ``stock_id``, or ``tag CODE`` for a fish known by its tag alone.
    tags : dict of str to (date or None, date or None)
        First and last day of each tag; None where unknown, or still in use.
    place, place_on : str, date or None
        Site or unit where it was last, and when.
    in_station : bool
        The place is a unit.
    length_mm, length_on : float, date or None
        Last total length, NaN if none.
    sex : str
        As believed.
    status : str
        Of the table ``fish``; ``released`` or ``to-release`` for others.
    gone_on : date or None
        Day it died.
    samples : list of str
        Samples of it.
    """

    name: str
    tags: dict[str, tuple[dt.date | None, dt.date | None]] = field(default_factory=dict)
    place: str = ""
    place_on: dt.date | None = None
    in_station: bool = False
    length_mm: float = float("nan")
    length_on: dt.date | None = None
    sex: str = "unknown"
    status: str = "unknown"
    gone_on: dt.date | None = None
    samples: list[str] = field(default_factory=list)

    def give_tag(self, code: str, first: dt.date | None, last: dt.date | None = None) -> None:
        """Add a tag, or widen its span."""
        if code in self.tags:
            old = self.tags[code]
            known = [d for d in (old[0], first) if d is not None]
            first, last = (min(known) if known else None), old[1] if last is None else last
        self.tags[code] = (first, last)

    def see(self, place: str, when: dt.date | None, *, in_station: bool = False) -> None:
        """Note a place if it is the latest."""
        if place and (self.place_on is None or (when is not None and when >= self.place_on)):
            self.place, self.place_on, self.in_station = place, when, in_station

    def measure(self, length: Any, when: dt.date | None) -> None:
        """Note a total length if it is the latest."""
        if not pd.isna(length) and (self.length_on is None or (when is not None and when >= self.length_on)):
            self.length_mm, self.length_on = float(length), when


def as_date(value: Any) -> dt.date | None:
    """Return a cell of a date column as a date, None when empty."""
    return None if value is None or pd.isna(value) else value.date()


def individuals(programme: Programme, until: dt.date) -> list[Individual]:
    """Return every fish known one by one, with what was known of it until a day.

    Parameters
    ----------
    programme : Programme
        Open records.
    until : date
        Events after this day are left out; tags put in later are kept, with their first day.
    """
    tables = programme.tables
    out: list[Individual] = []
    by_tag: dict[str, Individual] = {}
    by_name: dict[str, Individual] = {}

    def known(day: dt.date | None) -> bool:
        return day is None or day <= until

    for r in rows(tables["fish"]):
        one = Individual(r.fish_id, sex=r.sex or "unknown", status=r.status)
        status_on = as_date(r.status_on)
        if r.status in ("dead", "lost") and known(status_on):
            one.gone_on = status_on or until
        elif not known(status_on):
            one.status = "hold"
        if r.tag:
            one.give_tag(r.tag, as_date(r.entered_on))
        one.see(r.unit, status_on if known(status_on) else None, in_station=True)
        if known(as_date(r.measured_on)):
            one.measure(r.total_length_mm, as_date(r.measured_on))
        out.append(one)
        by_name[one.name] = one
    for r in rows(tables["identifiers"]):
        if r.kind in ("pit-iso", "pit-legacy") and r.fish_id in by_name:
            by_name[r.fish_id].give_tag(r.code, as_date(r.from_date), as_date(r.to_date))
    for one in out:
        for code in one.tags:
            by_tag.setdefault(code, one)
    for r in rows(tables["stock"]):
        one = by_tag.get(r.tag) or Individual(r.stock_id, sex=r.sex or "unknown", status="to-release")
        if r.tag and r.tag not in by_tag:
            one.give_tag(r.tag, as_date(r.tagged_on))
            by_tag[r.tag] = one
            out.append(one)
        by_name.setdefault(r.stock_id, one)
        one.see(r.unit, as_date(r.tagged_on), in_station=True)
        if as_date(r.gone_on) is not None and known(as_date(r.gone_on)):
            one.gone_on, one.status = as_date(r.gone_on), "dead"
        if known(as_date(r.measured_on)):
            one.measure(r.total_length_mm, as_date(r.measured_on))
    for r in rows(tables["releases"]):
        day = as_date(r.released_on)
        found = by_tag.get(r.tag)
        if found is None:
            found = Individual(f"tag {r.tag}", sex=r.sex or "unknown", status="released")
            found.give_tag(r.tag, day)
            by_tag[r.tag] = found
            out.append(found)
        if known(day):
            found.status = "released" if found.gone_on is None else found.status
            found.see(r.site_id, day)
            found.measure(r.total_length_mm, day)
    _add_captures(tables["captures"], out, by_tag, until)
    for r in rows(tables["samples"]):
        holder = by_name.get(r.fish_id) or by_name.get(r.stock_id)
        if holder is not None and r.group not in ("control",):
            holder.samples.append(r.sample_id)
    return out


def _add_captures(
    captures: pd.DataFrame, out: list[Individual], by_tag: dict[str, Individual], until: dt.date
) -> None:
    for r in rows(captures.sort_values("captured_on", kind="stable")):
        day = as_date(r.captured_on)
        one = by_tag.get(r.tag) if r.tag else None
        if one is None and r.new_tag:
            one = by_tag.get(r.new_tag)
            if one is None:
                one = Individual(f"tag {r.new_tag}", sex=r.sex or "unknown", status="released")
                out.append(one)
        if one is None:
            continue
        if r.new_tag:
            one.give_tag(r.new_tag, day)
            by_tag.setdefault(r.new_tag, one)
        if day is None or day > until:
            continue
        one.see(r.site_id, day)
        if r.length_type in ("TL", ""):
            one.measure(r.length_mm, day)
        if one.sex == "unknown" and r.sex:
            one.sex = r.sex
        if r.sample_id:
            one.samples.append(r.sample_id)
