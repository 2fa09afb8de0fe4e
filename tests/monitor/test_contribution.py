"""Contribution of groups: against scipy's beta, enumeration, and simulation."""

from __future__ import annotations

import numpy as np
import pytest

from broodstock.errors import ShapeError, ValueRangeError
from planner.monitor.contribution import contribution, effective_groups


def sure(*counts: int) -> np.ndarray:
    return np.eye(len(counts))[np.repeat(np.arange(len(counts)), counts)]


def test_contribution__sure_parents_give_jeffreys_interval():
    from scipy.stats import beta

    found = contribution(
        ("a", "b", "none of these"),
        sure(12, 28, 0),
        np.array([10.0, 10, 0]),
        np.random.default_rng(1),
        draws=40000,
    )
    assert found.share[0].value == pytest.approx(0.3)
    assert found.share[0].low == pytest.approx(beta.ppf(0.025, 12.5, 28.5), abs=0.004)
    assert found.share[0].high == pytest.approx(beta.ppf(0.975, 12.5, 28.5), abs=0.004)
    assert found.per_released[0].value == pytest.approx(0.6)
    assert "none of it was released" in found.per_released[2].reason


def test_contribution__doubt_widens_the_interval():
    chances = sure(20, 20)
    doubt = np.full_like(chances, 0.5)
    widths = []
    for table in (chances, doubt):
        e = contribution(("a", "b"), table, np.ones(2), np.random.default_rng(1)).share[0]
        widths.append(e.high - e.low)
        assert e.value == pytest.approx(0.5)
    assert widths[1] > 1.2 * widths[0]


def test_effective_groups__is_one_over_the_chance_of_a_pair():
    counts = np.array([[3.0, 2.0, 5.0]])
    fish = np.repeat([0, 1, 2], [3, 2, 5])
    pairs = [a == b for i, a in enumerate(fish) for b in fish[i + 1 :]]
    assert effective_groups(counts).value == pytest.approx(1 / np.mean(pairs))


def test_effective_groups__unbiased_in_small_samples():
    rng = np.random.default_rng(4)
    share = rng.dirichlet(np.ones(12))
    q = [1 / effective_groups(rng.multinomial(25, share)[None].astype(float)).value for _ in range(600)]
    assert np.mean(q) == pytest.approx((share**2).sum(), rel=0.05)


def test_contribution__bad_input():
    with pytest.raises(ValueRangeError, match="do not sum to 1"):
        contribution(("a", "b"), np.ones((2, 2)), np.ones(2), np.random.default_rng(1))
    with pytest.raises(ShapeError, match="2 groups in both"):
        contribution(("a", "b"), np.ones((2, 3)), np.ones(2), np.random.default_rng(1))
    empty = contribution(("a", "b"), np.zeros((0, 2)), np.ones(2), np.random.default_rng(1))
    assert not empty.share[0].estimable
