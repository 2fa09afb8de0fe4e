"""Random choices with exact totals."""

from __future__ import annotations

import numpy as np

from broodstock.arrays import BigIntArray, FloatArray


def choose_weighted(rng: np.random.Generator, weights: FloatArray, number: int) -> BigIntArray:
    """Choose positions without repeats, each next one in proportion to its weight.

    Parameters
    ----------
    rng : Generator
        Random numbers.
    weights : ndarray, float64, shape (n,)
        Zero or more; positions of weight 0 are never chosen.
    number : int
        How many.

    Returns
    -------
    ndarray, int64, shape (number,)
        In increasing order.

    Raises
    ------
    ValueError
        If fewer than `number` positions have a weight.

    References
    ----------
    .. [1] Efraimidis & Spirakis 2006, Information Processing Letters 97:181 (exponential keys; from memory).
    """
    can = np.flatnonzero(weights > 0)
    if len(can) < number:
        raise ValueError(f"demo: found {len(can)} to choose from. Expected at least {number}.")
    keys = rng.exponential(size=len(can)) / weights[can]
    chosen: BigIntArray = np.sort(can[np.argsort(keys, kind="stable")[:number]])
    return chosen


def split_total(rng: np.random.Generator, weights: FloatArray, total: int, at_least: int = 0) -> BigIntArray:
    """Split a total over places at random, each place getting at least some.

    Parameters
    ----------
    rng : Generator
        Random numbers.
    weights : ndarray, float64, shape (n,)
        Positive.
    total : int
        What is split.
    at_least : int
        Least number of each place.

    Returns
    -------
    ndarray, int64, shape (n,)
        Whole numbers that add up to `total`.

    Raises
    ------
    ValueError
        If the total is too small.
    """
    rest = total - at_least * len(weights)
    if rest < 0:
        raise ValueError(f"demo: found a total of {total}. Expected at least {at_least * len(weights)}.")
    parts: BigIntArray = at_least + rng.multinomial(rest, weights / weights.sum()).astype(np.int64)
    return parts


def split_in_proportion(weights: FloatArray, total: int) -> BigIntArray:
    """Split a total in proportion to weights, largest remainders first; nothing is random."""
    exact = weights / weights.sum() * total
    parts = np.floor(exact).astype(np.int64)
    rest = total - int(parts.sum())
    parts[np.argsort(-(exact - parts), kind="stable")[:rest]] += 1
    return parts
