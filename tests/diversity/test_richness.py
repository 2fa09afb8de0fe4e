"""Rarefaction against worked numbers, exhaustive draws and simulation."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from broodstock.diversity.heterozygosity import expected_heterozygosity
from broodstock.diversity.richness import (
    allelic_richness,
    common_sample_size,
    number_of_alleles,
    private_allelic_richness,
    probability_absent,
)
from broodstock.errors import ShapeError, UsageError


@pytest.mark.parametrize(
    ("counts", "g", "expected"),
    [
        ([10, 6, 4], 1, 1.0),
        ([10, 6, 4], 2, 1.652632),
        ([10, 6, 4], 10, 2.951233),
        ([10, 6, 4], 20, 3.0),
        ([50, 30, 10, 5, 3, 1, 1], 20, 4.477171),
    ],
)
def test_allelic_richness__worked_counts(counts, g, expected) -> None:
    # Hurlbert (1971); El Mousadik & Petit (1996); formula from memory, numbers computed from it.
    assert allelic_richness(np.array([counts]), g).values[0] == pytest.approx(expected, abs=5e-7)


def test_allelic_richness__of_two_copies_is_one_plus_heterozygosity() -> None:
    counts = np.random.default_rng(2).integers(0, 12, size=(100, 6)) + 1
    np.testing.assert_allclose(
        allelic_richness(counts, 2).values, 1 + expected_heterozygosity(counts).values, atol=1e-12
    )


def brute_richness(counts: np.ndarray, g: int) -> float:
    """Mean number of alleles over every possible draw of g copies."""
    copies = np.repeat(np.arange(len(counts)), counts)
    draws = [len({copies[i] for i in who}) for who in itertools.combinations(range(len(copies)), g)]
    return float(np.mean(draws))


def test_allelic_richness__every_draw() -> None:
    rng = np.random.default_rng(4)
    for _ in range(25):
        counts = rng.integers(0, 5, size=4)
        for g in range(1, min(int(counts.sum()), 6) + 1):
            found = allelic_richness(counts[None], g)
            assert found.valid[0]
            assert found.values[0] == pytest.approx(brute_richness(counts, g), abs=1e-10)


def test_allelic_richness__too_few_copies_is_not_valid() -> None:
    found = allelic_richness(np.array([[3, 2], [9, 1]]), 6)
    assert found.valid.tolist() == [False, True]
    assert np.isfinite(found.values).all()


def test_allelic_richness__large_counts_agree_with_exact_integers() -> None:
    counts, g = np.array([9000, 700, 40, 3, 1]), 500
    n = int(counts.sum())
    exact = sum(1 - math.comb(n - int(c), g) / math.comb(n, g) for c in counts)
    assert allelic_richness(counts[None], g).values[0] == pytest.approx(exact, rel=1e-9)


def test_probability_absent__refuses_no_draw() -> None:
    with pytest.raises(UsageError, match=r"found g = 0\. Expected 1 gene copy or more"):
        probability_absent(np.array([[1, 2]]), 0)


def test_private_allelic_richness__worked_counts() -> None:
    # Kalinowski (2004), Conservation Genetics 5:539, formula from memory; a simulation of 100 000 draws gave
    # 1.0099 and 0.9382.
    found = private_allelic_richness(np.array([[[10, 6, 4, 0], [12, 0, 5, 3]]]), 10)
    np.testing.assert_allclose(found.values[:, 0], [1.010131, 0.937381], atol=5e-7)


def test_private_allelic_richness__every_draw_of_three_groups() -> None:
    counts = np.array([[3, 2, 0, 1], [4, 0, 2, 0], [1, 1, 1, 2]])
    g = 3
    copies = [np.repeat(np.arange(4), c) for c in counts]
    seen = [[frozenset(x[list(w)]) for w in itertools.combinations(range(len(x)), g)] for x in copies]
    totals = np.zeros(3)
    for trio in itertools.product(*seen):
        for j in range(3):
            others = frozenset().union(*(s for k, s in enumerate(trio) if k != j))
            totals[j] += len(trio[j] - others)
    expected = totals / math.prod(len(s) for s in seen)
    found = private_allelic_richness(counts[None], g)
    np.testing.assert_allclose(found.values[:, 0], expected, atol=1e-12)


def test_private_allelic_richness__needs_every_group() -> None:
    counts = np.array([[[10, 6], [3, 0]], [[10, 6], [10, 0]]])
    assert private_allelic_richness(counts, 8).valid.tolist() == [[False, True], [False, True]]
    with pytest.raises(ShapeError, match=r"Expected \(n_loci, n_groups, max_alleles\)"):
        private_allelic_richness(counts[0], 8)


def test_number_of_alleles__counts_those_seen() -> None:
    found = number_of_alleles(np.array([[4, 0, 1], [0, 0, 0]]))
    assert found.values.tolist() == [2, 0]
    assert found.valid.tolist() == [True, False]


def test_common_sample_size__nine_loci_in_ten_and_small_groups_aside() -> None:
    copies = np.full((10, 3), 40)
    copies[0, 1] = 4
    copies[:, 2] = 6
    assert common_sample_size(copies) == 40
    assert common_sample_size(copies, locus_share=1.0) == 4
    assert common_sample_size(copies, smallest=2) == 6
    assert common_sample_size(np.full((3, 2), 4)) == 0
    assert common_sample_size(np.zeros((0, 2))) == 0
    with pytest.raises(UsageError, match="found locus_share 0"):
        common_sample_size(copies, locus_share=0)
    with pytest.raises(ShapeError, match=r"Expected \(n_loci, n_groups\)"):
        common_sample_size(np.zeros(3))
