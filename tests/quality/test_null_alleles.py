"""Null-allele frequency by maximum likelihood, and the sign of dropout."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import optimize

from broodstock.genotypes.quality.null_alleles import dropout_from_sample_quality, null_allele_frequencies
from broodstock.parentage.error_model import ErrorModel
from broodstock.parentage.simulate import draw_unrelated, genotype_set, read_with_errors


def _with_nulls(p, null, n, failure, rng):
    """Genotypes in which one more allele of frequency `null` is never seen."""
    hidden = len(p)
    full = np.append(np.asarray(p) * (1 - null), null)
    truth = draw_unrelated(full[None, :], n, rng)[0]
    read = truth.copy()
    one = (truth == hidden).sum(axis=1) == 1
    read[one] = np.where(truth[one] == hidden, truth[one][:, ::-1], truth[one])
    read[(truth == hidden).all(axis=1) | (rng.random(n) < failure)] = -1
    return read


def _negative_log_likelihood(x, calls, k):
    weights = np.exp(np.append(x[:k], 0.0))
    p, null = (weights / weights.sum())[:k], (weights / weights.sum())[k]
    failure = 1 / (1 + math.exp(-x[k]))
    out = 0.0
    for a, b in calls:
        if a < 0:
            out -= math.log(failure + (1 - failure) * null**2)
        elif a == b:
            out -= math.log((1 - failure) * (p[a] ** 2 + 2 * p[a] * null))
        else:
            out -= math.log((1 - failure) * 2 * p[a] * p[b])
    return out


def test_null_alleles__maximum_equals_general_optimiser():
    rng = np.random.default_rng(1)
    calls = _with_nulls([0.5, 0.3, 0.2], 0.15, 200, 0.04, rng)
    best = optimize.minimize(
        _negative_log_likelihood, np.array([1.0, 0.5, 0.2, -3.0]), (calls, 3), method="Nelder-Mead",
        options={"xatol": 1e-7, "fatol": 1e-10, "maxiter": 5000},
    )  # fmt: skip
    weights = np.exp(np.append(best.x[:3], 0.0))
    found = null_allele_frequencies(genotype_set(calls[None], 3))[0]
    assert found.likelihood.value == pytest.approx(weights[3] / weights.sum(), abs=2e-4)
    assert found.other_failure == pytest.approx(1 / (1 + math.exp(-best.x[3])), abs=2e-4)


def test_null_alleles__found_where_planted_and_absent_elsewhere():
    rng = np.random.default_rng(2)
    clean = [_with_nulls([0.3, 0.3, 0.2, 0.2], 0.0, 400, 0.03, rng) for _ in range(15)]
    planted = [_with_nulls([0.3, 0.3, 0.2, 0.2], 0.2, 400, 0.03, rng) for _ in range(5)]
    found = null_allele_frequencies(genotype_set(np.stack(clean + planted), 4))
    assert sum(x.likelihood.low > 0 for x in found[:15]) <= 2
    for x in found[15:]:
        assert x.likelihood.low < 0.2 < x.likelihood.high
        assert x.likelihood.value == pytest.approx(0.2, abs=0.06)


def test_null_alleles__deficit_estimator_equals_brookfield():
    """Brookfield (1996), first estimator: (He - Ho) / (1 + He); formula from memory."""
    calls = np.array([[[0, 0]] * 6 + [[0, 1]] * 2 + [[1, 1]] * 4], dtype=np.int16)
    p = np.array([14, 10]) / 24
    expected = (1 - (p**2).sum()) * 24 / 23
    found = null_allele_frequencies(genotype_set(calls, 2))[0]
    assert found.from_deficit.value == pytest.approx((expected - 2 / 12) / (1 + expected), abs=1e-12)


@pytest.mark.slow
def test_null_alleles__interval_covers_the_truth():
    rng = np.random.default_rng(3)
    calls = np.stack([_with_nulls([0.4, 0.3, 0.3], 0.1, 150, 0.05, rng) for _ in range(400)])
    found = null_allele_frequencies(genotype_set(calls, 3))
    covered = np.mean([x.likelihood.low <= 0.1 <= x.likelihood.high for x in found])
    assert covered == pytest.approx(0.95, abs=0.04)


def test_null_alleles__say_why_not_estimable():
    calls = np.full((2, 4, 2), -1, dtype=np.int16)
    calls[1] = 0
    found = null_allele_frequencies(genotype_set(calls, 2))
    assert found[0].likelihood.text() == "not estimable because nobody is typed"
    assert found[1].likelihood.text() == "not estimable because fewer than two alleles are seen"
    one_fish = null_allele_frequencies(genotype_set(np.array([[[0, 1]]], dtype=np.int16), 2))[0]
    assert one_fish.likelihood.value == 0.0


def test_null_alleles__60_alleles():
    rng = np.random.default_rng(4)
    calls = _with_nulls(rng.dirichlet(np.full(60, 1.0)), 0.1, 300, 0.0, rng)
    found = null_allele_frequencies(genotype_set(calls[None], 60))[0]
    assert found.likelihood.low < 0.1 < found.likelihood.high


def test_dropout_from_sample_quality__sees_dropout_and_nothing_else():
    rng = np.random.default_rng(5)
    minor = rng.uniform(0.2, 0.5, 120)
    p = np.stack([1 - minor, minor], axis=1)
    truth = draw_unrelated(p, 80, rng)
    poor = rng.random(80)
    clean, dropped = truth.copy(), truth.copy()
    for i in range(80):
        rate = 0.3 * poor[i]
        dropped[:, i] = read_with_errors(
            truth[:, i : i + 1], p, ErrorModel.uniform(120, 0.0, rate), 0.0, rng
        )[:, 0]
        clean[rng.random(120) < rate, i] = -1
    value, p_value = dropout_from_sample_quality(genotype_set(dropped, 2))
    assert value.value > 0.5
    assert p_value == 0.001
    _, p_clean = dropout_from_sample_quality(genotype_set(clean, 2))
    assert p_clean > 0.05


def test_dropout_from_sample_quality__not_estimable():
    complete = genotype_set(np.array([[[0, 1], [0, 0], [1, 1], [0, 1]]] * 3, dtype=np.int16), 2)
    value, p_value = dropout_from_sample_quality(complete)
    assert "same in all samples" in value.reason
    assert p_value == 1.0
    nobody = genotype_set(np.full((2, 2, 2), -1, dtype=np.int16), 2)
    assert "fewer than three samples" in dropout_from_sample_quality(nobody)[0].reason
