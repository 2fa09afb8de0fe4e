"""Effective size of a wild population that receives captive-bred young."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from broodstock.arrays import FloatArray
from broodstock.errors import ShapeError, ValueRangeError
from broodstock.estimates import Estimate


@dataclass(frozen=True)
class SupplementationEffect:
    """What a captive share of the next generation does to its effective size.

    Parameters
    ----------
    total : Estimate
        Effective size of captive and wild parents together at the planned share.
    wild_alone : float or None
        Effective size of the wild parents without supplementation; None when not known.
    best_share, best_ne : float or None
        Captive share that gives the largest effective size, and that size (captive plus wild).
    break_even_share : float or None
        Captive share at which the total equals the wild parents alone; above it effective size falls. 1
        when it never does.
    shares, ne : ndarray, float64, shape (n_points,)
        The curve from share 0 to 1; empty when one of the two effective numbers is not known.
    """

    total: Estimate
    wild_alone: float | None
    best_share: float | None
    best_ne: float | None
    break_even_share: float | None
    shares: FloatArray
    ne: FloatArray


def mixed_ne(shares: Sequence[float] | FloatArray, ne: Sequence[float] | FloatArray) -> float:
    """Effective size of parents from several sources that give set shares of the next generation.

    Parameters
    ----------
    shares : sequence of float
        Share of the next generation from each source; at least 0, sum 1.
    ne : sequence of float
        Effective number of parents of each source; positive, may be infinite.

    Returns
    -------
    float
        ``1 / sum(x**2 / Ne)``; infinite when every source that gives anything is.

    Raises
    ------
    ShapeError
        If the two differ in length.
    ValueRangeError
        If a share is negative or the sum is not 1, or an Ne is not positive.

    References
    ----------
    .. [1] Ryman & Laikre (1991), Conservation Biology 5:325-329 (from memory).
    """
    x, n = np.asarray(shares, dtype=np.float64), np.asarray(ne, dtype=np.float64)
    if x.ndim != 1 or x.shape != n.shape:
        raise ShapeError(f"sources: found {x.shape} shares and {n.shape} effective sizes. Expected as many.")
    if (x < 0).any() or not math.isclose(float(x.sum()), 1.0, abs_tol=1e-9) or not (n > 0).all():
        raise ValueRangeError(
            f"sources: found shares {x.tolist()} and effective sizes {n.tolist()}. Expected shares of at "
            "least 0 that add to 1, and positive effective sizes."
        )
    rate = float((x**2 / n).sum())
    return 1 / rate if rate > 0 else math.inf


def largest_share(captive_ne: float, wild_ne: float, target: float) -> float | None:
    """Largest captive share that keeps the total effective size at a target.

    Parameters
    ----------
    captive_ne, wild_ne, target : float
        Effective numbers, positive and finite.

    Returns
    -------
    float or None
        A share from 0 to 1; None when no share reaches the target.

    Raises
    ------
    ValueRangeError
        If a number is not positive or not finite.
    """
    if not all(math.isfinite(v) and v > 0 for v in (captive_ne, wild_ne, target)):
        raise ValueRangeError(
            f"largest share: found captive Ne {captive_ne}, wild Ne {wild_ne}, target {target}. Expected "
            "positive finite numbers."
        )
    # x**2 / Nc + (1 - x)**2 / Nw = 1 / target, the larger root.
    a, b, c = 1 / captive_ne + 1 / wild_ne, -2 / wild_ne, 1 / wild_ne - 1 / target
    inside = b * b - 4 * a * c
    if inside < -1e-15:
        return None
    root = (-b + math.sqrt(max(inside, 0.0))) / (2 * a)
    return min(root, 1.0) if root >= 0 else None


def supplementation_effect(
    captive_share: float, captive_ne: float | Estimate, wild_ne: float | Estimate, n_points: int = 101
) -> SupplementationEffect:
    """Effective size of a supplemented population, its optimum and its break-even share.

    Parameters
    ----------
    captive_share : float
        Share of the next generation's parents' genes that comes from captive parents, 0 to 1.
    captive_ne, wild_ne : float or Estimate
        Effective numbers of captive and of wild parents; positive, may be infinite. Intervals of estimates
        are carried over (both low, both high: wider than need be).
    n_points : int
        Points of the curve, at least 2.

    Returns
    -------
    SupplementationEffect
        With a total that is not estimable when one of the two is not.

    Raises
    ------
    ValueRangeError
        If the share is outside 0 to 1, an effective number is not positive or `n_points` is below 2.

    Notes
    -----
    Concerns one generation and the drift of that step; the inbreeding effective size and repeated
    supplementation behave differently.

    References
    ----------
    .. [1] Ryman & Laikre (1991), Conservation Biology 5:325-329; Ryman, Jorde & Laikre (1995), Conservation
       Biology 9:1619-1628 (from memory).
    """
    nc = captive_ne if isinstance(captive_ne, Estimate) else Estimate(float(captive_ne))
    nw = wild_ne if isinstance(wild_ne, Estimate) else Estimate(float(wild_ne))
    if not 0 <= captive_share <= 1 or n_points < 2:
        raise ValueRangeError(
            f"supplementation: found a captive share of {captive_share} and {n_points} points. Expected a "
            "share from 0 to 1 and at least 2 points."
        )
    method = "captive and wild parents combined, x^2/Nc + (1 - x)^2/Nw"
    if nc.value is None or nw.value is None:
        missing, reason = ("captive", nc.reason) if nc.value is None else ("wild", nw.reason)
        none = Estimate.not_estimable(f"the {missing} effective size is not known: {reason}", method)
        return SupplementationEffect(none, nw.value, None, None, None, np.zeros(0), np.zeros(0))
    x = captive_share
    split = [x, 1 - x]
    value = mixed_ne(split, [nc.value, nw.value])
    limits = [
        mixed_ne(split, [a, b]) if a is not None and b is not None and a > 0 and b > 0 else None
        for a, b in ((nc.low, nw.low), (nc.high, nw.high))
    ]
    low, high = limits if None not in limits else (None, None)
    best, even = _turning_points(nc.value, nw.value)
    shares = np.linspace(0, 1, n_points)
    curve = np.array([mixed_ne([s, 1 - s], [nc.value, nw.value]) for s in shares])
    note = f"Ne of the parents of the next generation when {x:.0%} of it comes from captive parents"
    if even < 1:
        note += f"; above a captive share of {even:.1%} it is smaller than that of the wild parents alone."
    else:
        note += "; no captive share makes it smaller than that of the wild parents alone."
    total = Estimate(value, low, high, method, unit_used="sources", n_used=2, note=note)
    return SupplementationEffect(total, nw.value, best, nc.value + nw.value, even, shares, curve)


def _turning_points(captive_ne: float, wild_ne: float) -> tuple[float, float]:
    """Shares at the optimum, ``Nc/(Nc + Nw)``, and at break-even, twice that but at most 1."""
    if math.isinf(captive_ne):
        best = 0.5 if math.isinf(wild_ne) else 1.0
    else:
        best = captive_ne / (captive_ne + wild_ne)
    return best, min(2 * best, 1.0)


def proportionate_natural_influence(
    natural_in_broodstock: float, hatchery_on_spawning_ground: float
) -> float:
    """Weight of the natural environment in a population that breeds in both, ``pNOB/(pNOB + pHOS)``.

    Parameters
    ----------
    natural_in_broodstock : float
        Share of natural-born fish among the hatchery's parents (pNOB), 0 to 1.
    hatchery_on_spawning_ground : float
        Share of hatchery-born fish among the natural spawners (pHOS), 0 to 1.

    Raises
    ------
    ValueRangeError
        If a share is outside 0 to 1 or both are 0.

    Notes
    -----
    From the literature on hatchery reform, from memory. An index of selection pressures, not of drift.
    """
    a, b = natural_in_broodstock, hatchery_on_spawning_ground
    if not (0 <= a <= 1 and 0 <= b <= 1 and a + b > 0):
        raise ValueRangeError(
            f"natural influence: found shares {a} and {b}. Expected shares from 0 to 1, not both 0."
        )
    return a / (a + b)
