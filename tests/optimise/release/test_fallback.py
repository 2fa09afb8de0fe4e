"""Plan B: ranking of other sites and the quick new plan."""

from __future__ import annotations

import numpy as np
import pytest

from planner.optimise.release.data import ReleaseData
from planner.optimise.release.fallback import close_site, plan_without_sites, rank_fallbacks
from planner.optimise.release.pair_rules import allowed
from planner.optimise.release.recheck import breaches
from planner.optimise.release.settings import SitesShare
from planner.optimise.release.solve import plan_release
from planner.optimise.status import SolveStatus
from tests.optimise.release.instances import more_rules, plain, programme, small_random


def test_rank_fallbacks__by_rules_room_and_survivors() -> None:
    data = plain(
        available=(6, 6),
        n_sites=4,
        survival=[[0.9, 0.5, 0.6, 0.7]] * 2,
        lengths=280.0,
        sites={
            "capacity_fish": [20, 20, 20, 4],
            "min_length_mm": [0.0, 0.0, 0.0, 0.0],
            "open": [True, True, True, True],
        },
    )
    numbers = np.array([[4, 0, 0, 0], [4, 0, 0, 0]])
    found = rank_fallbacks(data, numbers, 0)
    assert [f.site for f in found] == ["S2", "S1", "S3"]
    assert [f.can_take for f in found] == [8, 8, 4]
    assert found[0].survivors_change == pytest.approx(8 * (0.6 - 0.9))
    assert found[2].left_over == 4


def test_rank_fallbacks__sites_that_may_not_take_the_fish_come_last() -> None:
    data = plain(
        available=(6,),
        n_sites=3,
        lengths=280.0,
        sites={"min_length_mm": [0.0, 300.0, 0.0], "family_cap": [1, 1, 0.5]},
    )
    found = rank_fallbacks(data, np.array([[5, 0, 0]]), 0)
    assert [f.site for f in found] == ["S2", "S1"]
    assert any("[family-cap]" in words for words in found[0].broken)
    assert found[1].can_take == 0
    assert found[1].kinship_change is None


@pytest.mark.parametrize("seed", range(20))
def test_rank_fallbacks__equals_one_fish_after_the_other(seed: int) -> None:
    # The slow way: every fish by itself, the group with most fish waiting first, and the rules looked at anew.
    rng = np.random.default_rng(seed)
    data = more_rules(small_random(rng, most_fish=4), rng)
    free = allowed(data)
    numbers = np.where(free, rng.integers(0, 3, free.shape), 0)
    numbers = np.where(numbers.sum(axis=1, keepdims=True) > data.groups.available[:, None], 0, numbers)
    found = {f.site: f for f in rank_fallbacks(data, numbers, 0)}
    without = close_site(data, 0).data
    base = numbers.copy()
    base[:, 0] = 0
    before = {b.text() for b in breaches(without, base)}
    for s in range(1, data.n_sites):
        moved = slow_fit(without, base, numbers[:, 0], s)
        changed = base.copy()
        changed[:, s] += moved
        one = found[data.sites.name[s]]
        assert one.can_take == moved.sum()
        assert one.left_over == numbers[:, 0].sum() - moved.sum()
        assert list(one.broken) == [b.text() for b in breaches(without, changed) if b.text() not in before]


def slow_fit(data: ReleaseData, base: np.ndarray, fish: np.ndarray, site: int) -> np.ndarray:
    """Send fish one by one as long as there is room in number and mass."""
    free = allowed(data)[:, site]
    limit = data.sites.wanted[site] if data.sites.wanted[site] >= 0 else data.sites.room[site]
    taken = np.zeros_like(fish)
    kg = float(data.sites.resident_kg[site] + base[:, site] @ data.groups.weight_g / 1000)
    while limit < 0 or base[:, site].sum() + taken.sum() < limit:
        left = fish - taken
        fits = [
            g
            for g in range(data.n_groups)
            if free[g] and left[g] > 0 and kg + data.groups.weight_g[g] / 1000 <= data.sites.capacity_kg[site]
        ]
        if not fits:
            break
        g = max(fits, key=lambda g: (left[g], -g))
        taken[g] += 1
        kg += data.groups.weight_g[g] / 1000
    return taken


