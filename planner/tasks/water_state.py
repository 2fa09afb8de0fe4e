"""What the records say of each water on a day: one judgement for the release plan, the lights and the single move."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection
from dataclasses import dataclass

import pandas as pd

from planner.tasks.individuals import as_date
from planner.tasks.permit_events import as_int
from planner.tasks.programme import Programme
from planner.tasks.release_rules import closed_months
from planner.tasks.rows import rows
from planner.tasks.still_here import received_this_season

EMPTIED = ("drained", "fish-removal")
"""Works after which a water is empty until it was checked."""
CONNECTED = ("seasonal", "open")
"""Connections by which fish, and predators, may come and go."""


@dataclass(frozen=True)
class WaterState:
    """One water on one day.

    Parameters
    ----------
    site_id : str
        As in the records.
    is_open : bool or None
        Whether it is open for release; None when the records do not say.
    closed_today : bool
        Found closed this morning, against the records.
    shut_month : bool
        Whether it receives no fish in this month.
    is_dry : bool
        Whether its depth is recorded as 0.
    work, work_change : str
        Work that stands against fish (not over, or emptied and not yet checked) and what would change it; empty if none.
    predators : str
        Predators as used: ``none`` only where a survey in date found none.
    predator_words : str
        The facts behind it: what was recorded, by which survey, and what the day makes of it.
    residents : int
        Fish counted there.
    received : int
        Fish it received this season, see `planner.tasks.still_here.season_start`.
    capacity : int or None
        Fish it can hold; None if not recorded.
    least_mm : float
        Shortest fish that may go there: its own least length, and the safe length where predators are or may come.
    """

    site_id: str
    is_open: bool | None
    closed_today: bool
    shut_month: bool
    is_dry: bool
    work: str
    work_change: str
    predators: str
    predator_words: str
    residents: int
    received: int
    capacity: int | None
    least_mm: float

    @property
    def takes_fish(self) -> bool:
        """Whether nothing about the water itself stands against fish; unknown openness counts as open."""
        return not (self.is_open is False or self.closed_today or self.is_dry or self.work)

    @property
    def why_not(self) -> str:
        """Why it takes no fish whatever the month, in words; empty if nothing stands against them."""
        if self.closed_today:
            return "closed this morning"
        if self.is_open is False:
            return "closed for release"
        return "dry: depth 0 m" if self.is_dry else self.work

    @property
    def room(self) -> int | None:
        """Free places, never below 0; None without a recorded capacity."""
        return None if self.capacity is None else max(0, self.capacity - self.residents)


def water_states(programme: Programme, day: dt.date, closed: Collection[str] = ()) -> dict[str, WaterState]:
    """Judge every water on a day.

    Parameters
    ----------
    programme : Programme
        Open records; settings ``survey_valid_days`` and ``predator_min_length_mm`` are used.
    day : date
        Day of a release or a move.
    closed : collection of str
        Waters found closed this morning.

    Returns
    -------
    dict of str to WaterState
        In the order of the records.

    Raises
    ------
    UsageError
        If ``closed_months`` of a water cannot be read.
    """
    table = programme.tables["sites"]
    shut = closed_months(table)[day.month - 1]
    residents = programme.residents_now
    received = received_this_season(programme, day)
    works = _works(programme, day)
    safe = float(programme.settings["predator_min_length_mm"])
    out = {}
    for k, s in enumerate(rows(table)):
        predators, words = _predators(programme, s.predators, s.surveyed_on, day)
        if s.kind == "reservoir-zone" and predators == "none":
            predators, words = "present", f"{words}; a reservoir counts as holding predators"
        least = 0.0 if pd.isna(s.min_length_mm) else float(s.min_length_mm)
        is_open = None if pd.isna(s.open_for_release) else bool(s.open_for_release)
        work, change = works.get(s.site_id, ("", ""))
        out[s.site_id] = WaterState(
            s.site_id,
            is_open,
            s.site_id in closed,
            bool(shut[k]),
            not pd.isna(s.max_depth_m) and float(s.max_depth_m) == 0,
            work,
            change,
            predators,
            words,
            sum(as_int(n) for n in residents.loc[residents["site_id"] == s.site_id, "number"]),
            int(received.get(s.site_id, 0)),
            None if pd.isna(s.capacity_fish) else int(s.capacity_fish),
            max(least, safe) if predators != "none" or s.connection in CONNECTED else least,
        )
    return out


def _predators(programme: Programme, recorded: str, surveyed_on: object, day: dt.date) -> tuple[str, str]:
    """Return the state of predators as used on a day, and the facts behind it."""
    limit = int(programme.settings["survey_valid_days"])
    surveyed = as_date(surveyed_on)
    state = recorded or "unknown"
    if surveyed is None:
        return ("unknown" if state == "none" else state), f"predators {state}, never surveyed"
    age = (day - surveyed).days
    words = f"predators {state}, surveyed {surveyed:%d %b %Y}, {age} days before"
    if age < 0:
        words = f"predators {state}, surveyed {surveyed:%d %b %Y}, after this day"
    if state == "none" and age > limit:
        return "unknown", f"{words}; older than {limit} days counts as unknown"
    return state, words


def _works(programme: Programme, day: dt.date) -> dict[str, tuple[str, str]]:
    """Return the work that stands against fish at each water, and what would change it."""
    out: dict[str, tuple[str, str]] = {}
    for r in rows(programme.tables["renovations"]):
        start, end, checked = as_date(r.from_date), as_date(r.to_date), as_date(r.checked_on)
        if start is None or start > day:
            continue
        if end is None or end >= day:
            until = f" before {end}" if end else ""
            words = f"{r.renovation_id} ({r.kind}) since {start} is not over{until}"
            out[r.site_id] = (words, "the end of the work, and the check after it")
        elif r.kind in EMPTIED and (checked is None or checked > day):
            words = f"{r.renovation_id} ({r.kind}) ended on {end}; not yet found free of other fish"
            out[r.site_id] = (words, "the check that fish can live there and no others are left")
    return out
