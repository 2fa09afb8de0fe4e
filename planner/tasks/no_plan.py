"""What every planning use case raises when there is no plan to show."""

from __future__ import annotations

from broodstock.errors import KinshoalError
from planner.optimise.status import SolveStatus

STOPPED_WORDS = "Stopped by hand: this is the best plan found by then, with what was proven by then."


def why_none(status: SolveStatus) -> str:
    """Say how a search ended that found nothing, and what to do."""
    if status is SolveStatus.STOPPED:
        return "stopped by hand before one was found. Start again and let it run longer"
    return f"found none ({status}). Give it more time with --set time_limit=SECONDS"


class NoPlanError(KinshoalError):
    """No plan can meet the rules, or none was found in time; the message says which rules conflict.

    Parameters
    ----------
    message : str
        Which rules conflict and what would help, or that the time was up.
    exit_code : int
        4: no plan can meet the rules. 5: stopped without a plan.
    """

    code = "no-plan"

    def __init__(self, message: str, exit_code: int) -> None:
        super().__init__(message)
        self.exit_code = exit_code
