"""Factorial blocks: which chosen fish stand together, so that all pairs inside a block may be crossed."""

from __future__ import annotations

import threading

import numpy as np
import pulp

from broodstock.arrays import BigIntArray, FloatArray
from planner.optimise.solver import numbered, read_counts, solve
from planner.optimise.spawning.build import Draft, Row
from planner.optimise.status import SolveReport, SolveStatus


def arrange(
    draft: Draft,
    c: BigIntArray,
    cost: FloatArray,
    *,
    time_limit: float | None = None,
    cancel: threading.Event | None = None,
) -> tuple[BigIntArray | None, SolveReport]:
    """Return the dishes of blocks with the least cost for the fish that contributions c choose.

    Parameters
    ----------
    draft : Draft
        With a factorial of several blocks.
    c : ndarray, int64, shape (n_candidates,)
        Contributions, dishes made included.
    cost : ndarray, float64, shape (n_females, n_males)
        Cost of a dish of each pair.
    time_limit, cancel
        As for `planner.optimise.solver.solve`.

    Returns
    -------
    dishes : ndarray, int64, shape (n_females, n_males), or None
        Zero or one dish per pair; None when no arrangement exists, or none was found in time.
    report : SolveReport
    """
    data = draft.data
    assert data.factorial is not None
    nf = data.n_females
    new = c - draft.base
    females, males = np.flatnonzero(new[:nf] > 0).tolist(), np.flatnonzero(new[nf:] > 0).tolist()
    barred = draft.pair_room < 1
    problem = pulp.LpProblem("blocks", pulp.LpMinimize)
    numbers = range(data.blocks)
    of_f = {
        (f, b): problem.add_variable(numbered("f", f, b), 0, 1, cat=pulp.LpInteger)
        for f in females
        for b in numbers
    }
    of_m = {
        (m, b): problem.add_variable(numbered("m", m, b), 0, 1, cat=pulp.LpInteger)
        for m in males
        for b in numbers
    }
    x = {
        (f, m): problem.add_variable(numbered("x", f, m), 0, 0 if barred[f, m] else 1)
        for f in females
        for m in males
    }
    problem.setObjective(pulp.LpAffineExpression([(v, float(cost[p])) for p, v in x.items()]))

    def add(terms: list[tuple[pulp.LpVariable, float]], sense: int, right: float) -> None:
        problem.addConstraint(pulp.LpConstraint(pulp.LpAffineExpression(terms), sense, rhs=right))

    for places, fish, size in ((of_f, females, data.factorial[0]), (of_m, males, data.factorial[1])):
        for i in fish:
            add([(places[i, b], 1.0) for b in numbers], 0, 1.0)
        for b in numbers:
            add([(places[i, b], 1.0) for i in fish], 0, float(size))
    for f in females:
        add([(x[f, m], 1.0) for m in males], 0, float(data.factorial[1]))
    for m in males:
        add([(x[f, m], 1.0) for f in females], 0, float(data.factorial[0]))
    for (f, m), pair in x.items():
        for b in numbers:
            add([(pair, 1.0), (of_f[f, b], -1.0), (of_m[m, b], -1.0)], 1, -1.0)
    report = solve(problem, time_limit=time_limit, cancel=cancel, relative_gap=1e-4)
    if not report.has_solution:
        return None, report
    dishes = np.zeros(barred.shape, dtype=np.int64)
    place_f = read_counts(list(of_f.values()), report).reshape(len(females), -1)
    place_m = read_counts(list(of_m.values()), report).reshape(len(males), -1)
    dishes[np.ix_(females, males)] = place_f @ place_m.T
    return dishes, report


def no_arrangement(
    draft: Draft, c: BigIntArray, *, time_limit: float | None = None, cancel: threading.Event | None = None
) -> Row | None:
    """Return a row that excludes the fish chosen by c when they cannot be arranged in blocks, else None.

    Returns
    -------
    Row or None
        It excludes exactly this choice of fish. None also when the time was over before it was known.
    """
    used = c > draft.base
    nf = draft.data.n_females
    barred = (draft.pair_room < 1)[np.ix_(used[:nf], used[nf:])]
    if not barred.any():
        return None
    dishes, report = arrange(draft, c, np.zeros(draft.room.shape), time_limit=time_limit, cancel=cancel)
    if dishes is not None or report.status is not SolveStatus.INFEASIBLE:
        return None
    return Row("blocks", np.zeros(len(c)), used.astype(np.float64), -np.inf, float(used.sum()) - 1.0)
