"""Intervals for a positive mean that scatters like a scaled chi-square variable."""

from __future__ import annotations

from broodstock.errors import ValueRangeError


def chi_square_interval(mean: float, degrees: float, level: float = 0.95) -> tuple[float, float]:
    """Return the limits ``degrees * mean / chi2`` at the two tails.

    Parameters
    ----------
    mean : float
        Observed mean (an r squared, or a standardised variance F), at least 0.
    degrees : float
        Degrees of freedom: independent comparisons, or an effective number of them. Positive, need not
        be whole.
    level : float
        Coverage aimed at, between 0 and 1.

    Returns
    -------
    low, high : float

    Raises
    ------
    ValueRangeError
        If `mean` is negative, `degrees` is not positive or `level` is not between 0 and 1.

    References
    ----------
    .. [1] Waples (1989), Genetics 121:379-391 (from memory).
    .. [2] Waples (2006), Conservation Genetics 7:167-184 (from memory).

    Examples
    --------
    >>> low, high = chi_square_interval(0.05, 50)
    >>> round(low, 6), round(high, 6)
    (0.035004, 0.077262)
    """
    from scipy.special import gammaincinv

    if mean < 0 or degrees <= 0 or not 0 < level < 1:
        raise ValueRangeError(
            f"chi-square interval: found mean {mean}, degrees of freedom {degrees}, level {level}. Expected a "
            "mean of at least 0, positive degrees of freedom and a level between 0 and 1."
        )
    tail = (1 - level) / 2
    lower_quantile = 2 * float(gammaincinv(degrees / 2, tail))
    upper_quantile = 2 * float(gammaincinv(degrees / 2, 1 - tail))
    low = degrees * mean / upper_quantile
    high = degrees * mean / lower_quantile if lower_quantile > 0 else float("inf")
    return low, high
