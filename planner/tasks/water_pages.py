"""What the pages show of waters: cards with lights that say why, a plain map, and the river as a strip."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass
from typing import Any

import pandas as pd

from broodstock.errors import UsageError
from planner.tasks.programme import Programme
from planner.tasks.rows import rows
from planner.tasks.water_state import WaterState, water_states

NEAR_FULL = 0.9
GOOD, DOUBT, BAD, NONE = "good", "doubt", "bad", "none"


@dataclass(frozen=True)
class Light:
    """One light of a water.

    Parameters
    ----------
    name : str
        What it is about.
    state : {'good', 'doubt', 'bad', 'none'}
        ``none``: it says nothing here.
    words : str
        The facts.
    change : str
        What would change it; empty when it is good.
    """

    name: str
    state: str
    words: str
    change: str = ""


@dataclass(frozen=True)
class WaterCard:
    """One water.

    Parameters
    ----------
    site_id, name, kind : str
        As recorded.
    facts : list of (str, str)
        Figures.
    lights : list of Light
        Readiness for a release on the day.
    families : list of (str, int, float)
        Resident families, number and share, largest first.
    river_km, latitude, longitude : float or None
        Place.
    residents : int
        Fish counted.
    capacity : int or None
        Fish it can hold.
    note : str
        As recorded.
    """

    site_id: str
    name: str
    kind: str
    facts: list[tuple[str, str]]
    lights: list[Light]
    families: list[tuple[str, int, float]]
    river_km: float | None
    latitude: float | None
    longitude: float | None
    residents: int
    capacity: int | None
    note: str

    @property
    def state(self) -> str:
        """The worst light."""
        states = {light.state for light in self.lights}
        return next((s for s in (BAD, DOUBT) if s in states), GOOD)


def water_cards(programme: Programme, day: dt.date | None = None) -> list[WaterCard]:
    """Return the card of every water for a release on a day, default the setting ``release_day``."""
    when = day or programme.settings.day("release_day")
    sites = programme.tables["sites"]
    states = water_states(programme, when)
    return [_card(programme, s, when, states[s.site_id]) for s in rows(sites)]


def water_card(programme: Programme, site_id: str, day: dt.date | None = None) -> WaterCard:
    """Return the card of one water.

    Raises
    ------
    UsageError
        If there is no such water.
    """
    for card in water_cards(programme, day):
        if card.site_id == site_id:
            return card
    known = ", ".join(programme.tables["sites"]["site_id"])
    raise UsageError(f"water: found {site_id!r}. Expected one of {known}.")


def _number(value: Any) -> float | None:
    return None if pd.isna(value) else float(value)


def _card(programme: Programme, s: Any, day: dt.date, state: WaterState) -> WaterCard:
    table = programme.residents_now
    here = table[table["site_id"] == s.site_id]
    number = state.residents
    named = here[here["family"] != ""].groupby("family")["number"].sum().sort_values(ascending=False)
    families = [(str(f), int(n), float(n) / number) for f, n in named.items()] if number else []
    capacity = _number(s.capacity_fish)
    depth, area = _number(s.max_depth_m), _number(s.area_ha)
    counted = here["counted_on"].max() if len(here) else pd.NaT
    facts = [
        ("Kind", s.kind.replace("-", " ")),
        ("Size", f"{area:g} ha" if area is not None else "not recorded"),
        ("Deepest", f"{depth:g} m" if depth is not None else "not recorded"),
        ("Residents counted", f"{number}" + (f", {counted:%d %b %Y}" if not pd.isna(counted) else "")),
        ("Capacity", f"{capacity:.0f} fish" if capacity is not None else "not recorded"),
        ("Purpose", s.purpose or "not recorded"),
    ]
    return WaterCard(
        s.site_id,
        s.name,
        s.kind,
        facts,
        _lights(programme, s, day, state, families),
        families,
        _number(s.river_km),
        _number(s.latitude),
        _number(s.longitude),
        number,
        None if capacity is None else int(capacity),
        s.note,
    )


def _lights(
    programme: Programme, s: Any, day: dt.date, state: WaterState, families: list[tuple[str, int, float]]
) -> list[Light]:
    out = [_open(state, day), _predators(programme, state), _connection(s), _room(state)]
    cap = float(programme.settings["family_share_cap"])
    if families:
        family, _, share = families[0]
        words = f"largest family {family}: {share:.0%} of the residents; {len(families)} families"
        out.append(
            Light("Families", GOOD, words)
            if share <= cap
            else Light(
                "Families", DOUBT, words, f"fish of other families, until no family has more than {cap:.0%}"
            )
        )
    if state.is_dry:
        out.append(Light("Water", BAD, "dry: depth 0 m", "water, and its depth in the record"))
    if state.work:
        out.append(Light("Work", BAD, state.work, state.work_change))
    return out


def _open(state: WaterState, day: dt.date) -> Light:
    if state.is_open is None:
        return Light(
            "Open", DOUBT, "whether it is open for release is not recorded", "an entry by whoever decides"
        )
    if not state.is_open:
        return Light("Open", BAD, "closed for release", "whoever closed it opens it")
    if state.shut_month:
        return Light("Open", BAD, f"receives no fish in {day:%B}", "another month")
    return Light("Open", GOOD, "open for release")


def _predators(programme: Programme, state: WaterState) -> Light:
    length = float(programme.settings["predator_min_length_mm"])
    words = state.predator_words
    if state.predators == "none":
        return Light("Predators", GOOD, words)
    longer = f"only fish of {length:g} mm and more"
    if state.predators == "present":
        return Light("Predators", DOUBT, words, f"{longer}, or a renovation")
    return Light("Predators", DOUBT, words, f"{longer}, or a survey that finds none")


def _connection(s: Any) -> Light:
    berm = _number(s.berm_m)
    words = f"connection {s.connection or 'not recorded'}" + (
        f", berm {berm:g} m" if berm is not None else ""
    )
    if s.connection == "screened":
        return Light("Connection", DOUBT, words, "a screen found whole")
    if s.connection == "none" and berm is not None and berm < 0.5:
        return Light("Connection", DOUBT, f"{words}: low", "a higher berm, or a lower forecast level")
    return Light("Connection", GOOD if s.connection == "none" else NONE, words)


def _room(state: WaterState) -> Light:
    if state.capacity is None:
        return Light("Room", NONE, f"{state.residents} residents; no capacity recorded")
    words = f"{state.residents} of {state.capacity} fish"
    if not state.room:
        return Light("Room", BAD, words, "fewer residents")
    if state.residents >= NEAR_FULL * state.capacity:
        return Light("Room", DOUBT, f"{words}: nearly full", "fewer residents")
    return Light("Room", GOOD, words)


@dataclass(frozen=True)
class MapPoint:
    """One water on the map and its place in the drawing."""

    card: WaterCard
    x: float
    y: float


WIDE, HIGH, EDGE = 900.0, 460.0, 60.0
MOST_STRETCH = 8.0


def map_points(cards: list[WaterCard]) -> list[MapPoint]:
    """Place waters with coordinates on a plain drawing, north up; a flat stretch of country is drawn taller."""
    placed = [
        (c, c.latitude, c.longitude) for c in cards if c.latitude is not None and c.longitude is not None
    ]
    if not placed:
        return []
    south, north = min(p[1] for p in placed), max(p[1] for p in placed)
    west, east = min(p[2] for p in placed), max(p[2] for p in placed)
    narrow = math.cos(math.radians((south + north) / 2))
    across, up = max((east - west) * narrow, 1e-6), max(north - south, 1e-6)
    # A long narrow river would be a line in one scale: the north-south scale may be up to eight times the other.
    scale = (WIDE - 2 * EDGE) / across
    upward = min((HIGH - 2 * EDGE) / up, scale * MOST_STRETCH)
    return [
        MapPoint(c, EDGE + (lon - west) * narrow * scale, HIGH - EDGE - (lat - south) * upward)
        for c, lat, lon in placed
    ]


@dataclass(frozen=True)
class StripMark:
    """One water on the river strip: place along it in percent, and the row its name stands in."""

    card: WaterCard
    left: float
    row: int


def river_strip(cards: list[WaterCard]) -> tuple[list[StripMark], float, list[WaterCard]]:
    """Return marks along the river, its length in km, and the waters that lie elsewhere."""
    along = sorted((c for c in cards if c.river_km is not None), key=lambda c: -(c.river_km or 0.0))
    most = max((c.river_km or 0.0 for c in along), default=1.0) or 1.0
    marks = [StripMark(c, 100 * (1 - (c.river_km or 0.0) / most), k % 4) for k, c in enumerate(along)]
    return marks, most, [c for c in cards if c.river_km is None]
