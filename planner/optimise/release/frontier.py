"""The trade-off between survivors and kinship, as a row of plans each with its own proof."""

from __future__ import annotations

import threading
from dataclasses import dataclass

import numpy as np

from planner.optimise.release.data import ReleaseData
from planner.optimise.release.plan import ReleasePlan
from planner.optimise.release.solve import plan_release

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


def trade_off(
    data: ReleaseData,
    shares: tuple[float, ...] = (0.80, 0.85, 0.90, 0.94, 0.97, 0.99, 1.0),
    *,
    cancel: threading.Event | None = None,
) -> list[TradeOffPoint]:
    """Make a plan at each share of the most expected survivors (epsilon-constraint method).

    Parameters
    ----------
    data : ReleaseData
        The data; its own `survivors_share` is not used. Gap and time limit hold for each point.
    shares : tuple of float
        2 to 25 shares between 0 and 1, rising.
    cancel : threading.Event, optional
        Set from another thread to stop; the points made so far are returned.

    Returns
    -------
    list of TradeOffPoint
        In the order of the shares. No point is recommended: a person chooses.

    Raises
    ------
    ValueError
        If the shares are too few, too many, not rising, or outside 0 to 1.

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
    plans: list[tuple[float, ReleasePlan]] = []
    for share in steps.tolist():
        plans.append((share, plan_release(data.with_settings(survivors_share=share), cancel=cancel)))
        if cancel is not None and cancel.is_set():
            break
    return [_point(share, plan, [p for _, p in plans]) for share, plan in plans]


def _point(share: float, plan: ReleasePlan, plans: list[ReleasePlan]) -> TradeOffPoint:
    m = plan.measures
    if m is None:
        return TradeOffPoint(share, plan, None, None, None, None, False)
    beaten = any(_better(other, plan) for other in plans if other is not plan)
    return TradeOffPoint(
        share, plan, m.survivors.value, m.kinship_weighted, m.kinship_within, m.kinship_whole, beaten
    )


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
