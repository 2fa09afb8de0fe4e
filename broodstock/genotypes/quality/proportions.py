"""Shares with their interval."""

from __future__ import annotations

from broodstock.estimates import Estimate


def binomial_share(successes: int, trials: int, what: str, unit: str, level: float = 0.95) -> Estimate:
    """Return a share with its exact binomial interval (Clopper & Pearson 1934).

    Parameters
    ----------
    successes, trials : int
        Counts.
    what, unit : str
        Words for the method line and for `Estimate.unit_used`.
    level : float
        Coverage of the interval.

    Returns
    -------
    Estimate
        Not estimable without trials.
    """
    from scipy.special import betaincinv

    method = f"{what}; exact binomial interval"
    if trials == 0:
        return Estimate.not_estimable(f"there are no {unit} to count", method, 0, unit)
    tail = (1 - level) / 2
    k, n = successes, trials
    low = 0.0 if k == 0 else float(betaincinv(k, n - k + 1, tail))
    high = 1.0 if k == n else float(betaincinv(k + 1, n - k, 1 - tail))
    return Estimate(k / n, low, high, method, n, unit, level)
