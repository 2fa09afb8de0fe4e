"""Alleles that do not amplify, and heterozygotes read as homozygotes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from broodstock.estimates import Estimate
from broodstock.genotypes.genotype_set import GenotypeSet
from broodstock.genotypes.quality import _null_allele_kernels as _kernels

_HALF_CHI_SQUARE_95 = 1.9207294103470


@dataclass(frozen=True, slots=True)
class NullAlleles:
    """Null-allele frequency of one locus.

    Parameters
    ----------
    locus : str
        Name.
    likelihood : Estimate
        Maximum-likelihood frequency, null homozygotes among the missing calls taken into account, with its
        95 % profile-likelihood interval.
    from_deficit : Estimate
        (expected - observed) / (1 + expected) heterozygosity (Brookfield 1996, first estimator), without
        interval; negative values show as 0.
    other_failure : float
        Estimated share of calls missing for other reasons.
    """

    locus: str
    likelihood: Estimate
    from_deficit: Estimate
    other_failure: float


def null_allele_frequencies(
    genotypes: GenotypeSet, samples: Sequence[int] | np.ndarray | None = None
) -> tuple[NullAlleles, ...]:
    """Estimate null-allele frequencies locus by locus.

    Parameters
    ----------
    genotypes : GenotypeSet
        Calls.
    samples : sequence of int, optional
        Positions of the fish to use: one population without families, for inbreeding and mixtures make the
        same deficit. Default: all.

    Returns
    -------
    tuple of NullAlleles
        One per locus. Not estimable where fewer than two alleles are seen.

    References
    ----------
    .. [1] Dempster, Laird & Rubin (1977), Journal of the Royal Statistical Society B 39, 1-38.
    .. [2] Brookfield (1996), Molecular Ecology 5, 453-455.
    .. [3] Kalinowski & Taper (2006), Conservation Genetics 7, 991-995.
    """
    part = genotypes if samples is None else genotypes.take(samples=samples)
    return tuple(_one_locus(part, k) for k in range(part.n_loci))


def _one_locus(genotypes: GenotypeSet, k: int) -> NullAlleles:
    method = "maximum likelihood by expectation and maximisation, missing calls included; profile interval"
    simple = "heterozygote deficit (Brookfield 1996)"
    calls = genotypes.calls[k][genotypes.typed[k]].astype(np.int64)
    n, missing = len(calls), genotypes.n_samples - len(calls)
    width = max(len(genotypes.alleles[k]), 1)
    homozygous = calls[:, 0] == calls[:, 1]
    homs = np.bincount(calls[homozygous, 0], minlength=width)
    hets = np.bincount(calls[~homozygous].ravel(), minlength=width)
    seen = (homs + hets) > 0
    if int(seen.sum()) < 2:
        reason = "fewer than two alleles are seen" if n else "nobody is typed"
        return NullAlleles(
            genotypes.loci[k].name,
            Estimate.not_estimable(reason, method, n),
            Estimate.not_estimable(reason, simple, n),
            missing / max(genotypes.n_samples, 1),
        )
    homs, hets = homs[seen].astype(np.float64), hets[seen].astype(np.float64)
    best, failure, top = _kernels.fit(homs, hets, float(missing))
    low = _limit(homs, hets, missing, best, top, 0.0)
    high = _limit(homs, hets, missing, best, top, 1.0)
    p = (2 * homs + hets) / (2 * n)
    expected = (1 - float((p**2).sum())) * 2 * n / (2 * n - 1)
    observed = float((~homozygous).mean())
    return NullAlleles(
        genotypes.loci[k].name,
        Estimate(best, low, high, method, n),
        Estimate(max(0.0, (expected - observed) / (1 + expected)), None, None, simple, n),
        float(failure),
    )


def _limit(homs: np.ndarray, hets: np.ndarray, missing: int, best: float, top: float, end: float) -> float:
    """Find where the profile log-likelihood has dropped by half the chi-square value, towards `end`."""
    edge = end if end == 0.0 else 0.98
    if abs(best - edge) < 1e-9:
        return best
    if top - _kernels.profile(homs, hets, float(missing), edge) <= _HALF_CHI_SQUARE_95:
        return edge
    inside, outside = best, edge
    for _ in range(30):
        middle = 0.5 * (inside + outside)
        if top - _kernels.profile(homs, hets, float(missing), middle) <= _HALF_CHI_SQUARE_95:
            inside = middle
        else:
            outside = middle
    return float(0.5 * (inside + outside))


def dropout_from_sample_quality(
    genotypes: GenotypeSet, permutations: int = 999, seed: int = 1
) -> tuple[Estimate, float]:
    """Test whether poorly typed samples lack heterozygotes, the sign of allelic dropout.

    Parameters
    ----------
    genotypes : GenotypeSet
        Calls of one population.
    permutations : int
        Random re-orderings of the samples for the p-value.
    seed : int
        Seed.

    Returns
    -------
    tuple of Estimate and float
        Correlation between the share of loci missing and the share of typed loci that are homozygous beyond
        expectation (positive: dropout), without interval; and its one-sided permutation p-value (1 if not
        estimable).

    References
    ----------
    .. [1] Wang, Schroeder & Rosenberg (2012), Genetics 192, 651-669 (the relation between missing and
       homozygous calls).
    """
    from broodstock.genotypes.quality.heterozygosity import sample_heterozygosity

    method = f"correlation of missing and excess homozygous calls over samples; {permutations} permutations"
    found = sample_heterozygosity(genotypes)
    use = found.testable
    n = int(use.sum())
    if n < 3:
        return Estimate.not_estimable("fewer than three samples have variable loci typed", method, n), 1.0
    missing = 1.0 - found.typed[use] / genotypes.n_loci
    excess = (found.expected[use] - found.heterozygous[use]) / np.maximum(found.typed[use], 1)
    missing, excess = missing - missing.mean(), excess - excess.mean()
    scale = float(np.sqrt((missing**2).sum() * (excess**2).sum()))
    if scale < 1e-12:
        return Estimate.not_estimable(
            "call rate or heterozygosity is the same in all samples", method, n
        ), 1.0
    rng = np.random.default_rng(seed)
    value = float(missing @ excess) / scale
    hits = sum(float(rng.permutation(missing) @ excess) / scale >= value - 1e-12 for _ in range(permutations))
    return Estimate(value, method=method, n_used=n, unit_used="samples"), (hits + 1) / (permutations + 1)
