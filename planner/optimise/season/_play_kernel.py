"""The compiled loop that plays one spawning morning; `rehearsal` explains what it does."""

from __future__ import annotations

import numpy as np
from numba import njit

from broodstock.arrays import BigIntArray, BoolArray, FloatArray

FAILED, NOT_LOOKED_AT, WORKS = -1, 0, 1
KEPT, SPARE_FEMALES, SPARE_MALES, ASKED_FEMALES, ASKED_MALES = range(5)
N_COUNTS = 5


@njit(cache=True)
def can_add(
    f: int,
    m: int,
    new: BigIntArray,
    c: BigIntArray,
    gets: BigIntArray,
    mates: BigIntArray,
    permits_used: BigIntArray,
    made: BigIntArray,
    room: BigIntArray,
    most: BigIntArray,
    most_mates: BigIntArray,
    egg_dishes: BigIntArray,
    permit: BigIntArray,
    permits_left: BigIntArray,
) -> bool:
    """Tell whether female f and the male at position m may get one more dish under the rules."""
    nf = new.shape[0]
    if new[f, m - nf] >= room[f, m - nf] or c[f] >= most[f] or c[m] >= most[m] or gets[f] >= egg_dishes[f]:
        return False
    if (
        new[f, m - nf] == 0
        and made[f, m - nf] == 0
        and (mates[f] >= most_mates[f] or mates[m] >= most_mates[m])
    ):
        return False
    fresh_f = permit[f] >= 0 and gets[f] == 0
    fresh_m = permit[m] >= 0 and gets[m] == 0
    if fresh_f and permits_used[permit[f]] >= permits_left[permit[f]]:
        return False
    if fresh_m and permits_used[permit[m]] >= permits_left[permit[m]]:
        return False
    together = fresh_f and fresh_m and permit[f] == permit[m]
    return not (together and permits_used[permit[f]] + 1 >= permits_left[permit[f]])


@njit(cache=True)
def change_dish(
    f: int,
    m: int,
    step: int,
    new: BigIntArray,
    c: BigIntArray,
    gets: BigIntArray,
    mates: BigIntArray,
    permits_used: BigIntArray,
    made: BigIntArray,
    permit: BigIntArray,
    slope: FloatArray,
    K: FloatArray,
    square: float,
) -> None:
    """Lay one dish (step 1) or take one away (step -1)."""
    nf = new.shape[0]
    before = new[f, m - nf] > 0
    new[f, m - nf] += step
    after = new[f, m - nf] > 0
    for fish in (f, m):
        had = gets[fish] > 0
        gets[fish] += step
        c[fish] += step
        if before != after and made[f, m - nf] == 0:
            mates[fish] += step
        if permit[fish] >= 0 and had != (gets[fish] > 0):
            permits_used[permit[fish]] += step
    for i in range(len(slope)):
        slope[i] += step * 2.0 * square * (K[i, f] + K[i, m])


