"""Choose crosses inside a projection: least mean kinship by greedy choice and exchange, equal use, or by lot."""

from __future__ import annotations

import numpy as np
from numba import njit

from broodstock.arrays import BigIntArray, BoolArray, FloatArray

ABOVE_LIMIT = 10.0
REPEATED = 100.0


@njit(cache=True, nogil=True)
def _add_one(
    K: FloatArray, flow: FloatArray, c: BigIntArray, fits: BoolArray, square: float, linear: FloatArray
) -> int:
    best, value = -1, np.inf
    for i in range(c.size):
        if fits[i]:
            rise = square * (2 * flow[i] + K[i, i]) + linear[i]
            if rise < value - 1e-15:
                best, value = i, rise
    if best >= 0:
        c[best] += 1
        for j in range(c.size):
            flow[j] += K[best, j]
    return best


@njit(cache=True, nogil=True)
def _uses(
    K: FloatArray, female: BoolArray, most: BigIntArray, dishes: int, square: float, linear: FloatArray
) -> BigIntArray:
    n = female.size
    c = np.zeros(n, np.int64)
    flow = np.zeros(n)
    fits = np.zeros(n, np.bool_)
    for _ in range(dishes):
        for sex in range(2):
            for i in range(n):
                fits[i] = female[i] == (sex == 0) and c[i] < most[i]
            _add_one(K, flow, c, fits, square, linear)
    for _ in range(20 * n):  # exchange single uses within a sex while that lowers the goal
        out, back, best = -1, -1, -1e-12
        for i in range(n):
            if c[i] == 0:
                continue
            for j in range(n):
                if j == i or female[j] != female[i] or c[j] >= most[j]:
                    continue
                change = (
                    square * (K[i, i] + K[j, j] - 2 * K[i, j] + 2 * (flow[j] - flow[i]))
                    + linear[j]
                    - linear[i]
                )
                if change < best:
                    out, back, best = i, j, change
        if out < 0:
            break
        c[out] -= 1
        c[back] += 1
        for j in range(n):
            flow[j] += K[back, j] - K[out, j]
    return c


@njit(cache=True, nogil=True)
def _pair(cost: FloatArray, dam: BigIntArray, sire: BigIntArray) -> None:
    """Exchange sires between dishes while that lowers kinship of pairs and repeats; `sire` is changed in place."""
    n = dam.size
    used = np.zeros(cost.shape, np.int64)
    for k in range(n):
        used[dam[k], sire[k]] += 1
    for _ in range(50):
        changed = False
        for k in range(n):
            for m in range(k):
                a, b, p, q = dam[k], dam[m], sire[k], sire[m]
                if a == b or p == q:
                    continue
                before = cost[a, p] + cost[b, q]
                after = cost[a, q] + cost[b, p]
                before += REPEATED * ((used[a, p] > 1) + (used[b, q] > 1))
                after += REPEATED * ((used[a, q] > 0) + (used[b, p] > 0))
                if after < before - 1e-12:
                    used[a, p] -= 1
                    used[b, q] -= 1
                    used[a, q] += 1
                    used[b, p] += 1
                    sire[k], sire[m] = q, p
                    changed = True
        if not changed:
            return


def least_kinship_uses(
    K: FloatArray,
    female: BoolArray,
    most: BigIntArray,
    dishes: int,
    living_weight: float,
    young: float,
    living: float,
    with_living: FloatArray,
) -> BigIntArray:
    """Choose how many dishes each fish takes part in, for least mean kinship.

    Parameters
    ----------
    K : ndarray, float64, shape (n, n)
        Kinship of the candidates, self-kinship on the diagonal.
    female : ndarray, bool, shape (n,)
    most : ndarray, int64, shape (n,)
        Most dishes of each.
    dishes : int
        Dishes wanted; fewer are laid when a sex cannot give so many.
    living_weight : float
        Weight of the whole living group beside the year class, 0 to 1.
    young, living : float
        Fish the year class counts for, and fish alive.
    with_living : ndarray, float64, shape (n,)
        Mean kinship of each candidate with the living.

    Returns
    -------
    ndarray, int64, shape (n,)
        Dishes of each; females and males both add to the dishes laid.

    Notes
    -----
    The goal is that of the spawning plan: with c dishes of N, ``(1 - a) c'Kc / (2N)^2`` plus `a` times the mean
    kinship of the living with the year class in it. Uses are added one by one where the goal rises least, then
    exchanged within a sex while it falls; it comes close to the proven plan without a proof.
    """
    dishes = int(min(dishes, most[female].sum(), most[~female].sum()))
    if dishes == 0:
        return np.zeros(len(female), np.int64)
    total, both = 2.0 * dishes, living + young
    square = (1 - living_weight) / total**2
    linear = np.zeros(len(female))
    if living_weight > 0 and both > 0:
        square += living_weight * (young / both / total) ** 2
        linear = 2 * living_weight * young * living / (both**2 * total) * with_living
    out: BigIntArray = _uses(np.ascontiguousarray(K), female, most, dishes, square, linear)
    return out


