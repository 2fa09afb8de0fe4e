"""What would change a plan: for each refusal, for each line, for each group that stays."""

from __future__ import annotations

import numpy as np

from broodstock.arrays import BigIntArray
from planner.optimise.release.build import gradient
from planner.optimise.release.data import ReleaseData
from planner.optimise.release.explain import full_sites
from planner.optimise.release.frame import group_place, site_place
from planner.optimise.release.pair_rules import PAIR_RULES, allowed

STAYS = {
    "the number of this family to keep is reached": "a smaller number of this family to keep at the station",
    "the number to keep at the station is reached": "a smaller number to keep at the station",
    "the permit allows no more fish; others lower kinship more or survive better": "a permit for more fish",
    "the most fish to release is reached; others lower kinship more or survive better": (
        "a higher number to release at most"
    ),
    "every site that may take them is full": "more room at one of the waters that may take them",
    "sending them would raise kinship, and the survivors chosen are reached without them": (
        "a larger share of the most survivors, or more weight for survivors"
    ),
}
"""What would let fish go that stay, by the reason why they stay; groups no site may take are looked at one by one."""


def would_let_go(data: ReleaseData, group: int) -> tuple[str, tuple[str, ...]] | None:
    """Say what would let a group go that no site may take: the site with fewest rules in the way, and what lifts them.

    Parameters
    ----------
    data : ReleaseData
        The data.
    group : int
        Position of the group.

    Returns
    -------
    tuple of (str, tuple of str), or None
        The site and one phrase per rule; among equal sites the first that is open. None without any site.
    """
    if not data.n_sites:
        return None
    against = np.array([rule.refused(data)[group] for rule in PAIR_RULES])
    best = min(range(data.n_sites), key=lambda s: (int(against[:, s].sum()), not data.sites.open[s], s))
    amount = int(data.groups.available[group])
    words = []
    for rule, in_the_way in zip(PAIR_RULES, against[:, best], strict=True):
        if in_the_way:
            place = group_place(data, group) if rule.by == "group" else site_place(data, best)
            words.append(rule.relax.format(amount=amount, place=place))
    return data.sites.name[best], tuple(words)


def would_let_stay_go(data: ReleaseData, group: int, reason: str) -> str:
    """Say what would let fish go that stay, from the reason why they stay."""
    if reason in STAYS:
        return STAYS[reason]
    found = would_let_go(data, group)
    if found is None or not found[1]:
        return "a water that may take them"
    return f"for {found[0]}: {'; '.join(found[1])}"


def next_best(data: ReleaseData, numbers: BigIntArray) -> dict[tuple[int, int], str]:
    """Say for every line of a plan which other water comes next and what one fish moved there would change.

    Parameters
    ----------
    data : ReleaseData
        The data.
    numbers : ndarray, int64, shape (n_groups, n_sites)
        Fish sent.

    Returns
    -------
    dict of (int, int) to str
        By positions of group and site. Changes are those of the first fish, to first order.
    """
    free, full = allowed(data), full_sites(data, numbers)
    slopes = gradient(data, numbers)
    out = {}
    for g, s in np.argwhere(numbers > 0).tolist():
        others = free[g].copy()
        others[s] = False
        if not others.any():
            out[g, s] = "no other water may take these fish"
            continue
        with_room = np.flatnonzero(others & ~full)
        if not with_room.size:
            names = ", ".join(data.sites.name[k] for k in np.flatnonzero(others))
            out[g, s] = f"room at {names}: they may take these fish and are full"
            continue
        k = int(with_room[np.argmin(slopes[g, with_room])])
        cost = float(slopes[g, k] - slopes[g, s])
        gain = float(data.survival[g, k] - data.survival[g, s])
        words = f"next is {data.sites.name[k]}: one fish there instead changes the kinship goal by {cost:+.4f} and the "
        words += f"expected survivors by {gain:+.2f}"
        if cost < 0:
            words += "; rules on numbers and families or the survivors chosen keep it here"
        out[g, s] = words
    return out
