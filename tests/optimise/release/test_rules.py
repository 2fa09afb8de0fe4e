"""One case per rule: the plan made without the rule breaks it, the plan made with it keeps it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from planner.optimise.release.pair_rules import PAIR_RULES, allowed, reasons
from planner.optimise.release.recheck import CHECKS, breaches
from planner.optimise.release.recheck_plan import recheck
from planner.optimise.release.rules import RULE_BY_CODE, RULES, sentence
from planner.optimise.release.solve import plan_release
from tests.optimise.release.instances import plain
from tests.optimise.release.rule_cases import CASES, impossible


def test_rules__every_rule_has_a_case_a_check_and_a_sentence() -> None:
    codes = [rule.code for rule in RULES]
    assert len(set(codes)) == len(codes)
    assert codes == list(CASES)
    assert codes == list(CHECKS)
    # Fish that do not exist cannot be conjured up: stock is never given up and so never in a conflict.
    assert sorted(set(codes) - {"stock"}) == sorted(impossible())
    for rule in RULES:
        assert rule.sentence[0].isupper()
        assert rule.sentence.endswith(".")
        assert sentence(rule.code) == rule.sentence
    assert set(RULE_BY_CODE) == set(codes)


@pytest.mark.parametrize("code", CASES)
def test_rule__binds_and_is_kept(code: str) -> None:
    loose, strict = CASES[code]()
    free = plan_release(loose)
    assert free.has_plan
    assert free.numbers is not None
    broken = {b.code for b in breaches(strict, free.numbers)}
    assert broken == {code}
    bound = plan_release(strict)
    assert bound.numbers is not None
    assert bound.status == "proven"
    assert bound.breaches == ()
    assert breaches(strict, bound.numbers, bound.survivors_floor) == []


@pytest.mark.parametrize("code", CASES)
def test_recheck__finds_a_tampered_plan(code: str) -> None:
    loose, strict = CASES[code]()
    other = plan_release(loose).numbers
    plan = plan_release(strict)
    tampered = replace(plan, numbers=other)
    found = recheck(strict, tampered)
    assert code in {b.code for b in found}
    text = next(b for b in found if b.code == code).text()
    assert f"[{code}]" in text
    assert "Expected" in text


def test_predators__unknown_counts_as_present() -> None:
    for word, may in (("none", True), ("present", False), ("unknown", False)):
        data = plain(
            available=(3,),
            lengths=280.0,
            n_sites=1,
            sites={"predators": [word]},
            settings={"predator_safe_mm": 300.0},
        )
        assert bool(allowed(data)[0, 0]) is may
        assert (reasons(data, 0, 0) == ()) is may


def test_length_rules__hold_for_the_shortest_fish_not_for_the_mean() -> None:
    data = plain(
        available=(3,),
        lengths=330.0,
        groups={"shortest_mm": 290.0},
        n_sites=1,
        sites={"min_length_mm": [300.0]},
    )
    assert not allowed(data).any()


def test_pair_rules__reasons_name_every_rule_that_refuses() -> None:
    data = plain(
        available=(3,),
        lengths=200.0,
        groups={"health_hold": True},
        n_sites=1,
        sites={"open": [False], "min_length_mm": [300.0]},
    )
    assert set(reasons(data, 0, 0)) == {
        "the site is closed",
        "health hold",
        "shorter than the site's minimum",
    }
    assert len({rule.reason for rule in PAIR_RULES}) == len(PAIR_RULES)


def test_family_cap__family_above_it_gets_no_fish_unless_diluted() -> None:
    # Family 0 is 6 of 6 residents; the cap of one half allows it 1 more fish once 8 others arrive.
    residents = [[6], [0], [0]]
    data = plain(
        available=(6, 4, 4),
        n_sites=1,
        sites={"residents": residents, "family_cap": [0.5]},
        settings={"survivors_share": 1.0},
    )
    plan = plan_release(data)
    assert plan.numbers is not None
    assert plan.numbers[:, 0].tolist() == [2, 4, 4]
    fewer = plan_release(replace(data, groups=replace(data.groups, available=np.array([6, 2, 2]))))
    assert fewer.numbers is not None
    assert fewer.numbers[:, 0].tolist() == [0, 2, 2]


def test_family_rules__leave_fish_of_unknown_family_out() -> None:
    data = plain(
        available=(8,),
        n_sites=1,
        families={"single": [False]},
        sites={"family_cap": [0.2]},
        settings={"survivors_share": 1.0, "living_share": 0.1, "min_sites": 5},
    )
    plan = plan_release(data)
    assert plan.numbers is not None
    assert plan.numbers.sum() == 8


def test_family_spread__counts_waters_where_the_family_lives_already() -> None:
    data = plain(
        available=(4,),
        n_sites=3,
        survival=[[0.9, 0.1, 0.1]],
        sites={"residents": [[0, 2, 0]], "max_receive": [10, 0, 10]},
        settings={"survivors_share": 1.0, "min_sites": 2},
    )
    plan = plan_release(data)
    assert plan.numbers is not None
    assert plan.numbers.tolist() == [[4, 0, 0]]


def test_living_share__one_fish_is_always_allowed() -> None:
    data = plain(
        available=(1,), n_sites=1, settings={"survivors_share": 1.0, "living_share": 0.1, "total_min": 1}
    )
    plan = plan_release(data)
    assert plan.numbers is not None
    assert plan.numbers.tolist() == [[1]]


def test_year_classes__a_token_fish_does_not_count() -> None:
    data = plain(
        available=(9, 9),
        groups={"year_class": [2021, 2022]},
        n_sites=1,
        kinship=np.array([[0.25, 0.0], [0.0, 0.05]]),
        sites={"min_year_classes": [2], "wanted": [8]},
        settings={"year_class_fish": 3},
    )
    plan = plan_release(data)
    assert plan.numbers is not None
    assert plan.numbers[:, 0].min() >= 3
