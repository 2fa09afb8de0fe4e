"""The plan made again during the spawning morning: what is done stays, what remains is planned anew."""

from __future__ import annotations

import threading
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from broodstock.arrays import IntArray
from broodstock.errors import UsageError
from planner.optimise.spawning.build import draft_rules
from planner.optimise.spawning.coefficients import coefficients
from planner.optimise.spawning.data import SpawningData
from planner.optimise.spawning.near_best import near_contributions, with_contributions
from planner.optimise.spawning.read import SpawningPlan, as_rows, as_table
from planner.optimise.spawning.solve import SearchSettings, goal_of, plan_spawning


@dataclass(frozen=True)
class Replanned:
    """A new plan and what changed.

    Parameters
    ----------
    data : SpawningData
        Data of the new plan: dishes laid are among the dishes made.
    plan : SpawningPlan
        The new plan for the remaining dishes.
    kept, dropped, added : ndarray, int32, shape (n_pairs, 3)
        Dishes (dam row, sire row, dishes) of the remaining old plan that stay, that fall away, and that are new.
    """

    data: SpawningData
    plan: SpawningPlan
    kept: IntArray
    dropped: IntArray
    added: IntArray


def replan(
    data: SpawningData,
    plan: SpawningPlan,
    *,
    laid: npt.ArrayLike = (),
    lost: npt.ArrayLike = (),
    dishes: int | None = None,
    stay_within: float = 0.005,
    pair_gain: float = 0.01,
    settings: SearchSettings | None = None,
    cancel: threading.Event | None = None,
) -> Replanned:
    """Plan the rest of the day: dishes laid are fixed, lost fish are left out, few other crosses change.

    Parameters
    ----------
    data : SpawningData
        Data of the old plan; may be changed otherwise as well (fish that became ripe, other limits), as long
        as the candidates are the same.
    plan : SpawningPlan
        The old plan.
    laid : array_like, integer, shape (n_laid, 3)
        Dishes laid since the old plan: dam row, sire row, dishes. Crosses that were not planned count too.
    lost : array_like, integer
        Positions of candidates that cannot be used any more.
    dishes : int, optional
        New dishes still wanted. Default: those of the old plan less those laid.
    stay_within : float
        The new contributions stay as near to the old plan as a rise of the goal by this share allows.
    pair_gain : float
        An old pair is split up only if that lowers the inbreeding of its dish by more than this.
    settings : SearchSettings, optional
    cancel : threading.Event, optional

    Returns
    -------
    Replanned

    Raises
    ------
    KeyError
        If a dish laid names a fish that is no candidate.
    UsageError
        If `laid` holds a number of dishes below 1.
    UnsoundPlanError
        If the plan fails its recheck.
    """
    how = settings or SearchSettings(time_limit=10.0)
    done = np.asarray(laid, dtype=np.int32).reshape(-1, 3)
    if done.size and done[:, 2].min() < 1:
        raise UsageError(
            f"replan, laid: found {int(done[:, 2].min())} dishes. Expected 1 or more for each row."
        )
    just_laid = as_table(data, done)
    rest = np.maximum(0, as_table(data, plan.pairs) - just_laid)
    wanted = max(0, int(plan.pairs[:, 2].sum()) - int(done[:, 2].sum())) if dishes is None else dishes
    ripe = data.ripe.copy()
    ripe[np.asarray(lost, dtype=np.int64)] = False
    f, m = np.nonzero(just_laid)
    made = np.vstack([data.made, np.column_stack([f, m, just_laid[f, m]]).astype(np.int32)])
    now = replace(data, dishes=wanted, ripe=ripe, made=made)
    uses = np.concatenate([rest.sum(axis=1), rest.sum(axis=0)]) + now.made_uses
    keep = np.where(rest > 0, pair_gain, 0.0)
    new = plan_spawning(now, how, start=uses, keep=keep, cancel=cancel)
    if new.has_plan and new.value is not None and stay_within > 0 and wanted > 0:
        co = coefficients(now)
        draft = draft_rules(now, co)
        c = near_contributions(
            draft,
            goal_of(co),
            new.contributions,
            most=new.value * (1 + stay_within),
            reference=uses,
        )
        if not np.array_equal(c, new.contributions):
            new = with_contributions(now, co, draft, new, c, how, keep)
    fresh = as_table(now, new.pairs)
    return Replanned(
        now,
        new,
        kept=as_rows(now, np.minimum(rest, fresh)),
        dropped=as_rows(now, np.maximum(0, rest - fresh)),
        added=as_rows(now, np.maximum(0, fresh - rest)),
    )
