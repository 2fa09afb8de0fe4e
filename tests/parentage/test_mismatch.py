"""Mismatches, exclusion probabilities and the allowed number."""

from __future__ import annotations

import itertools

import allel
import numpy as np
import pytest
from scipy import stats

from broodstock.errors import ShapeError, ValueRangeError
from broodstock.parentage.error_model import ErrorModel
from broodstock.parentage.mismatch import (
    allowed_mismatches,
    exclusion_probabilities,
    expected_mismatches,
    pair_mismatches,
    trio_mismatches,
)
from broodstock.parentage.simulate import draw_offspring, draw_unrelated, genotype_set, read_with_errors

FREQUENCIES = {
    "two equal": [0.5, 0.5],
    "four equal": [0.25] * 4,
    "6 3 1": [0.6, 0.3, 0.1],
    "9 1": [0.9, 0.1],
}
# Jamieson & Taylor (1997), Animal Genetics 28, 397: one parent known, none known, both wrong. Formulas from
# memory, each number confirmed by enumeration of all genotypes.
PUBLISHED = {
    "two equal": (0.1875, 0.125, 0.28125),
    "four equal": (0.50390625, 0.328125, 0.6767578125),
    "6 3 1": (0.27252, 0.1458, 0.412434),
    "9 1": (0.0819, 0.0162, 0.143874),
}


@pytest.mark.parametrize("name", list(FREQUENCIES))
def test_exclusion_probabilities__equal_published(name):
    found = exclusion_probabilities(np.array([FREQUENCIES[name]]))
    values = (found.one_parent_known[0], found.none_known[0], found.both_wrong[0])
    assert values == pytest.approx(PUBLISHED[name], abs=1e-12)


@pytest.mark.parametrize(
    ("n_loci", "expected"),
    [(5, (0.969952, 0.863088, 0.996471)), (10, (0.999097, 0.981255, 0.999988))],
)
def test_exclusion_probabilities__combine_over_loci(n_loci, expected):
    """Four equal alleles, Jamieson & Taylor (1997), recomputed."""
    found = exclusion_probabilities(np.full((n_loci, 4), 0.25)).combined()
    assert found == pytest.approx(expected, abs=6e-7)


def test_exclusion_probabilities__equal_power_sum_formulas_for_60_alleles():
    p = np.random.default_rng(1).dirichlet(np.full(60, 1.0))
    a2, a3, a4, a5, a6 = (float((p**k).sum()) for k in range(2, 7))
    one_known = 1 - 2 * a2 + a3 + 2 * a4 - 3 * a5 - 2 * a2**2 + 3 * a2 * a3
    none_known = 1 - 4 * a2 + 2 * a2**2 + 4 * a3 - 3 * a4
    both = 1 + 4 * a4 - 4 * a5 - 3 * a6 - 8 * a2**2 + 8 * a2 * a3 + 2 * a3**2
    found = exclusion_probabilities(p[None, :])
    assert found.none_known[0] == pytest.approx(none_known, abs=1e-10)
    assert found.one_parent_known[0] == pytest.approx(one_known, abs=1e-10)
    assert found.both_wrong[0] == pytest.approx(both, abs=1e-10)


def test_trio_mismatches__equal_scikit_allel_mendel_errors():
    rng = np.random.default_rng(5)
    calls = rng.integers(0, 4, size=(60, 3, 2)).astype(np.int16)
    for n_alleles in (2, 3, 4):
        some = calls % n_alleles
        found = trio_mismatches(genotype_set(some, n_alleles), [(2, 0, 1)])
        errors = allel.mendel_errors(some[:, :2], some[:, 2:])
        assert found.mismatches[0] == int((np.asarray(errors)[:, 0] > 0).sum())
        assert found.compared[0] == 60


def test_pair_mismatches__equal_sets_of_alleles_and_skip_missing():
    rng = np.random.default_rng(6)
    calls = rng.integers(0, 5, size=(40, 8, 2)).astype(np.int16)
    calls[rng.random((40, 8)) < 0.15] = -1
    found = pair_mismatches(genotype_set(calls, 5), range(4), range(4, 8))
    for i, j in itertools.product(range(4), range(4)):
        both = [(set(calls[k, i]), set(calls[k, 4 + j])) for k in range(40)]
        both = [(a, b) for a, b in both if -1 not in a and -1 not in b]
        assert found.compared[i, j] == len(both)
        assert found.mismatches[i, j] == sum(not (a & b) for a, b in both)


