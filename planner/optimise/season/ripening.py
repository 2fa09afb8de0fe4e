"""How likely each fish is ripe on each spawning day, and how many will be.

The model, in words. A window is a flat roof: inside it the chance to be ripe is the recorded one, or
`RipeningModel.in_window` when none was recorded. Before and after the window the chance runs in a straight line
down to a floor over `RipeningModel.shoulder_days`. The floor is the recorded chance when that was recorded for a
day outside the window, else 0. A fish found ripe without a window is at an unknown place of a ripe time of
`female_days` or `male_days`: the chance that it is still ripe falls evenly from 1 to 0 over that time. A warm or
cold season moves all windows together; the shift is normal around 0 with `RipeningModel.shift_days`.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from statistics import NormalDist

import numpy as np
import numpy.typing as npt

from broodstock.arrays import BigIntArray, BoolArray, FloatArray
from broodstock.errors import ShapeError, UsageError, ValueRangeError
from broodstock.estimates import Estimate
from planner.optimise.season.checking import at_least, numbers, share

UNKNOWN_DAY = -1
"""A day that is not recorded."""
UNKNOWN_CHANCE = -1.0
"""A chance that is not recorded."""
N_SHIFTS = 9
"""Equally likely shifts that stand for the normal distribution."""


class State(IntEnum):
    """What the last look at a fish showed."""

    UNSEEN = 0
    RIPE = 1
    RIPENING = 2
    NOT_RIPE = 3
    SPENT = 4
    NO_MILT = 5
    ALWAYS = 6
    """No question of ripeness: frozen milt."""


@dataclass(frozen=True, slots=True)
class RipeningModel:
    """Numbers of the model.

    Parameters
    ----------
    in_window : float
        Chance inside a window without a recorded chance.
    not_ripe : float
        Chance of a fish seen not ripe, or without milt, when there is no window.
    unseen_female, unseen_male : float
        Chance of a fish nobody looked at.
    female_days, male_days : float
        Length of the ripe time of a fish, days.
    shoulder_days : float
        Days of rise before a window and of fall after it.
    shift_days : float
        Standard deviation of the shift of the whole season, days.
    """

    in_window: float = 0.75
    not_ripe: float = 0.05
    unseen_female: float = 0.29
    unseen_male: float = 0.88
    female_days: float = 14.0
    male_days: float = 45.0
    shoulder_days: float = 7.0
    shift_days: float = 2.0

    def __post_init__(self) -> None:
        for name in ("in_window", "not_ripe", "unseen_female", "unseen_male"):
            share(f"ripening model, {name}", getattr(self, name))
        for name in ("female_days", "male_days"):
            at_least(f"ripening model, {name}", getattr(self, name), 1, "days")
        for name in ("shoulder_days", "shift_days"):
            at_least(f"ripening model, {name}", getattr(self, name), 0, "days")


@dataclass(frozen=True)
class Looks:
    """The last look at each fish. Days are whole numbers on any calendar (proleptic ordinals).

    Parameters
    ----------
    female : ndarray, bool, shape (n_fish,)
    state : ndarray, int64, shape (n_fish,)
        A `State`.
    seen_on : ndarray, int64, shape (n_fish,)
        Day of the look, -1 unknown.
    start, end : ndarray, int64, shape (n_fish,)
        Window, -1 for none.
    chance : ndarray, float64, shape (n_fish,)
        Recorded chance to be ripe, -1 for none.
    chance_on : int
        Day the recorded chances are for, -1 unknown: they then stand for the window.
    """

    female: BoolArray
    state: BigIntArray
    seen_on: BigIntArray
    start: BigIntArray
    end: BigIntArray
    chance: FloatArray
    chance_on: int = UNKNOWN_DAY

    def __post_init__(self) -> None:
        n = len(self.female)
        for name in ("state", "seen_on", "start", "end", "chance"):
            found = np.shape(getattr(self, name))
            if found != (n,):
                raise ShapeError(f"looks, {name}: found shape {found}. Expected {(n,)}.")
        if n and not np.isin(self.state, list(State)).all():
            raise ValueRangeError(f"looks, state: found {self.state.max()}. Expected a State.")
        known = self.chance != UNKNOWN_CHANCE
        numbers("looks, chance", self.chance[known], (int(known.sum()),), 0, 1)
        turned = self.has_window & (self.end < self.start)
        if turned.any():
            i = int(np.flatnonzero(turned)[0])
            raise ValueRangeError(
                f"looks, window of fish {i}: found day {self.start[i]} to day {self.end[i]}. Expected the start "
                "before the end. Correct the record."
            )
        if (self.has_window != (self.start != UNKNOWN_DAY)).any():
            raise ValueRangeError("looks, window: found a start or an end alone. Expected both or none.")

    @property
    def has_window(self) -> BoolArray:
        """True where both ends of a window are recorded."""
        return (self.start != UNKNOWN_DAY) & (self.end != UNKNOWN_DAY)


@dataclass(frozen=True)
class RipeChances:
    """Chance of each fish to be ripe on each day, for each shift of the season.

    Parameters
    ----------
    by_shift : ndarray, float64, shape (n_shifts, n_fish, n_days)
        Fish are independent within a shift; shifts are equally likely.
    shifts : ndarray, float64, shape (n_shifts,)
        Days by which all windows come later.
    """

    by_shift: FloatArray
    shifts: FloatArray

    @property
    def mean(self) -> FloatArray:
        """Chance over all shifts, shape (n_fish, n_days)."""
        mean: FloatArray = self.by_shift.mean(axis=0)
        return mean

    def of(self, fish: npt.ArrayLike) -> RipeChances:
        """Return the chances of some fish (positions or a mask)."""
        chosen = np.asarray(fish)
        if not chosen.size:
            chosen = chosen.astype(np.int64)
        return RipeChances(self.by_shift[:, chosen], self.shifts)


def season_shifts(shift_days: float) -> FloatArray:
    """Return equally likely shifts: the middles of equal parts of a normal distribution.

    Their standard deviation is scaled to be `shift_days` exactly. One shift of 0 when that is 0.
    """
    if shift_days == 0:
        return np.zeros(1)
    normal = NormalDist()
    middle = np.array([normal.inv_cdf((k + 0.5) / N_SHIFTS) for k in range(N_SHIFTS)])
    scaled: FloatArray = middle * (shift_days / middle.std())
    return scaled


def ripe_chances(looks: Looks, days: npt.ArrayLike, model: RipeningModel) -> RipeChances:
    """Return the chance of each fish to be ripe on each day.

    Parameters
    ----------
    looks : Looks
    days : array_like, integer, shape (n_days,)
        Spawning days on the calendar of `looks`.
    model : RipeningModel

    Returns
    -------
    RipeChances

    Raises
    ------
    UsageError
        If there is no day.
    """
    when = np.asarray(days, dtype=np.float64).reshape(-1)
    if not len(when):
        raise UsageError("spawning days: found none. Expected one or more days. Name them.")
    shifts = season_shifts(model.shift_days)
    return RipeChances(np.stack([_chances(looks, when, model, float(s)) for s in shifts]), shifts)


def _chances(looks: Looks, days: FloatArray, model: RipeningModel, shift: float) -> FloatArray:
    """Return the chances for one shift, shape (n_fish, n_days)."""
    recorded = looks.chance != UNKNOWN_CHANCE
    unseen = np.where(looks.female, model.unseen_female, model.unseen_male)
    flat = np.select(
        [looks.state == State.UNSEEN, looks.state == State.SPENT, looks.state == State.ALWAYS],
        [unseen, 0.0, 1.0],
        default=np.where(recorded, looks.chance, model.not_ripe),
    )
    out = np.repeat(flat[:, None], len(days), axis=1)
    windowed = looks.has_window & ~np.isin(looks.state, [State.SPENT, State.ALWAYS])
    out[windowed] = _roof(looks, days, model, shift)[windowed]
    length = np.where(looks.female, model.female_days, model.male_days)
    since = days[None, :] - looks.seen_on[:, None]
    still = np.where(since < 0, 0.0, np.clip(1.0 - since / length[:, None], 0.0, 1.0))
    found_ripe = (looks.state == State.RIPE) & ~looks.has_window
    out[found_ripe] = still[found_ripe]
    seen_today = (since == 0) & (looks.state == State.RIPE)[:, None]
    out[seen_today] = 1.0
    return out


def _roof(looks: Looks, days: FloatArray, model: RipeningModel, shift: float) -> FloatArray:
    """Return the chances from the windows; rows of fish without a window mean nothing."""
    recorded = looks.chance != UNKNOWN_CHANCE
    asked = looks.chance_on
    inside = (looks.start <= asked) & (asked <= looks.end)
    for_window = recorded & (inside | (asked == UNKNOWN_DAY))
    roof = np.where(for_window, looks.chance, model.in_window)
    floor = np.where(recorded & ~for_window, np.minimum(looks.chance, roof), 0.0)
    outside = np.maximum(looks.start[:, None] + shift - days, days - looks.end[:, None] - shift)
    if model.shoulder_days > 1e-6:
        part = np.clip(1.0 - outside / model.shoulder_days, 0.0, 1.0)
    else:
        part = (outside <= 0).astype(np.float64)
    chances: FloatArray = np.maximum(floor[:, None], roof[:, None] * part)
    return chances


def number_distribution(chances: FloatArray) -> FloatArray:
    """Return the distribution of the number of successes of independent trials with unequal chances.

    Parameters
    ----------
    chances : ndarray, float64, shape (..., n_trials)

    Returns
    -------
    ndarray, float64, shape (..., n_trials + 1)
        Chance of 0, 1, ... successes, by adding one trial after the other.

    Raises
    ------
    ValueRangeError
        If a chance is outside 0 to 1.
    """
    p = numbers("chances", chances, np.shape(chances), 0, 1)
    out = np.zeros((*p.shape[:-1], p.shape[-1] + 1))
    out[..., 0] = 1.0
    for i in range(p.shape[-1]):
        q = p[..., i, None]
        out[..., 1:] = out[..., 1:] * (1 - q) + out[..., :-1] * q
        out[..., 0] *= 1 - q[..., 0]
    return out


def expected_ripe(chances: RipeChances, level: float = 0.9) -> list[Estimate]:
    """Return the expected number of ripe fish on each day with its interval.

    Parameters
    ----------
    chances : RipeChances
        Of the fish to count.
    level : float
        Coverage of the interval.

    Returns
    -------
    list of Estimate
        One per day; not estimable when there are no fish.

    Raises
    ------
    ValueRangeError
        If the level is not between 0 and 1.
    """
    if not 0 < level < 1:
        raise ValueRangeError(f"level: found {level}. Expected a coverage between 0 and 1.")
    _, n_fish, n_days = chances.by_shift.shape
    method = (
        "sum of the chances; interval from the exact distribution of the number, fish independent, "
        "all windows shifted together"
    )
    if n_fish == 0:
        return [Estimate.not_estimable("there are no such fish", method)] * n_days
    spread = number_distribution(np.moveaxis(chances.by_shift, 1, -1)).mean(axis=0)
    cumulative = spread.cumsum(axis=-1)
    mean = chances.mean.sum(axis=0)
    tail = (1 - level) / 2
    low = (cumulative < tail - 1e-12).sum(axis=-1)
    high = (cumulative < 1 - tail - 1e-12).sum(axis=-1)
    return [
        Estimate(
            float(mean[d]),
            float(low[d]),
            float(min(high[d], n_fish)),
            method,
            n_fish,
            level=level,
            note="The chances themselves are judgements of the crew; compare them with what was found.",
        )
        for d in range(n_days)
    ]
