"""Release fish now, or grow them on and release them longer: survivors per fish and per money, break-even loss."""

from __future__ import annotations

import datetime as dt
import difflib
import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from statistics import NormalDist
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from broodstock.arrays import FloatArray
from broodstock.errors import UsageError, ValueRangeError
from broodstock.estimates import Estimate
from planner.tasks.outputs import write_text
from planner.tasks.programme import Programme
from planner.tasks.release_data import season_of
from planner.tasks.rows import rows
from planner.tasks.survival_curves import SurvivalCurve, curve_of

_STEP = 1e-5
_EDGE = 1e-12
METHOD = "delta method over curve, growth and rearing survival"


@dataclass(frozen=True)
class Rearing:
    """What growing on means.

    Parameters
    ----------
    months : int
        Months until the later release.
    growth, growth_error : float
        Growth in mm per month and its standard error.
    survival, survival_error : float
        Share of fish that live through a month in the pond, and its standard error. Published pond survival in
        normal months is 0.966 to 0.985.
    accident : float
        Expected share lost on top, at the end: a die-off, birds, theft.
    cost_month, cost_release : float
        Money per living fish and month, and per fish released.
    """

    months: int = 12
    growth: float = 8.0
    growth_error: float = 1.5
    survival: float = 0.975
    survival_error: float = 0.005
    accident: float = 0.0
    cost_month: float = 0.35
    cost_release: float = 1.0

    def __post_init__(self) -> None:
        """Refuse numbers that make no sense.

        Raises
        ------
        UsageError
            If a number is outside its range.
        """
        if self.months < 1 or not 0 < self.survival < 1 or not 0 <= self.accident < 1:
            raise UsageError(
                f"growing on: found {self.months} months, monthly survival {self.survival}, accident share "
                f"{self.accident}. Expected at least 1 month, a survival between 0 and 1, and a share from 0 to below 1."
            )
        numbers = (self.growth, self.growth_error, self.survival_error, self.cost_month, self.cost_release)
        if not all(math.isfinite(x) and x >= 0 for x in numbers):
            raise UsageError(
                f"growing on: found growth {self.growth} (error {self.growth_error}), survival error "
                f"{self.survival_error}, costs {self.cost_month} and {self.cost_release}. Expected numbers of at least 0."
            )


@dataclass(frozen=True)
class Comparison:
    """Now beside later for some fish.

    Parameters
    ----------
    now, later : Estimate
        First-year survivors per fish started.
    ratio : Estimate
        Later divided by now.
    money_now, money_later : Estimate
        Survivors per unit of money.
    break_even : Estimate
        Share of the fish that may be lost in rearing before growing on stops paying.
    """

    now: Estimate
    later: Estimate
    ratio: Estimate
    money_now: Estimate
    money_later: Estimate
    break_even: Estimate

    @property
    def advice(self) -> str:
        """What the interval of the ratio says."""
        if self.ratio.low is None or self.ratio.high is None:
            return "not known"
        if self.ratio.low > 1:
            return "grow on"
        return "release now" if self.ratio.high < 1 else "no clear difference"


def compare(
    lengths_mm: npt.ArrayLike,
    now: SurvivalCurve,
    later: SurvivalCurve,
    rearing: Rearing,
    level: float = 0.95,
) -> Comparison:
    """Compare releasing some fish now with growing them on.

    Parameters
    ----------
    lengths_mm : array_like, float64, shape (n_fish,)
        Total lengths now.
    now, later : SurvivalCurve
        Curves of the season now and of the later season. Equal curves share their error; others are independent.
    rearing : Rearing
        Time, growth, losses and costs.
    level : float
        Coverage of the intervals.

    Returns
    -------
    Comparison
        With r the rearing survival over all months and p mean survival after release: now ``p0``, later ``r p1``, per
        money ``p0 / c`` and ``r p1 / (sum of monthly costs of the living + r c)``, break-even loss ``1 - p0 / p1``.
        Intervals by the delta method on the logit or log scale.

    Raises
    ------
    ValueRangeError
        If there is no fish or a length is not positive.
    """
    lengths = np.asarray(lengths_mm, dtype=np.float64)
    if lengths.ndim != 1 or lengths.size == 0 or not (lengths > 0).all():
        raise ValueRangeError(
            "growing on: found no fish or a length that is not positive. Expected lengths in mm."
        )
    same = (now.intercept, now.slope, now.error) == (later.intercept, later.slope, later.error)
    logit_r = math.log(rearing.survival / (1 - rearing.survival))
    centre = np.array([0.0, 0.0, rearing.growth, logit_r])
    error = np.array(
        [
            now.error or 0.0,
            0.0 if same else later.error or 0.0,
            rearing.growth_error,
            rearing.survival_error / (rearing.survival * (1 - rearing.survival)),
        ]
    )

    def outcome(x: FloatArray) -> FloatArray:
        return _outcome(lengths, now, later, rearing, x, same)

    value = outcome(centre)
    slope = np.array(
        [(outcome(centre + s) - outcome(centre - s)) / (2 * _STEP) for s in _STEP * np.eye(len(centre))]
    )
    half = NormalDist().inv_cdf(0.5 + level / 2) * np.sqrt(((slope * error[:, None]) ** 2).sum(axis=0))
    low, high = value - half, value + half
    n = lengths.size

    def made(k: int, back: Callable[[float], float], words: str) -> Estimate:
        return Estimate(
            back(float(value[k])),
            back(float(low[k])),
            back(float(high[k])),
            method=f"{words}; {METHOD}",
            n_used=n,
            level=level,
            note="" if now.error is not None else "no error of the curve is recorded",
        )

    free_now, free_later = rearing.cost_release == 0, rearing.cost_release + rearing.cost_month == 0
    no_cost = Estimate.not_estimable("the cost is 0", n_used=n)
    if value[6] >= 0:
        even = Estimate.not_estimable("longer fish do not survive better: growing on never pays", n_used=n)
    else:
        even = Estimate(
            -math.expm1(float(value[6])),
            max(0.0, -math.expm1(float(high[6]))),
            -math.expm1(float(low[6])),
            method=f"1 - survival now / survival later; {METHOD}",
            n_used=n,
            level=level,
        )
    return Comparison(
        made(0, _expit, "survival curve, mean over fish"),
        made(1, _expit, "rearing survival x survival curve, mean over fish"),
        made(2, math.exp, "later / now"),
        no_cost
        if free_now
        else made(3, lambda x: _expit(x) / rearing.cost_release, "survivors / cost of release"),
        no_cost
        if free_later
        else made(4, lambda x: _expit(x) / _least_cost(rearing), "survivors / cost of rearing and release"),
        even,
    )


