"""Squared composite correlations of all pairs of alleles at different loci, summed in blocks.

Only sums leave this module: a table of all pairs of 20 000 loci is never held in memory. Means over
pairs with one fish left out, for every fish in turn, are exact and come from downdating each pair's sums.
"""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np

from broodstock.arrays import BigIntArray, BoolArray, FloatArray
from broodstock.effective_size.allele_columns import AlleleColumns, DoseArray

LEAST_PAIR_SIZE = 4
"""Fewest fish typed at both loci for a pair to count (one is left out and two more are divided away)."""
_LEAST_VARIANCE = 0.01
"""A sum of squares of doses below this is zero: the smallest real one is 1 - 1/n, at least 0.5."""
_CELLS_PER_BLOCK = 250_000
_CELLS_OF_SUMS = 4_000_000


def expected_r2(size: FloatArray) -> FloatArray:
    """Mean squared composite correlation that a sample of `size` fish shows without any drift.

    Parameters
    ----------
    size : ndarray, float64, any shape
        Fish typed at both loci, above 0.

    Returns
    -------
    ndarray, float64, same shape
        ``1/S + 3.19/S**2`` from 30 fish on, ``0.0018 + 0.907/S + 4.44/S**2`` below.

    Notes
    -----
    Fitted by simulation to the correlation that carries the factor S/(S - 1). It fails for very small
    samples: at 5 fish it gives 0.361 where the exact mean, S**2/(S - 1)**3, is 0.391.

    References
    ----------
    .. [1] Waples (2006), Conservation Genetics 7:167-184 (coefficients from memory, confirmed against the
       exact mean).
    """
    s = np.asarray(size, dtype=np.float64)
    return np.where(s >= 30, 1 / s + 3.19 / s**2, 0.0018 + 0.907 / s + 4.44 / s**2)


@dataclass(frozen=True)
class PairSums:
    """Weighted sums over pairs of alleles at different loci, one row per screen.

    A pair's weight is its share of independent comparisons times the square of the fish typed at both
    loci (the variance of a squared correlation falls with the square of the sample).

    Parameters
    ----------
    weight : ndarray, float64, shape (n_screens,)
        Sum of weights.
    r2, expected, drift : ndarray, float64, shape (n_screens,)
        Weighted sums of the squared correlation, of its mean without drift, and of their difference.
    weight_per_fish : ndarray, float64, shape (n_screens,)
        Sum of weight divided by pair size: `weight` over it is the weighted harmonic mean of sizes.
    comparisons : ndarray, float64, shape (n_screens,)
        Independent comparisons.
    locus_drift, locus_weight : ndarray, float64, shape (n_screens, n_loci)
        The part of `drift` and `weight` in pairs that contain each locus.
    fish_drift, fish_weight : ndarray, float64, shape (n_screens, n_fish)
        `drift` and `weight` recomputed without each fish; empty (0 columns) when not asked for.
    """

    weight: FloatArray
    r2: FloatArray
    expected: FloatArray
    drift: FloatArray
    weight_per_fish: FloatArray
    comparisons: FloatArray
    locus_drift: FloatArray
    locus_weight: FloatArray
    fish_drift: FloatArray
    fish_weight: FloatArray