def test_close_site__sets_its_demands_aside_and_says_so() -> None:
    data = plain(
        sites={
            "wanted": [5, -1],
            "min_receive": [2, 0],
            "refuge_copies": [[3, 0], [0, 0], [1, 0]],
            "residents": [[1, 0], [0, 0], [0, 0]],
        },
        committed=[[1, 0], [0, 0], [0, 0]],
    )
    closed = close_site(data, 0)
    assert closed.set_aside == (
        "'S0' wanted 5 fish",
        "'S0' was to receive at least 2 fish",
        "'S0' lacks 3 copies (families concerned: 2)",
        "1 fish were promised to 'S0'",
    )
    plan = plan_release(closed.data)
    assert plan.numbers is not None
    assert plan.numbers[:, 0].sum() == 0


@pytest.mark.parametrize("seed", [1, 2])
def test_plan_without_sites__only_the_fish_of_the_closed_site_move(seed: int) -> None:
    data = programme(seed, n_families=24, n_fish=1600)
    old = plan_release(data)
    assert old.numbers is not None
    site = 10
    assert old.numbers[:, site].sum() > 0
    new = plan_without_sites(data, old.numbers, [site])
    assert new.plan.status is SolveStatus.PROVEN
    assert new.plan.numbers is not None
    assert new.plan.numbers[:, site].sum() == 0
    others = [s for s in range(data.n_sites) if s != site]
    assert (new.plan.numbers[:, others] >= old.numbers[:, others]).all()
    assert (new.plan.numbers.sum(axis=1) <= old.numbers.sum(axis=1)).all()
    assert new.plan.breaches == ()
    assert breaches(new.data, new.plan.numbers) == []
    # What the whole plan of the old data asks still holds, apart from what was set aside.
    codes = {b.code for b in breaches(close_site(data, site).data, new.plan.numbers)}
    assert codes <= {"totals", "release-total", "family-spread"}


def test_plan_without_sites__a_wanted_number_may_be_exceeded_when_asked() -> None:
    data = plain(
        available=(6,),
        n_sites=3,
        sites={"wanted": [-1, 2, -1], "max_receive": [-1, 5, 0]},
        settings={"survivors_share": 1.0},
    )
    numbers = np.array([[4, 2, 0]])
    exact = plan_without_sites(data, numbers, [0])
    assert exact.plan.numbers is not None
    assert exact.plan.numbers.tolist() == [[0, 2, 0]]
    more = plan_without_sites(data, numbers, [0], more_than_wanted=True)
    assert more.plan.numbers is not None
    assert more.plan.numbers.tolist() == [[0, 5, 0]]
    assert "'S1' wanted 2 fish: it may take displaced fish beyond that" in more.set_aside


def test_plan_without_sites__agreed_shares_give_way_to_what_is_sent() -> None:
    data = plain(
        available=(8,),
        n_sites=2,
        settings={"survivors_share": 1.0, "shares": (SitesShare("west", (0,), 0.4, 0.6),)},
    )
    new = plan_without_sites(data, np.array([[4, 4]]), [0])
    assert new.plan.numbers is not None
    assert new.plan.numbers.tolist() == [[0, 8]]
    assert "the share of 'west', 40.0% to 60.0%, gives way" in new.set_aside


def test_plan_without_sites__everything_may_change() -> None:
    data = programme(2, n_families=24, n_fish=1600)
    old = plan_release(data)
    assert old.numbers is not None
    new = plan_without_sites(data, old.numbers, [10], keep_others=False, time_limit=60.0)
    if new.plan.numbers is None:
        assert new.plan.conflicts is not None
        return
    assert new.plan.numbers[:, 10].sum() == 0
    assert new.plan.breaches == ()


def test_plan_without_sites__no_other_place_sends_the_fish_back() -> None:
    data = plain(
        available=(6,),
        n_sites=2,
        sites={"max_receive": [-1, 2]},
        settings={"total_min": 5, "survivors_share": 1.0},
    )
    new = plan_without_sites(data, np.array([[4, 2]]), [0])
    assert new.plan.numbers is not None
    assert new.plan.numbers.tolist() == [[0, 2]]
    assert "the fewest fish to release, 5, gives way to the fish that find a place" in new.set_aside
