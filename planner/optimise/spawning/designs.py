"""Crossing designs side by side: the same fish and rules, other ways to share eggs and milt.

The mean kinship of the young depends on how often each fish is used, not on who is crossed with whom. Designs
differ in the number of fish and families, in inbreeding, and in what is lost when one fish fails.
"""

from __future__ import annotations

import math
import threading
from dataclasses import dataclass, replace

from broodstock.arrays import BoolArray
from broodstock.errors import UsageError
from planner.optimise.season.compare import DesignFigures, design_figures
from planner.optimise.spawning.coefficients import coefficients
from planner.optimise.spawning.data import MANY, SpawningData
from planner.optimise.spawning.read import SpawningPlan, as_table
from planner.optimise.spawning.solve import SearchSettings, plan_spawning


@dataclass(frozen=True, slots=True)
class Design:
    """A way to share eggs and milt.

    Parameters
    ----------
    name : str
        Words for the table.
    males_per_female, females_per_male : tuple of (int, int)
        Least and greatest number of different mates.
    factorial : tuple of (int, int) or None
        Numbers of females and males that are all crossed with each other.
    blocks : int
        Number of such factorials side by side.
    dishes : int or None
        New dishes; those of the data when None. A factorial sets its own.
    """

    name: str
    males_per_female: tuple[int, int] = (1, MANY)
    females_per_male: tuple[int, int] = (1, MANY)
    factorial: tuple[int, int] | None = None
    blocks: int = 1
    dishes: int | None = None

    def applied_to(self, data: SpawningData) -> SpawningData:
        """Return the data with this design and its number of dishes."""
        if self.factorial is None:
            return replace(
                data,
                dishes=data.dishes if self.dishes is None else self.dishes,
                males_per_female=self.males_per_female,
                females_per_male=self.females_per_male,
                factorial=None,
                blocks=1,
            )
        females, males = self.factorial
        free = (1, MANY)
        return replace(
            data,
            males_per_female=free,
            females_per_male=free,
            factorial=self.factorial,
            blocks=self.blocks,
            dishes=females * males * self.blocks,
        )


def single_pairs() -> Design:
    """Return the design in which every fish has one mate."""
    return Design("single pairs", (1, 1), (1, 1))


def nested(males: int) -> Design:
    """Return the design in which each female's eggs are shared by some males that no other female has.

    Raises
    ------
    UsageError
        If `males` is below 1.
    """
    _refuse_below_one("males", males)
    return Design(f"each female with {males} males of her own", (males, males), (1, 1))


def partial_factorial(least: int, most: int, females_per_male: tuple[int, int] | None = None) -> Design:
    """Return the design in which each female has some males and each male some females.

    Parameters
    ----------
    least, most : int
        Males per female.
    females_per_male : tuple of (int, int), optional
        By default the same numbers.

    Raises
    ------
    UsageError
        If a number is below 1 or the limits are in the wrong order.
    """
    other = (least, most) if females_per_male is None else females_per_male
    for low, high in ((least, most), other):
        _refuse_below_one("mates", low)
        if high < low:
            raise UsageError(f"design, mates: found {low} to {high}. Expected the least number first.")
    number = str(least) if least == most else f"{least} to {most}"
    return Design(f"partial factorial, {number} males per female", (least, most), other)


def full_factorial(females: int, males: int) -> Design:
    """Return the design in which all chosen females are crossed with all chosen males.

    Raises
    ------
    UsageError
        If a number is below 1.
    """
    _refuse_below_one("females", females)
    _refuse_below_one("males", males)
    return Design(f"full factorial, {females} females x {males} males", factorial=(females, males))


def factorial_blocks(females: int, males: int, number: int) -> Design:
    """Return the design of some small full factorials side by side, each fish in one of them.

    Raises
    ------
    UsageError
        If a number is below 1.
    """
    one = full_factorial(females, males)
    _refuse_below_one("blocks", number)
    return Design(
        f"{number} blocks of {females} females x {males} males", factorial=one.factorial, blocks=number
    )


