"""One test per rule, on cases where the best plan without the rule breaks it; and the gate that none is forgotten."""

from __future__ import annotations

import sys
from dataclasses import fields, replace

import numpy as np
import pytest

from planner.optimise.spawning.build import IN_ORDER
from planner.optimise.spawning.conflicts import FACTS
from planner.optimise.spawning.data import SpawningData, spawning_data
from planner.optimise.spawning.read import SpawningPlan, as_table
from planner.optimise.spawning.recheck import CHECKS, Laid
from planner.optimise.spawning.relaxations import RELAX
from planner.optimise.spawning.rule_facts import FACTS_OF, in_force
from planner.optimise.spawning.rules import RULES, rule
from planner.optimise.spawning.solve import SearchSettings, plan_spawning

EXACT = SearchSettings(relative_gap=0.0)
UNRELATED = np.full((12, 2), -1, np.int32)
"""Six females (rows 0 to 5) and six males (6 to 11) without known parents."""


def plain(dishes: int, **rules) -> SpawningData:
    return spawning_data(range(6), range(6, 12), dishes, parents=UNRELATED, **rules)


def solved(data: SpawningData) -> tuple[SpawningPlan, np.ndarray, np.ndarray]:
    """Plan, table of new dishes, dishes by candidate."""
    plan = plan_spawning(data, EXACT)
    assert plan.has_plan
    return plan, as_table(data, plan.pairs), plan.contributions


def breaks(data: SpawningData, table: np.ndarray, code: str) -> list[str]:
    return CHECKS[code](Laid(data, table.astype(np.int64), data.made_pairs.astype(np.int64)))


def test_gate__every_rule_has_sentence_limit_check_facts_change_and_test() -> None:
    codes = [r.code for r in RULES]
    assert len(set(codes)) == len(codes)
    assert {code for code, _ in IN_ORDER} == set(codes)
    assert len(IN_ORDER) == len(codes)
    assert set(CHECKS) == set(codes)
    assert set(FACTS_OF) == set(codes) - set(FACTS)
    assert set(RELAX) == set(codes) - set(FACTS)
    assert in_force(plain(1)) == {"dishes", "pair-repeats"}
    tests = {name.split("__")[1] for name in vars(sys.modules[__name__]) if name.startswith("test_rule__")}
    assert tests == {code.replace("-", "_") for code in codes}


def test_gate__sentences_and_settings_are_usable() -> None:
    settings = {f.name for f in fields(SpawningData)}
    for one in RULES:
        assert one.sentence.endswith(".")
        assert one.sentence[0].isupper()
        assert one.setting in settings
        assert rule(one.code) is one
    with pytest.raises(KeyError, match="no rule has the code 'moon'"):
        rule("moon")


def test_rule__dishes() -> None:
    _, table, _ = solved(plain(5))
    assert table.sum() == 5
    assert breaks(plain(4), table, "dishes") == ["5 new dishes instead of 4"]


def test_rule__made() -> None:
    data = plain(4, made=[[0, 0, 2], [1, 1, 1]])
    plan, table, c = solved(data)
    assert plan.made.tolist() == [[0, 6, 2], [1, 7, 1]]
    assert table[0, 0] == 0
    assert c[0] == 2
    assert c.sum() == 2 * 7
    without = replace(data, made=np.zeros((0, 3), np.int32))
    assert CHECKS["made"](Laid(without, table, data.made_pairs.astype(np.int64))) == [
        "dishes already made were changed"
    ]


def test_rule__ripe() -> None:
    ripe = np.ones(12, bool)
    ripe[[0, 7]] = False
    data = plain(6, ripe=ripe)
    _, table, c = solved(data)
    assert c[0] == 0
    assert c[7] == 0
    table[0, 1] = 1
    assert breaks(data, table, "ripe") == ["0 is not ripe", "7 is not ripe"]


def test_rule__hold() -> None:
    hold = np.zeros(12, bool)
    hold[[2, 11]] = True
    data = plain(6, hold=hold)
    _, table, c = solved(data)
    assert c[2] == 0
    assert c[11] == 0
    table[2, 0] = 1
    assert breaks(data, table, "hold") == ["2 is under a hold"]


def test_rule__most_uses() -> None:
    limits = np.full(12, 2)
    limits[3] = 1
    data = plain(11, most_uses=limits)
    _, table, c = solved(data)
    assert c[:6].tolist() == [2, 2, 2, 1, 2, 2]
    table[3] = 1
    assert breaks(data, table, "most-uses") == ["3 is used too often"] + [
        f"{i} is used too often" for i in range(6, 12) if table.sum(axis=0)[i - 6] > 2
    ]


def test_rule__most_uses__of_a_fish_used_too_often_already_means_no_more() -> None:
    data = plain(2, most_uses=1, made=[[0, 0, 1], [0, 1, 1]])
    _, table, c = solved(data)
    assert table[0].sum() == 0
    assert c[0] == 2