def _outcome(
    lengths: FloatArray, now: SurvivalCurve, later: SurvivalCurve, rearing: Rearing, x: FloatArray, same: bool
) -> FloatArray:
    """Return the outcomes on scales without limits for shifts of the curves, growth and logit of monthly survival.

    Order: logit now, logit later, log ratio, logit of now and of later per money as a share of what it would be if
    none died, log of rearing survival, log (p0 / p1).
    """
    r = _expit(float(x[3]))
    grown = lengths + x[2] * rearing.months
    p0 = _inside(float(now.at(lengths, float(x[0])).mean()))
    p1 = _inside(float(later.at(grown, float(x[0] if same else x[1])).mean()))
    reared = r**rearing.months * (1 - rearing.accident)
    whole = _inside(reared * p1)
    months = (1 - r**rearing.months) / (1 - r)
    cost = rearing.cost_month * months + rearing.cost_release * reared
    least = _least_cost(rearing) or 1.0
    return np.array(
        [
            _logit(p0),
            _logit(whole),
            math.log(whole / p0),
            _logit(p0),
            _logit(_inside(whole * least / (cost or 1.0))),
            math.log(reared),
            math.log(p0 / p1),
        ]
    )


def _least_cost(rearing: Rearing) -> float:
    """Return the cost of a fish released later if none dies before: one over it bounds the survivors per money."""
    return rearing.cost_release + rearing.cost_month * rearing.months


def _logit(p: float) -> float:
    return math.log(p / (1 - p))


def _inside(p: float) -> float:
    return min(max(p, _EDGE), 1 - _EDGE)


def _expit(x: float) -> float:
    return 0.5 * (1 + math.tanh(0.5 * x))


@dataclass(frozen=True)
class GrowReport:
    """Now or later, by kind of water and size class.

    Parameters
    ----------
    lines : tuple of (str, str, int, str, Comparison or None, str)
        Water, size class, fish, what limits say now, comparison, and the reason where there is none.
    rearing : Rearing
        What was assumed.
    seasons : tuple of (str, str)
        Season now and later.
    sources : tuple of str
        Where the curves come from.
    """

    lines: tuple[tuple[str, str, int, str, Comparison | None, str], ...]
    rearing: Rearing
    seasons: tuple[str, str]
    sources: tuple[str, ...]

    def table(self) -> tuple[list[str], list[list[str]]]:
        """Return headings and one row per water and size class."""
        head = [
            "water",
            "mm now",
            "fish",
            "survive, now",
            "survive, later",
            "per money, now",
            "per money, later",
            "break-even rearing loss",
            "per fish",
        ]
        out = []
        for water, size, n, limit, c, why in self.lines:
            if c is None:
                out.append([water, size, str(n), why, "", "", "", "", ""])
                continue
            advice = limit or c.advice
            even = c.break_even.text(2) if c.break_even.estimable else "none: longer is not better"
            money = [e.text(2) if e.estimable else "–" for e in (c.money_now, c.money_later)]
            out.append([water, size, str(n), c.now.text(2), c.later.text(2), *money, even, advice])
        return head, out

    def notes(self) -> list[str]:
        """Return what the numbers rest on."""
        r = self.rearing
        reared = r.survival**r.months * (1 - r.accident)
        return [
            f"Later: in {r.months} months, {r.growth:g} mm a month (standard error {r.growth_error:g}), monthly survival "
            f"{r.survival:g} ({r.survival_error:g}), {r.accident:.0%} lost on top: {1 - reared:.0%} lost in all. Cost "
            f"{r.cost_month:g} per fish and month, {r.cost_release:g} per fish released.",
            f"Curve now: {self.seasons[0]}; later: {self.seasons[1]}. Intervals hold the errors of curve, growth and "
            "rearing survival; one error of the logit serves all lengths. Beyond the longest fish a curve was made from "
            "it is a guess.",
            *(f"Curve: {s}." for s in self.sources),
        ]

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        names = ("now", "later", "ratio", "money_now", "money_later", "break_even")
        return {
            "seasons": {"now": self.seasons[0], "later": self.seasons[1]},
            "rearing": dict(self.rearing.__dict__),
            "rows": [
                {
                    "water": water,
                    "size_class": size,
                    "fish": n,
                    "limit": limit,
                    "advice": "" if c is None else c.advice,
                    "reason": why,
                    **({} if c is None else {k: getattr(c, k).as_dict() for k in names}),
                }
                for water, size, n, limit, c, why in self.lines
            ],
            "notes": self.notes(),
        }


