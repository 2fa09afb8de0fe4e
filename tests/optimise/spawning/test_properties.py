"""Whatever the rules, a plan that comes out meets them all and its bound is not above its value."""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from planner.optimise.spawning.read import as_table
from planner.optimise.spawning.solve import SearchSettings, plan_spawning
from planner.optimise.status import SolveStatus

QUICK = SearchSettings(time_limit=10, explain_conflicts=False)
CHECKS = [HealthCheck.function_scoped_fixture, HealthCheck.too_slow]


def one_case(small_case, faults, slow_goal, seed: int, rate: float, repeats: bool) -> None:
    data = small_case(seed, rate=rate, repeats=repeats)
    plan = plan_spawning(data, QUICK)
    if not plan.has_plan:
        assert plan.status is SolveStatus.INFEASIBLE
        return
    table = as_table(data, plan.pairs)
    assert faults(data, table) == []
    assert plan.value == pytest.approx(slow_goal(data, table), abs=1e-9)
    assert 0 <= plan.bound <= plan.value
    assert plan.gap <= 1e-3
    measures = plan.measures
    assert 0 <= measures.gene_diversity <= 1
    assert measures.effective_parents <= data.n_candidates + 1e-9
    assert measures.mean_inbreeding <= measures.greatest_inbreeding + 1e-12


@settings(max_examples=40, deadline=None, derandomize=True, suppress_health_check=CHECKS)
@given(st.integers(0, 10**6), st.floats(0.2, 0.8), st.booleans())
def test_plan__breaks_no_rule(small_case, faults, slow_goal, seed: int, rate: float, repeats: bool) -> None:
    one_case(small_case, faults, slow_goal, seed, rate, repeats)


@pytest.mark.slow
@settings(max_examples=1000, deadline=None, derandomize=True, suppress_health_check=CHECKS)
@given(st.integers(0, 10**6), st.floats(0.2, 0.8), st.booleans())
def test_plan__breaks_no_rule_a_thousand_times(
    small_case, faults, slow_goal, seed: int, rate: float, repeats: bool
) -> None:
    one_case(small_case, faults, slow_goal, seed, rate, repeats)
