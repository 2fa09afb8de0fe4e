"""Times of the diversity table, differentiation and trends on data of real size."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

import numpy as np

from broodstock.diversity.change import change_between
from broodstock.diversity.components import principal_components
from broodstock.diversity.differentiation import pairwise_differentiation
from broodstock.diversity.table import diversity_table
from broodstock.diversity.trend import trend_by_year_class
from broodstock.genotypes.genotype_set import GenotypeSet, Locus


def make_set(n_loci: int, n_fish: int, n_alleles: int = 2, seed: int = 1) -> GenotypeSet:
    """Return fish in Hardy-Weinberg proportions, 3 % of calls missing."""
    rng = np.random.default_rng(seed)
    p = rng.dirichlet(np.full(n_alleles, 1.0), size=n_loci)
    steps = p.cumsum(axis=1)[:, None, None, :-1]
    calls = (rng.random((n_loci, n_fish, 2, 1)) >= steps).sum(axis=-1).astype(np.int16)
    calls[rng.random((n_loci, n_fish)) < 0.03] = -1
    return GenotypeSet(
        tuple(f"LF-{i:05d}" for i in range(n_fish)),
        tuple(Locus(f"Lyp{i:05d}") for i in range(n_loci)),
        (tuple(f"a{k}" for k in range(n_alleles)),) * n_loci,
        calls,
    )


def timed(work: str, size: str, bar: float | None, run: Callable[[], Any], note: str = "") -> dict[str, Any]:
    """Run once and return the row."""
    started = time.perf_counter()
    run()
    return {
        "work": work,
        "size": size,
        "seconds": round(time.perf_counter() - started, 3),
        "bar": bar,
        "note": note,
    }


def rows() -> list[dict[str, Any]]:
    """Return one row per measurement."""
    snps, sized, many = make_set(192, 500), make_set(14, 500, 20), make_set(5000, 500)
    one = ["w"] * 500
    years = [2014 + i % 10 for i in range(500)]
    diversity_table(make_set(5, 10), ["w"] * 10, n_replicates=20)  # import scipy.special
    table = "diversity table, bootstrap over fish, 1 000 replicates"
    return [
        timed(table, "500 fish x 192 SNPs, 1 group", 1.0, lambda: diversity_table(snps, one)),
        timed(table, "500 fish x 192 SNPs, 10 year classes", 2.0, lambda: diversity_table(snps, years)),
        timed(table, "500 fish x 14 microsatellites of 20 alleles, 10 year classes", 2.0,
              lambda: diversity_table(sized, years)),
        timed(table, "500 fish x 5 000 SNPs, 10 year classes", None, lambda: diversity_table(many, years)),
        timed("diversity table, bootstrap over loci, 1 000 replicates",
              "500 fish x 5 000 SNPs, 10 year classes", None,
              lambda: diversity_table(many, years, over="loci")),
        timed("pairwise theta, 1 000 replicates over loci, 999 permutations of fish",
              "10 year classes x 50 fish x 192 SNPs, 45 pairs", None,
              lambda: pairwise_differentiation(snps, years)),
        timed("trend of expected heterozygosity", "10 year classes x 50 fish x 192 SNPs", 2.0,
              lambda: trend_by_year_class(snps, years)),
        timed("change between two year classes, permutation test",
              "2 x 50 fish x 192 SNPs, 1 000 permutations", 2.0,
              lambda: change_between(snps, years, 2014, 2023, test="permutation")),
        timed("principal components", "500 fish x 5 000 SNPs", None, lambda: principal_components(many)),
    ]  # fmt: skip


if __name__ == "__main__":
    for row in rows():
        print(row)
