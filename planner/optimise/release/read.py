"""From numbers of fish to a plan that has been checked and measured."""

from __future__ import annotations

from dataclasses import replace

from broodstock.arrays import BigIntArray
from planner.optimise.release.build import objective
from planner.optimise.release.conflicts import Conflicts
from planner.optimise.release.data import ReleaseData
from planner.optimise.release.explain import refused_groups
from planner.optimise.release.measures import measure
from planner.optimise.release.plan import ReleasePlan, Stage
from planner.optimise.release.proof import BoundProof
from planner.optimise.release.recheck_plan import recheck
from planner.optimise.status import SolveReport


def read_plan(
    data: ReleaseData,
    numbers: BigIntArray,
    report: SolveReport,
    most_survivors: float | None,
    survivors_floor: float,
    proof: BoundProof | None,
    stages: tuple[Stage, ...],
) -> ReleasePlan:
    """Make a plan from numbers of fish, measure it and check it again.

    Parameters
    ----------
    data : ReleaseData
        The data.
    numbers : ndarray, int64, shape (n_groups, n_sites)
        Fish sent.
    report : SolveReport
        How the search ended.
    most_survivors : float or None
        Most expected survivors found.
    survivors_floor : float
        Expected survivors that had to be reached.
    proof : BoundProof or None
        Proof of the relaxation's bound.
    stages : tuple of Stage
        Steps of the search.

    Returns
    -------
    ReleasePlan
        With `ReleasePlan.breaches` empty when the recheck agrees.
    """
    plan = ReleasePlan(
        status=report.status,
        numbers=numbers,
        kept_back=data.groups.available - numbers.sum(axis=1),
        objective=objective(data, numbers),
        bound=report.bound,
        gap=report.gap,
        most_survivors=most_survivors,
        survivors_floor=survivors_floor,
        measures=measure(data, numbers),
        refused=refused_groups(data),
        conflicts=None,
        breaches=(),
        proof=proof,
        report=report,
        stages=stages,
        settings=data.settings,
        seed=data.settings.seed,
    )
    return replace(plan, breaches=tuple(recheck(data, plan)))


def plan_without_numbers(
    data: ReleaseData, report: SolveReport, conflicts: Conflicts | None, stages: tuple[Stage, ...]
) -> ReleasePlan:
    """Return the answer when there is no plan: why, and nothing that could be taken for numbers."""
    return ReleasePlan(
        status=report.status,
        numbers=None,
        kept_back=None,
        objective=None,
        bound=None,
        gap=None,
        most_survivors=None,
        survivors_floor=data.settings.survivors_min,
        measures=None,
        refused=refused_groups(data),
        conflicts=conflicts,
        breaches=(),
        proof=None,
        report=report,
        stages=stages,
        settings=data.settings,
        seed=data.settings.seed,
    )
