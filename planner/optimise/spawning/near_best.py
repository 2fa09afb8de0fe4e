"""Plans almost as good as the best that are better in another way: nearer to an earlier plan, or quite different.

A manager sees more than one good plan, and a plan made again during the morning changes little. Both start from
the best plan and swap dishes as long as the goal stays within a stated share of the best value.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from broodstock.arrays import BigIntArray, FloatArray
from planner.optimise.spawning.build import Draft, Row, draft_rules
from planner.optimise.spawning.coefficients import Coefficients, coefficients
from planner.optimise.spawning.data import SpawningData
from planner.optimise.spawning.near_best_bound import least_shared, shared_fish
from planner.optimise.spawning.pairing import choose_pairs, failing_row
from planner.optimise.spawning.read import SpawningPlan
from planner.optimise.spawning.search import Found, Goal
from planner.optimise.spawning.solve import SearchSettings, finish, goal_of
from planner.optimise.status import SolveStatus, relative_gap

LONGEST_PROOF = 20.0
"""Most seconds spent on proving how different the plans could be."""


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


@dataclass(frozen=True)
class Alternatives:
    """Plans nearly as good as the best that use other fish, and what is proven about how different they could be.

    Parameters
    ----------
    plans : tuple of SpawningPlan
    within : float
        Greatest rise of the goal, as a share of the best plan's value.
    shared : int
        Fish shared, summed over all pairs of the best plan and `plans`.
    least_shared : int or None
        Proven: no choice of as many plans within the limit has a smaller sum. None without plans, or when the time
        was over.
    """

    plans: tuple[SpawningPlan, ...] = ()
    within: float = 0.0
    shared: int = 0
    least_shared: int | None = None

    def __len__(self) -> int:
        return len(self.plans)

    def __iter__(self) -> Iterator[SpawningPlan]:
        return iter(self.plans)

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {
            "plans": len(self.plans),
            "within": self.within,
            "shared_fish": self.shared,
            "least_shared_fish_proven": self.least_shared,
            "sentence": self.sentence() if self.within else "",
        }

    def sentence(self) -> str:
        """Say how different the plans are, and what is proven about it."""
        if not self.plans:
            return f"No other plan was found whose value is within {self.within:.1%} of the best."
        plans = f"{len(self.plans)} plans" if len(self.plans) > 1 else "plan"
        said = (
            f"Over all pairs of the best plan and the {plans} found, {self.shared} fish are shared (a fish that n "
            "plans use counts in each pair of them)."
        )
        if self.least_shared is None:
            return f"{said} How few could be shared was not proven: the time was over."
        if self.least_shared >= self.shared:
            return f"{said} Proven: no choice of as many plans within {self.within:.1%} of the best shares fewer."
        return (
            f"{said} Proven: no choice of as many plans within {self.within:.1%} of the best shares fewer than "
            f"{self.least_shared}; whether any shares fewer than {self.shared} is not known."
        )


NO_ALTERNATIVES = Alternatives()


def alternatives(
    data: SpawningData,
    plan: SpawningPlan,
    *,
    number: int = 3,
    within: float = 0.01,
    settings: SearchSettings | None = None,
    co: Coefficients | None = None,
    cancel: threading.Event | None = None,
) -> Alternatives:
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
    Alternatives
        Each plan avoids the fish of the plans before it as far as the limit lets it; its gap is to the proven bound
        of the best plan. Fewer than `number` when no further difference is found. Empty without a plan.

    Raises
    ------
    UnsoundPlanError
        If an alternative fails its recheck.
    """
    if not plan.has_plan or plan.value is None:
        return Alternatives(within=within)
    how = settings or SearchSettings()
    known = coefficients(data) if co is None else co
    draft, goal = draft_rules(data, known), goal_of(known)
    most = plan.value * (1 + within)
    chosen = [plan.contributions]
    while len(chosen) <= number and not (cancel is not None and cancel.is_set()):
        used = (np.array(chosen) > draft.base).sum(axis=0).astype(np.float64)
        c = near_contributions(draft, goal, plan.contributions, most=most, avoid=used)
        if any(np.array_equal(c, x) for x in chosen):
            break
        chosen.append(c)
    found = tuple(with_contributions(data, known, draft, plan, c, how) for c in chosen[1:])
    least = None
    if found:
        limit = min(how.time_limit, LONGEST_PROOF)
        least = least_shared(
            draft,
            goal,
            plan.contributions,
            len(found),
            most=most,
            time_limit=limit,
            seed=how.seed,
            cancel=cancel,
        )
    return Alternatives(found, within, shared_fish(np.array(chosen) > draft.base), least)


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
