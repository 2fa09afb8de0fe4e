"""Nets in the water: who is caught when and where, with or without a readable tag."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from broodstock.arrays import BigIntArray, FloatArray, IntArray
from planner.demo.days import NEVER, day, year_of
from planner.demo.history import History
from planner.demo.life import FIRST_YEAR, LAST_YEAR
from planner.demo.parameters import SITE_NETTING, TRUTH, grown_length
from planner.demo.scale import CENSUS_YEAR, LAKE, Scale
from planner.demo.true_fish import FEMALE, TrueFish
from planner.demo.waters import PONDS, RENOVATED, SITE_CODES

LEGACY_READERS_UNTIL = day("2014-09-01")
"""From this day readers no longer see the tags of the pilot."""
METHODS = {"census": "trammel net", "autumn": "trammel net", "pond": "fyke net"}


@dataclass
class Swimmers:
    """All fish that could swim into a net: released fish, wild adults, backwater young.

    Attributes
    ----------
    row : ndarray, int64, shape (n,)
        Row in the hidden register.
    released : ndarray, int64, shape (n,)
        Position in the list of released fish, -1 for others.
    since : ndarray, int32, shape (n,)
        Day from which the fish is in the water.
    died : ndarray, int32, shape (n,)
        Day it died or was taken away.
    where : ndarray, int8, shape (n, n_years)
        Site by calendar year, as in `planner.demo.life.Life`.
    length0_mm, asymptote_mm : ndarray, float64, shape (n,)
        Length on the day `since`, and where growth ends.
    wild : ndarray, bool, shape (n,)
        Wild adults.
    has_tag, legacy : ndarray, bool, shape (n,)
        Tagged at the start; with a tag of the pilot.
    lost_tag : ndarray, int32, shape (n,)
        Day the tag was shed.
    catchability : ndarray, float64, shape (n,)
        Log odds beside the mean.
    """

    row: BigIntArray
    released: BigIntArray
    since: IntArray
    died: IntArray
    where: np.ndarray
    length0_mm: FloatArray
    asymptote_mm: FloatArray
    wild: np.ndarray
    has_tag: np.ndarray
    legacy: np.ndarray
    lost_tag: IntArray
    catchability: FloatArray

    def __len__(self) -> int:
        return len(self.row)

    def alive_at(self, on: int) -> np.ndarray:
        """Return which fish are in the water on a day."""
        return (self.since <= on) & (self.died > on)

    def length_on(self, which: np.ndarray, on: int | IntArray) -> FloatArray:
        """Return true total lengths on a day, mm."""
        years = (np.asarray(on) - self.since[which]) / 365.25
        return grown_length(self.length0_mm[which], self.asymptote_mm[which], years)


@dataclass
class Caught:
    """Capture records, one entry per fish and net, in order of time.

    Attributes
    ----------
    swimmer : ndarray, int64
        Position in `Swimmers`.
    on : ndarray, int32
        Day.
    site : ndarray, int8
        Position in `SITE_CODES`.
    kind : ndarray, object
        ``census``, ``autumn`` or ``pond``.
    visit : ndarray, int8
        1 or 2 for the visits of the last spring census, else 0.
    mark : ndarray, int8
        0: tag of the first tagging read; 1: no tag read, given a new one; 2: a new tag given earlier read.
    occasion : ndarray, int32
        Occasion of netting.
    """

    swimmer: BigIntArray
    on: IntArray
    site: np.ndarray
    kind: np.ndarray
    visit: np.ndarray
    mark: np.ndarray
    occasion: IntArray

    def __len__(self) -> int:
        return len(self.swimmer)

    def take(self, keep: np.ndarray) -> Caught:
        """Return some of the records."""
        return Caught(*(getattr(self, f)[keep] for f in self.__dataclass_fields__))


def swimmers(history: History, legacy: np.ndarray, rng: np.random.Generator) -> Swimmers:
    """Collect the fish that could be caught.

    Parameters
    ----------
    history : History
        Hidden truth.
    legacy : ndarray, bool, shape (n_released,)
        Released fish that carry a tag of the pilot.
    rng : Generator
        Random numbers.
    """
    fish, released, wild = history.fish, history.released, history.wild
    years = LAST_YEAR - FIRST_YEAR + 1
    taken = dict(zip(history.founders.rows.tolist(), history.founders.entered.tolist(), strict=True))
    adults = wild.adults
    left = np.array([min(int(fish.died[r]), taken.get(int(r), NEVER)) for r in adults], dtype=np.int32)
    young, pond, cohort = _loose_recruits(history)
    rows = np.concatenate([released.row, adults, young])
    n_r, n_w, n_y = len(released), len(adults), len(young)
    start = np.full(n_w, day("2012-01-01"), dtype=np.int32)
    born = fish.hatched[young]
    length0 = np.concatenate([released.length_mm, np.zeros(n_w), np.full(n_y, 8.0)])
    asymptote = np.concatenate(
        [released.life.asymptote_mm, _asymptotes(fish, adults, rng), _asymptotes(fish, young, rng)]
    )
    age = (start - fish.hatched[adults]) / 365.25
    length0[n_r : n_r + n_w] = grown_length(np.full(n_w, 8.0), asymptote[n_r : n_r + n_w], age)
    where_wild = np.repeat(wild.zone[:, None], years, axis=1)
    where_young = np.repeat(pond[:, None], years, axis=1).astype(np.int8)
    for i, code in enumerate(SITE_CODES):
        if code in RENOVATED:
            moved = int(year_of(np.array([RENOVATED[code]]))[0]) + 1
            which = (pond == i) & (cohort < moved)
            where_young[which, moved - FIRST_YEAR :] = SITE_CODES.index("BB")
    return Swimmers(
        rows,
        np.concatenate([np.arange(n_r), np.full(n_w + n_y, -1)]),
        np.concatenate([released.on, start, born]),
        np.concatenate([fish.died[released.row], left, fish.died[young]]),
        np.concatenate([released.life.where, where_wild, where_young]),
        length0,
        asymptote,
        np.concatenate([np.zeros(n_r, bool), np.ones(n_w, bool), np.zeros(n_y, bool)]),
        np.concatenate([np.ones(n_r, bool), np.zeros(n_w + n_y, bool)]),
        np.concatenate([legacy, np.zeros(n_w + n_y, bool)]),
        np.concatenate([released.life.lost_tag, np.full(n_w + n_y, NEVER, dtype=np.int32)]),
        rng.normal(0.0, TRUTH.capture_spread, len(rows)),
    )


def _loose_recruits(history: History) -> tuple[BigIntArray, np.ndarray, np.ndarray]:
    """Return backwater young that were not moved, their pond and year class."""
    moved = set(history.released.row.tolist())
    rows, ponds, cohorts = [], [], []
    for (code, year), young in history.recruits.items():
        stay = [int(r) for r in young if int(r) not in moved]
        rows += stay
        ponds += [SITE_CODES.index(code)] * len(stay)
        cohorts += [year] * len(stay)
    return np.array(rows, dtype=np.int64), np.array(ponds, dtype=np.int8), np.array(cohorts, dtype=np.int64)


def _asymptotes(fish: TrueFish, rows: BigIntArray, rng: np.random.Generator) -> FloatArray:
    mean = np.where(
        fish.sex[rows] == FEMALE, TRUTH.length_at_infinity_female_mm, TRUTH.length_at_infinity_male_mm
    )
    return mean * rng.lognormal(0.0, TRUTH.length_at_infinity_cv, len(rows))


def occasions(scale: Scale) -> list[tuple[int, str, str]]:
    """Return day, site and kind of every netting occasion, in order of time.

    Effort grows over the years. Backwaters are not netted in the year of their renovation.
    """
    out: list[tuple[int, str, str]] = []
    first = min(int(e.on[:4]) for e in scale.events) + 1
    last_events = {s: max((e.on for e in scale.events if e.site == s), default="") for s in PONDS}
    for year in range(first, CENSUS_YEAR + 1):
        for k, zone in enumerate(LAKE):
            if zone not in scale.sites:
                continue
            if year != CENSUS_YEAR or scale.chapman is None:
                out.append((day(f"{year}-03-{11 + k:02d}"), zone, "census"))
            if year == CENSUS_YEAR and scale.chapman is None:
                out.append((day(f"{year}-03-{21 + k:02d}"), zone, "census"))
            if year < CENSUS_YEAR:
                out.append((day(f"{year}-11-{3 + k:02d}"), zone, "autumn"))
        for k, pond in enumerate(PONDS):
            if pond not in scale.sites or not last_events[pond]:
                continue
            renovated = RENOVATED.get(pond)
            in_year = renovated is not None and int(year_of(np.array([renovated]))[0]) == year
            if in_year or (pond == "PP" and year == 2024) or pond in scale.unnetted:
                continue
            out += [
                (day(f"{year}-10-{15 + k % 5:02d}"), pond, "pond"),
                (day(f"{year}-04-{20 + k:02d}"), pond, "pond"),
            ]
            if scale.name == "tiny":
                out.append((day(f"{year}-07-{10 + k:02d}"), pond, "pond"))
    return sorted(o for o in out if o[0] <= day("2024-10-19"))


def net(fish: Swimmers, scale: Scale, effort: float, rng: np.random.Generator) -> Caught:
    """Set the nets on every occasion and write down what was caught.

    Parameters
    ----------
    fish : Swimmers
        Fish in the water.
    scale : Scale
        Occasions, and the census of two visits.
    effort : float
        Multiplies every capture chance.
    rng : Generator
        Random numbers.

    Returns
    -------
    Caught
        More records than the scenario states; `thin` brings them to the numbers.
    """
    new_tag_since = np.full(len(fish), NEVER, dtype=np.int64)
    parts: list[tuple[np.ndarray, int, str, int, int]] = []
    plan = occasions(scale)
    if scale.chapman is not None:
        plan = [
            *plan,
            (day(f"{CENSUS_YEAR}-03-05"), "", "census"),
            (day(f"{CENSUS_YEAR}-03-19"), "", "census"),
        ]
        plan.sort(key=lambda o: o[0])
    marks: list[np.ndarray] = []
    visit, first_visit = 0, np.zeros(0, dtype=np.int64)
    for number, (on, site, kind) in enumerate(plan):
        if site:
            who = _catch(fish, on, site, kind, effort, rng)
            this_visit = 0
        else:
            visit += 1
            this_visit = visit
            who = _census_visit(fish, on, visit, scale, first_visit, rng)
            first_visit = who if visit == 1 else first_visit
        readable = fish.has_tag[who] & (fish.lost_tag[who] > on) & (fish.since[who] <= on)
        readable &= ~fish.legacy[who] | (on < LEGACY_READERS_UNTIL)
        again = new_tag_since[who] < on
        mark = np.where(again, 2, np.where(readable, 0, 1)).astype(np.int8)
        new_tag_since[who[mark == 1]] = on
        parts.append((who, on, kind, this_visit, number))
        marks.append(mark)
    swimmer = np.concatenate([p[0] for p in parts])
    sizes = [len(p[0]) for p in parts]
    when = np.repeat(np.array([p[1] for p in parts], dtype=np.int32), sizes)
    visits = np.repeat(np.array([p[3] for p in parts], dtype=np.int8), sizes)
    # A census visit lasts five days.
    when = when + np.where(visits > 0, rng.integers(0, 5, len(when)), 0).astype(np.int32)
    return Caught(
        swimmer,
        when,
        fish.where[swimmer, year_of(when) - FIRST_YEAR],
        np.repeat(np.array([p[2] for p in parts], dtype=object), sizes),
        visits,
        np.concatenate(marks),
        np.repeat(np.array([p[4] for p in parts], dtype=np.int32), sizes),
    )


def _catch(
    fish: Swimmers, on: int, site: str, kind: str, effort: float, rng: np.random.Generator
) -> BigIntArray:
    year = int(year_of(np.array([on]))[0])
    here = fish.alive_at(on) & (fish.where[:, year - FIRST_YEAR] == SITE_CODES.index(site))
    here &= fish.since < on - 20
    at = np.flatnonzero(here)
    base = {
        "census": TRUTH.census_capture_probability,
        "autumn": TRUTH.autumn_capture_probability,
        "pond": TRUTH.pond_capture_probability,
    }[kind]
    growth_of_effort = 1.0 if kind == "pond" else 0.35 + 0.65 * (year - 2013) / 11.0
    p = min(base * effort * growth_of_effort * SITE_NETTING.get(site, 1.0), 0.9)
    odds = np.log(p / (1.0 - p)) + fish.catchability[at]
    large = 1.0 / (1.0 + np.exp(-(fish.length_on(at, on) - 340.0) / 20.0))
    chance = large / (1.0 + np.exp(-odds)) * np.where(fish.wild[at], TRUTH.wild_capture_factor, 1.0)
    caught: BigIntArray = at[rng.random(len(at)) < chance]
    return caught


def adults_in_lake(fish: Swimmers, on: int) -> BigIntArray:
    """Return the positions of adults in the lake on a day: wild adults, and repatriates out for a year."""
    year = int(year_of(np.array([on]))[0])
    site = fish.where[:, year - FIRST_YEAR]
    old = fish.wild | ((fish.released >= 0) & (fish.since < on - 360))
    return np.flatnonzero(fish.alive_at(on) & (site >= 0) & (site < len(LAKE)) & old)


def _census_visit(
    fish: Swimmers, on: int, visit: int, scale: Scale, before: BigIntArray, rng: np.random.Generator
) -> BigIntArray:
    """Catch the stated number of adults, with the stated number caught in both visits."""
    assert scale.chapman is not None
    first, second, both = scale.chapman
    adults = adults_in_lake(fish, on)
    if visit == 1:
        return np.sort(rng.choice(adults, size=first, replace=False))
    again = np.isin(adults, before)
    recaptured = rng.choice(adults[again], size=both, replace=False)
    fresh = rng.choice(adults[~again], size=second - both, replace=False)
    return np.sort(np.concatenate([recaptured, fresh]))
