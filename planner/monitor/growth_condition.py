"""Condition and weight against length.

Fulton's condition K = 100 000 W / L^3 with W in g and L in mm. The weight-length line is fitted on logarithms, log W =
log a + b log L; turned back, exp of the mean of a logarithm is the median weight, not the mean: the mean is larger by
exp(s^2 / 2), s the residual standard deviation (Baskerville 1972, Can. J. For. Res. 2:49; Sprugel 1983, Ecology
64:209; both from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from broodstock.arrays import FloatArray
from broodstock.errors import ShapeError, ValueRangeError
from broodstock.estimates import Estimate

FEWEST = 5
FULTON = "Fulton's K, mean and t interval"
LINE = "least squares on logarithms, t interval"


@dataclass(frozen=True)
class WeightLength:
    """Weight against length.

    Parameters
    ----------
    log_a : Estimate
        Intercept on the natural logarithm, g and mm.
    b : Estimate
        Power of length.
    residual_sd : float
        Residual standard deviation of the logarithm, 0 when not estimable.
    back_transform : float
        Factor exp(s^2 / 2) from the median to the mean weight.
    """

    log_a: Estimate
    b: Estimate
    residual_sd: float
    back_transform: float

    def mean_weight(self, length_mm: float) -> float:
        """Return the mean weight in g of fish of a length, the back-transform bias corrected.

        Raises
        ------
        ValueRangeError
            If the line is not estimable.
        """
        if self.log_a.value is None or self.b.value is None:
            raise ValueRangeError(f"weight from length: {self.log_a.reason}. Weigh more fish.")
        return math.exp(self.log_a.value + self.b.value * math.log(length_mm)) * self.back_transform


def fulton_condition(length_mm: FloatArray, weight_g: FloatArray) -> FloatArray:
    """Return Fulton's condition of each fish, shape (n,).

    Raises
    ------
    ShapeError
        If the arrays differ in length.
    ValueRangeError
        If a length or weight is 0, negative or not a number.
    """
    _check(length_mm, weight_g)
    return np.asarray(1e5 * weight_g / length_mm**3)


def mean_condition(length_mm: FloatArray, weight_g: FloatArray, level: float = 0.95) -> Estimate:
    """Return mean condition with its interval; errors as in `fulton_condition`."""
    from scipy.stats import t

    k = fulton_condition(length_mm, weight_g)
    n = len(k)
    if n < FEWEST:
        return Estimate.not_estimable(f"{n} fish with length and weight, fewer than {FEWEST}", FULTON, n)
    half = float(t.ppf(0.5 + level / 2, n - 1)) * float(k.std(ddof=1)) / math.sqrt(n)
    mean = float(k.mean())
    return Estimate(mean, mean - half, mean + half, FULTON, n, level=level)


def weight_length(length_mm: FloatArray, weight_g: FloatArray, level: float = 0.95) -> WeightLength:
    """Fit weight against length; errors as in `fulton_condition`."""
    from scipy.stats import t

    _check(length_mm, weight_g)
    n = len(length_mm)
    spread = float(np.log(length_mm).std()) if n else 0.0
    if n < FEWEST or spread < 1e-6:
        why = f"{n} fish, fewer than {FEWEST}" if n < FEWEST else "all fish are of one length"
        none = Estimate.not_estimable(why, LINE, n)
        return WeightLength(none, none, 0.0, 1.0)
    x, y = np.log(length_mm), np.log(weight_g)
    design = np.column_stack([np.ones(n), x])
    inverse = np.linalg.inv(design.T @ design)
    line = inverse @ (design.T @ y)
    s2 = float(((y - design @ line) ** 2).sum()) / (n - 2)
    half = float(t.ppf(0.5 + level / 2, n - 2)) * np.sqrt(s2 * np.diag(inverse))
    log_a, b = (
        Estimate(float(line[i]), float(line[i] - half[i]), float(line[i] + half[i]), LINE, n, level=level)
        for i in (0, 1)
    )
    return WeightLength(log_a, b, math.sqrt(s2), math.exp(s2 / 2))


def _check(length_mm: FloatArray, weight_g: FloatArray) -> None:
    if len(length_mm) != len(weight_g):
        raise ShapeError(
            f"condition: found {len(length_mm)} lengths and {len(weight_g)} weights. Expected as many."
        )
    good = np.isfinite(length_mm) & np.isfinite(weight_g) & (length_mm > 0) & (weight_g > 0)
    if not good.all():
        raise ValueRangeError(
            f"condition, fish {int(np.flatnonzero(~good)[0])}: found a length or weight that is empty, 0 or negative. "
            "Leave the fish out."
        )
