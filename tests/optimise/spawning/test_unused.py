"""Fish without a dish: the exchange named against every exchange tried."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from planner.optimise.spawning.build import draft_rules
from planner.optimise.spawning.coefficients import coefficients
from planner.optimise.spawning.data import spawning_data
from planner.optimise.spawning.solve import SearchSettings, plan_spawning
from planner.optimise.spawning.unused import unused_fish


@pytest.mark.parametrize("seed", range(6))
def test_unused_fish__name_the_exchange_that_costs_least(seed: int, skewed_pedigree) -> None:
    parents, sex, youngest = skewed_pedigree(seed, per=24)
    living = np.zeros(len(parents))
    living[youngest] = 1.0
    data = spawning_data(
        youngest[sex[youngest] == 0],
        youngest[sex[youngest] == 1],
        9,
        parents=parents,
        males_per_female=(2, 4),
        most_uses=4,
        living=living,
        living_share=0.3,
        young=30.0,
    )
    plan = plan_spawning(data, SearchSettings(relative_gap=0))
    co = coefficients(data)
    found = {u.name: u for u in unused_fish(data, co, plan)}
    c = plan.contributions
    assert set(found) == {data.name(i) for i in np.flatnonzero(c == 0)}
    possible = [v.tolist() for v in draft_rules(data, co).possible()]
    looked = 0
    for i in np.flatnonzero(c == 0).tolist():
        tried = []
        for g in np.flatnonzero((c > 0) & (data.is_female == data.is_female[i])).tolist():
            for n in range(1, int(c[g]) + 1):
                other = c.astype(np.float64)
                other[i] += n
                other[g] -= n
                if other[i] in possible[i] and other[g] in possible[g]:
                    tried.append(co.goal(other) - plan.value)
        one = found[data.name(i)]
        assert one.change == pytest.approx(min(tried), abs=1e-12)
        assert one.share == pytest.approx(min(tried) / plan.value, abs=1e-9)
        assert f"of {one.instead_of} given to it" in one.sentence()
        looked += 1
    assert looked


def test_unused_fish__leave_out_who_may_not_be_crossed_and_say_when_nothing_fits() -> None:
    data = spawning_data(
        range(4), range(4, 8), 2, parents=np.full((8, 2), -1), males_per_female=(2, 2), most_uses=2
    )
    hold = np.zeros(8, bool)
    hold[3] = True
    data = replace(data, hold=hold)
    plan = plan_spawning(data, SearchSettings(relative_gap=0))
    unused = {u.name: u for u in unused_fish(data, coefficients(data), plan)}
    assert "3" not in unused
    females = [u for u in unused.values() if int(u.name) < 4]
    assert all(u.dishes == 2 and u.change == pytest.approx(0.0) for u in females)
    forced = replace(data, least_uses=np.where(plan.contributions > 0, plan.contributions, 0))
    nothing = unused_fish(forced, coefficients(forced), plan)
    assert {u.change for u in nothing} == {None}
    assert "no other fish has dishes that fit its limits" in nothing[0].sentence()
    none = plan_spawning(replace(data, dishes=500), SearchSettings(explain_conflicts=False))
    assert unused_fish(data, coefficients(data), none) == []


def test_unused_fish__a_permit_that_is_used_up_is_named() -> None:
    """Two frozen males allowed and used: a third could only come in for one of these."""
    parents = np.full((12, 2), -1)
    permit = np.array([-1] * 4 + [0] * 4 + [-1] * 4)  # males 4 to 7 count against the permit
    most = np.where(np.arange(12) < 8, 4, 1)  # the others have one dish at most
    data = spawning_data(
        range(4), range(4, 12), 8, parents=parents, permit=permit, permit_limit=[2], most_uses=most
    )
    plan = plan_spawning(data, SearchSettings(relative_gap=0))
    unused = {u.name: u for u in unused_fish(data, coefficients(data), plan)}
    idle = [u for name, u in unused.items() if 4 <= int(name) < 8]
    assert len(idle) == 2
    for one in idle:  # only dishes of a frozen male that then stops would do
        assert one.change is None or int(one.instead_of) in range(4, 8)
    forced = replace(data, least_uses=np.where(plan.contributions > 0, 1, 0).astype(np.int32))
    named = [u for u in unused_fish(forced, coefficients(forced), plan) if 4 <= int(u.name) < 8]
    assert all(u.against == ("permit",) for u in named)
    assert "No more fish are used than the permit allows. [permit]" in named[0].sentence()
