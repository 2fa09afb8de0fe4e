"""Rules about numbers of fish: each yields its rows over the columns of a `Frame`."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from planner.optimise.release.frame import (
    NONE,
    TOLERANCE,
    Frame,
    family_place,
    group_place,
    is_new_group,
    site_place,
    sites_needed,
)
from planner.optimise.release.model import Row, row
from planner.optimise.release.settings import NO_LIMIT

FAMILY_PRICE = 5.0
"""What one missing family, year class or site counts, in fish, when the smallest relaxations are sought."""

RowMaker = Callable[[Frame], Iterator[Row]]


@dataclass(frozen=True)
class CountRule:
    """A rule about numbers of fish.

    Parameters
    ----------
    code : str
        Short stable name.
    sentence : str
        The rule in one sentence.
    rows : callable
        Takes a `Frame`, yields `Row`.
    short : str
        What would help when a row stays below its lower limit, with ``{amount}`` and ``{place}``.
    over : str
        What would help when a row goes above its upper limit.
    """

    code: str
    sentence: str
    rows: RowMaker
    short: str = ""
    over: str = ""


def stock(frame: Frame) -> Iterator[Row]:
    """Limit the fish sent from a group to the fish there are."""
    for g, number in enumerate(frame.data.groups.available.tolist()):
        fish = frame.group_fish(g)
        if fish.size:
            yield row("stock", group_place(frame.data, g), fish, 1.0, high=number)


def committed(frame: Frame) -> Iterator[Row]:
    """Keep fish already sent or promised."""
    promised = frame.data.committed
    for g, s in np.argwhere(promised > 0):
        column = frame.fish[g, s]
        columns = [] if column == NONE else [int(column)]
        yield row("committed", group_place(frame.data, g, s), columns, 1.0, low=promised[g, s])


def capacity_fish(frame: Frame) -> Iterator[Row]:
    """Limit residents and arrivals to the capacity; a site already over it takes none."""
    sites = frame.data.sites
    for s in np.flatnonzero(sites.capacity_fish != NO_LIMIT):
        room = max(int(sites.capacity_fish[s] - sites.resident_number[s]), 0)
        yield row("capacity-fish", site_place(frame.data, s), [frame.bodies[s]], 1.0, high=room)


def capacity_kg(frame: Frame) -> Iterator[Row]:
    """Limit the mass of residents and arrivals to the capacity in kg."""
    data = frame.data
    for s in np.flatnonzero(np.isfinite(data.sites.capacity_kg)):
        groups = np.flatnonzero(frame.fish[:, s] != NONE)
        kg = data.groups.weight_g[groups] / 1000.0
        room = max(float(data.sites.capacity_kg[s] - data.sites.resident_kg[s]), 0.0)
        mean = float(kg.mean()) if kg.size and kg.mean() > 0 else 1.0
        yield row("capacity-kg", site_place(data, s), frame.fish[groups, s], kg, high=room, price=1.0 / mean)


def wanted(frame: Frame) -> Iterator[Row]:
    """Send exactly the number a site wants."""
    for s in np.flatnonzero(frame.data.sites.wanted != NO_LIMIT):
        number = frame.data.sites.wanted[s]
        yield row("wanted", site_place(frame.data, s), [frame.bodies[s]], 1.0, number, number)


def receive_range(frame: Frame) -> Iterator[Row]:
    """Keep to the fewest and most fish a site may receive."""
    sites = frame.data.sites
    for s in range(frame.data.n_sites):
        low = float(sites.min_receive[s])
        high = np.inf if sites.max_receive[s] == NO_LIMIT else float(sites.max_receive[s])
        if low > 0:
            yield row("receive-range", site_place(frame.data, s), [frame.bodies[s]], 1.0, low=low)
        if np.isfinite(high):
            yield row("receive-range", site_place(frame.data, s), [frame.bodies[s]], 1.0, high=high)


def min_group(frame: Frame) -> Iterator[Row]:
    """Send at least the smallest group worth sending, or nothing."""
    sites = frame.data.sites
    for s in np.flatnonzero(sites.min_group >= 2):
        columns = [frame.bodies[s], frame.sent[s]]
        factors = [1.0, -float(sites.min_group[s])]
        yield row("min-group", site_place(frame.data, s), columns, factors, low=0)


def family_cap(frame: Frame) -> Iterator[Row]:
    """Limit the share of a family among arrivals and residents.

    n_f + r_f <= cap (N + R). A family whose residents already exceed the cap receives no fish, unless
    enough other fish come to bring it below.
    """
    data = frame.data
    sites = data.sites
    for s in np.flatnonzero(sites.family_cap < 1.0):
        cap, residents = float(sites.family_cap[s]), float(sites.resident_number[s])
        for f in np.flatnonzero(data.families.single):
            fish = frame.family_fish(f, s)
            if not fish.size:
                continue
            place = family_place(data, f, s)
            spare = cap * residents - float(sites.residents[f, s])
            share = [*fish, frame.bodies[s]], [*np.ones(len(fish)), -cap]
            if spare >= -TOLERANCE:
                yield row("family-cap", place, *share, high=max(spare, 0.0))
            elif frame.adding[f, s] != NONE:
                columns, factors = [*share[0], frame.adding[f, s]], [*share[1], -spare]
                yield row("family-cap", place, columns, factors, high=0.0)
            else:
                yield row("family-cap", place, fish, 1.0, high=0.0)


def living_share(frame: Frame) -> Iterator[Row]:
    """Limit the share of a family's living fish that one site holds after the release."""
    data = frame.data
    if data.settings.living_share >= 1.0:
        return
    for f in np.flatnonzero(data.families.single):
        most = living_share_limit(float(data.settings.living_share), int(data.family_living[f]))
        for s in range(data.n_sites):
            fish = frame.family_fish(f, s)
            if fish.size:
                room = max(most - int(data.sites.residents[f, s]), 0)
                yield row("living-share", family_place(data, f, s), fish, 1.0, high=room)


