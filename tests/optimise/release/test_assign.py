"""Single fish for the lines of a plan."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from broodstock.errors import ShapeError, ValueRangeError
from planner.optimise.release.assign import STAYS, assign_fish


def _least_imbalance(numbers: np.ndarray, group: np.ndarray, sex: np.ndarray) -> int:
    """Try every way to split every group's females over its lines (unknown sex not used here)."""
    ways = []
    for g in range(len(numbers)):
        females = int(((group == g) & (sex == "female")).sum())
        males = int(((group == g) & (sex == "male")).sum())
        splits = itertools.product(*[range(n + 1) for n in numbers[g]])
        ways.append([w for w in splits if sum(w) <= females and (numbers[g] - w).sum() <= males])
    best = 10**9
    for choice in itertools.product(*ways):
        women = np.array(choice).sum(axis=0)
        best = min(best, int(np.abs(2 * women - numbers.sum(axis=0)).sum()))
    return best


@pytest.mark.parametrize("seed", range(25))
def test_assign_fish__sexes_are_as_even_as_they_can_be(seed: int) -> None:
    rng = np.random.default_rng(seed)
    n_groups, n_sites = 3, 2
    group = np.repeat(np.arange(n_groups), 5)
    sex = rng.choice(["female", "male"], len(group), p=[0.3, 0.7])
    numbers = rng.integers(0, 3, (n_groups, n_sites))
    found = assign_fish(numbers, group, sex, seed=seed)
    assert int(np.abs(found.females - found.males).sum()) == _least_imbalance(numbers, group, sex)
    for s in range(n_sites):
        np.testing.assert_array_equal(np.bincount(group[found.site == s], minlength=n_groups), numbers[:, s])
        assert found.females[s] == ((found.site == s) & (sex == "female")).sum()


def test_assign_fish__same_seed_same_fish() -> None:
    group = np.repeat([0, 1], 30)
    sex = np.array(["female", "male", "unknown"] * 20)
    numbers = np.array([[10, 5], [7, 9]])
    first = assign_fish(numbers, group, sex, seed=4)
    second = assign_fish(numbers, group, sex, seed=4)
    other = assign_fish(numbers, group, sex, seed=5)
    np.testing.assert_array_equal(first.site, second.site)
    assert (first.site != other.site).any()
    assert (first.site == STAYS).sum() == 60 - numbers.sum()


def test_assign_fish__nothing_to_send() -> None:
    found = assign_fish(np.zeros((1, 2), dtype=np.int64), [0, 0], ["female", "male"])
    assert found.site.tolist() == [STAYS, STAYS]


@pytest.mark.parametrize(
    ("numbers", "group", "sex", "error", "message"),
    [
        ([[3]], [0, 0], ["male", "male"], ValueRangeError, "found 3 fish to send and 2 fish in the list"),
        ([[1]], [0, 0], ["male", "hen"], ValueRangeError, "sex: found 'hen'"),
        ([[1]], [0, 4], ["male", "male"], ValueRangeError, "found group numbers 0 to 4"),
        ([[-1]], [0], ["male"], ValueRangeError, "found a negative number of fish"),
        ([[1]], [0, 0], ["male"], ShapeError, "found \\(2,\\) groups and \\(1,\\) sexes"),
    ],
)
def test_assign_fish__refuses(
    numbers: list[list[int]], group: list[int], sex: list[str], error: type[Exception], message: str
) -> None:
    with pytest.raises(error, match=message):
        assign_fish(np.array(numbers), group, sex)
