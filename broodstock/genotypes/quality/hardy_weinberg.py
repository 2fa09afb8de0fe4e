"""Exact tests of Hardy-Weinberg proportions at each locus, for any number of alleles."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from broodstock.arrays import BigIntArray
from broodstock.errors import ValueRangeError
from broodstock.estimates import Estimate
from broodstock.genotypes.genotype_set import GenotypeSet
from broodstock.genotypes.quality import _hardy_weinberg_kernels as _kernels
from broodstock.genotypes.quality.false_discovery import benjamini_hochberg

MAX_TABLES = 1_000_000
"""Genotype tables that are enumerated before the test turns to random shuffles."""


@dataclass(frozen=True, slots=True)
class HardyWeinbergTest:
    """Test of one locus.

    Parameters
    ----------
    locus : str
        Name.
    n_typed, n_alleles : int
        Samples typed and alleles seen.
    observed, expected : float
        Heterozygosity counted, and expected without bias (Nei 1978); 0 if nobody is typed.
    p_value : Estimate
        Exact probability of a table no more likely than the one found; its interval is the Monte Carlo error
        where shuffles were used. Not estimable for fewer than two alleles.
    adjusted : float or None
        After Benjamini & Hochberg over the loci tested.
    deficit : float
        1 - observed / expected; positive when heterozygotes lack; 0 if nothing is expected.
    """

    locus: str
    n_typed: int
    n_alleles: int
    observed: float
    expected: float
    p_value: Estimate
    adjusted: float | None
    deficit: float


def biallelic_p_value(n_first: int, n_heterozygous: int, n_second: int, mid: bool = False) -> float:
    """Exact two-sided test of a two-allele locus.

    Parameters
    ----------
    n_first, n_heterozygous, n_second : int
        Fish of each genotype.
    mid : bool
        Count half the probability of the table found (mid-P).

    Returns
    -------
    float
        Sum of the probabilities of all tables with the same allele counts that are no more likely; 1 for no
        fish or one allele.

    Raises
    ------
    ValueRangeError
        If a count is negative.

    References
    ----------
    .. [1] Wigginton, Cutler & Abecasis (2005), American Journal of Human Genetics 76, 887-893.
    """
    from scipy.special import gammaln

    if min(n_first, n_heterozygous, n_second) < 0:
        raise ValueRangeError(
            f"genotype counts: found {(n_first, n_heterozygous, n_second)}. Expected 0 or more fish of each."
        )
    n = n_first + n_heterozygous + n_second
    first = 2 * n_first + n_heterozygous
    second = 2 * n - first
    if n == 0 or min(first, second) == 0:
        return 1.0
    rare = min(first, second)
    hets = np.arange(rare % 2, rare + 1, 2)
    rare_homs = (rare - hets) // 2
    common_homs = n - hets - rare_homs
    log_p = hets * math.log(2) - gammaln(hets + 1) - gammaln(rare_homs + 1) - gammaln(common_homs + 1)
    p = np.exp(log_p - log_p.max())
    p /= p.sum()
    at = int(np.searchsorted(hets, n_heterozygous))
    total = float(p[p <= p[at] * (1 + 1e-8)].sum())
    return min(1.0, total - (0.5 * float(p[at]) if mid else 0.0))


def multiallelic_p_value(
    table: BigIntArray, max_tables: int = MAX_TABLES, shuffles: int = 10_000, seed: int = 1
) -> Estimate:
    """Exact test of a locus with any number of alleles.

    Parameters
    ----------
    table : ndarray, int, shape (n_alleles, n_alleles)
        Genotype counts; entries (i, j) and (j, i) are added.
    max_tables : int
        Tables with the same allele counts that may be enumerated; beyond it, or when many alleles make each
        of them slow to reach, genes are shuffled at random.
    shuffles : int
        Random pairings of the genes.
    seed : int
        Seed of the shuffles.

    Returns
    -------
    Estimate
        Without interval when enumerated; otherwise (k + 1) / (shuffles + 1) with its normal 95 % interval.
        Not estimable with fewer than two alleles.

    Raises
    ------
    ValueRangeError
        If the table is not square, a count is negative or `shuffles` is below 1.

    References
    ----------
    .. [1] Louis & Dempster (1987), Biometrics 43, 805-811 (enumeration).
    .. [2] Guo & Thompson (1992), Biometrics 48, 361-372 (Monte Carlo).
    """
    counts = np.asarray(table, dtype=np.int64)
    if counts.ndim != 2 or counts.shape[0] != counts.shape[1] or (counts < 0).any() or shuffles < 1:
        raise ValueRangeError(
            f"genotype table: found shape {counts.shape} and {shuffles} shuffles. Expected a square table of counts "
            "of 0 or more, and at least 1 shuffle."
        )
    lower = np.tril(counts) + np.triu(counts, 1).T
    genes = lower.sum(axis=0) + lower.sum(axis=1)
    seen = np.flatnonzero(genes)
    n = int(lower.sum())
    if len(seen) < 2:
        return Estimate.not_estimable("fewer than two alleles are seen", "exact Hardy-Weinberg test", n)
    seen = seen[np.argsort(genes[seen], kind="stable")]
    ordered = counts[np.ix_(seen, seen)]
    ordered = np.triu(ordered + ordered.T - np.diag(np.diag(ordered)))
    log_found = _kernels.log_table(ordered)
    p, complete = _kernels.enumerate_tables(genes[seen], log_found, max_tables)
    if complete:
        return Estimate(
            min(1.0, float(p)), method="exact Hardy-Weinberg test, all tables enumerated", n_used=n
        )
    rng = np.random.default_rng(seed)
    hits = int(
        _kernels.shuffle_tables(np.repeat(np.arange(len(seen)), genes[seen]), log_found, shuffles, rng)
    )
    value = (hits + 1) / (shuffles + 1)
    error = 1.96 * math.sqrt(value * (1 - value) / shuffles)
    return Estimate(
        value,
        max(0.0, value - error),
        min(1.0, value + error),
        f"exact Hardy-Weinberg test by {shuffles} random pairings of the genes, seed {seed}",
        n,
    )


def hardy_weinberg_tests(
    genotypes: GenotypeSet,
    samples: Sequence[int] | np.ndarray | None = None,
    max_tables: int = MAX_TABLES,
    shuffles: int = 10_000,
    seed: int = 1,
) -> tuple[HardyWeinbergTest, ...]:
    """Test every locus, with control of the false discovery rate.

    Parameters
    ----------
    genotypes : GenotypeSet
        Calls.
    samples : sequence of int, optional
        Positions of the fish to test. Choose one population without close relatives, for example the wild
        founders: families and mixtures are not in Hardy-Weinberg proportions. Default: all.
    max_tables, shuffles, seed
        See `multiallelic_p_value`.

    Returns
    -------
    tuple of HardyWeinbergTest
        One per locus, in order.

    Raises
    ------
    ValueRangeError
        If `shuffles` is below 1.
    """
    part = genotypes if samples is None else genotypes.take(samples=samples)
    rows = []
    for k, locus in enumerate(part.loci):
        calls = part.calls[k][part.typed[k]].astype(np.int64)
        width = len(part.alleles[k])
        table = np.zeros((width, width), dtype=np.int64)
        np.add.at(table, (calls.max(axis=1), calls.min(axis=1)), 1)
        rows.append((locus.name, table, *_test_table(table, max_tables, shuffles, seed + k)))
    tested = [k for k, row in enumerate(rows) if row[2].value is not None]
    adjusted = benjamini_hochberg(np.array([float(rows[k][2].value or 0.0) for k in tested]))
    level = dict(zip(tested, adjusted.tolist(), strict=True))
    out = []
    for k, (name, table, p_value, n_alleles) in enumerate(rows):
        n = int(table.sum())
        genes = table.sum(axis=0) + table.sum(axis=1)
        observed = float(n - np.trace(table)) / n if n else 0.0
        squares = float((genes.astype(np.float64) ** 2).sum()) / (4.0 * n * n) if n else 1.0
        expected = (1 - squares) * 2 * n / (2 * n - 1) if n else 0.0
        deficit = 1 - observed / expected if expected > 0 else 0.0
        out.append(HardyWeinbergTest(name, n, n_alleles, observed, expected, p_value, level.get(k), deficit))
    return tuple(out)


def _test_table(table: BigIntArray, max_tables: int, shuffles: int, seed: int) -> tuple[Estimate, int]:
    genes = table.sum(axis=0) + table.sum(axis=1)
    seen = np.flatnonzero(genes)
    n = int(table.sum())
    if len(seen) == 2:
        i, j = seen
        p = biallelic_p_value(int(table[i, i]), int(table[j, i]), int(table[j, j]))
        return Estimate(p, method="exact Hardy-Weinberg test, two alleles", n_used=n), 2
    if n == 0:
        return Estimate.not_estimable("nobody is typed", "exact Hardy-Weinberg test"), 0
    return multiallelic_p_value(table, max_tables, shuffles, seed), len(seen)
