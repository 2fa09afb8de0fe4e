"""Exchange between waters: published Fst values, brute force, rules, conflicts, bad input."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from broodstock.errors import ShapeError, ValueRangeError
from planner.optimise.selection.exchange import (
    ExchangeData,
    breaches,
    fst_finite,
    fst_island,
    kinship_after,
    kinship_slope,
    plan_exchange,
)


def waters(n: int = 3, seed: int = 0, **changes: object) -> ExchangeData:
    rng = np.random.default_rng(seed)
    A = rng.random((n, 6))
    A /= A.sum(axis=1, keepdims=True)
    given: dict[str, object] = {
        "names": tuple("ABCDEFGH"[:n]),
        "kinship": A @ A.T / 2,
        "residents": rng.integers(20, 40, n),
        "capacity": np.full(n, 60),
        "risk": rng.integers(0, 2, n),
        "sends": np.ones(n, bool),
        "receives": np.ones(n, bool),
        "years": 2,
        "per_fish": 0.25,
        "window": (1.0, 2.0),
        "group": (3, 6),
    }
    return ExchangeData(**(given | changes))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    # Island model; Fst 0.2 goes with one migrant per generation.
    ("nm", "fst"),
    [(0.25, 0.5), (0.5, 0.333333), (1, 0.2), (2, 0.111111), (5, 0.047619), (10, 0.024390)],
)
def test_fst_island__values(nm: float, fst: float) -> None:
    assert fst_island(nm) == pytest.approx(fst, abs=1e-6)


@pytest.mark.parametrize(("d", "fst"), [(2, 0.058824), (3, 0.1), (5, 0.137931), (10, 0.168399)])
def test_fst_finite__values_at_one_migrant(d: int, fst: float) -> None:
    assert fst_finite(1, d) == pytest.approx(fst, abs=1e-6)


def test_fst_finite__many_waters_are_the_island_model() -> None:
    assert fst_finite(3, 10**7) == pytest.approx(fst_island(3), rel=1e-6)


def slow_plan(data: ExchangeData) -> tuple[int, float] | None:
    """Fewest journeys, and least first-order kinship among plans with so many, over every plan."""
    cells = [(y, j, i) for y in range(data.years) for j, i in np.argwhere(data.allowed).tolist()]
    sizes = [0, *range(data.group[0], data.group[1] + 1)]
    slope = kinship_slope(data)
    best = None
    for numbers in itertools.product(sizes, repeat=len(cells)):
        moves = np.zeros((data.years, len(data.names), len(data.names)), dtype=np.int64)
        for cell, n in zip(cells, numbers, strict=True):
            moves[cell] = n
        if breaches(data, moves):
            continue
        key = (int((moves > 0).sum()), float((moves.sum(axis=0) * slope).sum()))
        best = key if best is None else min(best, key)
    return best


@pytest.mark.parametrize("seed", range(5))
def test_plan_exchange__best_of_all_plans(seed: int) -> None:
    data = waters(3, seed, risk=np.array([0, 1, 2]), group=(3, 5))
    best = slow_plan(data)
    plan = plan_exchange(data)
    assert best is not None
    assert plan.moves is not None
    assert plan.kinship is not None
    assert int((plan.moves > 0).sum()) == best[0]
    assert plan.journeys.proven
    assert plan.kinship.proven
    assert float((plan.moves.sum(axis=0) * kinship_slope(data)).sum()) == pytest.approx(best[1], abs=1e-9)


def test_plan_exchange__agrees_with_scipy_on_the_fewest_journeys() -> None:
    import scipy.optimize

    data = waters(4, 7, risk=np.array([0, 0, 1, 1]), years=3, window=(2.0, 4.0))
    cells = [(y, j, i) for y in range(data.years) for j, i in np.argwhere(data.allowed).tolist()]
    k = len(cells)
    rows, low, high = [], [], []
    for c in range(k):
        for factor, a, b in ((-6.0, -np.inf, 0.0), (-3.0, 0.0, np.inf)):
            row = np.zeros(2 * k)
            row[c], row[k + c] = 1.0, factor
            rows.append(row)
            low.append(a)
            high.append(b)
    for i in range(4):
        rows.append(np.array([float(to == i) for _, _, to in cells] + [0.0] * k))
        low.append(8.0)
        high.append(16.0)
        for y in range(3):
            rows.append(
                np.array([(float(t == i) - float(f == i)) * (yy <= y) for yy, f, t in cells] + [0.0] * k)
            )
            low.append(float(np.ceil(0.8 * data.residents[i] - 1e-9) - data.residents[i]))
            high.append(float(60 - data.residents[i]))
            rows.append(np.array([float(f == i and yy == y) for yy, f, _ in cells] + [0.0] * k))
            low.append(0.0)
            high.append(float(data.residents[i] - np.ceil(0.8 * data.residents[i] - 1e-9)))
    answer = scipy.optimize.milp(
        np.concatenate([np.zeros(k), np.ones(k)]),
        integrality=np.ones(2 * k),
        bounds=scipy.optimize.Bounds(0, np.concatenate([np.full(k, 6), np.ones(k)])),
        constraints=scipy.optimize.LinearConstraint(np.array(rows), low, high),
    )
    plan = plan_exchange(data)
    assert plan.moves is not None
    assert (plan.moves > 0).sum() == round(answer.fun)


def test_kinship_slope__is_the_derivative_of_kinship_after() -> None:
    data = waters(3, 2)
    data = waters(3, 2, residents=data.residents * 10**6, capacity=data.capacity * 10**7)
    moves = np.zeros((2, 3, 3), dtype=np.int64)
    moves[0, 1, 0] = 100
    change = kinship_after(data, moves)[0] - data.kinship[0, 0]
    assert change == pytest.approx(100 * kinship_slope(data)[1, 0], rel=1e-3)


def test_kinship_after__fish_by_fish() -> None:
    data = waters(3, 3)
    moves = np.zeros((2, 3, 3), dtype=np.int64)
    moves[0, 1, 0], moves[1, 2, 0], moves[1, 0, 2] = 4, 5, 3
    fish = [0] * int(data.residents[0] - 3) + [1] * 4 + [2] * 5
    assert kinship_after(data, moves)[0] == pytest.approx(
        np.mean([data.kinship[a, b] for a in fish for b in fish])
    )
    assert kinship_after(data, moves)[1] == pytest.approx(data.kinship[1, 1])


def test_plan_exchange__never_to_water_of_lower_risk() -> None:
    for seed in range(6):
        data = waters(4, seed, receives=np.array([False, True, True, True]))
        plan = plan_exchange(data)
        if plan.moves is None:
            assert plan.short
            continue
        for j, i in np.argwhere(plan.moves.sum(axis=0) > 0).tolist():
            assert data.risk[j] <= data.risk[i]
            assert i != 0


def test_plan_exchange__names_waters_that_cannot_get_enough() -> None:
    data = waters(
        3,
        1,
        risk=np.array([0, 1, 1]),
        capacity=np.array([60, 0, 60]),
        sends=np.array([True, False, True]),
        receives=np.array([False, True, True]),
    )
    plan = plan_exchange(data)
    assert plan.moves is None
    assert [name for name, _, _ in plan.short] == ["B"]
    assert plan.short[0][2] == 4


def test_plan_exchange__nobody_may_send() -> None:
    plan = plan_exchange(waters(3, 1, sends=np.zeros(3, bool)))
    assert plan.moves is not None
    assert plan.moves.sum() == 0


def test_plan_exchange__same_input_same_answer() -> None:
    a, b = (plan_exchange(waters(4, 3, risk=np.zeros(4, int)), seed=2).moves for _ in range(2))
    assert a is not None
    assert b is not None
    assert a.tolist() == b.tolist()


def test_exchange_data__bad_input() -> None:
    with pytest.raises(ShapeError, match="kinship of waters"):
        waters(3, kinship=np.eye(2))
    with pytest.raises(ShapeError, match="capacity"):
        waters(3, capacity=np.ones(2))
    with pytest.raises(ValueRangeError, match="negative number of fish"):
        waters(3, residents=np.array([-1, 3, 3]))
    with pytest.raises(ValueRangeError, match="found 0 years"):
        waters(3, years=0)
    with pytest.raises(ValueRangeError, match="least that is not above the most"):
        waters(3, window=(5.0, 1.0))
    with pytest.raises(ValueRangeError, match="1 <= fewest <= most"):
        waters(3, group=(9, 3))
    with pytest.raises(ValueRangeError, match="Expected 0 or more"):
        fst_island(-1)
    with pytest.raises(ValueRangeError, match="2 waters"):
        fst_finite(1, 1)
