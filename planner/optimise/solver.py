"""The one door to the solver: a PuLP model goes in, a `SolveReport` comes out.

What this module takes care of, so that no caller has to:

- the whole model is loaded in one batch, and rows added later are appended to the loaded model;
- a run that stopped at a limit is never called the best, and a run without a solution leaves no values;
- the number of threads never changes within a process (the library refuses a second number);
- nothing is written on standard output;
- two variables with one name, and coefficients that are not numbers, are refused by name.

Variables are named by number (`numbered`), because the library sorts them by name and rewrites signs
in names; the caller keeps the identifiers of fish and sites.
"""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Iterable, Mapping, Sequence

import numpy as np
import pulp

from broodstock.arrays import BigIntArray, FloatArray
from planner.optimise.highs_door import (
    THREADS,
    Door,
    ModelError,
    NoSolutionError,
    Progress,
    ProgressHandler,
    SolverError,
    Wishes,
    solver_versions,
)
from planner.optimise.status import SolveReport

__all__ = [
    "INTEGER_TOLERANCE",
    "THREADS",
    "ModelError",
    "NoSolutionError",
    "Progress",
    "ProgressHandler",
    "Session",
    "SolverError",
    "numbered",
    "read_counts",
    "read_values",
    "solve",
    "solver_versions",
]

INTEGER_TOLERANCE = 1e-5
"""A value further than this from a whole number is not read as one."""


def numbered(prefix: str, *positions: int) -> str:
    """Return a variable or rule name made of a prefix and zero-padded numbers: ``c_000012_000040``."""
    return prefix + "".join(f"_{i:06d}" for i in positions)


class Session:
    """A model kept loaded in the solver, for runs that add rows between solves.

    Parameters
    ----------
    problem : pulp.LpProblem
        The model. Its variables must not change after the first solve, except through this session;
        rows are added with `add_rows`.

    Examples
    --------
    >>> problem = pulp.LpProblem("small", pulp.LpMinimize)
    >>> x = problem.add_variable(numbered("x", 0), 0, 10)
    >>> problem.setObjective(x + 0.0)
    >>> problem.addConstraint(x >= 2.5, numbered("floor", 0))
    >>> session = Session(problem)
    >>> session.solve().objective
    2.5
    >>> session.add_rows([x >= 4])
    >>> session.solve().objective
    4.0
    """

    def __init__(self, problem: pulp.LpProblem) -> None:
        self.problem = problem
        self._door = Door()

    def add_rows(self, rows: Iterable[pulp.LpConstraint]) -> None:
        """Add rows to the model and, if it is loaded, to the loaded copy.

        Parameters
        ----------
        rows : iterable of pulp.LpConstraint
            They may use only variables that stand in the model already.

        Raises
        ------
        TypeError
            If a row is not a constraint (a comparison of two plain numbers is not).
        ModelError
            At the next solve, if a row holds a new variable or a coefficient that is not finite.
        """
        for row in rows:
            self.problem.addConstraint(row)

    def set_integer(self, variables: Sequence[pulp.LpVariable], whole: bool) -> None:
        """Make variables take whole numbers only, or any number.

        Parameters
        ----------
        variables : sequence of pulp.LpVariable
            Variables of the model.
        whole : bool
            True for whole numbers only.
        """
        for variable in variables:
            variable.cat = pulp.LpInteger if whole else pulp.LpContinuous
        self._door.integrality_is_old = True

    def set_bounds(self, variables: Sequence[pulp.LpVariable], low: FloatArray, high: FloatArray) -> None:
        """Change the limits of variables.

        Parameters
        ----------
        variables : sequence of pulp.LpVariable
            Variables of the model.
        low, high : ndarray, float64, shape (n_variables,)
            New limits; infinite where there is none.
        """
        for variable, a, b in zip(variables, low.tolist(), high.tolist(), strict=True):
            variable.lowBound = None if math.isinf(a) else a
            variable.upBound = None if math.isinf(b) else b
        self._door.bounds_are_old = True

    def solve(
        self,
        *,
        time_limit: float | None = None,
        relative_gap: float = 0.0,
        absolute_gap: float = 1e-9,
        node_limit: int | None = None,
        enough_bound: float | None = None,
        seed: int = 0,
        start: Mapping[pulp.LpVariable, float] | None = None,
        progress: ProgressHandler | None = None,
        cancel: threading.Event | None = None,
        interior: bool = False,
    ) -> SolveReport:
        """Run the solver on the model as it stands now; the arguments are those of `solve`."""
        if time_limit is not None and not time_limit >= 0:
            raise ModelError(
                f"solver, time limit: found {time_limit!r}. Expected seconds, 0 or more. Correct the setting."
            )
        door = self._door
        door.wishes = Wishes(
            time_limit,
            relative_gap,
            absolute_gap,
            node_limit,
            enough_bound,
            seed,
            start or {},
            progress,
            cancel,
            interior,
        )
        began = time.perf_counter()
        self.problem.solve(door)
        seconds = time.perf_counter() - began
        return door.report(seconds)


