"""Does the length in hand fit a fish measured before? Growth towards a largest length, with its spread."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from broodstock.arrays import FloatArray
from broodstock.errors import ShapeError, ValueRangeError


@dataclass(frozen=True)
class GrowthModel:
    """Growth of a fish between two measurements.

    Parameters
    ----------
    largest_mm : float
        Length that growth tends to, mm.
    per_year : float
        Share of the way left that is grown in a year, as an exponential rate.
    measure_sd_mm : float
        Standard deviation of one measurement, mm.
    growth_cv : float
        Standard deviation of the growth between two fish, as a share of the expected growth.
    odd_share : float
        Share of measurements that have nothing to do with the earlier one (wrong unit, wrong length type).

    Raises
    ------
    ValueRangeError
        If a number is not positive, or the odd share is not from 0 to below 1.
    """

    largest_mm: float = 575.0
    per_year: float = 0.6
    measure_sd_mm: float = 6.0
    growth_cv: float = 0.35
    odd_share: float = 0.02

    def __post_init__(self) -> None:
        for name in ("largest_mm", "per_year", "measure_sd_mm", "growth_cv"):
            if not getattr(self, name) > 0:
                raise ValueRangeError(
                    f"growth, {name}: found {getattr(self, name)}. Expected a number above 0. Correct it."
                )
        if not 0 <= self.odd_share < 1:
            raise ValueRangeError(
                f"growth, odd_share: found {self.odd_share}. Expected a share from 0 to below 1. Correct it."
            )


def expected_length(before_mm: FloatArray, years: FloatArray, model: GrowthModel) -> FloatArray:
    """Return the expected length after some years, mm; a fish longer than the largest length does not grow.

    Parameters
    ----------
    before_mm, years : ndarray, float64, shape (n_fish,)
        Earlier length, and years since; negative years look back in time.
    model : GrowthModel
        Parameters.

    References
    ----------
    .. [1] Fabens (1965), Growth 29:265-289: increments of the von Bertalanffy curve (from memory).

    Examples
    --------
    >>> expected_length(np.array([300.0]), np.array([1.0]), GrowthModel(500.0, np.log(2))).tolist()
    [400.0]
    """
    room = np.maximum(model.largest_mm - before_mm, 0.0)
    grown: FloatArray = before_mm + room * -np.expm1(-model.per_year * years)
    return grown


def log_length_density(
    length_mm: float,
    before_mm: FloatArray,
    years: FloatArray,
    model: GrowthModel,
    any_mean_mm: float,
    any_sd_mm: float,
) -> tuple[FloatArray, float]:
    """Return the logarithm of the density of a length for each fish, and for a fish of which nothing is known.

    Parameters
    ----------
    length_mm : float
        Length in hand, of the same kind as the earlier ones.
    before_mm, years : ndarray, float64, shape (n_fish,)
        Earlier length (NaN if none) and years since.
    model : GrowthModel
        Parameters.
    any_mean_mm, any_sd_mm : float
        Mean and standard deviation of the lengths of all fish handled.

    Returns
    -------
    ndarray, float64, shape (n_fish,), and float
        Normal density about the expected length, mixed with the odd share of the density of all fish; a fish never
        measured has the density of all fish.

    Raises
    ------
    ShapeError
        If the two arrays differ in shape.
    ValueRangeError
        If the length or the standard deviation is not positive.
    """
    if before_mm.shape != years.shape:
        raise ShapeError(
            f"lengths: found shapes {before_mm.shape} and {years.shape}. Expected one number per fish in both."
        )
    if not length_mm > 0 or not any_sd_mm > 0:
        raise ValueRangeError(
            f"length: found {length_mm} mm with a spread of {any_sd_mm} mm. Expected numbers above 0. Correct them."
        )
    known = np.isfinite(before_mm) & np.isfinite(years)
    start = np.where(known, before_mm, any_mean_mm)
    span = np.where(known, years, 0.0)
    mean = expected_length(start, span, model)
    grown = np.abs(mean - start)
    sd = np.sqrt(2 * model.measure_sd_mm**2 + (model.growth_cv * grown) ** 2)
    anyone = _normal(length_mm, np.asarray(any_mean_mm), np.asarray(any_sd_mm))
    own = (1 - model.odd_share) * _normal(length_mm, mean, sd) + model.odd_share * anyone
    density = np.where(known, own, anyone)
    tiny = np.finfo(float).tiny
    return np.log(np.maximum(density, tiny)), float(np.log(np.maximum(anyone, tiny)))


def _normal(x: float, mean: np.ndarray, sd: np.ndarray) -> FloatArray:
    z = np.minimum(np.abs((x - mean) / sd), 37.0)
    density: FloatArray = np.exp(-0.5 * z**2) / (sd * np.sqrt(2 * np.pi))
    return density
