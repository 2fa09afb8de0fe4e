"""Times and proven gaps of spawning plans, beside general ways to solve the same problem."""

from __future__ import annotations

import time
from dataclasses import replace
from typing import Any

import numpy as np
import pulp

from broodstock.pedigree.kinship import kinship_matrix
from planner.optimise.kinship_bound import SquareForm
from planner.optimise.solver import Session, numbered, read_values
from planner.optimise.spawning.build import draft_rules
from planner.optimise.spawning.coefficients import Coefficients, coefficients
from planner.optimise.spawning.data import SpawningData, spawning_data
from planner.optimise.spawning.improve import Improver
from planner.optimise.spawning.naive import equal_use_plan, random_plan
from planner.optimise.spawning.near_best import alternatives
from planner.optimise.spawning.read import SpawningPlan
from planner.optimise.spawning.replan import replan
from planner.optimise.spawning.solve import SearchSettings, plan_spawning

GENERAL_SECONDS = 30.0
"""Time given to each general method."""


def skewed_pedigree(
    per_generation: int, founders: int, seed: int = 1
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Founders and three generations with very unequal families; parents, sex, rows of the youngest."""
    rng = np.random.default_rng(seed)
    parents = [(-1, -1)] * founders
    sex = [i % 2 for i in range(founders)]
    previous = list(range(founders))
    for _ in range(3):
        dams = [i for i in previous if sex[i] == 0]
        sires = [i for i in previous if sex[i] == 1]
        dam_share, sire_share = (
            rng.dirichlet(np.full(len(dams), 0.5)),
            rng.dirichlet(np.full(len(sires), 0.5)),
        )
        new = []
        for k in range(per_generation):
            parents.append(
                (dams[rng.choice(len(dams), p=dam_share)], sires[rng.choice(len(sires), p=sire_share)])
            )
            sex.append(k % 2)
            new.append(len(sex) - 1)
        previous = new
    return np.array(parents, np.int32), np.array(sex), np.array(previous)


def hatchery(candidates: int, dishes: int, founders: int, **rules: Any) -> SpawningData:
    """Every fish of the youngest generation is a candidate; at most four dishes each unless other rules are given."""
    parents, sex, youngest = skewed_pedigree(candidates, founders)
    rules = rules or {"most_uses": 4}
    return spawning_data(
        youngest[sex[youngest] == 0], youngest[sex[youngest] == 1], dishes, parents=parents, **rules
    )


def marker_kinship(parents: np.ndarray, loci: int = 500, seed: int = 1) -> np.ndarray:
    """Kinship from SNPs dropped down the pedigree, allele frequencies of the founders known."""
    rng = np.random.default_rng(seed)
    frequency = rng.uniform(0.1, 0.9, loci)
    genes = np.zeros((len(parents), loci, 2))
    for fish, pair in enumerate(parents.tolist()):
        for side, parent in enumerate(pair):
            drawn = rng.random(loci) < frequency
            genes[fish, :, side] = (
                drawn if parent < 0 else genes[parent, np.arange(loci), rng.integers(0, 2, loci)]
            )
    centred = genes.sum(axis=2) - 2 * frequency
    return centred @ centred.T / (4 * (frequency * (1 - frequency)).sum())


def row_of(work: str, size: str, seconds: float, bar: str, note: str) -> dict[str, Any]:
    """Return one row of the table."""
    return {"work": work, "size": size, "seconds": round(seconds, 2), "bar": bar, "note": note}


def words(plan: SpawningPlan) -> str:
    """Status, value and gap of a plan."""
    gap = "no gap known" if plan.gap is None else f"proven gap {plan.gap:.4%}"
    return f"{plan.status}, {gap}, goal {plan.value:.6f}"


def plan_row(
    work: str, data: SpawningData, bar: str, limit: float = 60.0
) -> tuple[dict[str, Any], SpawningPlan]:
    """Time one plan from data to recheck."""
    began = time.perf_counter()
    plan = plan_spawning(data, SearchSettings(time_limit=limit))
    seconds = time.perf_counter() - began
    size = f"{data.n_candidates} candidates, {data.dishes} dishes"
    return row_of(work, size, seconds, bar, words(plan)), plan


def general_rows(data: SpawningData, plan: SpawningPlan) -> list[dict[str, Any]]:
    """The same contributions by two general methods, the time limit being the same for both."""
    co = coefficients(data)
    size = f"{data.n_candidates} candidates, {data.dishes} dishes"
    rows = []
    for work, form in (
        ("dense tangents and branch and cut", None),
        ("tangents per ancestor, no exact rows", co.form),
    ):
        began = time.perf_counter()
        value, bound = tangents_only(data, co, form)
        seconds = time.perf_counter() - began
        gap = (value - bound) / value
        ours = f"ours {plan.gap:.4%} in {plan.report.seconds:.2f} s"
        rows.append(row_of(work, size, seconds, "", f"proven gap {gap:.3%} at goal {value:.6f}; {ours}"))
    return rows


def tangents_only(data: SpawningData, co: Coefficients, form: SquareForm | None) -> tuple[float, float]:
    """Outer approximation with tangents only, relaxed first, then with whole numbers, until the time is over.

    Without `form` c'Kc is bounded as a whole by dense tangents; with it, each square is bounded by its own.
    """
    ends = time.perf_counter() + GENERAL_SECONDS
    n = data.n_candidates
    draft = draft_rules(data, co)
    problem = pulp.LpProblem("general", pulp.LpMinimize)
    c = [
        problem.add_variable(numbered("c", i), int(v[0]), int(v[-1])) for i, v in enumerate(draft.possible())
    ]
    nodes = 1 if form is None else form.n_nodes
    t = [problem.add_variable(numbered("t", k), 0) for k in range(nodes)]
    weights = np.ones(1) if form is None else form.weights
    problem.setObjective(pulp.LpAffineExpression([(v, float(w)) for v, w in zip(t, weights, strict=True)]))
    y = [] if form is None else [problem.add_variable(numbered("y", k), 0) for k in range(nodes)]
    for k in range(len(y)):
        terms = [(c[i], f) for i, f in form.candidate_inputs[k]] + [(y[j], f) for j, f in form.node_inputs[k]]
        problem.addConstraint(pulp.LpConstraint(pulp.LpAffineExpression([(y[k], -1.0), *terms]), 0, rhs=0.0))
    for sex in (data.is_female, ~data.is_female):
        total = pulp.LpAffineExpression([(c[i], 1.0) for i in np.flatnonzero(sex).tolist()])
        problem.addConstraint(pulp.LpConstraint(total, 0, rhs=float(data.dishes)))
    session = Session(problem)

    def add_tangents(point: np.ndarray) -> None:
        if form is None:
            slope = 2.0 * co.K @ point
            terms = [(t[0], 1.0)] + [(c[i], -float(slope[i])) for i in range(n)]
            session.add_rows(
                [pulp.LpConstraint(pulp.LpAffineExpression(terms), 1, rhs=-float(point @ co.K @ point))]
            )
            return
        for k, flow in enumerate(form.flows(point).tolist()):
            expression = pulp.LpAffineExpression([(t[k], 1.0), (y[k], -2.0 * flow)])
            session.add_rows([pulp.LpConstraint(expression, 1, rhs=-flow * flow)])

    bound, value = 0.0, np.inf
    for _ in range(300):
        report = session.solve(time_limit=max(0.1, ends - time.perf_counter()))
        if not report.proven or time.perf_counter() > ends - GENERAL_SECONDS / 2:
            break
        before, bound = bound, max(bound, report.objective or 0.0)
        add_tangents(read_values(c, report))
        if bound - before < 1e-6 * bound:
            break
    session.set_integer(c, True)
    improver = Improver(draft, co.K, co.linear / co.square, draft.possible(), [])
    while time.perf_counter() < ends and not value - bound <= 1e-3 * bound:
        report = session.solve(time_limit=max(0.1, ends - time.perf_counter()), relative_gap=3e-4)
        bound = max(bound, report.bound or 0.0)
        if not report.has_solution:
            break
        found = np.rint(read_values(c, report))
        value = min(value, improver.value(found.astype(np.int64)))
        add_tangents(found)
    if not np.isfinite(value):
        start = improver.built()
        assert start is not None
        value = improver.value(start)
    return co.square * value, co.square * bound


def rows() -> list[dict[str, Any]]:
    """Measure everything."""
    plan_spawning(hatchery(20, 4, 10))  # compiled loops are loaded before the clock starts
    table: list[dict[str, Any]] = []
    plans: dict[int, tuple[SpawningData, SpawningPlan]] = {}
    for candidates, dishes, founders, bar in (
        (120, 40, 30, ""),
        (240, 60, 30, "3 s, gap 0.1 %"),
        (600, 100, 60, ""),
        (1200, 200, 100, "60 s, gap 0.1 %"),
    ):
        data = hatchery(candidates, dishes, founders)
        row, plan = plan_row("spawning plan", data, bar)
        plans[candidates] = data, plan
        table.append(row)
    data, plan = plans[240]
    for work, rules in (
        ("spawning plan, pair limit 1/32", {"most_uses": 4, "pair_limit": 1 / 32}),
        ("partial factorial, 2 to 4 mates each", {"males_per_female": (2, 4), "females_per_male": (2, 4)}),
    ):
        table.append(plan_row(work, hatchery(240, 60, 30, **rules), "")[0])
    living = np.zeros(data.n_fish)
    living[data.candidates] = 1.0
    group = {"most_uses": 4, "living": living, "living_share": 0.5, "young": 500.0}
    table.append(plan_row("half the weight on the living group", hatchery(240, 60, 30, **group), "")[0])
    K = 0.5 * marker_kinship(data.parents) + 0.5 * kinship_matrix(data.parents)
    blended = spawning_data(
        data.females, data.males, data.dishes, parents=data.parents, kinship=K, most_uses=4
    )
    table.append(plan_row("blended kinship, dense", blended, "", limit=20.0)[0])
    table += morning_rows(data, plan)
    table += event_rows()
    for candidates in (120, 240):
        table += general_rows(*plans[candidates])
    return table


def morning_rows(data: SpawningData, plan: SpawningPlan) -> list[dict[str, Any]]:
    """Plan again, alternatives and naive plans for 240 candidates."""
    size = f"{data.n_candidates} candidates, {data.dishes} dishes"
    laid = plan.pairs[:20]
    used = np.flatnonzero(plan.contributions)
    lost = [i for i in used.tolist() if data.candidates[i] not in laid[:, :2]][:3]
    began = time.perf_counter()
    again = replan(data, plan, laid=laid, lost=lost)
    seconds = time.perf_counter() - began
    note = f"{words(again.plan)}; {len(again.kept)} crosses kept, {len(again.added)} new"
    table = [row_of("plan again, 20 dishes laid, 3 fish lost", size, seconds, "2 s", note)]
    began = time.perf_counter()
    others = alternatives(data, plan, number=3)
    seconds = time.perf_counter() - began
    fish = plan.contributions > 0
    shared = ", ".join(f"{int((fish & (o.contributions > 0)).sum())}" for o in others)
    note = (
        f"fish shared with the best plan's {int(fish.sum())}: {shared}; over all pairs {others.shared}, proven least "
        f"{others.least_shared}"
    )
    table.append(row_of("three alternatives within 1 %", size, seconds, "", note))
    began = time.perf_counter()
    equal, random = equal_use_plan(data), random_plan(data, 1)
    seconds = time.perf_counter() - began
    assert plan.value is not None
    gains = [f"{other.value / plan.value - 1:.1%}" for other in (equal, random) if other.value is not None]
    note = f"mean kinship above the plan's: each fish once by mean kinship {gains[0]}, random {gains[1]}"
    table.append(row_of("naive plans under the same rules", size, seconds, "", note))
    return table


def event_rows() -> list[dict[str, Any]]:
    """Plan again after every event of a morning, a third of the dishes laid; seconds of processor time, all threads."""
    rules: dict[str, Any] = {"most_uses": 4, "pair_limit": 1 / 32, "safe_limit": 1 / 32}
    data = hatchery(240, 60, 30, **rules)
    plan = plan_spawning(data)
    laid = plan.pairs[:20]
    free = [i for i in np.flatnonzero(plan.contributions).tolist() if data.candidates[i] not in laid[:, :2]]
    females, males = ([i for i in free if data.is_female[i] == sex] for sex in (True, False))
    rest = int(plan.pairs[:, 2].sum() - laid[:, 2].sum())
    few, unread = data.most_uses.copy(), data.unknown.copy()
    few[females[0]] = 1
    unread[[females[0], males[0]]] = True
    assert data.parents is not None
    parents = np.vstack([data.parents, [[-1, -1]]]).astype(np.int32)
    came = spawning_data([*data.females, data.n_fish], data.males, data.dishes, parents=parents, **rules)
    events: list[tuple[str, SpawningData, dict[str, Any]]] = [
        ("a female not ripe", data, {"lost": females[:1]}),
        ("a female with eggs for one dish", replace(data, most_uses=few), {}),
        ("a male without milt", data, {"lost": males[:1]}),
        ("a female and a male dead", data, {"lost": [females[0], males[0]]}),
        ("two tags not read", replace(data, unknown=unread), {}),
        ("a male found to be a hybrid", data, {"lost": males[-1:]}),
        ("a wild female arrives", came, {}),
        ("10 cells fewer", data, {"dishes": rest - 10}),
        ("crew for half the dishes", data, {"dishes": rest // 2}),
    ]
    table = []
    for work, now, told in events:
        began, wall = time.process_time(), time.perf_counter()
        again = replan(now, plan, laid=laid, **told)
        seconds, waited = time.process_time() - began, time.perf_counter() - wall
        note = f"{words(again.plan)}; {len(again.kept)} crosses kept, {len(again.added)} new; {waited:.2f} s by the clock"
        size = f"{now.n_candidates} candidates, {now.dishes} dishes"
        table.append(row_of(f"plan again: {work}", size, seconds, "2 s of processor time", note))
    return table
