"""Swap one fish for another of another kind while mean kinship falls and every rule holds."""

from __future__ import annotations

import numpy as np

from broodstock.arrays import BigIntArray
from planner.optimise.selection.data import SelectionData
from planner.optimise.selection.model import scale_of
from planner.optimise.selection.recheck import breaches

MOST_SWAPS = 2000
MOST_TRIED = 200
LEAST_GAIN = 1e-12


def improved(data: SelectionData, numbers: BigIntArray) -> BigIntArray:
    """Return numbers that no tried swap of one fish makes better.

    Parameters
    ----------
    data : SelectionData
        Kinds and rules.
    numbers : ndarray, int64, shape (n_kinds,)
        Numbers that meet all rules.

    Returns
    -------
    ndarray, int64, shape (n_kinds,)
        Numbers that meet all rules, never worse. Moving a fish from kind i to kind j changes t'Kt + b't by
        ``2 (Kt)_j - 2 (Kt)_i + K_ii + K_jj - 2 K_ij + b_j - b_i`` (families of the kinds); the best
        `MOST_TRIED` moves are tried in order.
    """
    K = data.kinship
    _, linear, _ = scale_of(data)
    of = data.family
    between = np.diag(K)[of][:, None] + np.diag(K)[of][None, :] - 2 * K[np.ix_(of, of)]
    now = numbers.copy()
    for _ in range(MOST_SWAPS):
        slope = (2 * K @ data.family_numbers(now) + linear)[of]
        change = slope[None, :] - slope[:, None] + between
        change[now <= data.least, :] = np.inf
        change[:, now >= data.most] = np.inf
        np.fill_diagonal(change, np.inf)
        flat = change.ravel()
        promising = np.flatnonzero(flat < -LEAST_GAIN)
        if promising.size > MOST_TRIED:
            promising = promising[np.argpartition(flat[promising], MOST_TRIED)[:MOST_TRIED]]
        order = promising[np.argsort(flat[promising], kind="stable")]
        for position in order.tolist():
            i, j = divmod(position, data.n_kinds)
            tried = now.copy()
            tried[i] -= 1
            tried[j] += 1
            if not breaches(data, tried):
                now = tried
                break
        else:
            return now
    return now
