"""Plain plans: what they keep, what they break, and that planning does better."""

from __future__ import annotations

import numpy as np
import pytest

from planner.optimise.release.naive import fill_in_order, proportional
from planner.optimise.release.solve import plan_release
from tests.optimise.release.instances import plain, programme

KEPT = {
    "site-closed",
    "health-hold",
    "withdrawal",
    "predators",
    "connection",
    "min-length",
    "water-risk",
    "forbidden-move",
    "stock",
    "capacity-fish",
}


def test_proportional__shares_by_room() -> None:
    plan = proportional(plain(available=(9, 6), sites={"capacity_fish": [20, 10]}))
    assert plan.numbers.tolist() == [[6, 3], [4, 2]]
    assert plan.breaches == ()


def test_proportional__keeps_within_the_room() -> None:
    plan = proportional(plain(available=(50, 50), sites={"capacity_fish": [20, 10]}))
    assert plan.numbers.sum(axis=0).tolist() == [20, 10]


def test_fill_in_order__largest_fish_first_into_the_first_site() -> None:
    data = plain(available=(5, 5), lengths=(300.0, 400.0), sites={"capacity_fish": [6, 9]})
    assert fill_in_order(data, [0, 1]).numbers.tolist() == [[1, 4], [5, 0]]
    # Without an order the site with most room is filled first.
    assert fill_in_order(data).numbers.tolist() == [[1, 4], [0, 5]]


def test_fill_in_order__refuses_a_wrong_order() -> None:
    with pytest.raises(ValueError, match=r"site order: found \[0, 0\]"):
        fill_in_order(plain(), [0, 0])


@pytest.mark.parametrize("seed", [1, 3])
def test_plain_plans__keep_the_rules_they_know_and_list_the_others(seed: int) -> None:
    data = programme(seed, n_families=20, n_fish=1000)
    for plan in (proportional(data), fill_in_order(data)):
        broken = {b.code for b in plan.breaches}
        assert not broken & KEPT
        assert broken
        assert plan.numbers.sum() <= data.groups.available.sum() - data.settings.keep_back
        assert (plan.numbers >= 0).all()


def test_plain_plans__are_beaten_at_the_same_number_of_fish_and_survivors() -> None:
    data = programme(2, n_families=20, n_fish=1000)
    for plain_plan in (proportional(data), fill_in_order(data)):
        released = int(plain_plan.numbers.sum())
        same = data.with_settings(total_min=released, total_max=released, survivors_share=0.95, totals=())
        plan = plan_release(same)
        # All rules kept, more survivors, and still less kinship per fish.
        assert plan.breaches == ()
        assert plan.measures is not None
        assert plan.measures.kinship_weighted is not None
        assert plan.measures.survivors.value is not None
        assert plain_plan.measures.kinship_weighted is not None
        assert plain_plan.measures.survivors.value is not None
        assert plan.measures.kinship_weighted < plain_plan.measures.kinship_weighted
        assert plan.measures.survivors.value > plain_plan.measures.survivors.value


def test_proportional__no_site_and_no_room() -> None:
    assert proportional(plain(n_sites=0, survival=np.zeros((3, 0)))).numbers.shape == (3, 0)
    assert proportional(plain(sites={"capacity_fish": 0})).numbers.sum() == 0
