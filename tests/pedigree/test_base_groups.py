"""Inverse relationship matrices, groups of unknown parents and related founders."""

from __future__ import annotations

import numpy as np
import pytest

from broodstock.errors import ShapeError, ValueRangeError
from broodstock.pedigree.base_groups import (
    group_shares,
    inverse_relationship,
    inverse_with_groups,
    related_base_inverse,
    related_base_kinship,
    related_base_matrix,
)
from broodstock.pedigree.kinship import kinship_matrix, mean_kinship

# Mrode, Linear Models for the Prediction of Animal Breeding Values, 3rd ed., section 2.4 (Henderson 1976; Quaas 1976).
SIX_INVERSE = np.array(
    [
        [1.83333, 0.5, -1, -0.66667, 0, 0],
        [0.5, 2.03333, -1, 0, 0.53333, -1.06667],
        [-1, -1, 2.5, 0.5, -1, 0],
        [-0.66667, 0, 0.5, 1.83333, -1, 0],
        [0, 0.53333, -1, -1, 2.53333, -1.06667],
        [0, -1.06667, 0, 0, -1.06667, 2.13333],
    ]
)
SIX_INVERSE_IGNORING_F = np.array(
    [
        [1.83333, 0.5, -1, -0.66667, 0, 0],
        [0.5, 2, -1, 0, 0.5, -1],
        [-1, -1, 2.5, 0.5, -1, 0],
        [-0.66667, 0, 0.5, 1.83333, -1, 0],
        [0, 0.5, -1, -1, 2.5, -1],
        [0, -1, 0, 0, -1, 2],
    ]
)


def groups_by_role(parents):
    """Unknown dams in group 1, unknown sires in group 0; parents of the table are written sire, dam."""
    return np.where(np.asarray(parents) == -1, [0, 1], -1)


def test_inverse_relationship__six_animals(six_animals):
    found = inverse_relationship(six_animals).toarray()
    np.testing.assert_allclose(found, SIX_INVERSE, atol=6e-6)
    np.testing.assert_allclose(found @ (2 * kinship_matrix(six_animals)), np.eye(6), atol=1e-13)


def test_inverse_relationship__six_animals_ignoring_inbreeding(six_animals):
    found = inverse_relationship(six_animals, ignore_inbreeding=True).toarray()
    np.testing.assert_allclose(found, SIX_INVERSE_IGNORING_F, atol=6e-6)


def test_inverse_relationship__eight_animals():
    # Same book, p. 80: all 64 printed entries.
    parents = np.array([[-1, -1], [-1, -1], [-1, -1], [0, 1], [2, -1], [0, 4], [2, 3], [0, 6]])
    printed = [
        [2.5, 0.5, 0, -1, 0.5, -1, 0.5, -1],
        [0.5, 1.5, 0, -1, 0, 0, 0, 0],
        [0, 0, 1.83, 0.5, -0.67, 0, -1, 0],
        [-1, -1, 0.5, 2.5, 0, 0, -1, 0],
        [0.5, 0, -0.67, 0, 1.83, -1, 0, 0],
        [-1, 0, 0, 0, -1, 2, 0, 0],
        [0.5, 0, -1, -1, 0, 0, 2.5, -1],
        [-1, 0, 0, 0, 0, 0, -1, 2],
    ]
    found = inverse_relationship(parents, ignore_inbreeding=True).toarray()
    np.testing.assert_allclose(found, printed, atol=0.005)
    assert 2 * kinship_matrix(parents)[7, 7] - 1 == pytest.approx(0.125)


def test_inverse__sire_and_maternal_grandsire_table():
    # Same book, section 2.6: printed A of three bulls; inverse computed.
    a = np.array([[1, 0.5, 0.5], [0.5, 1, 0.625], [0.5, 0.625, 1.125]])
    expected = [
        [1.424242, -0.484848, -0.363636],
        [-0.484848, 1.696970, -0.727273],
        [-0.363636, -0.727273, 1.454545],
    ]
    np.testing.assert_allclose(np.linalg.inv(a), expected, atol=6e-7)
    # The same A from the full pedigree: bull 2 = 1 x a dam; bull 3 = 2 x a daughter of bull 1.
    parents = np.array([[-1, -1], [0, -1], [0, -1], [1, 2]])
    np.testing.assert_allclose(2 * kinship_matrix(parents)[np.ix_([0, 1, 3], [0, 1, 3])], a, atol=1e-14)


