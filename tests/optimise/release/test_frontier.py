"""The trade-off between survivors and kinship."""

from __future__ import annotations

import threading
from itertools import pairwise

import pytest

from planner.optimise.release.frontier import trade_off
from tests.optimise.release.instances import programme


def test_trade_off__more_survivors_cost_kinship_and_every_point_is_proven() -> None:
    data = programme(2, n_families=16, n_fish=900)
    points = trade_off(data, (0.88, 0.94, 1.0))
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


def test_trade_off__stopped_early_returns_what_there_is() -> None:
    cancel = threading.Event()
    cancel.set()
    points = trade_off(programme(2, n_families=20, n_fish=1000), (0.9, 1.0), cancel=cancel)
    assert len(points) == 1


@pytest.mark.parametrize("shares", [(0.9,), (0.9, 0.8), (0.5, 1.2), (-0.1, 0.5)])
def test_trade_off__refuses_wrong_shares(shares: tuple[float, ...]) -> None:
    with pytest.raises(ValueError, match="trade-off, shares: found"):
        trade_off(programme(2, n_families=20, n_fish=1000), shares)
