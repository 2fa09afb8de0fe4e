"""The hidden history of the programme, year by year: spawning, larvae, crosses, releases, lives and deaths."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from broodstock.arrays import BigIntArray
from planner.demo.brood import Brood, take_in_founders
from planner.demo.days import NEVER, day
from planner.demo.hatchery import Dishes, spawn_season
from planner.demo.parameters import TRUTH
from planner.demo.releases import Released, family_effects, family_need, founders_to_release, release_events
from planner.demo.scale import Scale, release_year
from planner.demo.stock import Stock, raise_stock
from planner.demo.true_fish import POND, TrueFish
from planner.demo.waters import PONDS, RENOVATED, SITE_CODES
from planner.demo.wild import Founders, WildStock, catch_founders, make_wild_stock, spawn_in_the_lake
from planner.demo.year_classes import (
    Family,
    Rearing,
    YearClass,
    keep_for_brood,
    rear_larvae,
    register_crosses,
    young_of_dish,
)

_COHORT = 130


@dataclass
class History:
    """Everything that really happened.

    Attributes
    ----------
    fish : TrueFish
        Hidden register.
    wild : WildStock
        Wild adults.
    founders : Founders
        Wild adults taken into care.
    brood, dishes, rearing, released, stock
        As the classes say.
    recruits : dict of (str, int) to ndarray
        Young hatched at a backwater in a year.
    faults : dict of str to str
        Broodfish with planted faults.
    """

    fish: TrueFish
    wild: WildStock
    founders: Founders
    brood: Brood
    dishes: Dishes
    rearing: Rearing
    released: Released
    stock: Stock
    recruits: dict[tuple[str, int], BigIntArray]
    faults: dict[str, str]


def run_history(scale: Scale, rngs: dict[str, np.random.Generator]) -> History:
    """Simulate the programme from its first year to today.

    Parameters
    ----------
    scale : Scale
        Sizes.
    rngs : dict of str to Generator
        Independent generators ``wild``, ``larvae``, ``hatchery``, ``releases``, ``lives``, ``stock``.

    Returns
    -------
    History
        The hidden truth, before laboratory, nets, readers and clerks look at it.
    """
    fish = TrueFish()
    wild = make_wild_stock(fish, scale, rngs["wild"])
    founders = catch_founders(fish, wild, scale, rngs["wild"])
    brood = take_in_founders(fish, founders, scale, rngs["hatchery"])
    dishes, rearing, released = Dishes(), Rearing(), Released()
    recruits: dict[tuple[str, int], BigIntArray] = {}
    faults: dict[str, str] = {}
    n_brood = sum(scale.brood_hatchery.values()) + sum(scale.brood_larval.values())
    sexes = [0] * scale.brood_females + [1] * (n_brood - scale.brood_females)
    # One male waits at the front for the first place among the larva-grown fish.
    sexes = [1, *(sexes[i] for i in rngs["hatchery"].permutation(n_brood - 1))]
    for year in scale.years:
        if year in scale.larvae:
            _larvae(fish, wild, founders, released, rearing, scale, year, rngs["larvae"])
        if year in scale.seasons:
            hybrid = faults.get("hybrid")
            must = {brood.names.index(hybrid): 3} if hybrid and year == scale.last_year else None
            if hybrid:
                position = brood.names.index(hybrid)
                (brood.barred.discard if must else brood.barred.add)(position)
            spawn_season(brood, dishes, scale, year, rngs["hatchery"], must)
            if hybrid:
                brood.barred.add(brood.names.index(hybrid))
            if year in scale.brood_families and "swapped" not in faults and year >= _swap_year(scale):
                _swap_mothers(dishes, year, faults, rngs["hatchery"])
            register_crosses(rearing, brood, dishes, year)
        _recruits(fish, released, recruits, rearing, scale, year, rngs["releases"])
        if year < scale.last_year:
            _release_year_class(
                fish, brood, dishes, rearing, released, recruits, wild, scale, year, sexes, faults, rngs
            )
    stock = raise_stock(fish, brood, dishes, rearing, scale, rngs["stock"])
    settle_residents(fish, released, scale, rngs["lives"])
    _keep_legacy_founder(fish, brood, released, faults)
    return History(fish, wild, founders, brood, dishes, rearing, released, stock, recruits, faults)


def _keep_legacy_founder(fish: TrueFish, brood: Brood, released: Released, faults: dict[str, str]) -> None:
    """Let the first founder that was put back live: it carries a tag that later readers do not see."""
    first = min(
        (i for i in range(len(brood)) if brood.left_as[i] == "released"), key=lambda i: (brood.left[i], i)
    )
    faults["legacy"] = brood.names[first]
    row = brood.rows[first]
    fish.died[row] = NEVER
    at = np.flatnonzero(released.row == row)
    released.life.died[at], released.life.lost_tag[at] = NEVER, NEVER


def _swap_year(scale: Scale) -> int:
    years = sorted(scale.brood_families)
    return years[len(years) // 2]


def _swap_mothers(dishes: Dishes, season: int, faults: dict[str, str], rng: np.random.Generator) -> None:
    """Exchange the recorded mothers of two dishes that share no parent; both became families."""
    can = dishes.of(season)
    for a in rng.permutation(can):
        for b in rng.permutation(can):
            apart = dishes.dam[a] != dishes.dam[b] and dishes.sire[a] != dishes.sire[b]
            others = [(dishes.dam[i], dishes.sire[i]) for i in can]
            fresh = (dishes.dam[b], dishes.sire[a]) not in others and (
                dishes.dam[a],
                dishes.sire[b],
            ) not in others
            if apart and fresh:
                dishes.recorded_dam[a], dishes.recorded_dam[b] = dishes.dam[b], dishes.dam[a]
                faults["swapped"] = f"{dishes.family[a]} {dishes.family[b]}"
                return


def _larvae(
    fish: TrueFish,
    wild: WildStock,
    founders: Founders,
    released: Released,
    rearing: Rearing,
    scale: Scale,
    year: int,
    rng: np.random.Generator,
) -> None:
    """Let wild adults and grown repatriates spawn in the lake, and take larvae."""
    on = day(f"{year}-02-18")
    caught = dict(zip(founders.rows.tolist(), founders.entered.tolist(), strict=True))
    free = np.array([caught.get(int(r), NEVER) > on for r in wild.adults])
    alive = free & (fish.died[wild.adults] > on)
    spawners, zone, shift = wild.adults[alive], wild.zone[alive], wild.spawning_shift[alive]
    if len(released):
        site = released.life.site_on(on)
        grown = (fish.died[released.row] > on) & (site >= 0) & (site < 4) & (released.on < on)
        grown &= fish.hatched[released.row] < on - 3 * 365 + 60
        spawners = np.concatenate([spawners, released.row[grown]])
        zone = np.concatenate([zone, site[grown]])
        shift = np.concatenate([shift, rng.normal(0.0, TRUTH.spawning_sd_days, int(grown.sum()))])
    takes = spawn_in_the_lake(fish, wild, spawners, zone, shift, year, scale.larvae[year], rng)
    rear_larvae(fish, rearing, scale, year, takes, rng)


def _recruits(
    fish: TrueFish,
    released: Released,
    recruits: dict[tuple[str, int], BigIntArray],
    rearing: Rearing,
    scale: Scale,
    year: int,
    rng: np.random.Generator,
) -> None:
    """Let grown residents of backwaters spawn; few of them leave most of the young."""
    on = day(f"{year}-04-02")
    for code, years in scale.recruits.items():
        if year not in years or not len(released):
            continue
        here = released.life.site_on(on) == SITE_CODES.index(code)
        grown = here & (fish.died[released.row] > on) & (released.on < on)
        grown &= fish.hatched[released.row] < on - 3 * 365 + 120
        rows = released.row[grown]
        dams, sires = rows[fish.sex[rows] == 0], rows[fish.sex[rows] == 1]
        if not len(dams) or not len(sires):
            continue
        n = _COHORT if scale.name == "full" else 12
        young = fish.add(
            rng.choice(dams, size=n, p=_skewed(len(dams), rng)),
            rng.choice(sires, size=n, p=_skewed(len(sires), rng)),
            rng.integers(0, 2, n),
            on + rng.integers(0, 25, n),
            POND,
            year,
        )
        # Few young of a backwater become adults.
        first = on + rng.integers(200, 500, n)
        later = on + 365 * (1 + rng.geometric(0.2, n)) + rng.integers(0, 365, n)
        fish.died[young] = np.where(rng.random(n) < 0.07, later, first)
        recruits[(code, year)] = young
        name = f"B{year % 100:02d}-{code}"
        rearing.families[name] = Family(
            name, "backwater", year, on + 190, note="young found at the autumn survey"
        )


def _skewed(n: int, rng: np.random.Generator) -> np.ndarray:
    weight = rng.gamma(0.6, size=n) + 1e-6
    return weight / weight.sum()


def _release_year_class(
    fish: TrueFish,
    brood: Brood,
    dishes: Dishes,
    rearing: Rearing,
    released: Released,
    recruits: dict[tuple[str, int], BigIntArray],
    wild: WildStock,
    scale: Scale,
    year: int,
    sexes: list[int],
    faults: dict[str, str],
    rngs: dict[str, np.random.Generator],
) -> None:
    """Rear a year class, keep some for the brood, release the others."""
    events = [(k, e) for k, e in enumerate(scale.events) if release_year(e) == year]
    kept: set[int] = set()
    if year in scale.brood_families:
        kept = keep_for_brood(
            fish, brood, dishes, rearing, wild, scale, year, sexes, faults, rngs["hatchery"]
        )
    if not events:
        return
    rng = rngs["releases"]
    rows = np.zeros(0, dtype=np.int64)
    family = line = np.zeros(0, dtype=object)
    if year in scale.larvae_tagged:
        tagged = rearing.tagged[year]
        tagged = tagged[[int(r) not in kept for r in rearing.takes[year].larvae[tagged]]]
        rows = rearing.takes[year].larvae[tagged]
        family = rearing.group_of[year][tagged]
        line = np.full(len(rows), "wild-larvae", dtype=object)
    need = {}
    if year in scale.tagged_hatchery:
        laid = np.array(dishes.of(year))
        names = [dishes.family[i] for i in laid]
        need = family_need(year, [e for _, e in events], names, rng)
        least = np.array([sum(w.get(n, 0) for w in need.values()) for n in names])
        rest = scale.tagged_hatchery[year] - int(least.sum())
        spread = rng.gamma(1.5, size=len(laid))
        number = least + rng.multinomial(rest, spread / spread.sum())
        dish = np.repeat(laid, number)
        young = young_of_dish(fish, brood, dishes, dish, rng.integers(0, 2, len(dish)), rng)
        rows = np.concatenate([rows, young])
        family = np.concatenate([family, np.array(dishes.family, dtype=object)[dish]])
        line = np.concatenate([line, np.full(len(young), "hatchery", dtype=object)])
    elif any(e.families for _, e in events):
        sizes = {n: int((family == n).sum()) for n in np.unique(family.astype(str))}
        large = [n for n, s in sizes.items() if s >= 45]
        need = family_need(year, [e for _, e in events], large, rng)
    harvests = {
        k: _harvest(fish, released, recruits, e.harvest, e.number, year)
        for k, (_, e) in enumerate(events)
        if e.harvest
    }
    founders = founders_to_release(brood, [day(e.on) for _, e in events])
    effect = family_effects([*rearing.families], rng)
    pool = YearClass(rows, family, line)
    released.append(
        release_events(
            fish,
            scale,
            year,
            events,
            pool,
            need,
            harvests,
            [brood.rows[i] for i in founders],
            effect,
            rngs["lives"],
        )
    )


def _harvest(
    fish: TrueFish,
    released: Released,
    recruits: dict[tuple[str, int], BigIntArray],
    code: str,
    number: int,
    year: int,
) -> tuple[BigIntArray, str]:
    """Return young of the last cohorts of a backwater that are moved to the lake, and their family."""
    cohort = max(y for c, y in recruits if c == code and y <= year)
    return recruits[(code, cohort)][:number], f"B{cohort % 100:02d}-{code}"


def settle_residents(fish: TrueFish, released: Released, scale: Scale, rng: np.random.Generator) -> None:
    """Make the number of living residents of each backwater what the scenario states.

    Fish are let die in the last two years, or are let live, at random, and every family of the last groups
    that should have residents keeps at least one where it can.
    """
    today = day("2024-10-20")
    last_young = _last_young(fish)
    for code, wanted in scale.residents.items():
        if code not in PONDS:
            continue
        since = RENOVATED.get(code, 0)
        here = released.life.where[:, -1] == SITE_CODES.index(code)
        here &= (released.on >= since) & (released.on < today)
        members = np.flatnonzero(here)
        alive = members[fish.died[released.row[members]] >= NEVER]
        dead = members[fish.died[released.row[members]] < NEVER]
        if len(alive) < wanted:
            back = rng.choice(dead, size=min(wanted - len(alive), len(dead)), replace=False)
            fish.died[released.row[back]] = NEVER
        elif len(alive) > wanted:
            lost = rng.choice(alive, size=len(alive) - wanted, replace=False)
            first = np.maximum(released.on[lost] + 200, today - 700)
            fish.died[released.row[lost]] = np.minimum(first + rng.integers(0, 600, len(lost)), today - 10)
        _each_family_once(fish, released, members, rng)
        gone = released.row[members][fish.died[released.row[members]] < NEVER]
        fish.died[gone] = np.maximum(fish.died[gone], last_young[gone])
        released.life.died = fish.died[released.row].astype(np.int32)


def _last_young(fish: TrueFish) -> BigIntArray:
    """Return the day on which the last young of each fish hatched, 0 for fish without young."""
    last: BigIntArray = np.zeros(len(fish), dtype=np.int64)
    young = np.flatnonzero(fish.dam >= 0)
    for parent in (fish.dam[young], fish.sire[young]):
        np.maximum.at(last, parent, fish.hatched[young])
    return last


def _each_family_once(
    fish: TrueFish, released: Released, members: np.ndarray, rng: np.random.Generator
) -> None:
    """Let a family that died out at a backwater live on in place of one fish of the largest family."""
    if not len(members):
        return
    names = released.family[members].astype(str)
    alive = fish.died[released.row[members]] >= NEVER
    for name in np.unique(names):
        if alive[names == name].any():
            continue
        counts = {n: int(alive[names == n].sum()) for n in np.unique(names)}
        largest = max(counts, key=lambda n: counts[n])
        if counts[largest] < 2:
            continue
        goes = int(rng.choice(np.flatnonzero((names == largest) & alive)))
        comes = int(rng.choice(np.flatnonzero(names == name)))
        a, b = released.row[members[goes]], released.row[members[comes]]
        fish.died[a], fish.died[b] = fish.died[b], NEVER
        fish.died[a] = max(int(fish.died[a]), int(released.on[members[goes]]) + 5)
        alive[goes], alive[comes] = False, True
