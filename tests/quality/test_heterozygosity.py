"""Call rates, heterozygosity of samples, two fish in a vial, read balance."""

from __future__ import annotations

import numpy as np
import pytest

from broodstock.errors import ShapeError
from broodstock.genotypes.quality.call_rate import call_rates, monomorphic
from broodstock.genotypes.quality.heterozygosity import (
    allele_imbalance,
    gene_diversity,
    sample_heterozygosity,
    two_fish_suspected,
)
from broodstock.parentage.error_model import ErrorModel
from broodstock.parentage.simulate import draw_offspring, draw_unrelated, genotype_set, read_with_errors


def _mixture(calls, i, j):
    """What is called when two fish are in one vial: two different alleles wherever more than one is seen."""
    out = calls[:, i].copy()
    for k in range(calls.shape[0]):
        seen = sorted(set(calls[k, i]) | set(calls[k, j]))
        out[k] = (seen[0], seen[min(1, len(seen) - 1)])
    return out


@pytest.fixture(scope="module")
def panel():
    rng = np.random.default_rng(1)
    minor = rng.uniform(0.1, 0.5, 180)
    p = np.stack([1 - minor, minor], axis=1)
    return p, draw_unrelated(p, 300, rng)


def test_gene_diversity__equals_nei_1978():
    """Counts 10, 6, 4: unbiased expected heterozygosity 0.62 * 20 / 19 (Nei 1978, Genetics 89, 583; recomputed)."""
    genes = np.repeat([0, 1, 2], [10, 6, 4]).reshape(1, 10, 2).astype(np.int16)
    assert gene_diversity(genotype_set(genes, 3))[0] == pytest.approx(0.62 * 20 / 19, abs=1e-12)


def test_call_rates__count_calls():
    calls = np.array([[[0, 0], [-1, -1]], [[0, 1], [-1, -1]], [[-1, -1], [-1, -1]]], dtype=np.int16)
    genotypes = genotype_set(calls, 2)
    found = call_rates(genotypes)
    np.testing.assert_allclose(found.by_sample, [2 / 3, 0])
    np.testing.assert_allclose(found.by_locus, [0.5, 0.5, 0])
    assert monomorphic(genotypes).tolist() == [True, False, True]
    assert call_rates(genotypes.take(samples=[])).by_locus.tolist() == [0, 0, 0]


def test_sample_heterozygosity__two_fish_in_a_vial_are_found_without_false_alarm(panel):
    _, calls = panel
    mixed = calls.copy()
    mixed[:, 7] = _mixture(calls, 7, 8)
    mixed[:, 120] = _mixture(calls, 120, 33)
    found = sample_heterozygosity(genotype_set(mixed, 2))
    assert np.flatnonzero(two_fish_suspected(found)).tolist() == [7, 120]


def test_sample_heterozygosity__two_sibs_in_a_vial_stand_out_too(panel):
    _, calls = panel
    rng = np.random.default_rng(2)
    sibs = draw_offspring(calls, np.tile([0, 1], (2, 1)), rng)
    mixed = np.concatenate([calls, _mixture(sibs, 0, 1)[:, None]], axis=1)
    found = sample_heterozygosity(genotype_set(mixed, 2))
    assert int(np.argmax(found.z)) == 300
    assert found.adjusted[300] < 0.05


def test_sample_heterozygosity__dropout_shows_as_deficit(panel):
    p, calls = panel
    rng = np.random.default_rng(3)
    poor = calls.copy()
    poor[:, 5] = read_with_errors(calls[:, 5:6], p, ErrorModel.uniform(180, 0.0, 0.35), 0.0, rng)[:, 0]
    found = sample_heterozygosity(genotype_set(poor, 2))
    assert found.z[5] < -3
    assert found.adjusted[5] < 0.05
    assert not two_fish_suspected(found)[5]


def test_sample_heterozygosity__z_scores_are_standard_in_a_clean_set(panel):
    _, calls = panel
    found = sample_heterozygosity(genotype_set(calls, 2))
    assert abs(found.z.mean()) < 0.1
    assert found.z.std() == pytest.approx(1.0, abs=0.15)
    assert abs(found.fis) < 0.02


def test_sample_heterozygosity__unchanged_by_order_of_samples_and_alleles(panel):
    _, calls = panel
    order = np.random.default_rng(4).permutation(300)
    one = sample_heterozygosity(genotype_set(calls, 2))
    two = sample_heterozygosity(genotype_set(1 - calls[:, order][..., ::-1], 2))
    np.testing.assert_allclose(two.z, one.z[order], atol=1e-9)
    np.testing.assert_allclose(two.mixture_log_ratio, one.mixture_log_ratio[order], atol=1e-8)


@pytest.mark.parametrize(
    "calls",
    [
        np.zeros((4, 3, 2)),
        np.full((4, 3, 2), -1),
        np.zeros((0, 3, 2)),
        np.zeros((4, 0, 2)),
        np.array([[[0, 1]]] * 4),
    ],
    ids=["one allele", "all missing", "no loci", "no samples", "one fish"],
)
def test_sample_heterozygosity__degenerate_sets(calls):
    found = sample_heterozygosity(genotype_set(calls.astype(np.int16), 2))
    for values in (found.expected, found.z, found.p_value, found.adjusted, found.mixture_log_ratio):
        assert np.isfinite(values).all()
    assert not two_fish_suspected(found).any()


def test_allele_imbalance__mixture_reads_unevenly(panel):
    _, calls = panel
    rng = np.random.default_rng(5)
    genotypes = genotype_set(calls, 2)
    share = rng.uniform(0.4, 0.6, (180, 1))
    total = rng.poisson(60, calls.shape[:2])
    low_share = np.broadcast_to(share, total.shape).copy()
    low_share[:, 9] = np.where(rng.random(180) < 0.5, 0.25, 0.75)
    low = rng.binomial(total, low_share)
    first_is_low = calls[..., 0] <= calls[..., 1]
    depths = np.stack(
        [np.where(first_is_low, low, total - low), np.where(first_is_low, total - low, low)], axis=2
    )
    found = allele_imbalance(genotypes, depths)
    assert found.ratio[9] > 3
    assert np.delete(found.ratio, 9).max() < 2
    assert np.median(found.dispersion) == pytest.approx(1.0, abs=0.1)
    nothing = allele_imbalance(genotypes, np.zeros_like(depths))
    assert (nothing.ratio == 1.0).all()
    with pytest.raises(ShapeError, match=r"read depths"):
        allele_imbalance(genotypes, depths[:5])