def test_rule__least_uses() -> None:
    least = np.zeros(12, int)
    least[4] = 3
    data = plain(6, least_uses=least)
    _, table, c = solved(data)
    assert c[4] == 3
    table[4] = 0
    assert breaks(data, table, "least-uses") == ["4 is used too seldom"]


def test_rule__lifetime_uses() -> None:
    past = np.zeros(12, int)
    past[:6] = [4, 4, 4, 0, 0, 0]
    data = plain(6, lifetime_uses=5, past_uses=past)
    _, table, c = solved(data)
    assert (c[:3] <= 1).all()
    table[0] = [1, 1, 0, 0, 0, 0]
    assert breaks(data, table, "lifetime-uses") == ["0 is used too often over its life"]


def test_rule__males_per_female() -> None:
    data = plain(6, males_per_female=(2, 3))
    _, table, _ = solved(data)
    mates = (table > 0).sum(axis=1)
    assert set(mates.tolist()) <= {0, 2, 3}
    assert breaks(data, np.eye(6), "males-per-female")[0] == "0 has too few mates"
    assert breaks(data, np.ones((6, 6)), "males-per-female")[0] == "0 has too many mates"


def test_rule__females_per_male() -> None:
    data = plain(6, females_per_male=(3, 3))
    _, table, _ = solved(data)
    assert sorted((table > 0).sum(axis=0).tolist()) == [0, 0, 0, 0, 3, 3]
    assert breaks(data, np.eye(6), "females-per-male")[0] == "6 has too few mates"


def test_rule__females_per_male__counts_mates_not_dishes_where_pairs_may_repeat() -> None:
    data = plain(8, females_per_male=(2, 2), males_per_female=(1, 2), pair_repeats=3, most_uses=8)
    _, table, _ = solved(data)
    assert set((table > 0).sum(axis=0).tolist()) <= {0, 2}
    assert (table > 0).sum(axis=1).max() <= 2


def test_rule__pair_repeats() -> None:
    K = np.eye(4) * 0.5
    data = spawning_data([0, 1], [2, 3], 4, kinship=K)
    _, table, _ = solved(data)
    assert table.tolist() == [[1, 1], [1, 1]]
    assert plan_spawning(replace(data, dishes=5)).status == "infeasible"
    _, table, _ = solved(replace(data, dishes=6, pair_repeats=2))
    assert table.max() == 2
    assert breaks(data, table, "pair-repeats") != []


def test_rule__pair_kinship() -> None:
    parents = np.array([[-1, -1], [-1, -1], [0, 1], [0, 1], [-1, -1], [-1, -1]], np.int32)
    related = spawning_data([2, 4], [3, 5], 2, parents=parents, pair_limit=0.2)
    _, table, _ = solved(related)
    assert table[0, 0] == 0
    assert breaks(related, np.eye(2), "pair-kinship") == ["2 x 3 are too closely related"]
    at_the_limit = replace(related, pair_limit=0.25, dishes=4)
    assert solved(at_the_limit)[1].sum() == 4


def test_rule__pair_kinship__on_the_upper_end_of_the_interval() -> None:
    upper = np.full((6, 6), 0.1)
    upper[0] = 0.3
    data = plain(6, pair_limit=0.125, limit_on="upper", pair_upper=upper)
    _, table, _ = solved(data)
    assert table[0].sum() == 0
    assert breaks(data, np.eye(6), "pair-kinship") == ["0 x 6 are too closely related"]
    assert solved(replace(data, limit_on="point"))[1][0].sum() == 1


def test_rule__forbidden_pairs() -> None:
    forbidden = ~np.eye(6, dtype=bool)
    data = plain(6, forbidden=forbidden)
    _, table, _ = solved(data)
    assert table.tolist() == np.eye(6, dtype=int).tolist()
    table[0, 1] = 1
    assert breaks(data, table, "forbidden-pairs") == ["0 x 7 is forbidden"]


def test_rule__past_pairs() -> None:
    data = plain(6, past_pairs=np.eye(6, dtype=bool))
    _, table, _ = solved(data)
    assert np.trace(table) == 0
    assert breaks(data, np.eye(6), "past-pairs")[0] == "0 x 6 was crossed in an earlier season"


def test_rule__same_place() -> None:
    place = np.array([0, 0, 0, 1, 1, -1, 0, 0, 1, 1, 1, -1])
    data = plain(6, place=place, same_place=True)
    _, table, _ = solved(data)
    for f, m in np.argwhere(table).tolist():
        assert -1 in (place[f], place[6 + m]) or place[f] == place[6 + m]
    assert breaks(data, np.eye(6), "same-place") == ["2 x 8 are kept in different places"]
    assert breaks(replace(data, same_place=False), np.eye(6), "same-place") == []


