"""The plainest ways to the right answer: try every plan, or hand the convex problem to a general solver."""

from __future__ import annotations

import itertools
from collections.abc import Iterator

import numpy as np

from planner.optimise.release.data import ReleaseData
from planner.optimise.release.pair_rules import allowed
from planner.optimise.release.recheck import breaches
from planner.optimise.release.recheck_plan import slow_objective


def every_plan(data: ReleaseData) -> Iterator[np.ndarray]:
    """All whole-number plans within the stock."""
    per_group = []
    for g in range(data.n_groups):
        most = int(data.groups.available[g])
        ways = itertools.product(range(most + 1), repeat=data.n_sites)
        per_group.append([w for w in ways if sum(w) <= most])
    for choice in itertools.product(*per_group):
        yield np.array(choice, dtype=np.int64).reshape(data.n_groups, data.n_sites)


def best_of_all(data: ReleaseData) -> tuple[float, float] | None:
    """Most expected survivors, and the least objective at the share of them the settings ask."""
    possible = [n for n in every_plan(data) if not breaches(data, n)]
    if not possible:
        return None
    most = max(float((n * data.survival).sum()) for n in possible)
    floor = data.settings.survivors_share * most - 1e-9
    values = [slow_objective(data, n) for n in possible if (n * data.survival).sum() >= floor]
    return most, min(values)


def convex_optimum(data: ReleaseData, survivors_floor: float) -> float:
    """Relaxed optimum by a general conic solver; knows stock, pair rules, capacity, totals, caps and spread.

    Written with quad_over_lin, the perspective n'Kn / N as one cone per block.
    """
    import cvxpy as cp

    free = allowed(data)
    n = cp.Variable((data.n_groups, data.n_sites), nonneg=True)
    residents = data.living_residents
    living = data.membership @ cp.multiply(n, data.survival) + residents
    values, vectors = np.linalg.eigh(data.families.kinship)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    terms = [
        data.sites.weight[s] * cp.quad_over_lin(root.T @ living[:, s], cp.sum(living[:, s]))
        for s in range(data.n_sites)
    ]
    whole = cp.sum(living, axis=1)
    terms.append(data.settings.whole_weight * cp.quad_over_lin(root.T @ whole, cp.sum(whole)))
    sent = cp.sum(n, axis=0)
    rules = [
        n[~free] == 0 if (~free).any() else n >= 0,
        cp.sum(n, axis=1) <= data.groups.available,
        sent <= data.sites.capacity_fish - data.sites.residents.sum(axis=0),
        cp.sum(n) >= data.settings.total_min,
        cp.sum(n) <= data.settings.total_max,
        cp.sum(cp.multiply(n, data.survival)) >= survivors_floor,
    ]
    by_family = data.membership @ n
    for s in np.flatnonzero(data.sites.family_cap < 1):
        cap, there = data.sites.family_cap[s], data.sites.residents[:, s]
        rules.append(by_family[:, s] + there <= cap * (sent[s] + there.sum()))
    problem = cp.Problem(cp.Minimize(cp.sum(terms)), rules)
    problem.solve(solver=cp.CLARABEL)
    return float(problem.value)
