"""From numbers per group and site to single tagged fish, with the sexes balanced at every site."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from broodstock.arrays import BigIntArray
from broodstock.errors import ShapeError, ValueRangeError
from planner.optimise.release.model import LinearModel, load, row
from planner.optimise.solver import Session, read_counts

STAYS = -1
"""Site of a fish that stays at the station."""

FEMALE, MALE, UNKNOWN = "female", "male", "unknown"


@dataclass(frozen=True)
class Assignment:
    """Where each fish goes.

    Parameters
    ----------
    site : ndarray, int64, shape (n_fish,)
        Site position; -1 for a fish that stays.
    females, males, unknown : ndarray, int64, shape (n_sites,)
        Fish of each sex sent to each site.
    seed : int
        Seed of the draw among fish that are alike.
    """

    site: BigIntArray
    females: BigIntArray
    males: BigIntArray
    unknown: BigIntArray
    seed: int


def assign_fish(
    numbers: BigIntArray,
    group: npt.ArrayLike,
    sex: npt.ArrayLike,
    *,
    seed: int = 0,
    time_limit: float = 20.0,
) -> Assignment:
    """Choose the single fish for each line of a plan.

    The sum over sites of |females - males| is made as small as the numbers allow; among fish of one group
    and sex the draw is random, from the seed.

    Parameters
    ----------
    numbers : ndarray, int64, shape (n_groups, n_sites)
        Fish of each group to each site.
    group : array_like, int, shape (n_fish,)
        Group of each fish.
    sex : array_like, str, shape (n_fish,)
        ``female``, ``male`` or ``unknown``.
    seed : int
        Seed.
    time_limit : float
        Seconds for the balancing; the best found by then is used.

    Returns
    -------
    Assignment
        A site for each fish. The same input and seed give the same answer.

    Raises
    ------
    ShapeError
        If group and sex differ in length.
    ValueRangeError
        If a word for the sex or a group is unknown, a number is negative, or a group has too few fish.
    """
    owner = np.asarray(group, dtype=np.int64)
    words = np.asarray(sex, dtype=object)
    _check(numbers, owner, words)
    stock = np.array(
        [
            [np.count_nonzero((owner == g) & (words == w)) for w in (FEMALE, MALE, UNKNOWN)]
            for g in range(len(numbers))
        ],
        dtype=np.int64,
    ).reshape(len(numbers), 3)
    split = _balanced(numbers, stock, time_limit)
    rng = np.random.default_rng(seed)
    site = np.full(len(owner), STAYS, dtype=np.int64)
    for g in range(len(numbers)):
        for number, word in enumerate((FEMALE, MALE, UNKNOWN)):
            fish = rng.permutation(np.flatnonzero((owner == g) & (words == word)))
            places = np.repeat(np.arange(numbers.shape[1]), split[number, g])
            site[fish[: len(places)]] = places
    return Assignment(site, split[0].sum(axis=0), split[1].sum(axis=0), split[2].sum(axis=0), seed)


def _check(numbers: BigIntArray, owner: BigIntArray, words: npt.NDArray[np.object_]) -> None:
    if owner.shape != words.shape or owner.ndim != 1:
        raise ShapeError(
            f"fish for release: found {owner.shape} groups and {words.shape} sexes. Expected one of each per "
            "fish. Correct the list."
        )
    unknown = sorted({str(w) for w in words} - {FEMALE, MALE, UNKNOWN})
    if unknown:
        raise ValueRangeError(
            f"fish for release, sex: found {unknown[0]!r}. Expected female, male or unknown. Correct it."
        )
    if owner.size and not (owner.min() >= 0 and owner.max() < len(numbers)):
        raise ValueRangeError(
            f"fish for release, group: found group numbers {owner.min()} to {owner.max()}. Expected 0 to "
            f"{len(numbers) - 1}. Correct the list."
        )
    if numbers.size and numbers.min() < 0:
        raise ValueRangeError(
            "plan: found a negative number of fish. Expected 0 or more. Make the plan again."
        )
    have = np.bincount(owner, minlength=len(numbers))
    short = np.flatnonzero(numbers.sum(axis=1) > have)
    if short.size:
        g = int(short[0])
        raise ValueRangeError(
            f"plan, group number {g}: found {int(numbers[g].sum())} fish to send and {int(have[g])} fish in the "
            "list. Expected no more fish than there are. Make the plan again from the present list."
        )


def _balanced(numbers: BigIntArray, stock: BigIntArray, time_limit: float) -> BigIntArray:
    """Split the numbers by sex so that the sexes are as even as possible at every site.

    Returns
    -------
    ndarray, int64, shape (3, n_groups, n_sites)
        Females, males, unknown.
    """
    n_groups, n_sites = numbers.shape
    model = LinearModel()
    cells = np.argwhere(numbers > 0)
    columns = np.full((3, n_groups, n_sites), -1, dtype=np.int64)
    for g, s in cells:
        for w in range(3):
            if stock[g, w]:
                columns[w, g, s] = model.add((1,), 0.0, float(numbers[g, s]), whole=True)[0]
        mine = columns[:, g, s][columns[:, g, s] >= 0]
        model.rows.append(row("", "line", mine, 1.0, numbers[g, s], numbers[g, s]))
    for g in range(n_groups):
        for w in range(3):
            mine = columns[w, g][columns[w, g] >= 0]
            if mine.size:
                model.rows.append(row("", "stock", mine, 1.0, high=stock[g, w]))
    for s in range(n_sites):
        women = columns[0, :, s][columns[0, :, s] >= 0]
        men = columns[1, :, s][columns[1, :, s] >= 0]
        if women.size or men.size:
            apart = model.add((1,), 0.0, float(numbers[:, s].sum()), cost=1.0)[0]
            signs = [*np.ones(len(women)), *-np.ones(len(men))]
            model.rows.append(row("", "balance", [*women, *men, apart], [*signs, -1.0], high=0.0))
            model.rows.append(row("", "balance", [*women, *men, apart], [*signs, 1.0], low=0.0))
    loaded = load(model, "sexes")
    report = Session(loaded.problem).solve(time_limit=time_limit, relative_gap=0.0, absolute_gap=0.999)
    used = columns >= 0
    split = np.zeros(columns.shape, dtype=np.int64)
    split[used] = read_counts(loaded.pick(columns[used]), report)
    return split
