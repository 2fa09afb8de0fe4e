"""Hatch and swim-up dates from water temperature: two models of development, stated as models.

*Base temperature*: development goes on at a rate that rises in a straight line above a base temperature, so that
the degree-days above the base from fertilisation to hatch are constant. *Fitted rate*: the logarithm of the time
falls in a straight line with temperature. Plain degree-days (base 0) are not constant over temperatures. Neither
model holds outside the temperatures it was fitted to.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from broodstock.arrays import FloatArray
from broodstock.errors import UsageError, ValueRangeError
from planner.optimise.season.checking import at_least, numbers

Kind = Literal["base temperature", "fitted rate"]

CHUB_TEMPERATURES = (12.5, 16.5, 20.5)
"""Middles of the temperatures of a published table of hatch times of a chub, C."""
CHUB_FIRST_HOURS = (334.0, 170.0, 99.0)
CHUB_LAST_HOURS = (498.0, 269.0, 174.0)
"""First and last hatch, hours: Hamman (1982), Progressive Fish-Culturist 44:201 (from memory)."""


@dataclass(frozen=True, slots=True)
class DevelopmentModel:
    """Time to hatch at a temperature.

    Parameters
    ----------
    kind : {'base temperature', 'fitted rate'}
    a, b : float
        Base temperature: degree-days above the base to hatch, and the base in C. Fitted rate: logarithm of the
        days at 0 C, and its fall per C.
    low, high : float
        Coldest and warmest temperature fitted to, C.
    error : float or None
        Standard deviation of the logarithm of the observed over the fitted time; None with two temperatures.
    """

    kind: Kind
    a: float
    b: float
    low: float
    high: float
    error: float | None

    def rate(self, temperature: npt.ArrayLike) -> FloatArray:
        """Return the share of the development done in a day at each temperature; 0 at or below the base."""
        t = np.asarray(temperature, dtype=np.float64)
        if self.kind == "base temperature":
            return np.maximum(t - self.b, 0.0) / self.a
        return np.exp(self.b * t - self.a)

    def days(self, temperature: float) -> float | None:
        """Return the days to hatch at a constant temperature; None where there is no development."""
        rate = float(self.rate(temperature))
        return None if rate <= 0 else 1 / rate

    def sentence(self) -> str:
        """Return the model in words."""
        span = f"fitted to {self.low:g} to {self.high:g} C"
        if self.kind == "base temperature":
            return f"{self.a:.1f} degree-days above {self.b:.1f} C from fertilisation to hatch, {span}"
        return f"{np.exp(self.a - self.b * 20):.2f} days at 20 C, {1 - np.exp(-self.b):.1%} shorter per degree, {span}"


def degree_days(temperatures: npt.ArrayLike, base: float = 0.0, hours: float = 24.0) -> float:
    """Return the degree-days above a base of equal steps of time.

    Parameters
    ----------
    temperatures : array_like, float64, shape (n_steps,)
        Water temperature of each step, C.
    base : float
        Temperature from which on degrees count, C.
    hours : float
        Length of a step.

    Raises
    ------
    ValueRangeError
        If a temperature is outside -2 to 45 C, or a step is no time.

    Examples
    --------
    120 hours at 21.1 C:

    >>> degree_days([21.1], hours=120)
    105.5
    """
    t = np.atleast_1d(np.asarray(temperatures, dtype=np.float64))
    t = numbers("water temperature", t, t.shape, -2, 45)
    at_least("length of a step", hours, 0, "hours")
    return float(np.maximum(t - base, 0.0).sum() * hours / 24)


def fit_base_temperature(temperatures: npt.ArrayLike, hours: npt.ArrayLike) -> DevelopmentModel:
    """Fit a base temperature and degree-days to observed times at constant temperatures.

    The rate of development, one over the days, is fitted as a straight line of temperature by least squares;
    it is 0 at the base.

    Parameters
    ----------
    temperatures : array_like, float64, shape (n,)
        Constant temperatures, C.
    hours : array_like, float64, shape (n,)
        Time from fertilisation to hatch.

    Returns
    -------
    DevelopmentModel

    Raises
    ------
    UsageError
        If there are fewer than two different temperatures.
    ShapeError, ValueRangeError
        If the arrays do not fit, a time is not above 0, or the times do not shorten with temperature.
    """
    t, days = _observed(temperatures, hours)
    slope, start = _line(t, 1 / days)
    if slope <= 0:
        raise ValueRangeError(
            "hatch times: found times that do not shorten as the water warms. Expected shorter times in warmer "
            "water. Check temperatures and hours."
        )
    base = -start / slope
    fitted = slope * (t - base)
    if (fitted <= 0).any():
        raise ValueRangeError(
            f"hatch times: found development at {t[fitted <= 0][0]:g} C, below the base {base:.1f} C of the line. "
            "Expected temperatures on which a line fits. Use the fitted rate instead."
        )
    return DevelopmentModel(
        "base temperature", 1 / slope, base, t.min(), t.max(), _error(days, 1 / fitted, t)
    )


def fit_rate(temperatures: npt.ArrayLike, hours: npt.ArrayLike) -> DevelopmentModel:
    """Fit the logarithm of observed times as a straight line of temperature, by least squares.

    Parameters, Returns, Raises
        As `fit_base_temperature`.
    """
    t, days = _observed(temperatures, hours)
    slope, start = _line(t, np.log(days))
    if slope >= 0:
        raise ValueRangeError(
            "hatch times: found times that do not shorten as the water warms. Expected shorter times in warmer "
            "water. Check temperatures and hours."
        )
    return DevelopmentModel(
        "fitted rate", start, -slope, t.min(), t.max(), _error(days, np.exp(start + slope * t), t)
    )


def days_until(model: DevelopmentModel, temperatures: npt.ArrayLike) -> float | None:
    """Return the days until hatch through a course of temperatures.

    Parameters
    ----------
    model : DevelopmentModel
    temperatures : array_like, float64, shape (n_days,)
        Mean temperature of each day from fertilisation on, C.

    Returns
    -------
    float or None
        Days and part of a day; None when development is not complete within the days given.

    Raises
    ------
    ValueRangeError
        If a temperature is outside -2 to 45 C.
    """
    t = np.atleast_1d(np.asarray(temperatures, dtype=np.float64))
    return _reach(model.rate(numbers("water temperature", t, t.shape, -2, 45)), 1.0)


def days_for_degree_days(
    wanted: float, base: float, temperatures: npt.ArrayLike, after: float = 0.0
) -> float | None:
    """Return the days, counted from the first one, until degree-days above a base are reached.

    Parameters
    ----------
    wanted : float
        Degree-days.
    base : float
        C.
    temperatures : array_like, float64, shape (n_days,)
        Mean temperature of each day, C.
    after : float
        Day (and part of a day) from which on they count, for example the hatch.

    Returns
    -------
    float or None
        None when they are not reached within the days given.

    Raises
    ------
    ValueRangeError
        If a number is negative or a temperature outside -2 to 45 C.
    """
    at_least("degree-days", wanted, 0)
    at_least("day from which degree-days count", after, 0)
    t = np.atleast_1d(np.asarray(temperatures, dtype=np.float64))
    gain = np.maximum(numbers("water temperature", t, t.shape, -2, 45) - base, 0.0)
    counted = np.clip(np.arange(1, len(gain) + 1) - after, 0.0, 1.0)
    reached = _reach(gain * counted, wanted)
    if reached is None:
        return None
    day = int(np.ceil(reached)) - 1
    if day >= 0 and 0 < counted[day] < 1:  # the part of the day before `after` passes without gain
        reached = day + (1 - counted[day]) + (reached - day) * counted[day]
    return max(reached, after)


def chub_models() -> tuple[tuple[DevelopmentModel, DevelopmentModel, DevelopmentModel], ...]:
    """Return both models for first, middle and last hatch, fitted to the published table of a chub."""
    middle = tuple((a + b) / 2 for a, b in zip(CHUB_FIRST_HOURS, CHUB_LAST_HOURS, strict=True))
    hours = (CHUB_FIRST_HOURS, middle, CHUB_LAST_HOURS)
    return tuple(
        (fit(CHUB_TEMPERATURES, hours[0]), fit(CHUB_TEMPERATURES, hours[1]), fit(CHUB_TEMPERATURES, hours[2]))
        for fit in (fit_base_temperature, fit_rate)
    )


def _observed(temperatures: npt.ArrayLike, hours: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
    t = np.atleast_1d(np.asarray(temperatures, dtype=np.float64))
    t = numbers("water temperature", t, t.shape, -2, 45)
    h = numbers("hours to hatch", hours, t.shape, 1)
    if len(np.unique(t)) < 2:
        raise UsageError(
            f"hatch times: found {len(np.unique(t))} different temperatures. Expected two or more. Add another one, "
            "or use the published table."
        )
    return t, h / 24


def _line(x: FloatArray, y: FloatArray) -> tuple[float, float]:
    """Return slope and start of the least-squares line."""
    dx = x - x.mean()
    slope = float(dx @ (y - y.mean()) / (dx @ dx))
    return slope, float(y.mean() - slope * x.mean())


def _error(days: FloatArray, fitted: FloatArray, t: FloatArray) -> float | None:
    """Return the residual standard deviation of the logarithm of time, two numbers fitted."""
    if len(np.unique(t)) < 3:
        return None
    wrong = np.log(days / fitted)
    return float(np.sqrt(wrong @ wrong / (len(days) - 2)))


def _reach(gain: FloatArray, wanted: float) -> float | None:
    """Return when the running sum of daily gains reaches a number, days with parts; None if it does not."""
    if wanted <= 0:
        return 0.0
    sums = np.cumsum(gain)
    day = int(np.searchsorted(sums, wanted - 1e-12))
    if day == len(sums):
        return None
    before = float(sums[day - 1]) if day else 0.0
    return day + (wanted - before) / float(gain[day])
