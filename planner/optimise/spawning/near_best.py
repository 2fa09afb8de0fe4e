"""Plans almost as good as the best that are better in another way: nearer to an earlier plan, or quite different.

A manager sees more than one good plan, and a plan made again during the morning changes little. Both start from
the best plan and swap dishes as long as the goal stays within a stated share of the best value.
"""

from __future__ import annotations

import threading
from dataclasses import replace

import numpy as np

from broodstock.arrays import BigIntArray, FloatArray
from planner.optimise.spawning.build import Draft, Row, draft_rules
from planner.optimise.spawning.coefficients import Coefficients, coefficients
from planner.optimise.spawning.data import SpawningData
from planner.optimise.spawning.pairing import choose_pairs, failing_row
from planner.optimise.spawning.read import SpawningPlan
from planner.optimise.spawning.search import Found, Goal
from planner.optimise.spawning.solve import SearchSettings, finish, goal_of
from planner.optimise.status import SolveStatus, relative_gap


def near_contributions(
    draft: Draft,
    goal: Goal,
    best: BigIntArray,
    *,
    most: float,
    avoid: FloatArray | None = None,
    reference: BigIntArray | None = None,
) -> BigIntArray:
    """Return contributions within a limit of the goal that avoid some fish, or stay near to earlier ones.

    Parameters
    ----------
    draft : Draft
    goal : Goal
    best : ndarray, int64, shape (n_candidates,)
        Contributions that meet all rules and the limit, to start from.
    most : float
        Greatest goal.
    avoid : ndarray, float64, shape (n_candidates,), optional
        Cost of using a candidate at all.
    reference : ndarray, int64, shape (n_candidates,), optional
        Earlier contributions: each dish more than there costs 1.

    Returns
    -------
    ndarray, int64, shape (n_candidates,)
        They meet all rules and can be paired. Found by swaps: no proof that none are cheaper.
    """
    values = draft.possible()
    improver = goal.improver(draft, values, draft.rows)
    numbers = np.arange(improver.possible.shape[1])[None, :]
    costs = np.zeros(improver.possible.shape)
    if avoid is not None:
        costs += avoid[:, None] * (numbers > draft.base[:, None])
    if reference is not None:
        costs += np.maximum(0, numbers - reference[:, None])
    limit = (most - goal.constant) / goal.square

    def failing(c: BigIntArray) -> Row | None:
        return failing_row(draft, c.astype(np.float64), whole=True)

    c = improver.cheapened(best, costs, limit, failing)
    return c if not draft.mates_counted or choose_pairs(draft, c)[0] is not None else best


def alternatives(
    data: SpawningData,
    plan: SpawningPlan,
    *,
    number: int = 3,
    within: float = 0.01,
    settings: SearchSettings | None = None,
    co: Coefficients | None = None,
    cancel: threading.Event | None = None,
) -> list[SpawningPlan]:
    """Return plans that use other fish and whose goal is within a share of the best.

    Parameters
    ----------
    data : SpawningData
    plan : SpawningPlan
        The best plan of the same data.
    number : int
        Most plans to return.
    within : float
        Greatest rise of the goal, as a share of the best plan's value.
    settings : SearchSettings, optional
    co : Coefficients, optional
        Computed when not given.
    cancel : threading.Event, optional

    Returns
    -------
    list of SpawningPlan
        Each avoids the fish of the plans before it as far as the limit lets it; its gap is to the proven bound
        of the best plan. Fewer than `number` when no further difference is possible. Empty without a plan.

    Raises
    ------
    UnsoundPlanError
        If an alternative fails its recheck.
    """
    if not plan.has_plan or plan.value is None:
        return []
    how = settings or SearchSettings()
    known = coefficients(data) if co is None else co
    draft = draft_rules(data, known)
    used = np.zeros(data.n_candidates)
    seen = {tuple(plan.contributions.tolist())}
    used += plan.contributions > 0
    found: list[SpawningPlan] = []
    while len(found) < number and not (cancel is not None and cancel.is_set()):
        c = near_contributions(
            draft,
            goal_of(known),
            plan.contributions,
            most=plan.value * (1 + within),
            avoid=used,
        )
        if tuple(c.tolist()) in seen:
            break
        seen.add(tuple(c.tolist()))
        used += c > 0
        found.append(with_contributions(data, known, draft, plan, c, how))
    return found


def with_contributions(
    data: SpawningData,
    co: Coefficients,
    draft: Draft,
    best: SpawningPlan,
    c: BigIntArray,
    how: SearchSettings,
    keep: FloatArray | None = None,
) -> SpawningPlan:
    """Return the plan with given contributions, its gap counted from the bound of the best plan.

    Raises
    ------
    UnsoundPlanError
        If the plan fails its recheck.
    """
    value = co.goal(c.astype(np.float64))
    gap = relative_gap(value, best.bound)
    within = gap is not None and gap <= how.relative_gap
    status = SolveStatus.PROVEN if within else SolveStatus.NEAR_BEST
    report = replace(best.report, status=status, objective=value, gap=gap)
    return finish(data, co, draft, Found(c, report), how, keep=keep)
