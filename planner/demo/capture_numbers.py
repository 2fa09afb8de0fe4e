"""Bring simulated captures to the numbers of the scenario by forgetting records at random."""

from __future__ import annotations

import numpy as np

from planner.demo.captures import Caught, Swimmers, net
from planner.demo.scale import LAKE, Scale

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
        kept = (thin_evenly if scale.name == "full" else thin)(caught, scale, always, rng)
        if kept is not None:
            return kept, effort
        effort *= 1.15
    raise ValueError(f"demo: found too few captures at effort {effort:.1f}. Expected {scale.captures_known}.")


def thin(caught: Caught, scale: Scale, always: int, rng: np.random.Generator) -> Caught | None:
    """Forget records at random until the numbers of the scenario are met; None when there are too few.

    Records of the census with two visits stay. Whole fish are forgotten, which looks like death: for the tiny set
    only, where nothing is estimated; see `thin_evenly`.
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


def thin_evenly(caught: Caught, scale: Scale, always: int, rng: np.random.Generator) -> Caught | None:
    """Forget single records, evenly within the lake and within the backwaters, until the numbers are met.

    Forgetting whole fish would look like death. The share of lake records kept is chosen so that the number of
    different fish comes out as stated; what little is missing or too much is exchanged for records of other fish.
    None when there are too few records.
    """
    kept = _first_tagging(caught, scale, always, rng)
    if kept is None:
        return None
    known = np.flatnonzero(kept.mark != 1)
    fixed = kept.visit[known] > 0
    lake = (kept.site[known] >= 0) & (kept.site[known] < len(LAKE))
    swimmer, luck = kept.swimmer[known], rng.random(len(known))
    wanted = scale.captures_known - int(fixed.sum())
    if wanted < 0:
        return None
    best: tuple[int, np.ndarray] | None = None
    for share in np.linspace(1.0, 0.0, 101):
        key = np.where(lake, luck / max(share, 1e-9), luck)
        key = np.where(fixed | (key > 1.0), np.inf, key)
        if int(np.isfinite(key).sum()) < wanted:
            continue
        use = fixed.copy()
        use[np.argsort(key, kind="stable")[:wanted]] = True
        off = len(np.unique(swimmer[use])) - scale.fish_known
        if best is None or abs(off) < abs(best[0]):
            best = off, use
    if best is None or abs(best[0]) > scale.fish_known // 40:
        return None
    exact = _exchange(best[1], fixed, swimmer, best[0], rng)
    if exact is None:
        return None
    chosen = np.sort(np.concatenate([known[exact], np.flatnonzero(kept.mark == 1)]))
    chosen = chosen[np.lexsort((kept.swimmer[chosen], kept.site[chosen], kept.on[chosen]))]
    return kept.take(chosen)


def _exchange(
    use: np.ndarray, fixed: np.ndarray, swimmer: np.ndarray, off: int, rng: np.random.Generator
) -> np.ndarray | None:
    """Exchange a few records so that `off` fish fewer are known, the number of records the same."""
    use = use.copy()
    for _ in range(abs(off)):
        times = np.bincount(swimmer[use], minlength=int(swimmer.max()) + 1)
        if off > 0:
            out = np.flatnonzero(use & ~fixed & (times[swimmer] == 1))
            back = np.flatnonzero(~use & (times[swimmer] > 0))
        else:
            out = np.flatnonzero(use & ~fixed & (times[swimmer] > 1))
            back = np.flatnonzero(~use & (times[swimmer] == 0))
        if not len(out) or not len(back):
            return None
        use[rng.choice(out)] = False
        use[rng.choice(back)] = True
    return use


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
