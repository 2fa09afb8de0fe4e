"""Compiled loops that follow genes from founders down the pedigree. Private: nothing is checked here."""

from __future__ import annotations

import numpy as np
from numba import njit, uint64

from broodstock.arrays import FloatArray, IntArray

_WEYL = uint64(0x9E3779B97F4A7C15)
_MIX_1 = uint64(0xBF58476D1CE4E5B9)
_MIX_2 = uint64(0x94D049BB133111EB)


@njit(cache=True, nogil=True, inline="always")
def mixed(counter: np.uint64) -> np.uint64:
    """Return 64 random bits for a counter (the SplitMix64 output function)."""
    z = counter
    z = (z ^ (z >> uint64(30))) * _MIX_1
    z = (z ^ (z >> uint64(27))) * _MIX_2
    return z ^ (z >> uint64(31))


@njit(cache=True, nogil=True)
def drop(parents: IntArray, entering: IntArray, replicates: int, seed: int) -> IntArray:
    """Send genes down the pedigree; return the two genes of every fish, int32 (n, 2, replicates).

    ``entering[i, side]`` is the number of the gene that enters with an unknown parent.
    """
    n = parents.shape[0]
    genes = np.empty((n, 2, replicates), np.int32)
    state = uint64(seed)
    for i in range(n):
        for side in range(2):
            p = parents[i, side]
            target = genes[i, side]
            if p < 0:
                target[:] = entering[i, side]
                continue
            first, second = genes[p, 0], genes[p, 1]
            for start in range(0, replicates, 64):
                state += _WEYL
                bits = mixed(state)
                for k in range(min(64, replicates - start)):
                    take_first = (bits >> uint64(k)) & uint64(1)
                    target[start + k] = first[start + k] if take_first else second[start + k]
    return genes


@njit(cache=True, nogil=True)
def drop_with_memory(
    parents: IntArray, entering: IntArray, replicates: int, seed: int
) -> tuple[FloatArray, FloatArray]:
    """Count genes that passed through an ancestor with two copies identical by descent.

    Per fish and drop three shares of its two genes are taken: those with such a history; those with it that now
    lie in an identical pair; those without it that now lie in an identical pair. Returns the sums and the sums of
    squares over drops, each (n, 3).
    """
    n = parents.shape[0]
    genes = np.empty((n, 2, replicates), np.int32)
    history = np.zeros((n, 2, replicates), np.bool_)
    sums = np.zeros((n, 3))
    squares = np.zeros((n, 3))
    state = uint64(seed)
    for i in range(n):
        for side in range(2):
            p = parents[i, side]
            if p < 0:
                genes[i, side, :] = entering[i, side]
                continue
            for start in range(0, replicates, 64):
                state += _WEYL
                bits = mixed(state)
                for k in range(min(64, replicates - start)):
                    r = start + k
                    taken = int((bits >> uint64(k)) & uint64(1))
                    genes[i, side, r] = genes[p, taken, r]
                    history[i, side, r] = history[p, taken, r] or genes[p, 0, r] == genes[p, 1, r]
        for r in range(replicates):
            share = 0.5 * (history[i, 0, r] + history[i, 1, r])
            sums[i, 0] += share
            squares[i, 0] += share * share
            if genes[i, 0, r] == genes[i, 1, r]:
                sums[i, 1] += share
                squares[i, 1] += share * share
                sums[i, 2] += 1.0 - share
                squares[i, 2] += (1.0 - share) * (1.0 - share)
    return sums, squares