@njit(cache=True)
def play(
    plan: BigIntArray,
    order: BigIntArray,
    works: BoolArray,
    egg_dishes: BigIntArray,
    made: BigIntArray,
    base: BigIntArray,
    room: BigIntArray,
    most: BigIntArray,
    least_if_new: BigIntArray,
    least_mates: BigIntArray,
    most_mates: BigIntArray,
    permit: BigIntArray,
    permits_left: BigIntArray,
    K: FloatArray,
    square: float,
    linear: FloatArray,
    new: BigIntArray,
    counts: BigIntArray,
) -> None:
    """Play one morning; the dishes laid go into `new`, what was needed into `counts`."""
    nf, nm = plan.shape
    n = nf + nm
    wanted = plan.sum()
    tie = 1e-9 * square  # ranks nearer than this are equal: the first fish is taken, on every machine
    new[:] = 0
    counts[:] = 0
    c = base.copy()
    gets = np.zeros(n, np.int64)
    mates = np.zeros(n, np.int64)
    permits_used = np.zeros(len(permits_left), np.int64)
    slope = linear + 2.0 * square * (K @ base.astype(np.float64))
    state = np.zeros(n, np.int64)
    planned = np.zeros(n, np.bool_)
    for f in range(nf):
        for m in range(nm):
            if plan[f, m] > 0:
                planned[f] = True
                planned[nf + m] = True
    for i in range(n):
        if planned[i]:
            state[i] = WORKS if works[i] else FAILED
    laid = 0
    for k in range(len(order)):
        f, m = order[k] // nm, nf + order[k] % nm
        if state[f] != WORKS or state[m] != WORKS:
            continue
        for _ in range(plan[f, m - nf]):
            if can_add(
                f,
                m,
                new,
                c,
                gets,
                mates,
                permits_used,
                made,
                room,
                most,
                most_mates,
                egg_dishes,
                permit,
                permits_left,
            ):
                change_dish(f, m, 1, new, c, gets, mates, permits_used, made, permit, slope, K, square)
                laid += 1
    counts[KEPT] = laid
    closed = np.zeros(n, np.bool_)
    for turn in range(4):
        for stage in range(2):
            if turn > 0 and stage == 0:
                continue  # planned females get their own dishes back only once
            while laid < wanted:
                best = -1
                best_rank = np.inf
                for f in range(nf):
                    if closed[f] or state[f] == FAILED or gets[f] >= egg_dishes[f] or c[f] >= most[f]:
                        continue
                    if stage == 0 and not (planned[f] and gets[f] < plan[f].sum()):
                        continue
                    if gets[f] == 0 and least_if_new[f] - base[f] > wanted - laid:
                        continue
                    rank = slope[f] + square * K[f, f]
                    if rank < best_rank - tie:
                        best_rank = rank
                        best = f
                if best < 0:
                    break
                f = best
                if state[f] == NOT_LOOKED_AT:
                    counts[ASKED_FEMALES] += 1
                    state[f] = WORKS if works[f] else FAILED
                    continue
                want = 1
                if gets[f] == 0:
                    want = max(1, least_if_new[f] - base[f])
                got = 0
                while got < want:
                    male = -1
                    male_rank = np.inf
                    for m in range(nf, n):
                        if closed[m] or state[m] == FAILED:
                            continue
                        rank = slope[m] + square * (K[m, m] + 2.0 * K[f, m])
                        if rank < male_rank - tie and can_add(
                            f,
                            m,
                            new,
                            c,
                            gets,
                            mates,
                            permits_used,
                            made,
                            room,
                            most,
                            most_mates,
                            egg_dishes,
                            permit,
                            permits_left,
                        ):
                            male_rank = rank
                            male = m
                    if male < 0:
                        closed[f] = True
                        break
                    if state[male] == NOT_LOOKED_AT:
                        counts[ASKED_MALES] += 1
                        state[male] = WORKS if works[male] else FAILED
                        continue
                    change_dish(f, male, 1, new, c, gets, mates, permits_used, made, permit, slope, K, square)
                    laid += 1
                    got += 1
        dropped = 0
        again = True
        while again:
            again = False
            for i in range(n):
                if gets[i] > 0 and (c[i] < least_if_new[i] or mates[i] < least_mates[i]):
                    closed[i] = True
                    for j in range(nm if i < nf else nf):
                        f, m = (i, nf + j) if i < nf else (j, i)
                        while new[f, m - nf] > 0:
                            change_dish(
                                f, m, -1, new, c, gets, mates, permits_used, made, permit, slope, K, square
                            )
                            laid -= 1
                            dropped += 1
                    again = True
        if dropped == 0:
            break
    for i in range(n):
        if gets[i] > 0 and not planned[i]:
            counts[SPARE_FEMALES if i < nf else SPARE_MALES] += 1
    kept = 0
    for f in range(nf):
        for m in range(nm):
            kept += min(plan[f, m], new[f, m])
    counts[KEPT] = kept
