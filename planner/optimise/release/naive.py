"""Two plain ways to share fish out, under the same rules where they can: what planning gains beside them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from broodstock.arrays import BigIntArray, FloatArray
from planner.optimise.release.build import objective
from planner.optimise.release.data import ReleaseData
from planner.optimise.release.measures import ReleaseMeasures, measure
from planner.optimise.release.pair_rules import allowed
from planner.optimise.release.recheck import Breach, breaches
from planner.optimise.release.settings import NO_LIMIT


@dataclass(frozen=True)
class PlainPlan:
    """A plan made without optimisation.

    Parameters
    ----------
    name : str
        How it was made, in words.
    numbers : ndarray, int64, shape (n_groups, n_sites)
        Fish sent.
    objective : float
        What the optimised plan minimises.
    measures : ReleaseMeasures
        Every goal by itself.
    breaches : tuple of Breach
        Rules it breaks: it keeps stock, the pair rules, capacity in fish, numbers wanted and the most
        fish to release, and knows no other rule.
    """

    name: str
    numbers: BigIntArray
    objective: float
    measures: ReleaseMeasures
    breaches: tuple[Breach, ...]


def proportional(data: ReleaseData, survivors_floor: float = 0.0) -> PlainPlan:
    """Share every group out over the sites that may take it, in proportion to the room they have.

    Parameters
    ----------
    data : ReleaseData
        The data.
    survivors_floor : float
        Expected survivors to hold it against.

    Returns
    -------
    PlainPlan
        The plan. Sites without a limit count as if they had room for all fish.
    """
    free = allowed(data)
    room = _room(data)
    left = _budget(data)
    numbers = np.zeros(free.shape, dtype=np.int64)
    order = np.argsort(-data.groups.available, kind="stable")
    weights = room.astype(np.float64)
    for g in order:
        open_sites = free[g] & (room > 0)
        send = min(int(data.groups.available[g]), int(room[open_sites].sum()), left)
        share = _largest_remainder(np.where(open_sites, weights, 0.0), send, room)
        numbers[g] = share
        room -= share
        left -= send
    return _finished("in proportion to the room of the sites", data, numbers, survivors_floor)


def fill_in_order(
    data: ReleaseData, site_order: Sequence[int] | None = None, survivors_floor: float = 0.0
) -> PlainPlan:
    """Fill one site after the other with the largest fish.

    Parameters
    ----------
    data : ReleaseData
        The data.
    site_order : sequence of int, optional
        Sites in the order to fill them, for example the nearest first. Default: the one with most room
        first.
    survivors_floor : float
        Expected survivors to hold it against.

    Returns
    -------
    PlainPlan
        The plan.

    Raises
    ------
    ValueError
        If a site is named twice or does not exist.
    """
    room = _room(data)
    order = list(np.argsort(-room, kind="stable")) if site_order is None else [int(s) for s in site_order]
    if len(set(order)) != len(order) or any(not 0 <= s < data.n_sites for s in order):
        raise ValueError(
            f"site order: found {order}. Expected each site number from 0 to {data.n_sites - 1} at most once. "
            "Correct the order."
        )
    free = allowed(data)
    stock = data.groups.available.copy()
    left = _budget(data)
    numbers = np.zeros(free.shape, dtype=np.int64)
    for s in order:
        for g in np.argsort(-data.groups.length_mm, kind="stable"):
            if free[g, s]:
                send = min(int(stock[g]), int(room[s]), left)
                numbers[g, s] = send
                stock[g] -= send
                room[s] -= send
                left -= send
    name = "the site with most room first" if site_order is None else "sites in the order given"
    return _finished(f"{name}, largest fish first", data, numbers, survivors_floor)


def _finished(name: str, data: ReleaseData, numbers: BigIntArray, floor: float) -> PlainPlan:
    broken = tuple(breaches(data, numbers, floor))
    return PlainPlan(name, numbers, objective(data, numbers), measure(data, numbers), broken)


def _room(data: ReleaseData) -> BigIntArray:
    """Return how many fish each site may take: its room, or the number it wants; shape (n_sites,)."""
    everything = int(data.groups.available.sum())
    room = np.where(data.sites.room == NO_LIMIT, everything, data.sites.room)
    wanted = data.sites.wanted
    return np.asarray(np.where(wanted == NO_LIMIT, room, np.minimum(wanted, room)), dtype=np.int64)


def _budget(data: ReleaseData) -> int:
    """Return the most fish to release, keeping back what the setting asks."""
    most = int(data.groups.available.sum()) - data.settings.keep_back
    if data.settings.total_max != NO_LIMIT:
        most = min(most, data.settings.total_max)
    if data.settings.permit_left != NO_LIMIT:
        most = min(most, data.settings.permit_left)
    return max(most, 0)


def _largest_remainder(weights: FloatArray, number: int, room: BigIntArray) -> BigIntArray:
    """Share a number out in proportion to weights, within the room of each place."""
    given = np.zeros(len(weights), dtype=np.int64)
    while number > 0:
        usable = (weights > 0) & (given < room)
        if not usable.any():
            break
        ideal = number * np.where(usable, weights, 0.0) / weights[usable].sum()
        base = np.minimum(np.floor(ideal).astype(np.int64), room - given)
        rest = number - int(base.sum())
        by_remainder = np.argsort(-(ideal - np.floor(ideal)), kind="stable")
        for i in by_remainder:
            if rest > 0 and usable[i] and base[i] + given[i] < room[i]:
                base[i] += 1
                rest -= 1
        given += base
        number = rest
    return given
