"""The trade-off between survivors and kinship."""

from __future__ import annotations

import threading
from dataclasses import replace
from itertools import pairwise

import pytest

from planner.optimise.release import solve
from planner.optimise.release.data import ReleaseData
from planner.optimise.release.frontier import TradeOffPoint, handed_down, trade_off
from planner.optimise.release.solve import plan_release
from planner.optimise.status import SolveStatus
from tests.optimise.release.instances import programme

SHARES = (0.88, 0.94, 1.0)


@pytest.fixture(scope="module")
def data() -> ReleaseData:
    return programme(2, n_families=16, n_fish=900)


@pytest.fixture(scope="module")
def points(data: ReleaseData) -> list[TradeOffPoint]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(solve, "most_survivors", None)  # a point that seeks them by itself would fail
        return trade_off(data, SHARES)


def test_trade_off__more_survivors_cost_kinship_and_every_point_is_proven(
    data: ReleaseData, points: list[TradeOffPoint]
) -> None:
    assert [p.survivors_share for p in points] == [0.88, 0.94, 1.0]
    most = points[-1].survivors
    assert most is not None
    for p in points:
        assert p.plan.breaches == ()
        assert p.plan.gap is not None
        assert p.plan.gap <= data.settings.gap
        assert p.survivors is not None
        assert p.plan.most_survivors is not None
        assert p.survivors >= p.survivors_share * p.plan.most_survivors - 1e-6
        assert p.kinship_weighted is not None
    # A plan at a higher share is also a plan at a lower one: the bound there cannot lie above it.
    for less, more in pairwise(points):
        assert less.plan.bound is not None
        assert more.plan.objective is not None
        assert less.plan.bound <= more.plan.objective * (1 + 1e-9)
    assert points[0].kinship_weighted is not None
    assert points[-1].kinship_weighted is not None
    assert points[0].kinship_weighted < points[-1].kinship_weighted
    assert not points[-1].dominated


def test_trade_off__stopped_before_any_plan_says_so_at_every_point() -> None:
    cancel = threading.Event()
    cancel.set()
    points = trade_off(programme(2, n_families=20, n_fish=1000), (0.9, 1.0), cancel=cancel)
    assert [p.survivors_share for p in points] == [0.9, 1.0]
    assert all(p.plan.numbers is None for p in points)
    assert {p.note for p in points} == {"no plan: stopped by hand before one was found"}


def test_trade_off__stopped_keeps_the_points_made_and_the_best_so_far(data: ReleaseData) -> None:
    cancel = threading.Event()
    said = []

    def press(words: str, value: float | None, bound: float | None) -> None:
        said.append(words)
        if words.startswith("94.0%") and "lowering" in words:
            cancel.set()

    points = trade_off(data, SHARES, progress=press, cancel=cancel)
    assert said[0] == "seeking the most survivors"
    assert [str(p.plan.status) for p in points] == ["proven", "stopped", "stopped"]
    first, second, third = points
    assert first.note in ("", "another plan is better")
    assert second.plan.breaches == ()
    # What was proven at the lower share holds at the higher one too.
    assert second.plan.bound == first.plan.bound
    assert second.plan.gap is not None
    assert second.note.startswith(
        f"stopped by hand: a gap of {second.plan.gap:.2%} is left of 0.50% asked for"
    )
    assert third.plan.numbers is None
    assert third.note == "no plan: stopped by hand before one was found"


def test_trade_off__says_that_time_was_up(data: ReleaseData) -> None:
    for p in trade_off(data.with_settings(gap=1e-7, time_limit=1.5), (0.9, 1.0)):
        assert p.plan.status is SolveStatus.TIME_LIMIT
        assert p.plan.numbers is not None
        assert p.note.startswith("stopped after the 1.5 s of the setting time_limit: ")


def test_trade_off__carries_only_what_a_search_by_itself_agrees_with(
    data: ReleaseData, points: list[TradeOffPoint]
) -> None:
    p = points[-1]
    one = plan_release(data.with_settings(survivors_share=1.0))
    assert p.plan.survivors_floor == one.survivors_floor
    assert p.plan.most_survivors == one.most_survivors
    # Each proof holds for the plan of the other search.
    assert p.plan.bound is not None
    assert one.bound is not None
    assert p.plan.objective is not None
    assert one.objective is not None
    assert p.plan.bound <= one.objective * (1 + 1e-9)
    assert one.bound <= p.plan.objective * (1 + 1e-9)


def test_handed_down__a_better_plan_of_a_higher_share_replaces_a_worse_one(
    data: ReleaseData, points: list[TradeOffPoint]
) -> None:
    low, high, poor = (p.plan for p in points)
    assert high.objective is not None
    assert high.numbers is not None
    assert poor.numbers is not None
    # At 88 % the plan of most survivors is all that was found in time: the plan at 94 % is better there too.
    worse = replace(
        low, numbers=poor.numbers, objective=poor.objective, gap=0.9, status=SolveStatus.TIME_LIMIT
    )
    first, second = handed_down(data, [0.88, 0.94], [worse, high])
    assert second is high
    assert first.numbers is not None
    assert (first.numbers == high.numbers).all()
    assert first.objective == pytest.approx(high.objective)
    assert first.bound == low.bound
    assert first.breaches == ()
    assert first.settings.survivors_share == 0.88


@pytest.mark.parametrize("shares", [(0.9,), (0.9, 0.8), (0.5, 1.2), (-0.1, 0.5)])
def test_trade_off__refuses_wrong_shares(shares: tuple[float, ...]) -> None:
    with pytest.raises(ValueError, match="trade-off, shares: found"):
        trade_off(programme(2, n_families=20, n_fish=1000), shares)
