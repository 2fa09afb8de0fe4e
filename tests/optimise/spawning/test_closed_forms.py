"""Numbers known from elsewhere: closed forms, published designs, other libraries."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from broodstock.pedigree.kinship import kinship_matrix
from planner.optimise.spawning.build import draft_rules
from planner.optimise.spawning.coefficients import coefficients
from planner.optimise.spawning.data import spawning_data
from planner.optimise.spawning.measures import cohort_measures, effective_number, effective_parents
from planner.optimise.spawning.pairing import choose_pairs
from planner.optimise.spawning.read import as_table
from planner.optimise.spawning.search import Search
from planner.optimise.spawning.solve import SearchSettings, goal_of, plan_spawning

EXACT = SearchSettings(relative_gap=0.0)
SIX = np.array([[-1, -1], [-1, -1], [0, 1], [0, -1], [3, 2], [4, 1]], np.int32)


def test_six_animals__contributions_of_two_sexes() -> None:
    """Males 3 and 5, females 4 and 6, half each: c = (.4625, .36875, .0375, .13125), c'Ac/2 = .3001953125.

    Least c'Ac with non-negative contributions on the pedigree of Mrode, table 2.1; found with SLSQP and with
    cvxpy. 80 dishes make these shares whole numbers.
    """
    data = spawning_data([3, 5], [2, 4], 80, parents=SIX, pair_repeats=80)
    plan = plan_spawning(data, EXACT)
    assert plan.value == pytest.approx(0.3001953125, abs=1e-12)
    assert plan.contributions.tolist() == [59, 21, 74, 6]


def test_six_animals__relaxation_equals_a_quadratic_programme() -> None:
    cvxpy = pytest.importorskip("cvxpy")
    K = kinship_matrix(SIX)[2:, 2:]
    c = cvxpy.Variable(4, nonneg=True)
    problem = cvxpy.Problem(
        cvxpy.Minimize(cvxpy.quad_form(c, cvxpy.psd_wrap(K))), [c[0] + c[2] == 0.5, c[1] + c[3] == 0.5]
    )
    problem.solve(solver=cvxpy.CLARABEL)
    assert problem.value == pytest.approx(0.3001953125, abs=1e-6)


@pytest.mark.parametrize("seed", range(4))
def test_bound__lies_between_the_continuous_optimum_and_the_value(seed: int, skewed_pedigree) -> None:
    """cvxpy's continuous optimum cannot exceed the bound for whole numbers by more than rounding."""
    cvxpy = pytest.importorskip("cvxpy")
    parents, sex, youngest = skewed_pedigree(seed)
    females, males = youngest[sex[youngest] == 0], youngest[sex[youngest] == 1]
    data = spawning_data(females, males, 15, parents=parents, most_uses=3)
    plan = plan_spawning(data, SearchSettings(relative_gap=1e-4))
    rows = data.candidates
    K = kinship_matrix(parents)[np.ix_(rows, rows)]
    root = np.linalg.cholesky(K + 1e-12 * np.eye(len(K)))
    c = cvxpy.Variable(len(rows), nonneg=True)
    nf = len(females)
    problem = cvxpy.Problem(
        cvxpy.Minimize(cvxpy.sum_squares(root.T @ c)),
        [cvxpy.sum(c[:nf]) == 0.5, cvxpy.sum(c[nf:]) == 0.5, c <= 3 / 30],
    )
    problem.solve(solver=cvxpy.CLARABEL)
    assert problem.value <= plan.bound + 1e-5
    assert plan.bound <= plan.value <= plan.bound * (1 + 1.1e-4)


@pytest.mark.parametrize("seed", range(6))
def test_plan__equals_a_second_formulation_in_another_solver_interface(seed: int, random_pedigree) -> None:
    """scipy.milp on binary pairs with every product of two pairs written out."""
    from scipy.optimize import Bounds, LinearConstraint, milp

    rng = np.random.default_rng(seed)
    parents, sex = random_pedigree(rng, founders=4, generations=3, per=6)
    females = rng.choice(np.flatnonzero(sex == 0), 3, replace=False)
    males = rng.choice(np.flatnonzero(sex == 1), 4, replace=False)
    dishes, limit = 5, 0.2
    data = spawning_data(females, males, dishes, parents=parents, pair_limit=limit)
    K = kinship_matrix(parents)
    pairs = [(f, m) for f in females for m in males if K[f, m] <= limit]
    n = len(pairs)
    products = list(itertools.combinations(range(n), 2))

    def between(p: int, q: int) -> float:
        return float(sum(K[a, b] for a in pairs[p] for b in pairs[q]))

    cost = [between(p, p) for p in range(n)] + [2 * between(p, q) for p, q in products]
    rows = np.zeros((len(products) + 1, n + len(products)))
    for k, (p, q) in enumerate(products):
        rows[k, [p, q]] = 1
        rows[k, n + k] = -1
    rows[-1, :n] = 1
    top = np.append(np.ones(len(products)), dishes)
    bottom = np.append(np.full(len(products), -np.inf), dishes)
    result = milp(
        cost,
        constraints=LinearConstraint(rows, bottom, top),
        integrality=np.ones(len(cost)),
        bounds=Bounds(0, 1),
    )
    plan = plan_spawning(data, EXACT)
    if result.fun is None:
        assert not plan.has_plan
    else:
        assert plan.value == pytest.approx(result.fun / (2 * dishes) ** 2, abs=1e-9)


