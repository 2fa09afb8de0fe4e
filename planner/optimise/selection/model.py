"""The linear model of a choice: numbers per kind, family switches, gene flows and bounded squares."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pulp

from broodstock.arrays import BigIntArray, FloatArray
from planner.optimise.kinship_bound import SquareForm, cut, dense_form, lattice
from planner.optimise.selection.data import NO_LIMIT, SelectionData
from planner.optimise.solver import Session, numbered, read_values
from planner.optimise.status import SolveReport

LEAST_SWITCH = 1e-6
"""Switches below this count as off when rows are made."""

LinearRow = tuple[tuple[tuple[pulp.LpVariable, float], ...], float, float]
"""Terms (variable, factor), least and most."""


@dataclass(frozen=True)
class Demand:
    """A rule as linear rows of the model.

    Parameters
    ----------
    words : str
        The rule in words.
    rows : tuple of LinearRow
        Linear rows.
    """

    words: str
    rows: tuple[LinearRow, ...]


def square_form(data: SelectionData) -> SquareForm:
    """Return t'Kt over fish per family as weighted squares.

    Raises
    ------
    ValueRangeError
        If the kinship matrix gives a mixture of families a negative mean kinship.
    """
    return dense_form(data.kinship, [(np.arange(data.n_families), float(data.number))])


class ChoiceModel:
    """Numbers per kind with all rules, and the squares of the kinship form bounded from below by rows.

    Parameters
    ----------
    data : SelectionData
        Kinds and rules.
    form : SquareForm, optional
        t'Kt over fish per family; without it the model has rules only.
    """

    def __init__(self, data: SelectionData, form: SquareForm | None = None) -> None:
        self.data, self.form = data, form
        self.problem = pulp.LpProblem("choice", pulp.LpMinimize)
        most = np.minimum(data.most, data.number).tolist()
        self.n = [
            self.problem.add_variable(numbered("n", i), 0, high, cat=pulp.LpInteger)
            for i, high in enumerate(most)
        ]
        self._added = 0
        self.switches: list[pulp.LpVariable] = []
        self.used: list[pulp.LpVariable] = []
        self.links: list[LinearRow] = []
        self.t = [self.problem.add_variable(numbered("t", f), 0, data.number) for f in range(data.n_families)]
        members: list[list[int]] = [[] for _ in range(data.n_families)]
        for i, f in enumerate(data.family.tolist()):
            members[f].append(i)
        self._members = members
        for f, kinds in enumerate(members):
            self.links.append(((*((self.n[i], 1.0) for i in kinds), (self.t[f], -1.0)), 0.0, 0.0))
        self.demands = self._demands()
        self.integers = [*self.n, *self.switches]
        self.y: dict[int, pulp.LpVariable] = {}
        self.square: dict[int, pulp.LpVariable] = {}
        self._known: set[tuple[int, float]] = set()
        self.session: Session | None = None

    def _demands(self) -> list[Demand]:
        """Write every rule as rows; the links between variables are kept apart."""
        data = self.data
        out = [
            Demand(
                f"choose {data.number} fish",
                ((tuple((v, 1.0) for v in self.n), float(data.number), float(data.number)),),
            )
        ]
        for i in np.flatnonzero(data.least > 0).tolist():
            words = f"{data.kind_names[i]}: choose at least {int(data.least[i])} ({int(data.most[i])} may be chosen)"
            out.append(Demand(words, ((((self.n[i], 1.0),), float(data.least[i]), math.inf),)))
        for rule in data.rules:
            terms = tuple((self.n[i], float(rule.factors[i])) for i in np.flatnonzero(rule.factors).tolist())
            if terms:
                out.append(Demand(rule.words, ((terms, rule.low, rule.high),)))
            elif rule.low > 0 or rule.high < 0:
                out.append(Demand(rule.words, ((((self.n[0], 0.0),), rule.low, rule.high),)))
        return out + self._family_demands()

    def _family_demands(self) -> list[Demand]:
        data, per = self.data, self.data.families
        out = []
        most = min(per.most, data.number)
        if per.most < NO_LIMIT:
            rows: tuple[LinearRow, ...] = tuple((((t, 1.0),), -math.inf, float(most)) for t in self.t)
            out.append(Demand(f"at most {per.most} fish of a family", rows))
        if per.least > 1 or per.families > 0:
            used = [
                self.problem.add_variable(numbered("u", f), 0, 1, cat=pulp.LpInteger)
                for f in range(len(self.t))
            ]
            self.switches += used
            self.used = used
            room = [min(data.number, int(data.most[kinds].sum())) for kinds in self._members]
            for t, u, high in zip(self.t, used, room, strict=True):
                self.links.append((((t, 1.0), (u, -float(high))), -math.inf, 0.0))
                self.links.append((((t, 1.0), (u, -1.0)), 0.0, math.inf))
            if per.least > 1:
                rows = tuple(
                    (((t, 1.0), (u, -float(per.least))), 0.0, math.inf)
                    for t, u in zip(self.t, used, strict=True)
                )
                out.append(Demand(f"at least {per.least} fish of each family that takes part", rows))
            if per.families > 0:
                row = (tuple((u, 1.0) for u in used), float(per.families), math.inf)
                out.append(Demand(f"at least {per.families} families", (row,)))
        if per.sexes_apart:
            out += self._sexes_apart()
        return out

    def _sexes_apart(self) -> list[Demand]:
        data = self.data
        rows = []
        for f, kinds in enumerate(self._members):
            sexes = sorted(set(data.sex[kinds].tolist()))
            if len(sexes) < 2:
                continue
            switches = []
            for sex in sexes:
                v = self.problem.add_variable(numbered("x", f, sex + 1), 0, 1, cat=pulp.LpInteger)
                switches.append(v)
                of_sex = [i for i in kinds if data.sex[i] == sex]
                room = float(np.minimum(data.most[of_sex], data.number).sum())
                terms = (*((self.n[i], 1.0) for i in of_sex), (v, -room))
                self.links.append((terms, -math.inf, 0.0))
            self.switches += switches
            rows.append((tuple((v, 1.0) for v in switches), -math.inf, 1.0))
        return [Demand("fish of a family are of one sex", tuple(rows))] if rows else []

    def load(self) -> None:
        """Put the kinship form, the rules and the objective into a session.

        Squares are counted in units of N, the number of fish, which keeps the numbers of the model small. Objective:
        ``(t'Kt + linear't) / N``, so that the goal is scale x objective + constant.
        """
        assert self.form is not None
        form = self.form
        square_scale, linear, constant = scale_of(self.data)
        N = float(self.data.number)
        self.scale, self.constant = square_scale * N, constant + square_scale * form.constant
        objective = [(t, float(x) / N) for t, x in zip(self.t, linear, strict=True)]
        flows: list[pulp.LpVariable] = []
        self.on = self._node_switches() if self.used else [None] * form.n_nodes
        for node in range(form.n_nodes):
            single = form.single_candidate(node)
            if single is not None:
                flows.append(self.t[single])
            else:
                own, earlier = form.candidate_inputs[node], form.node_inputs[node]
                positive = all(f >= 0 for _, f in (*own, *earlier))
                y = self.problem.add_variable(numbered("y", node), 0 if positive else None)
                terms = ((y, -1.0), *((self.t[i], f) for i, f in own), *((flows[j], f) for j, f in earlier))
                self.links.append((terms, 0.0, 0.0))
                flows.append(y)
            if form.weights[node] > 0:
                self.y[node] = flows[node]
                self.square[node] = self.problem.add_variable(numbered("s", node), 0)
                objective.append((self.square[node], float(form.weights[node])))
        self.problem.setObjective(pulp.LpAffineExpression(objective))
        room = np.bincount(self.data.family, weights=self.data.most, minlength=self.data.n_families)
        per = self.data.families
        most = np.minimum(room, min(per.most, self.data.number)).astype(np.int64)
        possible = [np.unique(np.append(np.arange(per.least, m + 1), 0)) for m in most.tolist()]
        self.lattice = lattice(form, possible)
        self.session = Session(self.problem)
        for terms, low, high in self.links:
            self.session.add_rows(constraints(terms, low, high))
        for demand in self.demands:
            for terms, low, high in demand.rows:
                self.session.add_rows(constraints(terms, low, high))

    def _node_switches(self) -> list[pulp.LpVariable | None]:
        """Return for each node a number in 0 to 1 that is 0 where no family with a flow through it takes part.

        None for a node whose flow may be negative: there it would not help.
        """
        assert self.form is not None
        on: list[pulp.LpVariable | None] = []
        for node in range(self.form.n_nodes):
            own, earlier = self.form.candidate_inputs[node], self.form.node_inputs[node]
            if any(f < 0 for _, f in (*own, *earlier)):
                on.append(None)
                continue
            parts = [self.used[i] for i, _ in own] + [on[j] for j, _ in earlier]
            if None in parts:
                on.append(None)
                continue
            if len(parts) == 1:
                on.append(parts[0])
                continue
            z = self.problem.add_variable(numbered("z", node), 0, 1)
            self.links.append((((z, -1.0), *((v, 1.0) for v in parts)), 0.0, math.inf))
            on.append(z)
        return on

    def cut_at(self, t: FloatArray, report: SolveReport | None = None, deeper: float = 1e-7) -> int:
        """Bound the squares around the flows of given family numbers; return the number of rows added.

        Parameters
        ----------
        t : ndarray, float64, shape (n_families,)
            Fish per family.
        report : SolveReport, optional
            The run they come from: rows that its squares meet to within ``deeper x (1 + flow^2)`` are left out.
        deeper : float
            See `report`.

        Notes
        -----
        With switches a row is ``square >= (a + b) y - a b z``: where no family takes part (z = 0) flow and square are
        0, and for fractions of a switch it cuts deeper (perspective cut: Frangioni & Gentile 2006, Mathematical
        Programming 106, 225-236, from memory).
        """
        assert self.form is not None
        assert self.session is not None
        flows, N = self.form.flows(t), float(self.data.number)
        squares = None if report is None else self.squares(report)
        on = np.ones(len(flows))
        if report is not None:
            there = [k for k, v in enumerate(self.on) if v is not None]
            on[there] = np.clip(read_values([self.on[k] for k in there], report), 0.0, 1.0)
        rows = []
        for node, square in self.square.items():
            y, z = float(flows[node]), float(on[node])
            if z < LEAST_SWITCH:
                continue
            for a, b in self.lattice.cells(node, y / z):
                slope, intercept = cut(a, b)
                if squares is not None:
                    missing = slope * y - intercept * z - squares[node]
                    if missing <= deeper * (1 + y * y):
                        continue
                key = (node, round(slope, 9))
                if key in self._known:
                    continue
                self._known.add(key)
                terms = [(square, 1.0), (self.y[node], -slope / N)]
                switch = self.on[node]
                if switch is not None:
                    terms.append((switch, intercept / N))
                low = -intercept / N if switch is None else 0.0
                rows.append(pulp.LpConstraint(pulp.LpAffineExpression(terms), 1, rhs=low))
        self.session.add_rows(rows)
        return len(rows)

    def squares(self, report: SolveReport) -> dict[int, float]:
        """Return what the last run took the squares to be."""
        nodes = list(self.square)
        values = read_values(list(self.square.values()), report) * self.data.number
        return dict(zip(nodes, values.tolist(), strict=True))

    def goal(self, value: float) -> float:
        """Return the mean kinship for a value of the model's objective."""
        return self.scale * value + self.constant

    def start_at(self, numbers: BigIntArray) -> dict[pulp.LpVariable, float]:
        """Return a start for the solver; it completes the switches itself."""
        assert self.form is not None
        t = self.data.family_numbers(numbers)
        flows = self.form.flows(t)
        start = {v: float(x) for v, x in zip(self.n, numbers.tolist(), strict=True)}
        start |= {v: float(x) for v, x in zip(self.t, t.tolist(), strict=True)}
        start |= {v: float(flows[k]) for k, v in self.y.items()}
        start |= {v: float(flows[k] ** 2) / self.data.number for k, v in self.square.items()}
        return start


