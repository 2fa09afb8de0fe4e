"""Every rule and every number of a release plan computed again, with numpy only and from the data alone.

Nothing here is shared with the rows of the model: each rule is written a second time, in plain arithmetic
on the numbers of the plan. A plan is shown or printed only when nothing is found.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from planner.optimise.release.data import ReleaseData
from planner.optimise.release.settings import NO_LIMIT, UNKNOWN_C

SLACK = 1e-6
"""Fish, kg or survivors by which a sum of decimals may miss a limit through rounding."""

Numbers = npt.NDArray[Any]


@dataclass(frozen=True, slots=True)
class Breach:
    """One rule a plan breaks, or one number that does not agree.

    Parameters
    ----------
    code : str
        Code of the rule, or ``numbers``, ``objective``, ``bound``, ``kept-back``.
    place : str
        Group, site, family or total concerned.
    found : str
        What the plan does.
    expected : str
        What the rule asks.
    """

    code: str
    place: str
    found: str
    expected: str

    def text(self) -> str:
        """Return the breach as one line."""
        return f"{self.place}: found {self.found}. Expected {self.expected}. [{self.code}]"


Check = Callable[[ReleaseData, Numbers, float], Iterator[Breach]]


def breaches(data: ReleaseData, numbers: Numbers, survivors_floor: float = 0.0) -> list[Breach]:
    """Return every rule that numbers of fish break.

    Parameters
    ----------
    data : ReleaseData
        The data.
    numbers : ndarray, shape (n_groups, n_sites)
        Fish sent. Decimals are accepted, for points of the relaxation.
    survivors_floor : float
        Expected survivors that must be reached.

    Returns
    -------
    list of Breach
        In the order of the rules; empty when every rule is kept.
    """
    if numbers.shape != (data.n_groups, data.n_sites):
        found = f"an array of shape {numbers.shape}"
        return [Breach("numbers", "the plan", found, f"shape {(data.n_groups, data.n_sites)}")]
    if not (np.isfinite(numbers).all() and (numbers >= -SLACK).all()):
        return [Breach("numbers", "the plan", "a negative number of fish, or none", "0 or more everywhere")]
    return [b for check in CHECKS.values() for b in check(data, numbers, survivors_floor)]


def _site(data: ReleaseData, s: int) -> str:
    return f"site '{data.sites.name[s]}'"


def _family_at(data: ReleaseData, f: int, s: int) -> str:
    return f"family '{data.families.name[f]}' at {_site(data, s)}"


def _moves(data: ReleaseData, numbers: Numbers, wrong: Numbers) -> Iterator[tuple[int, int, str]]:
    """Walk over the lines of a plan where something is wrong."""
    for g, s in np.argwhere((numbers > SLACK) & wrong):
        yield int(g), int(s), f"group '{data.groups.name[g]}' at {_site(data, int(s))}"


def _not_free(data: ReleaseData) -> Numbers:
    """Return the sites where predators are present or may be."""
    return np.array([word != "none" for word in data.sites.predators], dtype=np.bool_)


def _by_family(data: ReleaseData, numbers: Numbers) -> Numbers:
    out = np.zeros((data.n_families, data.n_sites))
    np.add.at(out, data.groups.family, numbers)
    return out


def _sent(n: float) -> str:
    return f"{n:g} fish sent"


def check_closed(data: ReleaseData, numbers: Numbers, floor: float) -> Iterator[Breach]:
    """Look for fish sent to closed sites."""
    wrong = ~data.sites.open[None, :]
    for g, s, place in _moves(data, numbers, wrong):
        yield Breach("site-closed", place, _sent(numbers[g, s]), "none: the site is closed")


def check_health(data: ReleaseData, numbers: Numbers, floor: float) -> Iterator[Breach]:
    """Look for fish on health hold."""
    wrong = data.groups.health_hold[:, None]
    for g, s, place in _moves(data, numbers, wrong):
        yield Breach("health-hold", place, _sent(numbers[g, s]), "none: the group is on health hold")


def check_withdrawal(data: ReleaseData, numbers: Numbers, floor: float) -> Iterator[Breach]:
    """Look for fish within a withdrawal time."""
    wrong = data.groups.withdrawal_hold[:, None]
    for g, s, place in _moves(data, numbers, wrong):
        yield Breach("withdrawal", place, _sent(numbers[g, s]), "none: the withdrawal time is not over")


def check_predators(data: ReleaseData, numbers: Numbers, floor: float) -> Iterator[Breach]:
    """Look for short fish where predators may be."""
    limit = data.settings.predator_safe_mm
    wrong = (data.groups.shortest_mm < limit)[:, None] & _not_free(data)[None, :]
    for g, s, place in _moves(data, numbers, wrong):
        found = f"fish of {data.groups.shortest_mm[g]:g} mm where predators are {data.sites.predators[s]}"
        yield Breach("predators", place, found, f"{limit:g} mm or more, or a site without predators")


def check_connection(data: ReleaseData, numbers: Numbers, floor: float) -> Iterator[Breach]:
    """Look for short fish in connected water."""
    limit = data.settings.connected_min_mm
    wrong = (data.groups.shortest_mm < limit)[:, None] & data.sites.connected[None, :]
    for g, _, place in _moves(data, numbers, wrong):
        found = f"fish of {data.groups.shortest_mm[g]:g} mm in connected water"
        yield Breach("connection", place, found, f"{limit:g} mm or more")


def check_length(data: ReleaseData, numbers: Numbers, floor: float) -> Iterator[Breach]:
    """Look for fish below the minimum length of their site."""
    wrong = data.groups.shortest_mm[:, None] < data.sites.min_length_mm[None, :]
    for g, s, place in _moves(data, numbers, wrong):
        found = f"fish of {data.groups.shortest_mm[g]:g} mm"
        yield Breach("min-length", place, found, f"{data.sites.min_length_mm[s]:g} mm or more")


def check_water_risk(data: ReleaseData, numbers: Numbers, floor: float) -> Iterator[Breach]:
    """Look for fish sent to cleaner water."""
    wrong = data.sites.water_risk[None, :] < data.groups.water_risk[:, None]
    for g, s, place in _moves(data, numbers, wrong):
        found = f"fish from water of rank {data.groups.water_risk[g]} in rank {data.sites.water_risk[s]}"
        yield Breach("water-risk", place, found, "the same or a higher rank")


def check_forbidden(data: ReleaseData, numbers: Numbers, floor: float) -> Iterator[Breach]:
    """Look for forbidden moves."""
    wrong = data.forbidden
    for g, s, place in _moves(data, numbers, wrong):
        yield Breach("forbidden-move", place, _sent(numbers[g, s]), "none: the move is forbidden")


def check_stock(data: ReleaseData, numbers: Numbers, floor: float) -> Iterator[Breach]:
    """Look for groups that send more fish than they have."""
    sent = numbers.sum(axis=1)
    for g in np.flatnonzero(sent > data.groups.available + SLACK):
        place = f"group '{data.groups.name[g]}'"
        yield Breach("stock", place, _sent(sent[g]), f"at most {data.groups.available[g]}")


def check_committed(data: ReleaseData, numbers: Numbers, floor: float) -> Iterator[Breach]:
    """Look for promised fish that are missing."""
    for g, s in np.argwhere(numbers < data.committed - SLACK):
        place = f"group '{data.groups.name[g]}' at {_site(data, int(s))}"
        yield Breach("committed", place, _sent(numbers[g, s]), f"at least {data.committed[g, s]}")


def check_capacity_fish(data: ReleaseData, numbers: Numbers, floor: float) -> Iterator[Breach]:
    """Look for sites with arrivals above their capacity in fish."""
    for s, n in enumerate(numbers.sum(axis=0)):
        capacity = data.sites.capacity_fish[s]
        there = int(data.sites.residents[:, s].sum())
        if capacity != NO_LIMIT and n > SLACK and n + there > capacity + SLACK:
            found = f"{there} residents and {n:g} arrivals"
            yield Breach("capacity-fish", _site(data, s), found, f"at most {capacity} fish")


def check_capacity_kg(data: ReleaseData, numbers: Numbers, floor: float) -> Iterator[Breach]:
    """Look for sites with arrivals above their capacity in kg."""
    for s, kg in enumerate(data.groups.weight_g @ numbers / 1000.0):
        capacity = data.sites.capacity_kg[s]
        there = float(data.sites.resident_kg[s])
        if kg > SLACK and kg + there > capacity + SLACK:
            found = f"{there:g} kg of residents and {kg:.3f} kg of arrivals"
            yield Breach("capacity-kg", _site(data, s), found, f"at most {capacity:g} kg")


def check_wanted(data: ReleaseData, numbers: Numbers, floor: float) -> Iterator[Breach]:
    """Look for sites that receive another number than they want."""
    for s, n in enumerate(numbers.sum(axis=0)):
        number = data.sites.wanted[s]
        if number != NO_LIMIT and abs(n - number) > SLACK:
            yield Breach("wanted", _site(data, s), _sent(n), f"exactly {number}")


def check_range(data: ReleaseData, numbers: Numbers, floor: float) -> Iterator[Breach]:
    """Look for sites outside their range."""
    for s, n in enumerate(numbers.sum(axis=0)):
        low, high = data.sites.min_receive[s], data.sites.max_receive[s]
        if n < low - SLACK:
            yield Breach("receive-range", _site(data, s), _sent(n), f"at least {low}")
        if high != NO_LIMIT and n > high + SLACK:
            yield Breach("receive-range", _site(data, s), _sent(n), f"at most {high}")


def check_min_group(data: ReleaseData, numbers: Numbers, floor: float) -> Iterator[Breach]:
    """Look for sites with too small a group."""
    for s, n in enumerate(numbers.sum(axis=0)):
        if SLACK < n < data.sites.min_group[s] - SLACK:
            yield Breach(
                "min-group", _site(data, s), _sent(n), f"none, or at least {data.sites.min_group[s]}"
            )


def check_family_cap(data: ReleaseData, numbers: Numbers, floor: float) -> Iterator[Breach]:
    """Look for families that are added to and exceed their share."""
    sent = _by_family(data, numbers)
    there = sent + data.sites.residents
    at_site = there.sum(axis=0)
    over = there > data.sites.family_cap * at_site + SLACK
    for f, s in np.argwhere((sent > SLACK) & over & data.families.single[:, None]):
        mine, all_fish = there[f, s], at_site[s]
        found = f"{mine:g} of {all_fish:g} fish ({mine / all_fish:.1%})"
        expected = f"at most {data.sites.family_cap[s]:.1%}"
        yield Breach("family-cap", _family_at(data, f, s), found, expected)


def check_living_share(data: ReleaseData, numbers: Numbers, floor: float) -> Iterator[Breach]:
    """Look for sites that are sent fish of a family and hold too many of its living fish."""
    share = data.settings.living_share
    if share >= 1.0:
        return
    sent = _by_family(data, numbers)
    held = np.zeros(data.n_families)
    np.add.at(held, data.groups.family, data.groups.available)
    living = held + data.sites.residents.sum(axis=1) + data.families.elsewhere
    there = sent + data.sites.residents
    over = there > np.maximum(share * living, 1.0)[:, None] + SLACK
    for f, s in np.argwhere((sent > SLACK) & over & data.families.single[:, None]):
        found = f"{there[f, s]:g} of its {living[f]:g} living fish"
        yield Breach("living-share", _family_at(data, f, s), found, f"at most {share:.1%}")


def check_spread(data: ReleaseData, numbers: Numbers, floor: float) -> Iterator[Breach]:
    """Look for families in too few sites."""
    sent = _by_family(data, numbers)
    settings = data.settings
    held = data.groups.health_hold | data.groups.withdrawal_hold
    held = held | data.groups.other_species | data.groups.sex_doubt
    ready = np.zeros(data.n_families)
    np.add.at(ready, data.groups.family[~held], data.groups.available[~held])
    usual = np.where(ready >= max(settings.min_sites_from, 1), settings.min_sites, 0)
    own = data.families.min_sites
    needed = np.where(own == NO_LIMIT, usual, own)
    lives = ((sent >= 1 - SLACK) | (data.sites.residents > 0)).sum(axis=1)
    for f in np.flatnonzero(data.families.single & (lives < needed)):
        place = f"family '{data.families.name[f]}'"
        yield Breach("family-spread", place, f"it lives in {lives[f]} sites", f"at least {needed[f]}")


def check_year_classes(data: ReleaseData, numbers: Numbers, floor: float) -> Iterator[Breach]:
    """Look for new groups of too few year classes."""
    for s in range(data.n_sites):
        needed = int(data.sites.min_year_classes[s])
        if needed < 2 or data.sites.residents[:, s].sum() > 0 or numbers[:, s].sum() <= SLACK:
            continue
        mixed = 0
        for year in set(data.groups.year_class.tolist()):
            fish = numbers[data.groups.year_class == year, s].sum()
            mixed += bool(fish >= data.settings.year_class_fish - SLACK)
        if mixed < needed:
            yield Breach("year-classes", _site(data, s), f"{mixed} year classes", f"at least {needed}")


def check_min_families(data: ReleaseData, numbers: Numbers, floor: float) -> Iterator[Breach]:
    """Look for sites with arrivals and too few families."""
    sent = _by_family(data, numbers)
    for s in range(data.n_sites):
        if sent[:, s].sum() <= SLACK:
            continue
        there = ((sent[:, s] >= 1 - SLACK) | (data.sites.residents[:, s] > 0)) & data.families.single
        if there.sum() < data.sites.min_families[s]:
            found, expected = f"{there.sum()} families", f"at least {data.sites.min_families[s]}"
            yield Breach("min-families", _site(data, s), found, expected)


def check_refuge(data: ReleaseData, numbers: Numbers, floor: float) -> Iterator[Breach]:
    """Look for refuges without the copies listed."""
    there = _by_family(data, numbers) + data.sites.residents
    for f, s in np.argwhere(there < data.sites.refuge_copies - SLACK):
        expected = f"at least {data.sites.refuge_copies[f, s]}"
        yield Breach("refuge-copies", _family_at(data, f, s), f"{there[f, s]:g} fish", expected)


def check_totals(data: ReleaseData, numbers: Numbers, floor: float) -> Iterator[Breach]:
    """Look for zones and partners outside their totals."""
    for total in data.settings.totals:
        n = numbers[:, sorted(set(total.sites))].sum()
        if n < total.low - SLACK or (total.high != NO_LIMIT and n > total.high + SLACK):
            expected = f"{total.low} to {'any number' if total.high == NO_LIMIT else total.high}"
            yield Breach("totals", f"total '{total.name}'", _sent(n), expected)


def check_release_total(data: ReleaseData, numbers: Numbers, floor: float) -> Iterator[Breach]:
    """Look for a release outside its total."""
    n = numbers.sum()
    settings = data.settings
    if n < settings.total_min - SLACK:
        yield Breach("release-total", "the release", _sent(n), f"at least {settings.total_min}")
    if settings.total_max != NO_LIMIT and n > settings.total_max + SLACK:
        yield Breach("release-total", "the release", _sent(n), f"at most {settings.total_max}")


def check_keep_back(data: ReleaseData, numbers: Numbers, floor: float) -> Iterator[Breach]:
    """Look for too few fish kept."""
    stays = data.groups.available - numbers.sum(axis=1)
    keep = min(data.settings.keep_back, int(data.groups.available.sum()))
    if keep > 0 and stays.sum() < keep - SLACK:
        yield Breach("keep-back", "the station", f"{stays.sum():g} fish stay", f"at least {keep}")
    for f in np.flatnonzero(data.families.keep_back > 0):
        mine = data.groups.family == f
        keep = min(int(data.families.keep_back[f]), int(data.groups.available[mine].sum()))
        left = stays[mine].sum()
        if left < keep - SLACK:
            place = f"family '{data.families.name[f]}'"
            yield Breach("keep-back", place, f"{left:g} fish stay", f"at least {keep}")


def check_species(data: ReleaseData, numbers: Numbers, floor: float) -> Iterator[Breach]:
    """Look for fish of another species."""
    wrong = data.groups.other_species[:, None]
    for g, s, place in _moves(data, numbers, wrong):
        yield Breach("other-species", place, _sent(numbers[g, s]), "none: flagged as another species")


def check_sex_doubt(data: ReleaseData, numbers: Numbers, floor: float) -> Iterator[Breach]:
    """Look for fish of another sex by DNA than recorded."""
    wrong = data.groups.sex_doubt[:, None]
    for g, s, place in _moves(data, numbers, wrong):
        yield Breach("sex-doubt", place, _sent(numbers[g, s]), "none: another sex by DNA than recorded")


def check_season(data: ReleaseData, numbers: Numbers, floor: float) -> Iterator[Breach]:
    """Look for fish sent in a closed month."""
    month = data.settings.month
    if month == 0:
        return
    for g, s, place in _moves(data, numbers, data.sites.closed_months[month - 1][None, :]):
        yield Breach("season", place, _sent(numbers[g, s]), f"none in month {month}: the site is closed")


def check_temperature(data: ReleaseData, numbers: Numbers, floor: float) -> Iterator[Breach]:
    """Look for fish in much warmer or colder water without tempering."""
    most = data.settings.temperature_step_c
    if most <= 0:
        return
    for g, s, place in _moves(data, numbers, ~data.sites.tempering[None, :]):
        here, there = data.groups.water_c[g], data.sites.water_c[s]
        if UNKNOWN_C not in (here, there) and abs(here - there) > most + SLACK:
            found = f"fish from water of {here:g} C in water of {there:g} C"
            yield Breach("temperature", place, found, f"a step of at most {most:g} C, or tempering")


def check_sex_ratio(data: ReleaseData, numbers: Numbers, floor: float) -> Iterator[Breach]:
    """Look for sites with a share of females outside their window."""
    is_female = np.array([word == "female" for word in data.groups.sex], dtype=np.bool_)
    is_male = np.array([word == "male" for word in data.groups.sex], dtype=np.bool_)
    for s in range(data.n_sites):
        women, men = numbers[is_female, s].sum(), numbers[is_male, s].sum()
        known = women + men
        low, high = data.sites.female_low[s], data.sites.female_high[s]
        if known < data.sites.sex_known_from[s] - SLACK:
            continue
        if women < low * known - SLACK or women > high * known + SLACK:
            found = f"{women:g} females among {known:g} fish of known sex"
            yield Breach("sex-ratio", _site(data, s), found, f"{low:.1%} to {high:.1%}")


def check_shares(data: ReleaseData, numbers: Numbers, floor: float) -> Iterator[Breach]:
    """Look for partners outside their share of the release."""
    whole = numbers.sum()
    for share in data.settings.shares:
        n = numbers[:, sorted(set(share.sites))].sum()
        if n < share.low * whole - SLACK or n > share.high * whole + SLACK:
            found = f"{n:g} of {whole:g} fish released"
            yield Breach("shares", f"share '{share.name}'", found, f"{share.low:.1%} to {share.high:.1%}")


def check_permit(data: ReleaseData, numbers: Numbers, floor: float) -> Iterator[Breach]:
    """Look for more fish than the permit allows."""
    left = data.settings.permit_left
    if left != NO_LIMIT and numbers.sum() > left + SLACK:
        yield Breach("permit", "the release", _sent(numbers.sum()), f"at most {left} by the permit")


def check_survivors(data: ReleaseData, numbers: Numbers, floor: float) -> Iterator[Breach]:
    """Look for too few expected survivors."""
    expected = float((numbers * data.survival).sum())
    needed = max(floor, data.settings.survivors_min)
    if expected < needed - SLACK * max(needed, 1.0):
        yield Breach(
            "survivors", "the release", f"{expected:.3f} expected survivors", f"at least {needed:.3f}"
        )


CHECKS: dict[str, Check] = {
    "site-closed": check_closed,
    "health-hold": check_health,
    "withdrawal": check_withdrawal,
    "predators": check_predators,
    "connection": check_connection,
    "min-length": check_length,
    "water-risk": check_water_risk,
    "forbidden-move": check_forbidden,
    "other-species": check_species,
    "sex-doubt": check_sex_doubt,
    "season": check_season,
    "temperature": check_temperature,
    "stock": check_stock,
    "committed": check_committed,
    "capacity-fish": check_capacity_fish,
    "capacity-kg": check_capacity_kg,
    "wanted": check_wanted,
    "receive-range": check_range,
    "min-group": check_min_group,
    "family-cap": check_family_cap,
    "living-share": check_living_share,
    "family-spread": check_spread,
    "year-classes": check_year_classes,
    "min-families": check_min_families,
    "refuge-copies": check_refuge,
    "totals": check_totals,
    "release-total": check_release_total,
    "keep-back": check_keep_back,
    "sex-ratio": check_sex_ratio,
    "shares": check_shares,
    "permit": check_permit,
    "survivors": check_survivors,
}
"""One check per rule, by code."""
