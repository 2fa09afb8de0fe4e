"""Open-population survival: gradient, slow likelihood, covariates, intervals, edges, clear statements."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from scipy.special import expit

from broodstock.errors import ShapeError, ValueRangeError
from planner.monitor.compare import average_over_models, compare_models
from planner.monitor.histories import compress
from planner.monitor.open_design import (
    age_classes,
    constant,
    design,
    each_interval,
    each_looked_occasion,
    groups,
    log_effort,
    met_last_occasion,
    of_fish,
    of_time,
    since_release,
    times,
)
from planner.monitor.open_fit import fit_survival
from planner.monitor.open_likelihood import SurvivalModel, log_likelihood
from tests.monitor.simulated import simulate


def slow_log_likelihood(h, phi, p):
    """Sum over every occasion the fish may have died in, fish by fish."""
    total = 0.0
    for i in range(len(h.release)):
        f, last, t = int(h.release[i]), int(h.last[i]), h.n_occasions
        ends = [last] if h.removed[i] else range(last, t)  # last occasion alive
        prob = 0.0
        for end in ends:
            x = 1.0
            for j in range(f, end):
                met = h.seen[i, j + 1]
                x *= phi[i, j] * (p[i, j] if met else 1 - p[i, j])
            if not h.removed[i] and end < t - 1:
                x *= 1 - phi[i, end]
            prob += x
        total += h.number[i] * math.log(prob)
    return total


@pytest.fixture(scope="module")
def covariates():
    rng = np.random.default_rng(21)
    n, t = 300, 6
    release = rng.integers(0, t, n)
    length = rng.normal(size=n)
    group = rng.integers(0, 3, n)
    effort = np.column_stack([rng.uniform(5, 50, t + 1), np.zeros(t + 1)])
    effort[4] = 0
    phi = expit(0.5 + 0.6 * length)[:, None]
    p = np.where(effort[1:, 0] > 0, 0.4, 0.0)
    h = simulate(rng, release, phi, p, effort, interval=[1.0, 0.5, 1.5, 1.0, 2.0, 1.0])
    s = design(
        h,
        groups(group, ["a", "b", "c"]),
        of_fish("length", length),
        since_release(h),
        of_time("flood", [0, 1, 0, 0, 1, 0]),
    )
    d = design(h, constant(), log_effort(h), met_last_occasion(h))
    return h, s, d


def test_likelihood__equals_the_sum_over_all_fates(covariates):
    h, s, d = covariates
    model = SurvivalModel(h, s, d)
    beta = np.random.default_rng(0).normal(scale=0.5, size=model.n_parameters)
    phi = model.survival_values(beta) ** h.interval
    value, _ = log_likelihood(model)(beta)
    assert value == pytest.approx(slow_log_likelihood(h, phi, model.detection_values(beta)), rel=1e-12)


def test_likelihood__gradient_equals_finite_differences(covariates):
    h, s, d = covariates
    for survival, detection in ((s, d), (design(h, each_interval(h)), design(h, each_looked_occasion(h)))):
        f = log_likelihood(SurvivalModel(h, survival, detection))
        k = survival.n_columns + detection.n_columns
        x = np.random.default_rng(1).normal(scale=0.4, size=k)
        gradient = f(x)[1]
        for j in range(k):
            e = np.zeros(k)
            e[j] = 1e-5
            assert gradient[j] == pytest.approx((f(x + e)[0] - f(x - e)[0]) / 2e-5, rel=1e-6, abs=1e-6)


def test_compression__changes_nothing(covariates):
    h, _, d = covariates
    s, d = design(h, age_classes(h, 2)), design(h, constant())
    full = SurvivalModel(h, s, d)
    small = full.compressed()
    assert len(small.histories.release) < len(h.release)
    assert small.histories.n_fish == h.n_fish
    assert small.histories.n_releases == h.n_releases
    x = np.array([0.2, 0.7, -0.5])
    a, b = log_likelihood(full)(x), log_likelihood(small)(x)
    assert a[0] == pytest.approx(b[0], rel=1e-12)
    np.testing.assert_allclose(a[1], b[1], rtol=1e-10)
    again, row = compress(small.histories)
    assert len(row) <= len(small.histories.release)
    assert again.n_fish == h.n_fish


def test_fit__permuting_fish_changes_nothing(covariates):
    h, s, d = covariates
    order = np.random.default_rng(5).permutation(len(h.release))
    turned = h.take(order)
    a = fit_survival(h, s, d)
    s2, d2 = (type(x)(x.names, x.values[order] if len(x.values) > 1 else x.values) for x in (s, d))
    b = fit_survival(turned, s2, d2)
    assert a.log_likelihood == pytest.approx(b.log_likelihood, abs=1e-8)
    np.testing.assert_allclose(a.found.beta, b.found.beta, atol=1e-6)


def test_fit__recovers_covariates():
    rng = np.random.default_rng(9)
    n, t = 4000, 7
    release = rng.integers(0, t, n)
    length, site = rng.normal(size=n), rng.integers(0, 2, n)
    effort = np.column_stack([rng.uniform(5, 60, t + 1), np.zeros(t + 1)])
    logs = np.log(effort[1:, 0]) - np.log(effort[1:, 0]).mean()
    first = np.arange(t)[None, :] == release[:, None]
    phi = expit(0.8 + 0.5 * length[:, None] - 0.4 * site[:, None] - 0.9 * first)
    h = simulate(rng, release, phi, expit(-0.6 + 0.8 * logs)[None, :], effort)
    s = design(
        h, constant(), of_fish("length", length), groups(site, ["a", "b"], baseline=True), since_release(h)
    )
    fit = fit_survival(h, s, design(h, constant(), log_effort(h)))
    truth = np.array([0.8, 0.5, -0.4, -0.9, -0.6, 0.8])
    z = (fit.found.beta - truth) / np.sqrt(np.diag(fit.found.covariance))
    assert np.abs(z).max() < 3
    plain = fit_survival(h, design(h, constant()), design(h, constant(), log_effort(h)), "plain")
    assert compare_models([plain, fit])[0].weight > 0.999
    assert times(constant(), since_release(h)).values.shape == (n, t, 1)


@pytest.mark.parametrize("runs", [40, pytest.param(1000, marks=pytest.mark.slow)])
def test_fit__intervals_cover(runs):
    rng = np.random.default_rng(12)
    release = np.repeat(np.arange(5), 40)
    hits = np.zeros(3)
    for _ in range(runs):
        h = simulate(rng, release, 0.7, np.full((1, 5), 0.4))
        fit = fit_survival(h, design(h, constant()), design(h, constant()))
        e, prof, p = fit.survival_at([1]), fit.survival_at([1], profile=True), fit.detection_at([1])
        hits += [e.low <= 0.7 <= e.high, prof.low <= 0.7 <= prof.high, p.low <= 0.4 <= p.high]
    assert (np.abs(hits / runs - 0.95) < 0.01 + 3 * math.sqrt(0.05 * 0.95 / runs)).all()


def test_fit__edge_is_told_with_a_one_sided_interval():
    rng = np.random.default_rng(3)
    h = simulate(rng, np.zeros(60, dtype=int), 1.0, np.full((1, 4), 0.5))
    e = fit_survival(h, design(h, constant()), design(h, constant())).survival()[0]
    assert e.value == 1.0
    assert e.high == 1.0
    assert 0.85 < e.low < 1.0
    assert e.note == "the estimate lies at the edge of what is possible"
    every = simulate(rng, np.zeros(40, dtype=int), 1.0, np.full((1, 3), 1.0))
    fit = fit_survival(every, design(every, constant()), design(every, constant()))
    assert fit.survival()[0].value == 1.0
    assert fit.detection()[0].value == 1.0
    assert fit.survival()[0].low > 0.9


def test_fit__clear_statements():
    rng = np.random.default_rng(3)
    h = simulate(rng, np.zeros(60, dtype=int), 0.5, np.full((1, 4), 0.0))
    fit = fit_survival(h, design(h, constant()), design(h, constant()), "none met")
    assert fit.survival()[0].reason == "none of 60 released fish was met again"
    with pytest.raises(ValueRangeError, match="model 'none met': not estimable because none of 60"):
        compare_models([fit])
    late = simulate(rng, np.full(9, 4), 0.5, np.full((1, 4), 0.5))
    assert (
        fit_survival(late, design(late, constant()), design(late, constant())).reason
        == "no fish was released before the last occasion"
    )
    blind = simulate(rng, np.zeros(9, dtype=int), 0.5, np.zeros((1, 2)), np.array([[1.0, 0], [0, 0], [0, 0]]))
    assert (
        fit_survival(blind, design(blind, constant()), design(blind, constant())).reason
        == "there was no effort after the first occasion"
    )
    with pytest.raises(ValueRangeError, match="Expected some"):
        log_effort(h, 1)
    with pytest.raises(ValueRangeError, match="found the same effort in every occasion"):
        log_effort(h)
    with pytest.raises(ShapeError, match="Expected 60"):
        design(h, of_fish("length", np.zeros(9)))
    with pytest.raises(ValueRangeError, match="found 1 missing values"):
        of_fish("length", [1.0, np.nan])
    with pytest.raises(ValueRangeError, match="Expected at least 'constant"):
        design(h)


def test_fit__zero_effort_leaves_survival_of_single_intervals_untold():
    rng = np.random.default_rng(30)
    effort = np.column_stack([np.ones(6), np.zeros(6)])
    effort[2] = 0
    h = simulate(rng, np.zeros(500, dtype=int), 0.8, np.where(effort[1:, 0] > 0, 0.5, 0)[None, :], effort)
    fit = fit_survival(h, design(h, each_interval(h)), design(h, constant()))
    phi = fit.survival()
    assert "combination of it with: survival: interval 3" in phi[1].reason
    assert "combination of it with: survival: interval 2" in phi[2].reason
    assert phi[3].estimable
    assert fit.detection()[1].reason == "nobody looked in this occasion"


def test_average__by_hand():
    e = average_over_models([0.4, 0.6], [0.05, 0.1], [0.75, 0.25])
    assert e.value == pytest.approx(0.45)
    error = 0.75 * math.hypot(0.05, 0.05) + 0.25 * math.hypot(0.1, 0.15)
    assert f"{error:.6f}" in e.note
    assert average_over_models([], [], []).reason == "no model carries any weight"


def test_slow_likelihood__probabilities_of_all_histories_sum_to_one():
    phi, p = np.array([0.7, 0.5, 0.9]), np.array([0.3, 0.6, 0.2])
    total = 0.0
    rng = np.random.default_rng(0)
    base = simulate(rng, np.zeros(1, dtype=int), 0.5, np.full((1, 3), 0.5))
    for pattern in itertools.product([False, True], repeat=3):
        caught = np.array([[False, *pattern]])
        h = type(base)(
            caught, np.zeros_like(caught), base.release, base.number, base.removed, base.interval, base.effort
        )
        s, d = design(h, each_interval(h)), design(h, each_interval(h))
        beta = np.concatenate([np.log(phi / (1 - phi)), np.log(p / (1 - p))])
        total += math.exp(log_likelihood(SurvivalModel(h, s, d))(beta)[0])
    assert total == pytest.approx(1.0, abs=1e-12)
