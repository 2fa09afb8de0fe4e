"""Goodness of fit: sound under the model, loud where it fails, bootstrap near one."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import chi2_contingency

from planner.monitor.goodness import (
    bootstrap_goodness,
    goodness_components,
    split_at_encounters,
    table_distance,
    worst_components,
)
from planner.monitor.histories import release_table
from planner.monitor.open_design import constant, design, each_interval
from planner.monitor.open_fit import fit_survival
from planner.monitor.open_likelihood import SurvivalModel, log_likelihood
from tests.monitor.simulated import simulate


def test_components__first_table_equals_scipy_by_hand():
    rng = np.random.default_rng(1)
    h = simulate(rng, np.repeat([0, 1], 300), 0.8, np.full((1, 2), 0.5))
    got = {c.name: c for c in goodness_components(h).components}
    new, old = h.release == 1, (h.release == 0) & h.seen[:, 1]
    table = [[(x & h.seen[:, 2]).sum(), (x & ~h.seen[:, 2]).sum()] for x in (old, new)]
    expected = chi2_contingency(np.array(table), correction=False)
    assert got["3.SR"].chi_square == pytest.approx(expected.statistic)
    assert got["3.SR"].degrees == 1
    assert got["2.CL"].degrees == 0
    assert got["2.CL"].p_value is None


@pytest.mark.parametrize("runs", [60, pytest.param(1000, marks=pytest.mark.slow)])
def test_components__level_holds_under_the_model(runs):
    rng = np.random.default_rng(2)
    release = np.repeat(np.arange(6), 120)
    total = degrees = refused = told = 0.0
    for _ in range(runs):
        for c in goodness_components(simulate(rng, release, 0.75, np.full((1, 6), 0.45))).components:
            total, degrees = total + c.chi_square, degrees + c.degrees
            if c.p_value is not None:
                told, refused = told + 1, refused + (c.p_value < 0.05)
    assert abs(total / degrees - 1) < 0.02 + 3 * np.sqrt(2 / degrees)
    assert refused / told < 0.06 + 3 * np.sqrt(0.05 * 0.95 / told)


def test_components__passing_fish_and_trap_dependence_are_named():
    rng = np.random.default_rng(3)
    release = np.repeat(np.arange(6), 250)
    first = np.arange(7)[None, :] == release[:, None]
    passing = simulate(rng, release, np.where(first, 0.4, 0.85), np.full((1, 7), 0.5))
    got = goodness_components(passing)
    assert "3.SR" in worst_components(got)
    assert any("only pass through" in n for n in got.notes)
    assert got.c_hat.value > 1.5
    unequal = simulate(rng, release, 0.85, np.where(rng.random(1500) < 0.5, 0.15, 0.75)[:, None] * np.ones(7))
    assert any("met more often in the next" in n for n in goodness_components(unequal).notes)
    halves = goodness_components(unequal, rng.integers(0, 2, 1500))
    assert halves.components[0].degrees == 2 * goodness_components(unequal).components[0].degrees


def test_components__too_little_data_is_told():
    h = simulate(np.random.default_rng(1), np.zeros(5, int), 0.5, np.zeros((1, 2)))
    assert goodness_components(h).c_hat.reason == "there are too few repeated encounters for a test"


def test_split__keeps_the_likelihood_and_the_table():
    h = simulate(np.random.default_rng(4), np.repeat(np.arange(4), 60), 0.8, np.full((1, 5), 0.4))
    pieces, row = split_at_encounters(h)
    assert (release_table(h)[1] == release_table(pieces)[1]).all()
    assert len(row) >= len(h.release) - 60
    beta = np.linspace(-0.6, 0.8, 10)
    values = [
        log_likelihood(SurvivalModel(x, design(x, each_interval(x)), design(x, each_interval(x))))(beta)[0]
        for x in (h, pieces)
    ]
    assert values[0] == pytest.approx(values[1], rel=1e-12)


def test_bootstrap__near_one_under_the_model_and_large_for_schools():
    rng = np.random.default_rng(5)
    h = simulate(rng, np.repeat(np.arange(5), 80), 0.7, np.full((1, 6), 0.4))
    fit = fit_survival(h, design(h, constant()), design(h, constant()))
    got = bootstrap_goodness(fit, 40, np.random.default_rng(1))
    assert 0.4 < got.c_hat.value < 2.0
    assert got.p_value > 0.05
    # fish in schools of eight share their fate: the same histories, each counted eight times
    few = simulate(rng, np.repeat(np.arange(5), 30), 0.7, np.full((1, 6), 0.4))
    schools = type(few)(
        few.caught, few.scanned, few.release, few.number * 8, few.removed, few.interval, few.effort
    )
    fit = fit_survival(schools, design(schools, constant()), design(schools, constant()))
    got = bootstrap_goodness(fit, 40, np.random.default_rng(1))
    assert got.c_hat.value > 3
    assert got.p_value < 0.05
    assert table_distance(np.eye(2), np.eye(2), np.array([3, 3])) == 0
