"""From fish wanted at release back to eggs: numbers at each stage, low, middle and high."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from broodstock.arrays import FloatArray
from broodstock.errors import UsageError, ValueRangeError
from broodstock.estimates import Estimate
from planner.optimise.season.checking import at_least, share


@dataclass(frozen=True, slots=True)
class Span:
    """A number known as low, middle, high.

    Parameters
    ----------
    low, middle, high : float
        In rising order. Draws are from the triangle over them.
    """

    low: float
    middle: float
    high: float

    def __post_init__(self) -> None:
        if not self.low <= self.middle <= self.high:
            raise ValueRangeError(
                f"low, middle, high: found {self.low}, {self.middle}, {self.high}. Expected rising numbers. "
                "Correct the settings."
            )

    def quantile(self, u: FloatArray) -> FloatArray:
        """Return the values of the triangle below which shares `u` lie."""
        width = self.high - self.low
        if width == 0:
            return np.full(np.shape(u), self.low)
        left = (self.middle - self.low) / width
        rising = self.low + np.sqrt(u * width * (self.middle - self.low))
        falling = self.high - np.sqrt((1 - u) * width * (self.high - self.middle))
        return np.where(u < left, rising, falling)


@dataclass(frozen=True, slots=True)
class Stage:
    """One stretch of rearing.

    Parameters
    ----------
    start : str
        What is counted at its start, for example ``eggs``.
    survival : Span
        Survival of one period.
    periods : float
        Periods in the stage (months), 1 for a survival of the whole stage.
    """

    start: str
    survival: Span
    periods: float = 1.0

    def __post_init__(self) -> None:
        for value in (self.survival.low, self.survival.middle, self.survival.high):
            share(f"survival from {self.start}", value)
        if self.survival.low <= 0:
            raise ValueRangeError(
                f"survival from {self.start}: found 0. Expected more than 0, or no number of {self.start} is enough. "
                "Correct the settings."
            )
        at_least(f"periods from {self.start}", self.periods, 0)


@dataclass(frozen=True)
class StageNeed:
    """Number needed at one stage.

    Parameters
    ----------
    what : str
        What is counted.
    needed : Estimate
        Middle: every stage at its middle; low and high: quantiles of the draws.
    best, worst : float
        With every later stage at its best, and at its worst.
    """

    what: str
    needed: Estimate
    best: float
    worst: float


@dataclass(frozen=True)
class Growth:
    """Length at age: limit x (1 - exp(-rate x age)), and how lengths differ.

    Parameters
    ----------
    limit_mm : float
        Length that fish approach.
    rate : Span
        Yearly rate of approach.
    cv : float
        Standard deviation of length over its mean, among fish of one age; lengths are normal.

    References
    ----------
    .. [1] von Bertalanffy, L. (1938), Human Biology 10, 181-213 (from memory).
    """

    limit_mm: float
    rate: Span
    cv: float

    def __post_init__(self) -> None:
        at_least("growth, limit of length", self.limit_mm, 1)
        at_least("growth, rate", self.rate.low, 1e-9)
        at_least("growth, variation of length", self.cv, 0)


def length_at(age_years: float, limit_mm: float, rate: float) -> float:
    """Return the mean length at an age, mm.

    Examples
    --------
    >>> [round(length_at(a, 597, 0.845)) for a in (1, 2, 3, 5)]
    [341, 487, 550, 588]
    """
    return limit_mm * -math.expm1(-rate * age_years)


def share_at_least(length_mm: float, mean_mm: float, cv: float) -> float:
    """Return the share of fish at least so long, lengths normal around the mean."""
    if cv == 0:
        return 1.0 if mean_mm >= length_mm else 0.0
    return 0.5 * math.erfc((length_mm - mean_mm) / (cv * mean_mm * math.sqrt(2)))


def long_enough(growth: Growth, age_years: float, length_mm: float) -> Span:
    """Return the share of fish long enough at an age, for the low, middle and high rate of growth.

    Raises
    ------
    ValueRangeError
        If age or length is not above 0.
    """
    at_least("age at release", age_years, 1e-9, "years")
    at_least("length at release", length_mm, 0, "mm")
    rate = growth.rate
    shares = (
        share_at_least(length_mm, length_at(age_years, growth.limit_mm, r), growth.cv)
        for r in (rate.low, rate.middle, rate.high)
    )
    return Span(*shares)


def needed_numbers(
    wanted: int,
    stages: list[Stage],
    growth: Growth | None = None,
    *,
    age_years: float = 0.0,
    length_mm: float = 0.0,
    draws: int = 10000,
    seed: int = 1,
    level: float = 0.9,
) -> list[StageNeed]:
    """Return the numbers needed at the start of every stage for a number of fish at its end.

    Parameters
    ----------
    wanted : int
        Fish to release.
    stages : list of Stage
        From eggs to release. The last stage starts with fish long enough to be tagged and released.
    growth : Growth, optional
        When given, only fish of `length_mm` at `age_years` enter the last stage, and the stage before must
        bring that many more.
    age_years, length_mm : float
    draws : int
    seed : int
    level : float
        Coverage of the interval.

    Returns
    -------
    list of StageNeed
        One per stage, in the order of `stages`; not estimable where hardly any fish would be long enough.

    Raises
    ------
    UsageError
        If there is no stage.
    ValueRangeError
        If a number makes no sense.
    """
    at_least("fish wanted", wanted, 1, "a whole number")
    at_least("draws", draws, 100)
    if not stages:
        raise UsageError("production: found no stage. Expected at least one, from eggs to release.")
    if growth is not None and len(stages) < 2:
        raise UsageError(
            "production: found one stage and a length to reach. Expected a stage before the one that starts with "
            "fish long enough. Give both."
        )
    rng = np.random.default_rng(seed)
    method = f"back-calculation; middle: every stage at its middle; range: {level:.0%} of {draws} draws from triangles"
    need = np.full(draws, float(wanted))
    middle = best = worst = float(wanted)
    out: list[StageNeed] = []
    reason = ""
    for number, stage in enumerate(reversed(stages)):
        if number == 1 and growth is not None:
            ready = long_enough(growth, age_years, length_mm)
            if ready.low < 1e-4:
                reason = f"with slow growth only {ready.low:.2%} of the fish would be {length_mm:g} mm long at that age"
            else:
                rates = growth.rate.quantile(rng.random(draws))
                shares = [
                    share_at_least(length_mm, length_at(age_years, growth.limit_mm, r), growth.cv)
                    for r in rates.tolist()
                ]
                need = need / np.array(shares)
                middle, best, worst = middle / ready.middle, best / ready.high, worst / ready.low
        if not reason:
            p = stage.survival
            need = need / p.quantile(rng.random(draws)) ** stage.periods
            middle /= p.middle**stage.periods
            best /= p.high**stage.periods
            worst /= p.low**stage.periods
        out.append(_need(stage.start, reason, need, middle, best, worst, method, level))
    return out[::-1]


def divided(numbers_needed: Estimate, parts: Span, what: str) -> Estimate:
    """Return a needed number divided by what one unit yields, low need by high yield and the other way round.

    Parameters
    ----------
    numbers_needed : Estimate
        For example eggs.
    parts : Span
        Yield of one unit, for example eggs of a female; above 0.
    what : str
        The unit, for the method.

    Raises
    ------
    ValueRangeError
        If the yield can be 0.
    """
    at_least(f"yield of {what}", parts.low, 1e-9)
    if numbers_needed.value is None or numbers_needed.low is None or numbers_needed.high is None:
        return numbers_needed
    return Estimate(
        numbers_needed.value / parts.middle,
        numbers_needed.low / parts.high,
        numbers_needed.high / parts.low,
        numbers_needed.method + f"; divided by the yield of {what}, ends taken together",
        numbers_needed.n_used,
        numbers_needed.unit_used,
        numbers_needed.level,
    )


def families_needed(fish: int, most_of_a_family: int, least_families: int) -> int:
    """Return the families wanted behind a number of fish: none too large a part, and never fewer than a least.

    Raises
    ------
    ValueRangeError
        If a number is below 1.
    """
    at_least("fish", fish, 1)
    at_least("most fish of a family", most_of_a_family, 1)
    at_least("fewest families", least_families, 1)
    return max(least_families, -(-fish // most_of_a_family))


def _need(
    what: str,
    reason: str,
    need: FloatArray,
    middle: float,
    best: float,
    worst: float,
    method: str,
    level: float,
) -> StageNeed:
    if reason:
        return StageNeed(what, Estimate.not_estimable(reason, method), math.inf, math.inf)
    tail = (1 - level) / 2
    low, high = np.quantile(need, [tail, 1 - tail])
    estimate = Estimate(middle, float(low), float(high), method, len(need), "draws", level)
    return StageNeed(what, estimate, best, worst)
