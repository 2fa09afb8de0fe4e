"""Choices against brute force, other formulations, closed forms; bounds, conflicts, bad input."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.optimize
from hypothesis import given, settings
from hypothesis import strategies as st

from broodstock.errors import ShapeError, ValueRangeError
from broodstock.pedigree.kinship import kinship_matrix
from planner.optimise.kinship_bound import pedigree_form
from planner.optimise.selection.conflicts import find_conflict
from planner.optimise.selection.data import (
    FamilyRules,
    Rule,
    SelectionData,
    joint_kinship,
    kept_kinship,
    objective,
)
from planner.optimise.selection.family_form import family_form
from planner.optimise.selection.improve import improved
from planner.optimise.selection.naive import equal_choice, equal_numbers, random_choice
from planner.optimise.selection.recheck import breaches
from planner.optimise.selection.solve import choose
from planner.optimise.status import SolveStatus
from tests.optimise.selection.selection_cases import (
    family_case,
    meets,
    random_parents,
    slow_best,
    slow_pairs,
)

FAMILY_RULES = [
    None,
    FamilyRules(most=2),
    FamilyRules(least=2, most=3),
    FamilyRules(families=4),
    FamilyRules(least=1, most=3, families=3, sexes_apart=True),
]


@pytest.mark.parametrize("seed", range(10))
def test_choose__best_of_all_combinations(seed: int) -> None:
    rng = np.random.default_rng(seed)
    per = FAMILY_RULES[seed % len(FAMILY_RULES)]
    data, behind = family_case(rng, per, weight=0.3 * (seed % 2), rules=seed % 3 == 0)
    best = slow_best(data)
    for form in (None, family_form(*behind)):
        chosen = choose(data, gap=0, form=form)
        if best is None:
            assert chosen.numbers is None
            assert chosen.report.status is SolveStatus.INFEASIBLE
            assert chosen.conflict is not None
            assert chosen.conflict.rules
            continue
        assert chosen.numbers is not None
        assert meets(data, chosen.numbers)
        assert chosen.report.objective == pytest.approx(best, abs=1e-9)
        assert chosen.report.bound is not None
        assert chosen.report.bound <= best + 1e-9
        assert chosen.report.bound == pytest.approx(best, rel=1e-5)


@pytest.mark.parametrize("seed", range(4))
def test_choose__single_fish_agree_with_products_as_variables(seed: int) -> None:
    # Second formulation: z_ij >= x_i + x_j - 1 for every pair, solved by scipy.
    rng = np.random.default_rng(100 + seed)
    parents = random_parents(rng, 5, 9)
    rows = np.arange(2, 14)
    K = kinship_matrix(parents)[np.ix_(rows, rows)]
    n, wanted = len(rows), 5
    pairs = [(i, j) for i in range(n) for j in range(i)]
    cost = np.concatenate([np.diag(K), [2 * K[i, j] for i, j in pairs]]) / wanted**2
    above = np.zeros((len(pairs), n + len(pairs)))
    for row, (i, j) in enumerate(pairs):
        above[row, [i, j]] = 1.0
        above[row, n + row] = -1.0
    count = np.concatenate([np.ones(n), np.zeros(len(pairs))])
    answer = scipy.optimize.milp(
        cost,
        integrality=np.concatenate([np.ones(n), np.zeros(len(pairs))]),
        bounds=scipy.optimize.Bounds(0, 1),
        constraints=[
            scipy.optimize.LinearConstraint(above, -np.inf, 1),
            scipy.optimize.LinearConstraint(count[None, :], wanted, wanted),
        ],
    )
    data = SelectionData.of_fish(K, wanted)
    for form in (None, pedigree_form(parents, rows)):
        chosen = choose(data, gap=0, form=form)
        assert chosen.kinship == pytest.approx(answer.fun, abs=1e-8)


@pytest.mark.parametrize("seed", range(3))
def test_choose__bound_is_not_below_the_convex_relaxation(seed: int) -> None:
    # cvxpy minimises the quadratic over fractions of fish; whole numbers can only be worse.
    import cvxpy as cp

    data, behind = family_case(np.random.default_rng(200 + seed))
    root = np.linalg.cholesky(data.kinship + 1e-12 * np.eye(data.n_families))
    member = np.eye(data.n_families)[:, data.family]
    n = cp.Variable(data.n_kinds)
    t = member @ n
    goal = cp.sum_squares(root.T @ t) + (data.self_kinship - np.diag(data.kinship)) @ t
    problem = cp.Problem(cp.Minimize(goal), [n >= 0, n <= data.available, cp.sum(n) == data.number])
    relaxed = problem.solve(solver=cp.CLARABEL) / data.number**2
    chosen = choose(data, gap=0, form=family_form(*behind))
    assert chosen.report.objective is not None
    assert chosen.report.objective >= relaxed - 1e-7


def test_choose__equal_numbers_of_unrelated_families() -> None:
    # Closed form: K full-sib families of unrelated parents, kinship 1/4 within and 0 between, n fish of each:
    # (n K (n - 1) / 4 + n K / 2) / (n K)^2 = (n + 1) / (4 n K).
    data = SelectionData.make(np.eye(8) / 4, np.full(8, 0.5), np.arange(8), np.full(8, 9), 24)
    chosen = choose(data, gap=0)
    assert chosen.numbers is not None
    assert chosen.numbers.tolist() == [3] * 8
    assert chosen.kinship == pytest.approx(4 / (4 * 3 * 8), abs=1e-12)


def test_kept_kinship__two_pairs_of_two_full_sibs() -> None:
    # Mean kinship 3/16 for two unrelated pairs with two offspring each (hand calculation).
    data = SelectionData.make(np.eye(2) / 4, [0.5, 0.5], [0, 1], [2, 2], 4)
    assert kept_kinship(data, [2, 2]) == pytest.approx(0.1875)
    assert 1 / (2 * kept_kinship(data, [2, 2])) == pytest.approx(2.666667, abs=1e-6)


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 10**6))
def test_kept_kinship__is_the_mean_over_pairs(seed: int) -> None:
    rng = np.random.default_rng(seed)
    data, _ = family_case(rng, weight=0.5)
    n = rng.integers(0, 3, data.n_kinds)
    n[0] += 1
    assert kept_kinship(data, n) == pytest.approx(slow_pairs(data, n), abs=1e-12)
    w = data.living_weight
    assert objective(data, n) == pytest.approx((1 - w) * kept_kinship(data, n) + w * joint_kinship(data, n))


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 10**6))
def test_family_form__is_the_matrix(seed: int) -> None:
    rng = np.random.default_rng(seed)
    data, behind = family_case(rng)
    t = rng.integers(0, 7, data.n_families)
    assert family_form(*behind).value(t) == pytest.approx(float(t @ data.kinship @ t), abs=1e-10)


def test_choose__does_not_depend_on_the_order_of_families() -> None:
    data, _ = family_case(np.random.default_rng(5), FamilyRules(most=2))
    turn = np.random.default_rng(6).permutation(data.n_families)
    place = np.argsort(turn)
    turned = SelectionData.make(
        data.kinship[np.ix_(turn, turn)],
        data.self_kinship[turn],
        place[data.family],
        data.available,
        data.number,
        sex=data.sex,
        families=data.families,
    )
    a, b = choose(data, gap=0), choose(turned, gap=0)
    assert a.report.objective == pytest.approx(b.report.objective, abs=1e-10)


def test_choose__same_input_same_answer() -> None:
    data, behind = family_case(np.random.default_rng(9), FamilyRules(least=2), weight=0.2)
    a = choose(data, form=family_form(*behind), seed=3)
    b = choose(data, form=family_form(*behind), seed=3)
    assert a.numbers is not None
    assert b.numbers is not None
    assert a.numbers.tolist() == b.numbers.tolist()


def test_choose__a_new_unrelated_family_never_hurts() -> None:
    data, _ = family_case(np.random.default_rng(11))
    K = np.zeros((6, 6))
    K[:5, :5] = data.kinship
    K[5, 5] = 0.25
    more = SelectionData.make(
        K,
        np.append(data.self_kinship, 0.5),
        np.append(data.family, 5),
        np.append(data.available, 2),
        data.number,
    )
    now, then = choose(data, gap=0).kinship, choose(more, gap=0).kinship
    assert now is not None
    assert then is not None
    assert then <= now + 1e-9


def test_choose__beats_choices_without_optimisation() -> None:
    data, _ = family_case(np.random.default_rng(12))
    best = choose(data, gap=0).report.objective
    assert best is not None
    plain = random_choice(data, np.random.default_rng(1))
    assert plain.low <= plain.kinship <= plain.high
    assert best <= plain.objective + 1e-12
    assert best <= equal_choice(data).objective + 1e-12


def test_equal_numbers__as_even_as_the_stock_allows() -> None:
    data = SelectionData.make(np.eye(3) / 4, [0.5] * 3, [0, 1, 2], [1, 9, 9], 9)
    assert equal_numbers(data).tolist() == [1, 4, 4]


def test_improved__keeps_the_rules_and_never_gets_worse() -> None:
    for seed in range(20):
        data, _ = family_case(np.random.default_rng(seed), FamilyRules(most=3), rules=True)
        start = equal_numbers(data)
        if breaches(data, start):
            continue
        better = improved(data, start)
        assert meets(data, better)
        assert objective(data, better) <= objective(data, start) + 1e-12


def test_breaches__agrees_with_loops_on_random_numbers() -> None:
    rng = np.random.default_rng(3)
    for seed in range(200):
        per = FAMILY_RULES[seed % len(FAMILY_RULES)]
        data, _ = family_case(rng, per, rules=seed % 2 == 0)
        n = equal_numbers(data) if seed % 3 else rng.integers(0, 3, data.n_kinds)
        assert (not breaches(data, n)) == meets(data, n)


def test_breaches__names_what_is_wrong() -> None:
    data = SelectionData.make(
        np.eye(2) / 4, [0.5] * 2, [0, 0, 1], [2, 2, 2], 3, sex=[0, 1, 0], families=FamilyRules(2, 2, 2, True)
    )
    words = " | ".join(breaches(data, np.array([2, 2, 0])))
    assert "4 fish chosen instead of 3" in words
    assert "family 1: 4 fish chosen, 2 to 2 allowed" in words
    assert "both sexes" in words
    assert "1 families take part instead of at least 2" in words
    assert "Expected whole numbers" in breaches(data, np.array([0.5, 0, 0]))[0]  # type: ignore[arg-type]


def test_find_conflict__names_contradicting_minima_only() -> None:
    rules = (
        Rule("sex", "at least 3 females", np.array([1.0, 1.0, 0.0]), low=3),
        Rule("space", "unit A: room for 1 fish", np.array([1.0, 1.0, 0.0]), high=1),
        Rule("space", "unit B: room for 9 fish", np.array([0.0, 0.0, 1.0]), high=9),
    )
    data = SelectionData.make(np.eye(2) / 4, [0.5] * 2, [0, 0, 1], [4, 4, 9], 5, rules=rules)
    conflict = choose(data).conflict
    assert conflict is not None
    assert set(conflict.rules) == {"at least 3 females", "unit A: room for 1 fish"}
    assert conflict.most_fish is None
    assert "cannot hold together" in conflict.text()


def test_find_conflict__says_how_many_fish_the_rules_allow() -> None:
    data = SelectionData.make(
        np.eye(3) / 4, [0.5] * 3, [0, 1, 2], [9, 9, 9], 12, families=FamilyRules(most=3)
    )
    conflict = find_conflict(data)
    assert conflict.rules == ("choose 12 fish", "at most 3 fish of a family")
    assert conflict.most_fish == 9


def test_choose__capacity_zero() -> None:
    rule = Rule("space", "unit A: room for 0 fish", np.ones(2), high=0)
    data = SelectionData.make(np.eye(2) / 4, [0.5] * 2, [0, 1], [3, 3], 1, rules=(rule,))
    conflict = choose(data).conflict
    assert conflict is not None
    assert "unit A: room for 0 fish" in conflict.rules


def test_choose__must_keep_more_than_there_are() -> None:
    data = SelectionData.make(np.eye(2) / 4, [0.5] * 2, [0, 1], [3, 3], 4, least=[5, 0])
    conflict = choose(data).conflict
    assert conflict is not None
    assert conflict.rules == ("kind 1: choose at least 5 (3 may be chosen)",)


def test_choose__marker_kinship_with_negative_pairs() -> None:
    rng = np.random.default_rng(4)
    calls = rng.integers(0, 3, (10, 60)) - 1.0
    K = calls @ calls.T / 240 + 0.3 * np.eye(10)
    K -= 0.02
    data = SelectionData.of_fish(K, 4)
    chosen = choose(data, gap=0)
    assert chosen.report.objective == pytest.approx(slow_best(data), abs=1e-9)


def test_make__bad_input() -> None:
    def make(**changes: object) -> SelectionData:
        given: dict[str, object] = {
            "kinship": np.eye(2) / 4,
            "self_kinship": [0.5, 0.5],
            "family": [0, 1],
            "available": [3, 3],
            "number": 2,
        }
        return SelectionData.make(**(given | changes))  # type: ignore[arg-type]

    with pytest.raises(ValueRangeError, match="candidates: found none"):
        make(available=[0, 0])
    with pytest.raises(ValueRangeError, match="candidates: found none"):
        make(family=[], available=[])
    with pytest.raises(ValueRangeError, match="found a negative number"):
        make(available=[-1, 4])
    with pytest.raises(ValueRangeError, match="fish to choose: found 0"):
        make(number=0)
    with pytest.raises(ValueRangeError, match="not a number"):
        make(kinship=[[0.25, np.nan], [np.nan, 0.25]])
    with pytest.raises(ShapeError, match="symmetric"):
        make(kinship=[[0.25, 0.1], [0.2, 0.25]])
    with pytest.raises(ShapeError, match="Expected \\(n, n\\) and \\(n,\\)"):
        make(self_kinship=[0.5])
    with pytest.raises(ValueRangeError, match="family of a kind"):
        make(family=[0, 2])
    with pytest.raises(ValueRangeError, match="another code"):
        make(sex=[0, 5])
    with pytest.raises(ValueRangeError, match="weight from 0 to 1"):
        make(living=5.0, living_weight=1.5)
    with pytest.raises(ValueRangeError, match="no negative number"):
        make(families=FamilyRules(least=-1))
    with pytest.raises(ShapeError, match="rule 'x'"):
        make(rules=(Rule("x", "x", np.ones(3)),))
    with pytest.raises(ValueRangeError, match="eigenvalue"):
        choose(make(kinship=[[0.0, 0.5], [0.5, -2.0]]))


def test_family_form__bad_input() -> None:
    with pytest.raises(ShapeError, match="Expected \\(n_families, 2\\)"):
        family_form([[-1, -1], [-1, -1]], [[0.5]], [0.0])
    with pytest.raises(ValueRangeError, match="Expected 0 or more"):
        family_form([[-1, -1]], [[0.5]], [-0.1])
