"""Control of the false discovery rate over many tests."""

from __future__ import annotations

import numpy as np

from broodstock.arrays import FloatArray
from broodstock.errors import ValueRangeError


def benjamini_hochberg(p_values: FloatArray) -> FloatArray:
    """Adjust p-values so that calling those at or below a level keeps the false discovery rate there.

    Parameters
    ----------
    p_values : ndarray, float64, shape (n_tests,)
        Probabilities from 0 to 1.

    Returns
    -------
    ndarray, float64, shape (n_tests,)
        Adjusted values: the smallest over larger p-values of p times n_tests divided by its rank, at most 1.

    Raises
    ------
    ValueRangeError
        If a p-value is NaN or outside 0 to 1.

    References
    ----------
    .. [1] Benjamini & Hochberg (1995), Journal of the Royal Statistical Society B 57, 289-300.
    """
    p = np.asarray(p_values, dtype=np.float64)
    if p.size == 0:
        return p.copy()
    if not ((p >= 0) & (p <= 1)).all():
        raise ValueRangeError("p-values: found a value outside 0 to 1. Expected probabilities.")
    order = np.argsort(p, kind="stable")
    scaled = p[order] * p.size / np.arange(1, p.size + 1)
    adjusted = np.empty_like(p)
    adjusted[order] = np.minimum(np.minimum.accumulate(scaled[::-1])[::-1], 1.0)
    return adjusted
