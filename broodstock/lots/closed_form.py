"""Closed forms for the cases that have them: random splits of known numbers, and Dirichlet-multinomial shares."""

from __future__ import annotations

import numpy as np
from scipy import special

from broodstock.arrays import BigIntArray, FloatArray
from broodstock.errors import ValueRangeError


def split_moments(numbers: BigIntArray, taken: int) -> tuple[FloatArray, FloatArray]:
    """Return mean and variance of the fish of each family in a random part of a group of known numbers.

    Parameters
    ----------
    numbers : ndarray, int64, shape (n_families,)
        Fish by family, 0 or more.
    taken : int
        Fish taken at random without replacement.

    Returns
    -------
    mean, variance : ndarray, float64, shape (n_families,)
        Of the multivariate hypergeometric distribution [1]_.

    Raises
    ------
    ValueRangeError
        If more are taken than there are, or a number is negative.

    References
    ----------
    .. [1] Johnson NL, Kotz S, Balakrishnan N (1997) Discrete Multivariate Distributions, chapter 39. Wiley.

    Examples
    --------
    >>> mean, variance = split_moments(np.array([60, 40]), 10)
    >>> mean.tolist(), variance.round(4).tolist()
    ([6.0, 4.0], [2.1818, 2.1818])
    """
    total = _checked(numbers, taken)
    if total == 0:
        zero = np.zeros(len(numbers))
        return zero, zero.copy()
    p = numbers / total
    shrink = (total - taken) / (total - 1) if total > 1 else 0.0
    return taken * p, taken * p * (1.0 - p) * shrink


def absence_after_split(numbers: BigIntArray, taken: int) -> FloatArray:
    """Return the chance that each family is absent from a random part: hypergeometric chance of none.

    Parameters, errors and source as in `split_moments`.

    Examples
    --------
    Of 2 and 8 fish, 5 are taken: the first family is absent with chance C(8, 5) / C(10, 5) = 56 / 252.

    >>> absence_after_split(np.array([2, 8]), 5).round(4).tolist()
    [0.2222, 0.0]
    """
    total = _checked(numbers, taken)
    others = total - numbers
    can = others >= taken
    m = np.where(can, others, taken).astype(np.float64)
    log_chance = (
        special.gammaln(m + 1)
        - special.gammaln(m - taken + 1)
        - special.gammaln(total + 1.0)
        + special.gammaln(total - taken + 1.0)
    )
    return np.where(can, np.exp(np.minimum(log_chance, 0.0)), 0.0)


def dirichlet_multinomial_posterior(
    alpha: FloatArray, typed: BigIntArray, number: int
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return what a DNA sample leaves to believe about a group whose prior is Dirichlet-multinomial.

    Parameters
    ----------
    alpha : ndarray, float64, shape (n_families,)
        Prior: positive.
    typed : ndarray, int64, shape (n_families,)
        Fish typed, without error; they stay in the group.
    number : int
        Fish in the group, typed ones included.

    Returns
    -------
    mean, variance, absent : ndarray, float64, shape (n_families,)
        Of the fish of each family: the fish typed and a Dirichlet-multinomial number of the others with parameters
        alpha plus typed (conjugacy) [1]_; the chance that the family has none.

    Raises
    ------
    ValueRangeError
        If a parameter is not positive, or more fish were typed than there are.

    References
    ----------
    .. [1] Mosimann JE (1962) On the compound multinomial distribution, the multivariate beta-distribution, and
       correlations among proportions. Biometrika 49:65-82.
    """
    if (alpha <= 0).any():
        raise ValueRangeError(
            "lots, alpha: found a value that is not positive. Expected all above 0. Leave such families out."
        )
    rest = number - _checked(typed, 0)
    if rest < 0:
        raise ValueRangeError(
            f"lots, typed: found {int(typed.sum())} fish of {number}. Expected at most all. Correct the numbers."
        )
    after = alpha + typed
    total = after.sum()
    p = after / total
    variance = rest * p * (1.0 - p) * (total + rest) / (total + 1.0)
    log_none = (
        special.gammaln(total)
        + special.gammaln(total - after + rest)
        - special.gammaln(total + rest)
        - special.gammaln(total - after)
        if len(alpha) > 1
        else np.full(1, -np.inf if rest else 0.0)
    )
    absent = np.where(typed > 0, 0.0, np.exp(np.minimum(log_none, 0.0)))
    return typed + rest * p, variance, absent


def _checked(numbers: BigIntArray, taken: int) -> int:
    total = int(numbers.sum())
    if (numbers < 0).any():
        raise ValueRangeError("lots, numbers: found a negative number. Expected 0 or more. Correct it.")
    if not 0 <= taken <= total:
        raise ValueRangeError(
            f"lots, taken: found {taken} of {total} fish. Expected 0 to all. Correct the number."
        )
    return total