def test_trio_mismatches__absent_parents():
    calls = np.array([[[0, 0], [1, 1], [0, 1]], [[0, 1], [1, 1], [-1, -1]]], dtype=np.int16)
    found = trio_mismatches(genotype_set(calls, 2), [(0, 1, -1), (0, -1, 1), (0, -1, -1), (2, 0, -1)])
    assert found.mismatches.tolist() == [1, 1, 0, 0]
    assert found.compared.tolist() == [2, 2, 2, 1]


def test_expected_mismatches__zero_without_errors():
    one, both = expected_mismatches(np.array([[0.6, 0.3, 0.1]]), ErrorModel.uniform(1, 0.0))
    assert one[0] == pytest.approx(0.0, abs=1e-15)
    assert both[0] == pytest.approx(0.0, abs=1e-15)


@pytest.mark.parametrize(("substitution", "dropout"), [(0.05, 0.0), (0.0, 0.1), (0.04, 0.08)])
def test_expected_mismatches__equal_simulated_families(substitution, dropout):
    rng = np.random.default_rng(11)
    p = np.array([[0.6, 0.3, 0.1]])
    n = 200_000
    error = ErrorModel.uniform(1, substitution, dropout)
    parents = draw_unrelated(p, 2 * n, rng)
    young = draw_offspring(parents, np.arange(2 * n).reshape(n, 2), rng)
    read = read_with_errors(np.concatenate([parents, young], axis=1), p, error, 0.0, rng)[0]
    dam, sire, child = read[0 : 2 * n : 2], read[1 : 2 * n : 2], read[2 * n :]

    def shares(x, y):
        return (x[:, :, None] == y[:, None, :]).any(axis=2)

    pair = (dam >= 0).all(axis=1) & (child >= 0).all(axis=1)
    trio = pair & (sire >= 0).all(axis=1)
    in_dam, in_sire = shares(child, dam), shares(child, sire)
    fits = (in_dam[:, 0] & in_sire[:, 1]) | (in_dam[:, 1] & in_sire[:, 0])
    one, both = expected_mismatches(p, error)
    for observed, expected in (
        ((~in_dam.any(axis=1))[pair], one[0]),
        ((~fits)[trio], both[0]),
    ):
        standard_error = np.sqrt(expected * (1 - expected) / len(observed))
        assert abs(observed.mean() - expected) < 4 * standard_error


def test_allowed_mismatches__equals_binomial_quantile():
    for n, q, level in ((200, 0.01, 0.999), (96, 0.003, 0.9999), (14, 0.05, 0.95)):
        assert allowed_mismatches(np.full(n, q), level) == int(stats.binom.ppf(level, n, q))


def test_allowed_mismatches__unequal_rates_equal_enumeration():
    q = np.array([0.1, 0.4, 0.05, 0.3])
    mass = np.zeros(5)
    for outcome in itertools.product([0, 1], repeat=4):
        mass[sum(outcome)] += np.prod(np.where(outcome, q, 1 - q))
    for level in (0.3, 0.6, 0.9, 0.99):
        assert allowed_mismatches(q, level) == int(np.argmax(np.cumsum(mass) >= level))


def test_allowed_mismatches__without_loci_or_errors_is_zero():
    assert allowed_mismatches(np.zeros(0)) == 0
    assert allowed_mismatches(np.zeros(100)) == 0


def test_mismatch__raises_on_bad_input():
    genotypes = genotype_set(np.zeros((2, 3, 2), dtype=np.int16), 2)
    with pytest.raises(ShapeError, match=r"offspring, dam, sire"):
        trio_mismatches(genotypes, np.zeros((2, 2), dtype=int))
    with pytest.raises(ValueRangeError, match=r"Expected -1 to 2"):
        trio_mismatches(genotypes, [(0, 1, 7)])
    with pytest.raises(ValueRangeError, match=r"candidates: found positions from 3 to 3"):
        pair_mismatches(genotypes, [0], [3])
    with pytest.raises(ValueRangeError, match=r"rows that are not distributions"):
        exclusion_probabilities(np.array([[0.5, 0.6]]))
    with pytest.raises(ValueRangeError, match=r"confidence: found 1.0"):
        allowed_mismatches(np.array([0.1]), 1.0)
