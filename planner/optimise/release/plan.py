"""What comes out of release planning."""

from __future__ import annotations

from dataclasses import dataclass

from broodstock.arrays import BigIntArray
from planner.optimise.release.conflicts import Conflicts
from planner.optimise.release.explain import RefusedGroup
from planner.optimise.release.measures import ReleaseMeasures
from planner.optimise.release.proof import BoundProof
from planner.optimise.release.recheck import Breach
from planner.optimise.release.settings import ReleaseSettings
from planner.optimise.status import SolveReport, SolveStatus


@dataclass(frozen=True)
class Stage:
    """One step of the search.

    Parameters
    ----------
    name : str
        What was done, in words.
    seconds : float
        Time it took.
    value, bound : float or None
        Best objective and proven bound after it.
    """

    name: str
    seconds: float
    value: float | None = None
    bound: float | None = None


@dataclass(frozen=True)
class ReleasePlan:
    """A release plan, or the reason why there is none.

    Parameters
    ----------
    status : SolveStatus
        ``proven``: within the gap asked for; ``time limit`` or ``stopped``: the best found so far, with
        its proven gap, or nothing if none was found; ``infeasible``: no plan meets all rules.
    numbers : ndarray, int64, shape (n_groups, n_sites), or None
        Fish of each group to each site. None when there is no plan: never zeros in its place.
    kept_back : ndarray, int64, shape (n_groups,), or None
        Fish of each group that stay.
    objective : float or None
        Sum of w_s N_s theta_s plus w_0 N theta of all sites, computed from the numbers.
    bound : float or None
        Proven: no plan under the same rules has a lower objective.
    gap : float or None
        (objective - bound) / objective.
    most_survivors : float or None
        Most expected survivors found under the same rules.
    survivors_floor : float
        Expected survivors the plan had to reach.
    measures : ReleaseMeasures or None
        Every goal by itself, per site and as a whole.
    refused : tuple of RefusedGroup
        Groups that no site may take, with the reasons.
    conflicts : Conflicts or None
        When no plan exists: which rules conflict and the smallest relaxations.
    breaches : tuple of Breach
        What the recheck found; empty for a plan that may be shown.
    proof : BoundProof or None
        From which the bound of the relaxation can be computed again without a solver. The bound of the
        plan may be higher, when the search over whole numbers proved more.
    report : SolveReport
        Outcome of the whole search in the common form.
    stages : tuple of Stage
        The steps.
    settings : ReleaseSettings
        The settings it was made with.
    seed : int
        Seed of the solver.
    """

    status: SolveStatus
    numbers: BigIntArray | None
    kept_back: BigIntArray | None
    objective: float | None
    bound: float | None
    gap: float | None
    most_survivors: float | None
    survivors_floor: float
    measures: ReleaseMeasures | None
    refused: tuple[RefusedGroup, ...]
    conflicts: Conflicts | None
    breaches: tuple[Breach, ...]
    proof: BoundProof | None
    report: SolveReport
    stages: tuple[Stage, ...]
    settings: ReleaseSettings
    seed: int

    @property
    def has_plan(self) -> bool:
        """True when there are numbers to show."""
        return self.numbers is not None
