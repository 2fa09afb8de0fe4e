"""Why the plan sends fish where it does, why some go nowhere, and what moving one would cost."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from broodstock.arrays import BigIntArray, FloatArray
from planner.optimise.release.build import objective
from planner.optimise.release.data import ReleaseData
from planner.optimise.release.kinship_form import mean_kinship
from planner.optimise.release.pair_rules import PAIR_RULES, allowed, reasons
from planner.optimise.release.recheck import breaches

STATION = "the station"


@dataclass(frozen=True)
class RefusedGroup:
    """A group no site may take.

    Parameters
    ----------
    group, family : str
        Identifiers.
    number : int
        Fish in it.
    reasons : tuple of (str, tuple of str)
        Each reason with the sites it holds for.
    """

    group: str
    family: str
    number: int
    reasons: tuple[tuple[str, tuple[str, ...]], ...]

    def text(self) -> str:
        """Return the group and its reasons as one line."""
        parts = [f"{reason} ({', '.join(sites)})" for reason, sites in self.reasons]
        return f"{self.group}: {self.number} fish of {self.family} that no site may take: {'; '.join(parts)}."


@dataclass(frozen=True)
class Allocation:
    """One line of the plan and why it stands there.

    Parameters
    ----------
    group, family, site : str
        Identifiers.
    number : int
        Fish sent.
    survival : float
        Expected survival.
    new_family : bool
        True when the family did not live at the site.
    kinship_to_site : float
        Mean kinship of the family to the living fish of the site after the release.
    site_kinship : float
        Mean kinship of that site; a family below it lowers it.
    reason : str
        In words.
    """

    group: str
    family: str
    site: str
    number: int
    survival: float
    new_family: bool
    kinship_to_site: float
    site_kinship: float
    reason: str


@dataclass(frozen=True)
class Alternative:
    """What would happen if one fish went elsewhere.

    Parameters
    ----------
    site : str
        The other site, or ``the station``.
    change : float or None
        Change of the objective; positive is worse. None when the rules forbid the move itself.
    survivors : float or None
        Change of the expected survivors.
    obstacles : tuple of str
        Rules the changed plan would break, in words; empty when it is possible.
    """

    site: str
    change: float | None
    survivors: float | None
    obstacles: tuple[str, ...]


def refused_groups(data: ReleaseData) -> tuple[RefusedGroup, ...]:
    """List the groups with fish that no site may take, with the reasons.

    Parameters
    ----------
    data : ReleaseData
        The data.

    Returns
    -------
    tuple of RefusedGroup
        In the order of the groups. With no sites at all, every group, without reasons.
    """
    nowhere = ~allowed(data).any(axis=1) & (data.groups.available > 0)
    out = []
    for g in np.flatnonzero(nowhere):
        found = []
        for rule in PAIR_RULES:
            sites = np.flatnonzero(rule.refused(data)[g])
            if sites.size == data.n_sites and data.n_sites:
                found.append((rule.reason, ("every site",)))
            elif sites.size:
                found.append((rule.reason, tuple(data.sites.name[s] for s in sites)))
        family = data.families.name[int(data.groups.family[g])]
        out.append(RefusedGroup(data.groups.name[g], family, int(data.groups.available[g]), tuple(found)))
    return tuple(out)


def allocations(data: ReleaseData, numbers: BigIntArray) -> list[Allocation]:
    """Explain every line of a plan.

    Parameters
    ----------
    data : ReleaseData
        The data.
    numbers : ndarray, int64, shape (n_groups, n_sites)
        Fish sent.

    Returns
    -------
    list of Allocation
        One per group and site with fish, sites first, in order.
    """
    living = data.living(numbers)
    k = data.families.kinship
    free = allowed(data)
    out = []
    for s in range(data.n_sites):
        site_kinship = mean_kinship(k, living[:, s])
        for g in np.flatnonzero(numbers[:, s] > 0):
            f = int(data.groups.family[g])
            total = float(living[:, s].sum())
            to_site = float(k[f] @ living[:, s]) / total if total > 0 else float(k[f, f])
            own = to_site if site_kinship is None else site_kinship
            new = bool(data.sites.residents[f, s] == 0)
            survival = float(data.survival[g, s])
            out.append(
                Allocation(
                    data.groups.name[g],
                    data.families.name[f],
                    data.sites.name[s],
                    int(numbers[g, s]),
                    survival,
                    new,
                    to_site,
                    own,
                    _why(data, g, s, new, to_site, own, free[g]),
                )
            )
    return out


def _why(
    data: ReleaseData, g: int, s: int, new: bool, to_site: float, site_kinship: float, free: np.ndarray
) -> str:
    """Return the reasons for one line, the strongest first."""
    words = []
    f = int(data.groups.family[g])
    if data.sites.refuge_copies[f, s] > data.sites.residents[f, s]:
        words.append(f"the refuge needs {data.sites.refuge_copies[f, s]} copies of this family")
    if data.committed[g, s] > 0:
        words.append(f"{data.committed[g, s]} were promised")
    if free.sum() == 1:
        words.append("it is the only site that may take these fish")
    if new:
        words.append("it brings a family that does not live there yet")
    if to_site <= site_kinship:
        words.append(
            f"the family is less related to the fish there ({to_site:.4f}) than they are to each other"
        )
    best = np.where(free, data.survival[g], -1.0)
    if data.survival[g, s] >= best.max() - 1e-12:
        words.append("its survival is the best among the sites that may take it")
    if not words:
        others = "better sites for it are full or hold enough of its family"
        words.append(f"{others}; kinship to the fish there {to_site:.4f}, theirs {site_kinship:.4f}")
    return "; ".join(words)


def alternatives(
    data: ReleaseData, numbers: BigIntArray, group: int, site: int, survivors_floor: float = 0.0
) -> list[Alternative]:
    """Say what would happen if one fish of a line went elsewhere or stayed.

    Parameters
    ----------
    data : ReleaseData
        The data.
    numbers : ndarray, int64, shape (n_groups, n_sites)
        Fish sent; at least one of this group to this site.
    group, site : int
        The line.
    survivors_floor : float
        Expected survivors the plan must reach.

    Returns
    -------
    list of Alternative
        All other sites, then the station; possible ones first, the least costly first.

    Raises
    ------
    ValueError
        If the plan sends no fish of this group to this site.
    """
    if numbers[group, site] < 1:
        raise ValueError(
            f"plan, group {data.groups.name[group]!r}, site {data.sites.name[site]!r}: found no fish. "
            "Expected a line of the plan. Choose another group or site."
        )
    now = objective(data, numbers)
    out = []
    for other in [s for s in range(data.n_sites) if s != site] + [-1]:
        forbidden = reasons(data, group, other) if other >= 0 else ()
        name = data.sites.name[other] if other >= 0 else STATION
        if forbidden:
            out.append(Alternative(name, None, None, forbidden))
            continue
        changed = numbers.copy()
        changed[group, site] -= 1
        if other >= 0:
            changed[group, other] += 1
        gained = float(data.survival[group, other]) if other >= 0 else 0.0
        broken = tuple(b.text() for b in breaches(data, changed, survivors_floor))
        change = objective(data, changed) - now
        out.append(Alternative(name, change, gained - float(data.survival[group, site]), broken))
    return sorted(out, key=lambda a: (bool(a.obstacles), a.change if a.change is not None else np.inf))


def kept_back_reasons(data: ReleaseData, numbers: BigIntArray) -> list[tuple[str, int, str]]:
    """Say for every group with fish that stay why they stay.

    Parameters
    ----------
    data : ReleaseData
        The data.
    numbers : ndarray, int64, shape (n_groups, n_sites)
        Fish sent.

    Returns
    -------
    list of (str, int, str)
        Group, fish that stay, reason in words.
    """
    free = allowed(data)
    full = full_sites(data, numbers)
    stays = data.groups.available - numbers.sum(axis=1)
    settings = data.settings
    released = int(numbers.sum())
    at_most = settings.total_max >= 0 and released >= settings.total_max
    permitted = settings.permit_left >= 0 and released >= settings.permit_left
    kept = settings.keep_back > 0 and int(stays.sum()) <= settings.keep_back
    out = []
    for g in np.flatnonzero(stays > 0):
        if not free[g].any():
            reason = "no site may take them"
        elif data.families.keep_back[data.groups.family[g]] >= _family_stay(data, stays, g):
            reason = "the number of this family to keep is reached"
        elif kept:
            reason = "the number to keep at the station is reached"
        elif permitted:
            reason = "the permit allows no more fish; others lower kinship more or survive better"
        elif at_most:
            reason = "the most fish to release is reached; others lower kinship more or survive better"
        elif full[free[g]].all():
            reason = "every site that may take them is full"
        else:
            reason = "sending them would raise kinship, and the survivors chosen are reached without them"
        out.append((data.groups.name[g], int(stays[g]), reason))
    return out


def _family_stay(data: ReleaseData, stays: BigIntArray, group: int) -> int:
    return int(stays[data.groups.family == data.groups.family[group]].sum())


def full_sites(data: ReleaseData, numbers: BigIntArray) -> np.ndarray:
    """Return which sites can take no further fish by number or mass, shape (n_sites,)."""
    sent = numbers.sum(axis=0)
    room = data.sites.room
    full = (room >= 0) & (sent >= room)
    full |= (data.sites.wanted >= 0) & (sent >= data.sites.wanted)
    kg: FloatArray = data.groups.weight_g @ numbers / 1000.0 + data.sites.resident_kg
    lightest = float(data.groups.weight_g.min(initial=0.0)) / 1000.0
    return np.asarray(full | (kg + lightest > data.sites.capacity_kg))
