"""What a plan is compared with: fish taken at random, and each fish once by its mean kinship, under the same rules.

Both go through the same rules and the same recheck as the real plan, so that the difference is the plan's gain
and nothing else.
"""

from __future__ import annotations

import threading

import numpy as np
import numpy.typing as npt

from broodstock.arrays import FloatArray
from planner.optimise.kinship_bound import SquareForm
from planner.optimise.spawning.build import draft_rules
from planner.optimise.spawning.coefficients import Coefficients, coefficients
from planner.optimise.spawning.data import SpawningData
from planner.optimise.spawning.read import SpawningPlan
from planner.optimise.spawning.search import Goal, Search
from planner.optimise.spawning.solve import SearchSettings, finish


def random_plan(
    data: SpawningData,
    seed: int,
    *,
    co: Coefficients | None = None,
    time_limit: float = 20.0,
    cancel: threading.Event | None = None,
) -> SpawningPlan:
    """Return a plan with fish and mates drawn at random.

    Each dish draws a female and a male among the fish that may be used, with replacement; the plan is the one
    under the rules that is nearest to these draws (least sum of squared differences in dishes), its pairs are
    drawn too.

    Parameters
    ----------
    data : SpawningData
    seed : int
        Seed of the draws.
    co : Coefficients, optional
        Computed when not given.
    time_limit, cancel
        As for `planner.optimise.spawning.solve.plan_spawning`.

    Returns
    -------
    SpawningPlan
        Its bound and gap are None: nothing was minimised.

    Raises
    ------
    UnsoundPlanError
        If the plan fails its recheck.
    """
    rng = np.random.default_rng(seed)
    draws = data.made_uses.astype(np.float64)
    for sex in (data.is_female, ~data.is_female):
        able = np.flatnonzero(sex & data.ripe & ~data.hold & (data.made_uses < data.most_uses))
        if able.size:
            draws += np.bincount(rng.choice(able, data.dishes), minlength=data.n_candidates)
    cost = rng.random((data.n_females, data.n_males))
    return _nearest(data, co, -2.0 * draws, cost, seed, time_limit, cancel)


def equal_use_plan(
    data: SpawningData,
    *,
    co: Coefficients | None = None,
    seed: int = 0,
    time_limit: float = 20.0,
    cancel: threading.Event | None = None,
) -> SpawningPlan:
    """Return a plan that uses fish as equally as the rules allow, those of low mean kinship first.

    Mean kinship is that with the living group, or with all candidates where there is no living group. Which
    fish share a dish is then drawn at random.

    Parameters
    ----------
    data : SpawningData
    co : Coefficients, optional
        Computed when not given.
    seed : int
        Seed of the draws of pairs.
    time_limit, cancel
        As for `planner.optimise.spawning.solve.plan_spawning`.

    Returns
    -------
    SpawningPlan
        Its bound and gap are None: mean kinship was not minimised.

    Raises
    ------
    UnsoundPlanError
        If the plan fails its recheck.
    """
    known = coefficients(data) if co is None else co
    mean = known.with_living if known.living_kinship is not None else known.K.mean(axis=1)
    step = 1.0 / (2.0 * data.all_dishes + 1.0)  # ranks break ties between equally even plans only
    cost = np.random.default_rng(seed).random((data.n_females, data.n_males))
    return _nearest(data, known, step * mean, cost, seed, time_limit, cancel)


def _nearest(
    data: SpawningData,
    co: Coefficients | None,
    linear: npt.NDArray[np.float64],
    cost: FloatArray,
    seed: int,
    time_limit: float,
    cancel: threading.Event | None,
) -> SpawningPlan:
    """Minimise the sum of squared dishes plus a linear part under all rules, then pairs of least cost."""
    known = coefficients(data) if co is None else co
    n = data.n_candidates
    squares = SquareForm(n, np.ones(n), tuple(((i, 1.0),) for i in range(n)), ((),) * n)
    draft = draft_rules(data, known)
    lift = (
        float(linear @ linear) / 4.0 + 1.0
    )  # keeps the value above 0, so that the relative gap means something
    goal = Goal(squares, np.eye(n), linear, 1.0, lift)
    found = Search(draft, goal, time_limit=time_limit, gap=1e-6, seed=seed, cancel=cancel).run()
    how = SearchSettings(time_limit=time_limit, seed=seed, explain_conflicts=False)
    return finish(data, known, draft, found.without_proof(), how, cost=cost)
