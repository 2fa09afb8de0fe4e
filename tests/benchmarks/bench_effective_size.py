"""Times of the linkage effective size on data of real size, beside a general-purpose pairwise correlation."""

from __future__ import annotations

import time
from typing import Any

import numpy as np

from broodstock.effective_size.linkage import linkage_ne


def make_calls(n_fish: int, n_loci: int, missing: float, seed: int = 1) -> np.ndarray:
    """Return biallelic calls, (n_loci, n_fish, 2), -1 where untyped."""
    rng = np.random.default_rng(seed)
    p = rng.uniform(0.02, 0.5, n_loci)
    calls = (rng.random((n_loci, n_fish, 2)) < p[:, None, None]).astype(np.int16)
    calls[rng.random((n_loci, n_fish)) < missing] = -1
    return calls


def linkage_row(n_fish: int, n_loci: int, bar: float | None, jackknife: bool = True) -> dict[str, Any]:
    """Time five screens with all intervals."""
    calls = make_calls(n_fish, n_loci, 0.03)
    started, processor = time.perf_counter(), time.process_time()
    results = linkage_ne(calls, jackknife_fish=jackknife)
    seconds, processor = time.perf_counter() - started, time.process_time() - processor
    return {
        "work": "linkage Ne, jackknife over fish and loci"
        if jackknife
        else "linkage Ne, jackknife over loci",
        "size": f"{n_fish} fish x {n_loci} SNPs, 3 % missing",
        "seconds": round(seconds, 3),
        "bar": bar,
        "note": f"{len(results)} screens, {results[-1].n_comparisons} pairs of loci, {processor:.1f} s of processor",
    }


def reference_row(n_fish: int, n_loci: int) -> dict[str, Any]:
    """Time the correlation of all pairs in scikit-allel, which does no correction, screen or interval."""
    import allel

    calls = make_calls(n_fish, n_loci, 0.03)
    dose = calls.sum(axis=2).astype("i1")
    dose[calls[..., 0] < 0] = -1
    allel.rogers_huff_r(dose[:50])
    started, processor = time.perf_counter(), time.process_time()
    allel.rogers_huff_r(dose)
    seconds, processor = time.perf_counter() - started, time.process_time() - processor
    return {
        "work": "correlation of all pairs only (scikit-allel rogers_huff_r)",
        "size": f"{n_fish} fish x {n_loci} SNPs, 3 % missing",
        "seconds": round(seconds, 3),
        "bar": None,
        "note": f"no correction, no screens, no interval, {processor:.1f} s of processor",
    }


def rows() -> list[dict[str, Any]]:
    """Return one row per measurement."""
    linkage_ne(make_calls(30, 40, 0.03))  # compile
    return [
        linkage_row(350, 176, 0.5),
        linkage_row(500, 5000, 15.0),
        linkage_row(500, 5000, None, jackknife=False),
        reference_row(500, 5000),
    ]


if __name__ == "__main__":
    for row in rows():
        print(row)
