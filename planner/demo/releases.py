"""Release events: which tagged fish went where on which day, and how long."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from broodstock.arrays import BigIntArray, FloatArray, IntArray
from planner.demo.brood import Brood
from planner.demo.days import day
from planner.demo.life import Life, live_on
from planner.demo.parameters import TRUTH
from planner.demo.sampling import split_total
from planner.demo.scale import LAKE, Event, Scale
from planner.demo.true_fish import TrueFish
from planner.demo.waters import site_positions
from planner.demo.year_classes import YearClass


@dataclass
class Released:
    """Fish that were released, one entry per fish in order of release.

    Attributes
    ----------
    row : ndarray, int64
        Row in the hidden register.
    family, line : ndarray, object
        Family or group (empty for founders), and supply line.
    year_class : ndarray, int16
        0 when not known.
    event : ndarray, int32
        Position in the list of events.
    on : ndarray, int32
        Day.
    site : ndarray, int8
        Real site, a position in `planner.demo.waters.SITE_CODES`.
    length_mm, weight_g : ndarray, float64
        At release.
    sex : ndarray, int8
        As recorded: 0, 1 or -1.
    life : Life
        What became of them.
    """

    row: BigIntArray = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    family: np.ndarray = field(default_factory=lambda: np.zeros(0, dtype=object))
    line: np.ndarray = field(default_factory=lambda: np.zeros(0, dtype=object))
    year_class: np.ndarray = field(default_factory=lambda: np.zeros(0, dtype=np.int16))
    event: IntArray = field(default_factory=lambda: np.zeros(0, dtype=np.int32))
    on: IntArray = field(default_factory=lambda: np.zeros(0, dtype=np.int32))
    site: np.ndarray = field(default_factory=lambda: np.zeros(0, dtype=np.int8))
    length_mm: FloatArray = field(default_factory=lambda: np.zeros(0))
    weight_g: FloatArray = field(default_factory=lambda: np.zeros(0))
    sex: np.ndarray = field(default_factory=lambda: np.zeros(0, dtype=np.int8))
    life: Life = field(default_factory=Life.empty)

    def __len__(self) -> int:
        return len(self.row)

    def append(self, other: Released) -> None:
        """Add the fish of another list at the end."""
        for name in (
            "row",
            "family",
            "line",
            "year_class",
            "event",
            "on",
            "site",
            "length_mm",
            "weight_g",
            "sex",
        ):
            setattr(self, name, np.concatenate([getattr(self, name), getattr(other, name)]))
        self.life = Life.joined(self.life, other.life)


def event_sizes(scale: Scale, pool: int, events: list[Event], rng: np.random.Generator) -> BigIntArray:
    """Return fish per event of a year: backwater groups as stated, the lake events share the rest."""
    sizes = np.array([e.number for e in events], dtype=np.int64)
    free = sizes == 0
    if free.any():
        rest = pool - int(sizes.sum())
        sizes[free] = split_total(rng, rng.uniform(0.8, 1.2, int(free.sum())), rest, at_least=1)
    return sizes


def family_need(
    year: int, events: list[Event], families: list[str], rng: np.random.Generator
) -> dict[int, dict[str, int]]:
    """Choose the families of each backwater group and how many of each are needed.

    Parameters
    ----------
    year : int
        Year class.
    events : list of Event
        Events of the year.
    families : list of str
        Families to choose from.
    rng : Generator
        Random numbers.

    Returns
    -------
    dict of int to dict of str to int
        By position in `events`.
    """
    out: dict[int, dict[str, int]] = {}
    order = rng.permutation(len(families))
    at = 0
    for k, event in enumerate(events):
        if not event.families:
            continue
        # Groups of one year take different families as long as there are any left.
        chosen = order[np.arange(at, at + event.families) % len(order)]
        at += event.families
        counts = split_total(rng, rng.uniform(0.6, 1.4, event.families), event.number, at_least=2)
        out[k] = {families[int(c)]: int(n) for c, n in zip(chosen, counts, strict=True)}
    return out


def lengths(
    year: int, scale: Scale, on: int, family: np.ndarray, effect: dict[str, float], rng: np.random.Generator
) -> FloatArray:
    """Return total lengths at release, mm: later years and later months longer, families differ in growth."""
    years = max(1, scale.last_year - scale.first_year)
    base = 288.0 + 50.0 * (year - scale.first_year) / years
    month = int(str(np.datetime64(int(on), "D"))[5:7])
    base += {10: -4.0, 11: 0.0, 12: 3.0, 2: 8.0, 4: 20.0, 7: 45.0}.get(month, 0.0)
    of_family = np.array([effect[f] for f in family])
    return np.clip(np.round(rng.normal(base + of_family, 36.0)), 120.0, 520.0)


def weights(length_mm: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Return weights, g, by Fulton's condition factor 10^5 W / L^3."""
    condition = rng.normal(TRUTH.condition_mean, TRUTH.condition_sd, len(length_mm))
    return np.round(np.clip(condition, 0.8, 1.5) * length_mm**3 / 1e5)


