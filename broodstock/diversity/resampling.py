"""Resampling of fish and of loci, and the intervals made from it."""

from __future__ import annotations

from typing import Literal, TypeAlias, get_args

import numpy as np

from broodstock.arrays import FloatArray
from broodstock.errors import ShapeError, UsageError

Over: TypeAlias = Literal["fish", "loci", "both"]
"""What is resampled."""

IntervalKind: TypeAlias = Literal["recentred", "percentile", "bca"]
"""How the limits are read from the replicates."""

_OVER_WORDS = {"fish": "fish", "loci": "loci", "both": "fish and loci"}
_KIND_WORDS = {
    "recentred": "expanded percentiles of the replicates, moved to be centred on the estimate",
    "percentile": "expanded percentiles of the replicates",
    "bca": "bias-corrected and accelerated percentiles",
}


def check_resampling(over: str, interval: str, n_replicates: int, level: float) -> None:
    """Stop on a setting that resampling cannot use.

    Raises
    ------
    UsageError
        If a word is unknown, there are fewer than 20 replicates, or the level is not between 0 and 1.
    """
    if over not in get_args(Over):
        raise UsageError(
            f"resampling: found over={over!r}. Expected 'fish', 'loci' or 'both'. Give one of them."
        )
    if interval not in get_args(IntervalKind):
        raise UsageError(
            f"resampling: found interval={interval!r}. Expected 'recentred', 'percentile' or 'bca'. "
            "Give one of them."
        )
    if n_replicates < 20:
        raise UsageError(
            f"resampling: found {n_replicates} replicates. Expected 20 or more; 1000 is usual. "
            "Ask for more replicates."
        )
    if not 0 < level < 1:
        raise UsageError(
            f"resampling: found level {level}. Expected a share between 0 and 1, such as 0.95. "
            "Give a share, not a percentage."
        )


def resampling_words(over: Over, interval: IntervalKind, n_replicates: int) -> str:
    """Return the words that name a resampling method, for the method text of an estimate."""
    return f"bootstrap over {_OVER_WORDS[over]}, {n_replicates} replicates, {_KIND_WORDS[interval]}"


def draw_weights(n_units: int, n_replicates: int, rng: np.random.Generator) -> FloatArray:
    """Draw how often each unit counts in each bootstrap replicate.

    Parameters
    ----------
    n_units : int
        Units (fish or loci), 1 or more.
    n_replicates : int
        Replicates.
    rng : numpy.random.Generator
        Source of random numbers.

    Returns
    -------
    ndarray, float64, shape (n_replicates, n_units)
        Whole numbers; every row sums to `n_units`.

    References
    ----------
    .. [1] Efron (1979), Annals of Statistics 7:1-26.
    """
    picks = rng.integers(0, n_units, size=(n_replicates, n_units))
    picks += np.arange(n_replicates)[:, None] * n_units
    drawn = np.bincount(picks.ravel(), minlength=n_replicates * n_units)
    return drawn.reshape(n_replicates, n_units).astype(np.float64)


def interval_limits(
    value: float,
    replicates: FloatArray,
    kind: IntervalKind,
    level: float = 0.95,
    influence: FloatArray | None = None,
    bounds: tuple[float, float] = (-np.inf, np.inf),
    n_units: int | None = None,
) -> tuple[float, float]:
    """Read the limits of an interval from bootstrap replicates.

    Parameters
    ----------
    value : float
        Estimate from the whole sample.
    replicates : ndarray, float64, shape (n_replicates,)
        Values of the statistic in the replicates; finite.
    kind : {'recentred', 'percentile', 'bca'}
        ``recentred`` moves the replicates so that their mean is `value`; ``percentile`` takes them as
        they are; ``bca`` corrects for median bias and for a changing standard error.
    level : float
        Coverage aimed at.
    influence : ndarray, float64, shape (n_units,), optional
        For ``bca``: how far leaving each unit out lowers the statistic (any common scale), from which
        the acceleration is computed. Default: acceleration 0.
    bounds : tuple of float
        Smallest and largest possible value of the statistic; limits are cut there.
    n_units : int, optional
        Units resampled (fish or loci). When given, the percentiles of ``recentred`` and ``percentile``
        are taken further out, by Student's t and the factor n / (n - 1), since few units bootstrapped
        give limits that are too narrow. Default: not expanded.

    Returns
    -------
    low, high : float

    Raises
    ------
    ShapeError
        If there are no replicates.

    Notes
    -----
    An estimator that is already unbiased, such as Nei's expected heterozygosity or rarefied richness,
    falls when fish are drawn with replacement, because a fish drawn twice brings no new gene copies.
    That shift is a property of resampling and not of the estimator, so the replicates are moved back
    (``recentred``). The percentiles as they stand lie too low by that shift, and the bias correction of
    ``bca`` doubles the error in the other direction; both are fit for statistics that resampling does
    not shift (observed heterozygosity, any statistic over loci). In simulated samples of 12 fish at 60
    two-allele loci, limits aimed at 95 % held the true expected heterozygosity in 91 % of samples
    (``recentred``, not expanded), 67 % (``percentile``) and 53 % (``bca``).

    References
    ----------
    .. [1] Efron & Tibshirani (1993), An Introduction to the Bootstrap, chapters 13 and 14.
    .. [2] Hesterberg (2015), The American Statistician 69:371-386 (expanded percentiles).
    """
    reps = np.asarray(replicates, dtype=np.float64)
    if reps.size == 0:
        raise ShapeError("interval: found no replicates. Expected at least one. Ask for more replicates.")
    tails = np.array([(1.0 - level) / 2.0, (1.0 + level) / 2.0])
    if kind != "bca" and n_units is not None and n_units >= 2:
        tails = _expanded_tails(tails, n_units)
    if kind == "recentred":
        limits = np.quantile(reps, tails) + (value - reps.mean())
    elif kind == "percentile":
        limits = np.quantile(reps, tails)
    else:
        limits = np.quantile(reps, _bca_tails(value, reps, tails, influence))
    low, high = np.clip(limits, *bounds)
    return float(low), float(high)


def _expanded_tails(tails: FloatArray, n_units: int) -> FloatArray:
    from scipy.special import ndtr, stdtrit

    return np.asarray(ndtr(np.sqrt(n_units / (n_units - 1)) * stdtrit(n_units - 1, tails)))


def _bca_tails(value: float, reps: FloatArray, tails: FloatArray, influence: FloatArray | None) -> FloatArray:
    from scipy.special import ndtr, ndtri

    # Ties count half, as for statistics that take few values; half a replicate keeps the share inside (0, 1).
    below = (reps < value).sum() + 0.5 * (reps == value).sum()
    share = np.clip(below, 0.5, reps.size - 0.5) / reps.size
    z0 = ndtri(share)
    a = 0.0
    if influence is not None and influence.size:
        u = influence - influence.mean()
        spread = (u**2).sum()
        if spread > 0:
            a = float((u**3).sum() / (6.0 * spread**1.5))
    z = z0 + ndtri(tails)
    return np.asarray(ndtr(z0 + z / np.maximum(1.0 - a * z, 1e-9)))
