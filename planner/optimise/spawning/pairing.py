"""Who is crossed with whom once it is settled how often each fish is used.

For given contributions the pairs are a transport problem between females and males with room for each pair.
Its matrix is totally unimodular: the linear programme has a best solution in whole numbers (Hoffman & Kruskal
1956). By the max-flow min-cut theorem (Ford & Fulkerson 1956) a pairing exists exactly when every cut has room
for all dishes; the cut that fails becomes a row of the model of contributions.
"""

from __future__ import annotations

import threading
from collections import deque

import numpy as np
import pulp

from broodstock.arrays import BigIntArray, FloatArray
from planner.optimise.solver import numbered, read_counts, solve
from planner.optimise.spawning.blocks import arrange, no_arrangement
from planner.optimise.spawning.build import Draft, Row
from planner.optimise.spawning.model import PairCut
from planner.optimise.status import SolveReport

EVEN_LIMIT = 5.0
"""Seconds for evening out the families; after that the pairing of least inbreeding stands as it is."""
EVEN_SLACK = 1e-9
"""Room for rounding when the least cost is held."""
_FINE = 1 << 12
"""Fractions of a dish are counted in this many parts when the flow is computed."""


def failing_cut(draft: Draft, c: FloatArray, *, least_violation: float = 1e-6) -> PairCut | None:
    """Return a cut that contributions c break, or None when (to within rounding) a pairing exists.

    Parameters
    ----------
    draft : Draft
    c : ndarray, float64, shape (n_candidates,)
        Contributions, dishes made included; whole numbers or fractions.
    least_violation : float
        Dishes by which a cut must fail to be returned.

    Returns
    -------
    PairCut or None
        The row is valid for all contributions, not only for c.
    """
    new = np.asarray(c, dtype=np.float64) - draft.base
    nf = draft.data.n_females
    total = float(new[:nf].sum())
    if total <= 0:
        return None
    room = draft.pair_room
    reached_f, reached_m = _source_side(new[:nf], new[nf:], room)
    reached_f, reached_m = _lifted(draft, reached_f, reached_m, new)
    crossing = np.where(reached_m, 0, np.minimum(room, draft.enough)[reached_f].sum(axis=0))
    covered = np.concatenate([~reached_f, reached_m])
    counted = crossing[(new[nf:] > 0) | ~draft.switches()[nf:]]
    if float(new[covered].sum()) + float(counted.sum()) >= total - least_violation:
        return None
    return PairCut(covered, crossing)


def failing_row(
    draft: Draft,
    c: FloatArray,
    *,
    whole: bool,
    least_violation: float = 1e-6,
    time_limit: float | None = None,
    cancel: threading.Event | None = None,
) -> Row | None:
    """Return a row that contributions break because their fish cannot be paired, or None.

    Parameters
    ----------
    draft : Draft
    c : ndarray, float64, shape (n_candidates,)
    whole : bool
        True for whole numbers: then blocks are tried too.
    least_violation : float
        As for `failing_cut`.
    time_limit, cancel
        As for `planner.optimise.solver.solve`, for blocks.

    Returns
    -------
    Row or None
        None for rules that count mates: there the pairs stand in the model.
    """
    if draft.mates_counted:
        return None
    cut = failing_cut(draft, c, least_violation=least_violation)
    if cut is not None:
        return cut.row(draft)
    if whole and draft.in_blocks:
        return no_arrangement(draft, np.rint(c).astype(np.int64), time_limit=time_limit, cancel=cancel)
    return None


