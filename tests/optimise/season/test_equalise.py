"""Culls: brute force over all whole numbers, closed forms, properties, caps, bad input."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from broodstock.errors import ShapeError, UsageError, ValueRangeError
from planner.optimise.season.equalise import cull_schedule, equalise, with_count_error


def all_choices(there: list[int], cap: int, total: int) -> list[tuple[int, ...]]:
    """Every way to keep a total."""
    ranges = [range(min(u, cap) + 1) for u in there]
    return [k for k in itertools.product(*ranges) if sum(k) == total]


@pytest.mark.parametrize("seed", range(25))
def test_equalise__is_the_best_of_all_choices(seed: int) -> None:
    rng = np.random.default_rng(seed)
    there = rng.integers(0, 9, 4).tolist()
    there[0] = 5
    survival = np.ones(4) if seed % 2 else rng.choice([0.3, 0.5, 0.7, 0.9], 4)
    keep = int(rng.integers(1, 20))
    times = float(rng.choice([1.0, 1.3, 2.0, 100.0]))
    out = equalise(there, keep, survival=survival, cap_times_mean=times)
    families = sum(u > 0 for u in there)
    # The greatest total whose families all stay at or below their share of it.
    possible = [
        t
        for t in range(min(keep, sum(there)) + 1)
        if sum(min(u, int(times * t / families + 1e-9)) for u in there) >= t
    ]
    assert out.kept == max(possible)
    assert out.short == keep - out.kept
    assert out.cap == int(times * out.kept / families + 1e-9)
    choices = all_choices(there, out.cap, out.kept)
    from_below = [sorted(round(k * s, 9) for k, s in zip(c, survival, strict=True)) for c in choices]
    ours = sorted(round(k * s, 9) for k, s in zip(out.keep.tolist(), survival, strict=True))
    assert ours == max(from_below)
    if (survival == 1).all():
        assert (out.keep**2).sum() == min(sum(k * k for k in c) for c in choices)


def test_equalise__water_filling_closed_form() -> None:
    # 5 000 and 1 000 fry: keep the same number of each; a third family of 100 stays whole.
    out = equalise([5000, 1000, 100], 1500, cap_times_mean=2)
    assert out.keep.tolist() == [700, 700, 100]
    assert out.surplus.tolist() == [4300, 300, 0]
    assert out.effective_after == pytest.approx(1500**2 / (2 * 700**2 + 100**2))
    assert out.effective_before == pytest.approx(6100**2 / (5000**2 + 1000**2 + 100**2))
    assert out.small.tolist() == [2]
    assert out.cap == 1000


def test_equalise__the_cap_leaves_places_empty_and_says_which_cap_fills_them() -> None:
    # With a cap of 1 all families must be equal: the smallest one, 10, sets the number of all.
    out = equalise([100, 100, 100, 10], 200, cap_times_mean=1)
    assert out.keep.tolist() == [10, 10, 10, 10]
    assert out.short == 160
    # 200 fish need families of 64 (64 + 64 + 64 + 10 >= 200 > 63 x 3 + 10): 64 over the mean share of 50.
    assert out.cap_needed == pytest.approx(64 / 50)
    assert equalise([100, 100, 100, 10], 200, cap_times_mean=1.28).short == 0
    assert equalise([100, 100, 100, 10], 200, cap_times_mean=1.27).short > 0


def test_equalise__too_few_fish() -> None:
    out = equalise([3, 0, 4], 100, cap_times_mean=2)
    assert out.keep.tolist() == [3, 0, 4]
    assert out.short == 93
    assert out.cap_needed is None
    assert out.small.tolist() == [1]


def test_equalise__survivors_not_bodies_are_made_equal() -> None:
    out = equalise([1000, 1000], 300, survival=[0.5, 1.0], cap_times_mean=2)
    assert out.keep.tolist() == [200, 100]
    assert out.effective_after == pytest.approx(2)


@settings(max_examples=80, deadline=None)
@given(
    st.lists(st.integers(0, 400), min_size=1, max_size=12).filter(any),
    st.integers(1, 2000),
    st.floats(1, 5),
    st.integers(0, 10**6),
)
def test_equalise__properties(there: list[int], keep: int, times: float, seed: int) -> None:
    out = equalise(there, keep, cap_times_mean=times)
    assert (out.keep >= 0).all()
    assert (out.keep <= there).all()
    assert (out.keep + out.surplus == there).all()
    assert out.kept + out.short == keep
    assert out.keep.max() <= times * out.kept / sum(u > 0 for u in there) + 1e-6
    capped = np.minimum(there, out.cap)
    open_ = out.keep < capped
    if open_.any():
        assert out.keep.max() <= out.keep[open_].min() + 1, "no family waits while another is two ahead"
    in_proportion = np.array(there) * out.kept // sum(there)
    rest = np.array(there) * out.kept % sum(there)
    in_proportion[np.argsort(-rest, kind="stable")[: out.kept - in_proportion.sum()]] += 1
    if in_proportion.max() <= out.cap:
        assert (out.keep**2).sum() <= (in_proportion**2).sum(), "not worse than a cull in proportion"
    order = np.random.default_rng(seed).permutation(len(there))
    again = equalise(np.array(there)[order], keep, cap_times_mean=times)
    assert sorted(again.keep) == sorted(out.keep)
    assert again.kept == out.kept


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10**6))
def test_equalise__survivors_from_below_against_giving_one_by_one(seed: int) -> None:
    rng = np.random.default_rng(seed)
    n = int(rng.integers(1, 30))
    there = rng.integers(0, 60, n)
    there[0] += 1
    s = rng.uniform(0.02, 1, n)
    keep = int(rng.integers(1, there.sum() + 1))
    out = equalise(there, keep, survival=s, cap_times_mean=1000)
    kept = np.zeros(n, int)
    for _ in range(keep):
        open_ = np.flatnonzero(kept < there)
        kept[open_[np.argmin(np.round((kept * s)[open_], 12))]] += 1
    assert np.array_equal(out.keep, kept)


def test_cull_schedule__published_numbers_of_a_family() -> None:
    # 500, 250, 200, 160 fish of a family lot at the ends of growing seasons 1 to 4, survival .5, .8, .8:
    # Williamson and Wydoski (1994), genetics management guidelines for endangered fishes (from memory).
    out = cull_schedule([5000, 900, 700], [1500, 750, 600, 480], [0.5, 0.8, 0.8])
    assert [c.keep.tolist() for c in out] == [[500] * 3, [250] * 3, [200] * 3, [160] * 3]
    assert all(c.effective_after == pytest.approx(3) for c in out)


def test_count_error__closed_form_without_error_and_lower_with_it() -> None:
    females, males = ["a", "a", "b", "b"], ["x", "y", "x", "y"]
    exact = with_count_error([10, 10, 10, 10], females, males, 0.0)
    assert (exact.value, exact.low, exact.high) == (pytest.approx(4), pytest.approx(4), pytest.approx(4))
    noisy = with_count_error([10, 10, 10, 10], females, males, 0.3, seed=2)
    assert noisy.value == pytest.approx(4)
    assert noisy.high is not None
    assert noisy.high < 4
    assert noisy == with_count_error([10, 10, 10, 10], females, males, 0.3, seed=2)
    assert with_count_error([0, 0], ["a", "b"], ["x", "y"], 0.1).reason == "there are no fish"


def test_cull__bad_input() -> None:
    with pytest.raises(UsageError, match="found no fish in any family"):
        equalise([0, 0], 10)
    with pytest.raises(UsageError, match="found no fish in any family"):
        equalise([], 10)
    with pytest.raises(ValueRangeError, match="fish to keep: found 0"):
        equalise([5], 0)
    with pytest.raises(ValueRangeError, match=r"fish of the families \[1\]: found -3"):
        equalise([5, -3], 4)
    with pytest.raises(ValueRangeError, match=r"found 2\.5\. Expected whole numbers"):
        equalise([5, 2.5], 4)
    with pytest.raises(ValueRangeError, match=r"cap on a family, times the mean: found 0\.5"):
        equalise([5, 2], 4, cap_times_mean=0.5)
    with pytest.raises(ValueRangeError, match=r"survival: found 0\. Expected more than 0"):
        equalise([5, 2], 4, survival=[0, 1])
    with pytest.raises(ShapeError, match=r"survival: found shape \(3,\)"):
        equalise([5, 2], 4, survival=[1, 1, 1])
    with pytest.raises(ShapeError, match="survival between culls"):
        cull_schedule([5, 2], [4, 2], [])
    with pytest.raises(UsageError, match="found no number to keep"):
        cull_schedule([5, 2], [], [])
