"""The kinship matrix as a sum of squares, and the mean kinship of groups."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from planner.optimise.release.build import gradient, kinship_term, objective
from planner.optimise.release.kinship_form import (
    lifted,
    lowest_eigenvalue,
    mean_kinship,
    mean_kinship_with_self,
    squares,
)
from planner.optimise.release.recheck_plan import slow_objective
from tests.optimise.release.instances import family_kinship, small_random, unrelated


@pytest.mark.parametrize("seed", range(5))
def test_squares__add_up_to_the_matrix(seed: int) -> None:
    k = family_kinship(np.random.default_rng(seed), 30)
    directions = squares(k)
    np.testing.assert_allclose(directions @ directions.T, k, atol=1e-9)


def test_squares__do_not_depend_on_the_sign_a_library_chooses() -> None:
    k = family_kinship(np.random.default_rng(3), 12)
    largest = np.abs(squares(k)).argmax(axis=0)
    assert (squares(k)[largest, np.arange(len(largest))] > 0).all()


def test_squares__empty() -> None:
    assert squares(np.zeros((0, 0))).shape == (0, 0)
    assert squares(np.zeros((2, 2))).shape == (2, 0)


def test_lifted__raises_the_diagonal_just_enough() -> None:
    k = np.array([[0.1, 0.3], [0.3, 0.1]])
    better, lift = lifted(k)
    assert lift == pytest.approx(0.2)
    assert lowest_eigenvalue(better) == pytest.approx(0.0, abs=1e-12)
    same, none = lifted(unrelated(3))
    assert none == 0.0
    np.testing.assert_array_equal(same, unrelated(3))


def test_mean_kinship__two_unrelated_full_sib_families() -> None:
    # Full sibs of unrelated, non-inbred parents: kinship 1/4 (definition; Malecot 1948, from memory).
    k = np.array([[0.25, 0.0], [0.0, 0.25]])
    assert mean_kinship(k, np.array([10.0, 10.0])) == pytest.approx(0.125)
    assert mean_kinship(k, np.array([10.0, 0.0])) == pytest.approx(0.25)
    assert mean_kinship(k, np.zeros(2)) is None


def test_mean_kinship_with_self__equals_the_mean_over_all_pairs_of_fish() -> None:
    k = np.array([[0.25, 0.03], [0.03, 0.3]])
    own = np.array([0.5, 0.55])
    numbers = np.array([3, 2])
    family = np.repeat([0, 1], numbers)
    pairs = k[np.ix_(family, family)].copy()
    np.fill_diagonal(pairs, own[family])
    assert mean_kinship_with_self(k, own, numbers.astype(float)) == pytest.approx(pairs.mean())
    assert mean_kinship_with_self(k, own, np.zeros(2)) is None


@pytest.mark.parametrize("seed", range(20))
def test_objective__equals_the_slow_version(seed: int) -> None:
    rng = np.random.default_rng(seed)
    data = small_random(rng)
    numbers = rng.integers(0, 4, (data.n_groups, data.n_sites))
    assert objective(data, numbers) == pytest.approx(slow_objective(data, numbers), rel=1e-12)


@pytest.mark.parametrize("seed", range(20))
def test_gradient__equals_finite_differences(seed: int) -> None:
    rng = np.random.default_rng(seed)
    data = small_random(rng)
    point = rng.uniform(0.5, 3.0, (data.n_groups, data.n_sites))
    slope = gradient(data, point)
    step = 1e-5
    for g in range(data.n_groups):
        for s in range(data.n_sites):
            moved = np.zeros_like(point)
            moved[g, s] = step
            numeric = (objective(data, point + moved) - objective(data, point - moved)) / (2 * step)
            assert slope[g, s] == pytest.approx(numeric, abs=1e-7)


@given(
    u=st.floats(-50, 50),
    total=st.floats(0.01, 100),
    ratio=st.floats(-3, 3),
)
def test_tangent__lies_below_the_square_everywhere(u: float, total: float, ratio: float) -> None:
    assert 2 * ratio * u - ratio**2 * total <= u * u / total + 1e-6 * (1 + u * u / total)


@pytest.mark.parametrize("seed", range(10))
def test_kinship_term__is_convex_in_the_numbers(seed: int) -> None:
    rng = np.random.default_rng(seed)
    k = family_kinship(rng, 8)
    a, b = rng.uniform(0, 9, (2, 8))
    middle = kinship_term(k, (a + b) / 2)
    assert middle <= (kinship_term(k, a) + kinship_term(k, b)) / 2 + 1e-12
