"""The solver's model of a draft: whole-number contributions, flows through ancestors, bounds on their squares.

Pairs do not stand in the model: for given contributions they are a transport problem, which has a solution in
whole numbers whenever it has one at all, so they are chosen afterwards (`pairing`) and only rows that say "no
pairing exists for these contributions" are added here. Only when a rule counts different mates while pairs may
repeat do the pairs stand in the model themselves.

The objective is counted in squared dishes, ``(goal - constant) / square``, which keeps its numbers near one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pulp

from broodstock.arrays import BigIntArray, FloatArray
from planner.optimise.kinship_bound import Lattice, SquareForm, cut, lattice
from planner.optimise.solver import Session, numbered, read_values
from planner.optimise.spawning.build import Draft, Row
from planner.optimise.spawning.scenarios import Case, greatest
from planner.optimise.status import SolveReport


@dataclass(frozen=True, slots=True)
class PairCut:
    """A row every pairable vector of contributions meets.

    For any choice of fish on the two sides, the new dishes of the others plus the room of pairs between the
    chosen ones cover all new dishes: ``sum over covered fish of new dishes + room >= all new dishes``.

    Parameters
    ----------
    covered : ndarray, bool, shape (n_candidates,)
        Fish whose new dishes count.
    room : ndarray, int64, shape (n_males,)
        New dishes that pairs of each male without a covered fish have room for.
    """

    covered: np.ndarray
    room: BigIntArray

    def row(self, draft: Draft) -> Row:
        """Return the cut as a row over dishes (dishes made included) and over which males get new dishes.

        A male that gets none uses no room: where the model knows that, the row says so and cuts deeper.
        """
        data = draft.data
        factors = self.covered.astype(np.float64) - data.is_female
        on_used = np.zeros(data.n_candidates)
        on_used[data.n_females :] = self.room
        on_used[~draft.switches()] = 0.0
        low = float(factors @ draft.base) - float(self.room.sum() - on_used.sum())
        return Row("pairs", factors, on_used, low, np.inf)


class Master:
    """The model of contributions, kept loaded while rows are added.

    Parameters
    ----------
    draft : Draft
        Rules.
    form : SquareForm
        Quadratic part of the objective; the model's own by default is that of the draft's coefficients.
    linear : ndarray, float64, shape (n_candidates,)
        Linear part of the objective, in the unit of the quadratic part.
    cases : sequence of Case
        With any, the greatest of them is minimised; form, linear and constant are then those of a mixture, which
        bounds it from below, and tangents of the cases are added with `cut_cases_at`.
    constant : float
        Constant of the mixture.
    """

    def __init__(
        self,
        draft: Draft,
        form: SquareForm,
        linear: FloatArray,
        cases: Sequence[Case] = (),
        constant: float = 0.0,
    ) -> None:
        self.draft = draft
        self.form = form
        self.linear = linear
        self.cases = cases
        self.constant = constant
        self.values = draft.possible()
        self.lattice: Lattice = lattice(form, self.values)
        self.contradiction = any(len(v) == 0 for v in self.values)
        self._known_cuts: set[tuple[int, float]] = set()
        self._added = 0
        if not self.contradiction:
            self._build()

    def with_form(self, form: SquareForm) -> Master:
        """Return the model with another form of the same goal, without rows added since."""
        return Master(self.draft, form, self.linear, self.cases, self.constant)

    def _build(self) -> None:
        problem = pulp.LpProblem("spawning", pulp.LpMinimize)
        self.c = [
            problem.add_variable(numbered("c", i), int(v[0]), int(v[-1])) for i, v in enumerate(self.values)
        ]
        self.z = self._switches(problem)
        self.joined: dict[tuple[int, int], pulp.LpVariable] = {}
        self.x = self._pairs(problem) if self.draft.mates_counted else {}
        flow_rows: list[pulp.LpConstraint] = []
        self.y = self._flows(problem, flow_rows)
        self.t: dict[int, pulp.LpVariable] = {
            k: problem.add_variable(numbered("t", k), 0)
            for k in np.flatnonzero(self.form.weights > 0).tolist()
        }
        terms = [(t, float(self.form.weights[k])) for k, t in self.t.items()]
        terms += [(self.c[i], x) for i, x in enumerate(self.linear.tolist()) if x]
        if self.cases:
            self.worst = problem.add_variable("worst", None)
            problem.setObjective(pulp.LpAffineExpression([(self.worst, 1.0)]))
            above = pulp.LpAffineExpression([(self.worst, 1.0), *((v, -x) for v, x in terms)])
            flow_rows.append(pulp.LpConstraint(above, 1, rhs=self.constant))
        else:
            problem.setObjective(pulp.LpAffineExpression(terms))
        for row in flow_rows:
            problem.addConstraint(row, numbered("flow", self._next()))
        for variable in self.c:  # a candidate no other row mentions must still stand in the model
            problem.addConstraint(pulp.LpConstraint(pulp.LpAffineExpression([(variable, 1.0)]), 1, rhs=0.0))
        self.session = Session(problem)
        self._add_switch_rows()
        self._add_pair_rows()
        for row in self.draft.rows:
            self.add_row(row)
        self.integers = [*self.c, *self.z.values(), *self.x.values(), *self.joined.values()]
        self._cut_small_values()
        self._cut_sums_of_squares()

    def _next(self) -> int:
        self._added += 1
        return self._added

    def _switches(self, problem: pulp.LpProblem) -> dict[int, pulp.LpVariable]:
        """Make switches (new dishes or none) where a rule asks or not all numbers in between are possible."""
        switches = {}
        for i in np.flatnonzero(self.draft.switches()).tolist():
            low = 1 if self.values[i][0] > self.draft.base[i] else 0
            high = 0 if self.values[i][-1] == self.draft.base[i] else 1
            switches[i] = problem.add_variable(numbered("z", i), low, high)
        return switches

    def _flows(self, problem: pulp.LpProblem, rows: list[pulp.LpConstraint]) -> list[pulp.LpVariable]:
        """Variables of the flow through each node; a candidate's own node is its contribution itself."""
        flows: list[pulp.LpVariable] = []
        for node in range(self.form.n_nodes):
            single = self.form.single_candidate(node)
            if single is not None:
                flows.append(self.c[single])
                continue
            own, earlier = self.form.candidate_inputs[node], self.form.node_inputs[node]
            positive = all(f >= 0 for _, f in own) and all(f >= 0 for _, f in earlier)
            flow = problem.add_variable(numbered("y", node), 0 if positive else None)
            terms = [(self.c[i], f) for i, f in own] + [(flows[j], f) for j, f in earlier]
            rows.append(pulp.LpConstraint(pulp.LpAffineExpression([(flow, -1.0), *terms]), 0, rhs=0.0))
            flows.append(flow)
        return flows

    def _pairs(self, problem: pulp.LpProblem) -> dict[tuple[int, int], pulp.LpVariable]:
        """Make variables for the new dishes of each pair, for rules that count mates."""
        room = self.draft.pair_room
        pairs = {}
        for f, m in np.argwhere(room > 0).tolist():
            most = int(min(room[f, m], self.draft.data.dishes))
            pairs[f, m] = problem.add_variable(numbered("x", f, m), 0, most)
            self.joined[f, m] = problem.add_variable(numbered("b", f, m), 0, 1)
        return pairs

    def _add_switch_rows(self) -> None:
        draft = self.draft
        for i, z in self.z.items():
            base = int(draft.base[i])
            fewest = int(max(draft.least_if_new[i], base + 1)) - base
            most = int(self.values[i][-1]) - base
            for factor, sense in ((-most, -1), (-fewest, 1)):
                terms = pulp.LpAffineExpression([(self.c[i], 1.0), (z, float(factor))])
                self.session.add_rows([pulp.LpConstraint(terms, sense, rhs=float(base))])

    def _add_pair_rows(self) -> None:
        if not self.x:
            if self.draft.mates_counted:
                new = pulp.lpSum(self.c)
                self.session.add_rows([pulp.LpConstraint(new, -1, rhs=float(self.draft.base.sum()))])
            return
        draft, nf = self.draft, self.draft.data.n_females
        of_fish: list[list[tuple[int, int]]] = [[] for _ in range(draft.data.n_candidates)]
        for f, m in self.x:
            of_fish[f].append((f, m))
            of_fish[nf + m].append((f, m))
        made = draft.data.made_pairs
        rows = []
        for i, pairs in enumerate(of_fish):
            dishes = [(self.x[p], 1.0) for p in pairs]
            rows.append(
                pulp.LpConstraint(
                    pulp.LpAffineExpression([*dishes, (self.c[i], -1.0)]), 0, rhs=-float(draft.base[i])
                )
            )
            fresh = [(self.joined[p], 1.0) for p in pairs if made[p] == 0]
            if fresh:
                most = float(min(draft.most_mates[i], len(fresh)))
                rows.append(pulp.LpConstraint(pulp.LpAffineExpression(fresh), -1, rhs=most))
            fewest = int(draft.least_mates[i])
            if fewest > 0 and i in self.z:
                terms = pulp.LpAffineExpression([*fresh, (self.z[i], -float(fewest))])
                rows.append(pulp.LpConstraint(terms, 1, rhs=0.0))
            elif fewest > 0 and self.values[i][0] > draft.base[i]:
                rows.append(pulp.LpConstraint(pulp.LpAffineExpression(fresh), 1, rhs=float(fewest)))
        for p, x in self.x.items():
            rows.append(
                pulp.LpConstraint(pulp.LpAffineExpression([(x, 1.0), (self.joined[p], -1.0)]), 1, rhs=0)
            )
            most = float(x.upBound)
            rows.append(
                pulp.LpConstraint(pulp.LpAffineExpression([(x, 1.0), (self.joined[p], -most)]), -1, rhs=0)
            )
        self.session.add_rows(rows)

    def add_row(self, row: Row) -> None:
        """Add a linear rule; limits that are equal become one equation."""
        terms = [(self.c[i], float(row.on_dishes[i])) for i in np.flatnonzero(row.on_dishes).tolist()]
        terms += [(self.z[i], float(row.on_used[i])) for i in np.flatnonzero(row.on_used).tolist()]
        expression = pulp.LpAffineExpression(terms)
        if row.low == row.high:
            self.session.add_rows([pulp.LpConstraint(expression, 0, rhs=row.low)])
            return
        if np.isfinite(row.low):
            self.session.add_rows([pulp.LpConstraint(expression, 1, rhs=row.low)])
        if np.isfinite(row.high):
            self.session.add_rows([pulp.LpConstraint(expression.copy(), -1, rhs=row.high)])

    def _cut_small_values(self) -> None:
        """Bound the squares of candidates exactly at their smallest values before the first run."""
        cells = []
        for node in self.t:
            listed = self.lattice.values[node]
            if listed is not None:
                cells += [(node, a, b) for a, b in pairwise(listed[:5].tolist())]
        self._add_cells(cells)

    def _cut_sums_of_squares(self) -> None:
        """Bound the sum of squared dishes of a sex by what numbers with gaps can reach.

        Nineteen dishes by twos and threes take at least one three: the squares add up to 41 or more, where
        bounding each square alone gives 38.
        """
        if not self.draft.switches().any():
            return
        node_of = {self.form.single_candidate(k): k for k in self.t}
        for row in self.draft.rows:
            members = np.flatnonzero(row.on_dishes).tolist()
            if row.code != "dishes" or not all(i in node_of for i in members):
                continue
            least = least_sum_of_squares([self.values[i] for i in members], int(row.low))
            if least is not None:
                terms = pulp.LpAffineExpression([(self.t[node_of[i]], 1.0) for i in members])
                self.session.add_rows([pulp.LpConstraint(terms, 1, rhs=float(least))])

    def cut_at(
        self, flows: FloatArray, squares: dict[int, float] | None = None, *, deeper: float = 0.0
    ) -> int:
        """Add rows that bound the squares around given flows.

        Parameters
        ----------
        flows : ndarray, float64, shape (n_nodes,)
        squares : dict of node to float, optional
            What the model takes the squares to be; rows that it meets already are left out.
        deeper : float
            A row must cut off more than this, relative to 1 + flow squared.

        Returns
        -------
        int
            Rows added.
        """
        cells = []
        for node in self.t:
            y = float(flows[node])
            for a, b in self.lattice.cells(node, y):
                if squares is not None:
                    slope, intercept = cut(a, b)
                    if slope * y - intercept - squares[node] <= deeper * (1 + y * y):
                        continue
                cells.append((node, a, b))
        return self._add_cells(cells)

    def cut_cases_at(self, c: FloatArray, report: SolveReport | None = None, *, deeper: float = 0.0) -> int:
        """Add the tangent of every case at contributions c.

        Parameters
        ----------
        c : ndarray, float64, shape (n_candidates,)
        report : SolveReport, optional
            Last run; tangents that its value of the worst case meets already are left out.
        deeper : float
            A row must cut off more than this, relative to the value of the case.

        Returns
        -------
        int
            Rows added.
        """
        reached = -np.inf if report is None or not self.cases else read_values([self.worst], report)[0]
        rows = []
        for case in self.cases:
            value = case.of(c)
            if value - reached <= deeper * (1 + abs(value)):
                continue
            slope = 2.0 * (case.K @ c) + case.linear
            terms = [(self.worst, 1.0), *((v, -float(s)) for v, s in zip(self.c, slope, strict=True))]
            rows.append(pulp.LpConstraint(pulp.LpAffineExpression(terms), 1, rhs=value - float(slope @ c)))
        if rows:
            self.session.add_rows(rows)
        return len(rows)

    def _add_cells(self, cells: Sequence[tuple[int, float, float]]) -> int:
        rows = []
        for node, a, b in cells:
            slope, intercept = cut(a, b)
            key = (node, round(slope, 9))
            if key in self._known_cuts:
                continue
            self._known_cuts.add(key)
            terms = pulp.LpAffineExpression([(self.t[node], 1.0), (self.y[node], -slope)])
            rows.append(pulp.LpConstraint(terms, 1, rhs=-intercept))
        self.session.add_rows(rows)
        return len(rows)

    def contributions(self, report: SolveReport) -> FloatArray:
        """Return the values of c in the last run."""
        return read_values(self.c, report)

    def squares(self, report: SolveReport) -> dict[int, float]:
        """Return what the last run took the squares to be."""
        nodes = list(self.t)
        return dict(zip(nodes, read_values(list(self.t.values()), report).tolist(), strict=True))

    def start_at(self, c: BigIntArray) -> dict[pulp.LpVariable, float]:
        """Return a start for the solver from contributions (flows and squares follow in the solver)."""
        start = {v: float(x) for v, x in zip(self.c, c.tolist(), strict=True)}
        start |= {z: float(c[i] > self.draft.base[i]) for i, z in self.z.items()}
        flows = self.form.flows(c)
        start |= {y: float(flows[k]) for k, y in enumerate(self.y)}
        start |= {t: float(flows[k] ** 2) for k, t in self.t.items()}
        if self.cases:
            start[self.worst] = greatest(self.cases, c.astype(np.float64))
        return start


def least_sum_of_squares(values: Sequence[BigIntArray], total: int) -> int | None:
    """Return the least sum of squares of numbers with a given total, each from its own list.

    Parameters
    ----------
    values : sequence of ndarray, int64
        Possible values of each number, 0 or more.
    total : int

    Returns
    -------
    int or None
        None when no choice has the total.

    Examples
    --------
    >>> least_sum_of_squares([np.array([0, 2, 3])] * 10, 19)
    41
    """
    far = np.iinfo(np.int64).max // 4
    best = np.full(total + 1, far, dtype=np.int64)
    best[0] = 0
    for options in values:
        reached = np.full(total + 1, far, dtype=np.int64)
        for value in options[options <= total].tolist():
            reached[value:] = np.minimum(reached[value:], best[: total + 1 - value] + value * value)
        best = reached
    return None if best[total] >= far else int(best[total])
