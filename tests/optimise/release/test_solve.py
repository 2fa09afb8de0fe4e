"""Release plans against every possible plan, a general convex solver, and hand-worked answers."""

from __future__ import annotations

import threading
from dataclasses import replace

import numpy as np
import pytest

from planner.optimise.release.build import objective
from planner.optimise.release.data import Families, Groups, ReleaseData, Sites
from planner.optimise.release.relax import KinshipModel, relax
from planner.optimise.release.solve import most_survivors, plan_release
from planner.optimise.status import SolveStatus
from tests.optimise.release.instances import family_kinship, plain, programme, small_random, unrelated
from tests.optimise.release.slow_answers import best_of_all, convex_optimum

FAR = 1e18
"""A deadline that is never reached."""


@pytest.mark.parametrize("seed", range(120))
def test_plan_release__equals_the_best_of_all_plans(seed: int) -> None:
    data = small_random(np.random.default_rng(seed))
    answer = best_of_all(data)
    plan = plan_release(data)
    if answer is None:
        assert plan.status is SolveStatus.INFEASIBLE
        assert plan.numbers is None
        assert plan.conflicts is not None
        assert plan.conflicts.rules
        return
    most, least = answer
    assert plan.status is SolveStatus.PROVEN
    assert plan.breaches == ()
    assert plan.most_survivors == pytest.approx(most, abs=1e-6)
    assert plan.objective == pytest.approx(least, rel=2e-6, abs=2e-6)
    assert plan.bound is not None
    assert plan.bound <= least + 1e-6


@pytest.mark.slow
@pytest.mark.parametrize("start", range(1000, 4000, 250))
def test_plan_release__equals_the_best_of_all_plans_more(start: int) -> None:
    for seed in range(start, start + 250):
        test_plan_release__equals_the_best_of_all_plans(seed)


def _convex_case(seed: int, n_families: int = 12, n_sites: int = 4) -> ReleaseData:
    rng = np.random.default_rng(seed)
    family = np.repeat(np.arange(n_families), 2)
    residents = rng.integers(0, 5, (n_families, n_sites)) * (rng.random((n_families, n_sites)) < 0.4)
    return ReleaseData.make(
        Families.make([f"F{i}" for i in range(n_families)], family_kinship(rng, n_families, 12)),
        Groups.make(
            [f"G{i}" for i in range(2 * n_families)],
            family,
            rng.integers(3, 12, 2 * n_families),
            np.tile([280.0, 350.0], n_families),
        ),
        Sites.make(
            [f"S{i}" for i in range(n_sites)],
            n_families,
            capacity_fish=rng.integers(20, 50, n_sites) + residents.sum(axis=0),
            residents=residents,
            predators=["none"] * (n_sites - 1) + ["present"],
            # A family above the cap among the residents may stay above it: the general model knows no such case.
            family_cap=np.clip(residents.max(axis=0) / np.maximum(residents.sum(axis=0), 1) + 0.01, 0.3, 1),
            weight=rng.uniform(0.5, 2.0, n_sites),
        ),
        rng.uniform(0.1, 0.8, (2 * n_families, n_sites)),
    ).with_settings(
        total_min=60, total_max=90, predator_safe_mm=300.0, gap=1e-6, time_limit=60.0, whole_weight=0.7
    )


@pytest.mark.parametrize("seed", range(4))
def test_relaxation__equals_a_general_convex_solver(seed: int) -> None:
    data = _convex_case(seed)
    most = most_survivors(data).value
    assert most is not None
    for share in (0.0, 0.9):
        floor = share * most
        found = relax(KinshipModel.make(data, floor), [], gap=1e-6, deadline=FAR)
        expected = convex_optimum(data, floor)
        assert found.value is not None
        assert found.bound is not None
        assert found.value == pytest.approx(expected, rel=2e-5)
        assert found.bound <= expected * (1 + 1e-6)
        assert found.bound == pytest.approx(expected, rel=2e-5)