def grow_report(
    programme: Programme, rearing: Rearing, site: str | None = None, day: dt.date | None = None
) -> GrowReport:
    """Compare releasing each size class of the stock now with growing it on.

    Parameters
    ----------
    programme : Programme
        Open records.
    rearing : Rearing
        Time, growth, losses and costs.
    site : str, optional
        One water; by default one for each kind of water that is open.
    day : date, optional
        Day of release now; default the setting ``release_day``.

    Returns
    -------
    GrowReport

    Raises
    ------
    UsageError
        If there is no stock, or the site is not known.
    """
    stock = programme.stock_here
    if stock.empty:
        raise UsageError("grow: found no fish in stock.csv. Expected at least one. Add the rearing groups.")
    day = day or programme.settings.day("release_day")
    seasons = (season_of(day), season_of(later_day(day, rearing.months)))
    width = int(programme.settings["size_class_mm"])
    lower = (stock["total_length_mm"] // width).astype(int).to_numpy() * width
    lengths = stock["total_length_mm"].to_numpy(dtype=np.float64)
    lines: list[tuple[str, str, int, str, Comparison | None, str]] = []
    sources: dict[str, None] = {}
    for water, row in _waters(programme, site):
        curves = [curve_of(programme, row, s) for s in seasons]
        for low in sorted(set(lower.tolist())):
            here = lengths[lower == low]
            size = f"{low} to {low + width - 1}"
            if curves[0] is None or curves[1] is None:
                missing = seasons[0] if curves[0] is None else seasons[1]
                lines.append((water, size, here.size, "", None, f"no survival curve for {missing}"))
                continue
            sources.update({c.source: None for c in curves if c is not None})
            least = 0.0 if pd.isna(row.min_length_mm) else float(row.min_length_mm)
            limit = f"too short now (least {least:.0f} mm)" if low + width - 1 < least else ""
            made = compare(here, curves[0], curves[1], rearing, float(programme.settings["confidence"]))
            lines.append((water, size, here.size, limit, made, ""))
    return GrowReport(tuple(lines), rearing, seasons, tuple(sources))


def write_grow(report: GrowReport, folder: Path) -> list[Path]:
    """Write the table, whole or not at all."""
    head, lines = report.table()
    path = folder / "release_now_or_grow_on.csv"
    write_text(path, pd.DataFrame(lines, columns=head).to_csv(index=False, lineterminator="\n"))
    return [path]


def later_day(day: dt.date, months: int) -> dt.date:
    """Return the same day some months later, or the last day of that month.

    Examples
    --------
    >>> later_day(dt.date(2024, 11, 30), 3)
    datetime.date(2025, 2, 28)
    """
    month = day.month - 1 + months
    year, month = day.year + month // 12, month % 12 + 1
    first_of_next = dt.date(year + month // 12, month % 12 + 1, 1)
    return dt.date(year, month, min(day.day, (first_of_next - dt.timedelta(days=1)).day))


def _waters(programme: Programme, site: str | None) -> list[tuple[str, Any]]:
    """Return the site asked for, or the first open site of each kind."""
    table = programme.tables["sites"]
    if site is None:
        first: dict[str, Any] = {}
        for row in rows(table):
            if pd.isna(row.open_for_release) or row.open_for_release:
                first.setdefault(row.kind, row)
        return list(first.items())
    for row in rows(table):
        if row.site_id == site:
            return [(row.name, row)]
    near = difflib.get_close_matches(site, table["site_id"], 1)
    hint = f" Did you mean {near[0]!r}?" if near else ""
    raise UsageError(f"--site: found {site!r}. Expected one of {', '.join(table['site_id'])}.{hint}")
