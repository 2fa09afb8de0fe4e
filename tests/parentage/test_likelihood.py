"""Parentage likelihoods against published ratios and against enumeration of every true genotype."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from broodstock.errors import ShapeError, ValueRangeError
from broodstock.parentage.error_model import ErrorModel, reference_frequencies
from broodstock.parentage.likelihood import (
    UNKNOWN,
    Scorer,
    genotype_likelihood,
    likelihood_ratio,
    pair_log_ratios,
    trio_log_ratios,
)
from broodstock.parentage.simulate import draw_offspring, draw_unrelated, genotype_set, read_with_errors

A, B, C, D = 0, 1, 2, 3
P4 = np.array([0.2, 0.3, 0.35, 0.15])


@pytest.mark.parametrize(
    ("offspring", "parent", "ratio", "lod"),
    [
        ((A, A), (A, A), 5.0, 1.609438),
        ((A, A), (A, B), 2.5, 0.916291),
        ((A, B), (A, B), 0.5 / (4 * 0.06), 0.733969),
        ((A, B), (A, C), 1.25, 0.223144),
        ((A, A), (B, C), 0.0, -math.inf),
    ],
)
def test_likelihood_ratio__of_a_pair_equals_published(offspring, parent, ratio, lod):
    """Meagher (1986), Marshall et al. (1998), p(A) = 0.2, p(B) = 0.3; from memory, recomputed by definition."""
    found = likelihood_ratio(offspring, parent, UNKNOWN, P4)
    assert found == pytest.approx(ratio, abs=1e-12)
    assert likelihood_ratio(offspring, UNKNOWN, parent, P4) == pytest.approx(found, abs=1e-15)
    if ratio:
        assert math.log(found) == pytest.approx(lod, abs=5e-7)


@pytest.mark.parametrize(
    ("dam", "sire", "ratio"),
    [
        ((A, A), (B, B), 1 / 0.3),
        ((A, A), (B, C), 0.5 / 0.3),
        ((A, B), (A, A), 2.0),
        ((A, B), (A, B), 2.0),
        ((A, B), (A, C), 1.0),
    ],
)
def test_likelihood_ratio__with_known_dam_equals_published(dam, sire, ratio):
    """Marshall et al. (1998), offspring AB, p(A) = 0.2, p(B) = 0.3: sire given dam; from memory, recomputed."""
    both = genotype_likelihood((A, B), dam, sire, P4)
    alone = genotype_likelihood((A, B), dam, UNKNOWN, P4)
    assert both / alone == pytest.approx(ratio, abs=1e-12)


def test_genotype_likelihood__of_unrelated_is_hardy_weinberg():
    for a, b in itertools.combinations_with_replacement(range(4), 2):
        expected = P4[a] * P4[b] * (1 if a == b else 2)
        assert genotype_likelihood((a, b), UNKNOWN, UNKNOWN, P4) == pytest.approx(expected, abs=1e-15)


def _readings(true, p, substitution, dropout):
    """Every reading of one true genotype with its probability; None for a failed typing."""
    out: dict = {}
    for reads in itertools.product(range(len(p)), repeat=2):
        q = 1.0
        for read, gene in zip(reads, true, strict=True):
            q *= (1 - substitution) * (read == gene) + substitution * p[read]
        for lost in itertools.product([False, True], repeat=2):
            weight = q * math.prod(dropout if x else 1 - dropout for x in lost)
            if all(lost):
                seen = None
            elif any(lost):
                kept = reads[1] if lost[0] else reads[0]
                seen = (kept, kept)
            else:
                seen = tuple(sorted(reads))
            out[seen] = out.get(seen, 0.0) + weight
    return out


def _enumerated(p, substitution, dropout):
    """Joint probability of the readings of dam, sire and offspring by summing over all true genotypes."""
    genotypes = list(itertools.product(range(len(p)), repeat=2))
    reads = {g: _readings(g, p, substitution, dropout) for g in genotypes}
    joint: dict = {}
    for dam, sire in itertools.product(genotypes, repeat=2):
        prior = p[dam[0]] * p[dam[1]] * p[sire[0]] * p[sire[1]]
        child: dict = {}
        for x, y in itertools.product(dam, sire):
            for seen, q in reads[x, y].items():
                child[seen] = child.get(seen, 0.0) + q / 4
        for (rd, qd), (rs, qs), (rc, qc) in itertools.product(
            reads[dam].items(), reads[sire].items(), child.items()
        ):
            joint[rd, rs, rc] = joint.get((rd, rs, rc), 0.0) + prior * qd * qs * qc
    return joint


@pytest.mark.parametrize(("substitution", "dropout"), [(0.0, 0.0), (0.07, 0.0), (0.0, 0.12), (0.05, 0.2)])
def test_genotype_likelihood__equals_enumeration_of_true_genotypes(substitution, dropout):
    p = np.array([0.55, 0.3, 0.15])
    joint = _enumerated(p, substitution, dropout)
    typed = list(itertools.combinations_with_replacement(range(3), 2))
    for dam, sire, child in itertools.product([*typed, None], [*typed, None], typed):
        of_parents = sum(joint[dam, sire, c] for c in [*typed, None])
        of_child = sum(joint[dam, sire, c] for c in typed)
        if of_parents == 0.0:
            continue
        expected = joint.get((dam, sire, child), 0.0) / of_child
        if dam is None or sire is None:
            # A failed typing says nothing about the genotype, so it must count as an unknown parent.
            assert dropout > 0
        found = genotype_likelihood(child, dam or UNKNOWN, sire or UNKNOWN, p, substitution, dropout)
        assert found == pytest.approx(expected, rel=1e-10, abs=1e-14)


def _naive_log_ratio(calls, p, error, child, dam, sire):
    total = 0.0
    for k in range(calls.shape[0]):
        o = tuple(int(x) for x in calls[k, child])
        d = UNKNOWN if dam < 0 else tuple(int(x) for x in calls[k, dam])
        s = UNKNOWN if sire < 0 else tuple(int(x) for x in calls[k, sire])
        if o == UNKNOWN:
            continue
        total += math.log(likelihood_ratio(o, d, s, p[k], error.substitution[k], error.dropout[k]))
    return total


@pytest.mark.parametrize("n_alleles", [2, 7])
def test_log_ratios__fast_equals_product_over_loci(n_alleles):
    rng = np.random.default_rng(3)
    n_loci = 15
    p = rng.dirichlet(np.full(n_alleles, 2.0), n_loci)
    error = ErrorModel(rng.uniform(0.001, 0.05, n_loci), rng.uniform(0, 0.1, n_loci))
    parents = draw_unrelated(p, 4, rng)
    young = draw_offspring(parents, np.array([[0, 1], [2, 3], [0, 3]]), rng)
    calls = read_with_errors(np.concatenate([parents, young], axis=1), p, error, 0.1, rng)
    genotypes = genotype_set(calls, n_alleles)
    scores = pair_log_ratios(genotypes, [4, 5, 6], [0, 1, 2, 3], p, error)
    for i, j in itertools.product(range(3), range(4)):
        expected = sum(
            math.log(
                likelihood_ratio(
                    tuple(calls[k, 4 + i]),
                    tuple(calls[k, j]),
                    UNKNOWN,
                    p[k],
                    error.substitution[k],
                    error.dropout[k],
                )
            )
            for k in range(n_loci)
            if calls[k, 4 + i, 0] >= 0 and calls[k, j, 0] >= 0
        )
        assert scores.log_ratio[i, j] == pytest.approx(expected, abs=1e-9)
    trios = [(4, 0, 1), (5, 1, 0), (6, -1, 3), (6, 0, -1), (4, -1, -1)]
    found = trio_log_ratios(genotypes, trios, p, error)
    expected_trios = [_naive_log_ratio(calls, p, error, *t) for t in trios]
    np.testing.assert_allclose(found, expected_trios, atol=1e-9)
    assert found[4] == 0.0


def test_log_ratios__impossible_without_errors_is_minus_infinity_with_true_mismatch_count():
    calls = np.array([[[0, 0], [1, 1]]] * 5 + [[[0, 1], [0, 1]]] * 2, dtype=np.int16)
    genotypes = genotype_set(calls, 2)
    scores = pair_log_ratios(genotypes, [0], [1], error=ErrorModel.uniform(7, 0.0))
    assert scores.log_ratio[0, 0] == -np.inf
    assert scores.mismatches[0, 0] == 5
    assert scores.compared[0, 0] == 7


def test_log_ratios__one_impossible_locus_costs_about_twice_the_error_rate():
    for e in (0.001, 0.01):
        ratio = likelihood_ratio((A, A), (B, B), UNKNOWN, np.array([0.5, 0.5]), e)
        assert ratio == pytest.approx(1 - (1 - e) ** 2, rel=1e-12)


def test_log_ratios__unchanged_when_alleles_are_renamed_and_loci_reordered():
    rng = np.random.default_rng(9)
    p = rng.dirichlet(np.full(5, 1.0), 12)
    truth = draw_unrelated(p, 6, rng)
    genotypes = genotype_set(truth, 5)
    before = pair_log_ratios(genotypes, [0, 1], [2, 3, 4, 5], p).log_ratio
    renamed = np.array([3, 0, 4, 1, 2], dtype=np.int16)
    other = np.empty_like(p)
    other[:, renamed] = p
    order = rng.permutation(12)
    again = genotype_set(renamed[truth][order][..., ::-1], 5)
    after = pair_log_ratios(again, [0, 1], [2, 3, 4, 5], other[order]).log_ratio
    np.testing.assert_allclose(after, before, atol=1e-10)


def test_log_ratios__locus_with_one_allele_or_nobody_typed_says_nothing():
    calls = np.zeros((3, 4, 2), dtype=np.int16)
    calls[1] = -1
    scores = pair_log_ratios(genotype_set(calls, 1), [0, 1], [2, 3])
    np.testing.assert_allclose(scores.log_ratio, 0.0, atol=1e-12)
    assert (scores.compared == 2).all()


def test_reference_frequencies__counts_an_allele_absent_from_the_reference_once():
    calls = np.array([[[0, 0], [0, 1], [2, 2]]], dtype=np.int16)
    p = reference_frequencies(genotype_set(calls, 3), [0, 1])
    np.testing.assert_allclose(p, [[3 / 5, 1 / 5, 1 / 5]])


def test_scorer__raises_on_frequency_zero_of_a_carried_allele():
    genotypes = genotype_set(np.array([[[0, 1]]], dtype=np.int16), 2)
    with pytest.raises(ValueRangeError, match=r"locus 'L000': found frequency 0 for allele '2'"):
        Scorer.of(genotypes, np.array([[1.0, 0.0]]))


def test_scorer__raises_on_frequencies_that_do_not_fit():
    genotypes = genotype_set(np.array([[[0, 1]]], dtype=np.int16), 2)
    with pytest.raises(ShapeError, match=r"Expected 1 rows"):
        Scorer.of(genotypes, np.full((2, 2), 0.5))
    with pytest.raises(ValueRangeError, match=r"Expected numbers from 0 to 1 that sum to 1"):
        Scorer.of(genotypes, np.array([[0.5, 0.6]]))


def test_error_model__raises_on_percent_and_on_wrong_length():
    with pytest.raises(ValueRangeError, match=r"Give it as a fraction, not in per cent"):
        ErrorModel.uniform(3, 1.5)
    with pytest.raises(ShapeError, match=r"one rate per locus"):
        ErrorModel(np.zeros(3), np.zeros(2))
    with pytest.raises(ShapeError, match=r"found rates of 3 loci. Expected 2"):
        ErrorModel.uniform(3).check_fits(2)


def test_genotype_likelihood__raises_on_unknown_allele():
    with pytest.raises(ValueRangeError, match=r"sire genotype: found \(0, 9\)"):
        genotype_likelihood((0, 1), UNKNOWN, (0, 9), P4)
    with pytest.raises(ValueRangeError, match=r"offspring genotype"):
        genotype_likelihood(UNKNOWN, UNKNOWN, UNKNOWN, P4)
