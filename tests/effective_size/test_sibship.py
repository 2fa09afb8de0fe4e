from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from broodstock.effective_size.offspring_counts import nb_from_offspring_counts
from broodstock.effective_size.sibship import _bootstrap_rates, sib_frequencies, sibship_nb
from broodstock.errors import ShapeError, ValueRangeError


def test_frequencies__worked_numbers() -> None:
    # Wang 2009 (from memory): five pairs with ten young each, and a 5 x 5 factorial with two per cell.
    pairs = np.repeat(np.arange(5), 10)
    assert sib_frequencies(pairs, pairs) == pytest.approx((0, 0, 0.183673), abs=1e-6)
    assert sibship_nb(pairs, pairs).value == pytest.approx(10.888889, abs=1e-6)
    dam, sire = np.repeat(np.arange(5), 10), np.tile(np.repeat(np.arange(5), 2), 5)
    assert sib_frequencies(dam, sire) == pytest.approx((0.163265, 0.163265, 0.020408), abs=1e-6)
    assert sibship_nb(dam, sire).value == pytest.approx(10.888889, abs=1e-6)


def test_frequencies__equal_those_of_all_pairs() -> None:
    rng = np.random.default_rng(2)
    dam, sire = rng.integers(0, 6, 30), rng.integers(0, 9, 30)
    pairs = list(itertools.combinations(range(30), 2))
    same = [(dam[a] == dam[b], sire[a] == sire[b]) for a, b in pairs]
    expected = [
        sum(not d and s for d, s in same),
        sum(d and not s for d, s in same),
        sum(d and s for d, s in same),
    ]
    assert sib_frequencies(dam, sire) == pytest.approx(np.array(expected) / len(pairs))


def test_sibship__equals_the_inbreeding_form_from_counts() -> None:
    rng = np.random.default_rng(9)
    dam, sire = rng.integers(0, 12, 80), rng.integers(0, 5, 80)
    counts = nb_from_offspring_counts(np.bincount(dam), np.bincount(sire), whole_cohort=True)
    assert sibship_nb(dam, sire).value == pytest.approx(counts.both.value)


def test_sibship__departure_changes_it_as_the_formula_says() -> None:
    dam, sire = np.repeat(np.arange(5), 10), np.tile(np.repeat(np.arange(5), 2), 5)
    q1, q2, q3 = 0.16326530612, 0.16326530612, 0.02040816327
    expected = (1 + 3 * 0.1) / 4 * (q1 + q2 + 2 * q3) - 0.05 * (1 / 5 + 1 / 5)
    found = sibship_nb(dam, sire, departure=0.1)
    assert found.value == pytest.approx(1 / expected)
    assert found.low < found.value < found.high  # type: ignore[operator]
    lost = sibship_nb(np.arange(40) // 2, np.arange(40), departure=0.3, n_dams=3, n_sires=3)
    assert lost.value == math.inf
    assert "correction for departure exceeds" in lost.note


def test_sibship__order_and_names_do_not_matter() -> None:
    rng = np.random.default_rng(9)
    dam, sire = rng.integers(0, 12, 50), rng.integers(0, 5, 50)
    order = rng.permutation(50)
    a = sibship_nb(dam, sire, n_bootstrap=4000)
    b = sibship_nb(dam[order] * 7 + 3, 40 - sire[order], n_bootstrap=4000)
    assert a.value == pytest.approx(b.value)
    assert a.low == pytest.approx(b.low, rel=0.05)
    assert sibship_nb(sire, dam).value == pytest.approx(a.value)


def test_sibship__young_without_both_parents_are_left_out() -> None:
    dam, sire = np.repeat(np.arange(5), 10), np.repeat(np.arange(5), 10)
    whole = sibship_nb(dam, sire)
    part = sibship_nb(np.r_[dam, -1, 3], np.r_[sire, 2, -1])
    assert (part.value, part.low, part.high) == (whole.value, whole.low, whole.high)
    assert "2 young without both parents were left out" in part.note


def test_sibship__no_sibs_is_infinite_with_a_lower_limit() -> None:
    found = sibship_nb(np.arange(20), np.arange(20))
    assert (found.value, found.high) == (math.inf, math.inf)
    assert found.low == pytest.approx(2 / (1 - 0.05**0.1))


def test_sibship__not_estimable_and_errors() -> None:
    assert "fewer than two young have both parents assigned (2 of 3 lack one)" in (
        sibship_nb(np.array([-1, 2, 3]), np.array([1, -1, 3])).reason
    )
    with pytest.raises(ShapeError, match="Expected one of each per young"):
        sibship_nb(np.arange(3), np.arange(4))
    with pytest.raises(ValueRangeError, match="parent number below -1"):
        sibship_nb(np.array([-2, 1]), np.array([0, 1]))
    with pytest.raises(ValueRangeError, match="level 2"):
        sibship_nb(np.arange(3), np.arange(3), level=2)


def test_bootstrap__no_bias_and_equals_the_slow_one() -> None:
    rng = np.random.default_rng(6)
    dam, sire = rng.integers(0, 4, 20), rng.integers(0, 5, 20)
    exact = sum(sib_frequencies(dam, sire)) + sib_frequencies(dam, sire)[2]  # type: ignore[arg-type,index]
    fast = _bootstrap_rates(dam, sire, 20_000, rng)
    assert fast.mean() == pytest.approx(exact / 4, rel=0.01)
    same = (dam[:, None] == dam[None, :]).astype(float) + (sire[:, None] == sire[None, :])
    slow = []
    for _ in range(4000):
        m = np.bincount(rng.integers(0, 20, 20), minlength=20).astype(float)
        pair = np.outer(m, m)
        np.fill_diagonal(pair, 0)
        slow.append((pair * same).sum() / (4 * 19**2))
    assert fast.std() == pytest.approx(np.std(slow), rel=0.06)
