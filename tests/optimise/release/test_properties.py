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
from tests.optimise.release.instances import programme, small_random


def _check(seed: int, most_fish: int) -> None:
    """Plan a random problem: either every rule holds, or a conflict is named."""
    data = small_random(np.random.default_rng(seed), most_fish=most_fish).with_settings(gap=0.02)
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
