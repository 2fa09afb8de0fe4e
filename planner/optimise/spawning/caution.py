"""What a cautious goal costs and gains beside the plan that believes the estimates of kinship."""

from __future__ import annotations

import threading
from dataclasses import dataclass, replace

import numpy as np

from planner.optimise.spawning.coefficients import coefficients
from planner.optimise.spawning.data import SpawningData
from planner.optimise.spawning.measures import goals_by_table
from planner.optimise.spawning.read import SpawningPlan
from planner.optimise.spawning.solve import SearchSettings, plan_spawning


@dataclass(frozen=True, slots=True)
class CautionPrice:
    """Two plans under the same rules, each judged by the estimates and by the tables that may be true.

    Parameters
    ----------
    nominal : SpawningPlan
        The plan that believes the estimates.
    estimate_nominal, estimate_cautious : float
        Goal of each plan by the estimates.
    worst_nominal, worst_cautious : float
        Goal of each plan under the worst table.
    cautious_of_nominal, cautious_value : float
        The cautious goal (mean and worst table) of each plan.
    """

    nominal: SpawningPlan
    estimate_nominal: float
    estimate_cautious: float
    worst_nominal: float
    worst_cautious: float
    cautious_of_nominal: float
    cautious_value: float

    @property
    def price(self) -> float:
        """Rise of the goal by the estimates, as a share."""
        return self.estimate_cautious / self.estimate_nominal - 1.0

    @property
    def gain(self) -> float:
        """Fall of the cautious goal against that of the plan by the estimates, as a share."""
        return 1.0 - self.cautious_value / self.cautious_of_nominal

    def text(self) -> str:
        """Return price and gain as one sentence."""
        return (
            f"Price of caution: by the estimates the value rises from {self.estimate_nominal:.6f} to "
            f"{self.estimate_cautious:.6f} ({self.price:+.2%}); in the worst case it goes from {self.worst_nominal:.6f} "
            f"to {self.worst_cautious:.6f} ({self.worst_cautious / self.worst_nominal - 1:+.2%})."
        )

    def as_dict(self) -> dict[str, float | str]:
        """Return plain values."""
        return {
            "by_estimates_nominal_plan": self.estimate_nominal,
            "by_estimates_this_plan": self.estimate_cautious,
            "worst_case_nominal_plan": self.worst_nominal,
            "worst_case_this_plan": self.worst_cautious,
            "price": self.price,
            "gain": self.gain,
            "words": self.text(),
        }


def caution_price(
    data: SpawningData,
    plan: SpawningPlan,
    settings: SearchSettings | None = None,
    *,
    cancel: threading.Event | None = None,
) -> CautionPrice | None:
    """Compare a cautious plan with the plan that believes the estimates.

    Parameters
    ----------
    data : SpawningData
        With scenarios.
    plan : SpawningPlan
        The cautious plan.
    settings : SearchSettings, optional
        For the search of the other plan.
    cancel : threading.Event, optional

    Returns
    -------
    CautionPrice or None
        None when the data have no scenarios or either plan is missing.

    Raises
    ------
    UnsoundPlanError
        If the other plan fails its recheck.
    """
    if not data.scenarios or plan.measures is None or plan.value is None:
        return None
    nominal = plan_spawning(replace(data, scenarios=()), settings, start=plan.contributions, cancel=cancel)
    if nominal.measures is None:
        return None
    c = nominal.contributions.astype(np.float64)
    return CautionPrice(
        nominal,
        nominal.measures.goal,
        plan.measures.goal_by_estimates,
        max(goals_by_table(data, c)),
        max(plan.measures.goal_by_tables),
        coefficients(data).goal(c),
        plan.value,
    )
