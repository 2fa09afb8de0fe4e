"""Rules about one group and one site: may these fish go there at all."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from broodstock.arrays import BoolArray
from planner.optimise.release.data import ReleaseData
from planner.optimise.release.settings import UNKNOWN_C


@dataclass(frozen=True)
class PairRule:
    """A rule that refuses some groups at some sites.

    Parameters
    ----------
    code : str
        Short stable name.
    sentence : str
        The rule in one sentence.
    refused : callable
        Takes the data; returns a bool array (n_groups, n_sites), True where the group may not go.
    by : {'group', 'site'}
        Whether a breach is told per group or per site.
    reason : str
        Why, in words that fit after "refused: ".
    relax : str
        What would help, with ``{amount}`` fish and ``{place}``.
    """

    code: str
    sentence: str
    refused: Callable[[ReleaseData], BoolArray]
    by: Literal["group", "site"]
    reason: str
    relax: str


def closed(data: ReleaseData) -> BoolArray:
    """Refuse every group at a closed site."""
    return np.broadcast_to(~data.sites.open[None, :], (data.n_groups, data.n_sites)).copy()


def health_hold(data: ReleaseData) -> BoolArray:
    """Refuse a group on health hold at every site."""
    return np.broadcast_to(data.groups.health_hold[:, None], (data.n_groups, data.n_sites)).copy()


def withdrawal(data: ReleaseData) -> BoolArray:
    """Refuse a group whose withdrawal time is not over at every site."""
    return np.broadcast_to(data.groups.withdrawal_hold[:, None], (data.n_groups, data.n_sites)).copy()


def predators(data: ReleaseData) -> BoolArray:
    """Refuse groups with a fish below the safe length where predators are present or unknown."""
    unsafe = np.array([word != "none" for word in data.sites.predators], dtype=np.bool_)
    small = data.groups.shortest_mm < data.settings.predator_safe_mm
    return small[:, None] & unsafe[None, :]


def connection(data: ReleaseData) -> BoolArray:
    """Refuse groups with a fish below the length for connected waters at connected sites."""
    small = data.groups.shortest_mm < data.settings.connected_min_mm
    return small[:, None] & data.sites.connected[None, :]


def min_length(data: ReleaseData) -> BoolArray:
    """Refuse groups with a fish below the site's own minimum."""
    return data.groups.shortest_mm[:, None] < data.sites.min_length_mm[None, :]


def water_risk(data: ReleaseData) -> BoolArray:
    """Refuse moves to water of a lower risk rank than the water the fish come from."""
    return data.groups.water_risk[:, None] > data.sites.water_risk[None, :]


def forbidden_move(data: ReleaseData) -> BoolArray:
    """Refuse moves that a decision forbids."""
    return data.forbidden.copy()


def other_species(data: ReleaseData) -> BoolArray:
    """Refuse a group flagged as another species at every site."""
    return np.broadcast_to(data.groups.other_species[:, None], (data.n_groups, data.n_sites)).copy()


def sex_doubt(data: ReleaseData) -> BoolArray:
    """Refuse a group of another sex by DNA than recorded at every site."""
    return np.broadcast_to(data.groups.sex_doubt[:, None], (data.n_groups, data.n_sites)).copy()


def season(data: ReleaseData) -> BoolArray:
    """Refuse every group at a site closed in the month of the release."""
    month = data.settings.month
    shut = data.sites.closed_months[month - 1] if month else np.zeros(data.n_sites, dtype=np.bool_)
    return np.broadcast_to(shut[None, :], (data.n_groups, data.n_sites)).copy()


def temperature(data: ReleaseData) -> BoolArray:
    """Refuse moves over a larger step in water temperature than allowed where fish cannot be tempered.

    A temperature nobody took refuses nothing: it is to be taken on the day.
    """
    step = np.abs(data.groups.water_c[:, None] - data.sites.water_c[None, :])
    known = (data.groups.water_c != UNKNOWN_C)[:, None] & (data.sites.water_c != UNKNOWN_C)[None, :]
    most = data.settings.temperature_step_c or np.inf
    return known & (step > most + 1e-9) & ~data.sites.tempering[None, :]


PAIR_RULES: tuple[PairRule, ...] = (
    PairRule(
        "site-closed",
        "A closed site receives no fish.",
        closed,
        "site",
        "the site is closed",
        "open {place} for {amount} fish",
    ),
    PairRule(
        "health-hold",
        "Fish under a health hold, or without a certificate valid on the day, stay at the station.",
        health_hold,
        "group",
        "health hold",
        "clear the health hold on {place} ({amount} fish)",
    ),
    PairRule(
        "withdrawal",
        "Fish whose withdrawal time is not over on the day of release stay at the station.",
        withdrawal,
        "group",
        "withdrawal time not over",
        "wait until the withdrawal time of {place} is over ({amount} fish)",
    ),
    PairRule(
        "predators",
        "Groups with a fish below the safe length go only to sites known to be free of predators; unknown "
        "counts as present.",
        predators,
        "site",
        "too short for a site where predators are present or unknown",
        "survey {place} and find it free of predators, or grow {amount} fish to the safe length",
    ),
    PairRule(
        "connection",
        "Groups with a fish below the length for connected waters go only to isolated sites.",
        connection,
        "site",
        "too short for connected water",
        "grow {amount} fish to the length for connected waters before they go to {place}",
    ),
    PairRule(
        "min-length",
        "No fish is shorter than the site's minimum length.",
        min_length,
        "site",
        "shorter than the site's minimum",
        "lower the minimum length of {place} for {amount} fish",
    ),
    PairRule(
        "water-risk",
        "Fish move only to water of the same or a higher risk rank.",
        water_risk,
        "site",
        "the site's water has a lower risk rank than theirs",
        "find {amount} fish from water of a lower risk rank for {place}",
    ),
    PairRule(
        "forbidden-move",
        "Moves that a decision forbids are not made.",
        forbidden_move,
        "site",
        "forbidden by decision",
        "lift the decision against moving {amount} fish to {place}",
    ),
    PairRule(
        "other-species",
        "Fish flagged as not the programme's species are never released.",
        other_species,
        "group",
        "flagged as another species",
        "have the geneticist clear {place} as the programme's species ({amount} fish)",
    ),
    PairRule(
        "sex-doubt",
        "Fish of another sex by DNA than recorded stay until a person has looked at fish, sample and record.",
        sex_doubt,
        "group",
        "another sex by DNA than recorded",
        "look again at fish, sample and record of {place} ({amount} fish)",
    ),
    PairRule(
        "season",
        "A site receives no fish in the months it is closed.",
        season,
        "site",
        "closed in this month",
        "choose another month for {place}, or open it ({amount} fish)",
    ),
    PairRule(
        "temperature",
        "Where fish cannot be tempered, none go to water warmer or colder by more than the step allowed.",
        temperature,
        "site",
        "water too much warmer or colder than theirs, and no tempering at the site",
        "arrange tempering at {place} for {amount} fish",
    ),
)


def allowed(data: ReleaseData) -> BoolArray:
    """Return where each group may go.

    Parameters
    ----------
    data : ReleaseData
        The data.

    Returns
    -------
    ndarray, bool, shape (n_groups, n_sites)
        True where no pair rule refuses.
    """
    free = np.ones((data.n_groups, data.n_sites), dtype=np.bool_)
    for rule in PAIR_RULES:
        free &= ~rule.refused(data)
    return free


def reasons(data: ReleaseData, group: int, site: int) -> tuple[str, ...]:
    """Return why a group may not go to a site; empty when it may."""
    return tuple(rule.reason for rule in PAIR_RULES if rule.refused(data)[group, site])
