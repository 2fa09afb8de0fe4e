"""Effective number of breeders from the young of known parents, with the error of sampling young."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from broodstock.arrays import FloatArray
from broodstock.effective_size.demographic import ContributionNe
from broodstock.errors import ShapeError, ValueRangeError
from broodstock.estimates import Estimate


def sharing_probability(counts: npt.NDArray[np.int64]) -> float | None:
    """Return the chance that two different young have the same parent; None below two young.

    Parameters
    ----------
    counts : ndarray, int64, shape (n_parents,)
        Young of each parent.
    """
    n = int(counts.sum())
    return float((counts * (counts - 1)).sum()) / (n * (n - 1)) if n >= 2 else None


def nb_from_offspring_counts(
    female_counts: Sequence[int],
    male_counts: Sequence[int],
    *,
    group: str = "",
    whole_cohort: bool = False,
    n_bootstrap: int = 2000,
    level: float = 0.95,
    seed: int | np.random.Generator = 1,
) -> ContributionNe:
    """Effective number of breeders from the young that each parent is known to have.

    Parameters
    ----------
    female_counts, male_counts : sequence of int
        Young of each mother and each father. The two sums may differ when some parents are unknown.
    group : str
        The cohort in the user's words.
    whole_cohort : bool
        True when every young of the cohort was counted: then there is no sampling error and no interval.
    n_bootstrap : int
        Bootstrap samples of young.
    level : float
        Coverage aimed at.
    seed : int or Generator
        Source of random numbers.

    Returns
    -------
    ContributionNe
        Per sex ``(Sk - 1)/(Sk2/Sk - 1)``, Sk the sum of counts and Sk2 of their squares: one over the
        chance that two young share that parent. Infinite when no two young do.

    Raises
    ------
    ShapeError
        If the counts do not have one dimension.
    ValueRangeError
        If a count is negative or not whole, `level` is not between 0 and 1 or `n_bootstrap` is below 100.

    Notes
    -----
    The bootstrap draws young, not parents, and takes only pairs of different young into account (a young
    drawn twice is no pair of sibs). When all parents have the same expected number the interval is wider
    than need be.

    References
    ----------
    .. [1] Crow & Denniston (1988), Evolution 42:482-495; Waples & Waples (2011), Molecular Ecology
       Resources 11 (S1):162-171 (from memory).
    """
    check_bootstrap(n_bootstrap, level)
    rng = np.random.default_rng(seed)
    counts = [_counts(female_counts, "mothers"), _counts(male_counts, "fathers")]
    sharing = [sharing_probability(k) for k in counts]
    method = "young per parent, one over the chance that two young share a parent"
    whom = group or "the cohort sampled"
    words = ("mothers", "fathers")
    if whole_cohort:
        draws: list[FloatArray | None] = [None, None]
    else:
        draws = [bootstrap_sharing(k, n_bootstrap, rng) if k.sum() >= 2 else None for k in counts]
        method += "; interval by bootstrap of young"
    singles = [
        sharing_estimate(p, d, int(k.sum()), level, method, f"Effective {word} of {whom}.", word)
        for p, d, k, word in zip(sharing, draws, counts, words, strict=True)
    ]
    note = f"Nb: effective number of breeders that produced {whom}."
    if sharing[0] is None or sharing[1] is None:
        both = Estimate.not_estimable(
            "fewer than two young have a known mother, or a known father", method, 0, "young"
        )
    else:
        mean_draws = None if draws[0] is None or draws[1] is None else (draws[0] + draws[1]) / 4
        n = min(int(k.sum()) for k in counts)
        both = sharing_estimate(
            (sharing[0] + sharing[1]) / 4, mean_draws, n, level, method, note, "young", 0.5
        )
    return ContributionNe(singles[0], singles[1], both)


def bootstrap_sharing(
    counts: npt.NDArray[np.int64], n_bootstrap: int, rng: np.random.Generator
) -> FloatArray:
    """Draw young with replacement and recompute the chance that two different ones share a parent.

    Given the draws m of a parent with k young, the pairs of copies of the same young number on average
    ``m (m - 1) / k``; they are taken out, so the mean over samples equals the observed chance exactly.

    Parameters
    ----------
    counts : ndarray, int64, shape (n_parents,)
        Young of each parent; at least two in all.

    Returns
    -------
    ndarray, float64, shape (n_bootstrap,)
    """
    k = counts[counts > 0]
    n = int(k.sum())
    m = rng.multinomial(n, k / n, size=n_bootstrap).astype(np.float64)
    shared = (m * (m - 1)) @ (1 - 1 / k)
    return np.asarray(shared / ((n - 1) ** 2), dtype=np.float64)


def sharing_estimate(
    sharing: float | None,
    draws: FloatArray | None,
    n_young: int,
    level: float,
    method: str,
    note: str,
    unit: str,
    limit_share: float = 1.0,
) -> Estimate:
    """Turn a chance of sharing and its bootstrap draws into an effective number, one over the chance.

    When no two young share a parent the bootstrap is silent; the lower limit then is the exact one-sided
    limit of a binomial over disjoint pairs of young, times `limit_share`.
    """
    if sharing is None:
        return Estimate.not_estimable(f"fewer than two young have known {unit}", method, n_young, "young")
    if sharing <= 0:
        note = f"{note} No two young share a parent, so the sample sets no upper limit."
    value = 1 / sharing if sharing > 0 else math.inf
    if draws is None:
        return Estimate(value, method=method, n_used=n_young, unit_used="young", note=note)
    tail = (1 - level) / 2
    low_p, high_p = (max(float(q), 0.0) for q in np.quantile(draws, [tail, 1 - tail]))
    low = 1 / high_p if high_p > 0 else math.inf
    if sharing <= 0:
        low = 1 / (limit_share * (1 - (1 - level) ** (1 / max(n_young // 2, 1))))
    high = 1 / low_p if low_p > 0 else math.inf
    return Estimate(value, low, high, method, n_young, "young", level, note)


def _counts(counts: Sequence[int], word: str) -> npt.NDArray[np.int64]:
    array = np.asarray(counts)
    if array.ndim != 1:
        raise ShapeError(f"young per parent, {word}: found shape {array.shape}. Expected one count each.")
    whole = array.astype(np.int64) if array.size else np.zeros(0, dtype=np.int64)
    if array.size and ((array < 0).any() or (whole != array).any()):
        raise ValueRangeError(
            f"young per parent, {word}: found a negative or broken number. Expected whole counts."
        )
    return whole


def check_bootstrap(n_bootstrap: int, level: float) -> None:
    """Refuse too few bootstrap samples and impossible coverages.

    Raises
    ------
    ValueRangeError
        If `n_bootstrap` is below 100 or `level` is not between 0 and 1.
    """
    if n_bootstrap < 100 or not 0 < level < 1:
        raise ValueRangeError(
            f"bootstrap: found {n_bootstrap} samples and level {level}. Expected at least 100 samples and a "
            "level between 0 and 1."
        )
