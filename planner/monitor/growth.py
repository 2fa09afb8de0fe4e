"""Growth from marked fish met again: von Bertalanffy's curve by increments (Fabens), with variation between fish.

A fish of length L1 measured again after t years has grown by (A - L1)(1 - exp(-K t)), A its asymptote and K the rate
(Fabens 1965, Growth 29:265, from memory). Asymptotes differ between fish: A = Linf + a, a normal with a standard
deviation; increments of fish measured over a long span then vary more than those over a short span, and measuring has
an error at both ends. All are fitted together by maximum likelihood. Fabens' form takes L1 as given although it holds
a measuring error, which raises Linf a little; with the error of a few mm and spans of a year it is far below the
standard error.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from broodstock.arrays import FloatArray
from broodstock.errors import ShapeError, ValueRangeError
from broodstock.estimates import Estimate

FEWEST = 8
"""Fewest pairs of measurements for a fit."""
METHOD = (
    "increments of marked fish (Fabens 1965), maximum likelihood with variation between fish, Wald interval"
)


@dataclass(frozen=True)
class GrowthFit:
    """Growth of a group of fish.

    Parameters
    ----------
    asymptote : Estimate
        Mean length at which growth ends, mm.
    rate : Estimate
        K per year.
    asymptote_spread : Estimate
        Standard deviation of the asymptote between fish, mm.
    error : Estimate
        Standard deviation of a residual that does not depend on time (measuring, season), mm.
    covariance : ndarray, float64, shape (2, 2)
        Of asymptote and log rate.
    pearson : Estimate
        Mean squared standardised residual, 1 when the fit is right.
    sentence : str
        What the goodness of fit says.
    """

    asymptote: Estimate
    rate: Estimate
    asymptote_spread: Estimate
    error: Estimate
    covariance: FloatArray
    pearson: Estimate
    sentence: str

    def length_after(self, length_mm: float, years: float) -> Estimate:
        """Return the expected mean length of fish some years after a length was measured (delta method)."""
        if self.asymptote.value is None or self.rate.value is None:
            return Estimate.not_estimable(self.asymptote.reason, METHOD)
        a, k = self.asymptote.value, self.rate.value
        decay = math.exp(-k * years)
        value = a - (a - length_mm) * decay
        slope = np.array([1.0 - decay, (a - length_mm) * decay * k * years])
        se = math.sqrt(max(float(slope @ self.covariance @ slope), 0.0))
        z = _z(self.asymptote.level)
        return Estimate(
            value, value - z * se, value + z * se, METHOD, self.asymptote.n_used, "pairs of lengths"
        )

    def monthly(self, length_mm: float) -> Estimate:
        """Return growth in the next month of a fish of a length, mm."""
        after = self.length_after(length_mm, 1.0 / 12.0)
        if after.value is None or after.low is None or after.high is None:
            return after
        return Estimate(
            after.value - length_mm,
            after.low - length_mm,
            after.high - length_mm,
            METHOD,
            after.n_used,
            after.unit_used,
        )


def fit_growth(
    first_mm: FloatArray, second_mm: FloatArray, years: FloatArray, level: float = 0.95
) -> GrowthFit:
    """Fit growth increments.

    Parameters
    ----------
    first_mm, second_mm : ndarray, float64, shape (n,)
        Total lengths of the same fish, mm.
    years : ndarray, float64, shape (n,)
        Years between, above 0.
    level : float
        Coverage of intervals.

    Returns
    -------
    GrowthFit
        Not estimable with fewer than 8 pairs, spans that are all very short, or fish that did not grow.

    Raises
    ------
    ShapeError
        If the arrays differ in length.
    ValueRangeError
        If a span is 0 or less, or a length is not a number.
    """
    from scipy.optimize import minimize

    if not len(first_mm) == len(second_mm) == len(years):
        raise ShapeError(
            "growth: found columns of different length. Expected both lengths and the span of each pair."
        )
    if len(years) and not (
        np.isfinite(first_mm).all() and np.isfinite(second_mm).all() and (years > 0).all()
    ):
        raise ValueRangeError(
            "growth: found a span of 0 or less, or a length that is no number. Leave the pair out."
        )
    n = len(years)
    if n < FEWEST:
        return _none(f"{n} pairs of lengths of the same fish, fewer than {FEWEST}", n)
    if float(years.max()) < 0.15:
        return _none("no fish was measured again after more than 8 weeks", n)
    grown = second_mm - first_mm
    if float(np.median(grown[years > 0.15] if (years > 0.15).any() else grown)) <= 0:
        return _none("the median fish did not grow between its two lengths", n)

    def loss(theta: FloatArray) -> tuple[float, FloatArray]:
        a, k, s, e = theta[0], math.exp(theta[1]), math.exp(theta[2]), math.exp(theta[3])
        decay = np.exp(-k * years)
        share = 1.0 - decay
        residual = grown - (a - first_mm) * share
        variance = (s * share) ** 2 + e**2
        z2 = residual**2 / variance
        value = 0.5 * float((np.log(variance) + z2).sum())
        by_mean = -residual / variance
        by_variance = 0.5 * (1.0 - z2) / variance
        share_k = years * decay * k
        gradient = np.array(
            [
                float((by_mean * share).sum()),
                float((by_mean * (a - first_mm) * share_k + by_variance * 2 * s**2 * share * share_k).sum()),
                float((by_variance * 2 * (s * share) ** 2).sum()),
                float((by_variance * 2 * e**2).sum()),
            ]
        )
        # Weak hold on the two spreads (logarithm, standard deviation 1.5) so that neither runs to 0.
        pull = (theta[2:] - np.log([20.0, 5.0])) / 1.5
        value += 0.5 * float(pull @ pull)
        gradient[2:] += pull / 1.5
        return value, gradient

    longest = float(second_mm.max())
    start = np.array([longest, math.log(0.5), math.log(20.0), math.log(5.0)])
    bounds = [(float(first_mm.min()), 3 * longest), (math.log(0.005), math.log(20.0)), (-3, 6), (-3, 5)]
    best = min(
        (
            minimize(
                loss,
                np.array([start[0], math.log(k), *start[2:]]),
                jac=True,
                method="L-BFGS-B",
                bounds=bounds,
            )
            for k in (0.1, 0.4, 1.2)
        ),
        key=lambda r: float(r.fun),
    )
    theta = np.asarray(best.x)
    if theta[0] >= 2.99 * longest or theta[1] <= math.log(0.0051):
        return _none("growth hardly slows in these lengths, so the final length cannot be told", n)
    if theta[1] >= math.log(19.9):
        return _none("fish were full-grown at their first length, so the rate cannot be told", n)
    hessian = np.empty((4, 4))
    for i in range(4):
        step = 1e-4 * max(abs(float(theta[i])), 1.0)
        up, down = theta.copy(), theta.copy()
        up[i] += step
        down[i] -= step
        hessian[i] = (loss(up)[1] - loss(down)[1]) / (2 * step)
    hessian = 0.5 * (hessian + hessian.T)
    if float(np.linalg.eigvalsh(hessian)[0]) <= 0:
        return _none("the likelihood has no clear maximum", n)
    covariance = np.linalg.inv(hessian)
    z = _z(level)
    se = np.sqrt(np.diag(covariance))
    a = float(theta[0])
    k, s, e = (float(x) for x in np.exp(theta[1:]))
    share = 1.0 - np.exp(-k * years)
    standard = (grown - (a - first_mm) * share) / np.sqrt((s * share) ** 2 + e**2)
    pearson = float((standard**2).sum()) / max(n - 4, 1)

    def log_estimate(at: int, value: float) -> Estimate:
        half = z * float(se[at])
        return Estimate(
            value, value * math.exp(-half), value * math.exp(half), METHOD, n, "pairs of lengths", level
        )

    far = int((np.abs(standard) > 4).sum())
    words = f"Mean squared standardised residual {pearson:.2f} (1 when right); {far} of {n} pairs lie more than 4 spreads off"
    words += ": look at their tags and units of length." if far else "."
    return GrowthFit(
        Estimate(float(a), float(a - z * se[0]), float(a + z * se[0]), METHOD, n, "pairs of lengths", level),
        log_estimate(1, float(k)),
        log_estimate(2, float(s)),
        log_estimate(3, float(e)),
        covariance[:2, :2],
        Estimate(
            pearson, None, None, "Pearson statistic per degree of freedom", n, "pairs of lengths", level
        ),
        words,
    )


def _none(reason: str, n: int) -> GrowthFit:
    empty = Estimate.not_estimable(reason, METHOD, n, "pairs of lengths")
    return GrowthFit(empty, empty, empty, empty, np.zeros((2, 2)), empty, f"Not fitted: {reason}.")


def _z(level: float) -> float:
    from scipy.stats import norm

    return float(norm.ppf(0.5 + level / 2))
