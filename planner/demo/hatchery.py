"""Spawning seasons: who was crossed with whom in which dish, and how many young each dish gave."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from planner.demo.brood import Brood
from planner.demo.days import day
from planner.demo.sampling import choose_weighted
from planner.demo.scale import Scale

FRY_KEPT = 900


@dataclass
class Dishes:
    """One entry per dish that was laid down, in order of time.

    Attributes
    ----------
    season, made_on, minute, dam, sire, recorded_dam, dish, cell, eggs, fertilised, hatched, swim_up, kept : list
        Season; day; minute after midnight; positions of the real parents in the brood; position of the
        mother as recorded; number among the dishes of the female; incubator cell; the counts of the stages.
    family : list of str
        Family it became; empty when nothing was kept.
    note : list of str
        What was noted.
    """

    season: list[int] = field(default_factory=list)
    made_on: list[int] = field(default_factory=list)
    minute: list[int] = field(default_factory=list)
    dam: list[int] = field(default_factory=list)
    sire: list[int] = field(default_factory=list)
    recorded_dam: list[int] = field(default_factory=list)
    dish: list[int] = field(default_factory=list)
    cell: list[str] = field(default_factory=list)
    eggs: list[int] = field(default_factory=list)
    fertilised: list[int] = field(default_factory=list)
    hatched: list[int] = field(default_factory=list)
    swim_up: list[int] = field(default_factory=list)
    kept: list[int] = field(default_factory=list)
    family: list[str] = field(default_factory=list)
    note: list[str] = field(default_factory=list)

    def __len__(self) -> int:
        return len(self.season)

    def of(self, season: int, with_family: bool = True) -> list[int]:
        """Return the positions of the dishes of a season."""
        return [
            i for i in range(len(self)) if self.season[i] == season and (self.family[i] or not with_family)
        ]


def spawn_season(
    brood: Brood,
    dishes: Dishes,
    scale: Scale,
    season: int,
    rng: np.random.Generator,
    must_use: dict[int, int] | None = None,
) -> None:
    """Lay down the dishes of one season by a partial factorial and add them to `dishes`.

    Parameters
    ----------
    brood : Brood
        Broodfish; uses are counted up.
    dishes : Dishes
        Receives the dishes.
    scale : Scale
        Female uses and dishes of the season.
    season : int
        Season.
    rng : Generator
        Random numbers.
    must_use : dict of int to int, optional
        Males, by position, that get exactly this many dishes.

    Notes
    -----
    Each female is given two to four males, males are used as evenly as can be, and no pair shares a recorded
    parent or larval group: the ordinary practice at a conservation hatchery. Failed dishes (bad milt, bad
    eggs) leave no family.
    """
    must_use = must_use or {}
    n_females, n_dishes = scale.seasons[season]
    days_of_season = [day(f"{season}-02-{d:02d}") for d in (9, 20)] + [day(f"{season}-03-04")]
    females = _pick(brood, 0, season, days_of_season, n_females, [], rng)
    males = _pick(brood, 1, season, days_of_season, round(n_females * 26 / 24), list(must_use), rng)
    degrees = _even(n_dishes, n_females, rng)
    pairs = partial_factorial(brood, females, degrees, males, must_use, rng)
    when = np.sort(rng.integers(0, len(days_of_season), n_females))
    minute = dict.fromkeys(days_of_season, 7 * 60 + 30)
    failed = _failures(scale, season, n_dishes, [m for _, mates in pairs for m in mates], set(must_use), rng)
    at = 0
    for (female, mates), d in zip(pairs, when, strict=True):
        on = days_of_season[d]
        brood.uses[female] += 1
        total_eggs = int(rng.lognormal(np.log(24000.0), 0.35))
        share = rng.dirichlet(np.full(len(mates), 60.0))
        for k, male in enumerate(mates):
            brood.uses[male] += 1
            minute[on] += int(rng.integers(4, 11))
            _lay(
                dishes,
                season,
                on,
                minute[on],
                female,
                male,
                k + 1,
                int(total_eggs * share[k]),
                at,
                failed[at],
                rng,
            )
            at += 1


def _lay(
    dishes: Dishes,
    season: int,
    on: int,
    minute: int,
    female: int,
    male: int,
    number: int,
    eggs: int,
    at: int,
    failed: bool,
    rng: np.random.Generator,
) -> None:
    """Add one dish with its stage counts: eggs, fertilised, hatched, swim-up, kept."""
    fertilised = int(rng.binomial(eggs, 0.02 if failed else rng.beta(14.0, 5.0)))
    hatched = int(rng.binomial(fertilised, rng.beta(12.0, 4.0)))
    swim_up = 0 if failed else int(rng.binomial(hatched, rng.beta(16.0, 4.0)))
    dishes.season.append(season)
    dishes.made_on.append(on)
    dishes.minute.append(minute)
    dishes.dam.append(female)
    dishes.recorded_dam.append(female)
    dishes.sire.append(male)
    dishes.dish.append(number)
    dishes.cell.append(f"C-{at + 1:02d}")
    dishes.eggs.append(eggs)
    dishes.fertilised.append(fertilised)
    dishes.hatched.append(0 if failed else hatched)
    dishes.swim_up.append(swim_up)
    dishes.kept.append(min(swim_up, FRY_KEPT))
    dishes.family.append("" if failed else f"H{season % 100:02d}-{at + 1:03d}")
    dishes.note.append("bad eggs or milt, dish discarded" if failed else "")


def partial_factorial(
    brood: Brood,
    females: list[int],
    degrees: list[int],
    males: list[int],
    must_use: dict[int, int],
    rng: np.random.Generator,
) -> list[tuple[int, list[int]]]:
    """Give each female her males, each male used as evenly as the pair rule allows.

    Parameters
    ----------
    brood : Brood
        For the pair rule.
    females, males : list of int
        Positions.
    degrees : list of int
        Males of each female.
    must_use : dict of int to int
        Males with an exact number of dishes.
    rng : Generator
        Breaks ties.

    Returns
    -------
    list of (int, list of int)
        Female and her males. When too few unrelated males are left the least used related one is taken:
        real crews do that too.
    """
    used = dict.fromkeys(males, 0)
    most = {m: must_use.get(m, 99) for m in males}
    out = []
    for female, degree in zip(females, degrees, strict=True):
        keys = {
            m: (
                used[m] >= most[m],
                brood.related(female, m),
                used[m] - (10 if m in must_use else 0),
                rng.random(),
            )
            for m in males
        }
        mates = sorted(males, key=keys.__getitem__)[:degree]
        for m in mates:
            used[m] += 1
        out.append((female, mates))
    return out


def _pick(
    brood: Brood,
    sex: int,
    season: int,
    days_of_season: list[int],
    number: int,
    surely: list[int],
    rng: np.random.Generator,
) -> list[int]:
    """Choose the fish of one sex for a season; fish used seldom come first."""
    can = brood.usable(sex, season, days_of_season[0])
    can = [i for i in can if brood.left[i] > days_of_season[-1] + 2 and i not in surely]
    weights = np.array([1.0 / (1.0 + brood.uses[i]) ** 1.5 for i in can])
    chosen = choose_weighted(rng, weights, min(number - len(surely), len(can)))
    picked = [*surely, *(can[k] for k in chosen)]
    return [picked[i] for i in rng.permutation(len(picked))]


def _even(total: int, parts: int, rng: np.random.Generator) -> list[int]:
    """Split dishes over females: two to four each, as different as a real season."""
    degrees = np.full(parts, 2)
    while degrees.sum() < total:
        free = np.flatnonzero(degrees < 4)
        degrees[rng.choice(free)] += 1
    return [int(d) for d in degrees]


def _failures(
    scale: Scale, season: int, n_dishes: int, sires: list[int], spare: set[int], rng: np.random.Generator
) -> list[bool]:
    """Say which dishes fail: an exact number in the season of today's stock, one in twenty before."""
    failed = np.zeros(n_dishes, dtype=bool)
    exact = n_dishes - scale.stock_cross[0] if season == scale.last_year else round(0.05 * n_dishes)
    can = np.array([0.0 if m in spare else 1.0 for m in sires])
    failed[choose_weighted(rng, can, exact)] = True
    return [bool(f) for f in failed]
