"""What released groups (families, lines, year classes, sites) contribute to adults or to larvae.

Young or adults are sampled; parentage gives each a chance of belonging to each group. The sample is a multinomial draw
from the whole: each share gets Jeffreys' interval, which keeps its coverage with many groups and few fish. Unsure
parentage is integrated over by drawing the group of every fish in proportion to its chances (multiple imputation).
Fish of groups nobody expected are the last column, "none of these".
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from broodstock.arrays import FloatArray
from broodstock.errors import ShapeError, ValueRangeError
from broodstock.estimates import Estimate

PRIOR = 0.5
"""Added to both sides of each share (Jeffreys; Brown, Cai & DasGupta 2001, Statistical Science 16:101, from memory)."""
DRAWS = 4000


@dataclass(frozen=True)
class Contribution:
    """Shares of groups.

    Parameters
    ----------
    groups : tuple of str
        Groups; the last may be 'none of these'.
    expected : ndarray, float64, shape (n_groups,)
        Expected number of sampled fish of each group.
    share : tuple of Estimate
        Share of each group in the whole the sample stands for.
    per_released : tuple of Estimate
        Share of each group divided by its share among the fish released: 1 means in proportion.
    effective : Estimate
        Effective number of groups, 1 / sum of squared shares, of the groups released.
    """

    groups: tuple[str, ...]
    expected: FloatArray
    share: tuple[Estimate, ...]
    per_released: tuple[Estimate, ...]
    effective: Estimate


def contribution(
    groups: tuple[str, ...],
    chances: FloatArray,
    released: FloatArray,
    rng: np.random.Generator,
    level: float = 0.95,
    draws: int = DRAWS,
) -> Contribution:
    """Estimate the shares of groups.

    Parameters
    ----------
    groups : tuple of str
        Names, length n_groups.
    chances : ndarray, float64, shape (n_fish, n_groups)
        Chance of each sampled fish to belong to each group; rows sum to 1.
    released : ndarray, float64, shape (n_groups,)
        Fish released of each group; 0 for groups that were not released, such as 'none of these'.
    rng : Generator
        Random numbers.
    level : float
        Coverage.
    draws : int
        Draws of the posterior.

    Returns
    -------
    Contribution
        Not estimable parts say why.

    Raises
    ------
    ShapeError
        If shapes differ.
    ValueRangeError
        If a row of chances does not sum to 1 or holds a negative number.
    """
    if chances.ndim != 2 or chances.shape[1] != len(groups) or len(released) != len(groups):
        raise ShapeError(
            f"contribution: found chances of shape {chances.shape} and {len(released)} numbers released. Expected "
            f"{len(groups)} groups in both."
        )
    if len(chances) and ((chances < 0).any() or np.abs(chances.sum(axis=1) - 1).max() > 1e-6):
        raise ValueRangeError(
            "contribution: found chances of a fish that do not sum to 1. Expected shares of 1."
        )
    n, k = chances.shape
    if n == 0:
        none = Estimate.not_estimable("no sampled fish with known parents", unit_used="fish sampled")
        return Contribution(groups, np.zeros(k), (none,) * k, (none,) * k, none)
    sure = chances.max(axis=1) > 1 - 1e-9
    base = chances[sure].sum(axis=0)
    counts = np.repeat(base[None, :], draws, axis=0)
    for row in chances[~sure]:
        counts[np.arange(draws), rng.choice(k, size=draws, p=row / row.sum())] += 1.0
    how = "Jeffreys interval of a share, unsure parents drawn by their chances"
    beta = rng.beta(counts + PRIOR, n - counts + PRIOR)
    expected = chances.sum(axis=0)
    out = tuple(_summary(expected[g] / n, beta[:, g], how, n, level) for g in range(k))
    was = released > 0
    total = float(released.sum())
    ratio = []
    among = float(expected[was].sum())
    for g in range(k):
        if not was[g] or among == 0:
            why = "none of it was released" if not was[g] else "no sampled fish is of a released group"
            ratio.append(Estimate.not_estimable(why, unit_used="fish sampled"))
            continue
        part = counts[:, was].sum(axis=1)
        inner = rng.beta(counts[:, g] + PRIOR, part - counts[:, g] + PRIOR)
        scale = released[g] / total
        ratio.append(_summary(expected[g] / among / scale, inner / scale, how, n, level))
    return Contribution(groups, expected, out, tuple(ratio), effective_groups(counts[:, was], level))


def effective_groups(counts: FloatArray, level: float = 0.95) -> Estimate:
    """Return the effective number of groups, 1 / chance that two fish drawn are of one group.

    Parameters
    ----------
    counts : ndarray, float64, shape (n_draws, n_groups)
        Fish of each group; several rows when parents are unsure.
    level : float
        Coverage.

    Returns
    -------
    Estimate
        From pairs of different fish, so that a small sample does not bias it; jackknife over fish and spread over
        the draws. The upper limit is infinite when no pair may share a group.
    """
    from scipy.stats import norm

    how = "pairs of sampled fish of one group, jackknife over fish"
    n = counts.sum(axis=1)
    if counts.shape[1] < 2 or int(n.min()) < 3:
        why = (
            "fewer than two groups were released"
            if counts.shape[1] < 2
            else "fewer than three fish of released groups"
        )
        return Estimate.not_estimable(why, how, int(n.min()) if len(n) else 0, "fish sampled")
    pairs = (counts * (counts - 1)).sum(axis=1)
    q = pairs / (n * (n - 1))
    without = (pairs[:, None] - 2 * (counts - 1)) / ((n - 1) * (n - 2))[:, None]
    centre = (counts * without).sum(axis=1) / n
    jack = (n - 1) / n * (counts * (without - centre[:, None]) ** 2).sum(axis=1)
    error = float(np.sqrt(jack.mean() + q.var()))
    mean, z = float(q.mean()), float(norm.ppf(0.5 + level / 2))
    if mean <= 0:
        return Estimate.not_estimable(
            "no two sampled fish are of one group: sample more", how, int(n[0]), "fish sampled"
        )
    high = 1.0 / (mean - z * error) if mean > z * error else float("inf")
    return Estimate(1.0 / mean, 1.0 / min(mean + z * error, 1.0), high, how, int(n[0]), "fish sampled", level)


def _summary(value: float, draws: FloatArray, method: str, n: int, level: float) -> Estimate:
    low, high = np.quantile(draws, [0.5 - level / 2, 0.5 + level / 2])
    return Estimate(
        float(value),
        min(float(low), float(value)),
        max(float(high), float(value)),
        method,
        n,
        "fish sampled",
        level,
    )
