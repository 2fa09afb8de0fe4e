"""Compiled loops over genes and kinship of living fish. Private: bare arrays, nothing is checked here.

Genes are int32 (n_slots, 2, n_loci): the number of the founder gene at each locus, from the dam and from the sire.
Kinship is float64 (n_slots, n_slots), valid at the rows and columns of present slots only.
"""

from __future__ import annotations

import numpy as np
from numba import njit, uint64

from broodstock.arrays import BigIntArray, FloatArray, IntArray
from broodstock.pedigree.drop_kernels import mixed

_WEYL = uint64(0x9E3779B97F4A7C15)


@njit(cache=True, nogil=True)
def drop_pairs(
    genes: IntArray,
    slots: BigIntArray,
    dams: BigIntArray,
    sires: BigIntArray,
    recombination: FloatArray,
    seed: int,
) -> None:
    """Give the fish in `slots` the gametes of their parents; parents must be filled before their offspring.

    Along a linkage group the parent's side changes with the chance of a crossover; crossovers do not interfere.
    """
    n_loci = genes.shape[2]
    state = uint64(seed)
    free = True
    for locus in range(n_loci):
        if recombination[locus] != 0.5:
            free = False
    threshold = np.empty(n_loci, np.uint64)
    for locus in range(n_loci):
        threshold[locus] = uint64(recombination[locus] * 4294967296.0)
    for k in range(slots.size):
        for side in range(2):
            parent = dams[k] if side == 0 else sires[k]
            target = genes[slots[k], side]
            first, second = genes[parent, 0], genes[parent, 1]
            if free:
                for start in range(0, n_loci, 64):
                    state += _WEYL
                    bits = mixed(state)
                    for j in range(start, min(start + 64, n_loci)):
                        target[j] = first[j] if bits & uint64(1) else second[j]
                        bits >>= uint64(1)
            else:
                phase = uint64(0)
                bits = uint64(0)
                for j in range(n_loci):
                    if j % 2 == 0:
                        state += _WEYL
                        bits = mixed(state)
                    else:
                        bits >>= uint64(32)
                    if (bits & uint64(0xFFFFFFFF)) < threshold[j]:
                        phase ^= uint64(1)
                    target[j] = second[j] if phase else first[j]


@njit(cache=True, nogil=True)
def add_kinship(
    kin: FloatArray, present: BigIntArray, slots: BigIntArray, dams: BigIntArray, sires: BigIntArray
) -> None:
    """Fill rows and columns of new fish from those of their parents, which are among `present`."""
    n = present.size
    for k in range(slots.size):
        x, d, s = slots[k], dams[k], sires[k]
        row, dam_row, sire_row = kin[x], kin[d], kin[s]
        for m in range(n):
            j = present[m]
            row[j] = 0.5 * (dam_row[j] + sire_row[j])
    for start in range(0, n, 32):
        for k in range(slots.size):
            x = slots[k]
            for m in range(start, min(start + 32, n)):
                kin[present[m], x] = kin[x, present[m]]
    for k in range(slots.size):
        x, d, s = slots[k], dams[k], sires[k]
        for m in range(k):
            j = slots[m]
            value = 0.5 * (kin[d, j] + kin[s, j])
            kin[x, j] = value
            kin[j, x] = value
        kin[x, x] = 0.5 * (1.0 + kin[d, s])


@njit(cache=True, nogil=True)
def add_unrelated(kin: FloatArray, present: BigIntArray, slots: BigIntArray) -> None:
    """Fill rows and columns of fish from outside, unrelated to all."""
    for k in range(slots.size):
        x = slots[k]
        for m in range(present.size):
            kin[x, present[m]] = 0.0
            kin[present[m], x] = 0.0
        for m in range(slots.size):
            kin[x, slots[m]] = 0.0
        kin[x, x] = 0.5


@njit(cache=True, nogil=True)
def kinship_sums(kin: FloatArray, present: BigIntArray, place: IntArray, n_places: int) -> FloatArray:
    """Sum kinship over all ordered pairs by places of the two fish, self pairs in, shape (n_places, n_places)."""
    sums = np.zeros((n_places, n_places))
    row_sum = np.zeros(n_places)
    for a in range(present.size):
        i = present[a]
        row = kin[i]
        row_sum[:] = 0.0
        for b in range(a):
            j = present[b]
            row_sum[place[j]] += row[j]
        p = place[i]
        for q in range(n_places):
            sums[p, q] += row_sum[q]
            sums[q, p] += row_sum[q]
        sums[p, p] += row[i]
    return sums


@njit(cache=True, nogil=True)
def mean_with(kin: FloatArray, rows: BigIntArray, group: BigIntArray) -> FloatArray:
    """Mean kinship of each fish in `rows` with the fish of `group`."""
    out = np.zeros(rows.size)
    for a in range(rows.size):
        row = kin[rows[a]]
        total = 0.0
        for b in range(group.size):
            total += row[group[b]]
        out[a] = total / max(group.size, 1)
    return out


@njit(cache=True, nogil=True)
def count_genes(
    genes: IntArray, present: BigIntArray, allele: np.ndarray, counts: IntArray, allele_counts: IntArray
) -> tuple[float, float, float, float, float]:
    """Diversity at the loci of the present fish; `counts` and `allele_counts` are working space by locus.

    Returns gene diversity by founder genes (two draws with replacement), expected heterozygosity of the markers
    (unbiased), observed heterozygosity, distinct founder genes per locus and alleles per locus.
    """
    n_loci = genes.shape[2]
    n_alleles = allele_counts.shape[1]
    counts[:] = 0
    allele_counts[:] = 0
    squares = 0.0
    distinct = 0
    unequal = 0
    for a in range(present.size):
        i = present[a]
        first, second = genes[i, 0], genes[i, 1]
        for locus in range(n_loci):
            g, h = first[locus], second[locus]
            c = counts[locus, g]
            squares += 2 * c + 1
            distinct += c == 0
            counts[locus, g] = c + 1
            c = counts[locus, h]
            squares += 2 * c + 1
            distinct += c == 0
            counts[locus, h] = c + 1
            u, v = allele[locus, g], allele[locus, h]
            allele_counts[locus, u] += 1
            allele_counts[locus, v] += 1
            unequal += u != v
    copies = 2.0 * present.size
    heterozygosity = 0.0
    kept = 0
    for locus in range(n_loci):
        total = 0.0
        for u in range(n_alleles):
            c = allele_counts[locus, u]
            kept += c > 0
            total += (c / copies) ** 2
        heterozygosity += 1 - total
    diversity = 1 - squares / (n_loci * copies * copies)
    return (
        diversity,
        heterozygosity / n_loci * copies / (copies - 1),
        unequal / (n_loci * present.size),
        distinct / n_loci,
        kept / n_loci,
    )
