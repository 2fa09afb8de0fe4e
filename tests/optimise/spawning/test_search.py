"""Limits, stops, repeatability, and what must not change the answer."""

from __future__ import annotations

import threading
from dataclasses import replace

import numpy as np
import pytest

from broodstock.errors import UsageError
from planner.optimise.solver import Progress
from planner.optimise.spawning.build import draft_rules
from planner.optimise.spawning.coefficients import coefficients
from planner.optimise.spawning.data import spawning_data
from planner.optimise.spawning.improve import Improver
from planner.optimise.spawning.search import Search
from planner.optimise.spawning.solve import SearchSettings, goal_of, plan_spawning
from planner.optimise.status import SolveStatus


@pytest.fixture
def hatchery(skewed_pedigree):
    def make(dishes: int = 20, per: int = 60, seed: int = 1, **rules):
        parents, sex, youngest = skewed_pedigree(seed, per=per)
        return spawning_data(
            youngest[sex[youngest] == 0], youngest[sex[youngest] == 1], dishes, parents=parents, **rules
        )

    return make


def test_plan__is_the_same_every_time(hatchery) -> None:
    data = hatchery(males_per_female=(2, 3), pair_limit=0.125)
    plans = [plan_spawning(data) for _ in range(2)]
    assert plans[0].pairs.tolist() == plans[1].pairs.tolist()
    assert plans[0].bound == plans[1].bound
    assert plans[0].status is SolveStatus.PROVEN
    assert plans[0].gap <= 1e-3


def test_plan__order_and_names_of_fish_do_not_change_its_value(hatchery) -> None:
    data = hatchery(most_uses=3, pair_limit=0.125)
    exact = SearchSettings(relative_gap=0.0)
    first = plan_spawning(data, exact)
    rng = np.random.default_rng(2)
    f, m = rng.permutation(data.n_females), rng.permutation(data.n_males)
    other = replace(
        data, females=data.females[f], males=data.males[m], ids=tuple(f"fish {i}" for i in range(data.n_fish))
    )
    second = plan_spawning(other, exact)
    assert second.value == pytest.approx(first.value, rel=1e-6)
    unrelated = np.vstack([data.parents, [[-1, -1]]]).astype(np.int32)
    third = plan_spawning(
        replace(data, parents=unrelated, ids=(*data.ids, "new"), living=np.zeros(len(unrelated))), exact
    )
    assert third.value == pytest.approx(first.value, rel=1e-6)


def test_plan__an_unknown_parent_written_as_a_founder_changes_nothing() -> None:
    unknown = np.array([[-1, -1], [-1, -1], [0, -1], [0, -1], [1, -1], [1, 0]], np.int32)
    written = np.array([[-1, -1]] * 5 + [[0, 2], [0, 3], [1, 4], [1, 0]], np.int32)
    exact = SearchSettings(relative_gap=0.0)
    a = plan_spawning(spawning_data([2, 4], [3, 5], 3, parents=unknown), exact)
    b = plan_spawning(spawning_data([5, 7], [6, 8], 3, parents=written), exact)
    assert a.value == pytest.approx(b.value, abs=1e-12)


def test_plan__one_more_candidate_never_makes_it_worse(hatchery) -> None:
    data = hatchery(most_uses=2)
    exact = SearchSettings(relative_gap=0.0)
    fewer = spawning_data(data.females[:-5], data.males[:-5], 20, parents=data.parents, most_uses=2)
    assert plan_spawning(data, exact).value <= plan_spawning(fewer, exact).value + 1e-9


def test_plan__a_limit_without_a_plan_says_so(hatchery) -> None:
    data = hatchery(males_per_female=(2, 3), females_per_male=(2, 3), pair_limit=0.125)
    plan = plan_spawning(data, SearchSettings(time_limit=1e-9))
    assert plan.status is SolveStatus.TIME_LIMIT
    assert not plan.has_plan
    assert plan.value is None
    assert plan.sentence() == "The search ended (time limit) before a plan was found. Allow it more time."
    assert len(plan.pairs) == 0
    assert plan.conflicts == ()


def test_search__time_over_after_the_first_plan_gives_it_with_its_gap(hatchery) -> None:
    data = hatchery(males_per_female=(2, 3), females_per_male=(2, 3), pair_limit=0.125)
    co = coefficients(data)
    cancel = threading.Event()
    search = Search(
        draft_rules(data, co),
        goal_of(co),
        gap=0.0,
        cancel=cancel,
        progress=lambda p: cancel.set() if p.best else None,
    )
    found = search.run()
    assert found.c is not None
    assert found.report.status is SolveStatus.STOPPED
    assert found.report.gap > 0
    assert found.report.bound < found.report.objective


def test_plan__cancelled_before_it_starts(hatchery) -> None:
    cancel = threading.Event()
    cancel.set()
    plan = plan_spawning(hatchery(), cancel=cancel)
    assert plan.status is SolveStatus.STOPPED
    assert not plan.has_plan


def test_plan__progress_closes_in(hatchery) -> None:
    seen: list[Progress] = []
    plan = plan_spawning(
        hatchery(males_per_female=(2, 3), females_per_male=(2, 3)),
        SearchSettings(relative_gap=2e-3),
        progress=seen.append,
    )
    assert seen
    bounds = [p.bound for p in seen if p.bound is not None]
    values = [p.best for p in seen if p.best is not None]
    assert bounds == sorted(bounds)
    assert values == sorted(values, reverse=True)
    assert max(bounds) <= plan.value + 1e-12
    assert plan.value <= min(values) + 1e-12


def test_plan__tells_what_is_proven(hatchery) -> None:
    plan = plan_spawning(hatchery(most_uses=3))
    assert plan.sentence().startswith("No plan under the same rules can be more than 0.0")
    assert plan.report.as_dict()["solver_versions"].keys() == {"pulp", "highspy"}
    assert plan.settings["dishes"] == 20
    assert plan.settings["most_uses"] == 3
    assert plan.seed == 0


@pytest.mark.parametrize(
    "bad", [{"time_limit": 0}, {"time_limit": float("nan")}, {"relative_gap": -0.1}, {"relative_gap": 1}]
)
def test_search_settings__refuse_what_makes_no_sense(bad) -> None:
    with pytest.raises(UsageError, match=f"search, {next(iter(bad))}: found"):
        SearchSettings(**bad)


def test_improver__keeps_rules_and_never_makes_it_worse(small_case) -> None:
    improved = 0
    for seed in range(60):
        data = small_case(seed, rate=0.5)
        co = coefficients(data)
        draft = draft_rules(data, co)
        values = draft.possible()
        if any(len(v) == 0 for v in values):
            continue
        improver = Improver(draft, co.K, co.linear / co.square, values, draft.rows)
        start = improver.built()
        if start is None:
            continue
        end = improver.improved(start)
        for c in (start, end):
            assert improver.excess(c) == 0
            assert all(int(n) in v.tolist() for n, v in zip(c, values, strict=True))
        assert improver.value(end) <= improver.value(start)
        improved += improver.value(end) < improver.value(start) - 1e-9
    assert improved > 5
