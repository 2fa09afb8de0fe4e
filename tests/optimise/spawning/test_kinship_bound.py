"""The sum of squares is c'Kc, and its rows cut off nothing that whole numbers can reach."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from broodstock.errors import PedigreeError, ShapeError, ValueRangeError
from broodstock.pedigree.kinship import kinship_matrix
from planner.optimise.kinship_bound import cut, dense_form, lattice, pedigree_form

SIX = np.array([[-1, -1], [-1, -1], [0, 1], [0, -1], [3, 2], [4, 1]], np.int32)
"""Mrode, Linear Models for the Prediction of Animal Breeding Values, table 2.1."""


@pytest.mark.parametrize("seed", range(12))
def test_pedigree_form__equals_the_dense_form(seed: int, random_pedigree) -> None:
    rng = np.random.default_rng(seed)
    parents, _ = random_pedigree(rng, founders=5, generations=4, per=8)
    K = kinship_matrix(parents)
    rows = rng.choice(len(parents), 12, replace=False)
    form = pedigree_form(parents, rows)
    for c in rng.integers(0, 5, (10, 12)):
        assert form.value(c) == pytest.approx(c @ K[np.ix_(rows, rows)] @ c, rel=1e-12, abs=1e-12)
        assert form.weights @ form.flows(c) ** 2 == pytest.approx(form.value(c))


def test_pedigree_form__six_animals_closed_form() -> None:
    """Least c'Ac with free signs is 3/7 at (2, 3, 0, 2, 0, 0)/7: c = A^-1 1 / (1'A^-1 1) (Meuwissen 1997)."""
    form = pedigree_form(SIX, range(6))
    best = np.array([2, 3, 0, 2, 0, 0]) / 7
    assert 2 * form.value(best) == pytest.approx(3 / 7, abs=1e-14)
    rng = np.random.default_rng(1)
    for step in rng.normal(size=(50, 6)):
        assert form.value(best + step - step.mean()) >= form.value(best)


def test_pedigree_form__order_of_candidates_does_not_matter(random_pedigree) -> None:
    rng = np.random.default_rng(3)
    parents, _ = random_pedigree(rng, founders=5, generations=4, per=8)
    rows, c = rng.choice(len(parents), 10, replace=False), rng.integers(0, 4, 10)
    order = rng.permutation(10)
    assert pedigree_form(parents, rows[order]).value(c[order]) == pytest.approx(
        pedigree_form(parents, rows).value(c)
    )


def test_pedigree_form__is_sparse_where_families_are_large() -> None:
    parents = np.array([[-1, -1]] * 4 + [[0, 2]] * 300 + [[1, 3]] * 300, np.int32)
    form = pedigree_form(parents, range(4, 604))
    assert form.n_nodes == 602
    terms = sum(len(a) + len(b) for a, b in zip(form.candidate_inputs, form.node_inputs, strict=True))
    assert terms == 1200


def test_pedigree_form__leaves_out_fish_that_are_no_ancestors(random_pedigree) -> None:
    parents, _ = random_pedigree(np.random.default_rng(5), founders=6, generations=3, per=10)
    assert pedigree_form(parents, [0, 1]).n_nodes == 2


def test_pedigree_form__refuses_what_makes_no_sense() -> None:
    with pytest.raises(ValueRangeError, match="found a row number twice"):
        pedigree_form(SIX, [1, 1])
    with pytest.raises(ValueRangeError, match="found row number 6"):
        pedigree_form(SIX, [6])
    with pytest.raises(PedigreeError, match="parents come first"):
        pedigree_form(SIX[::-1], [0])
    with pytest.raises(ShapeError, match=r"found shape \(2,\)"):
        pedigree_form(SIX, range(6)).value([1, 2])


@pytest.mark.parametrize("seed", range(6))
def test_lattice__holds_every_flow_of_whole_numbers(seed: int, random_pedigree) -> None:
    rng = np.random.default_rng(seed)
    parents, _ = random_pedigree(rng, founders=4, generations=3, per=5)
    rows = rng.choice(len(parents), 5, replace=False)
    possible = [np.array(v) for v in ([0, 1, 2, 3], [0, 2, 3], [1, 2], [0, 3], [0])]
    form = pedigree_form(parents, rows)
    grid = lattice(form, possible)
    for c in itertools.product(*possible):
        for node, y in enumerate(form.flows(c).tolist()):
            for z in (y, y + 0.07, y - 0.11, y + 0.5):
                for a, b in grid.cells(node, max(z, 0.0)):
                    slope, intercept = cut(a, b)
                    assert y * y >= slope * y - intercept - 1e-9
            if grid.steps[node] > 0 or grid.values[node] is not None:
                # at a possible flow the rows are exact
                depth = max(s * y - i for s, i in (cut(a, b) for a, b in grid.cells(node, y)))
                assert depth == pytest.approx(y * y, abs=1e-9)


def test_lattice__steps_of_parents_and_grandparents() -> None:
    # Candidates: four grandchildren in two families; their parents pass on half a dish, grandparents a quarter.
    parents = np.array([[-1, -1]] * 4 + [[0, 1], [0, 1], [4, 2], [4, 2], [5, 3], [5, 3]], np.int32)
    form = pedigree_form(parents, range(6, 10))
    grid = lattice(form, [np.arange(4)] * 4)
    assert sorted(set(grid.steps.tolist())) == [0.5, 1.0]
    every_third = lattice(form, [np.array([0, 3])] * 4)
    assert sorted(set(every_third.steps.tolist())) == [1.5, 3.0]
    from_two = lattice(form, [np.array([0, 2, 3])] * 4)
    assert from_two.cells(form.n_nodes - 1, 0.3)[0][0] == 0.0
    assert max(from_two.firsts) == 2.0


def test_lattice__needs_one_list_per_candidate() -> None:
    with pytest.raises(ShapeError, match="found 1 lists"):
        lattice(pedigree_form(SIX, range(6)), [np.arange(3)])


def test_cut__passes_through_both_points() -> None:
    for a, b in ((0.0, 1.0), (2.0, 3.0), (1.5, 2.25), (4.0, 4.0)):
        slope, intercept = cut(a, b)
        assert slope * a - intercept == pytest.approx(a * a)
        assert slope * b - intercept == pytest.approx(b * b)


@pytest.mark.parametrize("seed", range(5))
def test_dense_form__equals_the_matrix(seed: int, random_pedigree) -> None:
    rng = np.random.default_rng(seed)
    parents, _ = random_pedigree(rng)
    rows = rng.choice(len(parents), 8, replace=False)
    ped = kinship_matrix(parents)[np.ix_(rows, rows)]
    noise = rng.normal(size=(8, 20))
    K = 0.8 * ped + 0.01 * noise @ noise.T / 20
    for part in (None, (pedigree_form(parents, rows), ped)):
        form = dense_form(K, pedigree_part=part)
        for c in rng.integers(0, 5, (10, 8)):
            assert form.value(c) == pytest.approx(c @ K @ c, rel=1e-9)
    with_pedigree = dense_form(K, pedigree_part=(pedigree_form(parents, rows), ped))
    assert with_pedigree.n_nodes > dense_form(K).n_nodes - 8


def test_dense_form__marker_kinship_with_negative_entries_is_usable_within_groups() -> None:
    rng = np.random.default_rng(2)
    half = rng.normal(size=(6, 30))
    K = half @ half.T / 60 - 0.3  # positive semidefinite only among contributions with a fixed total
    assert np.linalg.eigvalsh(K)[0] < -0.1
    form = dense_form(K, [([0, 1, 2], 4), ([3, 4, 5], 4)])
    for c in ([4, 0, 0, 0, 4, 0], [2, 1, 1, 1, 2, 1]):
        assert form.value(c) == pytest.approx(np.array(c) @ K @ np.array(c), abs=1e-8)
    with pytest.raises(ValueRangeError, match="found a smallest eigenvalue of -"):
        dense_form(K)


def test_dense_form__refuses_what_makes_no_sense() -> None:
    with pytest.raises(ShapeError, match="Expected a square matrix"):
        dense_form(np.zeros((2, 3)))
    with pytest.raises(ShapeError, match="not symmetric"):
        dense_form([[0.5, 0.1], [0.2, 0.5]])
    with pytest.raises(ValueRangeError, match="found an entry that is not a number"):
        dense_form([[0.5, np.nan], [np.nan, 0.5]])


def test_form__sum_and_scale() -> None:
    a, b = pedigree_form(SIX, [2, 3, 4]), dense_form(np.eye(3))
    c = [1, 2, 3]
    assert a.scaled(0.5).plus(b).value(c) == pytest.approx(0.5 * a.value(c) + b.value(c))
    with pytest.raises(ShapeError, match="found 3 and 2 candidates"):
        a.plus(dense_form(np.eye(2)))
