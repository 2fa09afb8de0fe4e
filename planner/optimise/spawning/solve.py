"""Make a spawning plan: data -> rules -> contributions with a bound -> pairs -> plan -> recheck."""

from __future__ import annotations

import threading
import time
from dataclasses import dataclass, replace

from broodstock.arrays import BigIntArray, FloatArray
from broodstock.errors import UsageError
from planner.optimise.solver import ProgressHandler
from planner.optimise.spawning.build import Draft, draft_rules
from planner.optimise.spawning.coefficients import Coefficients, coefficients
from planner.optimise.spawning.conflicts import find_conflicts
from planner.optimise.spawning.data import SpawningData
from planner.optimise.spawning.pairing import choose_pairs
from planner.optimise.spawning.read import Conflict, SpawningPlan, read_plan
from planner.optimise.spawning.recheck import demand_sound
from planner.optimise.spawning.search import Found, Goal, Search
from planner.optimise.status import SolveStatus

LONGEST_EXPLANATION = 20.0
"""Most seconds spent on finding out which rules conflict."""


@dataclass(frozen=True, slots=True)
class SearchSettings:
    """How long and how closely to search.

    Parameters
    ----------
    time_limit : float
        Seconds for the search of contributions; choosing the pairs afterwards takes a moment more.
    relative_gap : float
        Stop when no plan can be better than this share of the value.
    seed : int
        Seed of the solver's random choices. The same data, settings and seed give the same plan unless the
        time limit ends the search.
    explain_conflicts : bool
        Whether to look for the conflicting rules when no plan exists.
    """

    time_limit: float = 60.0
    relative_gap: float = 1e-3
    seed: int = 0
    explain_conflicts: bool = True

    def __post_init__(self) -> None:
        if not self.time_limit > 0:
            raise UsageError(f"search, time_limit: found {self.time_limit!r}. Expected seconds above 0.")
        if not 0 <= self.relative_gap < 1:
            raise UsageError(f"search, relative_gap: found {self.relative_gap!r}. Expected 0 to below 1.")


def plan_spawning(
    data: SpawningData,
    settings: SearchSettings | None = None,
    *,
    start: BigIntArray | None = None,
    keep: FloatArray | None = None,
    progress: ProgressHandler | None = None,
    cancel: threading.Event | None = None,
) -> SpawningPlan:
    """Return the spawning plan with the least mean kinship under the rules, and the proof of how good it is.

    Parameters
    ----------
    data : SpawningData
        Fish, rules and goal; see `planner.optimise.spawning.data.spawning_data`.
    settings : SearchSettings, optional
        Time, gap, seed.
    start : ndarray, int64, shape (n_candidates,), optional
        Contributions to start from (an earlier plan); ignored where they break a rule.
    keep : ndarray, float64, shape (n_females, n_males), optional
        Small amounts taken off the kinship of pairs to keep, when the pairs are chosen.
    progress : callable, optional
        Called with a `planner.optimise.solver.Progress` in the unit of the goal.
    cancel : threading.Event, optional
        Setting it ends the search; the best plan so far is returned.

    Returns
    -------
    SpawningPlan
        First the goal is minimised over contributions, then mean inbreeding over pairs, then repeats of the same pair,
        so that families are even. A time limit gives the best plan with its gap; when no plan meets the rules, the
        plan is empty and `conflicts` says why.

    Raises
    ------
    UnsoundPlanError
        If the plan fails its recheck: a fault of the program.
    ValueRangeError
        If a kinship matrix cannot be used (see `planner.optimise.kinship_bound.dense_form`).

    Notes
    -----
    Fertilisation within a pair of fish does not change the mean kinship of the young: a full factorial and
    single pairs with the same contributions have the same value. They differ in inbreeding, in the number of
    families and in what is lost when one fish fails.

    References
    ----------
    .. [1] Meuwissen, T. H. E. (1997), Journal of Animal Science 75, 934-940 (contributions that limit mean
       relationship).
    """
    how = settings or SearchSettings()
    co = coefficients(data)
    draft = draft_rules(data, co)
    found = _search(draft, co, how, start, progress, cancel)
    return finish(data, co, draft, found, how, keep=keep, cancel=cancel)


def goal_of(co: Coefficients) -> Goal:
    """Return the goal in the form the search takes."""
    linear = co.linear / co.square
    if co.cases:
        return Goal(co.form, co.K, linear, co.square, 0.0, co.cases, co.pedigree_part, dense=True)
    dense = co.pedigree_part is None or co.form is not co.pedigree_part[0]
    return Goal(co.form, co.K, linear, co.square, co.constant, (), co.pedigree_part, dense)


def finish(
    data: SpawningData,
    co: Coefficients,
    draft: Draft,
    found: Found,
    how: SearchSettings,
    *,
    cost: FloatArray | None = None,
    keep: FloatArray | None = None,
    cancel: threading.Event | None = None,
) -> SpawningPlan:
    """Choose the pairs for contributions, read the plan and recheck it.

    Parameters
    ----------
    data, co, draft
        What the search was made from.
    found : Found
        Contributions, or none.
    how : SearchSettings
    cost : ndarray, float64, shape (n_females, n_males), optional
        Cost of each pair; its kinship by default.
    keep : ndarray, float64, shape (n_females, n_males), optional
        Taken off the cost.
    cancel : threading.Event, optional
        Not listened to once contributions exist, so that a plan comes out.

    Returns
    -------
    SpawningPlan

    Raises
    ------
    UnsoundPlanError
        If the plan fails its recheck.
    """
    if found.c is None:
        conflicts: tuple[Conflict, ...] = ()
        if found.report.status is SolveStatus.INFEASIBLE and how.explain_conflicts:
            limit = min(how.time_limit, LONGEST_EXPLANATION)
            conflicts = find_conflicts(data, co, time_limit=limit, cancel=cancel)
        return read_plan(data, co, None, found.report, seed=how.seed, conflicts=conflicts)
    began = time.perf_counter()
    new, _ = choose_pairs(draft, found.c, cost=cost, keep=keep, even=True)
    report = replace(found.report, seconds=found.report.seconds + time.perf_counter() - began)
    plan = read_plan(data, co, new, report, seed=how.seed)
    demand_sound(data, plan)
    return plan


def _search(
    draft: Draft,
    co: Coefficients,
    how: SearchSettings,
    start: BigIntArray | None,
    progress: ProgressHandler | None,
    cancel: threading.Event | None,
) -> Found:
    return Search(
        draft,
        goal_of(co),
        time_limit=how.time_limit,
        gap=how.relative_gap,
        seed=how.seed,
        start=start,
        progress=progress,
        cancel=cancel,
    ).run()
