"""What a DNA sample says about the number of fish of one family."""

from __future__ import annotations

import math

import numpy as np

from broodstock.arrays import BigIntArray, FloatArray


def log_likelihood(typed: float, there: BigIntArray, share: float, by_error: float) -> FloatArray:
    """Return the log likelihood of the fish typed as one family, for each number that may be there.

    Parameters
    ----------
    typed : float
        Fish typed as this family; rounded to whole fish.
    there : ndarray, int64, shape (n_particles,)
        Fish of the family in the pool.
    share : float
        Chance that a fish is sampled and typed right, 0 to 1.
    by_error : float
        Fish of other families expected to be typed as this one.

    Returns
    -------
    ndarray, float64, shape (n_particles,)
        Of the sum of a binomial number of right fish and a Poisson number of wrong ones, up to a constant;
        minus infinity where impossible.

    Notes
    -----
    Binomial samples of each family, given how many were sampled together, are the multivariate hypergeometric
    sample without replacement.
    """
    x = round(typed)
    values, place = np.unique(there, return_inverse=True)
    n = values.astype(np.float64)
    share = min(max(share, 1e-12), 1.0)
    log_p, log_q = math.log(share), math.log1p(-share) if share < 1.0 else -math.inf
    wrong = math.log(by_error) if by_error > 0 else -math.inf
    out = np.full(len(values), -np.inf)
    for right in range(x + 1):
        k = x - right
        if k and wrong == -math.inf:
            continue
        can = n >= right
        if not can.any():
            break
        m = n[can]
        rest = m - right
        term = _log_factorial(m) - _log_factorial(rest) - math.lgamma(right + 1) + right * log_p
        term = term + np.where(rest > 0, rest * log_q if log_q > -math.inf else -np.inf, 0.0)
        term = term + (k * wrong if k else 0.0) - by_error - math.lgamma(k + 1)
        out[can] = np.logaddexp(out[can], term)
    return out[place.reshape(-1)]


def _log_factorial(x: FloatArray) -> FloatArray:
    from scipy.special import gammaln

    out: FloatArray = gammaln(x + 1.0)
    return out


def systematic_ancestors(weight: FloatArray, rng: np.random.Generator) -> BigIntArray:
    """Return the particle each new particle copies: systematic resampling, in random order.

    Parameters
    ----------
    weight : ndarray, float64, shape (n_particles,)
        0 or more, not all 0.
    rng : Generator
        Random numbers.

    Returns
    -------
    ndarray, int64, shape (n_particles,)
        Each particle is copied within one of its expected number of times [1]_.

    References
    ----------
    .. [1] Kitagawa G (1996) Monte Carlo filter and smoother for non-Gaussian nonlinear state space models. Journal
       of Computational and Graphical Statistics 5:1-25.
    """
    n = len(weight)
    ends = np.cumsum(weight / weight.sum())
    ends[-1] = 1.0
    points = (rng.random() + np.arange(n)) / n
    return rng.permutation(np.searchsorted(ends, points, side="right").clip(max=n - 1)).astype(np.int64)


def tail_chance(x: float, mean: float) -> float:
    """Return the chance that a Poisson number of this mean is `x` or more."""
    if x <= 0:
        return 1.0
    if mean <= 0:
        return 0.0
    term, below = math.exp(-mean), 0.0
    for k in range(round(x)):
        below += term
        term *= mean / (k + 1)
    return max(1.0 - below, 0.0)