class _Scan:
    """The allele columns in use, and what the blocks of a scan over their pairs share."""

    def __init__(
        self, columns: AlleleColumns, used: BigIntArray, screens: FloatArray, different_groups: bool
    ) -> None:
        self.dose = np.ascontiguousarray(columns.dose[:, used])
        self.locus = columns.locus[used]
        self.group = columns.linkage_group[used] if different_groups else None
        self.screens = screens
        self.typed = (self.dose >= 0).astype(np.float32)
        self.filled = np.maximum(self.dose, np.float32(0))
        self.squares = self.filled * self.filled

    def sums_over_fish(self, start: int, stop: int) -> DoseArray:
        """Sum over the fish typed at both loci, for columns ``start..stop`` with every earlier column.

        Returns
        -------
        ndarray, float32, shape (6, stop - start, stop)
            Fish; doses of the own and of the other allele; products; squares of either. Whole numbers below
            2**24, so exact in 32 bits.
        """
        rows, cols = slice(start, stop), slice(0, stop)
        typed, filled, squares = self.typed[:, cols], self.filled[:, cols], self.squares[:, cols]
        own_typed, own_filled = self.typed[:, rows].T, self.filled[:, rows].T
        out = np.empty((6, stop - start, stop), dtype=np.float32)
        np.matmul(own_typed, typed, out=out[0])
        np.matmul(own_filled, typed, out=out[1])
        np.matmul(own_typed, filled, out=out[2])
        np.matmul(own_filled, filled, out=out[3])
        np.matmul(self.squares[:, rows].T, typed, out=out[4])
        np.matmul(own_typed, squares, out=out[5])
        return out

    def pairs_used(self, start: int, stop: int) -> BoolArray:
        """Mark the pairs of a block to use: each once, at different loci, on different linkage groups."""
        own = np.arange(start, stop)[:, None]
        used: BoolArray = np.arange(stop)[None, :] < own
        used &= self.locus[start:stop, None] != self.locus[None, :stop]
        if self.group is not None:
            mine, theirs = self.group[start:stop, None], self.group[None, :stop]
            used &= (mine != theirs) & (mine >= 0) & (theirs >= 0)
        return used


@dataclass(frozen=True)
class _Block:
    """Sums of one block of rows: the parts of `PairSums` that add up."""

    totals: FloatArray
    column_drift: FloatArray
    column_weight: FloatArray
    change: FloatArray
    lost: FloatArray


