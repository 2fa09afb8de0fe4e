"""Chances to be ripe: the model's corners, the distribution of numbers by enumeration, bad input."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from broodstock.errors import ShapeError, UsageError, ValueRangeError
from planner.optimise.season.ripening import (
    UNKNOWN_CHANCE,
    UNKNOWN_DAY,
    Looks,
    RipeningModel,
    State,
    expected_ripe,
    number_distribution,
    ripe_chances,
    season_shifts,
)

STILL = RipeningModel(shift_days=0)


def looks(
    state: State,
    *,
    female: bool = True,
    seen: int = 100,
    window: tuple[int, int] = (UNKNOWN_DAY, UNKNOWN_DAY),
    chance: float = UNKNOWN_CHANCE,
    asked: int = UNKNOWN_DAY,
) -> Looks:
    return Looks(
        np.array([female]),
        np.array([int(state)]),
        np.array([seen]),
        np.array([window[0]]),
        np.array([window[1]]),
        np.array([chance]),
        asked,
    )


def chance_on(fish: Looks, days: list[int], model: RipeningModel = STILL) -> np.ndarray:
    return ripe_chances(fish, days, model).mean[0]


def test_window__is_a_roof_with_straight_shoulders() -> None:
    fish = looks(State.RIPENING, window=(120, 134), chance=0.8, asked=127)
    # Shoulder of 7 days: 1/7 of the roof is lost per day outside.
    found = chance_on(fish, [110, 113, 118, 120, 127, 134, 136, 141, 150])
    assert found == pytest.approx([0, 0, 0.8 * 5 / 7, 0.8, 0.8, 0.8, 0.8 * 5 / 7, 0, 0])


def test_window__recorded_chance_of_a_day_outside_is_the_floor() -> None:
    fish = looks(State.NOT_RIPE, window=(130, 140), chance=0.04, asked=110)
    assert chance_on(fish, [110, 100, 135, 123, 160]) == pytest.approx([0.04, 0.04, 0.75, 0.04, 0.04])


def test_window__without_shoulder_is_a_box() -> None:
    fish = looks(State.RIPENING, window=(120, 130))
    model = RipeningModel(shoulder_days=0, shift_days=0)
    assert chance_on(fish, [119, 120, 130, 131], model) == pytest.approx([0, 0.75, 0.75, 0])


def test_found_ripe__falls_evenly_over_the_ripe_time() -> None:
    assert chance_on(looks(State.RIPE), [100, 107, 114, 120]) == pytest.approx([1, 0.5, 0, 0])
    assert chance_on(looks(State.RIPE, female=False), [100, 109]) == pytest.approx([1, 0.8])
    windowed = looks(State.RIPE, window=(90, 110), chance=0.6)
    assert chance_on(windowed, [100, 105]) == pytest.approx([1, 0.6])


def test_other_states__their_chances() -> None:
    assert chance_on(looks(State.UNSEEN), [1])[0] == 0.29
    assert chance_on(looks(State.UNSEEN, female=False), [1])[0] == 0.88
    assert chance_on(looks(State.SPENT, window=(1, 9), chance=0.9), [5])[0] == 0
    assert chance_on(looks(State.NO_MILT), [101])[0] == 0.05
    assert chance_on(looks(State.NOT_RIPE, chance=0.3), [101])[0] == 0.3
    assert chance_on(looks(State.ALWAYS), [101])[0] == 1


def test_shift__moves_windows_and_keeps_the_mean_in_the_middle() -> None:
    shifts = season_shifts(3.0)
    assert shifts.mean() == pytest.approx(0)
    assert shifts.std() == pytest.approx(3.0)
    fish = looks(State.RIPENING, window=(100, 200), chance=0.8, asked=150)
    moved = ripe_chances(fish, [150, 100], RipeningModel(shift_days=3, shoulder_days=0))
    assert moved.mean[0, 0] == pytest.approx(0.8)
    assert moved.by_shift[:, 0, 1] == pytest.approx(np.where(shifts <= 0, 0.8, 0.0))


def test_number_distribution__by_enumeration() -> None:
    rng = np.random.default_rng(1)
    for n in (0, 1, 4, 6):
        p = rng.random(n)
        slow = np.zeros(n + 1)
        for outcome in itertools.product((0, 1), repeat=n):
            slow[sum(outcome)] += np.prod([q if x else 1 - q for x, q in zip(outcome, p, strict=True)])
        assert number_distribution(p) == pytest.approx(slow)


def test_number_distribution__equal_chances_are_binomial() -> None:
    from scipy.stats import binom

    assert number_distribution(np.full(30, 0.37)) == pytest.approx(binom.pmf(np.arange(31), 30, 0.37))


def test_expected_ripe__value_is_the_sum_and_interval_covers_what_is_drawn() -> None:
    rng = np.random.default_rng(3)
    n = 60
    many = Looks(
        np.ones(n, bool),
        np.full(n, int(State.RIPENING)),
        np.full(n, 90),
        start := rng.integers(95, 125, n),
        start + 15,
        rng.uniform(0.5, 0.9, n).round(2),
        110,
    )
    chances = ripe_chances(many, [100, 110, 130], RipeningModel(shift_days=4))
    out = expected_ripe(chances, 0.9)
    assert [e.value for e in out] == pytest.approx(chances.mean.sum(axis=0).tolist())
    shift = rng.integers(len(chances.shifts), size=4000)
    number = (rng.random((4000, n, 3)) < chances.by_shift[shift]).sum(axis=1)
    for d, e in enumerate(out):
        assert e.low is not None
        assert e.high is not None
        inside = ((number[:, d] >= e.low) & (number[:, d] <= e.high)).mean()
        assert inside >= 0.89
        assert (number[:, d] <= e.low - 1).mean() <= 0.055
        assert (number[:, d] >= e.high + 1).mean() <= 0.055


def test_expected_ripe__no_fish_is_not_estimable() -> None:
    chances = ripe_chances(looks(State.RIPE), [100, 101], STILL).of([])
    out = expected_ripe(chances)
    assert [e.estimable for e in out] == [False, False]
    assert out[0].text() == "not estimable because there are no such fish"


@settings(max_examples=40, deadline=None)
@given(
    st.sampled_from(list(State)),
    st.booleans(),
    st.integers(0, 60),
    st.integers(0, 40),
    st.one_of(st.just(UNKNOWN_CHANCE), st.floats(0, 1)),
    st.integers(-1, 120),
    st.floats(0, 10),
    st.floats(0, 20),
)
def test_chances__are_chances(
    state: State,
    female: bool,
    start: int,
    length: int,
    chance: float,
    asked: int,
    shift: float,
    shoulder: float,
) -> None:
    fish = looks(state, female=female, seen=10, window=(start, start + length), chance=chance, asked=asked)
    model = RipeningModel(shift_days=shift, shoulder_days=shoulder)
    found = ripe_chances(fish, np.arange(10, 130), model).by_shift
    assert ((found >= 0) & (found <= 1)).all()


def test_ripening__bad_input() -> None:
    with pytest.raises(
        ValueRangeError, match=r"found day 140 to day 130\. Expected the start before the end"
    ):
        looks(State.RIPENING, window=(140, 130))
    with pytest.raises(ValueRangeError, match="found a start or an end alone"):
        looks(State.RIPENING, window=(140, UNKNOWN_DAY))
    with pytest.raises(ValueRangeError, match=r"looks, chance \[0\]: found 1.2"):
        looks(State.RIPENING, chance=1.2)
    with pytest.raises(ValueRangeError, match="in_window: found 2"):
        RipeningModel(in_window=2)
    with pytest.raises(ValueRangeError, match="shift_days: found -1"):
        RipeningModel(shift_days=-1)
    with pytest.raises(UsageError, match="spawning days: found none"):
        ripe_chances(looks(State.RIPE), [], STILL)
    with pytest.raises(ValueRangeError, match=r"level: found 1\.0"):
        expected_ripe(ripe_chances(looks(State.RIPE), [100], STILL), 1.0)
    with pytest.raises(ShapeError, match="looks, state"):
        Looks(np.ones(2, bool), np.ones(1, int), *(np.ones(2, int) for _ in range(4)))
