"""Limits of columns by a floor of survivors, beside every plan there is and beside scipy's linear solver."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import linprog

from planner.optimise.release.build import aim_at_survivors, build_rules
from planner.optimise.release.frame import NONE, Frame
from planner.optimise.release.limits import limit_by_survivors
from planner.optimise.release.proof import proven_bound
from planner.optimise.release.recheck import breaches
from planner.optimise.release.recheck_plan import recheck, slow_objective
from planner.optimise.release.solve import most_survivors, plan_release
from tests.optimise.release.instances import more_rules, programme, small_random
from tests.optimise.release.slow_answers import every_plan


def fish_limits(frame: Frame) -> tuple[np.ndarray, np.ndarray]:
    low, high = np.zeros(frame.fish.shape), np.zeros(frame.fish.shape)
    used = frame.fish != NONE
    low[used], high[used] = (
        np.array(frame.model.low)[frame.fish[used]],
        np.array(frame.model.high)[frame.fish[used]],
    )
    return low, high


@pytest.mark.parametrize("seed", range(25))
def test_limit_by_survivors__no_plan_that_reaches_the_floor_is_cut_off(seed: int) -> None:
    rng = np.random.default_rng(seed)
    data = more_rules(small_random(rng, most_fish=2), rng)
    most = most_survivors(data)
    if most.value is None or most.prices is None:
        return
    plans = [n for n in every_plan(data) if not breaches(data, n)]
    for share in (1.0, 0.95, 0.7):
        floor = share * most.value - 1e-9
        reaching = [n for n in plans if (n * data.survival).sum() >= floor]
        # The prices of the solver, those prices spoilt, and any prices at all: the limits hold for all of them.
        for prices in (most.prices, most.prices * rng.uniform(0.5, 1.5), rng.normal(size=len(most.prices))):
            frame = build_rules(data, floor)
            assert limit_by_survivors(frame, prices)
            low, high = fish_limits(frame)
            assert all((low <= n).all() and (n <= high).all() for n in reaching)


def test_limit_by_survivors__a_fixed_column_has_no_other_whole_number_by_scipy() -> None:
    # Where the prices fix a whole number, scipy moves it by less than one among the divisible plans of most survivors.
    data = programme(2, n_families=16, n_fish=900)
    most = most_survivors(data)
    assert most.value is not None
    assert most.prices is not None
    floor = most.value - 1e-9
    free = build_rules(data, 0.0)
    aim_at_survivors(free)
    limited = build_rules(data, floor)
    assert limit_by_survivors(limited, most.prices)
    before = np.array(free.model.high) - np.array(free.model.low)
    after = np.array(limited.model.high) - np.array(limited.model.low)
    fixed = np.flatnonzero((after == 0) & (before > 0) & np.array(free.model.whole))
    assert len(fixed) > 0.2 * (free.fish != NONE).sum()
    matrix, lows, highs = dense(free)
    bounds = list(zip(free.model.low, free.model.high, strict=True))
    for j in fixed[:: max(len(fixed) // 12, 1)]:
        for sign in (1.0, -1.0):
            cost = np.zeros(len(bounds))
            cost[j] = sign
            a_ub = np.vstack([matrix, -matrix, np.array(free.model.cost)])
            b_ub = np.concatenate([highs, -lows, [-floor]])
            kept = np.isfinite(b_ub)
            answer = linprog(cost, A_ub=a_ub[kept], b_ub=b_ub[kept], bounds=bounds, method="highs")
            assert abs(answer.x[j] - limited.model.low[j]) < 1.0


def dense(frame: Frame) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rows = frame.model.rows
    matrix = np.zeros((len(rows), frame.model.n_columns))
    for i, one in enumerate(rows):
        matrix[i, one.columns] = one.factors
    return matrix, np.array([r.low for r in rows]), np.array([r.high for r in rows])


def test_limit_by_survivors__refuses_prices_that_do_not_fit() -> None:
    frame = build_rules(programme(2, n_families=16, n_fish=900), 1.0)
    before = list(frame.model.high)
    assert not limit_by_survivors(frame, np.zeros(3))
    assert not limit_by_survivors(frame, np.full(len(frame.model.rows) - 1, np.nan))
    assert frame.model.high == before


@pytest.mark.parametrize("seed", range(12))
def test_plan_release__at_the_most_survivors_equals_the_best_of_all(seed: int) -> None:
    data = small_random(np.random.default_rng(seed)).with_settings(survivors_share=1.0, gap=1e-6)
    plan = plan_release(data)
    plans = [n for n in every_plan(data) if not breaches(data, n)]
    if not plans:
        assert plan.numbers is None
        return
    most = max(float((n * data.survival).sum()) for n in plans)
    best = min(slow_objective(data, n) for n in plans if (n * data.survival).sum() >= most - 1e-6)
    assert plan.objective == pytest.approx(best, rel=1e-5, abs=1e-9)
    assert plan.bound is not None
    assert plan.bound <= best + 1e-7
    assert plan.proof is not None
    bound = proven_bound(data, plan.proof)
    assert bound is not None
    assert bound <= best + 1e-7


def test_recheck__refuses_a_proof_with_wrong_prices_of_survivors() -> None:
    data = programme(2, n_families=16, n_fish=900).with_settings(survivors_share=1.0)
    plan = plan_release(data)
    assert plan.proof is not None
    assert plan.proof.survivor_prices is not None
    assert recheck(data, plan) == []
    short = replace(plan.proof, survivor_prices=plan.proof.survivor_prices[:-1])
    assert {b.code for b in recheck(data, replace(plan, proof=short))} == {"bound"}
