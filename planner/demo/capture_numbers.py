"""Bring simulated captures to the numbers of the scenario by forgetting records at random."""

from __future__ import annotations

import numpy as np

from planner.demo.captures import Caught, Swimmers, net
from planner.demo.scale import Scale

_MOST_TRIES = 12


def netted(fish: Swimmers, scale: Scale, always: int, rng: np.random.Generator) -> tuple[Caught, float]:
    """Net with enough effort, then forget records until the numbers of the scenario are met.

    Parameters
    ----------
    fish : Swimmers
        Fish in the water.
    scale : Scale
        Records and fish wanted.
    always : int
        Position of a fish whose first record is never forgotten.
    rng : Generator
        Random numbers.

    Returns
    -------
    Caught, float
        Records in order of time and site, and the effort that was needed.

    Raises
    ------
    ValueError
        If even many times the effort gives too few records.
    """
    effort = scale.capture_effort
    for _ in range(_MOST_TRIES):
        caught = net(fish, scale, effort, rng)
        kept = thin(caught, scale, always, rng)
        if kept is not None:
            return kept, effort
        effort *= 1.15
    raise ValueError(f"demo: found too few captures at effort {effort:.1f}. Expected {scale.captures_known}.")


def thin(caught: Caught, scale: Scale, always: int, rng: np.random.Generator) -> Caught | None:
    """Forget records at random until the numbers of the scenario are met; None when there are too few.

    Records of the census with two visits stay. Forgetting at random lowers the chance of capture evenly
    and does not change survival.
    """
    kept = _first_tagging(caught, scale, always, rng)
    if kept is None:
        return None
    known = np.flatnonzero(kept.mark != 1)
    fixed = kept.visit[known] > 0
    swimmer = kept.swimmer[known]
    must = np.unique(swimmer[fixed])
    others = np.setdiff1d(np.unique(swimmer), must)
    wanted = scale.fish_known - len(must)
    if wanted < 0 or len(others) < wanted or len(known) < scale.captures_known:
        return None
    # Fish with many records are forgotten less often, as they are in life.
    times = np.bincount(swimmer, minlength=int(swimmer.max()) + 1)[others]
    keys = rng.exponential(size=len(others)) / times
    fish = np.concatenate([must, others[np.argsort(keys, kind="stable")[:wanted]]])
    mine = known[np.isin(swimmer, fish)]
    if len(mine) < scale.captures_known:
        return None
    order = mine[rng.permutation(len(mine))]
    order = order[np.argsort(kept.visit[order] == 0, kind="stable")]
    first = np.zeros(len(kept), dtype=bool)
    first[order[np.unique(kept.swimmer[order], return_index=True)[1]]] = True
    first[order[kept.visit[order] > 0]] = True
    rest = order[~first[order]]
    more = scale.captures_known - int(first.sum())
    if more < 0:
        return None
    first[rest[:more]] = True
    chosen = np.flatnonzero(first | (kept.mark == 1))
    chosen = chosen[np.lexsort((kept.swimmer[chosen], kept.site[chosen], kept.on[chosen]))]
    return kept.take(chosen)


def _first_tagging(caught: Caught, scale: Scale, always: int, rng: np.random.Generator) -> Caught | None:
    """Keep the stated number of captures without a readable tag, and the later records of those fish only."""
    untagged = np.flatnonzero(caught.mark == 1)
    # Records of the census cannot hang on a first tagging that was forgotten.
    counted = np.unique(caught.swimmer[caught.visit > 0])
    fixed = np.isin(caught.swimmer[untagged], counted) | (caught.swimmer[untagged] == always)
    free = untagged[~fixed]
    more = scale.captures_untagged - int(fixed.sum())
    if more < 0 or len(free) < more:
        return None
    kept = np.concatenate([untagged[fixed], rng.permutation(free)[:more]])
    stays = np.ones(len(caught), dtype=bool)
    stays[np.setdiff1d(untagged, kept)] = False
    named = np.unique(caught.swimmer[kept])
    stays &= (caught.mark != 2) | np.isin(caught.swimmer, named)
    return caught.take(np.flatnonzero(stays))
