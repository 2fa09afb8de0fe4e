"""Tangent cuts for the kinship terms.

u^2 / N is jointly convex in (u, N); its tangent at the ratio q = u / N is 2 q u - q^2 N, which lies below
u^2 / N everywhere, because u^2 / N - 2 q u + q^2 N = (u - q N)^2 / N. Totals may therefore vary and the
bound stays valid (outer approximation: Duran & Grossmann 1986, Mathematical Programming 36, 307-339, from
memory).
"""

from __future__ import annotations

import numpy as np

from broodstock.arrays import FloatArray
from planner.optimise.release.build import Cut, KinshipColumns

RELATIVE_VIOLATION = 1e-6
"""A cut is added where the column lies below the true square by more than this share of the objective,
divided by the number of squares."""


def violated_cuts(columns: KinshipColumns, x: FloatArray, value: float) -> list[Cut]:
    """Return the tangents at a point that the point itself violates.

    Parameters
    ----------
    columns : KinshipColumns
        Where the terms stand.
    x : ndarray, float64, shape (n_columns,)
        The point.
    value : float
        True objective at the point, which sets what violation matters.

    Returns
    -------
    list of Cut
        One per block and direction that matters.
    """
    total = x[columns.total]
    along = x[columns.along]
    alive = total > 1e-9
    ratio = np.where(alive[:, None], along / np.where(alive, total, 1.0)[:, None], 0.0)
    missing = (ratio * along - x[columns.squared]) * columns.weight[:, None]
    matters = missing > RELATIVE_VIOLATION * max(abs(value), 1e-12) / max(missing.size, 1)
    return [Cut(int(b), int(k), float(ratio[b, k])) for b, k in np.argwhere(matters)]
