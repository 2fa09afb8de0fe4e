"""Why fish that may be crossed have no dish: what the nearest exchange would cost."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from planner.optimise.spawning.build import draft_rules
from planner.optimise.spawning.coefficients import Coefficients
from planner.optimise.spawning.data import SpawningData
from planner.optimise.spawning.explain import marginal_kinship
from planner.optimise.spawning.read import SpawningPlan
from planner.optimise.spawning.rules import rule


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
    against : tuple of str
        Without an exchange: codes of the rules that stand against every exchange within the limits of the fish.
    """

    name: str
    instead_of: str
    dishes: int
    change: float | None
    share: float | None
    against: tuple[str, ...]

    def sentence(self) -> str:
        """Say the exchange in words."""
        if self.against:
            rules = " ".join(f"{rule(code).sentence} [{code}]" for code in self.against)
            return f"The plan leaves it out: dishes of another fish given to it would break a rule. {rules}"
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
        within the limits of both and all rules but those on pairs; the goal is that by the estimates of kinship.
    """
    if not plan.has_plan:
        return []
    draft = draft_rules(data, co)
    possible = [set(v.tolist()) for v in draft.possible()]
    c = plan.contributions
    new = c - draft.base
    goal = co.goal(c.astype(np.float64))
    gradient, own = marginal_kinship(co, c.astype(np.float64)), np.diag(co.K)
    used = (new > 0).astype(np.float64)
    totals = [float(row.on_dishes @ c + row.on_used @ used) for row in draft.rows]

    def broken(i: int, g: int, n: int) -> str:
        """Return the code of the first linear rule that the exchange breaks, empty when all hold."""
        stops = float(n == new[g])
        for row, total in zip(draft.rows, totals, strict=True):
            after = total + n * float(row.on_dishes[i] - row.on_dishes[g])
            after += float(row.on_used[i]) - stops * float(row.on_used[g])
            slack = 1e-6 * (1 + abs(after))
            if not row.low - slack <= after <= row.high + slack:
                return row.code
        return ""

    out = []
    for i in np.flatnonzero(new == 0).tolist():
        if not data.ripe[i] or data.hold[i]:
            continue
        tried = []
        for g in np.flatnonzero((new > 0) & (data.is_female == data.is_female[i])).tolist():
            slope = float(gradient[i] - gradient[g])
            curve = co.square * float(own[i] + own[g] - 2.0 * co.K[i, g])
            tried += [
                (n * slope + n * n * curve, g, n)
                for n in range(1, int(new[g]) + 1)
                if int(c[i]) + n in possible[i] and int(c[g]) - n in possible[g]
            ]
        barred: list[str] = []
        found = UnusedFish(data.name(i), "", 0, None, None, ())
        for change, g, n in sorted(tried):
            code = broken(i, g, n)
            if not code:
                share = change / goal if goal else None
                found = UnusedFish(data.name(i), data.name(g), n, change, share, ())
                break
            barred.append(code)
        out.append(
            found if found.change is not None else replace(found, against=tuple(dict.fromkeys(barred)))
        )
    return out
