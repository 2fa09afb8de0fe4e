"""The trade-off between survivors and kinship, as a row of plans each with its own proof."""

from __future__ import annotations

import threading
from dataclasses import dataclass, replace

import numpy as np

from planner.optimise.release.build import objective
from planner.optimise.release.data import ReleaseData
from planner.optimise.release.plan import ReleasePlan
from planner.optimise.release.read import plan_without_numbers, read_plan
from planner.optimise.release.search import Tell
from planner.optimise.release.solve import Earlier, most_survivors, plan_release
from planner.optimise.solver import solver_versions
from planner.optimise.status import SolveReport, SolveStatus, relative_gap

FEWEST, MOST = 2, 25


@dataclass(frozen=True)
class TradeOffPoint:
    """One plan on the trade-off.

    Parameters
    ----------
    survivors_share : float
        Share of the most expected survivors that was demanded.
    plan : ReleasePlan
        The plan, with its bound and gap.
    survivors : float or None
        Its expected survivors.
    kinship_weighted, kinship_within, kinship_whole : float or None
        Mean kinship by the weights of the objective, within sites, and of all sites together.
    dominated : bool
        True when another point of the row has no fewer survivors and no higher weighted mean kinship, and
        is better in one: below some share, giving up survivors lowers kinship no more.
    """

    survivors_share: float
    plan: ReleasePlan
    survivors: float | None
    kinship_weighted: float | None
    kinship_within: float | None
    kinship_whole: float | None
    dominated: bool

    @property
    def note(self) -> str:
        """Why the plan is missing, how its search ended where it did not reach the gap, or that another is better."""
        plan = self.plan
        words = []
        if plan.numbers is None:
            if plan.status is SolveStatus.STOPPED:
                return "no plan: stopped by hand before one was found"
            return f"no plan: {plan.status}"
        if plan.status is not SolveStatus.PROVEN:
            words.append(_how_it_ended(plan))
        if self.dominated:
            words.append("another plan is better")
        return "; ".join(words)


def trade_off(
    data: ReleaseData,
    shares: tuple[float, ...] = (0.80, 0.85, 0.90, 0.94, 0.97, 0.99, 1.0),
    *,
    progress: Tell | None = None,
    cancel: threading.Event | None = None,
) -> list[TradeOffPoint]:
    """Make a plan at each share of the most expected survivors (epsilon-constraint method).

    Parameters
    ----------
    data : ReleaseData
        The data; its own `survivors_share` is not used. Gap and time limit hold for each point.
    shares : tuple of float
        2 to 25 shares between 0 and 1, rising.
    progress : callable, optional
        Called with the step in words, the best objective and the bound so far (either may be None).
    cancel : threading.Event, optional
        Set from another thread to stop; the point being worked on keeps its best plan so far with what is proven of
        it, later ones have no plan and say why.

    Returns
    -------
    list of TradeOffPoint
        In the order of the shares, one for each. No point is recommended: a person chooses.

    Raises
    ------
    ValueError
        If the shares are too few, too many, not rising, or outside 0 to 1.

    Notes
    -----
    The most survivors are sought once for all points. From the lowest share upwards each search takes over the
    tangents of the one before it and its bound, which holds at every higher floor; afterwards a plan of a higher
    share replaces a worse one of a lower share, whose floor it reaches.

    References
    ----------
    .. [1] Haimes, Lasdon & Wismer (1971), IEEE Transactions on Systems, Man, and Cybernetics 1, 296-297
       (from memory).
    """
    steps = np.array(shares, dtype=np.float64)
    if not FEWEST <= steps.size <= MOST or (np.diff(steps) <= 0).any() or steps.min() < 0 or steps.max() > 1:
        raise ValueError(
            f"trade-off, shares: found {list(shares)}. Expected {FEWEST} to {MOST} rising numbers from 0 to 1. "
            "Correct the list."
        )
    tell = progress or _say_nothing
    tell("seeking the most survivors", None, None)
    most = most_survivors(data, time_limit=data.settings.time_limit, cancel=cancel)
    plans: list[ReleasePlan] = []
    for share in steps.tolist():
        stopped = cancel is not None and cancel.is_set()
        one = data.with_settings(survivors_share=share)
        if most.numbers is None and plans:
            plans.append(plans[0])  # without any plan the reason is the same at every share
        elif stopped and most.numbers is not None:
            plans.append(_not_begun(one))
        else:
            earlier = Earlier(most, tuple(plans))
            plans.append(plan_release(one, progress=_named(tell, share), cancel=cancel, earlier=earlier))
    plans = handed_down(data, steps.tolist(), plans)
    return [_point(share, plan, plans) for share, plan in zip(steps.tolist(), plans, strict=True)]


