"""Plans for kinship that is not known for sure: brute force, two ways of writing the goal, and its bound."""

import itertools

import numpy as np
import pytest
from scipy.optimize import Bounds, LinearConstraint, minimize

from broodstock.errors import ShapeError, ValueRangeError
from planner.optimise.spawning.build import draft_rules
from planner.optimise.spawning.coefficients import coefficients
from planner.optimise.spawning.data import SpawningData, changed, spawning_data
from planner.optimise.spawning.near_best import alternatives
from planner.optimise.spawning.pairing import failing_row
from planner.optimise.spawning.recheck import UnsoundPlanError, demand_sound
from planner.optimise.spawning.replan import replan
from planner.optimise.spawning.scenarios import Scenario, mixture, semidefinite
from planner.optimise.spawning.search import Search
from planner.optimise.spawning.solve import SearchSettings, goal_of, plan_spawning
from planner.optimise.status import SolveStatus

EXACT = SearchSettings(time_limit=30.0, relative_gap=1e-6)


def uncertain(
    seed: int,
    females: int = 3,
    males: int = 3,
    dishes: int = 5,
    tables: int = 4,
    caution: float = 1.0,
    **more: object,
) -> SpawningData:
    """Candidates with a kinship estimate and some tables scattered around it."""
    rng = np.random.default_rng(seed)
    n = females + males
    lines = (rng.random((n, 5)) < 0.35).astype(float)
    estimate = lines @ lines.T * 0.04 + 0.45 * np.eye(n)
    living = np.ones(n)
    scenarios = []
    for _ in range(tables):
        noise = rng.normal(scale=0.05, size=(n, n))
        K = semidefinite(np.clip(estimate + (noise + noise.T) / 2, 0, 1))
        scenarios.append(Scenario(K, K.mean(axis=1), float(K.mean())))
    return spawning_data(
        np.arange(females),
        np.arange(females, n),
        dishes,
        kinship=semidefinite(estimate),
        most_uses=3,
        pair_repeats=2,
        living=living,
        living_share=0.3,
        young=4.0,
        scenarios=tuple(scenarios),
        caution=caution,
        **more,
    )


def goal_written_out(data: SpawningData, c: np.ndarray) -> float:
    """The goal in words: mean over tables and the worst table of (1 - a) cohort + a whole group."""
    s = c / c.sum()
    R, W, a = data.living.sum(), data.young, data.living_share
    goals = []
    for t in data.scenarios:
        cohort = s @ t.K @ s
        whole = (R * R * t.living_kinship + 2 * R * W * (s @ t.with_living) + W * W * cohort) / (R + W) ** 2
        goals.append((1 - a) * cohort + a * whole)
    return float((1 - data.caution) * np.mean(goals) + data.caution * np.max(goals))


def least_by_brute_force(data: SpawningData) -> float:
    """Try all contributions that can be paired."""
    draft = draft_rules(data, coefficients(data))

    def shares(fish: int) -> list[tuple[int, ...]]:
        return [x for x in itertools.product(range(4), repeat=fish) if sum(x) == data.dishes]

    best = np.inf
    for a, b in itertools.product(shares(data.n_females), shares(data.n_males)):
        c = np.array(a + b, dtype=np.float64)
        value = goal_written_out(data, c)
        if value < best and failing_row(draft, c, whole=True) is None:
            best = value
    return best


@pytest.mark.parametrize("caution", [0.0, 0.5, 1.0])
@pytest.mark.parametrize("seed", range(4))
def test_scenarios__equals_brute_force(seed: int, caution: float) -> None:
    data = uncertain(seed, caution=caution)
    plan = plan_spawning(data, EXACT)
    assert plan.status is SolveStatus.PROVEN
    assert plan.value == pytest.approx(least_by_brute_force(data), abs=1e-9)
    assert plan.value == pytest.approx(goal_written_out(data, plan.contributions.astype(float)), abs=1e-12)


def test_scenarios__one_table_is_the_plan_for_that_table() -> None:
    """The interval form: the worst case within upper limits is the limits themselves."""
    data = uncertain(5, tables=1)
    upper = data.scenarios[0]
    alone = plan_spawning(changed(data, scenarios=(), kinship=upper.K), EXACT)
    plan = plan_spawning(data, EXACT)
    assert plan.value == pytest.approx(alone.value, rel=1e-6)


def test_scenarios__equal_tables_change_nothing() -> None:
    data = uncertain(6)
    same = Scenario(data.kinship, data.kinship.mean(axis=1), float(data.kinship.mean()))
    plain = plan_spawning(changed(data, scenarios=()), EXACT)
    plan = plan_spawning(changed(data, scenarios=(same, same, same), caution=0.4), EXACT)
    assert plan.value == pytest.approx(plain.value, rel=1e-6)


