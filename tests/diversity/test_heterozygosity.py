"""Heterozygosity against worked numbers, brute force and scikit-allel."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from broodstock.diversity.groups import LocusValues, allele_counts_by_group
from broodstock.diversity.heterozygosity import (
    effective_alleles,
    expected_heterozygosity,
    inbreeding_coefficient,
    observed_heterozygosity,
)
from broodstock.diversity.richness import number_of_alleles
from broodstock.errors import ShapeError, ValueRangeError


def test_expected_heterozygosity__worked_counts() -> None:
    # Nei (1978), Genetics 89:583, from memory: 10, 6, 4 copies give 0.62 * 20 / 19.
    found = expected_heterozygosity(np.array([[10, 6, 4]]))
    assert found.values[0] == pytest.approx(0.62 * 20 / 19, abs=1e-12)
    assert found.values[0] == pytest.approx(0.652632, abs=5e-7)


def test_expected_heterozygosity__is_the_share_of_unlike_pairs() -> None:
    rng = np.random.default_rng(3)
    for _ in range(50):
        counts = rng.integers(0, 6, size=rng.integers(1, 6))
        if counts.sum() < 2:
            continue
        copies = np.repeat(np.arange(len(counts)), counts)
        pairs = list(itertools.combinations(copies, 2))
        unlike = sum(a != b for a, b in pairs) / len(pairs)
        assert expected_heterozygosity(counts[None]).values[0] == pytest.approx(unlike, abs=1e-12)


def test_expected_heterozygosity__is_unbiased_over_every_possible_sample() -> None:
    # Exact mean over all samples of five gene copies from frequencies 0.5, 0.3, 0.2.
    p = np.array([0.5, 0.3, 0.2])
    mean = 0.0
    for draw in itertools.product(range(3), repeat=5):
        counts = np.bincount(draw, minlength=3)
        mean += p[list(draw)].prod() * expected_heterozygosity(counts[None]).values[0]
    assert mean == pytest.approx(1 - (p**2).sum(), abs=1e-12)


def test_expected_heterozygosity__agrees_with_scikit_allel_pairwise_differences() -> None:
    allel = pytest.importorskip("allel")
    counts = np.random.default_rng(5).integers(0, 9, size=(200, 10))
    counts[:, 0] += 1
    counts[:, 1] += 1
    expected = allel.mean_pairwise_difference(counts)
    np.testing.assert_allclose(expected_heterozygosity(counts).values, expected, atol=1e-12)


def test_expected_heterozygosity__keeps_the_correction_scikit_allel_leaves_out() -> None:
    # allel.heterozygosity_expected is 1 - sum p^2, without 2n / (2n - 1).
    allel = pytest.importorskip("allel")
    counts = np.array([[6, 4], [1, 9]])
    biased = allel.heterozygosity_expected(counts / 10, ploidy=2)
    np.testing.assert_allclose(expected_heterozygosity(counts).values, biased * 10 / 9, atol=1e-12)


def test_expected_heterozygosity__no_gap_where_scikit_allel_returns_nan() -> None:
    # With many alleles the frequencies sum to 0.9999..., and allel.heterozygosity_expected gives NaN
    # without a word; counts have no such rounding.
    allel = pytest.importorskip("allel")
    counts = np.random.default_rng(7).integers(1, 30, size=(500, 10))
    frequencies = counts / counts.sum(axis=1, keepdims=True)
    reference = allel.heterozygosity_expected(frequencies, ploidy=2)
    gaps = np.isnan(reference)
    assert gaps.sum() > 10
    found = expected_heterozygosity(counts)
    n = counts.sum(axis=1)
    assert found.valid.all()
    np.testing.assert_allclose(found.values[~gaps], (reference * n / (n - 1))[~gaps], atol=1e-12)
    assert (found.values[gaps] > 0.5).all()


def test_expected_heterozygosity__one_copy_or_none_is_not_valid() -> None:
    found = expected_heterozygosity(np.array([[1, 0], [0, 0], [2, 0]]))
    assert found.valid.tolist() == [False, False, True]
    assert found.values.tolist() == [0, 0, 0]


def test_expected_heterozygosity__refuses_frequencies() -> None:
    with pytest.raises(
        ValueRangeError, match=r"found 0\.5\. Expected whole numbers.*counts, not frequencies"
    ):
        expected_heterozygosity(np.array([[0.5, 0.5]]))
    with pytest.raises(ValueRangeError, match="found nan"):
        expected_heterozygosity(np.array([[np.nan, 0.5]]))
    with pytest.raises(ValueRangeError, match=r"found -1\. Expected counts of 0 or more"):
        expected_heterozygosity(np.array([[-1, 4]]))
    with pytest.raises(ShapeError, match=r"shape \(3,\). Expected \(\.\.\., n_loci, max_alleles\)"):
        expected_heterozygosity(np.array([1, 2, 3]))


def test_observed_heterozygosity__counts_and_refusals() -> None:
    found = observed_heterozygosity(np.array([3, 0]), np.array([12, 0]))
    assert found.values.tolist() == [0.25, 0]
    assert found.valid.tolist() == [True, False]
    with pytest.raises(ValueRangeError, match="above the number of typed fish"):
        observed_heterozygosity(np.array([4]), np.array([3]))
    with pytest.raises(ShapeError, match="Expected equal shapes"):
        observed_heterozygosity(np.array([4, 1]), np.array([3]))


def test_observed_heterozygosity__agrees_with_scikit_allel(random_set) -> None:
    allel = pytest.importorskip("allel")
    genotypes = random_set(20, 40, 5, seed=8)
    calls = genotypes.calls
    het = (genotypes.typed & (calls[..., 0] != calls[..., 1])).sum(axis=1)
    found = observed_heterozygosity(het, genotypes.typed.sum(axis=1))
    reference = allel.heterozygosity_observed(allel.GenotypeArray(calls.astype("i1")))
    np.testing.assert_allclose(found.values, reference, atol=1e-12)


def test_inbreeding_coefficient__ratio_of_means_and_monomorphic() -> None:
    both = np.array([True, True])
    fis, valid = inbreeding_coefficient(
        LocusValues(np.array([0.3, 0.0]), both), LocusValues(np.array([0.4, 0.0]), both)
    )
    assert (float(fis), bool(valid)) == (pytest.approx(0.25), True)
    _, valid = inbreeding_coefficient(
        LocusValues(np.array([0.0, 0.0]), both), LocusValues(np.array([0.0, 0.0]), both)
    )
    assert not valid
    with pytest.raises(ShapeError, match="Expected equal shapes"):
        inbreeding_coefficient(LocusValues(np.zeros(1), both[:1]), LocusValues(np.zeros(2), both))


def test_effective_alleles__equal_frequencies() -> None:
    # Kimura & Crow (1964), Genetics 49:725: k equally frequent alleles give k.
    for k in range(1, 8):
        assert effective_alleles(np.full((1, k), 6)).values[0] == pytest.approx(k)


def test_nancycats__unbiased_and_biased_heterozygosity(microsatellites) -> None:
    # Open data of r-cran-adegenet; biased Hs of P01..P04 as its own Hs() gives, unbiased means computed
    # from Nei (1978).
    genotypes, groups = microsatellites("nancycats")
    labels, counts = allele_counts_by_group(genotypes, groups)
    assert labels[:4] == ("P01", "P02", "P03", "P04")
    by_group = counts.transpose(1, 0, 2)
    unbiased = expected_heterozygosity(by_group).mean()
    np.testing.assert_allclose(unbiased[:4], [0.64907, 0.70120, 0.71900, 0.74976], atol=5e-6)
    p = by_group / by_group.sum(axis=-1, keepdims=True).clip(1)
    biased = (1 - (p**2).sum(axis=-1)).mean(axis=1)
    np.testing.assert_allclose(biased[:4], [0.6157292, 0.6852617, 0.6890432, 0.7334594], atol=5e-8)
    whole = genotypes.allele_counts()
    q = whole / whole.sum(axis=1, keepdims=True)
    np.testing.assert_allclose(
        (1 - (q**2).sum(axis=1))[:4], [0.865722, 0.792875, 0.795332, 0.760309], atol=1e-6
    )


def test_nancycats__observed_alleles_and_missing(microsatellites) -> None:
    # The summary() of r-cran-adegenet gives the same: alleles per locus, observed heterozygosity, 2.34 % missing.
    genotypes, _ = microsatellites("nancycats")
    assert number_of_alleles(genotypes.allele_counts()).values.tolist() == [16, 11, 10, 9, 12, 8, 12, 12, 18]
    het = (genotypes.typed & (genotypes.calls[..., 0] != genotypes.calls[..., 1])).sum(axis=1)
    found = observed_heterozygosity(het, genotypes.typed.sum(axis=1)).values
    np.testing.assert_allclose(found[:4], [0.668203, 0.666667, 0.679325, 0.708333], atol=1e-6)
    assert 100 * (1 - genotypes.typed.mean()) == pytest.approx(2.34, abs=0.005)
