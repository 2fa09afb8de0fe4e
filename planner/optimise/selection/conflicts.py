"""Which rules of a choice cannot hold together, and how many fish could be chosen."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pulp

from planner.optimise.selection.data import SelectionData
from planner.optimise.selection.model import ChoiceModel, Demand, constraints
from planner.optimise.solver import Session

SECONDS = 20.0


@dataclass(frozen=True)
class Conflict:
    """Rules that cannot hold together.

    Parameters
    ----------
    rules : tuple of str
        Each in words; leaving out any one of them makes a choice possible if `smallest` is True.
    most_fish : int or None
        Most fish that all other rules allow; None when not even the other rules can hold together.
    smallest : bool
        Whether it is proven that all of them are needed.
    """

    rules: tuple[str, ...]
    most_fish: int | None
    smallest: bool

    def text(self) -> str:
        """Return the conflict in words."""
        listed = "".join(f"\n- {r}" for r in self.rules)
        more = ""
        if self.most_fish is not None:
            more = f"\nThe rules other than the number allow at most {self.most_fish} fish."
        return f"These rules cannot hold together; give up or change one of them:{listed}{more}"


def find_conflict(data: SelectionData) -> Conflict:
    """Find a set of rules that no choice can meet together, as small as possible.

    Parameters
    ----------
    data : SelectionData
        Kinds and rules for which no choice exists.

    Returns
    -------
    Conflict
        Deletion filter (Chinneck & Dravnieks 1991, ORSA Journal on Computing 3, 157-168, from memory): each rule in
        turn is left out for good if the rest still cannot hold.
    """
    model = ChoiceModel(data)
    kept = list(model.demands)
    proven = True
    for demand in model.demands:
        rest = [d for d in kept if d is not demand]
        status = _feasible(model, rest)
        if status is None:
            proven = False
        elif not status:
            kept = rest
    return Conflict(tuple(d.words for d in kept), _most_fish(model), proven)


def _feasible(model: ChoiceModel, demands: list[Demand]) -> bool | None:
    """Tell whether some rules can hold together; None when time ran out."""
    report = _solve(model, demands, pulp.LpAffineExpression([(model.n[0], 0.0)]))[0]
    if report.has_solution:
        return True
    return False if report.no_plan_exists else None


def _most_fish(model: ChoiceModel) -> int | None:
    """Return the most fish that all rules but the number allow."""
    count = pulp.LpAffineExpression([(v, -1.0) for v in model.n])
    report, values = _solve(model, model.demands[1:], count)
    return round(sum(values)) if report.proven and values else None


def _solve(model: ChoiceModel, demands: list[Demand], goal: pulp.LpAffineExpression) -> tuple:  # type: ignore[type-arg]
    """Run the solver on a fresh copy of the rules."""
    problem = pulp.LpProblem("rules", pulp.LpMinimize)
    copies = {
        v.name: problem.add_variable(v.name, v.lowBound, v.upBound, cat=v.cat)
        for v in (*model.n, *model.t, *model.switches)
    }

    def copied(terms: tuple[tuple[pulp.LpVariable, float], ...]) -> list[tuple[pulp.LpVariable, float]]:
        return [(copies[v.name], f) for v, f in terms]

    problem.setObjective(pulp.LpAffineExpression(copied(tuple(goal.items()))))
    session = Session(problem)
    for terms, low, high in (*model.links, *(row for d in demands for row in d.rows)):
        session.add_rows(constraints(copied(terms), low, high))
    report = session.solve(time_limit=SECONDS, seed=0)
    values = [copies[v.name].varValue for v in model.n] if report.has_solution else []
    return report, np.array(values, dtype=np.float64).tolist()
