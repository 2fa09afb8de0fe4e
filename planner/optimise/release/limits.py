"""Limits on columns that follow from the survivors a plan must reach.

Let v be the survivors of each column, low <= Ax <= high the rules and y any prices of them. With d = v + A'y every
plan x has v'x <= U(y) = sum_j max(d_j l_j, d_j h_j) - sum_i (y_i low_i where y_i > 0, y_i high_i where y_i < 0), and
one in which column j lies t away from the end of its range that d_j favours has v'x <= U(y) - |d_j| t. A plan that
reaches the floor f therefore has t <= (U(y) - f) / |d_j| (reduced cost fixing: Crowder, Johnson & Padberg 1983,
Operations Research 31, 803-834, from memory). Near the most survivors U(y) - f is close to 0 and most columns are fixed. Any y is valid: prices a solver
got slightly wrong give slightly wider limits, never wrong ones.
"""

from __future__ import annotations

import numpy as np

from broodstock.arrays import FloatArray
from planner.optimise.release.frame import NONE, Frame

MARGIN = 1e-6
"""Survivors added to U(y) - f for rounding errors of the arithmetic."""

LEAST_COST = 1e-9
"""A column that earns or costs less per unit than this keeps its limits."""

FLOOR_CODE = "survivors"


def priced_rules(frame: Frame, prices: FloatArray) -> FloatArray:
    """Return the prices of the rows that do not themselves demand survivors, shape (n_priced,)."""
    kept = [r.code != FLOOR_CODE for r in frame.model.rows]
    return np.asarray(prices[np.array(kept, dtype=np.bool_)], dtype=np.float64)


def limit_by_survivors(frame: Frame, prices: FloatArray) -> bool:
    """Narrow the columns of a frame to what its floor of survivors leaves.

    Parameters
    ----------
    frame : Frame
        Columns with all rules and a `Frame.survivors_floor`; its limits are changed in place.
    prices : ndarray, float64, shape (n_priced,)
        Prices of the rows in order, those that demand survivors left out (`priced_rules`).

    Returns
    -------
    bool
        False when the prices do not fit the rows; nothing is changed then.
    """
    model, data = frame.model, frame.data
    rows = [r for r in model.rows if r.code != FLOOR_CODE]
    if len(prices) != len(rows) or not np.isfinite(prices).all():
        return False
    # A price above 0 pays for the lower limit of its row and so costs survivors: v'x <= v'x - y (low - Ax).
    low = np.array([r.low for r in rows], dtype=np.float64)
    high = np.array([r.high for r in rows], dtype=np.float64)
    ends = np.where(prices > 0, low, high)
    y = np.where(np.isfinite(ends), prices, 0.0)
    used = frame.fish != NONE
    earns = np.zeros(model.n_columns)
    earns[frame.fish[used]] = data.survival[used]
    for one, price in zip(rows, y.tolist(), strict=True):
        if price:
            earns[one.columns] += price * one.factors
    least, most = np.array(model.low), np.array(model.high)
    paid = y != 0
    ceiling = float(np.maximum(earns * least, earns * most).sum() - y[paid] @ ends[paid])
    room = max(ceiling - frame.survivors_floor, 0.0) + MARGIN
    moves = np.abs(earns) > LEAST_COST
    far = np.full(model.n_columns, np.inf)
    far[moves] = room / np.abs(earns[moves])
    whole = np.array(model.whole, dtype=np.bool_)
    far[whole] = np.floor(far[whole])
    model.high = np.where(earns < 0, np.minimum(most, least + far), most).tolist()
    model.low = np.where(earns > 0, np.maximum(least, most - far), least).tolist()
    return True