@pytest.mark.parametrize("seed", range(4))
def test_inverse_relationship__is_the_inverse(random_pedigree, seed):
    parents = random_pedigree(seed, n=40)
    found = inverse_relationship(parents).toarray()
    np.testing.assert_allclose(found, np.linalg.inv(2 * kinship_matrix(parents)), atol=1e-11)


@pytest.mark.slow
def test_inverse_relationship__equals_sgkit(random_pedigree, sgkit_pedigree):
    import sgkit

    for seed in range(4):
        parents = random_pedigree(seed, n=40)
        ds = sgkit.pedigree_inverse_kinship(
            sgkit_pedigree(parents), allow_half_founders=True, return_relationship=True
        )
        expected = ds.stat_pedigree_inverse_relationship.values
        np.testing.assert_allclose(inverse_relationship(parents).toarray(), expected, atol=1e-12)


def test_inverse_relationship__raises_when_no_variance_is_left():
    parents = np.array([[-1, -1]] + [[i, i] for i in range(60)])
    with pytest.raises(ValueRangeError, match="found fully inbred parents"):
        inverse_relationship(parents)


# --- groups of unknown parents (Westell et al. 1988; Quaas 1988; from memory, values computed) -------------------------


def test_inverse_with_groups__six_animals(six_animals):
    found = inverse_with_groups(six_animals, groups_by_role(six_animals)).toarray()
    sires, dams = 6, 7
    assert found[sires, sires] == pytest.approx(0.5)
    assert found[dams, dams] == pytest.approx(0.833333, abs=5e-7)
    assert found[sires, dams] == pytest.approx(0.5)
    assert found[0, sires] == pytest.approx(-0.5)
    # Animal 1 (row 0): its own unknown dam gives -1/2, its offspring 4 with an unknown dam +1/3.
    assert found[0, dams] == pytest.approx(-0.166667, abs=5e-7)
    assert found[3, dams] == pytest.approx(-0.666667, abs=5e-7)
    np.testing.assert_allclose(found[:6, :6], SIX_INVERSE, atol=6e-6)


@pytest.mark.parametrize("seed", range(5))
def test_inverse_with_groups__rows_sum_to_zero(random_pedigree, seed):
    parents = random_pedigree(seed, known=0.7)
    rng = np.random.default_rng(seed)
    groups = np.where(parents == -1, rng.integers(0, 3, parents.shape), -1)
    found = inverse_with_groups(parents, groups).toarray()
    np.testing.assert_allclose(found.sum(axis=1), 0, atol=1e-11)
    np.testing.assert_allclose(found, found.T, atol=0)
    # Absorbing the groups as if fixed leaves the ordinary inverse among the fish.
    n = len(parents)
    np.testing.assert_allclose(found[:n, :n], inverse_relationship(parents).toarray(), atol=1e-11)
    # and the group columns are minus that inverse times the group shares (Quaas 1988)
    q = group_shares(parents, groups)
    np.testing.assert_allclose(found[:n, n:], -found[:n, :n] @ q, atol=1e-10)
    np.testing.assert_allclose(found[n:, n:], q.T @ found[:n, :n] @ q, atol=1e-10)


def test_group_shares__rows_sum_to_one(random_pedigree):
    parents = random_pedigree(3, known=0.7)
    groups = np.where(parents == -1, np.arange(len(parents))[:, None] % 4, -1)
    shares = group_shares(parents, groups)
    np.testing.assert_allclose(shares.sum(axis=1), 1, atol=1e-14)
    assert shares.min() >= 0


