"""Histories from encounters, contacts collapsed, clocks, marker tags, effort."""

from __future__ import annotations

import numpy as np
import pytest

from broodstock.errors import ShapeError, ValueRangeError
from planner.monitor.histories import compress, encounter_histories, histories_of_table, release_table
from planner.monitor.histories_scans import (
    clock_faults,
    effort_per_occasion,
    looks_like_marker,
    occasion_of,
    tag_site_days,
)


def test_tag_site_days__equals_a_dictionary():
    rng = np.random.default_rng(1)
    tag, site, day = rng.integers(0, 30, 5000), rng.integers(0, 4, 5000), rng.integers(-3, 20, 5000)
    slow: dict[tuple[int, int, int], int] = {}
    for key in zip(tag.tolist(), site.tolist(), day.tolist(), strict=True):
        slow[key] = slow.get(key, 0) + 1
    got = tag_site_days(tag, site, day)
    rows = zip(got.tag.tolist(), got.site.tolist(), got.day.tolist(), strict=True)
    assert dict(zip(rows, got.contacts.tolist(), strict=True)) == slow
    assert len(tag_site_days([], [], []).tag) == 0
    with pytest.raises(ValueRangeError, match="found a negative code"):
        tag_site_days([-1], [0], [0])


def test_markers__steady_beat_but_not_a_resting_fish():
    rng = np.random.default_rng(2)
    beat = np.arange(0, 3600 * 500, 3600.0)
    resting = np.arange(0, 1000, 2.0)
    passing = np.sort(rng.uniform(0, 1e6, 400))
    tag = np.repeat([7, 3, 5], [len(beat), len(resting), len(passing)])
    second = np.concatenate([beat, resting, passing])
    order = rng.permutation(len(tag))
    assert looks_like_marker(tag[order], second[order]).tolist() == [7]


def test_clock_faults__shift_found_and_nothing_corrected():
    start, end = np.array([0.0, 0.0, 0.0]), np.array([86400.0] * 3)
    inside = np.array([100.0, 86000.0])
    d = np.array([0, 0, 1, 1, 2, 2])
    second = np.concatenate([inside, inside + 3600, [-400.0, 90000.0]])
    faults, outside = clock_faults(d, second, start, end)
    assert [(f.deployment, f.n_outside, f.shift_h) for f in faults] == [(1, 1, 1), (2, 2, None)]
    assert outside.tolist() == [False, False, False, True, True, True]
    assert faults[0].text() == "deployment 1: 1 of 2 contacts outside it. A clock 1 h fast explains them."
    assert "No shift of its clock" in faults[1].text()


def test_effort__shared_by_time_and_summing_to_the_hours_inside():
    edges = [0, 10, 20, 30]
    got = effort_per_occasion([0, 5, 12, 25], [10, 15, 12, 35], [40, 20, 3, 10], edges)
    assert got.tolist() == [50, 13, 5]
    assert occasion_of([-1, 0, 9.5, 10, 30], edges).tolist() == [-1, 0, 0, 1, -1]
    with pytest.raises(ValueRangeError, match="do not increase"):
        occasion_of([1], [3, 3])


def test_histories__early_encounters_are_listed_or_refused():
    args = ([0, 0, 1, -1, 1, 1], [1, 3, 0, 2, 2, -1], [False, True, False, True, True, True], [1, 2], 4)
    h = encounter_histories(*args)
    assert h.caught.sum() == 0
    assert h.scanned.tolist() == [[False, False, False, True], [False] * 4]
    assert h.before_release.tolist() == [2]
    assert h.notes == (
        "1 encounters of tags without a release left out",
        "1 encounters outside all occasions left out",
        "1 encounters of 1 fish before their release (fish 1) left out; check the tags and the dates",
    )
    with pytest.raises(ValueRangeError, match="1 fish before their release"):
        encounter_histories(*args, refuse_early=True)


def test_histories__clear_statements():
    with pytest.raises(ValueRangeError, match="Expected at least 2: survival is what lies between"):
        encounter_histories([0], [0], [False], [0], 1)
    effort = np.ones((3, 2))
    effort[2, 1] = 0
    with pytest.raises(ValueRangeError, match="found 1 fish scanned where the effort is 0"):
        encounter_histories([0], [2], [True], [0], 3, effort=effort)
    with pytest.raises(ShapeError, match="Expected as many each"):
        encounter_histories([0], [2, 1], [True], [0], 3)
    with pytest.raises(ValueRangeError, match="every occasion after the one before"):
        encounter_histories([0], [2], [True], [0], 3, interval=[1.0, 0.0])
    with pytest.raises(ValueRangeError, match="more fish met than released"):
        histories_of_table([1], [[2]])


def test_compress__keeps_fish_and_covariates_apart():
    rng = np.random.default_rng(3)
    n = 500
    fish, occasion = rng.integers(0, n, 900), rng.integers(1, 5, 900)
    h = encounter_histories(fish, occasion, rng.random(900) < 0.5, np.zeros(n, int), 5)
    length = rng.integers(0, 3, n).astype(float)
    small, row = compress(h, length)
    slow: dict[tuple, int] = {}
    for i in range(n):
        key = (h.caught[i].tobytes(), h.scanned[i].tobytes(), length[i])
        slow[key] = slow.get(key, 0) + 1
    assert len(row) == len(slow)
    for i, r in enumerate(row):
        key = (h.caught[r].tobytes(), h.scanned[r].tobytes(), length[r])
        assert small.number[i] == slow[key]
    released, met = release_table(h)
    again, met2 = release_table(small)
    assert (released == again).all()
    assert (met == met2).all()
    assert small.n_releases == h.n_releases == released.sum()
