"""Samples with too many or too few heterozygous loci, and two fish in one vial.

Too many heterozygous loci point to foreign DNA or two fish in a vial; too few to allelic dropout in poor
samples, to inbreeding or to another population.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from broodstock.arrays import BigIntArray, BoolArray, FloatArray
from broodstock.errors import ShapeError
from broodstock.genotypes.genotype_set import GenotypeSet
from broodstock.genotypes.quality.false_discovery import benjamini_hochberg


@dataclass(frozen=True)
class SampleHeterozygosity:
    """Heterozygous loci of each sample against expectation; arrays of shape (n_samples,).

    Parameters
    ----------
    typed, heterozygous : ndarray, int64
        Loci typed, and heterozygous among them.
    expected : ndarray, float64
        Heterozygous loci expected of a fish of this set with the same loci typed.
    z : ndarray, float64
        Deviation in standard deviations, scaled by the spread among samples; 0 where not testable.
    p_value, adjusted : ndarray, float64
        Two-sided, and after Benjamini & Hochberg; 1 where not testable.
    testable : ndarray, bool
        At least one variable locus is typed.
    mixture_log_ratio : ndarray, float64
        Natural log of the likelihood ratio of two unrelated fish in the vial against one fish.
    fis : float
        Mean heterozygote deficit of the set, taken out of the expectation.
    spread : float
        Standard deviation among samples relative to independent loci (1 or more).
    """

    typed: BigIntArray
    heterozygous: BigIntArray
    expected: FloatArray
    z: FloatArray
    p_value: FloatArray
    adjusted: FloatArray
    testable: BoolArray
    mixture_log_ratio: FloatArray
    fis: float
    spread: float


def gene_diversity(genotypes: GenotypeSet) -> FloatArray:
    """Return unbiased expected heterozygosity by locus (Nei 1978), 0 where nobody is typed.

    Returns
    -------
    ndarray, float64, shape (n_loci,)
    """
    counts = genotypes.allele_counts().astype(np.float64)
    n = counts.sum(axis=1)
    p = counts / np.maximum(n, 1)[:, None]
    homozygosity = (p**2).sum(axis=1)
    return np.where(n > 1, (1 - homozygosity) * n / np.maximum(n - 1, 1), 0.0)


def sample_heterozygosity(genotypes: GenotypeSet) -> SampleHeterozygosity:
    """Compare the heterozygosity of each sample with the rest of the set.

    Parameters
    ----------
    genotypes : GenotypeSet
        Samples of one population; neutral loci give the clearest test.

    Returns
    -------
    SampleHeterozygosity

    Notes
    -----
    The expectation sums gene diversity over the loci typed in the sample, reduced by the mean deficit of the
    whole set. Linked loci and differences in inbreeding widen the spread among samples; with ten samples or
    more it is estimated by the median absolute deviation and taken into account.

    In a vial with two unrelated fish a locus is called heterozygous unless all four genes are alike,
    probability 1 minus the sum of fourth powers of the allele frequencies (Hardy-Weinberg proportions).
    """
    from scipy.special import erfc

    typed_at = genotypes.typed
    heterozygous_at = (genotypes.calls[..., 0] != genotypes.calls[..., 1]) & typed_at
    diversity = gene_diversity(genotypes)
    typed = typed_at.sum(axis=0).astype(np.int64)
    heterozygous = heterozygous_at.sum(axis=0).astype(np.int64)
    all_expected = float((diversity[:, None] * typed_at).sum())
    fis = 1.0 - float(heterozygous.sum()) / all_expected if all_expected > 0 else 0.0
    rate: FloatArray = np.clip(diversity * (1.0 - fis), 0.0, 1.0)
    present = typed_at.astype(np.float64)
    expected = rate @ present
    variance = (rate * (1 - rate)) @ present
    testable: BoolArray = variance > 1e-9
    raw = np.where(testable, (heterozygous - expected) / np.sqrt(np.where(testable, variance, 1.0)), 0.0)
    spread = 1.0
    if int(testable.sum()) >= 10:
        middle = float(np.median(raw[testable]))
        spread = max(1.0, 1.4826 * float(np.median(np.abs(raw[testable] - middle))))
    z = raw / spread
    p_value = np.where(testable, erfc(np.abs(z) / np.sqrt(2.0)), 1.0)
    adjusted = np.ones_like(p_value)
    adjusted[testable] = benjamini_hochberg(p_value[testable])
    return SampleHeterozygosity(
        typed,
        heterozygous,
        expected,
        z,
        p_value,
        adjusted,
        testable,
        _mixture_log_ratio(genotypes, typed_at, heterozygous_at, rate),
        fis,
        spread,
    )


def two_fish_suspected(
    found: SampleHeterozygosity, level: float = 0.01, min_log_ratio: float = 6.9
) -> BoolArray:
    """Return the samples that look like two fish in one vial.

    Parameters
    ----------
    found : SampleHeterozygosity
        From `sample_heterozygosity`.
    level : float
        False discovery rate for the excess.
    min_log_ratio : float
        Least natural log of the likelihood ratio two fish against one (6.9: odds of 1 000).

    Returns
    -------
    ndarray, bool, shape (n_samples,)

    Notes
    -----
    More than two alleles at a locus are not visible in called genotypes, and two sibs in a vial show a
    smaller excess than two unrelated fish. A first-generation hybrid can show an excess too: look at its
    hybrid index before the fish is clipped again.
    """
    suspected: BoolArray = (
        (found.z > 0) & (found.adjusted <= level) & (found.mixture_log_ratio >= min_log_ratio)
    )
    return suspected


@dataclass(frozen=True)
class AlleleImbalance:
    """Uneven read depths at heterozygous calls; arrays of shape (n_samples,).

    Parameters
    ----------
    n_calls : ndarray, int64
        Heterozygous calls with reads.
    dispersion : ndarray, float64
        Mean squared deviation of the read shares from the locus's usual share, in units of chance; near 1
        for one clean fish, larger for two fish or foreign DNA. 1 without such calls.
    ratio : ndarray, float64
        Dispersion divided by the median over samples; 1 without such calls.
    """

    n_calls: BigIntArray
    dispersion: FloatArray
    ratio: FloatArray


def allele_imbalance(genotypes: GenotypeSet, depths: np.ndarray) -> AlleleImbalance:
    """Measure how unevenly the two alleles of heterozygous calls were read.

    Parameters
    ----------
    genotypes : GenotypeSet
        Calls.
    depths : ndarray, int, shape (n_loci, n_samples, 2)
        Reads of the first and second allele of each call, in the order of `genotypes.calls`.

    Returns
    -------
    AlleleImbalance

    Raises
    ------
    ShapeError
        If the depths do not fit the calls.
    """
    reads = np.asarray(depths, dtype=np.float64)
    if reads.shape != genotypes.calls.shape:
        raise ShapeError(
            f"read depths: found shape {reads.shape}. Expected {genotypes.calls.shape}, as the calls."
        )
    first, second = genotypes.calls[..., 0], genotypes.calls[..., 1]
    # Ordered by allele number, so that a locus that favours one allele shows the same share in all fish.
    low = np.where(first <= second, reads[..., 0], reads[..., 1])
    total = reads.sum(axis=2)
    used = (first != second) & genotypes.typed & (total > 0)
    usual = np.where(used, low, 0).sum(axis=1) / np.maximum(np.where(used, total, 0).sum(axis=1), 1)
    usual = np.clip(usual, 0.02, 0.98)[:, None]
    squared = (low - usual * total) ** 2 / (usual * (1 - usual) * np.maximum(total, 1))
    n_calls = used.sum(axis=0).astype(np.int64)
    dispersion = np.where(n_calls > 0, np.where(used, squared, 0).sum(axis=0) / np.maximum(n_calls, 1), 1.0)
    middle = float(np.median(dispersion[n_calls > 0])) if (n_calls > 0).any() else 1.0
    ratio = np.where(n_calls > 0, dispersion / max(middle, 1e-9), 1.0)
    return AlleleImbalance(n_calls, dispersion, ratio)


def _mixture_log_ratio(
    genotypes: GenotypeSet, typed_at: BoolArray, heterozygous_at: BoolArray, one_fish: FloatArray
) -> FloatArray:
    counts = genotypes.allele_counts().astype(np.float64)
    p = counts / np.maximum(counts.sum(axis=1), 1)[:, None]
    two_fish = np.where(counts.sum(axis=1) > 0, 1 - (p**4).sum(axis=1), 0.0)
    # A call error or two keeps either hypothesis possible.
    least = 0.002
    one, two = np.clip(one_fish, least, 1 - least), np.clip(two_fish, least, 1 - least)
    variable = (one_fish > 0) & (two_fish > 0)
    het = np.where(variable, np.log(two / one), 0.0)
    hom = np.where(variable, np.log((1 - two) / (1 - one)), 0.0)
    out: FloatArray = het @ heterozygous_at.astype(np.float64) + hom @ (typed_at & ~heterozygous_at).astype(
        float
    )
    return out
