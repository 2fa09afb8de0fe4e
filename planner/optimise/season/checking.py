"""Refuse numbers that make no sense, in one way for the whole package."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from broodstock.arrays import FloatArray
from broodstock.errors import ShapeError, ValueRangeError


def share(where: str, value: float) -> float:
    """Return a chance or share.

    Raises
    ------
    ValueRangeError
        If it is not from 0 to 1.
    """
    if not 0 <= value <= 1:
        raise ValueRangeError(f"{where}: found {value}. Expected a share from 0 to 1. Correct it.")
    return float(value)


def at_least(where: str, value: float, least: float, what: str = "a number") -> float:
    """Return a number that is not too small.

    Raises
    ------
    ValueRangeError
        If it is below `least`, infinite or not a number.
    """
    if not (np.isfinite(value) and value >= least):
        raise ValueRangeError(f"{where}: found {value}. Expected {what}, {least:g} or more. Correct it.")
    return float(value)


def numbers(
    where: str, values: npt.ArrayLike, shape: tuple[int, ...], low: float = 0.0, high: float = np.inf
) -> FloatArray:
    """Return an array of numbers in a range.

    Raises
    ------
    ShapeError
        If it has another shape.
    ValueRangeError
        If a number is outside the range or not a number.
    """
    array = np.asarray(values, dtype=np.float64)
    if array.shape != shape:
        raise ShapeError(f"{where}: found shape {array.shape}. Expected {shape}.")
    wrong = ~((array >= low) & (array <= high))  # true for NaN
    if wrong.any():
        place = ", ".join(str(i) for i in np.argwhere(wrong)[0])
        found = array[wrong][0]
        upper = "more" if np.isinf(high) else f"at most {high:g}"
        raise ValueRangeError(f"{where} [{place}]: found {found}. Expected {low:g} to {upper}. Correct it.")
    return array
