"""Accumulation of parents: rarefaction, unseen parents, coverage, extrapolation."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from broodstock.errors import ShapeError, UsageError
from broodstock.parentage.parent_accumulation import (
    extrapolated_parents,
    parent_accumulation,
    rarefied_parents,
    sample_coverage,
    unit_counts,
    unseen_parents,
)


@pytest.mark.parametrize(
    ("counts", "n", "units", "expected"),
    [([10, 6, 4], 20, 10, 2.951233), ([50, 30, 10, 5, 3, 1, 1], 100, 20, 4.477171)],
)
def test_rarefied__equals_published(counts, n, units, expected):
    """Hurlbert (1971); formula from memory, numbers confirmed by simulation."""
    assert rarefied_parents(counts, n, units) == pytest.approx(expected, abs=6e-7)


def test_rarefied__equals_enumeration_of_all_subsets():
    rng = np.random.default_rng(1)
    parents = np.stack([rng.integers(0, 4, 8), 10 + rng.integers(0, 5, 8)], axis=1)
    counts = unit_counts(parents, np.arange(8))
    for units in range(9):
        sizes = [
            len(np.unique(parents[list(chosen)])) if chosen else 0
            for chosen in itertools.combinations(range(8), units)
        ]
        assert rarefied_parents(counts, 8, units) == pytest.approx(np.mean(sizes), abs=1e-10)


def test_unit_counts__count_a_parent_once_a_night_and_skip_unknown_ones():
    parents = np.array([[1, 7], [1, 8], [1, -1], [2, 7]])
    assert unit_counts(parents, np.array([0, 0, 1, 1])).tolist() == [2, 1, 2, 1]
    assert unit_counts(np.full((2, 2), -1), np.arange(2)).tolist() == []


def test_unseen__formulas_by_hand():
    """Chao (1984, 1987), incidence form: Q1 = 4, Q2 = 2, T = 10; and with Q2 = 0. Formulas from memory."""
    assert unseen_parents([1, 1, 1, 1, 2, 2, 5], 10) == pytest.approx(0.9 * 16 / 4)
    assert unseen_parents([1, 1, 1, 5], 10) == pytest.approx(0.9 * 3 * 2 / 2)
    assert unseen_parents([3, 4], 10) == 0.0
    assert unseen_parents([], 0) == 0.0


def test_coverage__formula_and_limits():
    counts = [1, 1, 1, 1, 2, 2, 5]
    factor = 9 * 4 / (9 * 4 + 2 * 2)
    assert sample_coverage(counts, 10) == pytest.approx(1 - 4 / 13 * factor)
    assert sample_coverage(counts, 10, 3) == pytest.approx(1 - 4 / 13 * factor**4)
    assert sample_coverage([3, 3], 10) == 1.0
    assert sample_coverage([], 10) == 0.0
    assert 0 <= sample_coverage([1, 1, 1], 3) < 1


def test_extrapolated__starts_at_the_sample_and_ends_at_the_bound():
    counts = [1, 1, 1, 1, 2, 2, 5]
    assert extrapolated_parents(counts, 10, 0) == 7.0
    assert extrapolated_parents(counts, 10, 10**6) == pytest.approx(7 + unseen_parents(counts, 10))
    steps = [extrapolated_parents(counts, 10, t) for t in range(20)]
    assert all(b > a for a, b in itertools.pairwise(steps))
    slope = extrapolated_parents(counts, 10, 1) - 7
    last = 7 - rarefied_parents(counts, 10, 9)
    assert slope < last
    assert extrapolated_parents([4, 4], 10, 5) == 2.0


def _season(n_parents, n_larvae, rng):
    share = rng.gamma(1.0, size=(2, n_parents))
    share /= share.sum(axis=1, keepdims=True)
    pairs = np.stack([rng.choice(n_parents, n_larvae, p=share[s]) + s * n_parents for s in range(2)], axis=1)
    return pairs, share


def test_coverage_and_next_larva__equal_the_truth_on_average():
    """Over many seasons the estimates match the true share of next parents already seen."""
    rng = np.random.default_rng(2)
    differences, gains = [], []
    for _ in range(300):
        pairs, share = _season(50, 80, rng)
        counts = unit_counts(pairs, np.arange(80))
        seen = [np.isin(np.arange(50) + 50 * s, pairs[:, s]) for s in range(2)]
        truth = float(np.mean([share[s][seen[s]].sum() for s in range(2)]))
        differences.append(sample_coverage(counts, 80) - truth)
        gains.append(extrapolated_parents(counts, 80, 1) - len(counts) - 2 * (1 - truth))
    assert abs(np.mean(differences)) < 0.01
    assert abs(np.mean(gains)) < 0.03


def test_accumulation__curve_is_sound():
    rng = np.random.default_rng(3)
    pairs, _ = _season(40, 120, rng)
    found = parent_accumulation(pairs[None].astype(np.int32), seed=4)
    kinds = [c.kind for c in found.curve]
    assert kinds == ["fewer"] * 19 + ["as sampled"] + ["more"] * 10
    values = [c.parents.value for c in found.curve]
    assert all(b >= a - 1e-9 for a, b in itertools.pairwise(values))
    assert values[19] == len(np.unique(pairs)) == found.observed.value
    assert found.curve[-1].units == 240
    assert found.richness.value >= found.observed.value
    assert found.richness.low >= found.observed.value
    assert all(c.parents.low <= c.parents.value <= c.parents.high for c in found.curve)
    assert found == parent_accumulation(pairs[None].astype(np.int32), seed=4)


def test_accumulation__names_and_numbers_give_the_same_answer_whatever_the_order():
    rng = np.random.default_rng(5)
    pairs, _ = _season(30, 60, rng)
    names = [(f"dam {d}", f"sire {s}") for d, s in pairs]
    one, two = parent_accumulation(pairs[None]), parent_accumulation([names[i] for i in rng.permutation(60)])
    assert [c.parents.value for c in one.curve] == pytest.approx([c.parents.value for c in two.curve])
    assert one.coverage.value == pytest.approx(two.coverage.value)


def test_accumulation__nights_hold_fewer_independent_units():
    rng = np.random.default_rng(6)
    pairs, _ = _season(60, 200, rng)
    nights = np.repeat(np.arange(10), 20).tolist()
    found = parent_accumulation(pairs[None], nights)
    assert (found.unit, found.n_units) == ("nights", 10)
    assert found.curve[-1].units == 20
    assert "one more night adds" in found.sentence


def test_accumulation__says_whether_it_is_enough():
    rng = np.random.default_rng(7)
    few, _ = _season(200, 60, rng)
    many, _ = _season(10, 200, rng)
    poor, rich = parent_accumulation(few[None], goal=0.9), parent_accumulation(many[None], goal=0.9)
    assert (poor.enough, rich.enough) == ("no", "yes")
    assert poor.needed.value > 60
    assert "needs about" in poor.sentence
    assert "The goal of 90% is reached." in rich.sentence
    reach = sample_coverage(unit_counts(few, np.arange(60)), 60, round(poor.needed.value) - 60)
    assert reach == pytest.approx(0.9, abs=0.01)


def test_accumulation__networks_that_differ_widen_the_interval():
    rng = np.random.default_rng(8)
    pairs, _ = _season(40, 80, rng)
    other = pairs.copy()
    other[:25, 0] = 1000 + np.arange(25)
    one = parent_accumulation(pairs[None], seed=1)
    both = parent_accumulation(np.stack([pairs, other]), seed=1)
    assert both.observed.low < both.observed.value < both.observed.high
    assert both.richness.high - both.richness.low > one.richness.high - one.richness.low


def test_accumulation__too_little_to_say():
    for pairs, units in (
        ([], None),
        ([("a", "b")], None),
        ([(None, None)] * 3, None),
        ([("a", "b")] * 3, [1, 1, 1]),
    ):
        found = parent_accumulation(pairs, units)
        assert found.enough == "not clear"
        assert found.richness.text().startswith("not estimable because")
    everyone_new = parent_accumulation([(f"d{i}", f"s{i}") for i in range(12)])
    assert math.isfinite(everyone_new.richness.value)
    assert everyone_new.enough == "no"


def test_accumulation__raises_on_bad_input():
    pairs = np.zeros((1, 5, 2), dtype=np.int32)
    with pytest.raises(ShapeError, match=r"found 3 labels. Expected 5, one per larva"):
        parent_accumulation(pairs, [1, 2, 3])
    with pytest.raises(ShapeError, match=r"\(n_networks, n_larvae, 2\)"):
        parent_accumulation(pairs[0])
    with pytest.raises(ShapeError, match=r"Expected dam and sire"):
        parent_accumulation([("a", "b", "c")])
    with pytest.raises(UsageError, match=r"found goal 90"):
        parent_accumulation(pairs, goal=90)
    with pytest.raises(UsageError, match=r"units: found 9. Expected 0 to 8"):
        rarefied_parents([1], 8, 9)


@pytest.mark.slow
def test_accumulation__intervals_cover_the_truth():
    rng = np.random.default_rng(9)
    covered_coverage, covered_curve = [], []
    for _ in range(150):
        pairs, share = _season(60, 100, rng)
        found = parent_accumulation(pairs[None], bootstraps=100, seed=int(rng.integers(1e6)))
        seen = [np.isin(np.arange(60) + 60 * s, pairs[:, s]) for s in range(2)]
        truth = float(np.mean([share[s][seen[s]].sum() for s in range(2)]))
        covered_coverage.append(found.coverage.low <= truth <= found.coverage.high)
        expected = sum(float((1 - (1 - share[s]) ** 100).sum()) for s in range(2))
        at = next(c for c in found.curve if c.kind == "as sampled")
        covered_curve.append(at.parents.low <= expected <= at.parents.high)
    assert np.mean(covered_coverage) >= 0.88
    assert np.mean(covered_curve) >= 0.9
