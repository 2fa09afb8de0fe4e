"""PuLP's interface to the solver, kept open between runs. Use it through `planner.optimise.solver`."""

from __future__ import annotations

import math
import threading
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

import highspy
import numpy as np
import pulp

from broodstock.arrays import FloatArray
from broodstock.errors import KinshoalError
from planner.optimise.status import SolveReport, SolveStatus, relative_gap

THREADS = 1
"""Threads of every run in this process. It must never change: the library keeps one pool of threads."""

_STATUS = {
    "kOptimal": SolveStatus.PROVEN,
    "kModelEmpty": SolveStatus.PROVEN,
    "kTimeLimit": SolveStatus.TIME_LIMIT,
    "kInterrupt": SolveStatus.STOPPED,
    "kHighsInterrupt": SolveStatus.STOPPED,
    "kInfeasible": SolveStatus.INFEASIBLE,
    "kUnbounded": SolveStatus.UNBOUNDED,
    "kUnboundedOrInfeasible": SolveStatus.INFEASIBLE_OR_UNBOUNDED,
    "kSolutionLimit": SolveStatus.OTHER_LIMIT,
    "kIterationLimit": SolveStatus.OTHER_LIMIT,
    "kObjectiveBound": SolveStatus.OTHER_LIMIT,
    "kObjectiveTarget": SolveStatus.OTHER_LIMIT,
    "kMemoryLimit": SolveStatus.OTHER_LIMIT,
}


class ModelError(KinshoalError, ValueError):
    """The model cannot be given to the solver: a fault in our program, not in the records."""

    code = "model"


class SolverError(KinshoalError, RuntimeError):
    """The solver refused to run or broke off without an answer."""

    code = "solver"


class NoSolutionError(KinshoalError, RuntimeError):
    """Values were asked for although the run found no solution."""

    code = "no-solution"


@dataclass(frozen=True, slots=True)
class Progress:
    """Where a running search stands.

    Parameters
    ----------
    seconds : float
        Time since the run started.
    best : float or None
        Value of the best solution so far; None before the first.
    bound : float or None
        Proven bound so far.
    gap : float or None
        |best - bound| / |best|.
    """

    seconds: float
    best: float | None
    bound: float | None
    gap: float | None


ProgressHandler = Callable[[Progress], None]


@cache
def solver_versions() -> tuple[tuple[str, str], ...]:
    """Return names and versions of the libraries behind every run."""
    from importlib.metadata import version

    return (("pulp", version("pulp")), ("highspy", version("highspy")))


@dataclass(frozen=True, slots=True)
class Wishes:
    """The arguments of one run."""

    time_limit: float | None = None
    relative_gap: float = 0.0
    absolute_gap: float = 1e-9
    node_limit: int | None = None
    enough_bound: float | None = None
    seed: int = 0
    start: Mapping[pulp.LpVariable, float] | None = None
    progress: ProgressHandler | None = None
    cancel: threading.Event | None = None
    interior: bool = False


