"""Why fish that may be crossed have no dish: what the nearest exchange would cost."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from planner.optimise.spawning.build import draft_rules
from planner.optimise.spawning.coefficients import Coefficients
from planner.optimise.spawning.data import SpawningData
from planner.optimise.spawning.explain import marginal_kinship
from planner.optimise.spawning.read import SpawningPlan


@dataclass(frozen=True, slots=True)
class UnusedFish:
    """A fish that may be crossed and gets no new dish.

    Parameters
    ----------
    name : str
    instead_of : str
        Fish of its sex whose dishes it could take over at least cost; empty where the limits fit no exchange.
    dishes : int
        Dishes of the exchange.
    change : float or None
        Change of the goal by the exchange, the pairs not asked; None without one.
    share : float or None
        The same as a share of the goal.
    """

    name: str
    instead_of: str
    dishes: int
    change: float | None
    share: float | None

    def sentence(self) -> str:
        """Say the exchange in words."""
        if self.change is None or self.share is None:
            return "The plan does not need it; no other fish has dishes that fit its limits."
        dishes = "1 dish" if self.dishes == 1 else f"{self.dishes} dishes"
        return (
            f"The plan does not need it: {dishes} of {self.instead_of} given to it would change the value by "
            f"{self.change:+.6f} ({self.share:+.2%}), if the pairs are allowed."
        )


def unused_fish(data: SpawningData, co: Coefficients, plan: SpawningPlan) -> list[UnusedFish]:
    """Return every candidate that may get new dishes and has none, with the exchange that costs least.

    Parameters
    ----------
    data : SpawningData
    co : Coefficients
    plan : SpawningPlan

    Returns
    -------
    list of UnusedFish
        In the order of the candidates; empty without a plan. An exchange gives dishes of one fish to the unused one,
        within the limits of both fish; the goal is that by the estimates of kinship.
    """
    if not plan.has_plan:
        return []
    draft = draft_rules(data, co)
    possible = [set(v.tolist()) for v in draft.possible()]
    c = plan.contributions
    goal = co.goal(c.astype(np.float64))
    gradient, own = marginal_kinship(co, c.astype(np.float64)), np.diag(co.K)
    new = c - draft.base
    out = []
    for i in np.flatnonzero(new == 0).tolist():
        if not data.ripe[i] or data.hold[i]:
            continue
        best: tuple[float, int, int] | None = None
        for g in np.flatnonzero((new > 0) & (data.is_female == data.is_female[i])).tolist():
            slope = float(gradient[i] - gradient[g])
            curve = co.square * float(own[i] + own[g] - 2.0 * co.K[i, g])
            for n in range(1, int(new[g]) + 1):
                fits = int(c[i]) + n in possible[i] and int(c[g]) - n in possible[g]
                change = n * slope + n * n * curve
                if fits and (best is None or change < best[0] - 1e-15):
                    best = change, g, n
        if best is None:
            out.append(UnusedFish(data.name(i), "", 0, None, None))
        else:
            out.append(
                UnusedFish(
                    data.name(i), data.name(best[1]), best[2], best[0], best[0] / goal if goal else None
                )
            )
    return out
