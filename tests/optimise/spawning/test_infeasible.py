"""No plan is an answer: it names the rules that conflict and changes that help."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from planner.optimise.spawning.coefficients import coefficients
from planner.optimise.spawning.conflicts import find_conflicts
from planner.optimise.spawning.data import spawning_data
from planner.optimise.spawning.oracle import Oracle
from planner.optimise.spawning.solve import SearchSettings, plan_spawning
from planner.optimise.status import SolveStatus

NAMES = tuple(f"EM-{i:04d}" for i in range(12))
UNRELATED = np.full((12, 2), -1, np.int32)


def plain(dishes: int, **rules):
    return spawning_data(range(6), range(6, 12), dishes, parents=UNRELATED, ids=NAMES, **rules)


def refused(data, *codes: str) -> dict[str, tuple[str, tuple[str, ...]]]:
    plan = plan_spawning(data)
    assert plan.status is SolveStatus.INFEASIBLE
    assert not plan.has_plan
    assert plan.bound is None
    assert {c.code for c in plan.conflicts} == set(codes)
    assert plan.sentence() == f"No plan meets all rules: {len(codes)} of them conflict."
    return {c.code: (c.facts, c.relaxations) for c in plan.conflicts}


def test_too_many_dishes_for_the_limits() -> None:
    words = refused(plain(14, most_uses=2), "dishes", "most-uses")
    assert words["dishes"] == ("14 new dishes wanted.", ("Lay 12 new dishes instead of 14.",))
    facts, changes = words["most-uses"]
    assert facts == "The limits leave room for 12 dishes of females and 12 of males."
    assert changes[0].startswith("Allow 1 more dish this season: EM-")
    assert plan_spawning(plain(14, most_uses=3)).has_plan


def test_all_pairs_too_related() -> None:
    parents = np.array([[-1, -1], [-1, -1]] + [[0, 1]] * 6, np.int32)
    data = spawning_data([2, 3, 4], [5, 6, 7], 2, parents=parents, pair_limit=0.125)
    words = refused(data, "dishes", "pair-kinship")
    assert words["pair-kinship"] == (
        "0 of 9 pairs have a kinship of 0.125 or less.",
        ("Raise the pair limit from 0.125 to 0.25.",),
    )
    assert plan_spawning(replace(data, pair_limit=0.25)).has_plan


def test_one_sex_only() -> None:
    data = spawning_data([0, 1], [], 2, parents=UNRELATED)
    words = refused(data, "dishes")
    assert words["dishes"][0] == "2 new dishes wanted."


def test_no_candidates() -> None:
    refused(spawning_data([], [], 1, parents=UNRELATED), "dishes")


def test_nobody_is_ripe() -> None:
    ripe = np.ones(12, bool)
    ripe[6:] = False
    words = refused(plain(2, ripe=ripe, most_uses=1), "dishes", "ripe")
    facts, changes = words["ripe"]
    assert facts == "6 of 6 females and 0 of 6 males are ripe."
    assert re.fullmatch(r"Wait for or find ripe EM-\d{4}, EM-\d{4} \(2 dishes\)\.", changes[0])


def test_a_hold_on_the_only_male_of_a_place() -> None:
    hold = np.zeros(12, bool)
    hold[6] = True
    least = np.zeros(12, int)
    least[0] = 1
    place = np.ones(12, int)
    place[[0, 6]] = 0
    words = refused(
        plain(3, hold=hold, least_uses=least, place=place, same_place=True),
        "hold",
        "least-uses",
        "same-place",
    )
    assert words["hold"][1] == ("Clear the hold on EM-0006 (1 dish).",)
    assert words["least-uses"] == (
        "1 uses are demanded: EM-0000.",
        ("Accept fewer uses: EM-0000 0 instead of 1.",),
    )
    assert words["same-place"][1][0].startswith("Move one fish of EM-0000 x EM-00")


def test_dishes_do_not_divide_among_males_per_female() -> None:
    words = refused(plain(7, males_per_female=(3, 3)), "dishes", "males-per-female", "pair-repeats")
    assert words["dishes"][1] == ("Lay 6 new dishes instead of 7.", "Lay 9 new dishes instead of 7.")
    assert words["males-per-female"] == (
        "Males per female: 3 to 3.",
        (
            "Accept 2 males per female instead of at least 3.",
            "Allow 4 males per female instead of at most 3.",
        ),
    )


def test_permit_is_never_called_a_rule_to_exceed() -> None:
    words = refused(plain(4, permit=0, permit_limit=[3], most_uses=1), "dishes", "permit", "most-uses")
    assert words["permit"][1] == (
        "A permit for 5 more fish would be needed. Do not exceed the permit you have.",
    )


def test_straws_eggs_and_lifetime() -> None:
    straws = np.full(12, -1)
    straws[6:] = 1
    words = refused(plain(7, straws=straws), "dishes", "straws")
    assert words["straws"][1][0].startswith("Find straws for 1 more dish of EM-")
    words = refused(plain(7, eggs=np.full(6, 400.0), least_eggs=300.0), "dishes", "egg-share")
    assert words["egg-share"][1] == ("Accept 200 eggs per dish instead of 300.",)
    words = refused(plain(3, past_uses=4, lifetime_uses=4), "dishes", "lifetime-uses")
    assert words["lifetime-uses"][1][0].startswith("Allow 1 more dish over its life")


def test_repeats_and_barred_pairs() -> None:
    forbidden = np.ones((6, 6), bool)
    forbidden[0, :] = False
    words = refused(plain(7, forbidden=forbidden), "dishes", "pair-repeats", "forbidden-pairs")
    assert words["pair-repeats"][1] == ("Let a pair make 2 dishes instead of 1.",)
    assert words["forbidden-pairs"][1][0].startswith("Allow EM-")
    words = refused(plain(1, past_pairs=np.ones((6, 6), bool)), "dishes", "past-pairs")
    assert words["past-pairs"][1][0].startswith("Repeat EM-")


def test_founder_share_and_factorial() -> None:
    data = plain(2, founders=[0, 1], founder_share=[0.4, 0.4])
    words = refused(data, "dishes", "founder-share")
    assert words["founder-share"] == (
        "Founders with a least share: EM-0000, EM-0001.",
        ("Ask for 62 % of the founder shares.",),
    )
    words = refused(plain(12, factorial=(4, 3), most_uses=3), "most-uses", "full-factorial")
    assert words["full-factorial"] == (
        "1 block(s) of 4 females and 3 males are wanted.",
        ("Cross 3 females with 3 males: 9 dishes.",),
    )


def test_unknown_fish() -> None:
    parents = np.array([[-1, -1]] * 4 + [[0, 2], [0, 2]], np.int32)
    data = spawning_data(
        [1, 4], [5], 2, parents=parents, ids=NAMES[:6], unknown=[True, False, False], least_uses=[1, 0, 0]
    )
    plan = plan_spawning(data)
    assert [c.code for c in plan.conflicts] == ["least-uses", "unknown-fish"]
    assert plan.conflicts[1].relaxations == ("Raise the limit for mates of unknown fish from 0 to 0.25.",)


def test_two_separate_conflicts_are_both_named() -> None:
    least = np.zeros(12, int)
    least[0], least[11] = 1, 3
    ripe = np.ones(12, bool)
    ripe[0] = False
    plan = plan_spawning(plain(6, least_uses=least, ripe=ripe, females_per_male=(1, 2)))
    groups = {c.code: c.group for c in plan.conflicts}
    assert groups == {"least-uses": 1, "females-per-male": 1} or groups == {"least-uses": 1, "ripe": 1}
    hold = np.zeros(12, bool)
    hold[6:] = True
    plan = plan_spawning(plain(6, least_uses=least, ripe=ripe, hold=hold))
    assert {c.group for c in plan.conflicts} == {1, 2}


@pytest.mark.parametrize("block", range(2))
def test_conflicts__are_a_smallest_set(block: int, small_case, best_by_trying) -> None:
    """Random cases: with only the named rules there is no plan; without any one of them there is."""
    looked_at = 0
    for seed in range(300 + 40 * block, 340 + 40 * block):
        data = small_case(seed)
        if best_by_trying(data) is not None:
            continue
        co = coefficients(data)
        conflicts = find_conflicts(data, co)
        first = {c.code for c in conflicts if c.group == 1}
        assert first
        from planner.optimise.spawning.rules import RULES

        others = [r.code for r in RULES if r.code not in first and r.code != "made"]
        oracle = Oracle(data, co, time_limit=20)
        assert oracle.answer(data, others)[0] is False
        for code in first:
            assert oracle.answer(data, [*others, code])[0] is True
        looked_at += 1
    assert looked_at > 5


def test_conflicts__are_not_looked_for_when_not_wanted() -> None:
    plan = plan_spawning(plain(14, most_uses=2), SearchSettings(explain_conflicts=False))
    assert plan.status is SolveStatus.INFEASIBLE
    assert plan.conflicts == ()