def sum_pairs(
    columns: AlleleColumns,
    screens: FloatArray,
    n_loci: int,
    different_groups: bool = False,
    leave_out_fish: bool = False,
    threads: int | None = None,
) -> PairSums:
    """Sum the squared composite correlation over all pairs of alleles at different loci.

    Parameters
    ----------
    columns : AlleleColumns
        Allele doses.
    screens : ndarray, float64, shape (n_screens, n_columns)
        Weight of each column in each screen: independent alleles at its locus over columns kept there; 0
        if the screen leaves the allele out.
    n_loci : int
        Rows of the per-locus sums.
    different_groups : bool
        Use only pairs of loci on different known linkage groups.
    leave_out_fish : bool
        Also recompute the sums without each fish.
    threads : int, optional
        Threads for the blocks; default the processors, at most 8.

    Returns
    -------
    PairSums

    Notes
    -----
    Burrows' composite disequilibrium of two alleles is half the covariance of their doses with the
    divisor S - 1; divided by the square root of the two variances of a gene copy, each including the
    departure from Hardy-Weinberg proportions, it equals S/(S - 1) times the Pearson correlation of doses.
    Both use only the S fish typed at both loci. Weights stay those of the whole sample when a fish is left
    out; a pair whose locus stops varying without that fish drops out.

    References
    ----------
    .. [1] Weir (1979), Biometrics 35:235-254; Waples (2006), Conservation Genetics 7:167-184; Peel,
       Waples, Macbeth, Do & Ovenden (2013), Molecular Ecology Resources 13:243-253 (all from memory).
    """
    used = np.flatnonzero((screens > 0).any(axis=0))
    scan = _Scan(columns, used, np.ascontiguousarray(screens[:, used]), different_groups)
    n, m = scan.dose.shape
    n_screens = len(screens)
    totals = np.zeros((6, n_screens))
    column_drift, column_weight = np.zeros((n_screens, m)), np.zeros((n_screens, m))
    change, lost = np.zeros((n_screens, n)), np.zeros((n_screens, n))
    step = max(1, min(512, _CELLS_OF_SUMS // max(m, 1)))
    part = max(1, min(128, _CELLS_PER_BLOCK // max(m, 1)))
    # Few large matrix products, then the threads share their rows: products and threads never compete.
    with ThreadPoolExecutor(threads or min(8, os.cpu_count() or 1)) as pool:
        for start in range(1, m, step):
            stop = min(start + step, m)
            sums = scan.sums_over_fish(start, stop)
            cuts = [(i, min(i + part, stop)) for i in range(start, stop, part)]

            def work(cut: tuple[int, int], sums: DoseArray = sums, start: int = start) -> _Block:
                own = slice(cut[0] - start, cut[1] - start)
                return _sum_block(scan, *cut, sums[:, own, : cut[1]], leave_out_fish)

            for block in pool.map(work, cuts):
                totals += block.totals
                column_drift[:, : block.column_drift.shape[1]] += block.column_drift
                column_weight[:, : block.column_weight.shape[1]] += block.column_weight
                change += block.change
                lost += block.lost
    locus = scan.locus
    locus_drift, locus_weight = np.zeros((n_screens, n_loci)), np.zeros((n_screens, n_loci))
    for s in range(n_screens):
        locus_drift[s] = np.bincount(locus, weights=column_drift[s], minlength=n_loci)
        locus_weight[s] = np.bincount(locus, weights=column_weight[s], minlength=n_loci)
    weight, r2, expected, drift, per_fish, comparisons = totals
    keep = slice(None) if leave_out_fish else slice(0, 0)
    return PairSums(
        weight=weight,
        r2=r2,
        expected=expected,
        drift=drift,
        weight_per_fish=per_fish,
        comparisons=comparisons,
        locus_drift=locus_drift,
        locus_weight=locus_weight,
        fish_drift=(drift[:, None] + change)[:, keep],
        fish_weight=(weight[:, None] - lost)[:, keep],
    )


def _sum_block(scan: _Scan, start: int, stop: int, sums: DoseArray, leave_out_fish: bool) -> _Block:
    """Sum the pairs of columns ``start..stop`` with every earlier column."""
    rows, cols = slice(start, stop), slice(0, stop)
    size, sum_own, sum_other, cross, v_own, v_other = sums.astype(np.float64)
    safe_size = np.maximum(size, 1)
    mean_own, mean_other = sum_own / safe_size, sum_other / safe_size
    cross -= mean_own * sum_other
    v_own -= mean_own * sum_own
    v_other -= mean_other * sum_other
    used = scan.pairs_used(start, stop) & (size >= LEAST_PAIR_SIZE)
    used &= (v_own > _LEAST_VARIANCE) & (v_other > _LEAST_VARIANCE)

    s: FloatArray = np.where(used, size, float(LEAST_PAIR_SIZE))
    weight = np.where(used, s * s, 0.0)
    r2 = (s / (s - 1)) ** 2 * cross * cross / np.where(used, v_own * v_other, 1.0)
    weighted_r2 = weight * r2
    weighted_expected = weight * expected_r2(s)
    drift = weighted_r2 - weighted_expected

    screens, n_screens = scan.screens, len(scan.screens)
    totals = np.empty((6, n_screens))
    column_drift, column_weight = np.empty((n_screens, stop)), np.empty((n_screens, stop))
    for k in range(n_screens):
        own, other = screens[k, rows], screens[k, cols]
        by_row = [t @ other for t in (weight, weighted_r2, weighted_expected, drift, weight / s, used)]
        totals[:, k] = [own @ t for t in by_row]
        column_weight[k] = other * (own @ weight)
        column_drift[k] = other * (own @ drift)
        column_weight[k, rows] += own * by_row[0]
        column_drift[k, rows] += own * by_row[3]
    change, lost = np.zeros((n_screens, len(scan.dose))), np.zeros((n_screens, len(scan.dose)))
    if leave_out_fish:
        from broodstock.effective_size.leave_out_kernel import without_each_fish

        gone = weighted_r2 - weighted_expected + weight * expected_r2(s - 1)
        tables = (
            cross,
            v_own,
            v_other,
            mean_own,
            mean_other,
            s / (s - 1),
            weight * ((s - 1) / (s - 2)) ** 2,
            gone,
            drift,
            weight,
        )
        packed = np.stack([t.astype(np.float32) for t in tables])
        without_each_fish(scan.dose, start, packed, screens.astype(np.float32), change, lost)
    return _Block(totals, column_drift, column_weight, change, lost)