def family_effects(families: list[str], rng: np.random.Generator) -> dict[str, float]:
    """Return the growth of each family beside the mean, mm."""
    return dict(zip(families, rng.normal(0.0, 16.0, len(families)).tolist(), strict=True))


def release_events(
    fish: TrueFish,
    scale: Scale,
    year: int,
    events: list[tuple[int, Event]],
    pool: YearClass,
    need: dict[int, dict[str, int]],
    harvests: dict[int, tuple[BigIntArray, str]],
    founders: list[int],
    effect: dict[str, float],
    rng: np.random.Generator,
) -> Released:
    """Send the tagged young of a year class out in its events, and let them live.

    Parameters
    ----------
    fish : TrueFish
        Hidden register; days of death are set.
    scale : Scale
        Sizes.
    year : int
        Year class.
    events : list of (int, Event)
        Number of the event over all years, and the event.
    pool : YearClass
        Young at hand.
    need : dict of int to dict of str to int
        Families of backwater groups, by position in `events`.
    harvests : dict of int to (ndarray, str)
        Backwater young and their family, by position in `events`.
    founders : list of int
        Rows of founders that go with the first lake event.
    effect : dict of str to float
        Growth of each family.
    rng : Generator
        Random numbers.

    Returns
    -------
    Released
        In order of events.
    """
    free = np.ones(len(pool.rows), dtype=bool)
    order = rng.permutation(len(pool.rows))
    sizes = event_sizes(
        scale,
        len(pool.rows) + len(founders) + sum(len(h[0]) for h in harvests.values()),
        [e for _, e in events],
        rng,
    )
    taken: dict[int, np.ndarray] = {}
    for k, wanted in need.items():
        chosen: list[int] = []
        for name, count in wanted.items():
            here = [int(i) for i in order if free[i] and pool.family[i] == name][:count]
            free[here] = False
            chosen += here
        taken[k] = np.array(chosen, dtype=np.int64)
    rest = order[free[order]]
    at = 0
    first_lake = next((k for k, (_, e) in enumerate(events) if not e.families and not e.harvest), -1)
    out = Released()
    for k, (number, event) in enumerate(events):
        adults: list[int] = []
        if k in harvests:
            rows, cohort = harvests[k]
            family = np.full(len(rows), cohort, dtype=object)
            line = np.full(len(rows), "backwater", dtype=object)
            classes = fish.year_class[rows]
        else:
            if k not in taken:
                adults = founders if k == first_lake else []
                size = int(sizes[k]) - len(adults)
                taken[k] = rest[at : at + size]
                at += size
            rows, family, line = pool.rows[taken[k]], pool.family[taken[k]], pool.line[taken[k]]
            classes = np.full(len(rows), year, dtype=np.int16)
        out.append(
            _one_event(fish, scale, year, number, event, rows, family, line, classes, adults, effect, rng)
        )
    return out


def _one_event(
    fish: TrueFish,
    scale: Scale,
    year: int,
    number: int,
    event: Event,
    rows: BigIntArray,
    family: np.ndarray,
    line: np.ndarray,
    classes: np.ndarray,
    adults: list[int],
    effect: dict[str, float],
    rng: np.random.Generator,
) -> Released:
    on = day(event.on)
    length = lengths(year, scale, on, family, effect, rng)
    known = rng.random(len(rows)) < np.where(length > 360, 0.3, 0.04)
    sex = np.where(known, fish.sex[rows], -1).astype(np.int8)
    if adults:
        n = len(adults)
        rows = np.concatenate([rows, np.array(adults)])
        family = np.concatenate([family, np.full(n, "", dtype=object)])
        line = np.concatenate([line, np.full(n, "wild", dtype=object)])
        classes = np.concatenate([classes, np.zeros(n, dtype=classes.dtype)])
        length = np.concatenate([length, np.round(rng.uniform(500.0, 585.0, n))])
        sex = np.concatenate([sex, fish.sex[np.array(adults)].astype(np.int8)])
    # The records of the group that went to a pond just emptied are wrong: in truth it went to the lake.
    dry = event.site == "NP" and event.on == "2023-11-23"
    site = site_positions(["DP" if dry else event.site])[0]
    n = len(rows)
    zones = np.isin(LAKE, scale.sites)
    life = live_on(fish, rows, int(site), on, length, zones, rng)
    return Released(
        rows,
        family,
        line,
        classes.astype(np.int16),
        np.full(n, number, dtype=np.int32),
        np.full(n, on, dtype=np.int32),
        np.full(n, site, dtype=np.int8),
        length,
        weights(length, rng),
        sex,
        life,
    )


def founders_to_release(brood: Brood, event_days: list[int]) -> list[int]:
    """Return positions of founders put back, whose day of leaving is one of the days of a year's events."""
    return [i for i in range(len(brood)) if brood.left_as[i] == "released" and brood.left[i] in event_days]
