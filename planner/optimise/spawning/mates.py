"""The next mates of every fish in a plan, in order: what to do when a fish fails on the spawning morning."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from broodstock.arrays import BoolArray
from planner.optimise.spawning.build import Draft, draft_rules
from planner.optimise.spawning.coefficients import Coefficients
from planner.optimise.spawning.data import SpawningData
from planner.optimise.spawning.read import SpawningPlan, as_table


@dataclass(frozen=True, slots=True)
class NextMate:
    """A fish that could take the place of a mate.

    Parameters
    ----------
    position : int
        Position of the replacement among the candidates.
    name : str
    change : float
        Change of the goal if it takes one dish of the fish it replaces.
    kinship : float
        Its kinship with the fish it would be crossed with.
    uses : int
        Its dishes this season before that.
    """

    position: int
    name: str
    change: float
    kinship: float
    uses: int


def next_mates(
    data: SpawningData,
    co: Coefficients,
    plan: SpawningPlan,
    keeper: int,
    failing: int,
    *,
    most: int = 5,
) -> list[NextMate]:
    """Return the fish that can best replace one mate of a fish in one dish, under all rules.

    Parameters
    ----------
    data : SpawningData
    co : Coefficients
    plan : SpawningPlan
        With dishes.
    keeper : int
        Position of the fish that stays.
    failing : int
        Position of its mate that fails.
    most : int
        Longest list.

    Returns
    -------
    list of NextMate
        The one with the least change of the goal first, the less related one where that is equal. Rules on the
        failing fish itself (its least number of uses or mates) are not asked, as it cannot be used anyway.

    Raises
    ------
    ValueError
        If the two are of one sex or not crossed in the plan.
    """
    new = as_table(data, plan.pairs)
    nf = data.n_females
    f, m = (keeper, failing - nf) if keeper < nf else (failing, keeper - nf)
    if (keeper < nf) == (failing < nf) or not (0 <= f < nf and 0 <= m < data.n_males) or new[f, m] == 0:
        raise ValueError(
            f"next mates: found the pair {data.name(keeper)} and {data.name(failing)}. Expected a pair of the plan."
        )
    draft = draft_rules(data, co)
    c = plan.contributions
    open_ = _can_take(draft, plan, new, keeper, failing)
    own = np.diag(co.K)
    gradient = 2.0 * co.square * (co.K @ c) + co.linear
    curve = co.square * (own + own[failing] - 2.0 * co.K[:, failing])
    change = gradient - gradient[failing] + curve
    kinship = co.K[keeper]
    places = np.flatnonzero(open_)
    order = places[np.lexsort((places, kinship[places], np.round(change[places], 12)))][:most]
    return [
        NextMate(int(i), data.name(int(i)), float(change[i]), float(kinship[i]), int(c[i]))
        for i in order.tolist()
    ]


def _can_take(draft: Draft, plan: SpawningPlan, new: np.ndarray, keeper: int, failing: int) -> BoolArray:
    """Mark fish that may take a dish with the keeper in place of the failing fish."""
    data, nf = draft.data, draft.data.n_females
    c = plan.contributions
    free = np.zeros(data.n_candidates, bool)
    left = draft.pair_room - new
    if keeper < nf:
        free[nf:] = left[keeper] > 0
    else:
        free[:nf] = left[:, keeper - nf] > 0
    free[failing] = False
    after = c.copy()
    after[failing] -= 1
    for i in np.flatnonzero(free).tolist():
        taken = after.copy()
        taken[i] += 1
        z = (taken > draft.base).astype(np.float64)
        fits = taken[i] <= draft.most[i] and (taken[i] >= draft.least_if_new[i] or c[i] > draft.base[i])
        free[i] = fits and all(
            row.holds(taken.astype(np.float64), z) for row in draft.rows if row.code != "full-factorial"
        )
    return free
