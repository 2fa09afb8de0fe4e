"""Times of release planning on a programme-sized problem, beside general ways to solve the same problem."""

from __future__ import annotations

import time
from dataclasses import replace
from typing import Any

import numpy as np

from planner.optimise.release.assign import assign_fish
from planner.optimise.release.build import aim_at_kinship, build_rules, objective
from planner.optimise.release.data import ReleaseData
from planner.optimise.release.fallback import plan_without_sites
from planner.optimise.release.model import constraints, load, row
from planner.optimise.release.naive import fill_in_order, proportional
from planner.optimise.release.plan import ReleasePlan
from planner.optimise.release.relax import numbers_of
from planner.optimise.release.solve import plan_release
from planner.optimise.solver import Session, read_values
from tests.optimise.release.instances import programme

BAR = 30.0
"""Seconds within which a plan with a proven gap of 0.5 % is wanted on two cores."""


def size_of(data: ReleaseData) -> str:
    """Return the size of a problem in words."""
    fish = int(data.groups.available.sum())
    return f"{data.n_families} families in {data.n_groups} groups ({fish} fish) x {data.n_sites} sites, all rules"


def plan_row(data: ReleaseData, work: str) -> tuple[dict[str, Any], ReleasePlan]:
    """Time one plan from data to recheck."""
    started = time.perf_counter()
    plan = plan_release(data)
    seconds = time.perf_counter() - started
    gap = "none" if plan.gap is None else f"{plan.gap:.3%}"
    kinship = plan.measures.kinship_weighted if plan.measures else None
    note = f"{plan.status}, proven gap {gap}, weighted mean kinship {kinship:.5f}, "
    note += f"{len(plan.breaches)} rules broken"
    return row_of(work, size_of(data), seconds, BAR, note), plan


def row_of(work: str, size: str, seconds: float, bar: float | None, note: str) -> dict[str, Any]:
    """Return one row of the table."""
    return {"work": work, "size": size, "seconds": round(seconds, 2), "bar": bar, "note": note}


def single_cut_row(data: ReleaseData, floor: float, best: float, seconds: float = 30.0) -> dict[str, Any]:
    """Relax with one dense tangent per block and round, instead of one per direction, on the same rules."""
    frame = build_rules(data, floor)
    columns = aim_at_kinship(frame)
    model = frame.model
    most = np.array([[model.high[j] for j in line] for line in columns.squared]).sum(axis=1)
    for j in columns.squared.ravel().tolist():
        model.cost[j] = 0.0
    term = model.add((len(columns.block),), 0.0, most, cost=columns.weight)
    loaded = load(model, "single_cuts", relaxed=True)
    session = Session(loaded.problem)
    started = time.perf_counter()
    bound, value, rounds = 0.0, np.inf, 0
    while time.perf_counter() - started < seconds:
        report = session.solve(time_limit=seconds - (time.perf_counter() - started), interior=True)
        if not report.proven:
            break
        assert report.objective is not None
        rounds += 1
        x = read_values(loaded.variables, report)
        bound = max(bound, report.objective + columns.constant)
        value = min(value, objective(data, numbers_of(frame, x)))
        ratio = x[columns.along] / np.maximum(x[columns.total], 1e-9)[:, None]
        for b, q in enumerate(ratio):
            one = row(
                "",
                "tangent",
                [term[b], *columns.along[b], columns.total[b]],
                [1.0, *(-2.0 * q), float(q @ q)],
                low=0.0,
            )
            session.add_rows(constraints(one, loaded.variables))
    gap = (min(value, best) - bound) / min(value, best)
    return row_of(
        "for comparison: one dense tangent per site, parts of fish allowed",
        size_of(data),
        time.perf_counter() - started,
        None,
        f"gap {gap:.2%} after {rounds} rounds, no whole-number plan",
    )


