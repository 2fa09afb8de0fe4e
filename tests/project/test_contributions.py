"""The fast choice inside the simulation against the proven plan and against all possible choices."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from broodstock.pedigree.kinship import kinship_matrix
from planner.optimise.spawning.coefficients import coefficients
from planner.optimise.spawning.data import spawning_data
from planner.optimise.spawning.solve import plan_spawning
from planner.project.breeding import expected_recruits, level, natural_parents, uneven
from planner.project.contributions import by_lot, in_turn, least_kinship_kept, least_kinship_uses, pair_up
from planner.project.model import Life


def pedigree(seed: int, founders: int, young: int) -> tuple[np.ndarray, np.ndarray]:
    """A skewed pedigree and the sexes of its fish (0 female)."""
    rng = np.random.default_rng(seed)
    n = founders + young
    sex = np.arange(n) % 2
    parents = np.full((n, 2), -1, np.int32)
    for i in range(founders, n):
        dams, sires = (np.flatnonzero(sex[:i] == s) for s in (0, 1))
        parents[i] = dams[int(len(dams) * rng.random() ** 2)], sires[int(len(sires) * rng.random() ** 2)]
    return parents, sex


@pytest.mark.parametrize("weight", [0.0, 0.3])
@pytest.mark.parametrize("seed", range(3))
def test_least_kinship_uses__close_to_the_proven_plan(seed: int, weight: float) -> None:
    parents, sex = pedigree(seed, 10, 40)
    candidates = np.arange(20, 50)
    females, males = candidates[sex[candidates] == 0], candidates[sex[candidates] == 1]
    living = np.zeros(50)
    living[5:] = 1.0
    data = spawning_data(
        females,
        males,
        14,
        parents=parents,
        most_uses=4,
        pair_repeats=4,
        living=living,
        living_share=weight,
        young=10.0,
    )
    proven = plan_spawning(data)
    co = coefficients(data)
    proven_bound = proven.report.bound
    assert proven_bound is not None
    K = co.K
    female = np.arange(len(candidates)) < len(females)
    c = least_kinship_uses(
        K, female, np.full(len(candidates), 4), 14, weight, 10.0, float(living.sum()), co.with_living
    )
    assert c[female].sum() == c[~female].sum() == 14
    assert c.max() <= 4
    mine = co.goal(c.astype(float))
    assert proven_bound - 1e-9 <= mine <= proven_bound * 1.01


def test_least_kinship_uses__brute_force() -> None:
    for seed in range(8):
        parents, sex = pedigree(seed, 4, 6)
        K = kinship_matrix(parents)
        female = sex == 0
        best = min(
            float(c @ K @ c)
            for a in itertools.combinations_with_replacement(np.flatnonzero(female), 3)
            for b in itertools.combinations_with_replacement(np.flatnonzero(~female), 3)
            for c in [np.bincount([*a, *b], minlength=10)]
        )
        c = least_kinship_uses(K, female, np.full(10, 3), 3, 0.0, 0.0, 0.0, np.zeros(10))
        assert best - 1e-12 <= c @ K @ c <= best * 1.02


def test_least_kinship_uses__no_males() -> None:
    c = least_kinship_uses(np.eye(3) / 2, np.ones(3, bool), np.full(3, 2), 4, 0.0, 0.0, 0.0, np.zeros(3))
    assert not c.any()


def test_pair_up__no_pair_twice_and_least_kinship() -> None:
    # Six candidates of the mean-kinship example: A-F founders, m1 = AxB, m2 = AxC, m3 = DxE, w1 = AxB, w2 = DxF,
    # w3 = BxC. Least total inbreeding of a complete matching is 0.125 (linear_sum_assignment and by hand).
    K = np.zeros((6, 6))
    K[:3, 3:] = [[0.25, 0, 0.125], [0.125, 0, 0.125], [0, 0.125, 0]]
    K += K.T
    totals = []
    for seed in range(10):
        dams, sires = pair_up(K, np.arange(3), np.arange(3, 6), 0.5, np.random.default_rng(seed))
        totals.append(K[dams, sires].sum())
        assert sorted(sires) == [3, 4, 5]
    assert min(totals) == 0.125
    dams, sires = pair_up(
        np.zeros((4, 4)), np.array([0, 0, 1, 1]), np.array([2, 2, 3, 3]), 0.5, np.random.default_rng(1)
    )
    assert len({*zip(dams.tolist(), sires.tolist(), strict=True)}) == 4


def test_least_kinship_kept__takes_each_family_before_a_second_of_one() -> None:
    # Unrelated families of full sibs: kinship 1/4 within, self 1/2.
    kept = least_kinship_kept(np.eye(5) / 4, np.full(5, 0.5), np.zeros(5), 0, 12)
    assert sorted(kept) == [2, 2, 2, 3, 3]
    # A family akin to the broodstock comes last.
    kept = least_kinship_kept(np.eye(3) / 4, np.full(3, 0.5), np.array([0.1, 0, 0]), 10, 2)
    assert kept.tolist() == [0, 1, 1]


def test_in_turn_and_by_lot__hold_the_limits() -> None:
    rng = np.random.default_rng(1)
    for _ in range(20):
        fish = np.arange(10, 10 + rng.integers(1, 8))
        dishes, most = int(rng.integers(1, 20)), int(rng.integers(1, 5))
        for draw in (in_turn, by_lot):
            got = draw(fish, dishes, most, rng)
            counts = np.bincount(got, minlength=fish.max() + 1)[fish]
            assert counts.max() <= most or most >= dishes
            assert len(got) == min(dishes, most * len(fish))
        turn = np.bincount(in_turn(fish, dishes, most, rng), minlength=fish.max() + 1)[fish]
        assert turn.max() - turn.min() <= 1
    assert not len(in_turn(np.zeros(0, np.int64), 4, 2, rng))
    assert not len(by_lot(np.zeros(0, np.int64), 4, 2, rng))


def test_level__as_even_as_the_numbers_allow() -> None:
    numbers = np.array([10, 3, 0, 8])
    assert level(numbers, 12).tolist() == [5, 3, 0, 4]
    assert level(numbers, 100).tolist() == numbers.tolist()
    assert level(numbers, 0).sum() == 0


def test_natural_parents__family_sizes_spread_as_the_skew_says() -> None:
    # Number of young of a female among many: mean k and variance k + s k^2 (gamma mixture of Poisson), so
    # Vk / k = 1 + s k; here k = 10, s = 0.5, from memory of the negative binomial.
    rng = np.random.default_rng(3)
    life = Life(1, 1, 2, skew_female=0.5)
    spread = []
    for _ in range(60):
        dams, sires = natural_parents(np.arange(50), np.arange(50, 100), 500, life, rng)
        spread.append(
            (np.bincount(dams, minlength=50).var(ddof=1), np.bincount(sires - 50, minlength=50).var(ddof=1))
        )
    female, male = np.mean(spread, axis=0)
    assert female == pytest.approx(10 + 50, rel=0.12)
    assert male == pytest.approx(10, rel=0.12)


def test_natural_parents__mates() -> None:
    life = Life(1, 1, 2, mates_per_female=1)
    dams, sires = natural_parents(np.arange(5), np.arange(5, 30), 200, life, np.random.default_rng(1))
    assert all(len(set(sires[dams == d])) == 1 for d in range(5))


def test_expected_recruits__room_limits() -> None:
    assert expected_recruits(10, 2.0, np.inf) == 20
    assert expected_recruits(10, 2.0, 20) == 10
    assert expected_recruits(10, 2.0, 0) == 0
    assert expected_recruits(10, 0.0, 50) == 0
    assert uneven(4, 0.0, np.random.default_rng(1)).tolist() == [1] * 4
