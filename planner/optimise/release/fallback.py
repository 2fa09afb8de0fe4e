"""Plan B: which sites could take the fish of a site, and a quick new plan when one closes."""

from __future__ import annotations

import threading
from dataclasses import dataclass, replace

import numpy as np

from broodstock.arrays import BigIntArray, BoolArray
from planner.optimise.release.build import objective
from planner.optimise.release.data import ReleaseData, Sites
from planner.optimise.release.frame import sites_needed
from planner.optimise.release.pair_rules import allowed
from planner.optimise.release.plan import ReleasePlan
from planner.optimise.release.recheck import breaches
from planner.optimise.release.settings import NO_LIMIT, SitesShare
from planner.optimise.release.solve import plan_release


@dataclass(frozen=True)
class Fallback:
    """How well one site could take the fish planned for another.

    Parameters
    ----------
    site : str
        The other site.
    can_take : int
        Fish of those planned that it can take, by rules on single groups, number and mass.
    left_over : int
        Fish that would still need a place.
    survivors_change : float
        Change of the expected survivors, the left-over fish counted as lost.
    kinship_change : float
        Change of the objective per fish moved.
    broken : tuple of str
        Rules the changed plan would break, in words.
    """

    site: str
    can_take: int
    left_over: int
    survivors_change: float
    kinship_change: float | None
    broken: tuple[str, ...]


def rank_fallbacks(data: ReleaseData, numbers: BigIntArray, site: int) -> list[Fallback]:
    """Rank the other sites as a place for the fish planned for one site.

    Parameters
    ----------
    data : ReleaseData
        The data.
    numbers : ndarray, int64, shape (n_groups, n_sites)
        The plan.
    site : int
        The site that may fail.

    Returns
    -------
    list of Fallback
        Sites that break fewest rules first, then those that take most fish, then most survivors. Numbers
        wanted at the failing site, its smallest group and its copies are not held against it.
    """
    fish = numbers[:, site]
    without = close_site(data, site).data
    free = allowed(without)
    base = numbers.copy()
    base[:, site] = 0
    before = {b.text() for b in breaches(without, base)}
    now = objective(data, numbers)
    out = []
    for other in range(data.n_sites):
        if other == site:
            continue
        moved = _fit(without, base, fish, other, free[:, other])
        changed = base.copy()
        changed[:, other] += moved
        gain = float(moved @ data.survival[:, other] - fish @ data.survival[:, site])
        number = int(moved.sum())
        change = (objective(data, changed) - now) / number if number else None
        after = [b.text() for b in breaches(without, changed)] if number else []
        broken = tuple(text for text in after if text not in before)
        out.append(Fallback(data.sites.name[other], number, int(fish.sum()) - number, gain, change, broken))
    return sorted(out, key=lambda f: (f.can_take == 0, len(f.broken), -f.can_take, -f.survivors_change))


def _fit(data: ReleaseData, base: BigIntArray, fish: BigIntArray, site: int, free: BoolArray) -> BigIntArray:
    """Return how many fish of each group fit at a site, evenly over the groups."""
    wish = np.where(free, fish, 0)
    room = data.sites.room[site]
    if data.sites.wanted[site] != NO_LIMIT:
        room = data.sites.wanted[site]
    most = int(wish.sum()) if room == NO_LIMIT else max(int(room - base[:, site].sum()), 0)
    kg_left = float(data.sites.capacity_kg[site] - data.sites.resident_kg[site])
    kg_left -= float(base[:, site] @ data.groups.weight_g) / 1000.0
    taken = np.zeros_like(fish)
    if wish.sum() <= most and wish @ data.groups.weight_g / 1000.0 <= kg_left - 1e-6:
        return wish  # all of them fit
    # One fish of each group in turn, the group with most fish waiting first.
    while most > 0:
        waiting = wish - taken
        lightest_fits = (waiting > 0) & (data.groups.weight_g / 1000.0 <= kg_left)
        if not lightest_fits.any():
            break
        g = int(np.argmax(np.where(lightest_fits, waiting, -1)))
        taken[g] += 1
        most -= 1
        kg_left -= float(data.groups.weight_g[g]) / 1000.0
    return taken


