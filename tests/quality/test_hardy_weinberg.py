"""Exact Hardy-Weinberg tests against published tables, enumeration and reference libraries."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
import sgkit
import xarray as xr
from scipy import stats

from broodstock.errors import ValueRangeError
from broodstock.genotypes.quality.false_discovery import benjamini_hochberg
from broodstock.genotypes.quality.hardy_weinberg import (
    biallelic_p_value,
    hardy_weinberg_tests,
    multiallelic_p_value,
)
from broodstock.parentage.simulate import draw_unrelated, genotype_set


@pytest.mark.parametrize(
    ("hets", "two_sided", "mid"),
    [
        (9, 0.000048, 0.000025),
        (11, 0.000919, 0.000484),
        (13, 0.010293, 0.005606),
        (15, 0.069576, 0.039935),
        (17, 0.284042, 0.176809),
        (19, 1.0, 0.796823),
        (21, 0.593645, 0.438843),
    ],
)
def test_biallelic__equals_published_table(hets, two_sided, mid):
    """Wigginton, Cutler & Abecasis (2005), AJHG 76, 887: 100 fish, 21 minor alleles; table from memory."""
    homs = (21 - hets) // 2
    assert biallelic_p_value(homs, hets, 100 - hets - homs) == pytest.approx(two_sided, abs=6e-7)
    assert biallelic_p_value(homs, hets, 100 - hets - homs, mid=True) == pytest.approx(mid, abs=6e-7)


def test_biallelic__equals_sgkit():
    rng = np.random.default_rng(1)
    counts = rng.integers(0, 40, size=(60, 3))
    dataset = xr.Dataset(
        {"variant_genotype_count": (("variants", "genotypes"), counts.astype("uint64"))},
        coords={"genotypes": ["0/0", "0/1", "1/1"]},
    )
    reference = sgkit.hardy_weinberg_test(
        dataset, genotype_count="variant_genotype_count", ploidy=2, alleles=2
    ).variant_hwe_p_value.values
    found = [biallelic_p_value(*map(int, row)) for row in counts]
    np.testing.assert_allclose(found, reference, atol=1e-9)


def test_multiallelic__equals_published_exact_probability():
    """Louis & Dempster (1987), Biometrics 43, 805, four alleles, 45 fish; data from memory, all 162 365 tables."""
    table = np.zeros((4, 4), dtype=int)
    for row, cells in enumerate([[0], [3, 1], [5, 18, 1], [3, 7, 5, 2]]):
        table[row, : len(cells)] = cells
    exact = multiallelic_p_value(table)
    assert exact.value == pytest.approx(0.0174423, abs=5e-8)
    assert exact.low is None
    assert multiallelic_p_value(table, max_tables=162_365).method == exact.method
    sampled = multiallelic_p_value(table, max_tables=162_364, shuffles=40_000, seed=3)
    assert "random pairings" in sampled.method
    assert abs(sampled.value - exact.value) < 4 * math.sqrt(0.01744 * 0.98256 / 40_000)
    assert sampled.low < exact.value < sampled.high


def _brute_force(table):
    """Probability over every distinct pairing of the genes, by permutation."""
    k = len(table)
    lower = np.tril(table) + np.triu(table, 1).T
    genes = [a for a in range(k) for _ in range(int(lower[a].sum() + lower[:, a].sum()))]

    def weight(pairs):
        return tuple(sorted(tuple(sorted(p)) for p in pairs))

    found = weight([(i, j) for i in range(k) for j in range(i + 1) for _ in range(lower[i, j])])
    seen: dict = {}
    total = 0
    for order in itertools.permutations(genes):
        key = weight(zip(order[::2], order[1::2], strict=True))
        seen[key] = seen.get(key, 0) + 1
        total += 1
    return sum(n for n in seen.values() if n <= seen[found] * (1 + 1e-9)) / total


@pytest.mark.parametrize(
    "table",
    [
        [[1, 0, 0], [1, 0, 0], [1, 1, 0]],
        [[2, 0, 0], [0, 1, 0], [0, 1, 0]],
        [[0, 0, 0, 0], [1, 0, 0, 0], [0, 0, 1, 0], [1, 0, 0, 1]],
    ],
)
def test_multiallelic__equals_all_permutations(table):
    table = np.array(table)
    assert multiallelic_p_value(table).value == pytest.approx(_brute_force(table), abs=1e-9)


def test_multiallelic__two_alleles_equal_the_two_allele_test():
    for counts in ((3, 4, 8), (10, 2, 1), (0, 7, 5)):
        table = np.array([[counts[0], 0], [counts[1], counts[2]]])
        assert multiallelic_p_value(table).value == pytest.approx(biallelic_p_value(*counts), abs=1e-9)


def test_multiallelic__unchanged_when_alleles_are_renamed():
    rng = np.random.default_rng(2)
    table = np.tril(rng.integers(0, 4, size=(4, 4)))
    order = rng.permutation(4)
    full = table + np.tril(table, -1).T
    renamed = np.tril(full[np.ix_(order, order)])
    assert multiallelic_p_value(renamed).value == pytest.approx(multiallelic_p_value(table).value, abs=1e-12)


def test_multiallelic__60_alleles_and_many_fish():
    rng = np.random.default_rng(4)
    calls = draw_unrelated(rng.dirichlet(np.full(60, 1.0), 1), 500, rng)
    found = hardy_weinberg_tests(genotype_set(calls, 60), shuffles=2000)[0]
    assert found.n_alleles > 50
    assert 0.001 < found.p_value.value <= 1
    inbred = calls.copy()
    inbred[0, :150, 1] = inbred[0, :150, 0]
    assert hardy_weinberg_tests(genotype_set(inbred, 60), shuffles=2000)[0].p_value.value < 0.005


def test_tests__true_proportions_are_rejected_as_often_as_promised():
    rng = np.random.default_rng(5)
    p = np.concatenate(
        [rng.dirichlet(np.full(4, 3.0), 150), np.pad(rng.dirichlet([3, 3], 250), ((0, 0), (0, 2)))]
    )
    found = hardy_weinberg_tests(genotype_set(draw_unrelated(p, 60, rng), 4), max_tables=20_000, shuffles=500)
    p_values = np.array([t.p_value.value for t in found])
    for level in (0.01, 0.05, 0.2):
        limit = level + 3.5 * math.sqrt(level * (1 - level) / len(found)) + 0.002
        assert (p_values <= level).mean() <= limit
    assert sum(t.adjusted <= 0.05 for t in found) <= 2


def test_tests__deficit_is_found_with_its_size():
    rng = np.random.default_rng(6)
    calls = draw_unrelated(np.tile([0.5, 0.5], (20, 1)), 300, rng)
    inbred = rng.random(300) < 0.4
    calls[0, inbred, 1] = calls[0, inbred, 0]
    found = hardy_weinberg_tests(genotype_set(calls, 2))
    assert found[0].adjusted < 1e-4
    assert found[0].deficit == pytest.approx(0.4, abs=0.12)
    assert all(t.adjusted > 0.05 for t in found[1:])


def test_tests__say_why_a_locus_cannot_be_tested():
    calls = np.full((3, 5, 2), -1, dtype=np.int16)
    calls[1] = 0
    calls[2, 0] = (0, 1)
    found = hardy_weinberg_tests(genotype_set(calls, 2))
    assert found[0].p_value.text() == "not estimable because nobody is typed"
    assert found[1].p_value.text() == "not estimable because fewer than two alleles are seen"
    assert found[1].adjusted is None
    assert found[2].p_value.value == 1.0
    assert (found[2].observed, found[2].n_typed) == (1.0, 1)
    empty = genotype_set(np.zeros((2, 0, 2), dtype=np.int16), 2)
    assert [t.n_typed for t in hardy_weinberg_tests(empty)] == [0, 0]


def test_tests__use_the_reference_samples_only():
    rng = np.random.default_rng(7)
    calls = draw_unrelated(np.tile([0.5, 0.5], (1, 1)), 100, rng)
    calls[0, 50:] = 0
    whole, part = genotype_set(calls, 2), np.arange(50)
    assert hardy_weinberg_tests(whole, part) == hardy_weinberg_tests(whole.take(samples=part))


def test_hardy_weinberg__raises_on_bad_counts():
    with pytest.raises(ValueRangeError, match=r"Expected 0 or more fish of each"):
        biallelic_p_value(-1, 2, 3)
    with pytest.raises(ValueRangeError, match=r"Expected a square table"):
        multiallelic_p_value(np.zeros((2, 3), dtype=int))


def test_benjamini_hochberg__equals_scipy():
    rng = np.random.default_rng(8)
    for n in (1, 2, 50):
        p = rng.random(n) ** 2
        np.testing.assert_allclose(benjamini_hochberg(p), stats.false_discovery_control(p), atol=1e-14)
    assert benjamini_hochberg(np.zeros(0)).shape == (0,)
    with pytest.raises(ValueRangeError, match=r"outside 0 to 1"):
        benjamini_hochberg(np.array([0.5, np.nan]))