def _source_side(
    of_female: FloatArray, of_male: FloatArray, room: BigIntArray
) -> tuple[np.ndarray, np.ndarray]:
    """Return the females and males on the source side of a least cut of the flow network."""
    from scipy.sparse import csr_array
    from scipy.sparse.csgraph import maximum_flow

    nf, nm = room.shape
    supply = np.rint(of_female * _FINE).astype(np.int64)
    demand = np.rint(of_male * _FINE).astype(np.int64)
    most = int(max(supply.max(initial=0), 1))
    used_f, used_m = np.flatnonzero(supply > 0), np.flatnonzero(demand > 0)
    f, m = np.nonzero(room[np.ix_(used_f, used_m)])
    source, sink = nf + nm, nf + nm + 1
    heads = np.concatenate([np.full(used_f.size, source), used_f[f], nf + used_m])
    tails = np.concatenate([used_f, nf + used_m[m], np.full(used_m.size, sink)])
    between = np.minimum(room[used_f[f], used_m[m]] * _FINE, most)
    capacity = np.concatenate([supply[used_f], between, demand[used_m]]).astype(np.int32)
    size = nf + nm + 2
    places = (heads.astype(np.int32), tails.astype(np.int32))  # older scipy takes no other kind of index
    graph = csr_array((capacity, places), shape=(size, size))
    flow = maximum_flow(graph, source, sink).flow
    left = (graph - flow).tocsr()
    seen = np.zeros(size, bool)
    seen[source] = True
    queue = deque([source])
    while queue:
        node = queue.popleft()
        row = slice(left.indptr[node], left.indptr[node + 1])
        for other in left.indices[row][left.data[row] > 0].tolist():
            if not seen[other]:
                seen[other] = True
                queue.append(other)
    return seen[:nf], seen[nf : nf + nm]


def _lifted(
    draft: Draft, reached_f: np.ndarray, reached_m: np.ndarray, new: FloatArray
) -> tuple[np.ndarray, np.ndarray]:
    """Place unused fish on the side where the cut excludes most; it stays valid."""
    nf, room = draft.data.n_females, draft.pair_room
    used_f, used_m = new[:nf] > 0, new[nf:] > 0
    to_core = np.minimum(room[reached_f & used_f], draft.enough).sum(axis=0)
    fewest = (draft.least_if_new - draft.base)[nf:]
    cheap = (to_core == 0) | (draft.switches()[nf:] & (to_core <= fewest))
    males = np.where(used_m, reached_m, ~cheap)
    females = np.where(used_f, reached_f, room[:, ~males].sum(axis=1) == 0)
    return females, males


def choose_pairs(
    draft: Draft,
    c: BigIntArray,
    *,
    cost: FloatArray | None = None,
    keep: FloatArray | None = None,
    even: bool = False,
    time_limit: float | None = None,
    cancel: threading.Event | None = None,
) -> tuple[BigIntArray | None, SolveReport]:
    """Return the new dishes of each pair with the least mean inbreeding for given contributions.

    Where pairs may repeat, pairings of the same inbreeding differ in how even the families are; `even` then takes the
    one with the least sum of squared dishes over pairs, dishes made included.

    Parameters
    ----------
    draft : Draft
    c : ndarray, int64, shape (n_candidates,)
        Contributions, dishes made included.
    cost : ndarray, float64, shape (n_females, n_males), optional
        Cost of a dish; the pair's kinship by default.
    keep : ndarray, float64, shape (n_females, n_males), optional
        Small amounts taken off the cost of pairs to keep from an earlier plan.
    even : bool
        Among pairings whose cost is the least (to 1e-9 of a dish's kinship) take the most even one.
    time_limit, cancel
        As for `planner.optimise.solver.solve`.

    Returns
    -------
    dishes : ndarray, int64, shape (n_females, n_males), or None
        New dishes; None when no pairing exists, or none was found in time.
    report : SolveReport
    """
    nf = draft.data.n_females
    new = np.asarray(c, dtype=np.int64) - draft.base
    room = draft.pair_room
    price = draft.co.pair_kinship if cost is None else cost
    if keep is not None:
        price = price - keep
    if draft.in_blocks and (new > 0).any():
        return arrange(draft, np.asarray(c, dtype=np.int64), price, time_limit=time_limit, cancel=cancel)
    problem = pulp.LpProblem("pairs", pulp.LpMinimize)
    x: dict[tuple[int, int], pulp.LpVariable] = {}
    of_fish: list[list[tuple[pulp.LpVariable, float]]] = [[] for _ in range(draft.data.n_candidates)]
    used_f, used_m = np.flatnonzero(new[:nf] > 0), np.flatnonzero(new[nf:] > 0)
    for f in used_f.tolist():
        for m in used_m.tolist():
            most = int(min(room[f, m], new[f], new[nf + m]))
            if most > 0:
                variable = problem.add_variable(numbered("x", f, m), 0, most)
                x[f, m] = variable
                of_fish[f].append((variable, 1.0))
                of_fish[nf + m].append((variable, 1.0))
    problem.setObjective(pulp.LpAffineExpression([(v, float(price[p])) for p, v in x.items()]))
    for i in [*used_f.tolist(), *(nf + used_m).tolist()]:
        row = pulp.LpConstraint(pulp.LpAffineExpression(of_fish[i]), 0, rhs=float(new[i]))
        problem.addConstraint(row, numbered("fish", i))
    if draft.mates_counted:
        _count_mates(problem, draft, x, new)
    report = solve(problem, time_limit=time_limit, cancel=cancel)
    if not report.has_solution:
        return None, report
    dishes = _table(x, report, room.shape)
    made = draft.data.made_pairs
    if even and x and ((dishes > 0) & (made + dishes > 1)).any():
        best = float((price * dishes).sum())
        more = _make_even(problem, x, price, made.astype(np.int64), best)
        again = solve(problem, time_limit=EVEN_LIMIT, cancel=cancel)
        if again.has_solution:
            evener = _table(x, again, room.shape)
            if float((price * evener).sum()) <= best + more:
                dishes = evener
    return dishes, report


