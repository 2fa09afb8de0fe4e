"""Compiled comparison of every sample with every other."""

from __future__ import annotations

import numpy as np
from numba import njit

_BLOCK = 32


@njit(cache=True)
def matching(codes: np.ndarray, max_mismatch: float, min_compared: int) -> np.ndarray:
    """List pairs (i, j, mismatches, compared) with few mismatches.

    Codes are int32 (n_samples, n_loci), -1 missing. A pair is left as soon as its mismatches exceed what
    even complete typing would allow.
    """
    n, n_loci = codes.shape
    limit = int(max_mismatch * n_loci)
    out = np.empty((64, 4), np.int64)
    found = 0
    for i in range(n):
        for j in range(i + 1, n):
            missed, compared = 0, 0
            start = 0
            while start < n_loci and missed <= limit:
                stop = min(start + _BLOCK, n_loci)
                for k in range(start, stop):
                    both = (codes[i, k] >= 0) & (codes[j, k] >= 0)
                    compared += both
                    missed += both & (codes[i, k] != codes[j, k])
                start = stop
            if missed > limit or compared < min_compared or missed > max_mismatch * compared:
                continue
            if found == out.shape[0]:
                larger = np.empty((2 * found, 4), np.int64)
                larger[:found] = out
                out = larger
            out[found, 0], out[found, 1], out[found, 2], out[found, 3] = i, j, missed, compared
            found += 1
    return out[:found]