def test_groups__raises(six_animals):
    with pytest.raises(ShapeError, match=r"groups: found shape \(2,\)"):
        group_shares(six_animals, np.array([0, 1]))
    wrong = groups_by_role(six_animals)
    wrong[2, 0] = 0
    with pytest.raises(ValueRangeError, match="fish in row 2, dam: found group 0 and parent 0"):
        inverse_with_groups(six_animals, wrong)
    gap = np.where(six_animals == -1, 2, -1)
    with pytest.raises(ValueRangeError, match="without a gap"):
        group_shares(six_animals, gap)


# --- related founders (Christensen 2012; Legarra et al. 2015; values computed) -----------------------------------------


def test_related_base__six_animals(six_animals):
    a = 2 * related_base_kinship(kinship_matrix(six_animals), 0.2)
    np.testing.assert_allclose(np.diag(a), [1.1, 1.1, 1.1, 1.1, 1.2125, 1.2125], atol=1e-12)
    assert [a[0, 1], a[0, 2], a[0, 5], a[4, 5]] == pytest.approx([0.2, 0.65, 0.425, 0.81875], abs=1e-12)


@pytest.mark.parametrize("gamma", [0.0, 0.2, 0.7])
def test_related_base_matrix__one_group_equals_the_closed_form(random_pedigree, gamma):
    parents = random_pedigree(5, known=0.8)
    groups = np.where(parents == -1, 0, -1)
    expected = related_base_kinship(kinship_matrix(parents), gamma)
    np.testing.assert_allclose(related_base_matrix(parents, groups, [[gamma]]), expected, atol=1e-13)
    w = np.ones(len(parents))
    np.testing.assert_allclose(
        related_base_kinship(mean_kinship(parents, w), gamma), expected.mean(axis=1), atol=1e-13
    )


def test_related_base_matrix__equals_a_longer_pedigree(random_pedigree, slow_kinship):
    """Founders that are gametes of two real inbred groups: write the groups as selfed lines and compare."""
    # Group a: a line with self-kinship 3/4 (one selfing); group b: a non-inbred fish. Gametes of both are unrelated.
    lines = np.array([[-1, -1], [0, 0], [-1, -1]])
    parents = random_pedigree(6, n=30, known=0.8)
    groups = np.where(parents == -1, np.arange(30)[:, None] % 2, -1)
    group_row = np.array([1, 2])
    full = np.vstack([lines, np.where(parents == -1, group_row[groups], parents + 3)])
    expected = slow_kinship(full)[3:, 3:]
    gamma = np.array(
        [[1.5, 0.0], [0.0, 1.0]]
    )  # twice the kinship of two gametes of one group: its self-kinship
    np.testing.assert_allclose(related_base_matrix(parents, groups, gamma), expected, atol=1e-13)


def test_related_base_inverse__is_the_inverse(random_pedigree):
    parents = random_pedigree(7, n=40, known=0.8)
    groups = np.where(parents == -1, np.arange(40)[:, None] % 2, -1)
    gamma = np.array([[0.6, 0.2], [0.2, 0.4]])
    found = np.linalg.inv(related_base_inverse(parents, groups, gamma).toarray())
    np.testing.assert_allclose(found[:40, :40], 2 * related_base_matrix(parents, groups, gamma), atol=1e-10)
    np.testing.assert_allclose(found[40:, 40:], gamma, atol=1e-12)


def test_related_base__raises(six_animals):
    groups = np.where(six_animals == -1, 0, -1)
    with pytest.raises(ValueRangeError, match=r"gamma: found 2\.5"):
        related_base_kinship(0.1, 2.5)
    with pytest.raises(ShapeError, match=r"gamma: found shape \(2, 2\)"):
        related_base_matrix(six_animals, groups, np.eye(2))
    with pytest.raises(ValueRangeError, match="not between 0 and 2"):
        related_base_matrix(six_animals, groups, [[3.0]])
    with pytest.raises(ValueRangeError, match="singular matrix"):
        related_base_inverse(six_animals, groups, [[0.0]])
    two = groups_by_role(six_animals)
    with pytest.raises(ValueRangeError, match="positive semidefinite"):
        related_base_matrix(six_animals, two, [[0.1, 0.5], [0.5, 0.1]])
