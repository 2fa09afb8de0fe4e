"""Choose fish of least mean kinship: relax, bound, round, swap, then whole numbers where the gap is still open.

The bound comes from the solver's relaxation or search tree, whose rows remove no choice of whole numbers; the
value comes from the kinship matrix with numpy. A choice that fails the recheck is never returned.
"""

from __future__ import annotations

import threading
import time
from dataclasses import dataclass

import numpy as np

from broodstock.arrays import BigIntArray, FloatArray
from planner.optimise.kinship_bound import SquareForm
from planner.optimise.selection.conflicts import Conflict, find_conflict
from planner.optimise.selection.data import SelectionData, joint_kinship, kept_kinship, objective
from planner.optimise.selection.improve import improved
from planner.optimise.selection.model import ChoiceModel, square_form
from planner.optimise.selection.recheck import breaches
from planner.optimise.solver import INTEGER_TOLERANCE, SolverError, read_values, solver_versions
from planner.optimise.status import SolveReport, SolveStatus, relative_gap

RELAX_ROUNDS = 80
WIDENINGS = (0, 1, 3)
ROUNDING = 1e-7
"""A gap this small, relative to the value, is the solver's rounding."""


@dataclass(frozen=True)
class Selection:
    """Fish chosen and what is proven about the choice.

    Parameters
    ----------
    numbers : ndarray, int64, shape (n_kinds,), or None
        Fish of each kind; None when there is no choice.
    report : SolveReport
        Status, objective (as `data.objective`), proven bound and gap.
    kinship : float or None
        Mean kinship of the chosen fish, self pairs in.
    joint : float or None
        The same with the living group; None without one.
    conflict : Conflict or None
        Why there is no choice.
    """

    numbers: BigIntArray | None
    report: SolveReport
    kinship: float | None
    joint: float | None
    conflict: Conflict | None

    @property
    def gene_diversity(self) -> float | None:
        """1 - mean kinship of the chosen fish."""
        return None if self.kinship is None else 1 - self.kinship


def choose(
    data: SelectionData,
    *,
    gap: float = 1e-3,
    time_limit: float = 60.0,
    seed: int = 0,
    form: SquareForm | None = None,
    cancel: threading.Event | None = None,
) -> Selection:
    """Choose fish so that the objective is least under all rules.

    Parameters
    ----------
    data : SelectionData
        Kinds of fish and rules.
    gap : float
        Relative gap to the proven bound at which to stop; 0 asks for the proven best.
    time_limit : float
        Seconds.
    seed : int
        Seed of the solver's random choices.
    form : SquareForm, optional
        t'Kt over fish per family, where a sparser form than that of the matrix is known.
    cancel : threading.Event, optional
        Set from another thread to stop.

    Returns
    -------
    Selection
        Rechecked numbers, or the rules that cannot hold together.

    Raises
    ------
    ValueRangeError
        If kinship is negative for some mixture of families, so that nothing can be proven.
    AssertionError
        If the recheck refuses the choice: a fault of ours.

    References
    ----------
    .. [1] Duran, M. A. & Grossmann, I. E. (1986), Mathematical Programming 36, 307-339 (outer approximation,
       from memory).
    """
    search = _Search(data, gap, time_limit, seed, form or square_form(data), cancel)
    status = search.run()
    bound = search.bound if np.isfinite(search.bound) else None
    value = None if search.best is None else search.value
    if value is not None and bound is not None:
        bound = min(bound, value)
    seconds = time.perf_counter() - search.began
    report = SolveReport(
        status,
        value is not None,
        value,
        bound,
        relative_gap(value, bound),
        search.nodes,
        seconds,
        solver_versions(),
    )
    if search.best is None:
        conflict = find_conflict(data) if status is SolveStatus.INFEASIBLE else None
        return Selection(None, report, None, None, conflict)
    broken = breaches(data, search.best)
    if broken:
        raise AssertionError("the recheck refuses the choice: " + "; ".join(broken))
    joint = joint_kinship(data, search.best) if data.living > 0 else None
    return Selection(search.best, report, kept_kinship(data, search.best), joint, None)


