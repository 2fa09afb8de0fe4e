"""Who breeds with whom in a year: natural spawning in the waters, and the crosses of the station."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from broodstock.arrays import BigIntArray, FloatArray
from planner.project.contributions import by_lot, in_turn, least_kinship_kept, least_kinship_uses, pair_up
from planner.project.gene_kernels import mean_with
from planner.project.model import Life, Station
from planner.project.population import Population


@dataclass(frozen=True)
class YearClass:
    """Families of the station's year class.

    Parameters
    ----------
    dams, sires : ndarray, int64, shape (n_families,)
        Slots of the parents; a pair may stand more than once.
    weights : ndarray, float64, shape (n_families,)
        Relative numbers of young ready for release; used where families are not made equal.
    numbers : ndarray, int64, shape (n_families,), optional
        Young there are, for a year class already reared; None where the numbers asked for can be reared.
    """

    dams: BigIntArray
    sires: BigIntArray
    weights: FloatArray
    numbers: BigIntArray | None = None


NO_YEAR_CLASS = YearClass(np.zeros(0, np.int64), np.zeros(0, np.int64), np.zeros(0))


def uneven(n: int, skew: float, rng: np.random.Generator) -> FloatArray:
    """Return n positive weights of mean 1 and squared coefficient of variation `skew`, gamma distributed."""
    if skew <= 0:
        return np.ones(n)
    weights = rng.gamma(1 / skew, skew, n)
    return weights if weights.sum() > 0 else np.ones(n)


def expected_recruits(females: float, per_female: float, room: float) -> float:
    """Return the young expected to reach age 1: ``a F`` with plenty of room, never more than the room.

    Parameters
    ----------
    females : float
        Mature females.
    per_female : float
        Young of one female that reach age 1 where there is plenty of room.
    room : float
        Fish that find room; may be infinite.

    References
    ----------
    .. [1] Beverton & Holt (1957), On the Dynamics of Exploited Fish Populations (form from memory).
    """
    wish = females * per_female
    if wish <= 0 or room <= 0:
        return 0.0
    return wish if np.isinf(room) else wish * room / (wish + room)


def natural_parents(
    females: BigIntArray, males: BigIntArray, young: int, life: Life, rng: np.random.Generator
) -> tuple[BigIntArray, BigIntArray]:
    """Draw dam and sire of each young born in a water.

    Parameters
    ----------
    females, males : ndarray, int64
        Slots of the mature fish; both have at least one.
    young : int
        Young that live.
    life : Life
        Skew of family sizes and males per female.
    rng : Generator

    Returns
    -------
    dams, sires : ndarray, int64, shape (young,)
    """
    chance_f = uneven(len(females), life.skew_female, rng)
    chance_m = uneven(len(males), life.skew_male, rng)
    dam = rng.choice(len(females), young, p=chance_f / chance_f.sum())
    mates = life.mates_per_female
    if mates == 0:
        sire = rng.choice(len(males), young, p=chance_m / chance_m.sum())
    else:
        of_female = rng.choice(len(males), (len(females), mates), p=chance_m / chance_m.sum())
        sire = of_female[dam, rng.integers(0, mates, young)]
    return females[dam], males[sire]


def station_crosses(
    herd: Population, life: Life, station: Station, crossing: str, rng: np.random.Generator
) -> YearClass:
    """Cross broodfish in the way of a strategy; no families where a sex is missing."""
    females, males = herd.adults((life.mature_female, life.mature_male), 0)
    if station.ripe < 1:
        females, males = (x[rng.random(len(x)) < station.ripe] for x in (females, males))
    dishes = min(station.crosses, station.uses_female * len(females), station.uses_male * len(males))
    if dishes == 0:
        return NO_YEAR_CLASS
    if crossing == "random":
        dams = by_lot(females, dishes, station.uses_female, rng)
        sires = by_lot(males, dishes, station.uses_male, rng)
        return YearClass(dams, sires, uneven(dishes, station.dish_skew, rng))
    if crossing == "equal":
        dams = in_turn(females, dishes, station.uses_female, rng)
        sires = rng.permutation(in_turn(males, dishes, station.uses_male, rng))
        return YearClass(dams, sires, np.ones(dishes))
    both = np.concatenate([females, males])
    female = np.arange(len(both)) < len(females)
    K = herd.kin[np.ix_(both, both)]
    most = np.where(female, station.uses_female, station.uses_male).astype(np.int64)
    living = herd.slots
    with_living = mean_with(herd.kin, both, living) if station.living_weight > 0 else np.zeros(len(both))
    uses = least_kinship_uses(
        K, female, most, dishes, station.living_weight, station.young, float(len(living)), with_living
    )
    candidates = np.repeat(np.arange(len(both)), uses)
    dam, sire = pair_up(
        K, candidates[female[candidates]], candidates[~female[candidates]], station.pair_limit, rng
    )
    return YearClass(both[dam], both[sire], np.ones(len(dam)))


def released_families(
    families: int, weights: FloatArray, released: int, living: int, even: bool, rng: np.random.Generator
) -> BigIntArray:
    """Draw the families of the fish that live through their first year after release.

    Parameters
    ----------
    families : int
        Families of the year class, at least 1.
    weights : ndarray, float64, shape (families,)
        Relative numbers of their young, used where families are not made equal.
    released, living : int
        Fish released, and how many of them live.
    even : bool
        Families are released in equal numbers; otherwise as they come.
    rng : Generator

    Returns
    -------
    ndarray, int64, shape (living,)
        Position of the family of each.
    """
    if even:
        return rng.permutation(families)[rng.choice(released, living, replace=False) % families]
    return rng.choice(families, living, p=weights / weights.sum())


def stock_in_order(numbers: BigIntArray, released: int, even: bool, rng: np.random.Generator) -> BigIntArray:
    """Return the family of each fish of a stock in hand, in the random order in which they are released.

    Parameters
    ----------
    numbers : ndarray, int64, shape (n_families,)
        Fish of each family.
    released : int
        Fish to release in all waters.
    even : bool
        Only as many of each family as make the families even.
    rng : Generator
    """
    taken = level(numbers, released) if even else numbers
    return rng.permutation(np.repeat(np.arange(len(numbers)), taken))


def level(numbers: BigIntArray, wanted: int) -> BigIntArray:
    """Take fish of families as evenly as their numbers allow, `wanted` in all or all there are."""
    taken = np.zeros_like(numbers)
    left = min(wanted, int(numbers.sum()))
    while left > 0:
        open_ = np.flatnonzero(numbers > taken)
        each = max(1, left // len(open_))
        for k in open_:
            add = min(each, int(numbers[k] - taken[k]), left)
            taken[k] += add
            left -= add
    return taken


def kept_families(
    herd: Population, year_class: YearClass, crossing: str, number: int, rng: np.random.Generator
) -> BigIntArray:
    """Choose the families of the young that join the broodstock, in the way of a strategy, shape (number,)."""
    n = len(year_class.dams)
    if n == 0 or number <= 0:
        return np.zeros(0, np.int64)
    if crossing == "random":
        return rng.choice(n, number, p=year_class.weights / year_class.weights.sum())
    if crossing == "equal":
        return rng.permutation(np.resize(rng.permutation(n), number)).astype(np.int64)
    parents = np.concatenate([year_class.dams, year_class.sires])
    K = herd.kin[np.ix_(parents, parents)]
    between = 0.25 * (K[:n, :n] + K[:n, n:] + K[n:, :n] + K[n:, n:])
    own = 0.5 * (1 + K[np.arange(n), np.arange(n, 2 * n)])
    brood = np.flatnonzero(herd.alive & (herd.place == 0))
    means = mean_with(herd.kin, parents, brood)
    kept = least_kinship_kept(between, own, 0.5 * (means[:n] + means[n:]), len(brood), number)
    return rng.permutation(np.repeat(np.arange(n), kept))
