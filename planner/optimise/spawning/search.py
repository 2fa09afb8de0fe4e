"""The search for contributions: relax, bound, round and swap, then whole numbers where the gap is still open.

The bound always comes from the solver's relaxation, which leaves out nothing that any plan could be; the value
of a plan always comes from its kinship, computed with the full matrix. The two meet or the gap is reported.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from broodstock.arrays import BigIntArray, FloatArray
from planner.optimise.kinship_bound import SquareForm, dense_form, lattice
from planner.optimise.kinship_split import gains_at, lattice_nodes, relaxed_shares, resplit
from planner.optimise.solver import Progress, ProgressHandler, read_counts, solver_versions
from planner.optimise.spawning.build import Draft, Row
from planner.optimise.spawning.improve import Improver
from planner.optimise.spawning.model import Master
from planner.optimise.spawning.pairing import choose_pairs, failing_row
from planner.optimise.spawning.scenarios import Case, mixture
from planner.optimise.spawning.worst_case import WorstImprover, bounding_weights
from planner.optimise.status import SolveReport, SolveStatus, relative_gap

_RELAX_ROUNDS = 60
_RELAX_ENOUGH = 2e-6
_FRACTION_OF_DISH = 1e-3
_EXACT = 1e-7
"""A relative gap this small is the solver's rounding."""


@dataclass(frozen=True)
class Goal:
    """What is minimised: ``square x (c'Kc + linear'c) + constant``.

    Parameters
    ----------
    form : SquareForm
        c'Kc as a sum of squares.
    K : ndarray, float64, shape (n_candidates, n_candidates)
        The same as a matrix.
    linear : ndarray, float64, shape (n_candidates,)
    square, constant : float
    cases : tuple of Case
        With any, the greatest of them is minimised instead; form, K and linear then only lead the search.
    pedigree_part : (SquareForm, ndarray), optional
        Form and matrix of the pedigree kinship where K is another matrix, for splits of that.
    dense : bool
        True where the form is a split of a dense matrix, which may be split anew.
    """

    form: SquareForm
    K: FloatArray
    linear: FloatArray
    square: float = 1.0
    constant: float = 0.0
    cases: tuple[Case, ...] = ()
    pedigree_part: tuple[SquareForm, FloatArray] | None = None
    dense: bool = False

    def of(self, objective: float) -> float:
        """Return the goal for an objective counted in squared dishes."""
        return self.square * objective + self.constant

    def improver(self, draft: Draft, values: Sequence[BigIntArray], rows: Sequence[Row]) -> Improver:
        """Return what improves contributions for this goal; the parameters are those of `Improver`."""
        if self.cases:
            lead = Case(self.K, self.linear, 0.0)
            return WorstImprover(draft, lead, self.cases, values, rows)
        return Improver(draft, self.K, self.linear, values, rows)


@dataclass(frozen=True)
class Found:
    """Contributions found and what is proven about them.

    Parameters
    ----------
    c : ndarray, int64, shape (n_candidates,), or None
        Dishes of each candidate, dishes made included.
    report : SolveReport
        Value and bound in the unit of the goal.
    """

    c: BigIntArray | None
    report: SolveReport

    def without_proof(self) -> Found:
        """Return the same without value, bound and gap, for contributions found with another goal."""
        return replace(self, report=replace(self.report, objective=None, bound=None, gap=None))


def master_of(draft: Draft, goal: Goal) -> tuple[Master, Goal]:
    """Return the model of a goal, and the goal with the form that leads it.

    With cases the whole-number rows are those of a mixture of them, and tangents are added for every case.
    """
    if not goal.cases:
        return Master(draft, goal.form, goal.linear), goal
    cases, values = goal.cases, draft.possible()
    weights = np.full(len(cases), 1.0 / len(cases))
    if all(len(v) for v in values):
        weights = bounding_weights(draft, cases, values, draft.rows)
    lead = mixture(cases, weights)
    data = draft.data
    positions = np.arange(data.n_candidates)
    sexes = [(positions[sex], data.all_dishes) for sex in (data.is_female, ~data.is_female)]
    form = dense_form(lead.K, sexes, pedigree_part=goal.pedigree_part)
    led = replace(goal, form=form, K=lead.K, linear=lead.linear)
    return Master(draft, form, lead.linear, cases, lead.constant + form.constant), led


