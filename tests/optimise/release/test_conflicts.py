"""When no plan exists: the rules named, the minimality of the set, and that the relaxations help."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from planner.optimise.release.conflicts import find_conflicts
from planner.optimise.release.solve import plan_release
from planner.optimise.status import SolveStatus
from tests.optimise.release.instances import plain, programme
from tests.optimise.release.rule_cases import impossible


@pytest.mark.parametrize("code", impossible())
def test_conflicts__name_the_rule(code: str) -> None:
    plan = plan_release(impossible()[code])
    assert plan.status is SolveStatus.INFEASIBLE
    assert plan.numbers is None
    assert plan.kept_back is None
    assert plan.measures is None
    assert plan.objective is None
    assert plan.conflicts is not None
    assert code in {d.code for d in plan.conflicts.rules}
    assert plan.conflicts.minimal
    assert plan.conflicts.relaxations
    text = plan.conflicts.text()
    assert text.startswith("Release plan: no plan meets all rules.")
    assert f"[{code}]" in text


def test_conflicts__contradictory_minima_of_two_sites() -> None:
    data = plain(available=(6, 6, 6), sites={"min_receive": [10, 9]})
    conflicts = find_conflicts(data)
    assert [(d.code, d.place) for d in conflicts.rules] == [
        ("receive-range", "site 'S0'"),
        ("receive-range", "site 'S1'"),
    ]
    assert sum(r.amount for r in conflicts.relaxations) == pytest.approx(1.0)


def test_conflicts__too_few_families_for_a_site_in_words() -> None:
    data = plain(
        available=(40, 40, 40),
        n_sites=1,
        groups={"health_hold": [False, False, True]},
        sites={"min_families": [3], "wanted": [60]},
    )
    plan = plan_release(data)
    assert plan.conflicts is not None
    text = plan.conflicts.text()
    assert "group 'G2': Fish under a health hold" in text
    assert "site 'S0': A site that receives fish holds the set number of families after the release." in text


def test_conflicts__without_any_one_rule_the_others_can_hold() -> None:
    # Minimality, rule by rule: take each demand away by hand and a plan appears.
    data = plain(available=(5, 5), sites={"wanted": [6, -1], "capacity_fish": [5, -1], "min_receive": [0, 3]})
    conflicts = find_conflicts(data)
    assert {d.code for d in conflicts.rules} == {"wanted", "capacity-fish"}
    roomy = replace(data, sites=replace(data.sites, capacity_fish=np.array([6, -1])))
    unwanted = replace(data, sites=replace(data.sites, wanted=np.array([-1, -1])))
    assert plan_release(roomy).has_plan
    assert plan_release(unwanted).has_plan


def test_conflicts__two_independent_ones_are_both_relaxed() -> None:
    data = plain(
        available=(5, 5, 5),
        n_sites=2,
        sites={"wanted": [4, 4], "capacity_fish": [3, 2]},
    )
    conflicts = find_conflicts(data)
    assert sum(r.amount for r in conflicts.relaxations) == pytest.approx(3.0)
    assert {r.place for r in conflicts.relaxations} == {"site 'S0'", "site 'S1'"}
    assert len({d.place for d in conflicts.rules}) == 1


def test_conflicts__none_when_a_plan_exists() -> None:
    conflicts = find_conflicts(plain())
    assert conflicts.rules == ()
    assert conflicts.relaxations == ()


def test_conflicts__in_a_programme_sized_problem() -> None:
    data = programme(n_families=30, n_fish=1500)
    wanted = data.sites.wanted.copy()
    wanted[5] = 120
    plan = plan_release(replace(data, sites=replace(data.sites, wanted=wanted)))
    assert plan.conflicts is not None
    assert {(d.code, d.place) for d in plan.conflicts.rules} <= {
        ("wanted", "site 'Site 06'"),
        ("capacity-fish", "site 'Site 06'"),
        ("capacity-kg", "site 'Site 06'"),
    }
    assert plan.conflicts.minimal
