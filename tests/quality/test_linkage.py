"""Association between locus pairs."""

from __future__ import annotations

import math

import allel
import numpy as np
import pytest
from scipy import stats

from broodstock.genotypes.quality.linkage import linkage_tests
from broodstock.parentage.simulate import draw_unrelated, genotype_set


def test_linkage__two_alleles_equal_squared_dose_correlation_of_scikit_allel():
    rng = np.random.default_rng(1)
    calls = draw_unrelated(np.tile([0.6, 0.4], (8, 1)), 40, rng)
    found = linkage_tests(genotype_set(calls, 2))
    reference = allel.rogers_huff_r((calls == 1).sum(axis=2).astype("i1")) ** 2
    np.testing.assert_allclose(found.r_squared, reference, atol=1e-6)
    np.testing.assert_allclose(found.statistic, 40 * reference, atol=1e-4)
    np.testing.assert_allclose(found.p_value, stats.chi2.sf(found.statistic, 1), atol=1e-10)


def test_linkage__known_small_example():
    """Pearson correlation of these doses is 0.67936623 (checked with a general library)."""
    x, y = [0, 1, 2, 1, 0, 2, 1, 1], [1, 1, 2, 0, 0, 2, 2, 1]
    calls = np.array([[[int(d > 0), int(d > 1)] for d in row] for row in (x, y)], dtype=np.int16)
    found = linkage_tests(genotype_set(calls, 2), min_fish=2)
    assert math.sqrt(found.r_squared[0]) == pytest.approx(0.67936623, abs=1e-8)


def test_linkage__many_alleles_with_missing_equal_sum_over_alleles():
    rng = np.random.default_rng(2)
    calls = draw_unrelated(rng.dirichlet(np.full(5, 2.0), 3), 60, rng)
    calls[rng.random((3, 60)) < 0.2] = -1
    found = linkage_tests(genotype_set(calls, 5))
    for row, (i, j) in enumerate([(0, 1), (0, 2), (1, 2)]):
        both = (calls[i, :, 0] >= 0) & (calls[j, :, 0] >= 0)
        x = np.stack([(calls[i][both] == a).sum(axis=1) for a in range(5)])
        y = np.stack([(calls[j][both] == a).sum(axis=1) for a in range(5)])
        x, y = x[x.std(axis=1) > 0], y[y.std(axis=1) > 0]
        r = np.corrcoef(x, y)[: len(x), len(x) :]
        k, m = len(x), len(y)
        expected = (k - 1) * (m - 1) / (k * m) * both.sum() * (r**2).sum()
        assert found.statistic[row] == pytest.approx(expected, abs=1e-8)
        assert (found.degrees[row], found.n_fish[row]) == ((k - 1) * (m - 1), both.sum())


@pytest.mark.parametrize("n_alleles", [2, 4])
def test_linkage__unlinked_loci_are_rejected_as_often_as_promised(n_alleles):
    rng = np.random.default_rng(3)
    calls = draw_unrelated(rng.dirichlet(np.full(n_alleles, 5.0), 60), 120, rng)
    found = linkage_tests(genotype_set(calls, n_alleles))
    assert len(found.p_value) == 60 * 59 // 2
    assert (found.p_value <= 0.05).mean() == pytest.approx(0.05, abs=0.015)
    assert found.associated(0.01).sum() <= 1


def test_linkage__a_copied_locus_is_found():
    rng = np.random.default_rng(4)
    calls = draw_unrelated(np.tile([0.5, 0.3, 0.2], (10, 1)), 80, rng)
    calls[7] = calls[2]
    found = linkage_tests(genotype_set(calls, 3))
    hit = found.associated(0.01)
    assert [(found.first[k], found.second[k]) for k in np.flatnonzero(hit)] == [(2, 7)]


def test_linkage__leaves_out_what_cannot_be_tested():
    rng = np.random.default_rng(5)
    calls = draw_unrelated(np.tile([0.5, 0.5], (5, 1)), 30, rng)
    calls[0] = 0
    calls[1] = -1
    calls[2, :25] = -1
    calls[3, 0], calls[3, 1:] = (0, 1), 0
    calls[4, 0] = -1
    found = linkage_tests(genotype_set(calls, 2))
    assert len(found.p_value) == 0
    assert found.n_untestable == 3
    assert len(linkage_tests(genotype_set(calls[:, :0], 2)).p_value) == 0
    assert len(linkage_tests(genotype_set(calls[:1], 2)).p_value) == 0
