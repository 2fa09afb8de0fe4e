"""Life after release: death, loss of the tag, and the water a fish is in each year."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from broodstock.arrays import BigIntArray, FloatArray, IntArray
from planner.demo.days import NEVER, day, year_of
from planner.demo.parameters import TRUTH, first_year_survival, season_of, yearly_survival
from planner.demo.true_fish import FEMALE, TrueFish
from planner.demo.waters import RENOVATED, SITE_CODES

FIRST_YEAR, LAST_YEAR = 2012, 2025
"""Years of the columns of `Life.where`."""
_LAKE_SHARES = np.array([0.12, 0.27, 0.42, 0.19])


@dataclass
class Life:
    """What became of fish.

    Attributes
    ----------
    died : ndarray, int32, shape (n_fish,)
        Day of death, or never.
    lost_tag : ndarray, int32, shape (n_fish,)
        Day the tag was shed, or never.
    where : ndarray, int8, shape (n_fish, n_years)
        Site in each calendar year from `FIRST_YEAR`, -1 before release; the year of release counts from the
        release on. Not cut at death.
    asymptote_mm : ndarray, float64, shape (n_fish,)
        Length at which the fish would stop growing.
    """

    died: IntArray
    lost_tag: IntArray
    where: np.ndarray
    asymptote_mm: FloatArray

    @classmethod
    def empty(cls) -> Life:
        """Return the lives of no fish."""
        none = np.zeros(0, dtype=np.int32)
        return cls(none, none.copy(), np.zeros((0, LAST_YEAR - FIRST_YEAR + 1), dtype=np.int8), np.zeros(0))

    @classmethod
    def joined(cls, a: Life, b: Life) -> Life:
        """Return two lists of lives after each other."""
        return cls(
            np.concatenate([a.died, b.died]),
            np.concatenate([a.lost_tag, b.lost_tag]),
            np.concatenate([a.where, b.where]),
            np.concatenate([a.asymptote_mm, b.asymptote_mm]),
        )

    def site_on(self, on: int) -> np.ndarray:
        """Return the site of each fish on a day, -1 when not yet released that year."""
        return self.where[:, int(year_of(np.array([on]))[0]) - FIRST_YEAR]


def live_on(
    fish: TrueFish,
    rows: BigIntArray,
    site: int,
    on: int,
    length_mm: FloatArray,
    zones: np.ndarray,
    rng: np.random.Generator,
) -> Life:
    """Let fish released at one site on one day live; their days of death are set in the hidden register.

    Parameters
    ----------
    fish : TrueFish
        Hidden register.
    rows : ndarray, int64, shape (n_fish,)
        Fish.
    site : int
        Position in `SITE_CODES`.
    on : int
        Day of release.
    length_mm : ndarray, float64, shape (n_fish,)
        Total length at release.
    zones : ndarray, bool, shape (4,)
        Zones of the lake that the demo has.
    rng : Generator
        Random numbers.

    Returns
    -------
    Life
        First-year survival follows `planner.demo.parameters.first_year_survival`, later years the yearly
        survival of the site. Lake fish move between zones, fish of a backwater are moved to the lake when it
        is renovated.
    """
    n = len(rows)
    code = SITE_CODES[site]
    month = int(str(np.datetime64(on, "D"))[5:7])
    survive = first_year_survival(length_mm, np.full(n, season_of(np.array([month]))[0]), code)
    lives = rng.random(n) < survive
    early = np.minimum(rng.exponential(TRUTH.first_year_death_mean_days, n), 364.0).astype(np.int32) + 1
    years = rng.geometric(1.0 - yearly_survival(code), n)
    later = 365 * years + rng.integers(0, 365, n)
    died = np.where(lives, on + later, on + early).astype(np.int32)
    died[died > day("2024-10-20")] = NEVER
    fish.died[rows] = died
    female = fish.sex[rows] == FEMALE
    mean = np.where(female, TRUTH.length_at_infinity_female_mm, TRUTH.length_at_infinity_male_mm)
    asymptote = mean * rng.lognormal(0.0, TRUTH.length_at_infinity_cv, n)
    lost = _tag_loss(on, n, rng)
    lost[lost >= died] = NEVER
    return Life(died, lost, _movements(site, on, n, zones, rng), np.maximum(asymptote, length_mm + 4.0))


def _tag_loss(on: int, n: int, rng: np.random.Generator) -> IntArray:
    first = rng.random(n) < TRUTH.tag_loss_first_year
    later = 365 * rng.geometric(TRUTH.tag_loss_later_yearly, n) + rng.integers(0, 365, n)
    lost = np.where(first, on + rng.integers(5, 365, n), on + later)
    lost[lost > day("2024-10-20")] = NEVER
    return lost.astype(np.int32)


def _movements(site: int, on: int, n: int, zones: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Return the site of each fish in each calendar year."""
    shares = _LAKE_SHARES * zones
    where = np.full((n, LAST_YEAR - FIRST_YEAR + 1), -1, dtype=np.int8)
    start = int(year_of(np.array([on]))[0])
    here = np.full(n, site, dtype=np.int8)
    code = SITE_CODES[site]
    moved_on = RENOVATED.get(code)
    to_lake = int(year_of(np.array([moved_on]))[0]) + 1 if moved_on is not None and moved_on > on else 9999
    for year in range(start, LAST_YEAR + 1):
        if year == to_lake:
            here = np.full(n, SITE_CODES.index("BB"), dtype=np.int8)
        elif year > start:
            in_lake = here < 4
            moves = in_lake & (rng.random(n) > TRUTH.lake_stay_probability)
            here[moves] = rng.choice(4, size=int(moves.sum()), p=shares / shares.sum()).astype(np.int8)
        where[:, year - FIRST_YEAR] = here
    return where
