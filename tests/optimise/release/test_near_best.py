"""Plans within a tolerance that place as many fish as possible otherwise, beside every plan there is."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from planner.optimise.release.near_best import alternatives, placed_otherwise
from planner.optimise.release.recheck import breaches
from planner.optimise.release.recheck_plan import slow_objective
from planner.optimise.release.solve import plan_release
from planner.optimise.status import SolveStatus
from tests.optimise.release.instances import more_rules, plain, programme, small_random
from tests.optimise.release.slow_answers import every_plan


def slow_otherwise(data: object, one: np.ndarray, other: np.ndarray) -> int:
    """Count the fish that leave their place, group by group and place by place."""
    stock = data.groups.available  # type: ignore[attr-defined]
    count = 0
    for g in range(len(stock)):
        a = [*one[g], stock[g] - one[g].sum()]
        b = [*other[g], stock[g] - other[g].sum()]
        count += sum(max(int(x) - int(y), 0) for x, y in zip(a, b, strict=True))
    return count


def test_placed_otherwise__counts_every_fish_once() -> None:
    rng = np.random.default_rng(3)
    for seed in range(40):
        data = small_random(np.random.default_rng(seed), most_fish=4)
        plans = []
        for _ in range(2):
            numbers = np.zeros((data.n_groups, data.n_sites), dtype=np.int64)
            for g, stock in enumerate(data.groups.available):
                place = rng.integers(0, data.n_sites + 1, stock)
                numbers[g] = np.bincount(place, minlength=data.n_sites + 1)[: data.n_sites]
            plans.append(numbers)
        assert placed_otherwise(data, *plans) == slow_otherwise(data, *plans)
        assert placed_otherwise(data, plans[0], plans[0]) == 0


@pytest.mark.parametrize("seed", range(30))
def test_alternatives__differ_as_much_as_any_plan_can(seed: int) -> None:
    rng = np.random.default_rng(seed)
    data = more_rules(small_random(rng, most_fish=2), rng)
    plan = plan_release(data)
    if plan.numbers is None or plan.objective is None:
        return
    limit = plan.objective * 1.1
    near = [
        n
        for n in every_plan(data)
        if slow_objective(data, n) <= limit * (1 + 1e-6) and not breaches(data, n, plan.survivors_floor)
    ]
    found = alternatives(data, plan, tolerance=0.1, number=2)
    known = [plan.numbers]
    for one in found:
        assert one.breaches == ()
        assert one.status is SolveStatus.PROVEN
        best = max(min(slow_otherwise(data, n, k) for k in known) for n in near)
        assert min(one.otherwise) == best
        assert one.most_otherwise >= best - 1e-6
        assert one.above <= 0.1 + 1e-6
        known.append(one.numbers)
    if len(found) < 2:
        assert max(min(slow_otherwise(data, n, k) for k in known) for n in near) == 0


@pytest.mark.slow
def test_alternatives__of_a_programme_keep_every_rule() -> None:
    data = programme(2, n_families=16, n_fish=900)
    plan = plan_release(data)
    assert plan.numbers is not None
    found = alternatives(data, plan, tolerance=0.03, number=2, time_limit=4.0)
    assert found
    for k, one in enumerate(found):
        assert one.breaches == ()
        assert breaches(data, one.numbers, plan.survivors_floor) == []
        assert one.above <= 0.03 + 1e-6
        assert len(one.otherwise) == k + 1
        assert one.most_otherwise >= min(one.otherwise) - 1e-6
        assert one.gap is not None
        assert one.gap >= -1e-9
    # More tolerance never leaves less room to differ.
    assert found[0].otherwise[0] > 0


def test_alternatives__none_where_only_one_plan_exists() -> None:
    data = plain(available=(3,), n_sites=1, settings={"survivors_share": 1.0})
    assert alternatives(data, plan_release(data)) == []


def test_alternatives__refuses_no_plan_and_odd_numbers() -> None:
    data = plain(available=(3,), n_sites=2)
    plan = plan_release(data)
    with pytest.raises(ValueError, match="found no plan"):
        alternatives(data, replace(plan, numbers=None))
    with pytest.raises(ValueError, match=r"found a tolerance of -0\.1 and 3 plans"):
        alternatives(data, plan, tolerance=-0.1)
    with pytest.raises(ValueError, match="and 4 plans"):
        alternatives(data, plan, number=4)