def usual_designs(data: SpawningData) -> list[Design]:
    """Return the designs of the trade, each with as many dishes as the fish and their limits allow.

    Parameters
    ----------
    data : SpawningData

    Returns
    -------
    list of Design
        The rules of the data first, then single pairs, two males of her own for each female, partial factorials,
        blocks, and the largest full factorial. None has more new dishes than the data ask for; designs for which
        there are too few fish are left out. Rules on single pairs of fish may still rule one out.
    """
    wanted = data.dishes
    nf, nm = _free_fish(data, data.is_female), _free_fish(data, ~data.is_female)
    own = Design(
        "the rules of the settings",
        data.males_per_female,
        data.females_per_male,
        data.factorial,
        data.blocks,
        wanted,
    )
    listed = [(single_pairs(), 1, min(nf, nm)), (nested(2), 2, min(nf, nm // 2))]
    listed += [(partial_factorial(k, k), k, min(nf, nm) if min(nf, nm) >= k else 0) for k in (2, 3)]
    designs = [own]
    for design, step, fish in listed:
        number = min(wanted // step, fish)
        if number > 0:
            designs.append(replace(design, dishes=number * step))
    most_f, most_m = (int(data.most_uses[sex].max(initial=0)) for sex in (data.is_female, ~data.is_female))
    for size in (2, 3):
        number = min(wanted // size**2, nf // size, nm // size)
        if number > 1 and size <= min(most_f, most_m):
            designs.append(factorial_blocks(size, size, number))
    females = min(nf, most_m, math.isqrt(wanted))
    males = min(nm, most_f, wanted // females) if females else 0
    if females and males:
        designs.append(full_factorial(females, males))
    return designs


def _free_fish(data: SpawningData, sex: BoolArray) -> int:
    """Return how many fish of a sex may get new dishes at all, permits counted."""
    free = sex & data.ripe & ~data.hold & (data.most_uses > data.made_uses)
    number = int((free & (data.permit < 0)).sum())
    for permit, limit in enumerate(data.permit_limit.tolist()):
        number += min(int((free & (data.permit == permit)).sum()), limit)
    return number


@dataclass(frozen=True, slots=True)
class DesignRow:
    """What one design would give.

    Parameters
    ----------
    design : Design
    plan : SpawningPlan
        The best plan of this design, or the reason why there is none.
    dishes : int
        New dishes it takes.
    figures : DesignFigures or None
        Effective number, kinship, families, cells and what a sterile male costs, over the new dishes; None
        without a plan or without new dishes.
    """

    design: Design
    plan: SpawningPlan
    dishes: int
    figures: DesignFigures | None


def compare_designs(
    data: SpawningData,
    designs: list[Design],
    settings: SearchSettings | None = None,
    *,
    sterile_chance: float = 0.05,
    cv_female: float = 0.3,
    cv_dish: float = 0.2,
    cancel: threading.Event | None = None,
) -> list[DesignRow]:
    """Return the best plan of each design, under all other rules of the data.

    Parameters
    ----------
    data : SpawningData
        Its own limits of mates and factorial are replaced by those of each design.
    designs : list of Design
    settings : SearchSettings, optional
        The time limit holds for each design.
    sterile_chance, cv_female, cv_dish : float
        As for `planner.optimise.season.compare.design_figures`.
    cancel : threading.Event, optional
        Once set, the designs not looked at yet are left out.

    Returns
    -------
    list of DesignRow
        In the order of `designs`.

    Raises
    ------
    UnsoundPlanError
        If a plan fails its recheck.
    """
    rows = []
    for design in designs:
        if cancel is not None and cancel.is_set():
            break
        own = design.applied_to(data)
        plan = plan_spawning(own, settings, cancel=cancel)
        laid = as_table(own, plan.pairs)
        figures = None
        if plan.has_plan and laid.any():
            figures = design_figures(
                laid,
                coefficients(own).K,
                dishes=laid,
                sterile_chance=sterile_chance,
                cv_female=cv_female,
                cv_dish=cv_dish,
                seed=plan.seed,
            )
        rows.append(DesignRow(design, plan, own.dishes, figures))
    return rows


def _refuse_below_one(what: str, number: int) -> None:
    if number < 1:
        raise UsageError(f"design, {what}: found {number}. Expected 1 or more.")


@dataclass(frozen=True, slots=True)
class PriceOfCaution:
    """What it costs to trust only the upper ends of kinship intervals in the pair limit.

    Parameters
    ----------
    by_estimate, by_upper : SpawningPlan
        Best plans with the limit on the estimate and on the upper end.
    pairs_by_estimate, pairs_by_upper : int
        Pairs the limit allows in each case.
    pairs_in_doubt : int
        Pairs of the first plan whose upper end is above the limit.
    price : float or None
        Rise of the goal as a share of the first plan's value; None when either plan is missing.
    """

    by_estimate: SpawningPlan
    by_upper: SpawningPlan
    pairs_by_estimate: int
    pairs_by_upper: int
    pairs_in_doubt: int
    price: float | None


def price_of_caution(data: SpawningData, settings: SearchSettings | None = None) -> PriceOfCaution:
    """Compare the plan that believes estimates of kinship with the one that believes only upper ends.

    Parameters
    ----------
    data : SpawningData
        With a pair limit and upper kinship of pairs.
    settings : SearchSettings, optional

    Returns
    -------
    PriceOfCaution

    Raises
    ------
    UsageError
        If the data have no pair limit or no upper kinship.
    UnsoundPlanError
        If a plan fails its recheck.
    """
    if data.pair_limit is None or data.pair_upper is None:
        raise UsageError(
            "price of caution: found no pair limit or no upper kinship. Expected both. Give pair_limit and "
            "pair_upper."
        )
    from planner.optimise.spawning.build import ROUNDING

    point = replace(data, limit_on="point")
    upper = replace(data, limit_on="upper")
    first, second = plan_spawning(point, settings), plan_spawning(upper, settings)
    top = data.pair_limit + ROUNDING
    doubtful = (as_table(data, first.pairs) > 0) & (data.pair_upper > top)
    price = None
    if first.value and second.value is not None:
        price = second.value / first.value - 1.0
    return PriceOfCaution(
        first,
        second,
        int((coefficients(data).pair_kinship <= top).sum()),
        int((data.pair_upper <= top).sum()),
        int(doubtful.sum()),
        price,
    )
