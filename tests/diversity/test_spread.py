"""Spread over families: exact cases, bounds and a sample whose truth is known."""

from __future__ import annotations

import math

import numpy as np
import pytest

from broodstock.diversity.spread import effective_number, evenness, spread_of_sample
from broodstock.errors import ShapeError, UsageError, ValueRangeError


def test_effective_number__equal_and_skewed() -> None:
    # Hill (1973), Ecology 54:427, number of order 2.
    for k in range(1, 9):
        assert effective_number(np.full(k, 7)) == pytest.approx(k)
        assert evenness(np.full(k, 7)) == pytest.approx(1)
    assert effective_number(np.array([0.9, 0.1])) == pytest.approx(1 / 0.82)
    assert evenness(np.array([0.9, 0.1, 0])) == pytest.approx(1 / 0.82 / 2)


def test_effective_number__scale_and_order_do_not_matter() -> None:
    x = np.array([3.0, 9, 1, 4])
    assert effective_number(x) == pytest.approx(effective_number(x[::-1] * 17))
    assert 1 <= effective_number(x) <= 4


def test_effective_number__refusals() -> None:
    with pytest.raises(ValueRangeError, match="found no fish in any class"):
        effective_number(np.zeros(3))
    with pytest.raises(ValueRangeError, match="negative amount"):
        effective_number(np.array([1.0, -1]))
    with pytest.raises(ShapeError, match="Expected a vector"):
        evenness(np.ones((2, 2)))


def test_spread_of_sample__unbiased_and_interval() -> None:
    found = spread_of_sample(np.array([10, 5, 3, 1, 1, 0]), n_replicates=300)
    assert (found.n_fish, found.n_classes) == (20, 5)
    same = (10 * 9 + 5 * 4 + 3 * 2) / (20 * 19)
    assert found.effective.value == pytest.approx(1 / same)
    assert found.effective.low < found.effective.value < found.effective.high
    assert found.evenness.value == pytest.approx(1 / (136 / 400) / 5)


def test_spread_of_sample__probability_is_unbiased() -> None:
    p = np.array([0.4, 0.3, 0.2, 0.1])
    drawn = np.random.default_rng(3).multinomial(12, p, size=6000)
    same = (drawn * (drawn - 1)).sum(axis=1) / (12 * 11)
    assert same.mean() == pytest.approx((p**2).sum(), abs=0.003)


def test_spread_of_sample__no_two_alike_is_infinite() -> None:
    found = spread_of_sample(np.ones(6, dtype=int), n_replicates=50)
    assert found.effective.value == math.inf
    assert found.effective.high == math.inf
    assert found.effective.note == "No two fish of the sample are of one class."


def test_spread_of_sample__one_class() -> None:
    found = spread_of_sample(np.array([8]), n_replicates=50)
    assert (found.effective.value, found.effective.low, found.effective.high) == (1, 1, 1)


def test_spread_of_sample__not_estimable_and_refusals() -> None:
    assert spread_of_sample(np.array([], dtype=int)).effective.reason == "the group has no fish"
    assert "only one fish" in spread_of_sample(np.array([1, 0])).evenness.reason
    with pytest.raises(ValueRangeError, match="not whole"):
        spread_of_sample(np.array([0.2, 0.8]))
    with pytest.raises(UsageError, match="found 5 replicates"):
        spread_of_sample(np.array([3, 4]), n_replicates=5)