def test_scenarios__bound_of_the_relaxation_agrees_with_a_general_solver() -> None:
    """Second formulation: epigraph in parts of dishes by SLSQP; the proven bound lies between it and the value."""
    data = uncertain(7, females=5, males=5, dishes=12)
    data = changed(data, pair_repeats=12)
    cases = coefficients(data).cases
    n = data.n_candidates
    rows = [np.append(sex.astype(float), 0.0) for sex in (data.is_female, ~data.is_female)]
    constraints = [LinearConstraint(np.array(rows), [12, 12], [12, 12])]
    constraints += [
        {"type": "ineq", "fun": lambda x, k=k: x[n] - k.of(x[:n]), "jac": lambda x, k=k: _slope(k, x)}
        for k in cases
    ]
    first = np.append(np.full(n, 2.4), max(k.of(np.full(n, 2.4)) for k in cases))
    found = minimize(
        lambda x: x[n],
        first,
        jac=lambda x: np.eye(n + 1)[n],
        bounds=Bounds(np.append(np.zeros(n), -np.inf), np.append(np.full(n, 3.0), np.inf)),
        constraints=constraints,
        method="SLSQP",
        options={"ftol": 1e-12, "maxiter": 500},
    )
    assert found.success
    plan = plan_spawning(data, EXACT)
    relaxed = coefficients(data).square * found.fun
    assert relaxed <= plan.bound + 1e-6 * relaxed
    assert plan.bound <= plan.value
    assert plan.value <= 1.03 * relaxed


def _slope(case: object, x: np.ndarray) -> np.ndarray:
    return np.append(-(2 * case.K @ x[:-1] + case.linear), 1.0)


def test_scenarios__worst_case_falls_and_estimates_rise() -> None:
    """What caution costs and what it gains have the right sign, because both plans are proven."""
    for seed in range(4):
        data = uncertain(seed, females=4, males=4, dishes=8)
        nominal = plan_spawning(changed(data, scenarios=()), EXACT)
        cautious = plan_spawning(data, EXACT)
        assert cautious.measures.goal_by_estimates >= nominal.value - 1e-9
        assert cautious.value <= goal_written_out(data, nominal.contributions.astype(float)) + 1e-9


def test_scenarios__order_of_tables_does_not_matter() -> None:
    data = uncertain(8)
    turned = changed(data, scenarios=data.scenarios[::-1])
    assert plan_spawning(turned, EXACT).value == pytest.approx(plan_spawning(data, EXACT).value, rel=1e-6)


def test_scenarios__new_plan_and_alternatives_keep_the_goal() -> None:
    data = uncertain(9, females=5, males=5, dishes=8)
    plan = plan_spawning(data, EXACT)
    for other in alternatives(data, plan, within=0.05):
        assert other.value == pytest.approx(goal_written_out(data, other.contributions.astype(float)))
        assert other.value <= 1.05 * plan.value + 1e-9
    lost = int(np.flatnonzero(plan.contributions > 0)[0])
    again = replan(data, plan, lost=[lost], settings=EXACT)
    assert again.plan.contributions[lost] == 0
    assert again.plan.value == pytest.approx(goal_written_out(data, again.plan.contributions.astype(float)))


def test_scenarios__recheck_refuses_a_wrong_value() -> None:
    from dataclasses import replace

    data = uncertain(1)
    plan = plan_spawning(data, EXACT)
    with pytest.raises(UnsoundPlanError, match="value"):
        demand_sound(data, replace(plan, value=plan.measures.goal_by_estimates * 0.9))


def test_scenarios__a_mixture_is_never_above_the_worst() -> None:
    data = uncertain(2)
    cases = coefficients(data).cases
    rng = np.random.default_rng(0)
    for _ in range(50):
        weights, c = rng.dirichlet(np.ones(len(cases))), rng.integers(0, 4, data.n_candidates).astype(float)
        assert mixture(cases, weights).of(c) <= max(k.of(c) for k in cases) + 1e-9


@pytest.mark.parametrize(
    ("broken", "words", "error"),
    [
        ({"caution": 1.5}, "caution: found 1.5", ValueRangeError),
        ({"scenarios": (Scenario(np.eye(2), np.zeros(2)),)}, "found shapes", ShapeError),
        ({"scenarios": (Scenario(np.full((6, 6), np.nan), np.zeros(6)),)}, "not a number", ValueRangeError),
        ({"scenarios": (Scenario(-np.eye(6), np.zeros(6)),)}, "smallest eigenvalue of -1", ValueRangeError),
        ({"scenarios": (Scenario(np.triu(np.ones((6, 6))), np.zeros(6)),)}, "not symmetric", ValueRangeError),
    ],
)
def test_scenarios__refuses(broken: dict, words: str, error: type[Exception]) -> None:
    with pytest.raises(error, match=words):
        changed(uncertain(0), **broken)


def test_search__bound_of_kinship_with_negative_entries_is_that_of_brute_force() -> None:
    """A constant added within the sexes to make marker kinship usable must not reach the bound."""
    for seed in range(4):
        rng = np.random.default_rng(seed)
        lines = (rng.random((6, 5)) < 0.4).astype(float)
        K = lines @ lines.T * 0.05 + 0.3 * np.eye(6) - 0.12
        data = spawning_data(np.arange(3), np.arange(3, 6), 5, kinship=K, most_uses=3, pair_repeats=2)
        co = coefficients(data)
        assert co.form.constant < 0
        found = Search(draft_rules(data, co), goal_of(co), gap=1e-6).run()
        shares = [x for x in itertools.product(range(4), repeat=3) if sum(x) == 5]
        draft = draft_rules(data, co)
        values = []
        for a, b in itertools.product(shares, shares):
            c = np.array(a + b, dtype=np.float64)
            if failing_row(draft, c, whole=True) is None:
                values.append(co.goal(c))
        assert found.report.objective == pytest.approx(min(values), abs=1e-9)
        assert found.report.bound <= min(values) + 1e-9
        relaxed = found.report.bound
        assert relaxed > min(values) - 1e-4
