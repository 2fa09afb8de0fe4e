"""Days for females: brute force, the value by simulation, limits, bad input."""

from __future__ import annotations

import itertools
import threading

import numpy as np
import pytest

from broodstock.errors import ShapeError, UsageError, ValueRangeError
from planner.optimise.season.holding import NO_DAY, hold_for_days, kept_as_planned, pair_chances
from planner.optimise.season.ripening import RipeChances
from planner.optimise.status import SolveStatus


def chances(rng: np.random.Generator, fish: int, days: int, shifts: int = 3) -> RipeChances:
    return RipeChances(rng.random((shifts, fish, days)), np.linspace(-2, 2, shifts))


def best_by_trying(value: np.ndarray, size: np.ndarray, most: np.ndarray, least: np.ndarray) -> float | None:
    """Greatest value over every choice of a day, or none, for every female."""
    n, days = value.shape
    best = None
    for choice in itertools.product(range(-1, days), repeat=n):
        day = np.array(choice)
        if ((size == 0) & (day >= 0)).any():
            continue
        held = day >= 0
        laid = np.bincount(day[held], weights=size[held], minlength=days)
        if (laid > most).any() or (laid < least).any():
            continue
        total = sum(value[f, d] for f, d in enumerate(choice) if d >= 0)
        best = total if best is None else max(best, total)
    return best


@pytest.mark.parametrize("seed", range(12))
def test_hold_for_days__is_the_best_of_all_choices(seed: int) -> None:
    rng = np.random.default_rng(seed)
    nf, nm, days = 5, 4, 3
    dishes = rng.integers(0, 2, (nf, nm))
    dishes[0, 0] = 1
    f, m = chances(rng, nf, days), chances(rng, nm, days)
    most = rng.integers(3, 7, days)
    least = rng.integers(0, 2, days)
    size = dishes.sum(axis=1)
    best = best_by_trying(pair_chances(f, m, dishes), size, most, least)
    if best is None:
        with pytest.raises(UsageError, match="Lower the fewest dishes"):
            hold_for_days(dishes, f, m, most, least)
        return
    plan = hold_for_days(dishes, f, m, most, least)
    assert plan.status is SolveStatus.PROVEN
    assert plan.expected == pytest.approx(best, abs=1e-7)
    assert plan.bound is not None
    assert plan.bound >= best - 1e-7
    assert plan.gap == pytest.approx(0, abs=1e-6)
    assert (plan.dishes <= most).all()
    assert (plan.dishes >= least).all()


def test_pair_chances__by_loops() -> None:
    rng = np.random.default_rng(5)
    f, m = chances(rng, 3, 2), chances(rng, 4, 2)
    w = rng.integers(0, 3, (3, 4))
    slow = np.zeros((3, 2))
    for a in range(3):
        for b in range(4):
            for d in range(2):
                slow[a, d] += w[a, b] * np.mean([f.by_shift[s, a, d] * m.by_shift[s, b, d] for s in range(3)])
    assert pair_chances(f, m, w) == pytest.approx(slow)


def test_kept_as_planned__mean_of_played_seasons_is_the_expectation() -> None:
    rng = np.random.default_rng(6)
    f, m = chances(rng, 6, 3), chances(rng, 5, 3)
    dishes = (rng.random((6, 5)) < 0.5).astype(int)
    plan = hold_for_days(dishes, f, m, [100, 100, 100])
    # With enough room every female has her own best day.
    value = pair_chances(f, m, dishes)
    assert plan.expected == pytest.approx(value.max(axis=1).sum())
    out = kept_as_planned(plan, dishes, f, m, times=20000, seed=1, level=0.9)
    again = kept_as_planned(plan, dishes, f, m, times=20000, seed=1, level=0.9)
    assert out == again
    assert out.low is not None
    assert out.high is not None
    assert out.low < plan.expected < out.high


def test_kept_as_planned__sure_fish_leave_no_spread() -> None:
    sure = RipeChances(np.ones((1, 2, 1)), np.zeros(1))
    plan = hold_for_days(np.ones((2, 2), int), sure, sure, [4])
    out = kept_as_planned(plan, np.ones((2, 2), int), sure, sure)
    assert (out.value, out.low, out.high) == (4, 4, 4)


def test_hold_for_days__a_female_without_room_is_held_for_no_day() -> None:
    sure = RipeChances(np.ones((1, 2, 1)), np.zeros(1))
    plan = hold_for_days([[1, 1], [1, 0]], sure, sure, [1])
    assert plan.day.tolist() == [NO_DAY, 0]
    assert plan.expected == 1


def test_hold_for_days__permuted_fish_give_the_same_value() -> None:
    rng = np.random.default_rng(9)
    f, m = chances(rng, 6, 3), chances(rng, 5, 3)
    dishes = (rng.random((6, 5)) < 0.6).astype(int)
    order = rng.permutation(6)
    first = hold_for_days(dishes, f, m, [6, 6, 6])
    other = hold_for_days(dishes[order], f.of(order), m, [6, 6, 6])
    assert first.expected == pytest.approx(other.expected, abs=1e-7)


def test_holding__bad_input() -> None:
    sure = RipeChances(np.ones((1, 2, 2)), np.zeros(1))
    ones = np.ones((2, 2), int)
    with pytest.raises(UsageError, match="found a plan without dishes"):
        hold_for_days(0 * ones, sure, sure, [4, 4])
    with pytest.raises(UsageError, match="room for at most 1 dishes on a day"):
        hold_for_days(ones, sure, sure, [1, 0])
    with pytest.raises(UsageError, match="room for at most 0 dishes on a day"):
        hold_for_days(ones, sure, sure, [0, 0])
    with pytest.raises(ValueRangeError, match=r"most dishes of a day \[1\]: found -1"):
        hold_for_days(ones, sure, sure, [4, -1])
    with pytest.raises(UsageError, match="found fewest dishes of the days 3, 3, most 4, 4, and 4 planned"):
        hold_for_days(ones, sure, sure, [4, 4], [3, 3])
    with pytest.raises(ValueRangeError, match=r"dishes of the pairs \[0, 0\]: found -1"):
        hold_for_days(-ones, sure, sure, [4, 4])
    with pytest.raises(ShapeError, match="dishes of the pairs: found shape"):
        hold_for_days(np.ones((3, 2)), sure, sure, [4, 4])
    other = RipeChances(np.ones((1, 2, 3)), np.zeros(1))
    with pytest.raises(ShapeError, match="shifts and days of females"):
        hold_for_days(ones, sure, other, [4, 4])


def test_hold_for_days__stopped_says_so_and_proves_nothing_false() -> None:
    rng = np.random.default_rng(3)
    dishes = np.ones((30, 12), dtype=int)
    f, m = chances(rng, 30, 4), chances(rng, 12, 4)
    cancel = threading.Event()
    cancel.set()
    stopped = hold_for_days(dishes, f, m, [90] * 4, cancel=cancel)
    best = hold_for_days(dishes, f, m, [90] * 4)
    assert best.status is SolveStatus.PROVEN
    assert best.expected is not None
    assert stopped.status is SolveStatus.STOPPED
    assert stopped.expected is None or stopped.expected <= best.expected + 1e-7
    assert stopped.bound is None or stopped.bound >= best.expected - 1e-7
