"""The recheck of a whole plan: rules, numbers that stay, objective, survivors and the proven bound."""

from __future__ import annotations

import numpy as np

from planner.optimise.release.data import ReleaseData
from planner.optimise.release.plan import ReleasePlan
from planner.optimise.release.proof import proven_bound
from planner.optimise.release.recheck import Breach, breaches

AGREEMENT = 1e-6
"""Relative difference up to which two computations of one number agree."""


def recheck(data: ReleaseData, plan: ReleasePlan) -> list[Breach]:
    """Compute everything a plan claims again and return what does not agree.

    Parameters
    ----------
    data : ReleaseData
        The data the plan was made from.
    plan : ReleasePlan
        The plan.

    Returns
    -------
    list of Breach
        Empty when every rule is kept and every number agrees, or when there is no plan.
    """
    if plan.numbers is None:
        return []
    if plan.numbers.dtype.kind != "i":
        found = f"numbers of type {plan.numbers.dtype}"
        return [Breach("numbers", "the plan", found, "whole numbers of fish")]
    found_breaches = breaches(data, plan.numbers, plan.survivors_floor)
    if any(b.code == "numbers" for b in found_breaches):
        return found_breaches
    return [
        *found_breaches,
        *_kept_back(data, plan),
        *_objective(data, plan),
        *_measures(data, plan),
        *_bound(data, plan),
    ]


def _kept_back(data: ReleaseData, plan: ReleasePlan) -> list[Breach]:
    assert plan.numbers is not None
    stays = data.groups.available - plan.numbers.sum(axis=1)
    if plan.kept_back is not None and np.array_equal(stays, plan.kept_back):
        return []
    return [Breach("kept-back", "the plan", "fish sent and kept do not add up", "all fish of every group")]


def slow_objective(data: ReleaseData, numbers: np.ndarray) -> float:
    """Return the objective pair of families by pair of families, in the plainest way."""
    living = np.zeros((data.n_families, data.n_sites))
    for g in range(data.n_groups):
        living[data.groups.family[g]] += numbers[g] * data.survival[g]
    living += data.sites.residents * data.sites.resident_survival
    k = data.families.kinship
    blocks = [(data.sites.weight[s], living[:, s]) for s in range(data.n_sites)]
    blocks.append((data.settings.whole_weight, living.sum(axis=1)))
    value = 0.0
    for weight, fish in blocks:
        total = fish.sum()
        if total > 0:
            shares = fish / total
            value += weight * total * float((np.outer(shares, shares) * k).sum())
    return value


def _objective(data: ReleaseData, plan: ReleasePlan) -> list[Breach]:
    assert plan.numbers is not None
    value = slow_objective(data, plan.numbers)
    if plan.objective is not None and abs(value - plan.objective) <= AGREEMENT * max(abs(value), 1e-9):
        return []
    return [Breach("objective", "the plan", f"{plan.objective}", f"{value:.6f} by the recheck")]


def _measures(data: ReleaseData, plan: ReleasePlan) -> list[Breach]:
    assert plan.numbers is not None
    if plan.measures is None:
        return [Breach("measures", "the plan", "no measures", "measures beside the numbers")]
    expected = float((plan.numbers * data.survival).sum())
    found = plan.measures.survivors.value
    if found is None or abs(found - expected) > AGREEMENT * max(expected, 1.0):
        return [Breach("measures", "the plan", f"{found} expected survivors", f"{expected:.3f}")]
    if plan.measures.released != int(plan.numbers.sum()):
        released = int(plan.numbers.sum())
        return [Breach("measures", "the plan", f"{plan.measures.released} fish released", f"{released}")]
    return []


def _bound(data: ReleaseData, plan: ReleasePlan) -> list[Breach]:
    """Check that the bound does not lie above the plan and that its proof holds."""
    if plan.bound is None or plan.objective is None:
        return []
    slack = AGREEMENT * max(abs(plan.objective), 1e-9)
    if plan.bound > plan.objective + slack:
        return [Breach("bound", "the plan", f"a bound of {plan.bound:.6f}", f"at most {plan.objective:.6f}")]
    if plan.proof is None:
        return []
    again = proven_bound(data, plan.proof)
    if again is None:
        return [Breach("bound", "the plan", "a proof that does not fit the data", "the proof of this plan")]
    if again > plan.objective + slack or again > plan.bound + slack:
        found = f"a bound of {plan.bound:.6f}, its proof {again:.6f}"
        return [Breach("bound", "the plan", found, "a proof no higher than bound and plan")]
    if plan.status == "infeasible":
        return [Breach("bound", "the plan", "numbers with the status infeasible", "no numbers")]
    return []
