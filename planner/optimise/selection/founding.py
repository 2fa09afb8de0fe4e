"""What a founder group is worth: effective size from the sexes, alleles carried, expected adults."""

from __future__ import annotations

import math
from statistics import NormalDist

import numpy as np
import numpy.typing as npt

from broodstock.arrays import FloatArray
from broodstock.errors import ShapeError, ValueRangeError
from broodstock.estimates import Estimate


def ne_of_sexes(females: int, males: int, unknown: int, level: float = 0.95) -> Estimate:
    """Return effective size from the sex ratio when the sex of some fish is not known.

    Parameters
    ----------
    females, males, unknown : int
        Fish of each sex and of unknown sex.
    level : float
        Coverage of the interval.

    Returns
    -------
    Estimate
        Mean of ``4 F M / (F + M)`` over the sexes the unknown fish may have, each female with chance one half; the
        interval is that of the binomial. Without unknown fish it is the formula itself, without interval.

    Raises
    ------
    ValueRangeError
        If a number is negative, or there is no fish.

    References
    ----------
    .. [1] Wright, S. (1931), Genetics 16, 97-159 (formula from memory).

    Examples
    --------
    >>> ne_of_sexes(20, 40, 0).value
    53.333333333333336
    """
    if min(females, males, unknown) < 0 or females + males + unknown == 0:
        raise ValueRangeError(
            f"sexes: found {females} females, {males} males, {unknown} unknown. Expected numbers of at least 0, not "
            "all 0."
        )
    n = females + males + unknown
    if unknown == 0:
        return Estimate(4 * females * males / n, method="4 F M / (F + M) (Wright 1931)", n_used=n)
    k = np.arange(unknown + 1)
    log_chance = np.array(
        [math.lgamma(unknown + 1) - math.lgamma(i + 1) - math.lgamma(unknown - i + 1) for i in k.tolist()]
    ) - unknown * math.log(2)
    chance = np.exp(log_chance)
    chance /= chance.sum()
    ne = 4.0 * (females + k) * (males + unknown - k) / n
    order = np.argsort(ne, kind="stable")
    below = np.cumsum(chance[order])
    tail = (1 - level) / 2
    rising = ne[order]
    low = float(rising[int(np.searchsorted(below, tail))])
    high = float(rising[min(int(np.searchsorted(below, 1 - tail)), unknown)])
    return Estimate(
        float(chance @ ne),
        low,
        high,
        method="4 F M / (F + M) (Wright 1931), mean over the sexes that fish of unknown sex may have",
        n_used=n,
        level=level,
        note=f"{unknown} of {n} fish of unknown sex",
    )


def chance_to_carry(genes: npt.ArrayLike, frequency: float, level: float = 0.95) -> Estimate:
    """Return the chance that related fish carry an allele of the founders, by gene drop.

    Parameters
    ----------
    genes : array_like, integer, shape (n_drops, n_fish, 2)
        Founder gene that each fish carries on each side in each drop.
    frequency : float
        Frequency of the allele among founder genes, between 0 and 1.
    level : float
        Coverage of the interval.

    Returns
    -------
    Estimate
        ``1 - mean of (1 - p)**A`` with A the distinct founder genes among the fish. For unrelated fish A is twice
        their number and the chance the textbook's ``1 - (1 - p)**(2N)``; copies of one gene count once. The interval
        is simulation error.

    Raises
    ------
    ShapeError
        If the genes have another shape.
    ValueRangeError
        If the frequency is not between 0 and 1.
    """
    if not 0 < frequency < 1:
        raise ValueRangeError(f"allele frequency: found {frequency}. Expected a number between 0 and 1.")
    missing = (1 - frequency) ** distinct_genes(genes)
    chance = 1 - float(missing.mean())
    error = float(missing.std(ddof=1)) / missing.size**0.5 if missing.size > 1 else 0.0
    half = NormalDist().inv_cdf(0.5 + level / 2) * error
    return Estimate(
        chance,
        max(0.0, chance - half),
        min(1.0, chance + half),
        method="1 - mean of (1 - p)^A, A distinct founder genes among the fish (gene drop)",
        n_used=missing.size,
        unit_used="drops",
        level=level,
        note="the interval shows simulation error only",
    )


def distinct_genes(genes: npt.ArrayLike) -> FloatArray:
    """Return the number of distinct founder genes in each drop, shape (n_drops,).

    Raises
    ------
    ShapeError
        If the genes do not have the shape (n_drops, n_fish, 2), with at least one of each.
    """
    given = np.asarray(genes)
    if given.ndim != 3 or given.shape[2] != 2 or given.size == 0:
        raise ShapeError(f"genes: found shape {given.shape}. Expected (n_drops, n_fish, 2).")
    rows = np.sort(given.reshape(len(given), -1), axis=1)
    return np.asarray(1.0 + (np.diff(rows, axis=1) != 0).sum(axis=1), dtype=np.float64)


def expected_adults(survival: npt.ArrayLike, error: npt.ArrayLike, level: float = 0.95) -> Estimate:
    """Return the expected survivors of some fish under one survival curve.

    Parameters
    ----------
    survival, error : array_like, float64, shape (n_fish,)
        Chance of each fish to survive and its standard error.
    level : float
        Coverage of the interval.

    Returns
    -------
    Estimate
        The sum. All fish share one curve, so its errors add up; the chance of each fish is independent. Variance:
        ``(sum of errors)**2 + sum of p (1 - p)``.

    Raises
    ------
    ShapeError
        If the two differ in shape or there is no fish.
    ValueRangeError
        If a chance is outside 0 to 1 or an error negative.
    """
    p, se = np.asarray(survival, dtype=np.float64), np.asarray(error, dtype=np.float64)
    if p.ndim != 1 or p.shape != se.shape or p.size == 0:
        raise ShapeError(f"survival: found shapes {p.shape} and {se.shape}. Expected one of each per fish.")
    if not ((p >= 0) & (p <= 1)).all() or not (se >= 0).all():
        raise ValueRangeError(
            "survival: found a number outside 0 to 1 or a negative error. Expected chances."
        )
    value = float(p.sum())
    spread = math.sqrt(float(se.sum()) ** 2 + float((p * (1 - p)).sum()))
    half = NormalDist().inv_cdf(0.5 + level / 2) * spread
    return Estimate(
        value,
        max(0.0, value - half),
        min(float(p.size), value + half),
        method="sum over fish of the survival curve at its length; error of the curve and chance of each fish",
        n_used=int(p.size),
        level=level,
    )
