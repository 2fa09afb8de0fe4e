"""What came out of a solver run, in our own words.

The words of a library are not passed on: some libraries call a run that stopped at its time limit
optimal, and leave zeros behind where no plan exists. A `SolveReport` says what is proven and what is not.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from enum import StrEnum
from typing import Any


class SolveStatus(StrEnum):
    """How a solver run ended."""

    PROVEN = "proven"
    """The best value, to within the gap that was asked for."""
    TIME_LIMIT = "time limit"
    """Stopped by the clock; there may or may not be a solution, see `SolveReport.has_solution`."""
    OTHER_LIMIT = "other limit"
    """Stopped by a limit on search nodes, iterations or memory."""
    NEAR_BEST = "near best"
    """On purpose not the best, for a gain elsewhere; its gap to the proven bound is stated."""
    STOPPED = "stopped"
    """Stopped by the person who started it."""
    INFEASIBLE = "infeasible"
    """Proven: nothing meets all rules."""
    UNBOUNDED = "unbounded"
    """The objective can be improved without end: the model lacks a rule."""
    INFEASIBLE_OR_UNBOUNDED = "infeasible or unbounded"
    """Proven to be one of the two, without telling which."""


@dataclass(frozen=True, slots=True)
class SolveReport:
    """The outcome of one solver run.

    Parameters
    ----------
    status : SolveStatus
        How the run ended.
    has_solution : bool
        True when values that meet all rules of the model can be read.
    objective : float or None
        Value of the objective at that solution, its constant included; None without a solution.
    bound : float or None
        No solution can be better than this; None when nothing finite was proven.
    gap : float or None
        |objective - bound| / |objective|; None when either is missing or the objective is 0 and the bound
        is not.
    nodes : int
        Nodes of the search tree; 0 for a model without whole-number variables.
    seconds : float
        Wall-clock time of the run.
    solver_versions : tuple of (str, str)
        Name and version of each library that took part.
    """

    status: SolveStatus
    has_solution: bool
    objective: float | None
    bound: float | None
    gap: float | None
    nodes: int
    seconds: float
    solver_versions: tuple[tuple[str, str], ...]

    @property
    def proven(self) -> bool:
        """True when the solution is the best one to within the gap that was asked for."""
        return self.status is SolveStatus.PROVEN and self.has_solution

    @property
    def no_plan_exists(self) -> bool:
        """True when it is proven that nothing meets all rules."""
        return self.status is SolveStatus.INFEASIBLE

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        plain = asdict(self)
        plain["status"] = str(self.status)
        plain["solver_versions"] = dict(self.solver_versions)
        return plain


def relative_gap(value: float | None, bound: float | None) -> float | None:
    """Return |value - bound| / |value|, the share of the value that is not proven necessary.

    Parameters
    ----------
    value, bound : float or None
        Value of a solution and the proven bound, in the same unit.

    Returns
    -------
    float or None
        None when either is missing, or the value is 0 and the bound is not.
    """
    if value is None or bound is None:
        return None
    if value == bound:
        return 0.0
    if value == 0.0:
        return None
    return abs(value - bound) / abs(value)