@dataclass(frozen=True)
class ClosedSite:
    """Data after a site was closed, and what its closing set aside.

    Parameters
    ----------
    data : ReleaseData
        The data to plan from.
    set_aside : tuple of str
        Demands of the site that no longer hold, in words.
    """

    data: ReleaseData
    set_aside: tuple[str, ...]


def close_site(data: ReleaseData, site: int) -> ClosedSite:
    """Close a site and set its demands aside.

    Parameters
    ----------
    data : ReleaseData
        The data.
    site : int
        The site.

    Returns
    -------
    ClosedSite
        The site is closed; its number wanted, fewest fish, copies and promised fish no longer hold.
    """
    sites = data.sites
    name = sites.name[site]
    set_aside = []
    if sites.wanted[site] > 0:
        set_aside.append(f"'{name}' wanted {sites.wanted[site]} fish")
    if sites.min_receive[site] > 0:
        set_aside.append(f"'{name}' was to receive at least {sites.min_receive[site]} fish")
    missing = np.maximum(sites.refuge_copies[:, site] - sites.residents[:, site], 0)
    if missing.any():
        set_aside.append(
            f"'{name}' lacks {int(missing.sum())} copies (families concerned: {np.count_nonzero(missing)})"
        )
    if data.committed[:, site].any():
        set_aside.append(f"{int(data.committed[:, site].sum())} fish were promised to '{name}'")
    copies = sites.refuge_copies.copy()
    copies[:, site] = np.minimum(copies[:, site], sites.residents[:, site])
    committed = data.committed.copy()
    committed[:, site] = 0
    closed = replace(
        sites,
        open=_changed(sites.open, site, False),
        wanted=_changed(sites.wanted, site, NO_LIMIT),
        min_receive=_changed(sites.min_receive, site, 0),
        refuge_copies=copies,
    )
    return ClosedSite(replace(data, sites=closed, committed=committed), tuple(set_aside))


def _changed(values: np.ndarray, position: int, value: object) -> np.ndarray:
    out = values.copy()
    out[position] = value
    return out


def _reachable_spread(
    data: ReleaseData, kept: BigIntArray, displaced: BigIntArray
) -> tuple[BigIntArray, list[str]]:
    """Return in how many sites each family must live, no more than the displaced fish can still reach."""
    needed = sites_needed(data)
    member = data.membership
    lives = ((member @ kept) > 0) | (data.sites.residents > 0)
    movable = member @ (allowed(data) * np.minimum(displaced, 1)[:, None]) > 0
    new_homes = np.minimum((movable & ~lives).sum(axis=1), member @ displaced)
    reachable = (lives.sum(axis=1) + new_homes).astype(np.int64)
    notes = [
        f"family '{data.families.name[f]}' can live in no more than {reachable[f]} of {needed[f]} sites now"
        for f in np.flatnonzero(reachable < needed)
    ]
    return np.minimum(needed, reachable), notes


@dataclass(frozen=True)
class NewPlan:
    """A plan made after sites closed.

    Parameters
    ----------
    plan : ReleasePlan
        The plan.
    data : ReleaseData
        The data it was made from.
    set_aside : tuple of str
        Demands of the closed sites that no longer hold.
    """

    plan: ReleasePlan
    data: ReleaseData
    set_aside: tuple[str, ...]


def plan_without_sites(
    data: ReleaseData,
    numbers: BigIntArray,
    closed: list[int],
    *,
    keep_others: bool = True,
    more_than_wanted: bool = False,
    time_limit: float = 10.0,
    cancel: threading.Event | None = None,
) -> NewPlan:
    """Plan again on the day, when sites cannot take their fish.

    Parameters
    ----------
    data : ReleaseData
        The data of the old plan.
    numbers : ndarray, int64, shape (n_groups, n_sites)
        The old plan.
    closed : list of int
        Sites that take no fish.
    keep_others : bool
        Keep every line of the old plan at the other sites (trucks may be loaded); only the fish of the
        closed sites move. The totals and the fewest fish then give way to what is already sent, and
        displaced fish may go back to the station.
    more_than_wanted : bool
        With `keep_others`: a site that wanted an exact number may take displaced fish beyond it, as far as
        its other limits allow.
    time_limit : float
        Seconds.
    cancel : threading.Event, optional
        Set from another thread to stop.

    Returns
    -------
    NewPlan
        The plan, the data it was made from and what was set aside. Without `keep_others` the plan may be
        infeasible with its conflicts named, like any other.
    """
    changed = data
    set_aside: list[str] = []
    for site in closed:
        step = close_site(changed, site)
        changed = step.data
        set_aside.extend(step.set_aside)
    if keep_others:
        changed, more = _kept(changed, numbers, closed, more_than_wanted)
        set_aside.extend(more)
    changed = changed.with_settings(time_limit=time_limit)
    return NewPlan(plan_release(changed, cancel=cancel), changed, tuple(set_aside))


