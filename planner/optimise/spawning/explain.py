"""Why each pair stands in a plan: facts and numbers, no score."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from broodstock.arrays import FloatArray
from planner.optimise.spawning.coefficients import Coefficients
from planner.optimise.spawning.data import MANY, SpawningData
from planner.optimise.spawning.read import SpawningPlan, as_table


@dataclass(frozen=True, slots=True)
class FishFacts:
    """What a plan knows about one fish.

    Parameters
    ----------
    name : str
    row : int
    dishes : int
        New dishes in the plan.
    uses, most_uses : int, int or None
        Dishes this season with the plan, and the limit.
    kinship_with_living : float or None
        Mean kinship with the living group; None without one.
    kinship_with_young : float
        Mean kinship with the season's young.
    rank, of : int
        Place among the candidates of its sex by kinship with the living group (with the young where there is
        no living group), least first.
    """

    name: str
    row: int
    dishes: int
    uses: int
    most_uses: int | None
    kinship_with_living: float | None
    kinship_with_young: float
    rank: int
    of: int


@dataclass(frozen=True, slots=True)
class PairReason:
    """Why a pair is crossed.

    Parameters
    ----------
    dam, sire : FishFacts
    dishes : int
        New dishes of the pair.
    kinship, upper : float, float or None
        Kinship of the pair, which is the expected inbreeding of its young, and the upper end of its interval.
    limit : float or None
        Pair limit in force.
    without_pair : float
        Rise of the goal if one dish of the pair were given to the best replacement of either fish; above 0 where
        the plan is the best there is.
    sentences : tuple of str
        The same in words.
    """

    dam: FishFacts
    sire: FishFacts
    dishes: int
    kinship: float
    upper: float | None
    limit: float | None
    without_pair: float | None
    sentences: tuple[str, ...]

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return asdict(self)


def reasons(data: SpawningData, co: Coefficients, plan: SpawningPlan) -> list[PairReason]:
    """Return the reasons for every pair of a plan.

    Parameters
    ----------
    data : SpawningData
    co : Coefficients
    plan : SpawningPlan

    Returns
    -------
    list of PairReason
        In the order of `plan.pairs`; empty without a plan.
    """
    if not plan.has_plan:
        return []
    new = as_table(data, plan.pairs)
    facts = fish_facts(data, co, plan)
    gradient = marginal_kinship(co, plan.contributions.astype(np.float64))
    explained = []
    for f, m in np.argwhere(new > 0).tolist():
        dam, sire = facts[f], facts[data.male_position(m)]
        kinship = float(co.pair_kinship[f, m])
        upper = None if data.pair_upper is None else float(data.pair_upper[f, m])
        explained.append(
            PairReason(
                dam,
                sire,
                int(new[f, m]),
                kinship,
                upper,
                data.pair_limit,
                _rise_without(data, co, gradient, plan, f, data.male_position(m)),
                tuple(_sentences(data, dam, sire, kinship, upper)),
            )
        )
    return explained


def marginal_kinship(co: Coefficients, c: FloatArray) -> FloatArray:
    """Return the slope of the goal with respect to each candidate's dishes at contributions c."""
    return 2.0 * co.square * (co.K @ c) + co.linear


def fish_facts(data: SpawningData, co: Coefficients, plan: SpawningPlan) -> list[FishFacts]:
    """Return facts about every candidate, by position.

    Parameters
    ----------
    data : SpawningData
    co : Coefficients
    plan : SpawningPlan
        With dishes.
    """
    c = plan.contributions.astype(np.float64)
    with_young = co.K @ c / c.sum()
    ranked_by = with_young if co.living_kinship is None else co.with_living
    new = plan.contributions - data.made_uses
    facts = []
    for i in range(data.n_candidates):
        same_sex = ranked_by[data.is_female == data.is_female[i]]
        most = int(data.most_uses[i])
        facts.append(
            FishFacts(
                name=data.name(i),
                row=int(data.candidates[i]),
                dishes=int(new[i]),
                uses=int(plan.contributions[i]),
                most_uses=None if most >= MANY else most,
                kinship_with_living=None if co.living_kinship is None else float(co.with_living[i]),
                kinship_with_young=float(with_young[i]),
                rank=1 + int((same_sex < ranked_by[i] - 1e-12).sum()),
                of=len(same_sex),
            )
        )
    return facts


def _rise_without(
    data: SpawningData, co: Coefficients, gradient: FloatArray, plan: SpawningPlan, f: int, m: int
) -> float | None:
    """Least rise of the goal when one dish moves from either fish to another free fish of its sex."""
    rises = []
    free = data.ripe & ~data.hold & (plan.contributions < data.most_uses)
    for fish in (f, m):
        others = np.flatnonzero(free & (data.is_female == data.is_female[fish]))
        others = others[others != fish]
        if others.size:
            own = np.diag(co.K)
            curve = co.square * (own[others] + own[fish] - 2.0 * co.K[others, fish])
            rises.append(float((gradient[others] - gradient[fish] + curve).min()))
    return min(rises) if rises else None


def _sentences(
    data: SpawningData, dam: FishFacts, sire: FishFacts, kinship: float, upper: float | None
) -> list[str]:
    words = []
    for fish, mates in ((dam, "females"), (sire, "males")):
        if fish.kinship_with_living is None:
            known = f"mean kinship with the season's young {fish.kinship_with_young:.4f}"
        else:
            known = f"mean kinship with the living group {fish.kinship_with_living:.4f}"
        limit = "" if fish.most_uses is None else f" of at most {fish.most_uses}"
        words.append(
            f"{fish.name}: {known}, place {fish.rank} of {fish.of} {mates}; used {fish.uses} time(s){limit}."
        )
    interval = "" if upper is None else f", at most {upper:.4f} by its interval"
    if data.pair_limit is None:
        words.append(f"Kinship of the pair {kinship:.4f}{interval}; no pair limit is set.")
    else:
        which = "the upper end is compared with" if data.limit_on == "upper" else "below"
        words.append(
            f"Kinship of the pair {kinship:.4f}{interval}; {which} the limit of {data.pair_limit:.4g}."
        )
    return words