def test_six_candidates__least_sum_of_inbreeding_in_a_complete_matching() -> None:
    """Founders A to F; m1=AxB m2=AxC m3=DxE w1=AxB w2=DxF w3=BxC: least sum .125, three pairings tie.

    scipy.optimize.linear_sum_assignment and enumeration agree on .125.
    """
    from scipy.optimize import linear_sum_assignment

    parents = np.array([[-1, -1]] * 6 + [[0, 1], [0, 2], [3, 4], [0, 1], [3, 5], [1, 2]], np.int32)
    data = spawning_data([9, 10, 11], [6, 7, 8], 3, parents=parents, most_uses=1)
    co = coefficients(data)
    assert co.pair_kinship.T.tolist() == [[0.25, 0, 0.125], [0.125, 0, 0.125], [0, 0.125, 0]]
    dishes, report = choose_pairs(draft_rules(data, co), np.ones(6, np.int64))
    assert report.proven
    rows, columns = linear_sum_assignment(co.pair_kinship)
    assert (dishes * co.pair_kinship).sum() == pytest.approx(0.125)
    assert co.pair_kinship[rows, columns].sum() == pytest.approx(0.125)
    plan = plan_spawning(data, EXACT)
    assert plan.measures.mean_inbreeding == pytest.approx(0.125 / 3)
    assert plan.value == pytest.approx(5 / 36)  # mean kinship of the six candidates, self-pairs in


@pytest.mark.parametrize("seed", range(8))
def test_choose_pairs__equals_an_assignment_library(seed: int, random_pedigree) -> None:
    from scipy.optimize import linear_sum_assignment

    rng = np.random.default_rng(seed)
    parents, sex = random_pedigree(rng, founders=6, generations=3, per=12)
    females, males = np.flatnonzero(sex == 0)[-8:], np.flatnonzero(sex == 1)[-8:]
    data = spawning_data(females, males, 8, parents=parents, most_uses=1)
    co = coefficients(data)
    dishes, _ = choose_pairs(draft_rules(data, co), np.ones(data.n_candidates, np.int64))
    rows, columns = linear_sum_assignment(co.pair_kinship)
    assert (dishes * co.pair_kinship).sum() == pytest.approx(co.pair_kinship[rows, columns].sum())


@pytest.mark.parametrize(
    ("females", "males", "diversity"), [(25, 25, 0.99), (5, 5, 0.95), (3, 3, 1 - 1 / 12), (1, 5, 0.85)]
)
def test_unrelated_parents__diversity_of_many_young(females: int, males: int, diversity: float) -> None:
    """1 - 1/8M - 1/8F for equal contributions of unrelated parents, many young (textbook form, from memory)."""
    n = females + males
    data = spawning_data(range(females), range(females, n), females * males, parents=np.full((n, 2), -1))
    measures = plan_spawning(data, EXACT).measures
    assert measures.gene_diversity == pytest.approx(diversity, abs=1e-12)
    assert measures.mean_inbreeding == 0


def test_published_designs__effective_number_of_parents() -> None:
    """25 males x 25 females in pairs give 50, a 5 x 5 factorial gives 10.

    Williamson & Wydoski (1994), genetics management guidelines for endangered fishes.
    """
    founders = np.full((50, 2), -1)
    pairs = spawning_data(range(25), range(25, 50), 25, parents=founders, most_uses=1)
    assert plan_spawning(pairs, EXACT).measures.effective_parents == pytest.approx(50)
    factorial = spawning_data(range(5), range(5, 10), 25, parents=founders[:10], factorial=(5, 5))
    plan = plan_spawning(factorial, EXACT)
    assert plan.measures.effective_parents == pytest.approx(10)
    assert plan.measures.families == 25


def test_factorial_and_single_pairs__have_the_same_mean_kinship() -> None:
    """With equal contributions of unrelated parents factorial mating as such gains no gene diversity: .1875 is for
    two young per pair; for very many young it is 1/8 either way."""
    founders = np.full((4, 2), -1)
    single = spawning_data([0, 1], [2, 3], 2, parents=founders, most_uses=1)
    factorial = spawning_data([0, 1], [2, 3], 4, parents=founders, factorial=(2, 2))
    plans = [plan_spawning(d, EXACT) for d in (single, factorial)]
    assert plans[0].value == pytest.approx(plans[1].value, abs=1e-15)
    assert plans[0].value == pytest.approx(1 / 8)
    assert [p.measures.families for p in plans] == [2, 4]
    # the same check with young as fish in the pedigree: 2 pairs x 2 young and 2 x 2 factorial x 1 young
    two = np.vstack([founders, [[0, 2], [0, 2], [1, 3], [1, 3]]]).astype(np.int32)
    four = np.vstack([founders, [[0, 2], [0, 3], [1, 2], [1, 3]]]).astype(np.int32)
    for parents in (two, four):
        assert kinship_matrix(parents)[4:, 4:].mean() == pytest.approx(0.1875)


