"""Dense kinship split anew: equal to the matrix, weights near the best by a general solver, plans by brute force."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from broodstock.pedigree.kinship import kinship_matrix
from planner.optimise.kinship_bound import SquareForm, dense_form, lattice, pedigree_form
from planner.optimise.kinship_split import flow_matrix, gains_at, lattice_nodes, relaxed_shares, resplit
from planner.optimise.spawning import search
from planner.optimise.spawning.data import spawning_data
from planner.optimise.spawning.solve import SearchSettings, plan_spawning
from planner.optimise.status import SolveStatus

EXACT = SearchSettings(relative_gap=0.0, explain_conflicts=False)


def blended(rng: np.random.Generator, parents: np.ndarray, loci: int = 60) -> np.ndarray:
    """Half pedigree kinship, half a positive semidefinite matrix near it, as markers give."""
    ped = kinship_matrix(parents)
    noise = rng.normal(size=(len(ped), loci))
    return 0.5 * ped + 0.5 * (0.8 * ped + 0.1 * noise @ noise.T / loci)


def fish_of(
    rng: np.random.Generator, random_pedigree, each: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    while True:
        parents, sex = random_pedigree(rng, founders=6, per=8)
        if min((sex == 0).sum(), (sex == 1).sum()) >= each:
            return parents, np.flatnonzero(sex == 0)[-each:], np.flatnonzero(sex == 1)[-each:]


@pytest.mark.parametrize("seed", range(4))
def test_resplit__equals_the_matrix_and_wins_nearly_the_most(seed: int, random_pedigree) -> None:
    """The best weights by semidefinite programming (cvxpy with CLARABEL), a solver made for such problems."""
    import cvxpy

    rng = np.random.default_rng(seed)
    parents, females, males = fish_of(rng, random_pedigree, 4)
    rows = np.concatenate([females, males])
    K = blended(rng, parents)[np.ix_(rows, rows)]
    nodes = lattice_nodes(pedigree_form(parents, rows))
    gains = rng.uniform(0.05, 0.25, nodes.n_nodes)
    form = resplit(dense_form(K), nodes, gains)
    assert form is not None
    for c in rng.integers(0, 5, (10, 8)):
        assert form.value(c) == pytest.approx(c @ K @ c, rel=1e-9)
    assert (form.weights >= 0).all()
    Y = flow_matrix(nodes)
    x = cvxpy.Variable(nodes.n_nodes, nonneg=True)
    remainder = K - Y.T @ cvxpy.diag(x) @ Y
    best = cvxpy.Problem(cvxpy.Maximize(gains @ x), [(remainder + remainder.T) / 2 >> 0])
    best.solve(solver=cvxpy.CLARABEL)
    won = float(gains @ form.weights[: nodes.n_nodes])
    assert best.value * 0.97 <= won <= best.value * (1 + 1e-5)


def test_resplit__leaves_singular_matrices_and_whole_numbers_alone() -> None:
    K = np.ones((3, 3)) * 0.25
    nodes = lattice_nodes(SquareForm(3, np.zeros(0), (), ()))
    assert resplit(dense_form(K), nodes, np.full(3, 0.2)) is None
    assert resplit(dense_form(np.eye(3)), nodes, np.zeros(3)) is None
    grid = lattice(nodes, [np.arange(4)] * 3)
    assert gains_at(nodes, grid, np.array([1.0, 0.5, 2.25])).tolist() == [0.0, 0.25, 0.1875]


def test_lattice_nodes__add_what_has_no_node_of_its_own() -> None:
    # Candidate 0 is the parent of 1 and 2: its flow holds half of theirs, so it has no node of its own.
    parents = np.array([[-1, -1], [0, -1], [0, -1]], np.int32)
    form = pedigree_form(parents, [0, 1, 2])
    nodes = lattice_nodes(form)
    assert {nodes.single_candidate(k) for k in range(nodes.n_nodes)} >= {0, 1, 2}
    c = np.array([1.0, 2.0, 3.0])
    assert nodes.value(c) == pytest.approx(form.value(c))
    assert (flow_matrix(nodes) @ c).tolist() == nodes.flows(c).tolist()


def test_relaxed_shares__equal_a_general_quadratic_solver() -> None:
    import cvxpy

    rng = np.random.default_rng(6)
    half = rng.normal(size=(10, 30))
    K, linear = half @ half.T / 30, rng.uniform(0, 1, 10)
    female = np.arange(10) < 5
    high = np.full(10, 3.0)
    c = relaxed_shares(K, linear, [(female, 6.0), (~female, 6.0)], np.zeros(10), high)
    x = cvxpy.Variable(10, nonneg=True)
    goal = cvxpy.quad_form(x, cvxpy.psd_wrap(K)) + linear @ x
    problem = cvxpy.Problem(cvxpy.Minimize(goal), [cvxpy.sum(x[:5]) == 6, cvxpy.sum(x[5:]) == 6, x <= 3])
    problem.solve(solver=cvxpy.CLARABEL)
    assert c[female].sum() == pytest.approx(6)
    assert c @ K @ c + linear @ c == pytest.approx(problem.value, rel=1e-5)


@pytest.mark.parametrize("seed", range(8))
def test_plan__with_dense_kinship_equals_the_best_of_all_plans(
    seed: int, random_pedigree, best_by_trying
) -> None:
    rng = np.random.default_rng(seed)
    parents, females, males = fish_of(rng, random_pedigree, 3)
    data = spawning_data(
        females, males, 5, parents=parents, kinship=blended(rng, parents), pair_repeats=1, most_uses=3
    )
    plan = plan_spawning(data, EXACT)
    best = best_by_trying(data)
    assert best is not None
    assert plan.status is SolveStatus.PROVEN
    assert plan.value == pytest.approx(best[0], abs=1e-10)
    assert plan.bound == pytest.approx(best[0], rel=1e-6)
    without_pedigree = plan_spawning(replace(data, parents=None), EXACT)
    assert without_pedigree.value == pytest.approx(best[0], abs=1e-10)
    assert without_pedigree.bound <= best[0] + 1e-12


def test_search__a_new_split_raises_the_bound(skewed_pedigree, monkeypatch: pytest.MonkeyPatch) -> None:
    parents, sex, youngest = skewed_pedigree(1, per=40)
    rng = np.random.default_rng(1)
    data = spawning_data(
        youngest[sex[youngest] == 0],
        youngest[sex[youngest] == 1],
        14,
        parents=parents,
        kinship=blended(rng, parents, 150),
        most_uses=4,
    )
    first: list[float] = []

    def only_relaxed(self: search.Search) -> None:
        first.append(self.goal.of(self.bound))

    monkeypatch.setattr(search.Search, "_whole_numbers", only_relaxed)
    new = plan_spawning(data, EXACT)
    monkeypatch.setattr(search, "resplit", lambda *given: None)
    old = plan_spawning(data, EXACT)
    assert new.value == pytest.approx(old.value, rel=5e-3)
    assert first[1] < first[0] <= new.value
    assert first[0] - first[1] > 0.1 * (old.value - first[1])
