"""Candidates that can have bred when an offspring was spawned."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from broodstock.arrays import BoolArray
from broodstock.errors import ShapeError


def eligible_by_age(
    offspring_years: Sequence[int | None],
    candidate_years: Sequence[int | None],
    min_age: int | Sequence[int] = 1,
    last_years: Sequence[int | None] | None = None,
) -> BoolArray:
    """Which candidates were old enough, and still alive, when an offspring was spawned.

    Parameters
    ----------
    offspring_years, candidate_years : sequence of int or None
        Year class; None if unknown (never excluded).
    min_age : int or sequence of int
        Youngest age in years at which a fish breeds, one for all or one per candidate.
    last_years : sequence of int or None, optional
        Last year in which each candidate can have bred (frozen milt counts as alive). None: no limit.

    Returns
    -------
    ndarray, bool, shape (n_offspring, n_candidates)

    Raises
    ------
    ShapeError
        If the lists about candidates differ in length.
    """
    n = len(candidate_years)
    ages = [min_age] * n if isinstance(min_age, int) else list(min_age)
    lasts = [None] * n if last_years is None else list(last_years)
    if len(ages) != n or len(lasts) != n:
        raise ShapeError(
            f"candidates: found {n} year classes, {len(ages)} ages and {len(lasts)} last years. Expected equal lists."
        )
    unknown = math.inf
    born = np.array([-unknown if y is None else y for y in candidate_years], dtype=np.float64)
    gone = np.array([unknown if y is None else y for y in lasts], dtype=np.float64)
    first = born + np.array(ages, dtype=np.float64)
    mask = np.ones((len(offspring_years), n), dtype=np.bool_)
    for i, year in enumerate(offspring_years):
        if year is not None:
            mask[i] = (first <= year) & (year <= gone)
    return mask
