"""How evenly fish are spread over families, haplotypes or any other classes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from broodstock.arrays import BigIntArray, FloatArray
from broodstock.diversity.resampling import check_resampling, interval_limits
from broodstock.errors import ShapeError, ValueRangeError
from broodstock.estimates import Estimate


def effective_number(shares: np.ndarray) -> float:
    """Effective number of classes, 1 / sum p^2: equally large classes of the same concentration.

    Parameters
    ----------
    shares : array_like, shape (n_classes,)
        Fish, eggs or shares of each class, 0 or more; scaled to sum to 1 here. Known amounts, not a
        sample (for a sample see `spread_of_sample`).

    Returns
    -------
    float
        From 1 to the number of classes that are not empty.

    Raises
    ------
    ShapeError
        If `shares` is not a vector.
    ValueRangeError
        If an amount is negative or not a number, or all are 0.

    References
    ----------
    .. [1] Hill (1973), Ecology 54:427-432 (number of order 2).

    Examples
    --------
    >>> effective_number(np.array([5, 5, 5, 5]))
    4.0
    >>> round(effective_number(np.array([90, 10])), 4)
    1.2195
    """
    p = _shares(shares)
    return float(1.0 / (p**2).sum())


def evenness(shares: np.ndarray) -> float:
    """Evenness: effective number of classes over the number of classes that are not empty.

    Parameters
    ----------
    shares : array_like, shape (n_classes,)
        As in `effective_number`.

    Returns
    -------
    float
        1 when all classes are equally large; near 1 / n_classes when one holds nearly everything.

    Raises
    ------
    ShapeError, ValueRangeError
        As in `effective_number`.

    References
    ----------
    .. [1] Smith & Wilson (1996), Oikos 76:70-82 (index E with 1/D).

    Examples
    --------
    >>> evenness(np.array([3, 3, 0]))
    1.0
    """
    p = _shares(shares)
    return float(1.0 / (p**2).sum() / (p > 0).sum())


def _shares(shares: np.ndarray) -> FloatArray:
    x = np.asarray(shares, dtype=np.float64)
    if x.ndim != 1:
        raise ShapeError(
            f"shares: found an array of shape {x.shape}. Expected a vector, one number per class. Flatten it."
        )
    if not np.isfinite(x).all() or (x < 0).any():
        raise ValueRangeError(
            "shares: found a negative amount or one that is not a number. Expected 0 or more. "
            "Give the fish or eggs of each class."
        )
    total = x.sum()
    if total <= 0:
        raise ValueRangeError(
            "shares: found no fish in any class. Expected at least one class that is not empty. "
            "Leave the statistic out for an empty group."
        )
    return np.asarray(x / total)


@dataclass(frozen=True, slots=True)
class Spread:
    """Spread of a sample of fish over classes.

    Parameters
    ----------
    n_fish : int
        Fish in the sample.
    n_classes : int
        Classes seen.
    effective : Estimate
        Effective number of classes of the population sampled.
    evenness : Estimate
        Effective number in the sample over classes seen.
    """

    n_fish: int
    n_classes: int
    effective: Estimate
    evenness: Estimate


def count_check(counts: np.ndarray, where: str) -> BigIntArray:
    """Return class counts as a vector of whole numbers, or say what is wrong with them.

    Parameters
    ----------
    counts : array_like, shape (n_classes,)
        Fish per class.
    where : str
        Place named in the message.

    Returns
    -------
    ndarray, int64, shape (n_classes,)

    Raises
    ------
    ShapeError
        If it is not a vector.
    ValueRangeError
        If a count is negative or not whole.
    """
    c = np.asarray(counts)
    if c.ndim != 1:
        raise ShapeError(
            f"{where}: found an array of shape {c.shape}. Expected a vector, one count per class. Flatten it."
        )
    if c.size == 0:
        return np.zeros(0, dtype=np.int64)
    if not (np.isfinite(c).all() and (c >= 0).all() and (c == np.floor(c)).all()):
        raise ValueRangeError(
            f"{where}: found a count that is negative or not whole. Expected whole numbers of fish. "
            "Give counts, not shares."
        )
    return c.astype(np.int64)


def same_class(counts: np.ndarray) -> FloatArray:
    """Unbiased probability that two fish of the population are of one class.

    Parameters
    ----------
    counts : ndarray, int, shape (..., n_classes)
        Fish per class; two fish or more in total.

    Returns
    -------
    ndarray, float64, shape (...)
        ``sum c (c - 1) / (n (n - 1))``.

    References
    ----------
    .. [1] Simpson (1949), Nature 163:688.
    """
    c = np.asarray(counts, dtype=np.float64)
    n = c.sum(axis=-1)
    return np.asarray((c * (c - 1)).sum(axis=-1) / (n * (n - 1)))


@dataclass(frozen=True)
class ClassSample:
    """A sample of fish sorted into classes, and its bootstrap replicates.

    Parameters
    ----------
    counts : ndarray, int64, shape (n_classes,)
        Fish per class.
    drawn : ndarray, int64, shape (n_replicates, n_classes)
        Fish per class when as many fish are drawn again with replacement.
    level : float
        Coverage intervals aim at.
    """

    counts: BigIntArray
    drawn: BigIntArray
    level: float = 0.95

    @classmethod
    def draw(
        cls, counts: BigIntArray, n_replicates: int, rng: np.random.Generator, level: float = 0.95
    ) -> ClassSample:
        """Draw the replicates of a sample; none for a sample of fewer than two fish."""
        n = int(counts.sum())
        drawn = rng.multinomial(n, counts / n, size=n_replicates) if n >= 2 else np.zeros((0, len(counts)))
        return cls(counts, drawn.astype(np.int64), level)

    @property
    def n_fish(self) -> int:
        """Number of fish in the sample."""
        return int(self.counts.sum())

    def how(self) -> str:
        """Return the words for how intervals are made."""
        return f"bootstrap over fish, {len(self.drawn)} replicates, centred on the estimate"

    def estimate(
        self,
        words: str,
        value: float,
        replicates: FloatArray,
        bounds: tuple[float, float],
    ) -> Estimate:
        """Return a statistic with its interval from the replicates."""
        low, high = interval_limits(
            value, replicates, "recentred", self.level, bounds=bounds, n_units=self.n_fish
        )
        return Estimate(value, low, high, f"{words}; {self.how()}", self.n_fish, "fish", self.level)

    def inverse_estimate(self, words: str, value: float, replicates: FloatArray) -> Estimate:
        """Return 1 / a statistic between 0 and 1, its interval made before inverting; infinite at 0."""
        low, high = interval_limits(
            value, replicates, "recentred", self.level, bounds=(0.0, 1.0), n_units=self.n_fish
        )
        low, high = (inverse(x) for x in (high, low))
        note = "No two fish of the sample are of one class." if value <= 0 else ""
        return Estimate(
            inverse(value), low, high, f"{words}; {self.how()}", self.n_fish, "fish", self.level, note
        )

    def effective_classes(self, words: str) -> Estimate:
        """Return 1 / the unbiased probability that two fish are of one class."""
        return self.inverse_estimate(words, float(same_class(self.counts)), same_class(self.drawn))


def inverse(x: float) -> float:
    """Return 1 / x, and infinity at or below 0."""
    return float("inf") if x <= 0 else 1.0 / x


def spread_of_sample(
    counts: np.ndarray,
    *,
    n_replicates: int = 1000,
    level: float = 0.95,
    seed: int | np.random.Generator = 1,
) -> Spread:
    """Estimate the effective number of classes behind a sample of fish, and its evenness.

    Parameters
    ----------
    counts : array_like, int, shape (n_classes,)
        Fish of the sample in each class (family, haplotype).
    n_replicates : int
        Bootstrap replicates over fish, 20 or more.
    level : float
        Coverage aimed at.
    seed : int or numpy.random.Generator
        Source of random numbers.

    Returns
    -------
    Spread
        The effective number is 1 / (unbiased probability that two fish are of one class); infinite when no
        two fish of the sample are of one class.

    Raises
    ------
    ShapeError, ValueRangeError
        As in `count_check`.
    UsageError
        If a setting cannot be used.

    Notes
    -----
    The interval is made on the scale of that probability, on which resampling is simply shifted, and then
    inverted. The effective number needs no correction for sample size; evenness does and gets none.
    """
    check_resampling("fish", "recentred", n_replicates, level)
    c = count_check(counts, "class counts")
    n, seen = int(c.sum()), int((c > 0).sum())
    words = "1 / unbiased probability that two fish are of one class (Simpson 1949)"
    even = "1 / sum p^2 over classes seen (Smith & Wilson 1996)"
    if n < 2:
        reason = "the group has no fish" if n == 0 else "only one fish was read, and at least two are needed"
        return Spread(
            n,
            seen,
            Estimate.not_estimable(reason, words, n),
            Estimate.not_estimable(reason, even, n),
        )
    sample = ClassSample.draw(c, n_replicates, np.random.default_rng(seed), level)
    p = sample.drawn / n
    even_drawn = 1.0 / (p**2).sum(axis=1) / (p > 0).sum(axis=1)
    return Spread(
        n,
        seen,
        sample.effective_classes(words),
        sample.estimate(even, evenness(c), even_drawn, (0.0, 1.0)),
    )