def test_plan_release__equal_unrelated_families_are_shared_evenly() -> None:
    # Four equally unrelated families, one empty site for 20 fish: equal numbers have the least p'Kp.
    data = plain(
        available=(20, 20, 20, 20), n_sites=1, sites={"wanted": [20]}, kinship=unrelated(4, 0.25, 0.0)
    )
    plan = plan_release(data)
    assert plan.numbers is not None
    assert plan.numbers[:, 0].tolist() == [5, 5, 5, 5]
    assert plan.measures is not None
    assert plan.measures.kinship_whole == pytest.approx(0.25 / 4)
    assert plan.measures.sites[0].effective_families == pytest.approx(4.0)


def test_plan_release__residents_are_counted() -> None:
    data = plain(
        available=(9, 9),
        n_sites=1,
        survival=1.0,
        kinship=unrelated(2, 0.25, 0.0),
        sites={"wanted": [10], "residents": [[6], [0]]},
    )
    plan = plan_release(data)
    assert plan.numbers is not None
    assert plan.numbers[:, 0].tolist() == [2, 8]


def test_plan_release__survival_weighs_the_shares() -> None:
    # Family 1 survives half as well: twice as many of it make equal shares among survivors.
    data = plain(
        available=(30, 30),
        n_sites=1,
        survival=[[0.8], [0.4]],
        kinship=unrelated(2, 0.25, 0.0),
        sites={"wanted": [30]},
        settings={"survivors_min": 16.0},
    )
    plan = plan_release(data)
    assert plan.numbers is not None
    assert plan.numbers[:, 0].tolist() == [10, 20]


@pytest.mark.parametrize("seed", [2, 5, 11])
def test_plan_release__relabelled_groups_and_sites_give_the_same_value(seed: int) -> None:
    data = _convex_case(seed).with_settings(gap=5e-3)
    rng = np.random.default_rng(seed)
    g, s = rng.permutation(data.n_groups), rng.permutation(data.n_sites)
    groups = replace(
        data.groups,
        name=tuple(data.groups.name[i] for i in g),
        size_class=tuple(data.groups.size_class[i] for i in g),
        **{
            field: getattr(data.groups, field)[g]
            for field in (
                "family",
                "available",
                "length_mm",
                "shortest_mm",
                "weight_g",
                "year_class",
                "water_risk",
                "health_hold",
                "withdrawal_hold",
            )
        },
    )
    changed = {
        field: value[..., s] if isinstance(value, np.ndarray) else tuple(value[i] for i in s)
        for field, value in vars(data.sites).items()
    }
    other = replace(
        data,
        groups=groups,
        sites=Sites(**changed),
        survival=data.survival[np.ix_(g, s)],
        survival_se=data.survival_se[np.ix_(g, s)],
        forbidden=data.forbidden[np.ix_(g, s)],
        committed=data.committed[np.ix_(g, s)],
    )
    first, second = plan_release(data), plan_release(other)
    assert first.objective == pytest.approx(second.objective, rel=5e-3)
    assert first.bound is not None
    assert second.objective is not None
    assert first.bound <= second.objective * (1 + 1e-9)


def test_plan_release__is_the_same_twice() -> None:
    data = _convex_case(7).with_settings(gap=5e-3)
    first, second = plan_release(data), plan_release(data)
    np.testing.assert_array_equal(first.numbers, second.numbers)
    assert (first.objective, first.bound) == (second.objective, second.bound)


def test_plan_release__echoes_settings_seed_and_stages() -> None:
    data = _convex_case(1).with_settings(gap=1e-2, seed=17)
    told: list[str] = []
    plan = plan_release(data, progress=lambda step, value, bound: told.append(step))
    assert plan.settings == data.settings
    assert plan.seed == 17
    assert [stage.name for stage in plan.stages] == ["most survivors", "relaxation", "whole fish"]
    assert told[0] == "seeking the most survivors"
    assert plan.report.as_dict()["status"] == "proven"
    assert plan.kept_back is not None
    assert plan.numbers is not None
    np.testing.assert_array_equal(plan.kept_back + plan.numbers.sum(axis=1), data.groups.available)


def test_plan_release__survivors_floor_is_the_share_of_the_most() -> None:
    data = _convex_case(3).with_settings(gap=1e-2, survivors_share=0.97)
    plan = plan_release(data)
    assert plan.measures is not None
    assert plan.most_survivors is not None
    assert plan.measures.survivors.value is not None
    assert plan.measures.survivors.value >= 0.97 * plan.most_survivors - 1e-6


