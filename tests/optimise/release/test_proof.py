"""The bound computed again from prices, and recheck of a plan as a whole."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import linprog

from planner.optimise.release.build import Cut, aim_at_kinship, build_rules, cut_row
from planner.optimise.release.model import LinearModel, row
from planner.optimise.release.proof import kinship_bound, price_bound, proven_bound
from planner.optimise.release.recheck_plan import recheck
from planner.optimise.release.solve import plan_release
from tests.optimise.release.instances import programme, small_random
from tests.optimise.release.slow_answers import best_of_all


def _random_linear_model(rng: np.random.Generator) -> tuple[LinearModel, np.ndarray]:
    model = LinearModel()
    n = int(rng.integers(2, 6))
    columns = model.add((n,), rng.uniform(-2, 0, n), rng.uniform(1, 3, n), cost=rng.normal(size=n))
    factors = rng.normal(size=(int(rng.integers(1, 5)), n))
    inside = rng.uniform(model.low[1:], model.high[1:])
    for line in factors:
        middle = line @ inside
        model.rows.append(
            row("", "row", columns, line, middle - rng.uniform(0, 1), middle + rng.uniform(0, 1))
        )
    return model, factors


@pytest.mark.parametrize("seed", range(20))
def test_price_bound__any_prices_give_a_bound_and_the_right_ones_the_optimum(seed: int) -> None:
    rng = np.random.default_rng(seed)
    model, factors = _random_linear_model(rng)
    low = np.array([r.low for r in model.rows])
    high = np.array([r.high for r in model.rows])
    answer = linprog(
        model.cost[1:],
        A_ub=np.vstack([factors, -factors]),
        b_ub=np.concatenate([high, -low]),
        bounds=list(zip(model.low[1:], model.high[1:], strict=True)),
        method="highs",
    )
    for _ in range(20):
        assert price_bound(model, model.rows, rng.normal(size=len(low)) * 3) <= answer.fun + 1e-9
    n = len(low)
    prices = answer.ineqlin.marginals[:n] - answer.ineqlin.marginals[n:]
    assert price_bound(model, model.rows, prices) == pytest.approx(answer.fun, abs=1e-8)


def test_price_bound__a_price_on_a_missing_limit_counts_as_none() -> None:
    model = LinearModel()
    x = model.add((1,), 0.0, 4.0, cost=1.0)
    rows = [row("", "row", x, 1.0, low=2.0)]
    assert price_bound(model, rows, np.array([1.0])) == pytest.approx(2.0)
    assert price_bound(model, rows, np.array([-1.0])) == pytest.approx(0.0)


def test_kinship_bound__equals_the_bound_of_all_rows_written_out() -> None:
    rng = np.random.default_rng(4)
    for seed in range(10):
        data = small_random(np.random.default_rng(seed))
        frame = build_rules(data, 0.5)
        columns = aim_at_kinship(frame)
        n_blocks, n_directions = columns.squared.shape
        if not n_blocks:
            continue
        cuts = [
            Cut(int(rng.integers(n_blocks)), int(rng.integers(n_directions)), float(rng.normal()))
            for _ in range(7)
        ]
        rows = [*frame.model.rows, *(cut_row(columns, c) for c in cuts)]
        prices = rng.normal(size=len(rows)) * (rng.random(len(rows)) < 0.5)
        whole = price_bound(frame.model, rows, prices) + columns.constant
        assert kinship_bound(frame.model, columns, cuts, prices) == pytest.approx(whole, rel=1e-12, abs=1e-12)


@pytest.mark.parametrize("seed", range(30))
def test_proven_bound__is_below_every_plan(seed: int) -> None:
    data = small_random(np.random.default_rng(seed))
    answer = best_of_all(data)
    if answer is None:
        return
    plan = plan_release(data)
    assert plan.proof is not None
    bound = proven_bound(data, plan.proof)
    assert bound is not None
    assert bound <= answer[1] + 1e-7
    spoilt = replace(plan.proof, prices=plan.proof.prices * 1.5)
    worse = proven_bound(data, spoilt)
    assert worse is not None
    assert worse <= answer[1] + 1e-7


def test_recheck__finds_what_does_not_agree() -> None:
    data = programme(n_families=24, n_fish=1600)
    plan = plan_release(data)
    assert plan.numbers is not None
    assert plan.kept_back is not None
    assert plan.objective is not None
    assert plan.bound is not None
    assert plan.measures is not None
    assert plan.proof is not None
    assert recheck(data, plan) == []

    def codes(**changes: object) -> set[str]:
        return {b.code for b in recheck(data, replace(plan, **changes))}  # type: ignore[arg-type]

    assert codes(objective=plan.objective * 1.01) == {"objective"}
    assert codes(objective=plan.objective * 0.9) == {"objective", "bound"}
    assert codes(kept_back=plan.kept_back + 1) == {"kept-back"}
    assert codes(bound=plan.objective * 1.01) == {"bound"}
    assert codes(bound=plan.bound * 0.9) == {"bound"}
    assert codes(proof=replace(plan.proof, prices=plan.proof.prices[:-1])) == {"bound"}
    assert codes(proof=replace(plan.proof, block=plan.proof.block + 99)) == {"bound"}
    assert codes(measures=None) == {"measures"}
    assert codes(measures=replace(plan.measures, released=3)) == {"measures"}
    assert codes(numbers=plan.numbers.astype(float)) == {"numbers"}
    assert codes(numbers=plan.numbers[:-1]) == {"numbers"}
    negative = plan.numbers.copy()
    negative[0, 0] = -1
    assert codes(numbers=negative) == {"numbers"}


def test_recheck__nothing_to_check_without_a_plan() -> None:
    data = programme(n_families=12, n_fish=600).with_settings(total_min=10_000)
    plan = plan_release(data)
    assert not plan.has_plan
    assert recheck(data, plan) == []