def living_share_limit(share: float, living: int) -> int:
    """Return how many of a family's living fish one site may hold: the share, rounded down, at least 1."""
    return max(int(np.floor(share * living + TOLERANCE)), 1)


def family_spread(frame: Frame) -> Iterator[Row]:
    """Have every family live in enough sites; sites where it lives already count."""
    data = frame.data
    needed = sites_needed(data)
    for f in np.flatnonzero(needed > 0):
        missing = int(needed[f] - np.count_nonzero(data.sites.residents[f]))
        if missing <= 0:
            continue
        columns = frame.present[f][frame.present[f] != NONE]
        yield row("family-spread", family_place(data, f), columns, 1.0, low=missing, price=FAMILY_PRICE)


def year_classes(frame: Frame) -> Iterator[Row]:
    """Mix a new group from enough year classes, if fish are sent."""
    data = frame.data
    for s in np.flatnonzero(is_new_group(data) & (data.sites.min_year_classes >= 2)):
        columns = [*frame.year_class_sent[:, s], frame.sent[s]]
        factors = [*np.ones(len(frame.year_classes)), -float(data.sites.min_year_classes[s])]
        yield row("year-classes", site_place(data, s), columns, factors, low=0, price=FAMILY_PRICE)


def min_families(frame: Frame) -> Iterator[Row]:
    """Have enough families live at a site after the release, if fish are sent."""
    data = frame.data
    for s in np.flatnonzero(data.sites.min_families >= 1):
        there = int(np.count_nonzero((data.sites.residents[:, s] > 0) & data.families.single))
        missing = float(data.sites.min_families[s] - there)
        if missing <= 0:
            continue
        present = frame.present[:, s][(frame.present[:, s] != NONE) & data.families.single]
        yield row(
            "min-families",
            site_place(data, s),
            [*present, frame.sent[s]],
            [*np.ones(len(present)), -missing],
            low=0,
            price=FAMILY_PRICE,
        )