def scale_of(data: SelectionData) -> tuple[float, FloatArray, float]:
    """Return a, b, c with goal = a x (t'Kt + b't) + c for fish per family t that add up to the number.

    Parameters
    ----------
    data : SelectionData
        Kinds and weights.

    Returns
    -------
    float, ndarray of float64 shape (n_families,), float
        Scale, linear part and constant.
    """
    N, L, w = float(data.number), data.living, data.living_weight
    joint = w / (N + L) ** 2 if w > 0 else 0.0
    scale = (1 - w) / N**2 + joint
    linear = data.self_kinship - np.diag(data.kinship) + 2 * L * data.living_kinship * joint / scale
    return scale, linear, joint * L**2 * data.living_mean


def constraints(
    terms: Sequence[tuple[pulp.LpVariable, float]], low: float, high: float
) -> list[pulp.LpConstraint]:
    """Return one row, or two where both limits are finite and differ."""
    if low == high:
        return [pulp.LpConstraint(pulp.LpAffineExpression(list(terms)), 0, rhs=low)]
    out = []
    if math.isfinite(low):
        out.append(pulp.LpConstraint(pulp.LpAffineExpression(list(terms)), 1, rhs=low))
    if math.isfinite(high):
        out.append(pulp.LpConstraint(pulp.LpAffineExpression(list(terms)), -1, rhs=high))
    return out