def test_rule__unknown_fish() -> None:
    # Female 2 has lost her tag: she might be female 0 (unrelated to all males) or female 1, full sib of male 4.
    parents = np.array([[-1, -1]] * 4 + [[0, 3], [0, 3], [-1, -1]], np.int32)
    unknown = np.array([False, False, True, False, False])
    data = spawning_data([1, 4, 2], [5, 6], 2, parents=parents, unknown=unknown, least_uses=[0, 0, 1, 0, 0])
    _, table, _ = solved(data)
    assert table[2].tolist() == [0, 1]
    table[2] = [1, 0]
    assert breaks(data, table, "unknown-fish") == ["2 x 5: the male is related to a fish the female might be"]
    assert plan_spawning(replace(data, males=np.array([5, 6], np.int32), safe_limit=0.25)).has_plan


def test_rule__straws() -> None:
    straws = np.full(12, -1)
    straws[6:9] = [5, 2, 0]
    data = plain(9, straws=straws, straws_per_dish=2, most_uses=4)
    _, table, c = solved(data)
    assert c[6] <= 2
    assert c[7] <= 1
    assert c[8] == 0
    table[:, 2] = [1, 0, 0, 0, 0, 0]
    assert breaks(data, table, "straws") == ["8 has too few straws"]


def test_rule__egg_share() -> None:
    data = plain(12, eggs=[900, 299, -1, 5000, 5000, 600], least_eggs=300)
    _, table, c = solved(data)
    assert c[0] <= 3
    assert c[1] == 0
    assert c[5] <= 2
    table[1] = [1, 0, 0, 0, 0, 0]
    assert breaks(data, table, "egg-share") == ["1 has too few eggs for 1 dishes"]


def test_rule__permit() -> None:
    permit = np.full(12, -1)
    permit[:4] = 0
    permit[6:] = 1
    data = plain(6, permit=permit, permit_limit=[1, 3])
    _, table, c = solved(data)
    assert (c[:4] > 0).sum() <= 1
    assert (c[6:] > 0).sum() <= 3
    assert breaks(data, np.eye(6), "permit") == [
        "4 fish under permit 0 instead of 1",
        "6 fish under permit 1 instead of 3",
    ]
    used_up = replace(data, made=np.array([[0, 0, 1], [1, 1, 1]], np.int32))
    _, table, c = solved(used_up)
    assert table[2:4].sum() == 0


def test_rule__founder_share() -> None:
    parents = np.array([[-1, -1], [-1, -1], [0, 1], [0, 1], [0, 1], [-1, -1], [-1, -1], [-1, -1]], np.int32)
    free = spawning_data([2, 5], [3, 6], 4, parents=parents, pair_repeats=4)
    floor = replace(free, founders=np.array([0], np.int32), founder_share=np.array([0.3]))
    share = [solved(d)[2][[0, 2]].sum() * 0.5 / 8 for d in (free, floor)]
    assert share[0] < 0.3 <= share[1]
    assert breaks(floor, solved(free)[1], "founder-share")[0].startswith("0 keeps a share of")


def test_rule__full_factorial() -> None:
    data = plain(6, factorial=(2, 3))
    _, table, _ = solved(data)
    assert sorted(table.sum(axis=1).tolist()) == [0, 0, 0, 0, 3, 3]
    assert sorted(table.sum(axis=0).tolist()) == [0, 0, 0, 2, 2, 2]
    assert breaks(data, np.ones((6, 6)), "full-factorial") == ["6 females and 6 males, or a pair left out"]
    assert breaks(data, np.eye(6), "full-factorial")[-1] == "6 blocks instead of 1"
    barred = np.zeros((6, 6), bool)
    barred[:5, :4] = True
    assert plan_spawning(replace(data, forbidden=barred)).status == "infeasible"
    barred[:4, 3] = False
    barred[0, :] = barred[1, :] = False
    _, table, _ = solved(replace(data, forbidden=barred))
    assert not table[barred].any()


def test_rule__full_factorial__in_blocks() -> None:
    barred = np.zeros((6, 6), bool)
    barred[0, :3] = barred[1, 3:] = True  # females 0 and 1 have no male in common
    data = plain(8, factorial=(2, 2), blocks=2, forbidden=barred, least_uses=[1, 1, *[0] * 10])
    _, table, _ = solved(data)
    assert sorted(table.sum(axis=1).tolist()) == [0, 0, 2, 2, 2, 2]
    assert not (table[0] & table[1]).any()
    rows = {tuple(row) for row in table[table.any(axis=1)].tolist()}
    assert len(rows) == 2
    assert breaks(data, table, "full-factorial") == []
    assert breaks(replace(data, blocks=1), table, "full-factorial") == ["2 blocks instead of 1"]
    assert plan_spawning(replace(data, blocks=1, dishes=4)).status == "infeasible"