def _wanted_or_more(data: ReleaseData, kept: BigIntArray) -> tuple[Sites, list[str]]:
    """Let a site that wanted an exact number keep what it has and take displaced fish as far as it has room."""
    sites = data.sites
    exact = (sites.wanted != NO_LIMIT) & sites.open
    arrived = kept.sum(axis=0)
    fewest = np.where(
        exact, np.maximum(sites.min_receive, np.minimum(sites.wanted, arrived)), sites.min_receive
    )
    notes = [
        f"'{sites.name[s]}' wanted {sites.wanted[s]} fish: it may take displaced fish beyond that"
        for s in np.flatnonzero(exact)
    ]
    return replace(sites, wanted=np.where(exact, NO_LIMIT, sites.wanted), min_receive=fewest), notes


def _share_with(share: SitesShare, kept: BigIntArray) -> SitesShare:
    """Widen an agreed share as far as the fish already sent ask when no displaced fish goes."""
    whole = int(kept.sum())
    if whole == 0:
        return share
    now = float(kept[:, sorted(set(share.sites))].sum()) / whole
    return replace(share, low=min(share.low, now), high=max(share.high, now))


def _kept(
    data: ReleaseData, numbers: BigIntArray, closed: list[int], more_than_wanted: bool
) -> tuple[ReleaseData, list[str]]:
    """Promise the old lines at the other sites and leave the rest to the displaced fish."""
    kept = numbers.copy()
    kept[:, closed] = 0
    displaced = numbers[:, closed].sum(axis=1)
    groups = replace(data.groups, available=kept.sum(axis=1) + displaced)
    # Fish that stayed in the old plan stay: they are counted as living elsewhere.
    stayed = data.groups.available - groups.available
    by_family = np.bincount(data.groups.family, weights=stayed, minlength=data.n_families).astype(np.int64)
    families = replace(
        data.families,
        elsewhere=data.families.elsewhere + by_family,
        keep_back=np.maximum(data.families.keep_back - by_family, 0),
    )
    settings = data.settings
    total = int(kept.sum())
    min_sites, notes = _reachable_spread(data, kept, displaced)
    families = replace(families, min_sites=min_sites)
    if settings.total_min > total:
        notes.append(
            f"the fewest fish to release, {settings.total_min}, gives way to the fish that find a place"
        )
    totals = tuple(
        replace(t, low=min(t.low, int(kept[:, sorted(set(t.sites))].sum()))) for t in settings.totals
    )
    notes += [
        f"the least of '{old.name}', {old.low}, gives way"
        for old, new in zip(settings.totals, totals, strict=True)
        if new.low < old.low
    ]
    shares = tuple(_share_with(t, kept) for t in settings.shares)
    notes += [
        f"the share of '{old.name}', {old.low:.1%} to {old.high:.1%}, gives way"
        for old, new in zip(settings.shares, shares, strict=True)
        if new != old
    ]
    sites, more = _wanted_or_more(data, kept) if more_than_wanted else (data.sites, [])
    notes += more
    changed = replace(data, groups=groups, families=families, sites=sites, committed=kept)
    changed = changed.with_settings(
        total_min=min(settings.total_min, total),
        totals=totals,
        shares=shares,
        keep_back=max(settings.keep_back - int(stayed.sum()), 0),
        survivors_min=0.0,
    )
    return changed, notes
