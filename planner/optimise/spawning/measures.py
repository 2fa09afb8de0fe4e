"""What a plan means for the season's young: contributions, effective number of parents, diversity, inbreeding."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from broodstock.arrays import BigIntArray, FloatArray
from planner.optimise.spawning.coefficients import Coefficients
from planner.optimise.spawning.data import SpawningData


@dataclass(frozen=True, slots=True)
class CohortMeasures:
    """Expectations for the young of all dishes of the season, each dish giving the same number of young.

    Parameters
    ----------
    goal : float
        Value that was minimised: mean kinship of the young, or its mixture with that of the living group.
    cohort_kinship : float
        Mean kinship of the young, genes drawn with replacement (self-pairs in).
    gene_diversity : float
        1 - `cohort_kinship`.
    living_kinship_before, living_kinship_after : float or None
        Mean kinship of the living group without and with the young; None without a living group.
    living_diversity_before, living_diversity_after : float or None
        1 - the same.
    effective_females, effective_males : float
        Numbers of equally used parents with the same sum of squared contributions.
    effective_parents : float
        4 x females x males / (females + males) of these effective numbers.
    females_used, males_used, families : int
        Different females, males and pairs.
    effective_families : float
        Number of equal families with the same sum of squared shares.
    mean_inbreeding, greatest_inbreeding : float
        Expected inbreeding of the young: kinship of the parents, mean over dishes and greatest.
    new_mean_inbreeding : float or None
        Mean over the new dishes only; None when there is none.
    goal_by_estimates : float
        The goal with kinship as estimated; the same as `goal` unless kinship tables that may be true are given.
    goal_by_tables : tuple of float
        The goal under each of those tables.

    References
    ----------
    .. [1] Wright, S. (1931), Genetics 16, 97-159 (effective number with unequal sexes). Unrelated parents are
       assumed; relatedness shows in the mean kinship instead.
    .. [2] Lacy, R. C. (1995), Zoo Biology 14, 565-577 (gene diversity as 1 - mean kinship).
    """

    goal: float
    cohort_kinship: float
    gene_diversity: float
    living_kinship_before: float | None
    living_kinship_after: float | None
    living_diversity_before: float | None
    living_diversity_after: float | None
    effective_females: float
    effective_males: float
    effective_parents: float
    females_used: int
    males_used: int
    families: int
    effective_families: float
    mean_inbreeding: float
    greatest_inbreeding: float
    new_mean_inbreeding: float | None
    goal_by_estimates: float
    goal_by_tables: tuple[float, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return asdict(self)


def effective_number(dishes: BigIntArray) -> float:
    """Return the number of equally used fish with the same sum of squared shares; 0 when none is used.

    Parameters
    ----------
    dishes : ndarray, integer
        Dishes of each fish, or of each family.

    Examples
    --------
    >>> effective_number(np.array([3, 3, 3, 0]))
    3.0
    """
    total = float(dishes.sum())
    return 0.0 if total == 0 else total * total / float((dishes.astype(np.float64) ** 2).sum())


def effective_parents(of_females: BigIntArray, of_males: BigIntArray) -> float:
    """Return 4 f m / (f + m) with the effective numbers f of females and m of males; 0 without parents.

    Examples
    --------
    Seven females and seven males, three dishes each:

    >>> effective_parents(np.full(7, 3), np.full(7, 3))
    14.0
    """
    f, m = effective_number(of_females), effective_number(of_males)
    return 0.0 if f + m == 0 else 4.0 * f * m / (f + m)


def cohort_measures(data: SpawningData, co: Coefficients, new: BigIntArray) -> CohortMeasures:
    """Return what new dishes, with those already made, mean for the season's young.

    Parameters
    ----------
    data : SpawningData
    co : Coefficients
    new : ndarray, int64, shape (n_females, n_males)
        New dishes of each pair.

    Returns
    -------
    CohortMeasures
    """
    table = new + data.made_pairs
    of_females, of_males = table.sum(axis=1), table.sum(axis=0)
    c = np.concatenate([of_females, of_males]).astype(np.float64)
    total = float(table.sum())
    share = c / (2.0 * total)
    cohort = float(share @ co.K @ share)
    before = co.living_kinship
    after = None
    if before is not None:
        living, young = float(data.living.sum()), data.young
        both = living + young
        across = float(share @ co.with_living)
        after = (living**2 * before + 2 * living * young * across + young**2 * cohort) / both**2
    laid = table > 0
    fresh = int(new.sum())
    return CohortMeasures(
        goal=co.goal(c),
        cohort_kinship=cohort,
        gene_diversity=1.0 - cohort,
        living_kinship_before=before,
        living_kinship_after=after,
        living_diversity_before=None if before is None else 1.0 - before,
        living_diversity_after=None if after is None else 1.0 - after,
        effective_females=effective_number(of_females),
        effective_males=effective_number(of_males),
        effective_parents=effective_parents(of_females, of_males),
        females_used=int((of_females > 0).sum()),
        males_used=int((of_males > 0).sum()),
        families=int(laid.sum()),
        effective_families=effective_number(table[laid]),
        mean_inbreeding=float((table * co.pair_kinship).sum() / total),
        greatest_inbreeding=float(co.pair_kinship[laid].max(initial=0.0)),
        new_mean_inbreeding=None if fresh == 0 else float((new * co.pair_kinship).sum() / fresh),
        goal_by_estimates=co.by_estimates(c),
        goal_by_tables=tuple(goals_by_table(data, c)),
    )


def goals_by_table(data: SpawningData, c: FloatArray) -> list[float]:
    """Return the goal under each kinship table that may be true, at contributions c.

    Parameters
    ----------
    data : SpawningData
    c : ndarray, float64, shape (n_candidates,)
        Dishes of each candidate, dishes made included.

    Returns
    -------
    list of float
        In the order of the tables; empty when there are none.
    """
    share = c / c.sum()
    living, young, a = float(data.living.sum()), data.young, data.living_share
    goals = []
    for table in data.scenarios:
        cohort = float(share @ table.K @ share)
        goal = cohort
        if a > 0 and living > 0:
            across = float(share @ table.with_living)
            whole = living**2 * table.living_kinship + 2 * living * young * across + young**2 * cohort
            goal = (1 - a) * cohort + a * whole / (living + young) ** 2
        goals.append(goal)
    return goals