def _named(tell: Tell, share: float) -> Tell:
    """Put the share before the words of each step."""

    def say(step: str, value: float | None, bound: float | None) -> None:
        tell(f"{share:.1%} of the most survivors: {step}", value, bound)

    return say


def _not_begun(data: ReleaseData) -> ReleasePlan:
    """Return the answer for a point that was not begun when a person stopped the search."""
    report = SolveReport(SolveStatus.STOPPED, False, None, None, None, 0, 0.0, solver_versions())
    return plan_without_numbers(data, report, None, ())


def handed_down(data: ReleaseData, shares: list[float], plans: list[ReleasePlan]) -> list[ReleasePlan]:
    """Replace a plan by a better one of a higher share, which reaches every lower floor too."""
    out = list(plans)
    for i in range(len(plans) - 2, -1, -1):
        own, higher = out[i], out[i + 1]
        if own.numbers is None or higher.numbers is None or own.objective is None:
            continue
        value = objective(data, higher.numbers)
        if value >= own.objective:
            continue
        gap = relative_gap(value, own.bound)
        proven = gap is not None and gap <= own.settings.gap
        status = SolveStatus.PROVEN if proven else own.status
        report = replace(own.report, status=status, objective=value, gap=gap)
        one = data.with_settings(survivors_share=shares[i])
        out[i] = read_plan(
            one, higher.numbers, report, own.most_survivors, own.survivors_floor, own.proof, own.stages
        )
    return out


def _how_it_ended(plan: ReleasePlan) -> str:
    """Say why the gap that was asked for is not reached."""
    left = "no bound is proven" if plan.gap is None else f"a gap of {plan.gap:.2%} is left"
    wanted = f"of {plan.settings.gap:.2%} asked for"
    if plan.status is SolveStatus.STOPPED:
        return f"stopped by hand: {left} {wanted}"
    if plan.status is SolveStatus.TIME_LIMIT:
        return f"stopped after the {plan.settings.time_limit:g} s of the setting time_limit: {left} {wanted}"
    return f"stopped ({plan.status}): {left} {wanted}"


def _point(share: float, plan: ReleasePlan, plans: list[ReleasePlan]) -> TradeOffPoint:
    m = plan.measures
    if m is None:
        return TradeOffPoint(share, plan, None, None, None, None, False)
    beaten = any(_better(other, plan) for other in plans if other is not plan)
    return TradeOffPoint(
        share, plan, m.survivors.value, m.kinship_weighted, m.kinship_within, m.kinship_whole, beaten
    )


def _say_nothing(step: str, value: float | None, bound: float | None) -> None:
    """Ignore progress."""


def _better(a: ReleasePlan, b: ReleasePlan) -> bool:
    """Tell whether plan a beats plan b in survivors or weighted kinship and loses in neither."""
    if a.measures is None or b.measures is None:
        return False
    survivors = (a.measures.survivors.value, b.measures.survivors.value)
    kinship = (a.measures.kinship_weighted, b.measures.kinship_weighted)
    if None in survivors or None in kinship:
        return False
    more, less = survivors[0] - survivors[1], kinship[1] - kinship[0]  # type: ignore[operator]
    return more >= 0 and less >= 0 and (more > 0 or less > 0)