class Door(pulp.HiGHS):
    """PuLP's solver interface, kept open: it loads a model once and later only what was added."""

    def __init__(self) -> None:
        super().__init__(msg=False, threads=THREADS)
        self.wishes = Wishes()
        self.integrality_is_old = False
        self.bounds_are_old = False
        self.enough = False
        self._highs: Any = None
        self._columns: list[pulp.LpVariable] = []
        self._rows_loaded = 0

    def actualSolve(self, lp: pulp.LpProblem) -> int:  # noqa: N802 (PuLP's own name)
        """Load what is new, run, and write the values back into the variables."""
        if self._highs is None:
            self._load(lp)
        self._refresh()
        self._append_rows(lp)
        lp.solverModel = self._highs
        self._apply_wishes()
        self._run()
        if self._highs.getModelStatus().name == "kUnboundedOrInfeasible":
            self._run_without_presolve()
        return self._write_back(lp)

    def report(self, seconds: float) -> SolveReport:
        """Return what the last run proved."""
        name = self._highs.getModelStatus().name
        if name not in _STATUS:
            raise SolverError(
                f"solver: found the answer {name!r}. Expected a solution, a proof or a limit. "
                "Report this as a fault of the program."
            )
        status = SolveStatus.OTHER_LIMIT if self.enough and name == "kInterrupt" else _STATUS[name]
        info = self._highs.getInfo()
        solved = self._has_solution(status)
        objective = _finite(info.objective_function_value) if solved else None
        whole = self._has_integers()
        if whole:
            bound = None if status is SolveStatus.UNBOUNDED else _finite(info.mip_dual_bound)
        else:
            bound = objective if status is SolveStatus.PROVEN else None
        if status in (SolveStatus.INFEASIBLE, SolveStatus.INFEASIBLE_OR_UNBOUNDED):
            bound = None
        nodes = max(int(info.mip_node_count), 0) if whole else 0
        return SolveReport(
            status,
            solved,
            objective,
            bound,
            relative_gap(objective, bound),
            nodes,
            seconds,
            solver_versions(),
        )

    def _has_solution(self, status: SolveStatus) -> bool:
        """Tell whether usable values exist: feasible ones, from a run that did not end without bound."""
        feasible = int(self._highs.getInfo().primal_solution_status) == 2
        nothing = (SolveStatus.INFEASIBLE, SolveStatus.UNBOUNDED, SolveStatus.INFEASIBLE_OR_UNBOUNDED)
        return feasible and status not in nothing

    def _has_integers(self) -> bool:
        return any(v.cat == pulp.LpInteger for v in self._columns)

    def _load(self, lp: pulp.LpProblem) -> None:
        """Give all columns to the solver in one call."""
        columns = lp.variables()
        _refuse_shared_names(columns)
        highs = highspy.Highs()
        highs.setOptionValue("output_flag", False)
        highs.setOptionValue("threads", THREADS)
        n = len(columns)
        for j, variable in enumerate(columns):
            variable.index = j
        low, high = _bounds(columns)
        cost = np.zeros(n)
        for variable, factor in lp.objective.items():
            cost[variable.index] = factor
        _refuse_odd_numbers(cost, columns, "objective")
        if not math.isfinite(lp.objective.constant or 0.0):
            raise ModelError(
                f"model {lp.name!r}, objective: found the constant {lp.objective.constant!r}. Expected a "
                "finite number. Report this as a fault of the program."
            )
        none = np.zeros(0, np.int32)
        highs.addCols(n, cost, low, high, 0, none, none, np.zeros(0))
        if lp.sense == pulp.LpMaximize:
            highs.changeObjectiveSense(highspy.ObjSense.kMaximize)
        highs.changeObjectiveOffset(lp.objective.constant or 0.0)
        self._columns = columns.copy()
        self._highs = highs
        self._rows_loaded = 0
        self.integrality_is_old = self._has_integers()

    def _refresh(self) -> None:
        """Pass on changes of limits and of which variables are whole numbers."""
        n = len(self._columns)
        everything = np.arange(n, dtype=np.int32)
        if self.integrality_is_old:
            kinds = np.array(
                [
                    highspy.HighsVarType.kInteger
                    if v.cat == pulp.LpInteger
                    else highspy.HighsVarType.kContinuous
                    for v in self._columns
                ]
            )
            self._highs.changeColsIntegrality(n, everything, kinds)
            self.integrality_is_old = False
        if self.bounds_are_old:
            low, high = _bounds(self._columns)
            self._highs.changeColsBounds(n, everything, low, high)
            self.bounds_are_old = False

    def _append_rows(self, lp: pulp.LpProblem) -> None:
        """Give the rows that are not loaded yet to the solver in one call."""
        new = lp.constraints()[self._rows_loaded :]
        if not new:
            return
        n_columns = len(self._columns)
        starts: list[int] = []
        index: list[int] = []
        factors: list[float] = []
        low: list[float] = []
        high: list[float] = []
        for number, row in enumerate(new, start=self._rows_loaded):
            row.index = number
            starts.append(len(index))
            for variable, factor in row.items():
                if factor == 0:
                    continue
                position = getattr(variable, "index", n_columns)
                if position >= n_columns or self._columns[position] is not variable:
                    raise ModelError(
                        f"model {lp.name!r}, row {row.name!r}: found the variable {variable.name!r}, which is "
                        "not in the loaded model. Expected rows over loaded variables. Build a new session."
                    )
                index.append(position)
                factors.append(factor)
            a, b = row.getLb(), row.getUb()
            low.append(-highspy.kHighsInf if a is None else a)
            high.append(highspy.kHighsInf if b is None else b)
        values = np.array(factors, dtype=np.float64)
        owners = [self._columns[j] for j in index]
        _refuse_odd_numbers(values, owners, "a row")
        limits = np.array([low, high], dtype=np.float64)
        if np.isnan(limits).any():
            name = new[int(np.flatnonzero(np.isnan(limits).any(axis=0))[0])].name
            raise ModelError(
                f"model {lp.name!r}, row {name!r}: found a right-hand side that is not a number. Expected a "
                "finite number. Report this as a fault of the program."
            )
        self._highs.addRows(
            len(new),
            limits[0],
            limits[1],
            len(index),
            np.array(starts, np.int32),
            np.array(index, np.int32),
            values,
        )
        self._rows_loaded += len(new)

    def _apply_wishes(self) -> None:
        wishes, highs = self.wishes, self._highs
        whole = self._has_integers()
        limit = highspy.kHighsInf if wishes.time_limit is None else float(wishes.time_limit)
        if not whole and wishes.time_limit is not None:
            limit += highs.getRunTime()  # for linear models the clock of earlier runs goes on counting
        _set(highs, "time_limit", limit)
        _set(highs, "mip_rel_gap", float(wishes.relative_gap))
        _set(highs, "mip_abs_gap", float(wishes.absolute_gap))
        _set(highs, "mip_max_nodes", 2**31 - 1 if wishes.node_limit is None else int(wishes.node_limit))
        _set(highs, "random_seed", int(wishes.seed))
        _set(highs, "presolve", "choose")
        _set(highs, "solver", "ipm" if wishes.interior else "choose")
        if wishes.start and whole:
            chosen = [(v.index, float(x)) for v, x in wishes.start.items()]
            highs.setSolution(
                len(chosen),
                np.array([j for j, _ in chosen], np.int32),
                np.array([x for _, x in chosen], np.float64),
            )

    def _run(self) -> None:
        """Run with the callbacks of this run, and take them off afterwards."""
        highs, wishes = self._highs, self.wishes
        highs.HandleKeyboardInterrupt = False
        self.enough = False
        failures: list[BaseException] = []

        def watch(event: Any) -> None:
            if wishes.cancel is not None and wishes.cancel.is_set():
                event.interrupt()

        def tell(event: Any) -> None:
            watch(event)
            data = event.data_out
            if self._bound_is_enough(data.mip_dual_bound):
                self.enough = True
                event.interrupt()
            if wishes.progress is None or failures:
                return
            best, bound = _finite(data.mip_primal_bound), _finite(data.mip_dual_bound)
            try:
                wishes.progress(Progress(float(data.running_time), best, bound, relative_gap(best, bound)))
            except BaseException as error:
                failures.append(error)
                event.interrupt()

        watched: list[tuple[Any, Callable[[Any], None]]] = []
        if wishes.cancel is not None or wishes.progress is not None or wishes.enough_bound is not None:
            watched.append((highs.cbMipInterrupt, tell))
        if wishes.cancel is not None:
            watched += [(highs.cbSimplexInterrupt, watch), (highs.cbIpmInterrupt, watch)]
        for callback, handler in watched:
            callback.subscribe(handler)
        try:
            highs.run()
        finally:
            for callback, handler in watched:
                callback.unsubscribe(handler)
        if failures:
            raise failures[0]
        if highs.getModelStatus().name == "kNotset":
            raise SolverError(
                "solver: found no answer. Expected a run; it refuses one when the number of threads changed "
                "within the process. Restart the program."
            )

    def _bound_is_enough(self, bound: float) -> bool:
        """Tell whether the proven bound has reached what was asked for."""
        enough = self.wishes.enough_bound
        if enough is None or not math.isfinite(bound):
            return False
        rising = self._highs.getObjectiveSense()[1] == highspy.ObjSense.kMinimize
        return bound >= enough if rising else bound <= enough

    def _run_without_presolve(self) -> None:
        """Find out whether nothing meets the rules or the objective has no end."""
        _set(self._highs, "presolve", "off")
        self._run()

    def _write_back(self, lp: pulp.LpProblem) -> int:
        """Put values, or their absence, into the PuLP model and return PuLP's own status code."""
        status = _STATUS.get(self._highs.getModelStatus().name)
        solved = status is not None and self._has_solution(status)
        solution = self._highs.getSolution()
        if solved:
            for variable, value in zip(self._columns, solution.col_value, strict=True):
                variable.varValue = value
        else:
            for variable in self._columns:
                variable.varValue = None
        for variable in self._columns:
            variable.dj = None
        duals = list(solution.row_dual) if solved and not self._has_integers() else None
        for i, row in enumerate(lp.constraints()):
            row.slack = None
            row.pi = duals[i] if duals else None
        code, solution_code = {
            SolveStatus.PROVEN: (pulp.LpStatusOptimal, pulp.LpSolutionOptimal),
            SolveStatus.INFEASIBLE: (pulp.LpStatusInfeasible, pulp.LpSolutionInfeasible),
            SolveStatus.UNBOUNDED: (pulp.LpStatusUnbounded, pulp.LpSolutionUnbounded),
        }.get(
            status or SolveStatus.OTHER_LIMIT,
            (
                pulp.LpStatusNotSolved,
                pulp.LpSolutionIntegerFeasible if solved else pulp.LpSolutionNoSolutionFound,
            ),
        )
        lp.assignStatus(code, solution_code)
        return int(code)