def _table(
    x: dict[tuple[int, int], pulp.LpVariable], report: SolveReport, shape: tuple[int, ...]
) -> BigIntArray:
    dishes = np.zeros(shape, dtype=np.int64)
    if x:
        rows, columns = np.array(list(x)).T
        dishes[rows, columns] = read_counts(list(x.values()), report)
    return dishes


def _make_even(
    problem: pulp.LpProblem,
    x: dict[tuple[int, int], pulp.LpVariable],
    price: FloatArray,
    made: BigIntArray,
    best: float,
) -> float:
    """Ask for the least sum of squared dishes at a cost of at most `best`; return what the cost may exceed it by.

    The square is written as steps of rising price: the k-th dish of a pair costs 2 k - 1. The row that holds the cost
    breaks the transport form, so the dishes are whole numbers by demand.
    """
    steps: list[tuple[pulp.LpVariable, float]] = []
    for (f, m), variable in x.items():
        variable.cat = pulp.LpInteger
        parts = []
        for k in range(int(variable.upBound)):
            part = problem.add_variable(numbered("step", f, m, k), 0, 1)
            parts.append((part, -1.0))
            steps.append((part, float(2 * (int(made[f, m]) + k) + 1)))
        problem.addConstraint(
            pulp.LpConstraint(pulp.LpAffineExpression([(variable, 1.0), *parts]), 0, rhs=0.0)
        )
    slack = EVEN_SLACK * max(1.0, abs(best))
    cost = pulp.LpAffineExpression([(v, float(price[p])) for p, v in x.items()])
    problem.addConstraint(pulp.LpConstraint(cost, -1, rhs=best + slack), "least_cost")
    problem.setObjective(pulp.LpAffineExpression(steps))
    return 2 * slack


def _count_mates(
    problem: pulp.LpProblem, draft: Draft, x: dict[tuple[int, int], pulp.LpVariable], new: BigIntArray
) -> None:
    """Limit different mates where pairs may repeat; the pairs are then whole numbers by demand."""
    nf, made = draft.data.n_females, draft.data.made_pairs
    fresh: dict[int, list[tuple[pulp.LpVariable, float]]] = {}
    for (f, m), variable in x.items():
        variable.cat = pulp.LpInteger
        joined = problem.add_variable(numbered("b", f, m), 0, 1, cat=pulp.LpInteger)
        for factor, sense in ((-float(variable.upBound), -1), (-1.0, 1)):
            terms = pulp.LpAffineExpression([(variable, 1.0), (joined, factor)])
            problem.addConstraint(pulp.LpConstraint(terms, sense, rhs=0.0))
        if made[f, m] == 0:
            fresh.setdefault(f, []).append((joined, 1.0))
            fresh.setdefault(nf + m, []).append((joined, 1.0))
    for i, terms_of in fresh.items():
        most = float(min(draft.most_mates[i], len(terms_of)))
        problem.addConstraint(pulp.LpConstraint(pulp.LpAffineExpression(terms_of), -1, rhs=most))
        if new[i] > 0 and draft.least_mates[i] > 0:
            fewest = float(draft.least_mates[i])
            problem.addConstraint(pulp.LpConstraint(pulp.LpAffineExpression(terms_of), 1, rhs=fewest))