def general_solver_row(data: ReleaseData, floor: float) -> dict[str, Any]:
    """Solve the same relaxation by a general conic solver (cvxpy with Clarabel)."""
    import cvxpy as cp
    from scipy.sparse import coo_matrix

    frame = build_rules(data, floor)
    model = frame.model
    started = time.perf_counter()
    x = cp.Variable(model.n_columns)
    owner = np.repeat(np.arange(len(model.rows)), [r.columns.size for r in model.rows])
    index = np.concatenate([r.columns for r in model.rows])
    factors = np.concatenate([r.factors for r in model.rows])
    matrix = coo_matrix((factors, (owner, index)), shape=(len(model.rows), model.n_columns)).tocsr()
    low = np.array([r.low for r in model.rows])
    high = np.array([r.high for r in model.rows])
    rules = [
        matrix[np.isfinite(low)] @ x >= low[np.isfinite(low)],
        matrix[np.isfinite(high)] @ x <= high[np.isfinite(high)],
        x >= np.array(model.low),
        x <= np.array(model.high),
    ]
    used = frame.fish >= 0
    values, vectors = np.linalg.eigh(data.families.kinship)
    kept = values > 1e-10 * values[-1]
    root = (vectors[:, kept] * np.sqrt(values[kept])).T
    groups, sites = np.nonzero(used)
    terms = []
    whole: Any = 0
    for s in range(data.n_sites):
        here = np.flatnonzero(sites == s)
        spread = coo_matrix(
            (
                data.survival[groups[here], s],
                (data.groups.family[groups[here]], frame.fish[groups[here], s]),
            ),
            shape=(data.n_families, model.n_columns),
        ).tocsr()
        living = spread @ x + data.living_residents[:, s]
        whole = whole + living
        terms.append(data.sites.weight[s] * cp.quad_over_lin(root @ living, cp.sum(living)))
    terms.append(data.settings.whole_weight * cp.quad_over_lin(root @ whole, cp.sum(whole)))
    problem = cp.Problem(cp.Minimize(cp.sum(terms)), rules)
    problem.solve(solver=cp.CLARABEL)
    return row_of(
        "for comparison: general conic solver, parts of fish allowed",
        size_of(data),
        time.perf_counter() - started,
        None,
        f"{problem.status}, value {problem.value:.4f}, no whole-number plan and no bound from it",
    )


def rows() -> list[dict[str, Any]]:
    """Return one row per measurement."""
    plan_release(programme(2, n_families=16, n_fish=900))  # import what is imported late
    data = programme(1)
    out = []
    first, plan = plan_row(data, "release plan")
    out.append(first)
    assert plan.numbers is not None
    assert plan.objective is not None
    own_kinship = data.families.kinship + 0.02 * np.eye(data.n_families)
    dense = replace(data, families=replace(data.families, kinship=own_kinship))
    out.append(plan_row(dense, "release plan, kinship of full rank")[0])
    out.append(plan_row(programme(2), "release plan, another programme")[0])
    started = time.perf_counter()
    new = plan_without_sites(data, plan.numbers, [10])
    seconds = time.perf_counter() - started
    note = f"{new.plan.status}, {int(plan.numbers[:, 10].sum())} fish moved, the other sites kept"
    out.append(row_of("new plan when a site closes", size_of(data), seconds, 5.0, note))
    started = time.perf_counter()
    impossible = plan_release(data.with_settings(total_min=4600, total_max=-1))
    seconds = time.perf_counter() - started
    count = len(impossible.conflicts.rules) if impossible.conflicts else 0
    note = f"{impossible.status}, {count} rules named"
    out.append(row_of("conflicting rules and smallest changes", size_of(data), seconds, None, note))
    group = np.repeat(np.arange(data.n_groups), data.groups.available)
    sex = np.random.default_rng(1).choice(["female", "male", "unknown"], len(group))
    started = time.perf_counter()
    given = assign_fish(plan.numbers, group, sex, seed=1)
    seconds = time.perf_counter() - started
    apart = int(np.abs(given.females - given.males).sum())
    note = f"sexes apart by {apart} fish over all sites"
    out.append(row_of("single fish for a plan", f"{len(group)} fish", seconds, None, note))
    for plain in (proportional(data), fill_in_order(data)):
        note = f"weighted mean kinship {plain.measures.kinship_weighted:.5f}, "
        note += f"{plain.measures.survivors.text(0)} survivors, {len(plain.breaches)} rules broken"
        out.append(row_of(f"for comparison: {plain.name}", size_of(data), 0.0, None, note))
    out.append(single_cut_row(data, plan.survivors_floor, plan.objective))
    out.append(general_solver_row(data, plan.survivors_floor))
    return out


if __name__ == "__main__":
    for one in rows():
        print(one)
