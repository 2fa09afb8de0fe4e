"""The broodfish: founders in care, fish grown from larvae, hatchery-born fish; when each came and left."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from planner.demo.days import NEVER, day
from planner.demo.sampling import choose_weighted
from planner.demo.scale import Scale, release_year
from planner.demo.true_fish import TrueFish
from planner.demo.wild import Founders

FIRST_SPAWNING = {0: 3, 1: 2}
"""Age at first use by sex."""


@dataclass
class Brood:
    """One entry per broodfish that ever was, in order of naming.

    Attributes
    ----------
    names, rows, sex, kind, entered, ready, left, left_as, year_class, family, uses, kin : list
        Name; row in the hidden register; recorded sex; ``wild``, ``larva`` or ``hatchery``; day it came;
        first season it may spawn; day it left; ``dead`` or ``released`` or empty; year class; family or
        group; female or male uses so far; recorded labels it shares with kin.
    """

    names: list[str] = field(default_factory=list)
    rows: list[int] = field(default_factory=list)
    sex: list[int] = field(default_factory=list)
    kind: list[str] = field(default_factory=list)
    entered: list[int] = field(default_factory=list)
    ready: list[int] = field(default_factory=list)
    left: list[int] = field(default_factory=list)
    left_as: list[str] = field(default_factory=list)
    year_class: list[int] = field(default_factory=list)
    family: list[str] = field(default_factory=list)
    dam: list[str] = field(default_factory=list)
    sire: list[str] = field(default_factory=list)
    uses: list[int] = field(default_factory=list)
    kin: list[set[str]] = field(default_factory=list)
    barred: set[int] = field(default_factory=set)

    def add(
        self,
        name: str,
        row: int,
        sex: int,
        kind: str,
        entered: int,
        year_class: int,
        family: str,
        dam: str = "",
        sire: str = "",
    ) -> int:
        """Add a fish; its first season follows from its sex and year class. Returns its position."""
        self.names.append(name)
        self.rows.append(row)
        self.sex.append(sex)
        self.kind.append(kind)
        self.entered.append(entered)
        self.ready.append(year_class + FIRST_SPAWNING[sex] if year_class else 0)
        self.left.append(NEVER)
        self.left_as.append("")
        self.year_class.append(year_class)
        self.family.append(family)
        self.dam.append(dam)
        self.sire.append(sire)
        self.uses.append(0)
        self.kin.append({label for label in (name, dam, sire, family if kind == "larva" else "") if label})
        return len(self.names) - 1

    def __len__(self) -> int:
        return len(self.names)

    def next_name(self, sex: int) -> str:
        """Return the next free name of a sex."""
        letter = "FM"[sex]
        return f"{letter}-{sum(n[0] == letter for n in self.names) + 1:02d}"

    def usable(self, sex: int, season: int, on: int) -> list[int]:
        """Return the positions of fish of a sex that are in care and old enough on a day."""
        return [
            i
            for i in range(len(self))
            if self.sex[i] == sex
            and i not in self.barred
            and self.entered[i] + 200 < on < self.left[i]
            and self.ready[i] <= season
        ]

    def related(self, a: int, b: int) -> bool:
        """Return whether two fish share a recorded parent or larval group, or are parent and offspring."""
        return not self.kin[a].isdisjoint(self.kin[b])

    @property
    def living(self) -> list[int]:
        """Positions of the fish still in care."""
        return [i for i in range(len(self)) if self.left[i] == NEVER]


def take_in_founders(fish: TrueFish, founders: Founders, scale: Scale, rng: np.random.Generator) -> Brood:
    """Enter the founders, and decide who is still alive, who was put back and when the others died.

    Every founder is kept for at least three spawning seasons, so that enough fish are there in each season.
    """
    brood = Brood()
    order = sorted(range(len(founders.names)), key=lambda i: (founders.entered[i], founders.names[i]))
    for i in order:
        name = founders.names[i]
        brood.add(name, int(founders.rows[i]), int(name[0] == "M"), "wild", int(founders.entered[i]), 0, "")
    end = day("2024-09-15")
    position = {n: i for i, n in enumerate(brood.names)}
    alive: set[int] = {position[n] for n in scale.kept_alive}
    for sex, wanted in enumerate(scale.founders_alive):
        can = [i for i in range(len(brood)) if brood.sex[i] == sex and i not in alive]
        more = wanted - sum(brood.sex[i] == sex for i in alive)
        weight = np.array([1.0 + (brood.entered[i] - brood.entered[0]) / 365.0 for i in can])
        alive |= {can[k] for k in choose_weighted(rng, weight, more)}
    gone = [i for i in range(len(brood)) if i not in alive]
    oldest = [i for i in gone if brood.entered[i] < brood.entered[0] + 60]
    for year, number in scale.founders_released.items():
        # The first one put back is of the first catch: it carries the old kind of tag.
        waiting = [i for i in gone if not brood.left_as[i] and brood.entered[i] + 1100 < day(f"{year}-11-01")]
        first = [] if any(brood.left_as) else [next(i for i in oldest if i in waiting)]
        others = [i for i in waiting if i not in first]
        chosen = rng.choice(len(others), size=number - len(first), replace=False)
        for i in [*first, *(others[int(k)] for k in chosen)]:
            brood.left[i], brood.left_as[i] = _first_lake_day(scale, year), "released"
    for i in gone:
        if brood.left_as[i]:
            continue
        left = brood.entered[i] + 1130 + int(rng.exponential(700.0))
        if left >= end:
            left = int(rng.integers(brood.entered[i] + 1130, end))
        brood.left[i], brood.left_as[i] = left, "dead"
        fish.died[brood.rows[i]] = left
    for i in alive:
        fish.died[brood.rows[i]] = NEVER
    return brood


def _first_lake_day(scale: Scale, year: int) -> int:
    """Return the day of the first event of a year class that takes whatever fish are at hand."""
    return next(
        day(e.on) for e in scale.events if release_year(e) == year and not e.families and not e.harvest
    )
