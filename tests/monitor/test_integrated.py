"""Captures and scans together: gradient, the sum over all fates, recovery of the truth, statements."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from scipy.special import expit

from broodstock.errors import ValueRangeError
from planner.monitor.histories import EncounterHistories
from planner.monitor.integrated import IntegratedModel, fit_integrated, integrated_log_likelihood
from planner.monitor.open_design import constant, design, of_fish
from planner.monitor.open_fit import fit_survival

EFFORT = np.array([[1.0, 1.0]] * 7)


def simulate(rng, n, phi=0.7, pc=0.25, ps=0.5, pg=0.8, left=0.5, stay=0.8, t=6):
    state = np.zeros(n, dtype=int)  # 0 living, 1 readable on the ground, 2 gone
    caught, scanned = np.zeros((n, t + 1), bool), np.zeros((n, t + 1), bool)
    release = rng.integers(0, 3, n)
    phi = np.broadcast_to(phi, n)
    for j in range(t):
        on = release <= j
        dies = on & (state == 0) & (rng.random(n) >= phi)
        fades = on & (state == 1) & (rng.random(n) >= stay)
        state[dies] = np.where(rng.random(n) < left, 1, 2)[dies]
        state[fades] = 2
        caught[:, j + 1] = on & (state == 0) & (rng.random(n) < pc)
        scanned[:, j + 1] = on & (
            ((state == 0) & (rng.random(n) < ps)) | ((state == 1) & (rng.random(n) < pg))
        )
    return EncounterHistories(
        caught, scanned, release, np.ones(n, dtype=np.int64), np.zeros(n, bool), np.ones(t), EFFORT[: t + 1]
    )


def slow(h, row, phi, pc, ps, pg, left, stay):
    """Sum over all paths of states."""
    step = {0: (phi, (1 - phi) * left, (1 - phi) * (1 - left)), 1: (0, stay, 1 - stay), 2: (0, 0, 1)}
    total = 0.0
    first, t = int(h.release[row]), h.n_occasions
    for path in itertools.product(range(3), repeat=t - 1 - first):
        prob, before = 1.0, 0
        for j, state in enumerate(path, start=first + 1):
            c, s = h.caught[row, j], h.scanned[row, j]
            p_scan = (ps, pg, 0.0)[state]
            p_hand = pc if state == 0 else 0.0
            prob *= step[before][state] * (p_scan if s else 1 - p_scan) * (p_hand if c else 1 - p_hand)
            before = state
        total += prob
    return total


def model_of(h):
    one = design(h, constant())
    return IntegratedModel(h, one, one, one, one)


def test_likelihood__equals_the_sum_over_all_paths():
    h = simulate(np.random.default_rng(1), 40)
    values = (0.66, 0.2, 0.45, 0.7, 0.4, 0.85)
    beta = np.log(np.array(values) / (1 - np.array(values)))
    expected = sum(math.log(slow(h, i, *values)) for i in range(40))
    assert integrated_log_likelihood(model_of(h))(beta)[0] == pytest.approx(expected, rel=1e-11)


def test_likelihood__gradient_equals_finite_differences():
    rng = np.random.default_rng(2)
    h = simulate(rng, 200)
    h = EncounterHistories(
        h.caught, h.scanned, h.release, h.number, rng.random(200) < 0.2, rng.uniform(0.5, 2, 6), h.effort
    )
    one, length = design(h, constant()), design(h, constant(), of_fish("length", rng.normal(size=200)))
    f = integrated_log_likelihood(IntegratedModel(h, length, one, length, one))
    x = rng.normal(scale=0.5, size=8)
    gradient = f(x)[1]
    for j in range(8):
        e = np.zeros(8)
        e[j] = 1e-5
        assert gradient[j] == pytest.approx((f(x + e)[0] - f(x - e)[0]) / 2e-5, rel=1e-6, abs=1e-6)


def test_fit__recovers_survival_where_the_plain_model_is_fooled():
    rng = np.random.default_rng(4)
    length = rng.normal(size=3000)
    h = simulate(rng, 3000, phi=expit(0.7 + 0.6 * length))
    one = design(h, constant())
    fit = fit_integrated(h, design(h, constant(), of_fish("length", length)), one, one, one)
    truth = np.concatenate(
        [[0.7, 0.6], np.log(np.array([0.25, 0.5, 0.8, 0.5, 0.8]) / [0.75, 0.5, 0.2, 0.5, 0.2])]
    )
    z = (fit.maximum.beta - truth) / np.sqrt(np.diag(fit.maximum.covariance))
    assert np.abs(z).max() < 3.2
    same = simulate(rng, 3000)
    one = design(same, constant())
    plain = fit_survival(same, one, one).survival()[0]
    together = fit_integrated(same, one, one, one, one)
    assert plain.low > 0.72  # every scan taken for a living fish: survival too high
    assert together.survival()[0].low < 0.7 < together.survival()[0].high
    assert together.left_readable().low < 0.5 < together.left_readable().high
    assert together.stays_readable().low < 0.8 < together.stays_readable().high


@pytest.mark.parametrize("runs", [6, pytest.param(400, marks=pytest.mark.slow)])
def test_fit__interval_covers(runs):
    rng = np.random.default_rng(7)
    hit = 0
    for _ in range(runs):
        h = simulate(rng, 500, t=5)
        one = design(h, constant())
        e = fit_integrated(h, one, one, one, one).survival()[0]
        hit += int(e.low is not None and e.low <= 0.7 <= e.high)
    assert hit / runs > 0.93 - 3 * math.sqrt(0.05 * 0.95 / runs)


def test_fit__clear_statements():
    h = simulate(np.random.default_rng(3), 50)
    one = design(h, constant())
    scans, hands = h.only("scanned"), h.only("caught")
    assert "scans alone do not tell living fish" in fit_integrated(scans, one, one, one, one).reason
    assert "fit captures alone" in fit_integrated(hands, one, one, one, one).survival()[0].reason
    blind = EncounterHistories(
        h.caught,
        h.scanned,
        h.release,
        h.number,
        h.removed,
        h.interval,
        np.column_stack([np.ones(7), np.zeros(7)]),
    )
    with pytest.raises(ValueRangeError, match="found fish scanned in an occasion without such effort"):
        fit_integrated(blind, one, one, one, one)
