"""Compiled loops over a pedigree. Private: bare arrays in, bare arrays out, nothing is checked here.

Everywhere ``parents`` is int32 (n, 2), -1 unknown, parents first. All loops release the interpreter lock.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from broodstock.arrays import BigIntArray, BoolArray, FloatArray, IntArray

BLOCK = 32
"""Rows handled together, so that the mirrored columns are written in whole cache lines."""


@njit(cache=True, nogil=True)
def mark_ancestors(parents: IntArray, wanted: BoolArray) -> None:
    """Mark, in place, every ancestor of the fish marked in `wanted`."""
    for i in range(parents.shape[0] - 1, -1, -1):
        if wanted[i]:
            for side in range(2):
                p = parents[i, side]
                if p >= 0:
                    wanted[p] = True


@njit(cache=True, nogil=True)
def count_ancestors(parents: IntArray, first: IntArray, second: IntArray) -> BigIntArray:
    """Count the distinct fish among each pair and its ancestors."""
    n = parents.shape[0]
    counts = np.zeros(first.size, np.int64)
    seen = np.full(n, -1, np.int64)
    waiting = np.empty(n, np.int32)
    for pair in range(first.size):
        n_waiting = 0
        for side in range(2):
            i = first[pair] if side == 0 else second[pair]
            if seen[i] != pair:
                seen[i] = pair
                waiting[n_waiting] = i
                n_waiting += 1
        while n_waiting > 0:
            n_waiting -= 1
            counts[pair] += 1
            i = waiting[n_waiting]
            for side in range(2):
                p = parents[i, side]
                if p >= 0 and seen[p] != pair:
                    seen[p] = pair
                    waiting[n_waiting] = p
                    n_waiting += 1
    return counts


@njit(cache=True, nogil=True)
def generation_depth(parents: IntArray) -> IntArray:
    """Longest line of known parents above each fish; 0 for a founder."""
    n = parents.shape[0]
    depth = np.zeros(n, np.int32)
    for i in range(n):
        for side in range(2):
            p = parents[i, side]
            if p >= 0 and depth[p] + 1 > depth[i]:
                depth[i] = depth[p] + 1
    return depth


@njit(cache=True, nogil=True)
def within_family_variance(parents: IntArray, inbreeding: FloatArray) -> FloatArray:
    """Diagonal of D in K = T D T'."""
    n = parents.shape[0]
    d = np.empty(n)
    for i in range(n):
        a, b = parents[i, 0], parents[i, 1]
        if a >= 0 and b >= 0:
            d[i] = 0.5 * (0.5 - 0.25 * (inbreeding[a] + inbreeding[b]))
        elif a >= 0 or b >= 0:
            d[i] = 0.5 * (0.75 - 0.25 * inbreeding[max(a, b)])
        else:
            d[i] = 0.5
    return d


@njit(cache=True, nogil=True)
def gather_up(parents: IntArray, y: FloatArray) -> None:
    """In place y <- T'y: each fish hands half of its share to each parent, youngest first."""
    for i in range(parents.shape[0] - 1, -1, -1):
        for side in range(2):
            p = parents[i, side]
            if p >= 0:
                y[p] += 0.5 * y[i]


@njit(cache=True, nogil=True)
def hand_down(parents: IntArray, z: FloatArray) -> None:
    """In place z <- Tz: each fish takes half of each parent's value, oldest first."""
    for i in range(parents.shape[0]):
        for side in range(2):
            p = parents[i, side]
            if p >= 0:
                z[i] += 0.5 * z[p]


@njit(cache=True, nogil=True)
def kinship_columns(parents: IntArray, d: FloatArray, columns: IntArray) -> FloatArray:
    """Return T D T' e_c for every fish c in `columns`, shape (n, n_columns)."""
    n, m = parents.shape[0], columns.size
    z = np.zeros((n, m))
    for k in range(m):
        z[columns[k], k] = 1.0
    for i in range(n - 1, -1, -1):
        for side in range(2):
            p = parents[i, side]
            if p >= 0:
                for k in range(m):
                    z[p, k] += 0.5 * z[i, k]
    for i in range(n):
        for k in range(m):
            z[i, k] *= d[i]
        for side in range(2):
            p = parents[i, side]
            if p >= 0:
                for k in range(m):
                    z[i, k] += 0.5 * z[p, k]
    return z