def _set(highs: Any, option: str, value: Any) -> None:
    """Set a solver option.

    Raises
    ------
    SolverError
        If the solver does not take it.
    """
    if highs.setOptionValue(option, value) != highspy.HighsStatus.kOk:
        raise SolverError(
            f"solver, option {option!r}: found {value!r}. Expected a value the solver takes. "
            "Correct the setting."
        )


def _bounds(columns: Sequence[pulp.LpVariable]) -> tuple[FloatArray, FloatArray]:
    """Return lower and upper limits of the columns."""
    inf = highspy.kHighsInf
    low = np.array([-inf if v.lowBound is None else v.lowBound for v in columns], dtype=np.float64)
    high = np.array([inf if v.upBound is None else v.upBound for v in columns], dtype=np.float64)
    for limits in (low, high):
        wrong = np.flatnonzero(np.isnan(limits))
        if wrong.size:
            raise ModelError(
                f"model, variable {columns[int(wrong[0])].name!r}: found a limit that is not a number. "
                "Expected a finite number or none. Report this as a fault of the program."
            )
    return low, high


def _refuse_shared_names(columns: Sequence[pulp.LpVariable]) -> None:
    names = Counter(v.name for v in columns)
    shared = sorted(name for name, times in names.items() if times > 1)
    if shared:
        raise ModelError(
            f"model, variable {shared[0]!r}: found {names[shared[0]]} variables with this name. Expected one "
            "name each (signs such as '-' and ' ' become '_'). Name variables with numbered()."
        )


def _refuse_odd_numbers(values: FloatArray, owners: Sequence[pulp.LpVariable], where: str) -> None:
    wrong = np.flatnonzero(~np.isfinite(values))
    if wrong.size:
        i = int(wrong[0])
        raise ModelError(
            f"model, {where}, variable {owners[i].name!r}: found the coefficient {float(values[i])!r}. Expected "
            "a finite number. Look for a missing kinship, weight or count."
        )


def _finite(number: float) -> float | None:
    """Return the number, or None when it is infinite or not a number."""
    if math.isnan(number) or abs(number) >= highspy.kHighsInf:
        return None
    return float(number)