@njit(cache=True, nogil=True)
def survival(
    genes: IntArray, weights: FloatArray, gene_founder: IntArray, n_founders: int
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Follow which entering genes the living fish still carry.

    `genes` is (replicates, n_living, 2). Returns the number of surviving genes per founder (sum over drops), the
    share of each living fish's genes that no other living fish carries (sum and sum of squares over drops), and
    the sum of squared gene frequencies of each drop, frequencies weighted by `weights` (sum 1).
    """
    replicates, n_living = genes.shape[0], genes.shape[1]
    n_genes = gene_founder.size
    surviving = np.zeros(n_founders)
    unique = np.zeros(n_living)
    unique_squares = np.zeros(n_living)
    squares = np.empty(replicates)
    frequency = np.zeros(n_genes)
    carriers = np.zeros(n_genes, np.int32)
    for r in range(replicates):
        for i in range(n_living):
            a, b = genes[r, i, 0], genes[r, i, 1]
            frequency[a] += 0.5 * weights[i]
            frequency[b] += 0.5 * weights[i]
            carriers[a] += 1
            if b != a:
                carriers[b] += 1
        for i in range(n_living):
            share = 0.0
            for side in range(2):
                if carriers[genes[r, i, side]] == 1:
                    share += 0.5
            unique[i] += share
            unique_squares[i] += share * share
        total = 0.0
        for i in range(n_living):
            for side in range(2):
                g = genes[r, i, side]
                if carriers[g] > 0:
                    total += frequency[g] * frequency[g]
                    surviving[gene_founder[g]] += 1.0
                    carriers[g] = 0
                    frequency[g] = 0.0
        squares[r] = total
    return surviving, unique, unique_squares, squares


@njit(cache=True, nogil=True)
def genes_only_there(genes: IntArray, place: IntArray, n_places: int, n_genes: int) -> FloatArray:
    """Count the genes carried in one place only, per drop and place, shape (replicates, n_places).

    `genes` is (replicates, n_living, 2), `place` the place of each living fish.
    """
    replicates, n_living = genes.shape[0], genes.shape[1]
    only = np.zeros((replicates, n_places))
    where = np.full(n_genes, -1, np.int32)  # -1 nowhere, -2 in several places
    for r in range(replicates):
        for i in range(n_living):
            for side in range(2):
                g = genes[r, i, side]
                if where[g] == -1:
                    where[g] = place[i]
                elif where[g] != place[i]:
                    where[g] = -2
        for i in range(n_living):
            for side in range(2):
                g = genes[r, i, side]
                if where[g] >= 0:
                    only[r, where[g]] += 1.0
                where[g] = -1
    return only


@njit(cache=True, nogil=True)
def marginal_ancestors(parents: IntArray, weights: FloatArray, least: float) -> tuple[IntArray, FloatArray]:
    """Take the ancestor with the greatest contribution not yet explained, again and again.

    Weights sum to 1. Ends when less than `least` is left unexplained. Returns the rows and their contributions.
    """
    n = parents.shape[0]
    links = parents.copy()
    chosen = np.zeros(n, np.bool_)
    rows = np.empty(n, np.int32)
    share = np.empty(n)
    n_rows = 0
    left = 1.0
    q = np.empty(n)
    explained = np.empty(n)
    while left > least and n_rows < n:
        q[:] = weights
        for i in range(n - 1, -1, -1):
            for side in range(2):
                if links[i, side] >= 0:
                    q[links[i, side]] += 0.5 * q[i]
        best, best_share = -1, 0.0
        for i in range(n):
            if chosen[i]:
                explained[i] = 1.0
                continue
            explained[i] = 0.0
            for side in range(2):
                if links[i, side] >= 0:
                    explained[i] += 0.5 * explained[links[i, side]]
            founder = parents[i, 0] < 0 and parents[i, 1] < 0
            if founder or q[i] > weights[i]:
                marginal = q[i] * (1.0 - explained[i])
                if marginal > best_share * (1.0 + 1e-12):
                    best, best_share = i, marginal
        if best < 0:
            break
        chosen[best] = True
        links[best, 0] = -1
        links[best, 1] = -1
        rows[n_rows] = best
        share[n_rows] = best_share
        n_rows += 1
        left -= best_share
    return rows[:n_rows], share[:n_rows]


@njit(cache=True, nogil=True)
def count_descendants(parents: IntArray, founders: IntArray, place: IntArray, n_places: int) -> IntArray:
    """Count the fish of each place that descend from each founder, the founder itself included.

    `place` is -1 for fish that do not count. Founders are followed 64 at a time, one bit each.
    """
    n = parents.shape[0]
    counts = np.zeros((founders.size, n_places), np.int32)
    marks = np.zeros(n, np.uint64)
    for start in range(0, founders.size, 64):
        stop = min(start + 64, founders.size)
        marks[:] = uint64(0)
        for k in range(start, stop):
            marks[founders[k]] = uint64(1) << uint64(k - start)
        for i in range(n):
            for side in range(2):
                if parents[i, side] >= 0:
                    marks[i] |= marks[parents[i, side]]
            if place[i] >= 0:
                word = marks[i]
                for k in range(start, stop):
                    if (word >> uint64(k - start)) & uint64(1):
                        counts[k, place[i]] += 1
    return counts


@njit(cache=True, nogil=True)
def ancestral_recursion(parents: IntArray, inbreeding: FloatArray) -> FloatArray:
    """Ancestral inbreeding by the recursion that treats inbreeding and its history as independent."""
    n = parents.shape[0]
    fa = np.zeros(n)
    for i in range(n):
        for side in range(2):
            p = parents[i, side]
            if p >= 0:
                fa[i] += 0.5 * (fa[p] + (1.0 - fa[p]) * inbreeding[p])
    return fa
