"""What survival curves are fitted to: the curves wanted, those in use, and rows of released fish."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from broodstock.arrays import BigIntArray, FloatArray
from broodstock.errors import ShapeError, ValueRangeError

REFERENCE_MM = 350.0
"""Length at which intercepts are compared; the standard error of a curve of the records holds at it."""
UNIT_MM = 50.0


@dataclass(frozen=True)
class CurveCells:
    """The curves wanted, with those in use.

    Parameters
    ----------
    names : tuple of (str, str)
        Water and season.
    kind : ndarray, int64, shape (n_cells,)
        Kind of water.
    intercept, slope : ndarray, float64, shape (n_cells,)
        Curve in use: logit of survival is ``intercept + slope x length in mm``.
    kind_sd : ndarray, float64, shape (n_kinds,)
        Standard error of the curves in use at 350 mm, by kind of water.
    slope_sd : float
        Standard deviation of the programme's deviation in slope, logit per 50 mm.
    """

    names: tuple[tuple[str, str], ...]
    kind: BigIntArray
    intercept: FloatArray
    slope: FloatArray
    kind_sd: FloatArray
    slope_sd: float = 0.25

    def __post_init__(self) -> None:
        n = len(self.names)
        for name in ("kind", "intercept", "slope"):
            if len(getattr(self, name)) != n:
                raise ShapeError(
                    f"{name}: found {len(getattr(self, name))} values. Expected {n}, one per cell."
                )
        if not (self.kind_sd > 0).all() or not self.slope_sd > 0:
            raise ValueRangeError("curves in use: found a standard error of 0 or less. Expected more than 0.")


@dataclass(frozen=True)
class ReleasedFish:
    """Released fish in rows of like fish.

    Parameters
    ----------
    cell : ndarray, int64, shape (n_rows,)
        Cell of release.
    length_mm : ndarray, float64, shape (n_rows,)
        Total length at release, mm.
    cohort : ndarray, int64, shape (n_rows,)
        Cohort of the yearly windows; -1 where the fate is known for certain.
    number, met : ndarray, int64, shape (n_rows,)
        Fish, and those met a year or more after release (or known alive then).
    """

    cell: BigIntArray
    length_mm: FloatArray
    cohort: BigIntArray
    number: BigIntArray
    met: BigIntArray

    def __post_init__(self) -> None:
        n = len(self.cell)
        for name in ("length_mm", "cohort", "number", "met"):
            if len(getattr(self, name)) != n:
                raise ShapeError(
                    f"{name}: found {len(getattr(self, name))} values. Expected {n}, one per row."
                )
        if ((self.met < 0) | (self.met > self.number)).any():
            raise ValueRangeError(
                "released fish: found more fish met than released in a row. Expected 0 to the number released. "
                "Look for tags read twice."
            )
        if not np.isfinite(self.length_mm).all():
            raise ValueRangeError("released fish: found a length that is not a number. Leave the fish out.")

    @classmethod
    def gathered(
        cls,
        cell: BigIntArray,
        length_mm: FloatArray,
        cohort: BigIntArray,
        met: np.ndarray,
        step_mm: float = 5.0,
    ) -> ReleasedFish:
        """Put fish of one cell, cohort and length class of `step_mm` together at their mean length."""
        key = np.stack([cell, cohort, np.floor(length_mm / step_mm).astype(np.int64)], axis=1)
        groups, inverse = np.unique(key, axis=0, return_inverse=True)
        at = inverse.ravel()
        n = np.bincount(at, minlength=len(groups))
        mean = np.bincount(at, weights=length_mm, minlength=len(groups)) / np.maximum(n, 1)
        hit = np.bincount(at, weights=met.astype(float), minlength=len(groups)).astype(np.int64)
        return cls(groups[:, 0], mean, groups[:, 1], n.astype(np.int64), hit)
