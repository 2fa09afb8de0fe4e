"""Rearing: larval groups, the young of crosses, and the fish kept for the brood of each year class."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from broodstock.arrays import BigIntArray
from planner.demo.brood import Brood
from planner.demo.days import day
from planner.demo.hatchery import Dishes
from planner.demo.sampling import choose_weighted, split_total
from planner.demo.scale import LAKE, Scale
from planner.demo.true_fish import CROSS, TrueFish
from planner.demo.wild import LarvalTakes, WildStock

_WINDOWS = ("01-31", "02-20", "03-10", "03-31", "12-31")
"""Last days of the periods that make one larval group of a zone."""


@dataclass
class Family:
    """One row of the table of families, and what is true behind it."""

    name: str
    kind: str
    year_class: int
    made_on: int
    dam: str = ""
    sire: str = ""
    zone: str = ""
    note: str = ""


@dataclass
class YearClass:
    """Tagged young of one year class.

    Attributes
    ----------
    rows : ndarray, int64, shape (n,)
        Rows in the hidden register.
    family : ndarray, object, shape (n,)
        Family or larval group.
    line : ndarray, object, shape (n,)
        ``wild-larvae`` or ``hatchery``.
    """

    rows: BigIntArray
    family: np.ndarray
    line: np.ndarray


@dataclass
class Rearing:
    """What the hatchery knows about families and groups.

    Attributes
    ----------
    families : dict of str to Family
        By name, in order of making.
    takes : dict of int to LarvalTakes
        By year class.
    take_group : dict of int to list of str
        Larval group of each take, by year class.
    alive, tagged : dict of int to BigIntArray
        Larvae alive after three months, and tagged, by year class.
    group_of : dict of int to ndarray
        Larval group of each larva of `takes`, by year class.
    reared_untagged : dict of str to int
        Larvae of today's year class that are alive but too small to tag, by group.
    """

    families: dict[str, Family] = field(default_factory=dict)
    takes: dict[int, LarvalTakes] = field(default_factory=dict)
    take_group: dict[int, list[str]] = field(default_factory=dict)
    group_of: dict[int, np.ndarray] = field(default_factory=dict)
    alive: dict[int, BigIntArray] = field(default_factory=dict)
    tagged: dict[int, BigIntArray] = field(default_factory=dict)


def rear_larvae(
    fish: TrueFish, rearing: Rearing, scale: Scale, year: int, takes: LarvalTakes, rng: np.random.Generator
) -> None:
    """Put larvae in groups by zone and period, let groups survive unequally, and choose the tagged ones."""
    rearing.takes[year] = takes
    ends = np.array([day(f"{year}-{w}") for w in (_WINDOWS if scale.name == "full" else ("12-31",))])
    period = np.searchsorted(ends, takes.night)
    names = [f"L{year % 100:02d}-{LAKE[z]}{p + 1}" for z, p in zip(takes.zone, period, strict=True)]
    rearing.take_group[year] = names
    group = np.array(names, dtype=object)[takes.take]
    rearing.group_of[year] = group
    groups, inside = np.unique(group, return_inverse=True)
    survival = rng.beta(5.0, 4.0, len(groups))
    total = scale.larvae_alive
    alive_now = _share_of(scale.larvae, total, year)
    keep = choose_weighted(rng, survival[inside], alive_now)
    rearing.alive[year] = keep
    vigour = rng.gamma(3.0, size=len(groups))
    if year == scale.last_year:
        largest = np.argsort(-np.bincount(inside[keep], minlength=len(groups)), kind="stable")
        vigour[largest[scale.stock_larval[0] :]] = 0.0
    chosen = keep[choose_weighted(rng, vigour[inside[keep]], scale.larvae_tagged[year])]
    rearing.tagged[year] = chosen
    fish.died[takes.larvae[keep]] = fish.hatched[takes.larvae[keep]] + 400
    counts = np.bincount(inside, minlength=len(groups))
    alive = np.bincount(inside[keep], minlength=len(groups))
    tagged = np.bincount(inside[chosen], minlength=len(groups))
    first = {n: int(takes.night[i]) for i, n in reversed(list(enumerate(names)))}
    zone = {n: int(takes.zone[i]) for i, n in enumerate(names)}
    from planner.demo.wild import ZONE_WORDS

    for g, name in enumerate(groups):
        note = f"{counts[g]} larvae taken, {alive[g]} alive at three months, {tagged[g]} tagged"
        rearing.families[name] = Family(
            name, "larval-group", year, first[name], zone=ZONE_WORDS[zone[name]], note=note
        )


def _share_of(parts: dict[int, int], total: int, year: int) -> int:
    """Split a total over years in proportion to the larvae taken; the last year takes the rest."""
    whole = sum(parts.values())
    years = list(parts)
    ends = [round(total * sum(parts[y] for y in years[: i + 1]) / whole) for i in range(len(years))]
    i = years.index(year)
    return ends[i] - (ends[i - 1] if i else 0)


def register_crosses(rearing: Rearing, brood: Brood, dishes: Dishes, season: int) -> None:
    """Enter the families of the dishes of a season, as recorded."""
    for i in dishes.of(season):
        name = dishes.family[i]
        rearing.families[name] = Family(
            name,
            "cross",
            season,
            dishes.made_on[i],
            brood.names[dishes.recorded_dam[i]],
            brood.names[dishes.sire[i]],
        )


def young_of_dish(
    fish: TrueFish, brood: Brood, dishes: Dishes, dish: np.ndarray, sex: np.ndarray, rng: np.random.Generator
) -> BigIntArray:
    """Add young of dishes to the hidden register, one per entry of `dish`."""
    dams = np.array(brood.rows)[np.array(dishes.dam)[dish]]
    sires = np.array(brood.rows)[np.array(dishes.sire)[dish]]
    hatched = np.array(dishes.made_on)[dish] + rng.integers(5, 8, len(dish))
    return fish.add(dams, sires, sex, hatched, CROSS, np.array(dishes.season)[dish])


def keep_for_brood(
    fish: TrueFish,
    brood: Brood,
    dishes: Dishes,
    rearing: Rearing,
    wild: WildStock,
    scale: Scale,
    year: int,
    sexes: list[int],
    faults: dict[str, str],
    rng: np.random.Generator,
) -> set[int]:
    """Keep fish of a year class for the brood.

    Parameters
    ----------
    fish, brood, dishes, rearing, wild, scale
        State of the programme; the brood grows.
    year : int
        Year class.
    sexes : list of int
        Recorded sexes still to be given out; used up from the end.
    faults : dict of str to str
        Receives the names of the fish with planted faults (`reversed`, `hybrid`).
    rng : Generator
        Random numbers.

    Returns
    -------
    set of int
        Rows of tagged larvae that were kept and are no longer for release.
    """
    entered = day(f"{year}-10-14")
    kept: set[int] = set()
    n_families, n_fish = scale.brood_families[year], scale.brood_hatchery[year]
    dish = np.array(dishes.of(year))
    swapped = faults.get("swapped", "").split()
    sure = np.array([d for d in dish if dishes.family[d] in swapped], dtype=np.int64)
    others = np.setdiff1d(dish, sure)
    chosen = np.sort(np.concatenate([sure, rng.choice(others, size=n_families - len(sure), replace=False)]))
    per_family = split_total(rng, np.ones(n_families), n_fish, at_least=min(2, n_fish // n_families))
    last = year == max(scale.brood_families)
    for d in np.repeat(chosen, per_family):
        sex = sexes.pop()
        true_sex = sex
        if last and sex == 0 and "reversed" not in faults:
            true_sex = 1
        row = int(young_of_dish(fish, brood, dishes, np.array([d]), np.array([true_sex]), rng)[0])
        name = brood.next_name(sex)
        dam, sire = brood.names[dishes.recorded_dam[d]], brood.names[dishes.sire[d]]
        i = brood.add(name, row, sex, "hatchery", entered, year, dishes.family[d], dam, sire)
        if true_sex != sex:
            faults["reversed"] = name
            brood.barred.add(i)
    takes, tagged = rearing.takes[year], rearing.tagged[year]
    for k in range(scale.brood_larval[year]):
        if k == 0 and "hybrid" not in faults:
            sexes.append(sexes.pop(sexes.index(1)))
        sex = sexes.pop()
        can = [int(t) for t in tagged if fish.sex[takes.larvae[t]] == sex and int(t) not in kept]
        pick = int(rng.choice(can)) if can else int(next(t for t in tagged if int(t) not in kept))
        row = int(takes.larvae[pick])
        fish.sex[row] = sex
        kept.add(pick)
        name = brood.next_name(sex)
        brood.add(name, row, sex, "larva", entered, year, str(rearing.group_of[year][pick]))
        if sex == 1 and "hybrid" not in faults:
            # The father of this larva was a chalk chub; nobody saw it.
            fish.sire[row], fish.foreign[row] = int(rng.choice(wild.chalk)), 0.5
            faults["hybrid"] = name
    for i in range(len(brood) - n_fish - scale.brood_larval[year], len(brood)):
        fish.died[brood.rows[i]] = 2_000_000
    return {int(takes.larvae[t]) for t in kept}