def refuge_copies(frame: Frame) -> Iterator[Row]:
    """Have the listed copies of a family live at a refuge after the release, residents counted."""
    data = frame.data
    missing = data.sites.refuge_copies - data.sites.residents
    for f, s in np.argwhere(missing > 0):
        fish = frame.family_fish(f, s)
        yield row("refuge-copies", family_place(data, f, s), fish, 1.0, low=missing[f, s])


def totals(frame: Frame) -> Iterator[Row]:
    """Keep to the totals of zones and partners."""
    for total in frame.data.settings.totals:
        high = np.inf if total.high == NO_LIMIT else total.high
        bodies = frame.bodies[sorted(set(total.sites))]
        place = f"total '{total.name}'"
        if total.low > 0:
            yield row("totals", place, bodies, 1.0, low=total.low)
        if np.isfinite(high):
            yield row("totals", place, bodies, 1.0, high=high)


def release_total(frame: Frame) -> Iterator[Row]:
    """Keep to the fewest and most fish to release in all."""
    s = frame.data.settings
    if s.total_min > 0:
        yield row("release-total", "the release", frame.bodies, 1.0, low=s.total_min)
    if s.total_max != NO_LIMIT:
        yield row("release-total", "the release", frame.bodies, 1.0, high=s.total_max)


def keep_back(frame: Frame) -> Iterator[Row]:
    """Keep enough fish at the station, in all and of each family; all of them when there are too few."""
    data = frame.data
    if data.settings.keep_back > 0:
        room = max(int(data.groups.available.sum()) - data.settings.keep_back, 0)
        yield row("keep-back", "the station", frame.bodies, 1.0, high=room)
    for f in np.flatnonzero(data.families.keep_back > 0):
        mine = data.groups.family == f
        cells = frame.fish[mine].ravel()
        room = max(int(data.groups.available[mine].sum() - data.families.keep_back[f]), 0)
        yield row("keep-back", family_place(data, f), cells[cells != NONE], 1.0, high=room)


def sex_ratio(frame: Frame) -> Iterator[Row]:
    """Keep the share of females among fish of known sex within a window, where enough are known.

    With F females among K fish of known sex and z = 1 from n of them on: F - low K >= -low (n - 1)(1 - z) and
    F - high K <= (1 - high)(n - 1)(1 - z). K <= n - 1 where z = 0, so that these hold by themselves there.
    """
    data = frame.data
    for s in np.flatnonzero(frame.sexes_count != NONE):
        women, known = frame.sex_fish(s)
        place, below = site_place(data, s), float(data.sites.sex_known_from[s] - 1)
        low, high = float(data.sites.female_low[s]), float(data.sites.female_high[s])
        columns = [*known, frame.sexes_count[s]]
        if low > 0:
            factors = [*(women - low), -low * below]
            yield row("sex-ratio", place, columns, factors, low=-low * below)
        if high < 1:
            factors = [*(women - high), (1.0 - high) * below]
            yield row("sex-ratio", place, columns, factors, high=(1.0 - high) * below)


def shares(frame: Frame) -> Iterator[Row]:
    """Keep to the shares of all fish released that partners agreed on."""
    for share in frame.data.settings.shares:
        inside = np.isin(np.arange(frame.data.n_sites), share.sites).astype(float)
        place = f"share '{share.name}'"
        if share.low > 0:
            yield row("shares", place, frame.bodies, inside - share.low, low=0.0)
        if share.high < 1:
            yield row("shares", place, frame.bodies, inside - share.high, high=0.0)


def permit(frame: Frame) -> Iterator[Row]:
    """Keep to the most fish the permit still lets go."""
    left = frame.data.settings.permit_left
    if left != NO_LIMIT:
        yield row("permit", "the release", frame.bodies, 1.0, high=left)


def survivors(frame: Frame) -> Iterator[Row]:
    """Reach the expected survivors that were chosen."""
    if frame.survivors_floor <= 0:
        return
    used = frame.fish != NONE
    yield row(
        "survivors",
        "the release",
        frame.fish[used],
        frame.data.survival[used],
        low=frame.survivors_floor,
    )


