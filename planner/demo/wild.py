"""The wild stock: adults of mild relatedness, their yearly spawning, and the larvae taken at lights by night."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from broodstock.arrays import BigIntArray, FloatArray, IntArray
from planner.demo.days import NEVER, day, days
from planner.demo.parameters import TRUTH
from planner.demo.scale import LAKE, Scale
from planner.demo.true_fish import CHALK, FEMALE, LARVA, MALE, OLD, WILD, TrueFish

ZONE_WORDS = ("Upper Narrows", "Glasswater", "Broad Basin", "Dam Pool")
ZONE_SHARES = np.array([0.18, 0.27, 0.36, 0.19])
_N_CHALK = 24


@dataclass(frozen=True)
class WildStock:
    """Wild adults of the first year and the chalk chub among them.

    Parameters
    ----------
    adults : ndarray, int64
        Rows in the hidden register.
    chalk : ndarray, int64
        Rows of male chalk chub that sometimes spawn with the females.
    zone : ndarray, int8
        Home zone of each adult, a position in `LAKE`.
    spawning_shift : ndarray, float64
        Days by which each adult spawns before or after the middle of the season.
    """

    adults: BigIntArray
    chalk: BigIntArray
    zone: np.ndarray
    spawning_shift: np.ndarray


@dataclass
class Founders:
    """Wild adults taken into care.

    Parameters
    ----------
    rows : ndarray, int64
        Rows in the hidden register, in order of catching, females first within a year.
    entered : ndarray, int32
        Day of catching.
    zone : ndarray, int8
        Zone of catching.
    names : list of str
        ``F-07``, ``M-12``.
    """

    rows: BigIntArray
    entered: IntArray
    zone: np.ndarray
    names: list[str]


@dataclass(frozen=True)
class LarvalTakes:
    """Nights of larval collection of one year class and the larvae taken.

    Parameters
    ----------
    night : ndarray, int32, shape (n_takes,)
        Day.
    zone : ndarray, int8, shape (n_takes,)
        Position in `LAKE`.
    effort_h : ndarray, float64, shape (n_takes,)
        Light-trap hours.
    larvae : ndarray, int64, shape (n_larvae,)
        Rows in the hidden register.
    take : ndarray, int32, shape (n_larvae,)
        Take of each larva.
    """

    night: IntArray
    zone: np.ndarray
    effort_h: np.ndarray
    larvae: BigIntArray
    take: IntArray


def make_wild_stock(fish: TrueFish, scale: Scale, rng: np.random.Generator) -> WildStock:
    """Add the hidden ancestors, the wild adults they left, and male chalk chub.

    Ancestors leave young in proportion to gamma-distributed success, so that some adults are sibs. Adult ages
    follow yearly survival of 0.93 in the decades before; within the programme adults die faster and leave no
    recruits but those that are reared.
    """
    n = scale.n_ancestors
    sex = np.arange(n) % 2
    none = np.full(n, -1)
    first = scale.first_year
    born = rng.integers(day(f"{first - 45}-02-01"), day(f"{first - 42}-05-01"), n)
    old = fish.add(none, none, sex, born, OLD, foreign=0.0)
    fish.died[old] = rng.integers(day(f"{first - 5}-06-01"), day(f"{first - 2}-12-31"), n)
    none = np.full(_N_CHALK, -1)
    males = np.full(_N_CHALK, MALE)
    born = rng.integers(day(f"{first - 16}-02-01"), day(f"{first - 5}-05-01"), _N_CHALK)
    chalk = fish.add(none, none, males, born, CHALK, foreign=1.0)

    success = rng.gamma(TRUTH.ancestor_success_shape, size=n)
    dams, sires = old[sex == FEMALE], old[sex == MALE]
    m = scale.n_wild_adults
    ages = np.arange(6, 36)
    weights = 0.93**ages
    age = rng.choice(ages, size=m, p=weights / weights.sum())
    hatched = days([f"{scale.first_year - int(a)}-01-01" for a in age]) + rng.integers(20, 110, m)
    adults = fish.add(
        rng.choice(dams, size=m, p=_shares(success[sex == FEMALE])),
        rng.choice(sires, size=m, p=_shares(success[sex == MALE])),
        (rng.random(m) < 0.54).astype(np.int8),
        hatched,
        WILD,
    )
    start = day(f"{scale.first_year}-01-01")
    years_lived = rng.geometric(1.0 - TRUTH.wild_yearly_survival, size=m) - 1
    fish.died[adults] = start + 365 * years_lived + rng.integers(60, 365, m)
    # None lives longer than some forty years.
    fish.died[adults] = np.maximum(np.minimum(fish.died[adults], hatched + 41 * 365), start + 40)
    late = fish.died[adults] > day("2024-10-01")
    fish.died[adults[late]] = NEVER
    zone = rng.choice(len(LAKE), size=m, p=ZONE_SHARES).astype(np.int8)
    return WildStock(adults, chalk, zone, rng.normal(0.0, TRUTH.spawning_sd_days, m))


def catch_founders(fish: TrueFish, wild: WildStock, scale: Scale, rng: np.random.Generator) -> Founders:
    """Choose the wild adults that are taken into care each spring, and name them in order of catching."""
    rows: list[int] = []
    entered: list[int] = []
    zones: list[int] = []
    names: list[str] = []
    taken: set[int] = set()
    counted = [0, 0]
    for year, wanted in scale.founders.items():
        first = day(f"{year}-03-05")
        for sex, number in enumerate(wanted):
            young = fish.hatched[wild.adults] > first - 30 * 365
            alive = fish.died[wild.adults] > first + 400
            can = np.flatnonzero(alive & young & (fish.sex[wild.adults] == sex))
            can = np.array([i for i in can if i not in taken])
            chosen = rng.choice(can, size=number, replace=False)
            taken.update(chosen.tolist())
            rows += wild.adults[chosen].tolist()
            entered += (first + np.sort(rng.integers(0, 12, number))).tolist()
            zones += wild.zone[chosen].tolist()
            names += [f"{'FM'[sex]}-{counted[sex] + k + 1:02d}" for k in range(number)]
            counted[sex] += number
    return Founders(np.array(rows), np.array(entered, dtype=np.int32), np.array(zones, dtype=np.int8), names)


def spawn_in_the_lake(
    fish: TrueFish,
    wild: WildStock,
    spawners: BigIntArray,
    zone: np.ndarray,
    shift: np.ndarray,
    year: int,
    number: int,
    rng: np.random.Generator,
) -> LarvalTakes:
    """Take larvae of one year class on many nights in all zones.

    Parameters
    ----------
    fish : TrueFish
        Hidden register; larvae are added to it.
    wild : WildStock
        For the chalk chub.
    spawners : ndarray, int64, shape (n,)
        Adults alive in the lake.
    zone : ndarray, int8, shape (n,)
        Their zones.
    shift : ndarray, float64, shape (n,)
        Days each spawns before (-) or after (+) 18 February.
    year : int
        Year class.
    number : int
        Larvae taken over all nights.
    rng : Generator
        Random numbers.

    Returns
    -------
    LarvalTakes
        Nights and larvae. On one night only the few females that spawned two to four weeks before are
        represented, so a good night is full of sibs.
    """
    females = np.flatnonzero(fish.sex[spawners] == FEMALE)
    males = np.flatnonzero(fish.sex[spawners] == MALE)
    success_f = rng.gamma(TRUTH.wild_female_success_shape, size=len(females)) + 1e-6
    success_m = rng.gamma(TRUTH.wild_male_success_shape, size=len(males)) + 1e-6
    spawned = day(f"{year}-02-18") + shift[females] + rng.normal(0.0, 5.0, len(females))
    mates, share = _mates(zone[females], zone[males], success_m, rng)

    night, take_zone, sizes, effort = _nights(year, number, rng)
    larvae_f = np.empty(int(sizes.sum()), dtype=np.int64)
    at = 0
    for t in range(len(night)):
        age = night[t] - 19.0 - spawned
        kernel = np.exp(-0.5 * (age / TRUTH.night_window_sd_days) ** 2) + 1e-9
        weight = success_f * kernel * np.where(zone[females] == take_zone[t], 1.0, 0.02)
        counts = rng.multinomial(sizes[t], _shares(weight))
        larvae_f[at : at + sizes[t]] = np.repeat(np.arange(len(females)), counts)
        at += sizes[t]
    pick = (rng.random(len(larvae_f))[:, None] > np.cumsum(share[larvae_f], axis=1)).sum(axis=1)
    sires = spawners[males[mates[larvae_f, np.minimum(pick, mates.shape[1] - 1)]]]
    strange = rng.random(len(sires)) < TRUTH.hybrid_share_larvae
    sires[strange] = rng.choice(wild.chalk, size=int(strange.sum()))
    take = np.repeat(np.arange(len(night), dtype=np.int32), sizes)
    hatched = night[take] - rng.integers(9, 20, len(take))
    sex = rng.integers(0, 2, len(take))
    larvae = fish.add(spawners[females[larvae_f]], sires, sex, hatched, LARVA, year)
    fish.died[larvae] = hatched + 60
    return LarvalTakes(night, take_zone, effort, larvae, take)


def _mates(
    zone_f: np.ndarray, zone_m: np.ndarray, success_m: np.ndarray, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """Give each female some males of her zone and their shares of her eggs."""
    k = TRUTH.mates_per_wild_female
    mates = np.empty((len(zone_f), k), dtype=np.int64)
    for z in range(len(LAKE)):
        here = np.flatnonzero(zone_f == z)
        weights = success_m * np.where(zone_m == z, 1.0, 1e-4)
        mates[here] = rng.choice(len(zone_m), size=(len(here), k), p=_shares(weights))
    share = np.asarray(rng.gamma(0.8, size=mates.shape)) + 1e-9
    return mates, share / share.sum(axis=1, keepdims=True)


def _nights(
    year: int, number: int, rng: np.random.Generator
) -> tuple[IntArray, np.ndarray, BigIntArray, np.ndarray]:
    """Return the nights, zones, larvae and trap hours of the takes of one year class."""
    per_zone = 15 if number > 1000 else 3
    first, last = day(f"{year - 1}-12-16"), day(f"{year}-05-04")
    nights, zones = [], []
    for z in range(len(LAKE)):
        n = rng.choice(np.arange(first, last), size=per_zone, replace=False)
        nights.append(np.sort(n))
        zones.append(np.full(per_zone, z))
    night = np.concatenate(nights).astype(np.int32)
    zone = np.concatenate(zones).astype(np.int8)
    order = np.lexsort((zone, night))
    night, zone = night[order], zone[order]
    middle = day(f"{year}-03-08")
    weight = np.exp(-0.5 * ((night - middle) / 30.0) ** 2) * rng.lognormal(0.0, 0.7, len(night))
    sizes = rng.multinomial(number - len(night), _shares(weight * ZONE_SHARES[zone])) + 1
    effort = np.round(rng.uniform(6.0, 30.0, len(night)) * 2) / 2
    return night, zone, sizes.astype(np.int64), effort


def _shares(weights: FloatArray) -> FloatArray:
    shares: FloatArray = weights / weights.sum()
    return shares
