"""Duplicates, replicates, sex marker."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from broodstock.errors import UsageError, ValueRangeError
from broodstock.genotypes.genotype_set import Locus
from broodstock.genotypes.quality.duplicates import (
    duplicate_samples,
    identity_chance_of_sibs,
    matching_pairs,
)
from broodstock.genotypes.quality.replicates import gene_error_rates, replicate_errors
from broodstock.genotypes.quality.sex_marker import sex_calls
from broodstock.parentage.error_model import ErrorModel
from broodstock.parentage.simulate import draw_offspring, draw_unrelated, genotype_set, read_with_errors


def _panel(n_loci, seed):
    rng = np.random.default_rng(seed)
    minor = rng.uniform(0.15, 0.5, n_loci)
    return np.stack([1 - minor, minor], axis=1), rng


@pytest.mark.parametrize(
    ("frequencies", "expected"),
    [([0.5, 0.5], 0.59375), ([0.25] * 4, 0.40234375), ([0.6, 0.3, 0.1], 0.55135), ([0.1] * 10, 0.30475)],
)
def test_identity_chance_of_sibs__equals_published(frequencies, expected):
    """Waits, Luikart & Taberlet (2001), Molecular Ecology 10, 249; numbers confirmed by enumeration."""
    genes = np.repeat(np.arange(len(frequencies)), np.rint(np.array(frequencies) * 40).astype(int))
    genotypes = genotype_set(genes.reshape(1, 20, 2).astype(np.int16), len(frequencies))
    assert identity_chance_of_sibs(genotypes)[0] == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize(("n_alleles", "n_loci"), [(2, 70), (60, 14)])
def test_matching_pairs__equal_naive_comparison(n_alleles, n_loci):
    rng = np.random.default_rng(1)
    truth = draw_unrelated(rng.dirichlet(np.full(n_alleles, 1.0), n_loci), 12, rng)
    calls = np.concatenate([truth, truth[:, :6][..., ::-1]], axis=1)
    calls[rng.random(calls.shape[:2]) < 0.1] = -1
    flips = rng.random((n_loci, 6)) < 0.04
    calls[:, 12:][flips] = np.where(calls[:, 12:][flips] < 0, -1, 0)
    genotypes = genotype_set(calls, n_alleles)
    for limit, least in ((0.0, 1), (0.05, 10), (0.3, 5), (1.0, 1)):
        expected = []
        for i, j in itertools.combinations(range(18), 2):
            both = [
                (sorted(calls[k, i]), sorted(calls[k, j]))
                for k in range(n_loci)
                if calls[k, i, 0] >= 0 and calls[k, j, 0] >= 0
            ]
            missed = sum(a != b for a, b in both)
            if len(both) >= least and missed <= limit * len(both):
                expected.append((i, j, missed, len(both)))
        pairs, counts = matching_pairs(genotypes, limit, least)
        assert [(*a, *b) for a, b in zip(pairs.tolist(), counts.tolist(), strict=True)] == expected


def test_duplicate_samples__against_records():
    p, rng = _panel(120, 2)
    truth = draw_unrelated(p, 30, rng)
    error = ErrorModel.uniform(120, 0.003)
    twice = [0, 1, 2, 3]
    calls = read_with_errors(np.concatenate([truth, truth[:, twice]], axis=1), p, error, 0.03, rng)
    calls[:, 33] = read_with_errors(truth[:, 3:4], p, ErrorModel.uniform(120, 0.08), 0.0, rng)[:, 0]
    genotypes = genotype_set(calls, 2)
    names = genotypes.samples
    fish = {name: f"fish {i}" for i, name in enumerate(names[:30])}
    fish |= {names[30]: "fish 0", names[31]: "fish 99", names[33]: "fish 3"}
    fish[names[20]] = "fish 21"
    found = {(p.first, p.second): p.verdict for p in duplicate_samples(genotypes, fish)}
    assert found == {
        (names[0], names[30]): "same fish, as recorded",
        (names[1], names[31]): "one genotype, two fish on record",
        (names[2], names[32]): "one genotype, identity not on record",
        (names[3], names[33]): "same fish, poorly typed",
        (names[20], names[21]): "one fish on record, two genotypes",
    }


def test_duplicate_samples__full_sibs_are_not_taken_for_one_fish():
    p, rng = _panel(150, 3)
    sibs = draw_offspring(draw_unrelated(p, 2, rng), np.tile([0, 1], (60, 1)), rng)
    assert duplicate_samples(genotype_set(sibs, 2), max_mismatch=0.05) == ()


def test_duplicate_samples__few_loci_show_in_the_chance_of_sibs():
    p, rng = _panel(6, 4)
    sibs = draw_offspring(draw_unrelated(p, 2, rng), np.tile([0, 1], (30, 1)), rng)
    found = duplicate_samples(genotype_set(sibs, 2), min_compared=5)
    assert found
    assert min(x.sib_chance for x in found) > 0.001


def test_duplicate_samples__degenerate_sets():
    for calls in (np.full((20, 4, 2), -1), np.zeros((0, 4, 2)), np.zeros((20, 1, 2)), np.zeros((20, 0, 2))):
        assert duplicate_samples(genotype_set(calls.astype(np.int16), 2)) == ()
    with pytest.raises(UsageError, match=r"found max_mismatch 3"):
        matching_pairs(genotype_set(np.zeros((2, 2, 2), dtype=np.int16), 2), 3)


def test_replicate_errors__recovers_the_error_rate():
    p, rng = _panel(150, 5)
    truth = draw_unrelated(p, 60, rng)
    error = ErrorModel.uniform(150, 0.01)
    calls = read_with_errors(np.concatenate([truth, truth], axis=1), p, error, 0.02, rng)
    genotypes = genotype_set(calls, 2)
    found = replicate_errors(genotypes, [(i, 60 + i) for i in range(60)])
    read, true = np.sort(calls, axis=2), np.sort(np.concatenate([truth, truth], axis=1), axis=2)
    true_rate = (read != true).any(axis=2)[read[..., 0] >= 0].mean()
    assert found.error_rate.low < true_rate < found.error_rate.high
    rates = gene_error_rates(found, genotypes)
    assert rates.substitution == pytest.approx(0.01, rel=0.2)
    assert rates.dropout == 0.0


def test_replicate_errors__recovers_dropout():
    rng = np.random.default_rng(6)
    p = rng.dirichlet(np.full(10, 2.0), 14)
    truth = draw_unrelated(p, 150, rng)
    calls = read_with_errors(
        np.concatenate([truth, truth], axis=1), p, ErrorModel.uniform(14, 0.0, 0.04), 0.0, rng
    )
    genotypes = genotype_set(calls, 10)
    found = replicate_errors(genotypes, [(i, 150 + i) for i in range(150)])
    per_heterozygote = 2 * 0.04 / 1.04
    assert found.dropout_rate.low < per_heterozygote < found.dropout_rate.high
    assert found.other_rate.value == pytest.approx(0.0, abs=0.002)
    assert gene_error_rates(found, genotypes, with_dropout=True).dropout == pytest.approx(0.04, abs=0.012)


def test_replicate_errors__small_example_by_hand():
    calls = np.array(
        [
            [[0, 1], [1, 0]],
            [[0, 1], [0, 0]],
            [[0, 0], [1, 1]],
            [[0, 2], [0, 1]],
            [[0, 0], [0, 0]],
            [[-1, -1], [0, 0]],
        ],
        dtype=np.int16,
    )
    found = replicate_errors(genotype_set(calls, 3), [(0, 1)], max_mismatch=1.0)
    assert found.compared.tolist() == [1, 1, 1, 1, 1, 0]
    assert found.differing.tolist() == [0, 1, 1, 1, 0, 0]
    assert found.dropout_like.tolist() == [0, 1, 0, 0, 0, 0]
    assert found.error_rate.value == pytest.approx(0.3)
    assert found.dropout_rate.value == pytest.approx(1 / 3)
    interval = stats.binomtest(3, 5).proportion_ci()
    assert (found.error_rate.low, found.error_rate.high) == pytest.approx(
        (interval.low / 2, interval.high / 2)
    )


def test_replicate_errors__two_fish_are_refused_and_no_pairs_give_no_rate():
    p, rng = _panel(60, 7)
    genotypes = genotype_set(draw_unrelated(p, 4, rng), 2)
    found = replicate_errors(genotypes, [(0, 1)])
    assert found.pairs_used == ()
    assert found.pairs_refused[0][:2] == (genotypes.samples[0], genotypes.samples[1])
    assert found.error_rate.text() == "not estimable because there are no pairs of calls to count"
    assert gene_error_rates(found, genotypes).substitution == 0.0
    with pytest.raises(ValueRangeError, match=r"found the pair \(1, 1\)"):
        replicate_errors(genotypes, [(1, 1)])


def _sexed(shown, typed=4):
    calls = np.full((5, len(shown), 2), -1, dtype=np.int16)
    for i, s in enumerate(shown):
        if s is None:
            continue
        calls[:typed, i] = 0
        calls[:s, i, 1] = 1
    genotypes = genotype_set(calls, 2)
    loci = tuple(Locus(f"X{k}", role="sex", male_allele="2" if k < 4 else "") for k in range(5))
    return replace(genotypes, loci=loci)


def test_sex_calls__against_the_record():
    genotypes = _sexed([4, 0, 3, None, 1, 2])
    names = genotypes.samples
    record = {names[0]: "male", names[1]: "male", names[2]: "", names[3]: "female"}
    found = sex_calls(genotypes, record)
    assert [c.dna_sex for c in found] == ["male", "female", "male", "not testable", "female", "unclear"]
    assert [c.agrees for c in found] == [True, False, None, None, None, None]
    assert found[3].posterior_male == 0.5


def test_sex_calls__one_locus_may_be_unclear_and_odds_follow_bayes():
    one = _sexed([0, 1], typed=1)
    found = sex_calls(one, missed=0.1, false=0.01, certain_at=0.995)
    female = 0.1 / (0.1 + 0.99)
    assert found[0].posterior_male == pytest.approx(female)
    assert found[0].dna_sex == "unclear"
    assert found[1].posterior_male == pytest.approx(0.9 / 0.91)


def test_sex_calls__without_sex_loci():
    genotypes = genotype_set(np.zeros((3, 2, 2), dtype=np.int16), 2)
    assert {c.dna_sex for c in sex_calls(genotypes)} == {"not testable"}
    with pytest.raises(UsageError, match=r"Expected rates between 0 and 1"):
        sex_calls(genotypes, missed=0.0)
