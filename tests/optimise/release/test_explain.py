"""Reasons: refused groups, lines of the plan, alternatives, fish that stay."""

from __future__ import annotations

import numpy as np
import pytest

from planner.optimise.release.build import objective
from planner.optimise.release.explain import (
    STATION,
    allocations,
    alternatives,
    kept_back_reasons,
    refused_groups,
)
from planner.optimise.release.solve import plan_release
from tests.optimise.release.instances import plain, programme, unrelated


def test_refused_groups__list_every_reason_with_its_sites() -> None:
    data = plain(
        available=(4, 5, 0),
        lengths=(250.0, 350.0, 250.0),
        groups={"health_hold": [False, True, True]},
        sites={"open": [False, True], "min_length_mm": [0.0, 300.0]},
    )
    refused = refused_groups(data)
    assert [(r.group, r.family, r.number) for r in refused] == [("G0", "F0", 4), ("G1", "F1", 5)]
    assert dict(refused[0].reasons) == {
        "the site is closed": ("S0",),
        "shorter than the site's minimum": ("S1",),
    }
    assert dict(refused[1].reasons)["health hold"] == ("every site",)
    assert refused[0].text() == (
        "G0: 4 fish of F0 that no site may take: the site is closed (S0); "
        "shorter than the site's minimum (S1)."
    )


def test_plan__lists_fish_no_site_may_take() -> None:
    plan = plan_release(plain(groups={"withdrawal_hold": [False, True, False]}))
    assert [r.group for r in plan.refused] == ["G1"]


def test_allocations__one_line_each_with_reasons() -> None:
    data = plain(
        available=(6, 6),
        n_sites=2,
        survival=[[0.9, 0.2], [0.9, 0.2]],
        kinship=unrelated(2, 0.25, 0.0),
        sites={"residents": [[5, 0], [0, 0]], "refuge_copies": [[0, 2], [0, 0]]},
    )
    numbers = np.array([[0, 2], [4, 0]])
    lines = {(a.group, a.site): a for a in allocations(data, numbers)}
    assert set(lines) == {("G0", "S1"), ("G1", "S0")}
    new = lines["G1", "S0"]
    assert new.number == 4
    assert new.new_family
    assert "a family that does not live there yet" in new.reason
    assert "survival is the best" in new.reason
    # 3.6 survivors of family 1 beside 5 residents of family 0, unrelated.
    assert new.kinship_to_site == pytest.approx(0.25 * 3.6 / 8.6)
    assert "the refuge needs 2 copies" in lines["G0", "S1"].reason


def test_allocations__cover_the_whole_plan() -> None:
    data = programme(2, n_families=24, n_fish=1600)
    plan = plan_release(data)
    assert plan.numbers is not None
    lines = allocations(data, plan.numbers)
    assert sum(a.number for a in lines) == plan.numbers.sum()
    assert all(a.reason for a in lines)


def test_alternatives__say_what_moving_one_fish_changes() -> None:
    data = plain(
        available=(6, 6, 6),
        n_sites=3,
        survival=0.5,
        lengths=280.0,
        sites={"capacity_fish": [9, 9, 9], "min_length_mm": [0.0, 0.0, 300.0], "wanted": [4, -1, -1]},
    )
    numbers = np.array([[2, 1, 0], [1, 2, 0], [1, 3, 0]])
    found = {a.site: a for a in alternatives(data, numbers, 0, 0)}
    assert set(found) == {"S1", "S2", STATION}
    moved = numbers.copy()
    moved[0] = [1, 2, 0]
    assert found["S1"].change == pytest.approx(objective(data, moved) - objective(data, numbers))
    assert any("[wanted]" in o for o in found["S1"].obstacles)
    assert found["S2"].change is None
    assert found["S2"].obstacles == ("shorter than the site's minimum",)
    assert found[STATION].survivors == pytest.approx(-0.5)
    with pytest.raises(ValueError, match=r"group 'G0', site 'S2': found no fish"):
        alternatives(data, numbers, 0, 2)


def test_kept_back_reasons__name_the_rule_that_keeps_them() -> None:
    data = plain(available=(5, 5), n_sites=1, groups={"health_hold": [True, False]})
    assert kept_back_reasons(data, np.array([[0], [5]])) == [("G0", 5, "no site may take them")]

    def reason(numbers: list[list[int]], **given: object) -> str:
        return kept_back_reasons(plain(available=(5, 5), n_sites=1, **given), np.array(numbers))[0][2]  # type: ignore[arg-type]

    assert "family to keep" in reason([[3], [5]], families={"keep_back": [2, 0]})
    assert "to keep at the station" in reason([[3], [5]], settings={"keep_back": 2})
    assert "most fish to release" in reason([[3], [5]], settings={"total_max": 8})
    assert "is full" in reason([[3], [5]], sites={"capacity_fish": [8]})
    assert "would raise kinship" in reason([[3], [5]])
