"""How different plans within a limit of the goal could be at most: a proven bound beside the plans found.

Plans differ when they use other fish. With b_i = 1 where fish i gets new dishes in the best plan, and z_1i .. z_ki
the same for k further plans, fish i is used by n_i = b_i + z_1i + .. + z_ki plans and shared by n_i (n_i - 1) / 2
pairs of plans. Summed over fish this is what the further plans keep small.

The mean of z_1 .. z_k lies in every convex set that holds all plans within the limit, so in the planner's linear
relaxation with the goal as one more rule. With y for that mean, n = b + k y; and n (n - 1) / 2, drawn as straight
lines between whole numbers, is convex and right at whole numbers. Its least sum over the relaxation is therefore
no more than that of any k plans: one linear programme, no plan left out.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import pulp

from broodstock.arrays import BigIntArray, BoolArray, FloatArray
from planner.optimise.solver import numbered
from planner.optimise.spawning.build import Draft
from planner.optimise.spawning.model import Master
from planner.optimise.spawning.pairing import failing_row
from planner.optimise.spawning.search import Goal, master_of
from planner.optimise.status import SolveStatus

_ROUNDS = 60
_SETTLED = 1e-3
_ROUNDING = 1e-4
"""A bound this little above a whole number, in fish, is the solver's rounding."""


def shared_fish(used: BoolArray) -> int:
    """Return the number of fish shared, summed over all pairs of plans.

    Parameters
    ----------
    used : ndarray, bool, shape (n_plans, n_candidates)
        Fish with new dishes in each plan.

    Examples
    --------
    >>> shared_fish(np.array([[True, True, False], [True, False, True], [True, True, True]]))
    5
    """
    n = used.sum(axis=0).astype(np.int64)
    return int((n * (n - 1) // 2).sum())


def least_shared(
    draft: Draft,
    goal: Goal,
    best: BigIntArray,
    number: int,
    *,
    most: float,
    time_limit: float = 20.0,
    seed: int = 0,
    cancel: threading.Event | None = None,
) -> int | None:
    """Return a proven lower bound of the fish that plans within a limit of the goal share.

    Parameters
    ----------
    draft : Draft
    goal : Goal
    best : ndarray, int64, shape (n_candidates,)
        Contributions of the best plan.
    number : int
        Further plans, 1 or more.
    most : float
        Greatest goal of a plan; the best plan's own or more.
    time_limit : float
        Seconds.
    seed : int
    cancel : threading.Event, optional

    Returns
    -------
    int or None
        No choice of `number` plans with a goal up to `most` has a smaller sum, over all pairs of these and the best
        plan, of the fish both use. None when the time was over before the first answer.
    """
    began = time.perf_counter()
    master, led = master_of(draft, goal)
    if master.contradiction:
        return None
    limit = (most - led.constant) / led.square - (0.0 if led.cases else led.form.constant)
    _minimise_shared(master, best > draft.base, number, limit)
    master.session.set_integer(master.integers, False)
    master.cut_at(master.form.flows(best))
    master.cut_cases_at(best.astype(np.float64))
    bound = last = -np.inf
    for _ in range(_ROUNDS):
        left = time_limit - (time.perf_counter() - began)
        if left <= 0 or (cancel is not None and cancel.is_set()):
            break
        report = master.session.solve(time_limit=left, cancel=cancel, seed=seed)
        if report.status is not SolveStatus.PROVEN or report.objective is None:
            break
        bound = max(bound, report.objective)
        c: FloatArray = master.contributions(report)
        added = master.cut_at(master.form.flows(c), master.squares(report), deeper=1e-6)
        added += master.cut_cases_at(c, report, deeper=1e-6)
        row = failing_row(draft, c, whole=False, least_violation=1e-3, time_limit=left, cancel=cancel)
        if row is not None:
            master.add_row(row)
        elif not added or report.objective - last <= _SETTLED:
            break
        last = report.objective
    return int(np.ceil(bound - _ROUNDING)) if np.isfinite(bound) else None


def _minimise_shared(master: Master, used: BoolArray, number: int, limit: float) -> None:
    """Make the goal a rule and the shared fish the objective, before the first run."""
    problem = master.session.problem
    slack = 1e-8 * (1.0 + abs(limit))
    rows = [pulp.LpConstraint(problem.objective.copy(), -1, rhs=limit + slack)]
    node_of = {master.form.single_candidate(node): node for node in master.t}
    shared = []
    for i, values in enumerate(master.values):
        base = int(master.draft.base[i])
        above = values[values > base].tolist()
        if not above:
            continue
        switch = master.z.get(i)
        if switch is None:
            switch = problem.add_variable(numbered("u", i), 0, 1)
            for dishes, sense in ((above[-1] - base, -1), (above[0] - base, 1)):
                terms = pulp.LpAffineExpression([(master.c[i], 1.0), (switch, -float(dishes))])
                rows.append(pulp.LpConstraint(terms, sense, rhs=float(base)))
        if i in node_of:
            rows += _squares_if_used(master.t[node_of[i]], master.c[i], switch, base, above)
        of_fish = problem.add_variable(numbered("s", i), 0)
        shared.append((of_fish, 1.0))
        first = int(used[i])
        for j in range(1, first + number):  # the line of n (n - 1) / 2 from j to j + 1
            terms = pulp.LpAffineExpression([(of_fish, 1.0), (switch, -float(j * number))])
            rows.append(pulp.LpConstraint(terms, 1, rhs=float(j * first - j * (j + 1) / 2)))
    problem.setObjective(pulp.LpAffineExpression(shared))
    master.session.add_rows(rows)


def _squares_if_used(
    square: pulp.LpVariable,
    dishes: pulp.LpVariable,
    switch: pulp.LpVariable,
    base: int,
    above: Sequence[int],
) -> list[pulp.LpConstraint]:
    """Bound the square of a fish's dishes between neighbouring values a and b, given whether it is used.

    Unused, the square is base^2; used, it lies above ``(a + b) c - a b``. One row says both, where the row without
    the switch would let a fish used by a quarter pay for a quarter of its dishes only.
    """
    rows = []
    for a, b in [*pairwise(above), (above[-1], above[-1])]:
        terms = [(square, 1.0), (dishes, -float(a + b)), (switch, float((a - base) * (b - base)))]
        low = float(base * base - (a + b) * base)
        rows.append(pulp.LpConstraint(pulp.LpAffineExpression(terms), 1, rhs=low))
    return rows