COUNT_RULES: tuple[CountRule, ...] = (
    CountRule("stock", "No more fish are sent from a group than there are.", stock),
    CountRule(
        "committed",
        "Fish already sent or promised to a site stay in the plan.",
        committed,
        short="take back {amount} fish promised of {place}",
    ),
    CountRule(
        "capacity-fish",
        "Residents and arrivals do not exceed the capacity of a site in fish; a full site takes none.",
        capacity_fish,
        over="raise the capacity of {place} by {amount} fish",
    ),
    CountRule(
        "capacity-kg",
        "Residents and arrivals do not exceed the capacity of a site in kg; a full site takes none.",
        capacity_kg,
        over="raise the capacity of {place} by {amount} kg",
    ),
    CountRule(
        "wanted",
        "A site that wants an exact number of fish receives that number.",
        wanted,
        short="lower the number wanted at {place} by {amount}",
        over="raise the number wanted at {place} by {amount}",
    ),
    CountRule(
        "receive-range",
        "A site receives no fewer and no more fish than set.",
        receive_range,
        short="lower the fewest fish for {place} by {amount}",
        over="raise the most fish for {place} by {amount}",
    ),
    CountRule(
        "min-group",
        "A site receives at least its smallest group, or nothing.",
        min_group,
        short="lower the smallest group of {place} by {amount} fish",
    ),
    CountRule(
        "family-cap",
        "No family exceeds its share of the fish at a site, arrivals and residents counted; a family above "
        "it receives no fish there.",
        family_cap,
        over="allow {amount} more fish of {place} above the family cap",
    ),
    CountRule(
        "living-share",
        "No site holds more than the set share of a family's living fish; one fish is always allowed.",
        living_share,
        over="allow {amount} more fish of {place} above the share of the family's living fish",
    ),
    CountRule(
        "family-spread",
        "Every family large enough lives in the set number of sites after the release.",
        family_spread,
        short="lower the number of sites asked for {place} by {amount}",
    ),
    CountRule(
        "year-classes",
        "A new group is mixed from the set number of year classes.",
        year_classes,
        short="lower the number of year classes asked for at {place} by {amount}",
    ),
    CountRule(
        "min-families",
        "A site that receives fish holds the set number of families after the release.",
        min_families,
        short="lower the number of families asked for at {place} by {amount}",
    ),
    CountRule(
        "refuge-copies",
        "Named refuges hold the listed copies of a family after the release.",
        refuge_copies,
        short="lower the copies asked for of {place} by {amount}",
    ),
    CountRule(
        "totals",
        "Zones and partners receive the totals agreed.",
        totals,
        short="lower the least of {place} by {amount} fish",
        over="raise the most of {place} by {amount} fish",
    ),
    CountRule(
        "release-total",
        "The release as a whole keeps to its fewest and most fish.",
        release_total,
        short="lower the fewest fish of {place} by {amount}",
        over="raise the most fish of {place} by {amount}",
    ),
    CountRule(
        "keep-back",
        "The set number of fish stays at the station, or all there are.",
        keep_back,
        over="keep {amount} fish fewer: {place}",
    ),
    CountRule(
        "sex-ratio",
        "Where enough fish of known sex are sent to a site, the share of females among them stays in its window.",
        sex_ratio,
        short="accept {amount} females fewer at {place}",
        over="accept {amount} females more at {place}",
    ),
    CountRule(
        "shares",
        "Partners receive the shares of all fish released that were agreed.",
        shares,
        short="lower the least of {place} by {amount} fish",
        over="raise the most of {place} by {amount} fish",
    ),
    CountRule(
        "permit",
        "No more fish are released than the permit still allows.",
        permit,
        over="have the permit of {place} raised by {amount} fish",
    ),
    CountRule(
        "survivors",
        "The plan reaches the expected survivors that were chosen.",
        survivors,
        short="accept {amount} expected survivors fewer from {place}",
    ),
)
