"""Tag loss from double tags: worked numbers, exact limits, simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.optimize import approx_fprime
from statsmodels.stats.proportion import proportion_confint

from broodstock.errors import ValueRangeError
from broodstock.estimates import Estimate
from planner.monitor.tag_loss import (
    equal_tag_loss,
    fit_tag_retention,
    number_without_tag_loss,
    retention_log_likelihood,
    survival_without_tag_loss,
    unequal_tag_loss,
)


def test_equal_tag_loss__worked_number_and_exact_limits():
    e = equal_tag_loss(12, 188)
    assert e.value == pytest.approx(12 / (12 + 376))
    assert round(e.value, 3) == 0.031
    low, high = proportion_confint(12, 200, method="beta")
    assert (e.low, e.high) == pytest.approx((low / (2 - low), high / (2 - high)))


def test_unequal_tag_loss__each_from_the_other():
    a, b = unequal_tag_loss(30, 10, 160)
    assert a.value == pytest.approx(10 / 170)
    assert b.value == pytest.approx(30 / 190)
    assert a.low < a.value < a.high
    none, _ = unequal_tag_loss(4, 0, 0)
    assert none.reason == "no fish was met with tag B"


def test_tag_loss__clear_statements():
    assert equal_tag_loss(0, 0).reason == "no double-tagged fish was met again"
    zero = equal_tag_loss(0, 50)
    assert (zero.value, zero.low) == (0, 0)
    assert zero.high > 0.03
    with pytest.raises(ValueRangeError, match="found -1"):
        equal_tag_loss(-1, 4)
    assert (
        fit_tag_retention([1.0], [0], [9]).reason == "none of 9 double-tagged fish met again had lost a tag"
    )
    assert "fit a constant hazard instead" in fit_tag_retention([1.0], [2], [9]).reason


def test_retention__gradient_and_constant_hazard_in_closed_form():
    t, a, b = np.array([0.5, 1.0, 2.0]), np.array([3.0, 8.0, 12.0]), np.array([60.0, 70.0, 40.0])
    f = retention_log_likelihood(t, a, b, True)
    x = np.array([-2.2, 0.2])
    assert f(x)[1] == pytest.approx(approx_fprime(x, lambda v: f(v)[0], 1e-7), rel=1e-4)
    one = fit_tag_retention([2.0], [12], [188], shape_free=False)
    p = 12 / 388
    assert one.at(2.0).value == pytest.approx(1 - p, abs=1e-8)
    assert one.at(4.0).value == pytest.approx((1 - p) ** 2, abs=1e-8)
    assert one.at(0).value == 1.0


@pytest.mark.parametrize("runs", [150, pytest.param(2000, marks=pytest.mark.slow)])
def test_retention__interval_covers(runs):
    rng = np.random.default_rng(4)
    times = np.array([0.25, 0.5, 1.0, 2.0, 3.0])
    kept = np.exp(-((0.12 * times) ** 0.7))
    hit = 0
    for _ in range(runs):
        tags = rng.random((2, 5, 150)) < kept[None, :, None]
        left = tags.sum(axis=0)
        e = fit_tag_retention(times, (left == 1).sum(axis=1), (left == 2).sum(axis=1)).at(1.5)
        hit += int(e.low <= np.exp(-((0.12 * 1.5) ** 0.7)) <= e.high)
    assert abs(hit / runs - 0.95) < 0.01 + 3 * math.sqrt(0.05 * 0.95 / runs)


def test_corrections__lift_survival_and_lower_numbers():
    kept = Estimate(0.9, 0.85, 0.94, n_used=200)
    s = survival_without_tag_loss(Estimate(0.63, 0.55, 0.70, n_used=400), 0.04, kept)
    assert s.value == pytest.approx(0.7)
    assert s.low < 0.63 < 0.7 < s.high
    n = number_without_tag_loss(200, 150, 27, kept)
    assert n.value == pytest.approx(201 * 151 / 31 - 1)
    assert n.low < n.value < n.high
    none = Estimate.not_estimable("no double-tagged fish was met again")
    assert "no double-tagged fish" in survival_without_tag_loss(s, 0.04, none).reason
    assert "none of 200 marked" in number_without_tag_loss(200, 150, 0, kept).reason


@pytest.mark.parametrize("runs", [300, pytest.param(4000, marks=pytest.mark.slow)])
def test_number_without_tag_loss__covers(runs):
    rng = np.random.default_rng(6)
    size, m, loss, hit = 800, 160, 0.12, 0
    for _ in range(runs):
        tags = rng.random((2, 100)) >= loss
        left = tags.sum(axis=0)
        p = equal_tag_loss(int((left == 1).sum()), int((left == 2).sum()))
        kept = Estimate(1 - p.value, 1 - p.high, 1 - p.low, n_used=100)
        caught = rng.choice(size, 150, replace=False)
        r = int((rng.random(int((caught < m).sum())) >= loss).sum())
        e = number_without_tag_loss(m, 150, r, kept)
        hit += int(e.low <= size <= e.high)
    assert hit / runs > 0.94 - 3 * math.sqrt(0.05 * 0.95 / runs)