def test_spawning_morning__seven_by_three() -> None:
    """7 females x 3 males each, 7 males used 3 times: 21 dishes, effective number 14 (4 x 7 x 7 / 14)."""
    founders = np.full((20, 2), -1)
    data = spawning_data(
        range(7), range(7, 20), 21, parents=founders, males_per_female=(3, 3), females_per_male=(3, 3)
    )
    plan = plan_spawning(data, EXACT)
    assert plan.measures.effective_parents == pytest.approx(14)
    assert plan.measures.males_used == 7


def test_effective_numbers() -> None:
    assert effective_number(np.zeros(3, int)) == 0
    assert effective_number(np.array([65, 20, 11, 4])) == pytest.approx(2.10, abs=0.01)
    one_female = effective_parents(np.array([1]), np.array([1, 1, 1, 1]))
    assert one_female == pytest.approx(3.2)  # 4 x 1 x 4 / 5
    assert effective_parents(np.array([1]), np.array([65, 20, 11, 4])) == pytest.approx(2.71, abs=0.01)
    assert effective_parents(np.zeros(2, int), np.zeros(2, int)) == 0


def test_measures__cohort_kinship_is_approached_by_many_young_as_fish(random_pedigree) -> None:
    """Young written into the pedigree, many per dish: their mean kinship approaches the stated one like 1/n."""
    rng = np.random.default_rng(4)
    parents, sex = random_pedigree(rng)
    data = spawning_data(np.flatnonzero(sex == 0)[-4:], np.flatnonzero(sex == 1)[-4:], 6, parents=parents)
    plan = plan_spawning(data, EXACT)
    differences = []
    for young in (20, 80):
        broods = [[dam, sire] for dam, sire, dishes in plan.pairs.tolist() for _ in range(young * dishes)]
        K = kinship_matrix(np.vstack([parents, broods]).astype(np.int32))
        n = len(broods)
        differences.append(K[-n:, -n:].mean() - plan.measures.cohort_kinship)
    assert 0 < differences[1] < differences[0] / 3.9


def test_goal__of_the_living_group_is_that_of_the_group_with_the_young_in_it(
    random_pedigree, slow_goal
) -> None:
    rng = np.random.default_rng(6)
    parents, sex = random_pedigree(rng)
    living = rng.random(len(parents))
    data = spawning_data(
        np.flatnonzero(sex == 0)[-4:],
        np.flatnonzero(sex == 1)[-4:],
        6,
        parents=parents,
        living=living,
        living_share=0.4,
        young=12.0,
    )
    plan = plan_spawning(data, EXACT)
    table = as_table(data, plan.pairs)
    assert plan.value == pytest.approx(slow_goal(data, table), abs=1e-12)
    m = plan.measures
    assert 0.6 * m.cohort_kinship + 0.4 * m.living_kinship_after == pytest.approx(plan.value)
    K = kinship_matrix(parents)
    share = living / living.sum()
    assert m.living_kinship_before == pytest.approx(share @ K @ share)
    assert cohort_measures(data, coefficients(data), table) == m


def test_dense_kinship__gives_the_same_plan_value_as_its_pedigree(skewed_pedigree) -> None:
    parents, sex, youngest = skewed_pedigree(2, per=24)
    females, males = youngest[sex[youngest] == 0], youngest[sex[youngest] == 1]
    living = np.zeros(len(parents))
    living[youngest] = 1
    rules = {"most_uses": 3, "living": living, "living_share": 0.3, "young": 50.0}
    by_pedigree = plan_spawning(spawning_data(females, males, 10, parents=parents, **rules), EXACT)
    K = kinship_matrix(parents)
    close = SearchSettings(relative_gap=1e-4)
    by_matrix = plan_spawning(spawning_data(females, males, 10, kinship=K, **rules), close)
    by_both = plan_spawning(spawning_data(females, males, 10, kinship=K, parents=parents, **rules), EXACT)
    assert by_matrix.value == pytest.approx(by_pedigree.value, rel=1.1e-4)
    assert by_both.value == pytest.approx(by_pedigree.value, rel=1e-7)
    assert by_pedigree.bound <= by_matrix.value


def test_search__objective_values_are_compared_not_pairings(skewed_pedigree) -> None:
    """Best plans tie: two searches from different starts may pair differently but must agree on the value."""
    parents, sex, youngest = skewed_pedigree(3, per=30)
    females, males = youngest[sex[youngest] == 0], youngest[sex[youngest] == 1]
    data = spawning_data(females, males, 12, parents=parents, most_uses=2)
    co = coefficients(data)
    values = []
    for seed in range(3):
        rng = np.random.default_rng(seed)
        start = np.zeros(data.n_candidates, np.int64)
        start[rng.choice(len(females), 12, replace=False)] = 1
        start[len(females) + rng.choice(len(males), 12, replace=False)] = 1
        values.append(Search(draft_rules(data, co), goal_of(co), gap=0.0, start=start).run().report.objective)
    assert values == pytest.approx([values[0]] * 3, rel=1e-9)
