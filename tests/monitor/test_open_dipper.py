"""European dipper, the classic example of open-population survival: every printed digit.

Table of releases and next encounters, likelihoods and estimates: Lebreton, Burnham, Clobert & Anderson (1992),
Ecological Monographs 62:67-118 (from memory).
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from planner.monitor.compare import average_survival, compare_models, small_sample_criterion
from planner.monitor.histories import histories_of_table, release_table
from planner.monitor.open_design import constant, design, each_interval, interval_sets
from planner.monitor.open_fit import FittedModel, fit_survival, mean_survival
from planner.monitor.open_likelihood import expected_next_met

RELEASED = [22, 60, 78, 80, 88, 98]
NEXT_MET = np.array(
    [
        [11, 2, 0, 0, 0, 0],
        [0, 24, 1, 0, 0, 0],
        [0, 0, 34, 2, 0, 0],
        [0, 0, 0, 45, 1, 2],
        [0, 0, 0, 0, 51, 0],
        [0, 0, 0, 0, 0, 52],
    ]
)


@pytest.fixture(scope="module")
def fits() -> dict[str, FittedModel]:
    h = histories_of_table(RELEASED, NEXT_MET)
    one, time = design(h, constant()), design(h, each_interval(h))
    flood = design(h, interval_sets([0, 1, 1, 0, 0, 0], ["no flood", "flood"]))
    pairs = {
        "one, one": (one, one),
        "time, one": (time, one),
        "one, time": (one, time),
        "time, time": (time, time),
        "flood, one": (flood, one),
    }
    return {name: fit_survival(h, s, p, name) for name, (s, p) in pairs.items()}


@pytest.mark.parametrize(
    ("name", "deviance"),
    [
        ("one, one", 666.8377),
        ("time, one", 659.7301),
        ("one, time", 664.4802),
        ("time, time", 656.9502),
        ("flood, one", 660.1028),
    ],
)
def test_dipper__likelihoods(fits, name, deviance):
    assert -2 * fits[name].log_likelihood == pytest.approx(deviance, abs=5e-5)
    assert fits[name].found.converged


def test_dipper__constant_model(fits):
    fit = fits["one, one"]
    phi, p = fit.survival()[0], fit.detection()[0]
    assert phi.value == pytest.approx(0.560243, abs=5e-7)
    # the published limits use 1.96; ours the exact quantile, 1.959964
    logit, se = math.log(phi.value / (1 - phi.value)), math.sqrt(fit.found.covariance[0, 0])
    rounded = [1 / (1 + math.exp(-logit - z * se)) for z in (-1.96, 1.96)]
    assert rounded == pytest.approx([0.510549, 0.608758], abs=5e-7)
    assert (phi.low, phi.high) == pytest.approx((0.510549, 0.608758), abs=2e-6)
    assert p.value == pytest.approx(0.902584, abs=6e-7)
    assert (p.low, p.high) == pytest.approx((0.830483, 0.946011), abs=2e-6)
    assert fit.standard_error([1.0]) == pytest.approx(0.025133, abs=1e-6)
    assert fit.standard_error([1.0], survival=False) == pytest.approx(0.028586, abs=1e-6)
    a, b = phi.value * (1 - phi.value), p.value * (1 - p.value)
    assert fit.found.covariance[0, 1] * a * b == pytest.approx(-0.000184, abs=1e-6)


def test_dipper__information_criteria(fits):
    fit = fits["one, one"]
    assert fit.n_releases == 426
    assert small_sample_criterion(fit.log_likelihood, 2, 10**9) == pytest.approx(670.8377, abs=5e-5)
    assert small_sample_criterion(fit.log_likelihood, 2, 426) == pytest.approx(670.8660, abs=5e-5)
    flood = fits["flood, one"]
    assert small_sample_criterion(flood.log_likelihood, 3, 10**9) == pytest.approx(666.1028, abs=5e-5)
    assert compare_models(list(fits.values()))[0].name == "flood, one"
    assert sum(line.weight for line in compare_models(list(fits.values()))) == pytest.approx(1)


def test_dipper__survival_by_interval(fits):
    got = [e.value for e in fits["time, one"].survival()]
    assert got == pytest.approx([0.6258, 0.4542, 0.4784, 0.6244, 0.6079, 0.5833], abs=5e-5)
    assert fits["time, one"].detection()[0].value == pytest.approx(0.9021, abs=5e-5)
    assert fits["one, time"].survival()[0].value == pytest.approx(0.5531, abs=5e-5)
    flood = fits["flood, one"]
    assert flood.survival()[0].value == pytest.approx(0.607096, abs=5e-7)
    assert flood.survival()[1].value == pytest.approx(0.468827, abs=5e-7)
    assert flood.detection()[0].value == pytest.approx(0.899789, abs=5e-7)


def test_dipper__last_survival_and_detection_are_not_estimable_alone(fits):
    fit = fits["time, time"]
    phi, p = fit.survival(), fit.detection()
    assert [e.value for e in phi[:5]] == pytest.approx([0.7182, 0.4347, 0.4782, 0.6261, 0.5985], abs=5e-5)
    assert [e.value for e in p[:5]] == pytest.approx([0.6962, 0.9231, 0.9130, 0.9008, 0.9324], abs=5e-5)
    assert phi[5].reason == "the data tell only a combination of it with: detection: interval 6"
    assert p[5].reason == "the data tell only a combination of it with: survival: interval 6"
    product = (
        fit.model.survival_values(fit.found.beta)[0, 5] * fit.model.detection_values(fit.found.beta)[0, 5]
    )
    assert product == pytest.approx(52 / 98, abs=1e-6)
    assert fit.n_told == 11


def test_dipper__profile_interval_is_where_the_likelihood_falls(fits):
    fit = fits["one, one"]
    e = fit.survival(profile=True)[0]
    h = fit.model.histories
    # by brute force: survival held at a limit, the best detection on a fine grid
    from planner.monitor.open_likelihood import log_likelihood

    f = log_likelihood(fit.model)
    for limit in (e.low, e.high):
        x = math.log(limit / (1 - limit))
        best = max(f(np.array([x, y]))[0] for y in np.linspace(1.0, 4.0, 3001))
        assert 2 * (fit.log_likelihood - best) == pytest.approx(3.841459, abs=1e-3)
    assert h.n_releases == 426
    assert e.low == pytest.approx(0.5105, abs=5e-3)


def test_dipper__expected_table_sums_to_the_observed_rows(fits):
    fit = fits["time, time"]
    expected = expected_next_met(fit.model, fit.found.beta)
    released, observed = release_table(fit.model.histories)
    assert released.tolist() == RELEASED
    assert expected.sum() == pytest.approx(observed.sum(), abs=1e-4)


def test_dipper__models_averaged(fits):
    e = average_survival(list(fits.values()), 1)
    assert 0.4542 < e.value < 0.5602
    weights = {x.name: x.weight for x in compare_models(list(fits.values()))}
    values = {n: f.survival()[1].value for n, f in fits.items()}
    assert e.value == pytest.approx(sum(weights[n] * values[n] for n in weights), abs=1e-12)
    last = average_survival(list(fits.values()), 5)
    assert "1 models that do not tell it left out" in last.note


def test_dipper__product_of_survivals(fits):
    fit = fits["one, one"]
    e = mean_survival(fit, [np.ones(1)] * 3)
    assert e.value == pytest.approx(fit.survival()[0].value ** 3)
    assert e.low < e.value < e.high


def test_dipper__overdispersion_widens(fits):
    e, wide = fits["one, one"].survival()[0], fits["one, one"].with_overdispersion(2.0).survival()[0]
    assert wide.low < e.low < e.high < wide.high
    assert "overdispersion" in wide.method