class Search:
    """One search; call `run` once.

    Parameters
    ----------
    draft : Draft
    goal : Goal
    time_limit : float
        Seconds.
    gap : float
        Relative gap at which to stop.
    seed : int
        Seed of the solver's random choices.
    start : ndarray, int64, shape (n_candidates,), optional
        Contributions to start from; ignored if they break a rule.
    progress, cancel
        As for `planner.optimise.solver.solve`.
    """

    def __init__(
        self,
        draft: Draft,
        goal: Goal,
        *,
        time_limit: float = 60.0,
        gap: float = 1e-3,
        seed: int = 0,
        start: BigIntArray | None = None,
        progress: ProgressHandler | None = None,
        cancel: threading.Event | None = None,
    ) -> None:
        self.draft, self.goal = draft, goal
        self.time_limit, self.gap, self.seed = time_limit, gap, seed
        self.start, self.progress, self.cancel = start, progress, cancel
        self.began = time.perf_counter()
        self.best: BigIntArray | None = None
        self.value = np.inf
        self.bound = -np.inf
        self.nodes = 0
        self.pair_rows: list[Row] = []
        self.ended: SolveStatus | None = None
        self.shift = 0.0  # constant of the form, which the solver does not see

    def run(self) -> Found:
        """Search until the gap is closed, the time is over or someone stops it.

        Returns
        -------
        Found
            Status ``infeasible`` only when that is proven.
        """
        self.master, self.goal = master_of(self.draft, self.goal)
        self.shift = 0.0 if self.goal.cases else self.goal.form.constant
        if self.master.contradiction:
            return self._found(SolveStatus.INFEASIBLE)
        self.improver = self.goal.improver(self.draft, self.master.values, self.master.draft.rows)
        if self.start is not None:
            self._consider_start(self.start)
        relaxed = self._relax()
        if self.ended is None and relaxed is not None:
            self._round_and_improve(relaxed)
            if not self._closed() and self._sharpen(relaxed):
                relaxed = self._relax()
                if self.ended is None and relaxed is not None:
                    self._round_and_improve(relaxed)
        if self.ended is None and not self._closed():
            self._whole_numbers()
        if self._closed():
            return self._found(SolveStatus.PROVEN)
        return self._found(self.ended or SolveStatus.TIME_LIMIT)

    def _left(self) -> float:
        return max(0.0, self.time_limit - (time.perf_counter() - self.began))

    def _closed(self) -> bool:
        if self.best is None or not np.isfinite(self.bound):
            return False
        value, bound = self.goal.of(self.value), self.goal.of(self.bound)
        return value - bound <= max(self.gap, _EXACT) * abs(value) + 1e-12

    def _stopped(self) -> bool:
        if self.cancel is not None and self.cancel.is_set():
            self.ended = SolveStatus.STOPPED
        elif self._left() <= 0:
            self.ended = SolveStatus.TIME_LIMIT
        return self.ended is not None

    def _tell(self) -> None:
        if self.progress is None:
            return
        best = None if self.best is None else self.goal.of(self.value)
        bound = self.goal.of(self.bound) if np.isfinite(self.bound) else None
        self.progress(Progress(time.perf_counter() - self.began, best, bound, relative_gap(best, bound)))

    def _relax(self) -> FloatArray | None:
        """Solve the relaxation, adding rows where it is too low; return its contributions."""
        master = self.master
        master.session.set_integer(master.integers, False)
        last = -np.inf
        c: FloatArray | None = None
        for _ in range(_RELAX_ROUNDS):
            if self._stopped():
                break
            report = master.session.solve(time_limit=self._left(), cancel=self.cancel, seed=self.seed)
            if report.status is not SolveStatus.PROVEN or report.objective is None:
                self.ended = report.status
                break
            self.bound = max(self.bound, report.objective + self.shift)
            self._tell()
            c = master.contributions(report)
            added = master.cut_at(master.form.flows(c), master.squares(report), deeper=1e-6)
            added += master.cut_cases_at(c, report, deeper=1e-6)
            paired = self._add_pair_cut(c, whole=False)
            settled = report.objective - last <= _RELAX_ENOUGH * abs(report.objective) + 1e-9
            last = report.objective
            if not paired and (not added or settled):
                break
        return c

    def _sharpen(self, relaxed: FloatArray) -> bool:
        """Split dense kinship anew, so that whole numbers count most where parts of dishes would help."""
        if not self.goal.dense or self._stopped():
            return False
        goal, data, values = self.goal, self.draft.data, self.master.values
        sexes = [
            (sex, float(data.dishes + self.draft.base[sex].sum()))
            for sex in (data.is_female, ~data.is_female)
        ]
        low, high = (np.array([float(v[k]) for v in values]) for k in (0, -1))
        smooth = relaxed_shares(goal.K, goal.linear, sexes, low, high)
        bare = SquareForm(data.n_candidates, np.zeros(0), (), ())
        nodes = lattice_nodes(bare if goal.pedigree_part is None else goal.pedigree_part[0])
        gains = gains_at(nodes, lattice(nodes, values), smooth)
        form = resplit(self.master.form, nodes, gains, 0.5 * self._left())
        if form is None:
            return False
        self.master = self.master.with_form(form)
        for row in self.pair_rows:
            self.master.add_row(row)
        self.master.cut_at(form.flows(relaxed))
        self.master.cut_cases_at(relaxed)
        return True

    def _add_pair_cut(self, c: FloatArray, *, whole: bool) -> bool:
        """Add the row that says no pairing exists for c, if so."""
        row = self._failing_row(c, whole=whole)
        if row is None:
            return False
        self.pair_rows.append(row)
        self.master.add_row(row)
        self.improver.add_row(row)
        return True

    def _failing_row(self, c: FloatArray, *, whole: bool) -> Row | None:
        return failing_row(
            self.draft,
            c,
            whole=whole,
            least_violation=1e-6 if whole else _FRACTION_OF_DISH,
            time_limit=self._left(),
            cancel=self.cancel,
        )

    def _consider_start(self, c: BigIntArray) -> None:
        n = np.arange(self.draft.data.n_candidates)
        improver = self.improver
        inside = ((c >= improver.low) & (c <= improver.high)).all()
        if inside and improver.possible[n, c].all() and improver.excess(c) == 0:
            self._consider(c)

    def _round_and_improve(self, relaxed: FloatArray) -> None:
        for _ in range(20):
            c = self.improver.rounded(relaxed) if self.improver.whole_range else self.improver.built()
            if c is None or self._stopped():
                return
            if not self._add_pair_cut(c.astype(np.float64), whole=True):
                self._consider(c)
                self._improve(c)
                return

    def _improve(self, c: BigIntArray) -> None:
        """Improve contributions by swaps; where no pairing exists for the result, forbid it and start again."""
        for _ in range(10):
            better = self.improver.improved(c)
            if not self._add_pair_cut(better.astype(np.float64), whole=True):
                self._consider(better)
                return
            if self._stopped():
                return

    def _consider(self, c: BigIntArray) -> bool:
        """Keep contributions if they are the best so far and can be paired."""
        value = self.improver.value(c)
        if value >= self.value:
            return False
        if self.draft.mates_counted:
            dishes, _ = choose_pairs(self.draft, c, time_limit=self._left(), cancel=self.cancel)
            if dishes is None:
                return False
        elif self._failing_row(c.astype(np.float64), whole=True) is not None:
            return False
        self.best, self.value = c, value
        self._tell()
        return True

    def _whole_numbers(self) -> None:
        """Branch and bound on the model with its rows, again with deeper rows, until the gap is closed."""
        master = self.master
        master.session.set_integer(master.integers, True)
        tighter = 0.85
        while not self._closed() and not self._stopped():
            start = None
            if self.best is not None:
                master.cut_at(master.form.flows(self.best))
                master.cut_cases_at(self.best.astype(np.float64))
                start = master.start_at(self.best)
            allowed = self._allowed_gap() * tighter
            report = master.session.solve(
                time_limit=self._left(),
                absolute_gap=allowed,
                relative_gap=0.0 if np.isfinite(self.value) else self.gap * tighter,
                enough_bound=self._enough_bound(),
                seed=self.seed,
                start=start,
                progress=self._inner_progress(),
                cancel=self.cancel,
            )
            self.nodes += report.nodes
            if report.bound is not None:
                self.bound = max(self.bound, report.bound + self.shift)
            if report.status is SolveStatus.INFEASIBLE:
                self.ended = SolveStatus.INFEASIBLE if self.best is None else None
                return
            if report.has_solution:
                tighter *= self._use_solution(report)
            if report.status in (SolveStatus.TIME_LIMIT, SolveStatus.STOPPED):
                self.ended = report.status
            if tighter < 1e-6:
                return

    def _use_solution(self, report: SolveReport) -> float:
        """Take up the solver's contributions; return the factor by which the next run must come closer."""
        master = self.master
        c = read_counts(master.c, report)
        paired = self._add_pair_cut(c.astype(np.float64), whole=True)
        rows = master.cut_at(master.form.flows(c), master.squares(report), deeper=1e-7)
        added = rows + master.cut_cases_at(c.astype(np.float64), report, deeper=1e-7) > 0
        if paired:
            return 1.0
        better = self._consider(c)
        self._improve(c)
        return 0.5 if added or better else 0.1

    def _allowed_gap(self) -> float:
        """Gap still allowed, in squared dishes."""
        if self.best is None:
            return 1e-9
        return self.gap * abs(self.goal.of(self.value)) / self.goal.square

    def _enough_bound(self) -> float | None:
        """Bound, in squared dishes, that closes the gap of the best plan so far."""
        return None if self.best is None else self.value - self.shift - 0.999 * self._allowed_gap()

    def _inner_progress(self) -> ProgressHandler | None:
        if self.progress is None:
            return None
        outer = self.progress

        def tell(inner: Progress) -> None:
            bound = self.bound if inner.bound is None else max(self.bound, inner.bound + self.shift)
            best = None if self.best is None else self.goal.of(self.value)
            proven = self.goal.of(bound) if np.isfinite(bound) else None
            outer(Progress(time.perf_counter() - self.began, best, proven, relative_gap(best, proven)))

        return tell

    def _found(self, status: SolveStatus) -> Found:
        value = None if self.best is None else self.goal.of(self.value)
        bound = self.goal.of(self.bound) if np.isfinite(self.bound) else None
        if status is SolveStatus.INFEASIBLE:
            bound = None
        if value is not None and bound is not None:
            bound = min(
                bound, value
            )  # the solver's last digits must not put the bound above a plan that exists
        seconds = time.perf_counter() - self.began
        report = SolveReport(
            status,
            self.best is not None,
            value,
            bound,
            relative_gap(value, bound),
            self.nodes,
            seconds,
            solver_versions(),
        )
        return Found(self.best, report)
