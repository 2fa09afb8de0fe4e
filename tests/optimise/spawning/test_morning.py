"""Reasons, next mates, planning again, alternatives and naive plans."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from broodstock.errors import UsageError
from planner.optimise.spawning.coefficients import coefficients
from planner.optimise.spawning.data import spawning_data
from planner.optimise.spawning.explain import reasons
from planner.optimise.spawning.mates import next_mates
from planner.optimise.spawning.naive import equal_use_plan, random_plan
from planner.optimise.spawning.near_best import alternatives
from planner.optimise.spawning.read import as_table
from planner.optimise.spawning.recheck import recheck
from planner.optimise.spawning.replan import replan
from planner.optimise.spawning.solve import SearchSettings, plan_spawning
from planner.optimise.status import SolveStatus


@pytest.fixture
def morning(skewed_pedigree):
    parents, sex, youngest = skewed_pedigree(3, per=60)
    living = np.zeros(len(parents))
    living[youngest] = 1.0
    ids = tuple(f"EM-{i:04d}" for i in range(len(parents)))
    data = spawning_data(
        youngest[sex[youngest] == 0],
        youngest[sex[youngest] == 1],
        18,
        parents=parents,
        ids=ids,
        most_uses=3,
        pair_limit=0.125,
        living=living,
        living_share=0.3,
        young=100.0,
    )
    return data, plan_spawning(data)


def test_reasons__state_the_facts_of_every_pair(morning) -> None:
    data, plan = morning
    co = coefficients(data)
    explained = reasons(data, co, plan)
    assert [(r.dam.row, r.sire.row, r.dishes) for r in explained] == [tuple(p) for p in plan.pairs.tolist()]
    for reason in explained:
        assert reason.kinship <= 0.125
        assert reason.limit == 0.125
        assert 1 <= reason.dam.rank <= reason.dam.of == data.n_females
        assert reason.dam.uses == plan.contributions[np.flatnonzero(data.candidates == reason.dam.row)[0]]
        assert reason.without_pair >= -1e-3 * plan.value
        text = " ".join(reason.sentences)
        assert reason.dam.name in text
        assert f"{reason.kinship:.4f}" in text
        assert "optimal" not in text
    assert explained[0].as_dict()["dam"]["name"].startswith("EM-")
    assert sum(r.dishes for r in explained) == 18


def test_reasons__rank_follows_mean_kinship(morning) -> None:
    data, plan = morning
    co = coefficients(data)
    facts = {r.dam.row: r.dam for r in reasons(data, co, plan)}
    rows = sorted(facts, key=lambda row: facts[row].kinship_with_living)
    ranks = [facts[row].rank for row in rows]
    assert ranks == sorted(ranks)


def test_reasons__without_a_living_group_or_limit_and_without_a_plan() -> None:
    data = spawning_data([0, 1], [2, 3], 2, parents=np.full((4, 2), -1))
    plan = plan_spawning(data)
    (first, _) = reasons(data, coefficients(data), plan)
    assert "no pair limit is set" in first.sentences[2]
    assert "with the season's young" in first.sentences[0]
    with_upper = replace(data, pair_upper=np.full((2, 2), 0.1), limit_on="upper", pair_limit=0.2)
    assert "the upper end is compared" in reasons(with_upper, coefficients(data), plan)[0].sentences[2]
    none = plan_spawning(replace(data, dishes=9))
    assert reasons(data, coefficients(data), none) == []


def test_next_mates__change_is_what_the_goal_really_changes_by(morning) -> None:
    data, plan = morning
    co = coefficients(data)
    table = as_table(data, plan.pairs)
    f, m = np.argwhere(table > 0)[0].tolist()
    failing = data.male_position(m)
    mates = next_mates(data, co, plan, f, failing, most=8)
    assert len(mates) == 8
    assert [x.change for x in mates] == sorted(x.change for x in mates)
    for mate in mates:
        c = plan.contributions.astype(float)
        before = co.goal(c)
        c[failing] -= 1
        c[mate.position] += 1
        assert co.goal(c) - before == pytest.approx(mate.change, abs=1e-12)
        assert co.K[f, mate.position] <= 0.125
        assert mate.uses < 3
        assert table[f, mate.position - data.n_females] == 0
    for_male = next_mates(data, co, plan, failing, f)
    assert all(x.position < data.n_females for x in for_male)


def test_next_mates__are_the_best_by_trying_all(morning) -> None:
    data, plan = morning
    co = coefficients(data)
    table = as_table(data, plan.pairs)
    f, m = np.argwhere(table > 0)[-1].tolist()
    failing = data.male_position(m)
    changes = []
    for other in range(data.n_females, data.n_candidates):
        if (
            other == failing
            or co.K[f, other] > 0.125
            or plan.contributions[other] >= 3
            or table[f, other - data.n_females]
        ):
            continue
        c = plan.contributions.astype(float)
        c[failing] -= 1
        c[other] += 1
        changes.append(co.goal(c) - plan.value)
    assert next_mates(data, co, plan, f, failing, most=1)[0].change == pytest.approx(min(changes), abs=1e-12)


def test_next_mates__asks_for_a_pair_of_the_plan(morning) -> None:
    data, plan = morning
    co = coefficients(data)
    unused = int(np.flatnonzero(plan.contributions[: data.n_females] == 0)[0])
    with pytest.raises(ValueError, match="Expected a pair of the plan"):
        next_mates(data, co, plan, unused, data.n_females)
    with pytest.raises(ValueError, match="Expected a pair of the plan"):
        next_mates(data, co, plan, 0, 1)


def test_replan__keeps_what_is_done_and_most_of_the_rest(morning) -> None:
    data, plan = morning
    laid = plan.pairs[:5]
    used = [i for i in np.flatnonzero(plan.contributions).tolist() if data.candidates[i] not in laid[:, :2]]
    lost = used[:2]
    again = replan(data, plan, laid=laid, lost=lost)
    assert recheck(again.data, again.plan) == []
    assert again.plan.made.tolist() == laid.tolist()
    assert again.plan.pairs[:, 2].sum() == 18 - laid[:, 2].sum()
    names = data.candidates[lost]
    assert not np.isin(again.plan.pairs[:, :2], names).any()
    assert again.plan.contributions[lost].tolist() == [0, 0]
    free = plan_spawning(again.data, SearchSettings(relative_gap=0.0))
    assert free.value <= again.plan.value <= free.value * 1.0062
    assert again.kept[:, 2].sum() + again.added[:, 2].sum() == again.plan.pairs[:, 2].sum()
    assert again.kept[:, 2].sum() >= 0.6 * again.plan.pairs[:, 2].sum()


def test_replan__staying_near_changes_fewer_fish_than_planning_freely(morning) -> None:
    data, plan = morning
    lost = np.flatnonzero(plan.contributions)[:3]

    def changed(result) -> int:
        rest = plan.contributions.copy()
        rest[lost] = 0
        return int(np.maximum(0, result.plan.contributions - rest).sum())

    near = replan(data, plan, lost=lost, stay_within=0.01)
    free = replan(data, plan, lost=lost, stay_within=0.0)
    assert changed(near) <= changed(free)
    assert near.plan.value >= free.plan.value - 1e-3 * free.plan.value
    assert near.plan.status in (SolveStatus.NEAR_BEST, SolveStatus.PROVEN)
    assert near.plan.bound <= free.plan.value


def test_replan__unplanned_dishes_count_and_fewer_dishes_can_be_asked_for(morning) -> None:
    data, plan = morning
    stranger = [int(data.females[0]), int(data.males[0]), 1]
    again = replan(data, plan, laid=[stranger], dishes=4)
    assert again.plan.made.tolist() == [stranger]
    assert again.plan.pairs[:, 2].sum() == 4
    done = replan(data, plan, laid=plan.pairs)
    assert done.plan.pairs.shape == (0, 3)
    assert done.plan.value == pytest.approx(plan.value)
    assert done.plan.measures.new_mean_inbreeding is None
    with pytest.raises(UsageError, match="found 0 dishes"):
        replan(data, plan, laid=[[*stranger[:2], 0]])
    with pytest.raises(KeyError):
        replan(data, plan, laid=[[stranger[1], stranger[0], 1]])


def test_replan__says_when_nothing_is_possible_any_more(morning) -> None:
    data, plan = morning
    again = replan(data, plan, lost=np.arange(data.n_females))
    assert again.plan.status is SolveStatus.INFEASIBLE
    assert {c.code for c in again.plan.conflicts} == {"dishes", "ripe"}


def test_alternatives__use_other_fish_within_the_limit(morning) -> None:
    data, plan = morning
    others = alternatives(data, plan, number=2, within=0.02)
    assert len(others) == 2
    used = set(np.flatnonzero(plan.contributions).tolist())
    for other in others:
        assert recheck(data, other) == []
        assert plan.value * (1 - 1e-3) <= other.value <= plan.value * 1.02 + 1e-12
        assert other.bound == pytest.approx(plan.bound)
        shared = used & set(np.flatnonzero(other.contributions).tolist())
        assert len(shared) < 0.9 * len(used)
    assert all(o.value <= plan.value * (1 + 1e-9) for o in alternatives(data, plan, number=1, within=0.0))


def test_alternatives__of_no_plan_are_none(morning) -> None:
    data, _ = morning
    none = plan_spawning(replace(data, dishes=500), SearchSettings(explain_conflicts=False))
    assert len(alternatives(data, none)) == 0


def test_naive_plans__meet_the_rules_and_show_the_gain(morning) -> None:
    data, plan = morning
    for naive in (random_plan(data, 5), random_plan(data, 6), equal_use_plan(data)):
        assert recheck(data, naive) == []
        assert naive.bound is None
        assert naive.gap is None
        assert naive.pairs[:, 2].sum() == 18
        assert naive.value > plan.value
    assert random_plan(data, 5).pairs.tolist() == random_plan(data, 5).pairs.tolist()
    assert random_plan(data, 5).pairs.tolist() != random_plan(data, 6).pairs.tolist()


def test_equal_use_plan__uses_each_fish_once_the_least_related_first() -> None:
    parents = np.array([[-1, -1]] * 4 + [[0, 2]] * 3 + [[1, 3]] + [[0, 2]] * 3 + [[1, 3]], np.int32)
    data = spawning_data([4, 5, 6, 7], [8, 9, 10, 11], 2, parents=parents)
    plan = equal_use_plan(data)
    assert plan.contributions.max() == 1
    assert plan.contributions[[3, 7]].tolist() == [
        1,
        1,
    ]  # the two fish of the small family are less related to all


def test_naive_plans__of_a_case_without_a_plan() -> None:
    data = spawning_data([0], [1], 2, parents=np.full((2, 2), -1))
    for naive in (random_plan(data, 1), equal_use_plan(data)):
        assert naive.status is SolveStatus.INFEASIBLE
        assert not naive.has_plan