def solve(
    problem: pulp.LpProblem,
    *,
    time_limit: float | None = None,
    relative_gap: float = 0.0,
    absolute_gap: float = 1e-9,
    node_limit: int | None = None,
    enough_bound: float | None = None,
    seed: int = 0,
    start: Mapping[pulp.LpVariable, float] | None = None,
    progress: ProgressHandler | None = None,
    cancel: threading.Event | None = None,
    interior: bool = False,
) -> SolveReport:
    """Solve a PuLP model once.

    Parameters
    ----------
    problem : pulp.LpProblem
        The model; name its variables with `numbered`.
    time_limit : float, optional
        Seconds of wall-clock time for the search. Default: no limit.
    relative_gap : float
        Stop as soon as |objective - bound| / |objective| is no larger. 0 asks for the proven best.
    absolute_gap : float
        Stop as soon as |objective - bound| is no larger, in the unit of the objective.
    node_limit : int, optional
        Largest number of search nodes: unlike the clock it gives the same answer on every machine.
    enough_bound : float, optional
        Stop, with status ``other limit``, as soon as the proven bound is this good.
    seed : int
        Seed of the solver's own random choices.
    start : mapping of variable to float, optional
        A solution to start from; it may leave variables out. A start that breaks a rule is ignored by
        the solver.
    progress : callable, optional
        Called with a `Progress` now and then while whole numbers are searched for. It must be quick.
        An error it raises ends the run and is raised here.
    cancel : threading.Event, optional
        Setting it from another thread ends the run with status ``stopped``.
    interior : bool
        Solve linear models by an interior point method instead of the simplex method. Faster for large
        models whose answer moves far between runs; the simplex method goes on from the last answer.

    Returns
    -------
    SolveReport
        What came out. Read values with `read_values` or `read_counts`.

    Raises
    ------
    ModelError
        If two variables have one name, a number is not finite, or a limit is below 0.
    SolverError
        If the solver refused to run.
    """
    return Session(problem).solve(
        time_limit=time_limit,
        relative_gap=relative_gap,
        absolute_gap=absolute_gap,
        node_limit=node_limit,
        enough_bound=enough_bound,
        seed=seed,
        start=start,
        progress=progress,
        cancel=cancel,
        interior=interior,
    )


def read_values(variables: Sequence[pulp.LpVariable], report: SolveReport) -> FloatArray:
    """Return the values of variables in the solution found.

    Parameters
    ----------
    variables : sequence of pulp.LpVariable
        Variables of the model that was solved.
    report : SolveReport
        What the run returned.

    Returns
    -------
    ndarray, float64, shape (n_variables,)
        Values; a negative zero is returned as zero.

    Raises
    ------
    NoSolutionError
        If the run found no solution, or a variable took no part in the model.
    """
    if not report.has_solution:
        raise NoSolutionError(
            f"solver result: found status '{report.status}' without a solution. Expected a solution to read. "
            "Check SolveReport.has_solution first."
        )
    values = [v.varValue for v in variables]
    missing = [v.name for v, x in zip(variables, values, strict=True) if x is None]
    if missing:
        raise NoSolutionError(
            f"solver result, variable {missing[0]!r}: found no value. Expected a variable that stands in the "
            "objective or a rule of the model. Leave it out of the reading."
        )
    return np.array(values, dtype=np.float64) + 0.0


def read_counts(variables: Sequence[pulp.LpVariable], report: SolveReport) -> BigIntArray:
    """Return the values of whole-number variables, rounded.

    Parameters
    ----------
    variables : sequence of pulp.LpVariable
        Whole-number variables of the model that was solved.
    report : SolveReport
        What the run returned.

    Returns
    -------
    ndarray, int64, shape (n_variables,)
        Values.

    Raises
    ------
    NoSolutionError
        As `read_values`.
    SolverError
        If a value is further than `INTEGER_TOLERANCE` from a whole number.
    """
    values = read_values(variables, report)
    rounded = np.rint(values)
    wrong = np.flatnonzero(np.abs(values - rounded) > INTEGER_TOLERANCE)
    if wrong.size:
        i = int(wrong[0])
        raise SolverError(
            f"solver result, variable {variables[i].name!r}: found {values[i]!r}. Expected a whole number to "
            f"within {INTEGER_TOLERANCE}. Report this as a fault of the program."
        )
    return rounded.astype(np.int64)
