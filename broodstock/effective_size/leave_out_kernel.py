"""Compiled loop that leaves out each fish in turn from sums over pairs of alleles.

It takes bare arrays and checks nothing: `broodstock.effective_size.pairwise_ld` prepares them.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from broodstock.arrays import FloatArray
from broodstock.effective_size.allele_columns import DoseArray


@njit(cache=True, nogil=True, error_model="numpy", fastmath={"reassoc", "contract", "nsz", "arcp"})
def without_each_fish(
    dose: DoseArray,
    first: int,
    tables: DoseArray,
    screens: DoseArray,
    change: FloatArray,
    lost: FloatArray,
) -> None:  # pragma: no cover - compiled
    """Add to `change` and `lost` what leaving out each fish does to the sums of one block of rows.

    `tables` holds, for each pair of the block: cross product, both sums of squares, both means, S/(S - 1),
    the factor from a squared ratio to a weighted squared correlation one fish smaller, the weighted drift
    plus that fish's smaller expectation, the weighted drift, and the weight.
    """
    n_fish = dose.shape[0]
    n_rows = tables.shape[1]
    n_screens = screens.shape[0]
    zero = np.float32(0)
    least = np.float32(0.01)
    # One flat buffer with fixed offsets: the compiler can then prove that reads and writes do not overlap.
    t = np.empty(10 * 512, np.float32)
    new = np.empty(512, np.float32)
    out = np.empty(512, np.float32)
    last = first + n_rows - 1
    others = np.empty((n_fish, 512), np.float32)
    for j0 in range(0, last, 512):
        others[:, : min(512, last - j0)] = dose[:, j0 : min(j0 + 512, last)]
        for row in range(max(0, j0 + 1 - first), n_rows):
            i = first + row
            size = min(512, i - j0)
            fragile = False
            for part in range(10):
                for j in range(size):
                    t[part * 512 + j] = tables[part, row, j0 + j]
            for j in range(size):
                # A fish is at most 2 copies from the mean: only sums this small can vanish without it.
                most = np.float32(4) * t[5 * 512 + j] + least
                fragile |= (t[512 + j] < most) | (t[2 * 512 + j] < most)
            for k in range(n_fish):
                x = dose[k, i]
                if x < zero:
                    continue
                y_ = others[k]
                if not fragile:
                    for j in range(size):
                        y = y_[j]
                        d = x - t[3 * 512 + j]
                        e = y - t[4 * 512 + j]
                        a = t[5 * 512 + j]
                        left = (t[512 + j] - a * d * d) * (t[2 * 512 + j] - a * e * e)
                        cross = t[j] - a * d * e
                        value = t[6 * 512 + j] * cross * cross / left - t[7 * 512 + j]
                        new[j] = value if y >= zero else zero
                else:
                    for j in range(size):
                        y = y_[j]
                        d = x - t[3 * 512 + j]
                        e = y - t[4 * 512 + j]
                        a = t[5 * 512 + j]
                        left_own = t[512 + j] - a * d * d
                        left_other = t[2 * 512 + j] - a * e * e
                        cross = t[j] - a * d * e
                        varies = (left_own > least) & (left_other > least)
                        below = left_own * left_other if varies else np.float32(1)
                        value = t[6 * 512 + j] * cross * cross / below - t[7 * 512 + j]
                        value = value if varies else -t[8 * 512 + j]
                        new[j] = value if y >= zero else zero
                        out[j] = t[9 * 512 + j] if (y >= zero) & (not varies) else zero
                for s in range(n_screens):
                    g = screens[s, i]
                    if g == zero:
                        continue
                    g_ = screens[s, j0 : j0 + size]
                    total = zero
                    for j in range(size):
                        total += new[j] * g_[j]
                    change[s, k] += g * total
                    if fragile:
                        total = zero
                        for j in range(size):
                            total += out[j] * g_[j]
                        lost[s, k] += g * total
