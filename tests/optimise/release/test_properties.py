"""No hard rule is ever broken, whatever the data."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from planner.optimise.release.assign import assign_fish
from planner.optimise.release.conflicts import find_conflicts
from planner.optimise.release.recheck import breaches
from planner.optimise.release.solve import plan_release
from planner.optimise.status import SolveStatus
from tests.optimise.release.instances import more_rules, programme, small_random
from tests.optimise.release.slow_answers import best_of_all


def _check(seed: int, most_fish: int) -> None:
    """Plan a random problem: either every rule holds, or a conflict is named."""
    rng = np.random.default_rng(seed)
    data = more_rules(small_random(rng, most_fish=most_fish), rng).with_settings(gap=0.02)
    plan = plan_release(data)
    if plan.numbers is None:
        assert plan.status is SolveStatus.INFEASIBLE
        assert plan.conflicts is not None
        assert plan.conflicts.rules
        assert plan.conflicts.relaxations
        return
    assert plan.status is SolveStatus.PROVEN
    assert breaches(data, plan.numbers, plan.survivors_floor) == []
    assert plan.breaches == ()
    assert plan.bound is not None
    assert plan.objective is not None
    assert plan.bound <= plan.objective
    # The same data in which nothing conflicts names no conflict.
    assert find_conflicts(data).rules == ()


@settings(max_examples=60, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
@given(seed=st.integers(10_000, 10**9), most_fish=st.integers(0, 40))
def test_plan_release__breaks_no_hard_rule(seed: int, most_fish: int) -> None:
    _check(seed, most_fish)


@pytest.mark.slow
@settings(max_examples=1000, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
@given(seed=st.integers(10_000, 10**9), most_fish=st.integers(0, 60))
def test_plan_release__breaks_no_hard_rule_in_1000_cases(seed: int, most_fish: int) -> None:
    _check(seed, most_fish)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(40))
def test_plan_release__breaks_no_hard_rule_in_programmes(seed: int) -> None:
    rng = np.random.default_rng(seed)
    data = programme(seed, n_families=int(rng.integers(8, 30)), n_fish=int(rng.integers(300, 2000)), gap=0.02)
    plan = plan_release(data)
    if plan.numbers is None:
        assert plan.conflicts is not None
        assert plan.conflicts.rules
        return
    assert plan.breaches == ()
    group = np.repeat(np.arange(data.n_groups), data.groups.available)
    sex = rng.choice(["female", "male", "unknown"], len(group))
    given_out = assign_fish(plan.numbers, group, sex, seed=seed)
    for s in range(data.n_sites):
        sent = np.bincount(group[given_out.site == s], minlength=data.n_groups)
        np.testing.assert_array_equal(sent, plan.numbers[:, s])


def test_plan_release__agrees_with_every_plan_under_all_rules() -> None:
    # Brute force over every whole-number plan that the recheck lets pass, the new rules switched on at random.
    compared = refused = 0
    for seed in range(40):
        rng = np.random.default_rng(seed)
        data = more_rules(small_random(rng, most_fish=2), rng)
        best, plan = best_of_all(data), plan_release(data)
        if best is None:
            assert plan.numbers is None
            refused += 1
            continue
        assert plan.most_survivors == pytest.approx(best[0], rel=2e-3, abs=1e-9)
        if plan.most_survivors == pytest.approx(best[0], rel=1e-9):
            assert plan.objective == pytest.approx(best[1], rel=1e-6, abs=1e-9)
            compared += 1
    assert compared > 20
    assert refused > 2


def test_rules__each_new_rule_binds_among_the_random_cases() -> None:
    # The plain plan that sends every fish to the first water breaks each rule in some case: they are not idle.
    seen: set[str] = set()
    for seed in range(200):
        rng = np.random.default_rng(seed)
        data = more_rules(small_random(rng, most_fish=6), rng)
        numbers = np.zeros((data.n_groups, data.n_sites), dtype=np.int64)
        numbers[:, 0] = data.groups.available
        seen |= {b.code for b in breaches(data, numbers)}
    assert {"sex-ratio", "other-species", "sex-doubt", "season", "temperature", "shares", "permit"} <= seen