@njit(cache=True, nogil=True)
def dense_kinship(parents: IntArray) -> FloatArray:
    """Tabular kinship matrix; rows in blocks, the mirror image of a block written at its end."""
    n = parents.shape[0]
    kin = np.empty((n, n))
    nobody = np.zeros(n)
    for start in range(0, n, BLOCK):
        stop = min(start + BLOCK, n)
        for i in range(start, stop):
            a, b = parents[i, 0], parents[i, 1]
            row_a = kin[a] if a >= 0 else nobody
            row_b = kin[b] if b >= 0 else nobody
            row = kin[i]
            for j in range(start):
                row[j] = 0.5 * (row_a[j] + row_b[j])
            for j in range(start, i):
                with_a = 0.0 if a < 0 else (kin[a, j] if a >= j else kin[j, a])
                with_b = 0.0 if b < 0 else (kin[b, j] if b >= j else kin[j, b])
                row[j] = 0.5 * (with_a + with_b)
            f = 0.0
            if a >= 0 and b >= 0:
                f = kin[max(a, b), min(a, b)]
            row[i] = 0.5 * (1.0 + f)
        for i in range(start, stop):
            for j in range(start, i):
                kin[j, i] = kin[i, j]
        for left in range(0, start, BLOCK):
            for j in range(left, min(left + BLOCK, start)):
                for i in range(start, stop):
                    kin[j, i] = kin[i, j]
    return kin


@njit(cache=True, nogil=True)
def close_ranks(kin: FloatArray, place: IntArray, holder: IntArray, top: int) -> int:
    """Move the breeders still in use to the lowest places, in place, and return the first free place."""
    kept = np.empty(top, np.int32)
    n_kept = 1
    kept[0] = 0
    for old in range(1, top):
        if holder[old] >= 0:
            kept[n_kept] = old
            n_kept += 1
    for new in range(1, n_kept):
        old = kept[new]
        for column in range(n_kept):
            kin[new, column] = kin[old, kept[column]]
        holder[new] = holder[old]
        place[holder[new]] = new
    holder[n_kept:top] = -1
    return n_kept


@njit(cache=True, nogil=True)
def window_pair_kinship(
    parents: IntArray,
    own_pair: BigIntArray,
    pair_start: BigIntArray,
    pair_mate: IntArray,
    leave_start: BigIntArray,
    leave: IntArray,
    size: int,
) -> FloatArray:
    """Kinship of listed pairs by the tabular method on the breeders still in use.

    `parents` holds breeders in the order they enter. Pairs are sorted by their later member b: pair p in
    ``pair_start[b]:pair_start[b + 1]`` joins b and ``pair_mate[p]`` (at most b). ``own_pair[b]`` is the pair of
    b's own parents or -1. After breeder b is done, the breeders ``leave[leave_start[b]:leave_start[b + 1]]``
    may give up their place; the window closes ranks when it is full. `size` is the number of places, place 0 for
    an unknown parent; it must exceed the breeders in use at any time by more than two blocks.
    """
    n = parents.shape[0]
    kin = np.zeros((size, size))
    place = np.zeros(n, np.int32)
    holder = np.full(size, -1, np.int32)
    top = 1
    pair_f = np.zeros(pair_mate.size)
    rows = np.zeros((BLOCK, size))
    inside = np.zeros((BLOCK, BLOCK))
    for start in range(0, n, BLOCK):
        stop = min(start + BLOCK, n)
        width = stop - start
        if top + width > size:
            top = close_ranks(kin, place, holder, top)
        for b in range(start, stop):
            k = b - start
            p, q = parents[b, 0], parents[b, 1]
            row_p = kin[0] if p < 0 else (kin[place[p]] if p < start else rows[p - start])
            row_q = kin[0] if q < 0 else (kin[place[q]] if q < start else rows[q - start])
            row = rows[k]
            for j in range(top):
                row[j] = 0.5 * (row_p[j] + row_q[j])
            for m in range(k):
                with_p = 0.0 if p < 0 else (rows[m, place[p]] if p < start else inside[p - start, m])
                with_q = 0.0 if q < 0 else (rows[m, place[q]] if q < start else inside[q - start, m])
                inside[k, m] = 0.5 * (with_p + with_q)
                inside[m, k] = inside[k, m]
            f = 0.0
            if own_pair[b] >= 0:
                f = pair_f[own_pair[b]]
            inside[k, k] = 0.5 * (1.0 + f)
            for pair in range(pair_start[b], pair_start[b + 1]):
                mate = pair_mate[pair]
                pair_f[pair] = row[place[mate]] if mate < start else inside[k, mate - start]
        for k in range(width):
            place[start + k] = top + k
            holder[top + k] = start + k
            kin[top + k, :top] = rows[k, :top]
            kin[top + k, top : top + width] = inside[k, :width]
        for left in range(0, top, BLOCK):
            for j in range(left, min(left + BLOCK, top)):
                for k in range(width):
                    kin[j, top + k] = rows[k, j]
        top += width
        for b in range(start, stop):
            for position in range(leave_start[b], leave_start[b + 1]):
                holder[place[leave[position]]] = -1
    return pair_f


