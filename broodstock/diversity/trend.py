"""Trend of a diversity statistic over year classes, and how small a trend could have been seen."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from broodstock.arrays import FloatArray
from broodstock.diversity.comparable import Comparability, ComparableRun, MarkerBreak, comparable_groups
from broodstock.diversity.group_statistics import STATISTICS, group_statistics
from broodstock.diversity.groups import Label, split_by_group
from broodstock.diversity.resampling import Over, check_resampling, resampling_words
from broodstock.diversity.table import group_estimate
from broodstock.errors import ShapeError, UsageError, ValueRangeError
from broodstock.estimates import Estimate
from broodstock.genotypes.genotype_set import GenotypeSet


@dataclass(frozen=True, slots=True)
class TrendFit:
    """A straight line through a statistic of several years.

    Parameters
    ----------
    slope : Estimate
        Change per year.
    intercept : float or None
        Height of the line in the first year; None when there is no line.
    p_value : float or None
        Two-sided P of no trend.
    smallest_detectable : float or None
        Slope, up or down, that such data would show as different from 0 with the power asked for.
    power : float
        That power.
    excess : float or None
        Variation around the line over what sampling explains; above 1, years differ for other reasons
        too, and the interval was widened for them.
    """

    slope: Estimate
    intercept: float | None
    p_value: float | None
    smallest_detectable: float | None
    power: float
    excess: float | None

    def power_text(self) -> str:
        """Return the power statement as a sentence."""
        if self.smallest_detectable is None:
            return "The power of the test for a trend cannot be stated."
        return (
            f"A trend of {self.smallest_detectable:.2g} a year, up or down, would be found with a chance of "
            f"{100 * self.power:.0f} %; a smaller one may be missed."
        )


_LINE = "slope of a line through year classes, weighted by 1 / sampling variance"


def weighted_trend(
    years: np.ndarray,
    values: np.ndarray,
    variances: np.ndarray,
    *,
    level: float = 0.95,
    power: float = 0.8,
    words: str = _LINE,
) -> TrendFit:
    """Fit a line through values of known sampling variance.

    Parameters
    ----------
    years : array_like, shape (n_years,)
        Years; not all equal.
    values : array_like, float64, shape (n_years,)
        The statistic.
    variances : array_like, float64, shape (n_years,)
        Sampling variance of each value, 0 or more. A variance of 0 (nothing varies in a sample) is taken as
        the smallest that is above 0.
    level : float
        Coverage of the interval; 1 - level is the size of the test.
    power : float
        Power at which the smallest detectable slope is stated.
    words : str
        Method text of the slope.

    Returns
    -------
    TrendFit
        Not estimable below three years or when no variance is above 0.

    Raises
    ------
    ShapeError
        If the three differ in length.
    UsageError
        If `level` or `power` is not between 0 and 1.
    ValueRangeError
        If a number is not finite, or a variance is negative.

    Notes
    -----
    The variance of the slope is multiplied by the weighted residual mean square where that is above 1, and
    Student's t then replaces the normal limits: year classes differ by drift, not by sampling alone.
    The smallest detectable slope is (z of the test + z of the power) standard errors.

    References
    ----------
    .. [1] Draper & Smith (1998), Applied Regression Analysis, chapter 9 (weighted least squares).
    .. [2] Birge (1932), Physical Review 40:207-227 (widening by the residual mean square).
    """
    from scipy.special import ndtri, stdtr, stdtrit

    x, y, v = _checked_points(years, values, variances)
    for name, share in (("level", level), ("power", power)):
        if not 0 < share < 1:
            raise UsageError(
                f"trend: found {name} {share}. Expected a share between 0 and 1. Give a share, not a percentage."
            )
    reason = _why_no_line(x, v)
    if reason:
        none = Estimate.not_estimable(reason, words, len(x), "year classes")
        return TrendFit(none, None, None, None, power, None)
    floored = np.maximum(v, v[v > 0].min())
    w = 1.0 / floored
    x_mean = (w * x).sum() / w.sum()
    y_mean = (w * y).sum() / w.sum()
    sxx = (w * (x - x_mean) ** 2).sum()
    slope = float((w * (x - x_mean) * (y - y_mean)).sum() / sxx)
    residual = y - y_mean - slope * (x - x_mean)
    df = len(x) - 2
    excess = float((w * residual**2).sum() / df)
    se = float(np.sqrt(max(excess, 1.0) / sxx))
    tail = (1.0 + level) / 2.0
    wide = excess > 1.0
    factor = float(stdtrit(df, tail) if wide else ndtri(tail))
    score = abs(slope) / se
    p_value = 2.0 * float(stdtr(df, -score) if wide else _normal_tail(score))
    notes = []
    if wide:
        notes.append(f"Years vary {excess:.1f} times as much as sampling explains; interval widened.")
    if (v == 0).any():
        notes.append("A year without sampling variance was given the smallest of the others.")
    estimate = Estimate(
        slope,
        slope - factor * se,
        slope + factor * se,
        f"{words}; {'t' if wide else 'normal'} interval",
        len(x),
        "year classes",
        level,
        " ".join(notes),
    )
    detectable = (factor + float(ndtri(power))) * se
    first = float(y_mean + slope * (x.min() - x_mean))
    return TrendFit(estimate, first, p_value, detectable, power, excess)


def _normal_tail(score: float) -> float:
    from scipy.special import ndtr

    return float(ndtr(-score))


def _checked_points(
    years: np.ndarray, values: np.ndarray, variances: np.ndarray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    x, y, v = (np.asarray(a, dtype=np.float64) for a in (years, values, variances))
    if not x.shape == y.shape == v.shape or x.ndim != 1:
        raise ShapeError(
            f"trend: found {x.size} years, {y.size} values and {v.size} variances. Expected three vectors of one "
            "length. Give one of each per year class."
        )
    if not (np.isfinite(x).all() and np.isfinite(y).all() and np.isfinite(v).all()) or (v < 0).any():
        raise ValueRangeError(
            "trend: found a number that is not finite, or a negative variance. Expected finite numbers. "
            "Leave out years whose statistic is not estimable or infinite."
        )
    return x, y, v


def _why_no_line(x: FloatArray, v: FloatArray) -> str:
    n_years = len(np.unique(x))
    if n_years < 3:
        return f"a trend needs three year classes or more, and there are {n_years}"
    if not (v > 0).any():
        return "no year class has any sampling variance"
    return ""


def trend_of_estimates(
    years: Sequence[int], estimates: Sequence[Estimate], *, level: float = 0.95, power: float = 0.8
) -> TrendFit:
    """Fit a line through any statistic that comes as estimates with intervals.

    Parameters
    ----------
    years : sequence of int
        Year of each estimate.
    estimates : sequence of Estimate
        The statistic of each year; those without a value or a finite interval are left out.
    level, power : float
        As in `weighted_trend`.

    Returns
    -------
    TrendFit
        The slope's note counts the years left out.

    Raises
    ------
    ShapeError
        If the two differ in length.
    UsageError
        If `level` or `power` is not between 0 and 1.

    Notes
    -----
    The standard error of each value is taken as half the width of its interval over the normal quantile.
    Lopsided intervals (effective size) are better followed on the scale of 1 / value.
    """
    from scipy.special import ndtri

    if len(years) != len(estimates):
        raise ShapeError(
            f"trend: found {len(years)} years and {len(estimates)} estimates. Expected one estimate per year. "
            "Give an estimate that says why where there is none."
        )
    x, y, v = [], [], []
    for year, e in zip(years, estimates, strict=True):
        if e.value is None or e.low is None or e.high is None:
            continue
        if not np.isfinite([e.value, e.low, e.high]).all():
            continue
        x.append(float(year))
        y.append(e.value)
        v.append(((e.high - e.low) / 2.0 / float(ndtri((1.0 + e.level) / 2.0))) ** 2)
    fit = weighted_trend(np.array(x), np.array(y), np.array(v), level=level, power=power)
    lost = len(years) - len(x)
    if not lost:
        return fit
    s = fit.slope
    note = f"{s.note} {lost} years without a value or a finite interval left out.".strip()
    slope = Estimate(
        s.value, s.low, s.high, s.method, s.n_used, s.unit_used, s.level, note=note, reason=s.reason
    )
    return TrendFit(slope, fit.intercept, fit.p_value, fit.smallest_detectable, fit.power, fit.excess)


@dataclass(frozen=True, slots=True)
class TrendPoint:
    """A statistic of one year class.

    Parameters
    ----------
    year : int
        Year class.
    n_fish : int
        Fish typed.
    n_loci : int
        Loci behind the value.
    run : int or None
        Number of the comparable run it belongs to; None when it belongs to none.
    estimate : Estimate
        The statistic, at the loci of its run.
    """

    year: int
    n_fish: int
    n_loci: int
    run: int | None
    estimate: Estimate


@dataclass(frozen=True, slots=True)
class Trend:
    """A statistic over year classes; lines only within runs of comparable loci.

    Parameters
    ----------
    statistic : str
        Name in ``group_statistics.STATISTICS``.
    points : tuple of TrendPoint
        By year.
    fits : tuple of TrendFit
        One per run.
    runs : tuple of ComparableRun
        Years and loci of each run.
    breaks : tuple of MarkerBreak
        Where the loci changed: values on either side must not be compared.
    """

    statistic: str
    points: tuple[TrendPoint, ...]
    fits: tuple[TrendFit, ...]
    runs: tuple[ComparableRun, ...]
    breaks: tuple[MarkerBreak, ...]


def trend_by_year_class(
    genotypes: GenotypeSet,
    years: Sequence[int | None],
    statistic: str = "expected_heterozygosity",
    *,
    marker_sets: Mapping[Label, str] | None = None,
    calibrated: bool = False,
    least_loci: int = 10,
    g: int | None = None,
    over: Over = "fish",
    n_replicates: int = 1000,
    level: float = 0.95,
    power: float = 0.8,
    seed: int | np.random.Generator = 1,
) -> Trend:
    """Follow a diversity statistic over year classes.

    Parameters
    ----------
    genotypes : GenotypeSet
        Calls; only neutral loci are used.
    years : sequence of int or None
        Year class of each sample; None leaves a sample out.
    statistic : str
        One of ``group_statistics.STATISTICS``; not ``number_of_alleles``, which grows with the sample.
    marker_sets, calibrated, least_loci
        As in `broodstock.diversity.comparable.comparable_groups`.
    g : int, optional
        Gene copies of rarefied statistics; default the largest common size of each run.
    over : {'fish', 'loci', 'both'}
        What is resampled for the variance of each year. Fish for a trend at these loci.
    n_replicates : int
        Bootstrap replicates, 20 or more.
    level, power : float
        As in `weighted_trend`.
    seed : int or numpy.random.Generator
        Source of random numbers.

    Returns
    -------
    Trend

    Raises
    ------
    ShapeError
        If the number of years is not the number of samples.
    UsageError
        If the statistic is unknown or not fit for a trend, or a setting cannot be used.
    """
    check_resampling(over, "recentred", n_replicates, level)
    if statistic not in STATISTICS or statistic == "number_of_alleles":
        fit_for = ", ".join(s for s in STATISTICS if s != "number_of_alleles")
        raise UsageError(
            f"trend: found statistic {statistic!r}. Expected one of {fit_for}. Give one of them."
        )
    order = sorted({y for y in years if y is not None})
    found = comparable_groups(
        genotypes,
        years,
        order=order,
        marker_sets=marker_sets,
        calibrated=calibrated,
        least_loci=least_loci,
    )
    rngs = np.random.default_rng(seed).spawn(max(len(found.runs), 1))
    points = _unplaced(genotypes, years, found)
    fits = []
    for number, (run, rng) in enumerate(zip(found.runs, rngs, strict=False)):
        own, fit = _run_trend(
            genotypes, years, run, number, statistic, g, over, n_replicates, level, power, rng
        )
        points += own
        fits.append(fit)
    points.sort(key=lambda p: p.year)
    return Trend(statistic, tuple(points), tuple(fits), found.runs, found.breaks)


def _unplaced(genotypes: GenotypeSet, years: Sequence[int | None], found: Comparability) -> list[TrendPoint]:
    points = []
    for label, reason in found.left_out:
        n = sum(1 for i, y in enumerate(years) if y == label and genotypes.typed[:, i].any())
        points.append(TrendPoint(int(label), n, 0, None, Estimate.not_estimable(reason, n_used=n)))
    return points


def _run_trend(
    genotypes: GenotypeSet,
    years: Sequence[int | None],
    run: ComparableRun,
    number: int,
    statistic: str,
    g: int | None,
    over: Over,
    n_replicates: int,
    level: float,
    power: float,
    rng: np.random.Generator,
) -> tuple[list[TrendPoint], TrendFit]:
    parts = split_by_group(genotypes.take(loci=run.loci), years, order=run.groups)
    stats = group_statistics(parts, n_replicates, over, rng, g)
    how = resampling_words(over, "recentred", n_replicates)
    points, x, y, v = [], [], [], []
    for j, part in enumerate(parts):
        e = group_estimate(stats, part, j, statistic, how, over, "recentred", level)
        n_loci = int(stats.loci_used[statistic][j])
        points.append(TrendPoint(int(part.label), part.n_typed_fish, n_loci, number, e))
        replicates = stats.replicates[statistic][:, j]
        usable = replicates[~np.isnan(replicates)]
        if e.value is None or usable.size < 2:
            continue
        n_units = part.n_typed_fish if over != "loci" else n_loci
        x.append(float(part.label))
        y.append(e.value)
        v.append(float(usable.var(ddof=1)) * n_units / max(n_units - 1, 1))
    words = f"{_LINE} ({how})"
    fit = weighted_trend(np.array(x), np.array(y), np.array(v), level=level, power=power, words=words)
    return points, fit