def pair_up(
    K: FloatArray, dams: BigIntArray, sires: BigIntArray, limit: float, rng: np.random.Generator
) -> tuple[BigIntArray, BigIntArray]:
    """Pair dams and sires so that pairs are little related, none twice and none above the limit where possible.

    Parameters
    ----------
    K : ndarray, float64, shape (n, n)
        Kinship of the candidates.
    dams, sires : ndarray, int64, shape (n_dishes,)
        Candidates, each as often as it is used.
    limit : float
        Kinship that pairs should not exceed.
    rng : Generator

    Returns
    -------
    dams, sires : ndarray, int64, shape (n_dishes,)
        The pairs.
    """
    cost = np.where(limit < K, K + ABOVE_LIMIT, K)
    paired = rng.permutation(sires)
    _pair(np.ascontiguousarray(cost), dams, paired)
    return dams, paired


def in_turn(candidates: BigIntArray, dishes: int, most: int, rng: np.random.Generator) -> BigIntArray:
    """Use candidates in turn, in random order, each as often as the others and at most `most` times."""
    if not len(candidates):
        return np.zeros(0, np.int64)
    order = rng.permutation(candidates)
    return np.resize(order, min(dishes, most * len(order))).astype(np.int64)


def by_lot(candidates: BigIntArray, dishes: int, most: int, rng: np.random.Generator) -> BigIntArray:
    """Draw a candidate for every dish at random, each at most `most` times."""
    if not len(candidates):
        return np.zeros(0, np.int64)
    if most >= dishes:
        return rng.choice(candidates, dishes)
    pool = np.repeat(candidates, most)
    return rng.choice(pool, min(dishes, len(pool)), replace=False)


@njit(cache=True, nogil=True)
def _keep(
    between: FloatArray, within: FloatArray, with_brood: FloatArray, brood: float, number: int
) -> BigIntArray:
    n = within.size
    kept = np.zeros(n, np.int64)
    flow = np.zeros(n)
    for _ in range(number):
        best, value = 0, np.inf
        for i in range(n):
            rise = 2 * (flow[i] + brood * with_brood[i]) + within[i]
            if rise < value - 1e-15:
                best, value = i, rise
        kept[best] += 1
        for j in range(n):
            flow[j] += between[best, j]
    return kept


def least_kinship_kept(
    between: FloatArray, self_kinship: FloatArray, with_brood: FloatArray, brood: int, number: int
) -> BigIntArray:
    """Choose how many young of each family join the broodstock, for least mean kinship of the broodstock.

    Parameters
    ----------
    between : ndarray, float64, shape (n_families, n_families)
        Kinship of two distinct fish, one of each family.
    self_kinship : ndarray, float64, shape (n_families,)
        Self-kinship of a fish of each.
    with_brood : ndarray, float64, shape (n_families,)
        Mean kinship with the broodfish there are.
    brood, number : int
        Broodfish there are, and young to keep.

    Returns
    -------
    ndarray, int64, shape (n_families,)
        Young kept of each, chosen one by one where the sum of kinship rises least.
    """
    if not len(self_kinship):
        return np.zeros(0, np.int64)
    out: BigIntArray = _keep(between, self_kinship, with_brood, float(brood), number)
    return out
