"""How many fish of each family to keep at a cull: whole numbers, as equal as the families allow, proven.

With room for N fish, family i may be kept at no more than its number u_i and the cap. Places are given one by
one to the family with the fewest expected survivors s_i k_i so far. No other choice of whole numbers is better
when the expected survivors are compared from the smallest family upwards: if family i of another choice has more
fish than here and family j fewer, then j's survivors there are at most those of i here, and moving one fish from
i to j makes neither of the two smaller than j was. With equal survival this is water filling, k_i = min(u_i, L)
or one more, and the sum of squares is least, so the effective number of families is greatest.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from broodstock.arrays import BigIntArray, FloatArray
from broodstock.errors import UsageError, ValueRangeError
from broodstock.estimates import Estimate
from planner.optimise.season.checking import at_least, numbers
from planner.optimise.season.families import effective_number
from planner.optimise.season.rehearsal import spread_of


@dataclass(frozen=True)
class Cull:
    """Numbers to keep of each family.

    Parameters
    ----------
    available, keep, surplus : ndarray, int64, shape (n_families,)
        Fish there, fish to keep, fish over.
    wanted : int
        Room in all.
    cap : int
        Most fish of one family under the cap on its share of what is kept.
    short : int
        Places that stay empty: the families are too small, or the cap forbids more of the others.
    cap_needed : float or None
        Smallest cap (times the mean share) under which no place stays empty; None when there are too few fish.
    small : ndarray, int64
        Families (positions) kept at less than the share of the mean asked for, families without fish too.
    effective_before, effective_after : float
        Effective number of families, by expected survivors.
    """

    available: BigIntArray
    keep: BigIntArray
    surplus: BigIntArray
    wanted: int
    cap: int
    short: int
    cap_needed: float | None
    small: BigIntArray
    effective_before: float
    effective_after: float

    @property
    def kept(self) -> int:
        """Fish kept in all."""
        return int(self.keep.sum())


def equalise(
    available: npt.ArrayLike,
    keep: int,
    *,
    survival: npt.ArrayLike | None = None,
    cap_times_mean: float = 2.0,
    small_share: float = 0.5,
) -> Cull:
    """Choose how many fish of each family to keep.

    Parameters
    ----------
    available : array_like, integer, shape (n_families,)
        Fish of each family, counted.
    keep : int
        Room in all.
    survival : array_like, float64, shape (n_families,), optional
        Expected survival of each family after the cull, above 0 to 1. Default: the same for all.
    cap_times_mean : float
        No family is kept at more than this times the mean share of the families that have fish.
    small_share : float
        Families kept at less than this share of the mean are named.

    Returns
    -------
    Cull

    Raises
    ------
    UsageError
        If there is no family, or no fish.
    ShapeError, ValueRangeError
        If a number is negative or not whole, the room is 0, or the cap is below 1.
    """
    there = _whole("fish of the families", available)
    room = int(at_least("fish to keep", keep, 1, "a whole number"))
    at_least("cap on a family, times the mean", cap_times_mean, 1)
    numbers("share that makes a family small", small_share, (), 0, 1)
    if not there.any():
        raise UsageError("cull: found no fish in any family. Expected counts. Enter the counts first.")
    chance = np.ones(len(there)) if survival is None else numbers("survival", survival, there.shape, 0, 1)
    if (chance <= 0).any():
        raise ValueRangeError(
            "survival: found 0. Expected more than 0 for every family. Leave the family out."
        )
    families = int((there > 0).sum())
    total, cap = _greatest_total(there, room, cap_times_mean / families)
    kept = _fill(np.minimum(there, cap), total, chance)
    mean = total / len(there)
    enough = int(there.sum()) >= room
    return Cull(
        there,
        kept,
        there - kept,
        room,
        cap,
        room - total,
        _cap_needed(there, room) / (room / families) if enough else None,
        np.flatnonzero(kept < small_share * mean),
        effective_number(there * chance),
        effective_number(kept * chance),
    )


def cull_schedule(
    available: npt.ArrayLike,
    keeps: npt.ArrayLike,
    survivals: npt.ArrayLike,
    *,
    cap_times_mean: float = 2.0,
    small_share: float = 0.5,
) -> list[Cull]:
    """Plan several culls in turn, with the same survival of all families in between.

    Parameters
    ----------
    available : array_like, integer, shape (n_families,)
        Fish of each family at the first cull.
    keeps : array_like, integer, shape (n_culls,)
        Room at each cull.
    survivals : array_like, float64, shape (n_culls - 1,)
        Survival from each cull to the next.
    cap_times_mean, small_share
        As in `equalise`.

    Returns
    -------
    list of Cull
        The later ones from the whole part of the expected survivors; plan them again from counts.

    Raises
    ------
    UsageError, ShapeError, ValueRangeError
        As in `equalise`; also if no fish survives to a later cull.
    """
    room = _whole("fish to keep", keeps)
    if not len(room):
        raise UsageError("cull: found no number to keep. Expected one for each cull.")
    rates = numbers("survival between culls", survivals, (len(room) - 1,), 0, 1)
    out = [equalise(available, int(room[0]), cap_times_mean=cap_times_mean, small_share=small_share)]
    for number, rate in zip(room[1:].tolist(), rates.tolist(), strict=True):
        left = np.floor(out[-1].keep * rate + 1e-9).astype(np.int64)
        out.append(equalise(left, number, cap_times_mean=cap_times_mean, small_share=small_share))
    return out


def with_count_error(
    amounts: npt.ArrayLike,
    females: npt.ArrayLike,
    males: npt.ArrayLike,
    count_cv: float,
    *,
    draws: int = 2000,
    seed: int = 1,
    level: float = 0.9,
) -> Estimate:
    """Return the effective number of parents behind families whose fish were counted with an error.

    Parameters
    ----------
    amounts : array_like, integer, shape (n_families,)
        Fish of each family.
    females, males : array_like, integer, shape (n_families,)
        Number of the mother and of the father of each family.
    count_cv : float
        Error of a count (sd / mean), log-normal, independent between families.
    draws : int
    seed : int
    level : float
        Coverage of the interval.

    Returns
    -------
    Estimate
        Value from the counts themselves; quantiles of the counts drawn again, which lie mostly below it,
        because errors make families look, and be, less equal.

    Raises
    ------
    ShapeError, ValueRangeError
        If the arrays do not fit or a number is negative.
    """
    counts = _whole("fish of the families", amounts)
    at_least("error of a count", count_cv, 0)
    at_least("draws", draws, 20)
    mother = np.unique(np.asarray(females), return_inverse=True)[1]
    father = np.unique(np.asarray(males), return_inverse=True)[1]
    numbers("mothers", mother, counts.shape)
    numbers("fathers", father, counts.shape)
    method = f"4 f m / (f + m) of the effective numbers of parents; interval from {draws} redrawn counts"
    if not counts.any():
        return Estimate.not_estimable("there are no fish", method, 0, "families")
    rng = np.random.default_rng(seed)
    sd = np.sqrt(np.log1p(count_cv**2))
    drawn = counts * np.exp(sd * rng.standard_normal((draws, len(counts))) - sd * sd / 2)
    values = _parents(drawn, mother, father)
    spread = spread_of(values, level, method)
    exact = float(_parents(counts[None, :].astype(np.float64), mother, father)[0])
    return Estimate(exact, spread.low, spread.high, method, len(counts), "families", level)


def _parents(amounts: FloatArray, mother: BigIntArray, father: BigIntArray) -> FloatArray:
    """Return the effective number of parents by row of amounts."""
    sizes = []
    for parent in (mother, father):
        sums = amounts @ (parent[:, None] == np.arange(parent.max() + 1)).astype(np.float64)
        sizes.append(sums.sum(axis=1) ** 2 / (sums**2).sum(axis=1))
    f, m = sizes
    out: FloatArray = 4 * f * m / (f + m)
    return out


def _whole(where: str, values: npt.ArrayLike) -> BigIntArray:
    """Return whole numbers, 0 or more.

    Raises
    ------
    ShapeError, ValueRangeError
        If the numbers do not stand in a row, or one is negative or not whole.
    """
    array = np.atleast_1d(np.asarray(values, dtype=np.float64))
    array = numbers(where, array, (array.size,))
    if (array != np.floor(array)).any():
        found = array[array != np.floor(array)][0]
        raise ValueRangeError(f"{where}: found {found}. Expected whole numbers. Correct it.")
    return array.astype(np.int64)


def _greatest_total(there: BigIntArray, room: int, cap_share: float) -> tuple[int, int]:
    """Return the greatest total of at most `room` that keeps every family at or below its share, and the cap.

    The fish that can be kept when the total is T, sum of min(u_i, floor(share x T)), never falls as T rises.
    Going down from the room to what can be kept, again and again, so ends at the greatest possible total.
    """
    total = min(room, int(there.sum()))
    while True:
        cap = int(np.floor(cap_share * total + 1e-9))
        possible = int(np.minimum(there, cap).sum())
        if possible >= total:
            return total, cap
        total = possible


def _fill(most: BigIntArray, total: int, survival: FloatArray) -> BigIntArray:
    """Give `total` places one by one to the family with the fewest expected survivors, the first on a tie.

    The places that every family surely gets come at once: for the greatest level L at which the sum of
    min(u_i, floor(L / s_i)) is at most the total, these are all places given at fewer than L - max(s) survivors.
    """
    low, high = 0.0, float((most * survival).max()) + 1.0
    for _ in range(200):
        middle = (low + high) / 2
        if int(np.minimum(most, np.floor(middle / survival)).sum()) <= total:
            low = middle
        else:
            high = middle
    sure = np.floor((low - survival.max()) / survival - 1e-9)
    kept = np.minimum(most, np.maximum(0, sure)).astype(np.int64)
    for _ in range(total - int(kept.sum())):
        open_ = np.flatnonzero(kept < most)
        kept[open_[int(np.argmin(np.round(kept[open_] * survival[open_], 12)))]] += 1
    return kept


def _cap_needed(there: BigIntArray, room: int) -> int:
    """Return the smallest greatest family with which `room` fish can be kept."""
    low, high = 0, int(there.max())
    while low < high:
        middle = (low + high) // 2
        if int(np.minimum(there, middle).sum()) >= room:
            high = middle
        else:
            low = middle + 1
    return low
