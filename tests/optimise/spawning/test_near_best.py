"""How different plans nearly as good could be: the proven bound against every set of plans of small cases."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from broodstock.pedigree.kinship import kinship_matrix
from planner.optimise.spawning.coefficients import coefficients
from planner.optimise.spawning.data import SpawningData, spawning_data
from planner.optimise.spawning.near_best import alternatives
from planner.optimise.spawning.near_best_bound import shared_fish
from planner.optimise.spawning.scenarios import Scenario, semidefinite
from planner.optimise.spawning.solve import SearchSettings, plan_spawning

WITHIN = 0.25
EXACT = SearchSettings(relative_gap=0, explain_conflicts=False)


def used_within(
    data: SpawningData, most: float, faults: Callable[[SpawningData, np.ndarray], list[str]]
) -> list[tuple[bool, ...]]:
    """Fish with new dishes in every plan that meets the rules with a goal up to `most`, by trying all tables."""
    co = coefficients(data)
    base = data.made_uses
    found: set[tuple[bool, ...]] = set()
    for code in itertools.product(range(data.pair_repeats + 1), repeat=data.n_females * data.n_males):
        if sum(code) != data.dishes:
            continue
        new = np.array(code).reshape(data.n_females, data.n_males)
        if faults(data, new):
            continue
        c = base + np.concatenate([new.sum(axis=1), new.sum(axis=0)])
        if co.goal(c.astype(np.float64)) <= most * (1 + 1e-12):
            found.add(tuple((c > base).tolist()))
    return sorted(found)


def fewest_shared(best: tuple[bool, ...], plans: list[tuple[bool, ...]], number: int) -> int:
    """Least sum of shared fish over pairs, over every choice of plans."""
    return min(
        shared_fish(np.array([best, *chosen]))
        for chosen in itertools.combinations_with_replacement(plans, number)
    )


@pytest.mark.parametrize("number", [1, 2])
@pytest.mark.parametrize("repeats", [False, True])
def test_least_shared__is_never_above_what_some_plans_reach(small_case, faults, number, repeats) -> None:
    looked = proven = reached = 0
    for seed in range(24):
        data = small_case(seed, repeats=repeats)
        plan = plan_spawning(data, EXACT)
        if not plan.has_plan or plan.value is None:
            continue
        others = alternatives(data, plan, number=number, within=WITHIN, settings=EXACT)
        if not others:
            continue
        most = plan.value * (1 + WITHIN)
        best = tuple((plan.contributions > data.made_uses).tolist())
        truth = fewest_shared(best, used_within(data, most, faults), len(others))
        assert others.least_shared is not None, seed
        assert others.least_shared <= truth <= others.shared, seed
        looked += 1
        proven += others.least_shared
        reached += truth
    assert looked >= 8
    assert proven >= 0.6 * reached  # a bound of 0 would be no proof worth showing


def test_least_shared__equals_enumeration_where_any_fish_will_do() -> None:
    """Unrelated fish, one dish each: five dishes of 8 x 8 fish; a second plan shares 2 x (5 - 3) = 4 of them."""
    data = spawning_data(range(8), range(8, 16), 5, parents=np.full((16, 2), -1), most_uses=1)
    plan = plan_spawning(data, EXACT)
    others = alternatives(data, plan, number=1, within=0.01, settings=EXACT)
    assert others.shared == others.least_shared == 4
    # Three plans and the best use 20 of 8 females: four by three plans, four by two, 4 x 3 + 4 x 1 = 16 a sex.
    three = alternatives(data, plan, number=3, within=0.01, settings=EXACT)
    assert three.shared == three.least_shared == 32
    assert "Proven: no choice of as many plans within 1.0% of the best shares fewer." in three.sentence()


def test_least_shared__of_a_robust_goal_holds(random_pedigree, faults) -> None:
    rng = np.random.default_rng(4)
    parents, sex = random_pedigree(rng, founders=6, per=8)
    females, males = np.flatnonzero(sex == 0)[-4:], np.flatnonzero(sex == 1)[-3:]
    fish = np.concatenate([females, males])
    K = kinship_matrix(parents)[np.ix_(fish, fish)]
    noise = rng.normal(0, 0.03, (3, len(fish), len(fish)))
    tables = tuple(Scenario(semidefinite(np.clip(K + x + x.T, 0, 1)), np.zeros(len(fish))) for x in noise)
    data = replace(
        spawning_data(females, males, 4, parents=parents, most_uses=3), scenarios=tables, caution=0.5
    )
    plan = plan_spawning(data, EXACT)
    assert plan.value is not None
    others = alternatives(data, plan, number=2, within=WITHIN, settings=EXACT)
    best = tuple((plan.contributions > 0).tolist())
    truth = fewest_shared(best, used_within(data, plan.value * (1 + WITHIN), faults), len(others))
    assert others.least_shared is not None
    assert 0 < others.least_shared <= truth <= others.shared


def test_sentence__says_what_is_not_proven(skewed_pedigree) -> None:
    parents, sex, youngest = skewed_pedigree(3)
    data = spawning_data(
        youngest[sex[youngest] == 0], youngest[sex[youngest] == 1], 12, parents=parents, most_uses=3
    )
    plan = plan_spawning(data)
    others = alternatives(data, plan, number=3)
    assert others.least_shared is not None
    assert len(others) == 3
    assert 0.8 * others.shared <= others.least_shared <= others.shared
    words = replace(others, least_shared=others.shared - 2).sentence()
    assert (
        f"shares fewer than {others.shared - 2}; whether any shares fewer than {others.shared} is not known"
        in words
    )
    assert "was not proven: the time was over" in replace(others, least_shared=None).sentence()
    none = alternatives(data, replace(plan, value=None))
    assert none.sentence() == "No other plan was found whose value is within 1.0% of the best."