@njit(cache=True, nogil=True)
def trace_pair_kinship(
    parents: IntArray,
    own_pair: BigIntArray,
    depth: IntArray,
    first: IntArray,
    second: IntArray,
    pair_order: BigIntArray,
) -> FloatArray:
    """Kinship of listed pairs by tracing the ancestors of each pair, deepest first.

    ``f(a, b) = sum over ancestors j of T_aj T_bj d_j``. Breeders stand in order of depth. Ancestors wait in one
    list per depth, so none is visited before all its descendants and no sorting is needed. Pairs come in order
    of the greater depth of the two, so that the variance d of every ancestor is known when it is used.
    """
    n = parents.shape[0]
    pair_f = np.zeros(first.size)
    f = np.zeros(n)
    d = np.zeros(n)
    ready = 0
    share = np.zeros((n, 2))
    seen = np.full(n, -1, np.int64)
    following = np.empty(n, np.int32)
    n_depths = 0
    for i in range(n):
        n_depths = max(n_depths, depth[i] + 1)
    head = np.full(n_depths, -1, np.int32)
    for pair in pair_order:
        a, b = first[pair], second[pair]
        deepest = max(depth[a], depth[b])
        while ready < n and depth[ready] <= deepest:
            i = ready
            if own_pair[i] >= 0:
                f[i] = pair_f[own_pair[i]]
            p, q = parents[i, 0], parents[i, 1]
            if p >= 0 and q >= 0:
                d[i] = 0.5 * (0.5 - 0.25 * (f[p] + f[q]))
            elif p >= 0 or q >= 0:
                d[i] = 0.5 * (0.75 - 0.25 * f[max(p, q)])
            else:
                d[i] = 0.5
            ready += 1
        for side in range(2):
            i = a if side == 0 else b
            if seen[i] != pair:
                seen[i] = pair
                share[i, 0] = 0.0
                share[i, 1] = 0.0
                following[i] = head[depth[i]]
                head[depth[i]] = i
            share[i, side] += 1.0
        total = 0.0
        for level in range(deepest, -1, -1):
            i = head[level]
            head[level] = -1
            while i >= 0:
                total += share[i, 0] * share[i, 1] * d[i]
                half_a, half_b = 0.5 * share[i, 0], 0.5 * share[i, 1]
                for side in range(2):
                    p = parents[i, side]
                    if p >= 0:
                        if seen[p] != pair:
                            seen[p] = pair
                            share[p, 0] = 0.0
                            share[p, 1] = 0.0
                            following[p] = head[depth[p]]
                            head[depth[p]] = p
                        share[p, 0] += half_a
                        share[p, 1] += half_b
                i = following[i]
        pair_f[pair] = total
    return pair_f


