"""A plan that was tampered with does not pass."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from planner.optimise.spawning.data import spawning_data
from planner.optimise.spawning.recheck import UnsoundPlanError, demand_sound, recheck
from planner.optimise.spawning.solve import plan_spawning


@pytest.fixture
def sound(skewed_pedigree):
    parents, sex, youngest = skewed_pedigree(1, per=30)
    living = np.zeros(len(parents))
    living[youngest] = 1.0
    data = spawning_data(
        youngest[sex[youngest] == 0],
        youngest[sex[youngest] == 1],
        8,
        parents=parents,
        most_uses=3,
        pair_limit=0.125,
        living=living,
        living_share=0.2,
        young=40.0,
    )
    plan = plan_spawning(data)
    assert recheck(data, plan) == []
    return data, plan


def codes(data, plan) -> set[str]:
    return {b.code for b in recheck(data, plan)}


def test_recheck__a_dish_left_out(sound) -> None:
    data, plan = sound
    assert codes(data, replace(plan, pairs=plan.pairs[1:])) >= {"dishes", "contributions", "value"}


def test_recheck__a_pair_exchanged(sound) -> None:
    data, plan = sound
    pairs = plan.pairs.copy()
    pairs[0, 1], pairs[-1, 1] = pairs[-1, 1], pairs[0, 1]
    assert pairs.tolist() != plan.pairs.tolist()
    found = codes(data, replace(plan, pairs=pairs))
    assert "contributions" not in found  # the same fish are used as often
    assert found <= {"inbreeding", "pair-kinship", "pair-repeats"}
    assert found


def test_recheck__a_fish_exchanged_for_an_unused_one(sound) -> None:
    data, plan = sound
    unused = int(data.females[plan.contributions[: data.n_females] == 0][0])
    pairs = plan.pairs.copy()
    pairs[0, 0] = unused
    assert codes(data, replace(plan, pairs=pairs)) >= {"contributions", "value"}


def test_recheck__wrong_numbers(sound) -> None:
    data, plan = sound
    assert codes(data, replace(plan, value=plan.value * 0.999)) == {"value"}
    assert codes(data, replace(plan, bound=plan.value * 1.001)) == {"bound"}
    for field, name in (
        ("cohort_kinship", "cohort kinship"),
        ("living_kinship_after", "living kinship"),
        ("mean_inbreeding", "inbreeding"),
    ):
        wrong = replace(plan.measures, **{field: getattr(plan.measures, field) + 1e-6})
        assert codes(data, replace(plan, measures=wrong)) == {name}
    missing = replace(plan.measures, living_kinship_after=None)
    assert codes(data, replace(plan, measures=missing)) == {"living kinship"}


def test_recheck__a_male_as_dam(sound) -> None:
    data, plan = sound
    pairs = plan.pairs.copy()
    pairs[0, 0] = data.males[0]
    (broken,) = recheck(data, replace(plan, pairs=pairs))
    assert broken.text.endswith("is no candidate of the right sex")


def test_demand_sound__raises_with_names(sound) -> None:
    data, plan = sound
    demand_sound(data, plan)
    ripe = data.ripe.copy()
    used = np.flatnonzero(plan.contributions)
    ripe[used[0]] = False
    with pytest.raises(
        UnsoundPlanError, match=rf"ripe: {data.name(int(used[0]))} is not ripe.*Do not use this plan"
    ):
        demand_sound(replace(data, ripe=ripe), plan)