def test_plan_release__capacity_zero_sends_nothing() -> None:
    plan = plan_release(plain(sites={"capacity_fish": 0}, settings={"survivors_share": 1.0}))
    assert plan.status is SolveStatus.PROVEN
    assert plan.numbers is not None
    assert plan.numbers.sum() == 0
    assert plan.objective == 0.0
    assert plan.gap == 0.0
    assert plan.breaches == ()


def test_plan_release__no_groups() -> None:
    data = plain(available=(), survival=np.zeros((0, 2)), n_families=2, sites={"residents": [[3, 0], [0, 2]]})
    plan = plan_release(data)
    assert plan.status is SolveStatus.PROVEN
    assert plan.numbers is not None
    assert plan.numbers.shape == (0, 2)
    assert plan.objective == pytest.approx(objective(data, plan.numbers))
    assert plan.bound == pytest.approx(plan.objective)


def test_plan_release__no_sites() -> None:
    plan = plan_release(plain(n_sites=0, survival=np.zeros((3, 0))))
    assert plan.status is SolveStatus.PROVEN
    assert plan.numbers is not None
    assert plan.numbers.shape == (3, 0)
    assert plan.kept_back is not None
    assert plan.kept_back.tolist() == [6, 6, 6]
    assert [r.group for r in plan.refused] == ["G0", "G1", "G2"]


def test_plan_release__no_sites_but_fish_must_go() -> None:
    plan = plan_release(plain(n_sites=0, survival=np.zeros((3, 0)), settings={"total_min": 1}))
    assert plan.status is SolveStatus.INFEASIBLE
    assert plan.numbers is None
    assert plan.conflicts is not None
    assert [d.code for d in plan.conflicts.rules] == ["release-total"]


def test_plan_release__no_families() -> None:
    data = ReleaseData.make(
        Families.make([], np.zeros((0, 0))), Groups.make([], [], [], []), Sites.make(["S"], 0), 0.5
    )
    plan = plan_release(data)
    assert plan.numbers is not None
    assert plan.numbers.shape == (0, 1)


def test_plan_release__survival_zero_everywhere() -> None:
    plan = plan_release(plain(survival=0.0, settings={"total_min": 4}))
    assert plan.status is SolveStatus.PROVEN
    assert plan.numbers is not None
    assert plan.numbers.sum() >= 4
    assert plan.objective == 0.0


def test_plan_release__time_limit_is_an_answer() -> None:
    data = programme(n_families=30, n_fish=1500, gap=0.0, time_limit=1.5)
    plan = plan_release(data)
    assert plan.status is SolveStatus.TIME_LIMIT
    if plan.numbers is None:
        assert plan.objective is None
        return
    assert plan.breaches == ()
    assert plan.gap is None or plan.gap >= 0.0


def test_plan_release__stopped_before_the_start_has_no_numbers() -> None:
    cancel = threading.Event()
    cancel.set()
    plan = plan_release(programme(n_families=20, n_fish=1000), cancel=cancel)
    assert plan.status in (SolveStatus.STOPPED, SolveStatus.PROVEN)
    assert plan.numbers is None or plan.breaches == ()


@pytest.mark.parametrize("seed", [1, 2])
def test_plan_release__a_middle_sized_programme_with_all_rules(seed: int) -> None:
    plan = plan_release(programme(seed, n_families=24, n_fish=1600, time_limit=120.0))
    if plan.status is SolveStatus.INFEASIBLE:
        assert plan.conflicts is not None
        assert plan.conflicts.rules
        return
    assert plan.status is SolveStatus.PROVEN
    assert plan.breaches == ()
    assert plan.gap is not None
    assert plan.gap <= 0.005


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(1, 6))
def test_plan_release__a_programme_with_all_rules(seed: int) -> None:
    plan = plan_release(programme(seed, time_limit=300.0))
    assert plan.status is SolveStatus.PROVEN
    assert plan.breaches == ()
    assert plan.gap is not None
    assert plan.gap <= 0.005