@njit(cache=True, nogil=True)
def mark_descendants(parents: IntArray, asked: BoolArray) -> BoolArray:
    """Mark every fish with a parent that is asked for or marked."""
    n = parents.shape[0]
    found = np.zeros(n, np.bool_)
    for i in range(n):
        for side in range(2):
            p = parents[i, side]
            if p >= 0 and (asked[p] or found[p]):
                found[i] = True
    return found


@njit(cache=True, nogil=True)
def shortest_depth(parents: IntArray) -> IntArray:
    """Shortest line above each fish that ends at a founder or an unknown parent."""
    n = parents.shape[0]
    depth = np.zeros(n, np.int32)
    for i in range(n):
        a, b = parents[i, 0], parents[i, 1]
        if a >= 0 and b >= 0:
            depth[i] = 1 + min(depth[a], depth[b])
        elif a >= 0 or b >= 0:
            depth[i] = 1
    return depth


@njit(cache=True, nogil=True)
def mean_generation(parents: IntArray) -> FloatArray:
    """One more than the mean of the parents' numbers; founders and unknown parents count 0."""
    n = parents.shape[0]
    mean = np.zeros(n)
    for i in range(n):
        a, b = parents[i, 0], parents[i, 1]
        if a >= 0 or b >= 0:
            mean[i] = 1.0 + 0.5 * ((mean[a] if a >= 0 else 0.0) + (mean[b] if b >= 0 else 0.0))
    return mean


@njit(cache=True, nogil=True)
def parents_first_order(parents: IntArray) -> IntArray:
    """Order that keeps the rows as they are but puts parents first; shorter than the rows if there is a loop."""
    n = parents.shape[0]
    order = np.empty(n, np.int32)
    n_order = 0
    state = np.zeros(n, np.int8)  # 0 not met, 1 waiting for its parents, 2 placed
    stack = np.empty(n, np.int32)
    for first in range(n):
        if state[first] == 2:
            continue
        n_stack = 1
        stack[0] = first
        state[first] = 1
        while n_stack > 0:
            i = stack[n_stack - 1]
            above = -1
            for side in range(2):
                p = parents[i, side]
                if p >= 0 and state[p] != 2:
                    above = p
                    break
            if above < 0:
                state[i] = 2
                order[n_order] = i
                n_order += 1
                n_stack -= 1
            elif state[above] == 1:
                return order[:n_order]
            else:
                state[above] = 1
                stack[n_stack] = above
                n_stack += 1
    return order


@njit(cache=True, nogil=True)
def known_ancestry(parents: IntArray) -> tuple[FloatArray, FloatArray, IntArray]:
    """Known share, complete generations equivalent and generations without a gap of every fish."""
    n = parents.shape[0]
    share = np.zeros(n)
    equivalent = np.zeros(n)
    full = np.zeros(n, np.int32)
    for i in range(n):
        a, b = parents[i, 0], parents[i, 1]
        if a < 0 and b < 0:
            share[i] = 1.0
            continue
        for side in range(2):
            p = parents[i, side]
            if p >= 0:
                share[i] += 0.5 * share[p]
                equivalent[i] += 0.5 * (1.0 + equivalent[p])
        if a >= 0 and b >= 0:
            full[i] = 1 + min(full[a], full[b])
    return share, equivalent, full


@njit(cache=True, nogil=True)
def dense_kinship_below(base: FloatArray, parents: IntArray) -> FloatArray:
    """Tabular kinship matrix of fish whose first ancestors, the rows of `base`, have a given kinship."""
    n, n_base = parents.shape[0], base.shape[0]
    kin = np.empty((n, n))
    kin[:n_base, :n_base] = base
    for i in range(n_base, n):
        a, b = parents[i, 0], parents[i, 1]
        for j in range(i):
            kin[i, j] = 0.5 * (kin[a, j] + kin[b, j])
            kin[j, i] = kin[i, j]
        kin[i, i] = 0.5 * (1.0 + kin[a, b])
    return kin