class _Search:
    """One search; `run` once."""

    def __init__(
        self,
        data: SelectionData,
        gap: float,
        time_limit: float,
        seed: int,
        form: SquareForm,
        cancel: threading.Event | None,
    ) -> None:
        self.data, self.gap, self.time_limit, self.seed, self.cancel = data, gap, time_limit, seed, cancel
        self.began = time.perf_counter()
        self.best: BigIntArray | None = None
        self.value, self.bound, self.nodes = np.inf, -np.inf, 0
        self.model = ChoiceModel(data, form)
        self.model.load()

    @property
    def left(self) -> float:
        return max(0.0, self.time_limit - (time.perf_counter() - self.began))

    @property
    def closed(self) -> bool:
        if self.best is None:
            return False
        return self.value - self.bound <= max(self.gap, ROUNDING) * abs(self.value) + 1e-12

    @property
    def ended(self) -> SolveStatus | None:
        if self.cancel is not None and self.cancel.is_set():
            return SolveStatus.STOPPED
        return SolveStatus.TIME_LIMIT if self.left <= 0 else None

    def run(self) -> SolveStatus:
        point = self._relax()
        if isinstance(point, SolveStatus):
            return point
        if point is not None:
            self._round(point)
        if not self.closed and self.ended is None:
            over = self._whole_numbers()
            if over is SolveStatus.INFEASIBLE and self.best is None:
                return over
        if self.closed:
            return SolveStatus.PROVEN
        return self.ended or SolveStatus.OTHER_LIMIT

    def _relax(self) -> FloatArray | SolveStatus | None:
        """Solve the relaxation, adding rows where it is too low; return numbers per kind."""
        session = self.model.session
        assert session is not None
        session.set_integer(self.model.integers, False)
        point: FloatArray | None = None
        last = -np.inf
        for _ in range(RELAX_ROUNDS):
            if self.ended is not None:
                break
            report = self._linear_run()
            if report is None:
                break
            if report.status is SolveStatus.INFEASIBLE:
                return report.status
            if report.status is not SolveStatus.PROVEN or report.objective is None:
                break
            self.bound = max(self.bound, self.model.goal(report.objective))
            point = read_values(self.model.n, report)
            added = self.model.cut_at(self.data.family_numbers(point), report)
            if not added or report.objective - last <= 1e-7 * abs(report.objective):
                break
            last = report.objective
        return point

    def _linear_run(self) -> SolveReport | None:
        """Solve the relaxation, by the interior point method where the simplex method gives up; None if both do."""
        session = self.model.session
        assert session is not None
        for interior in (False, True):
            try:
                return session.solve(
                    time_limit=self.left, cancel=self.cancel, seed=self.seed, interior=interior
                )
            except SolverError:
                continue
        return None

    def _round(self, point: FloatArray) -> None:
        """Find whole numbers near the relaxation with the model itself, a few fish around each value."""
        session = self.model.session
        assert session is not None
        session.set_integer(self.model.integers, True)
        top = np.minimum(self.data.most, self.data.number).astype(np.float64)
        for wider in WIDENINGS:
            if self.ended is not None:
                break
            low = np.maximum(np.floor(point + 1e-9) - wider, 0.0)
            high = np.minimum(np.ceil(point - 1e-9) + wider, top)
            session.set_bounds(self.model.n, np.minimum(low, high), high)
            report = session.solve(
                time_limit=min(self.left, max(1.0, 0.1 * self.time_limit)),
                relative_gap=max(self.gap, 1e-6) / 4,
                seed=self.seed,
                start=None if self.best is None else self.model.start_at(self.best),
                cancel=self.cancel,
            )
            self.nodes += report.nodes
            if report.has_solution:
                self._take(read_values(self.model.n, report))
            if self.closed:
                break
        session.set_bounds(self.model.n, np.zeros(len(top)), top)

    def _whole_numbers(self) -> SolveStatus | None:
        """Branch and bound on the whole model, with deeper rows in between, until the gap is closed."""
        session = self.model.session
        assert session is not None
        session.set_integer(self.model.integers, True)
        tighter = 0.8
        while not self.closed and self.ended is None:
            start = None
            if self.best is not None:
                self.model.cut_at(self.data.family_numbers(self.best))
                start = self.model.start_at(self.best)
            allowed = self.gap * abs(self.value) / self.model.scale if np.isfinite(self.value) else 0.0
            report = session.solve(
                time_limit=self.left,
                absolute_gap=max(allowed * tighter, 1e-9),
                relative_gap=0.0,
                seed=self.seed,
                start=start,
                cancel=self.cancel,
            )
            self.nodes += report.nodes
            if report.bound is not None:
                self.bound = max(self.bound, self.model.goal(report.bound))
            if report.status is SolveStatus.INFEASIBLE:
                return report.status
            if not report.has_solution:
                return report.status
            before = self.value
            numbers = read_values(self.model.n, report)
            self._take(numbers)
            added = self.model.cut_at(self.data.family_numbers(np.rint(numbers)), report)
            if not added and not self.value < before:
                tighter *= 0.1
                if tighter < 1e-8:
                    return None
        return None

    def _take(self, numbers: FloatArray) -> None:
        """Improve whole numbers by swaps and keep them if they are the best so far."""
        whole = np.rint(numbers).astype(np.int64)
        if np.abs(numbers - whole).max(initial=0.0) > INTEGER_TOLERANCE or breaches(self.data, whole):
            return
        better = improved(self.data, whole)
        value = objective(self.data, better)
        if value < self.value:
            self.best, self.value = better, value
