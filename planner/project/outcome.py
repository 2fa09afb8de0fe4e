"""From replicates to what is shown: quantiles, chances with Monte Carlo intervals, effective sizes, differences."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from broodstock.arrays import FloatArray
from broodstock.effective_size.supplementation import SupplementationEffect, supplementation_effect
from broodstock.errors import ValueRangeError
from broodstock.estimates import Estimate

QUANTILES = (0.05, 0.25, 0.5, 0.75, 0.95)
SPAN = "5 % to 95 % of replicates"


@dataclass(frozen=True)
class Replicates:
    """All replicates of one strategy.

    Parameters
    ----------
    strategy : str
        Name.
    names : tuple of str
        Measures.
    values : ndarray, float64, shape (n_replicates, years + 1, n_measures)
        NaN where a measure is not defined.
    """

    strategy: str
    names: tuple[str, ...]
    values: FloatArray

    def of(self, name: str) -> FloatArray:
        """Return one measure, shape (n_replicates, years + 1)."""
        out: FloatArray = self.values[:, :, self.names.index(name)]
        return out

    @property
    def years(self) -> int:
        """Years run."""
        return self.values.shape[1] - 1


@dataclass(frozen=True)
class Course:
    """One measure over the years.

    Parameters
    ----------
    mean, defined : ndarray, float64 and int64, shape (years + 1,)
        Mean over the replicates where the measure is defined, and their number; NaN where there are none.
    quantiles : ndarray, float64, shape (len(QUANTILES), years + 1)
        Quantiles over the same replicates.
    standard_error : ndarray, float64, shape (years + 1,)
        Monte Carlo standard error of the mean; NaN with fewer than two replicates.
    """

    mean: FloatArray
    quantiles: FloatArray
    standard_error: FloatArray
    defined: np.ndarray


def course(replicates: Replicates, name: str) -> Course:
    """Return mean and quantiles of one measure by year."""
    x = replicates.of(name)
    there = ~np.isnan(x)
    n = there.sum(axis=0)
    mean, error = np.full(x.shape[1], np.nan), np.full(x.shape[1], np.nan)
    quantiles = np.full((len(QUANTILES), x.shape[1]), np.nan)
    for year in np.flatnonzero(n):
        column = x[there[:, year], year]
        mean[year] = column.mean()
        quantiles[:, year] = np.quantile(column, QUANTILES)
        if len(column) > 1:
            error[year] = column.std(ddof=1) / math.sqrt(len(column))
    return Course(mean, quantiles, error, n)


def chance_to_keep(replicates: Replicates, share: float, confidence: float = 0.95) -> Estimate:
    """Chance that at least a share of the gene diversity at the start is there in the last year.

    Parameters
    ----------
    replicates : Replicates
    share : float
        Share to keep, above 0 and at most 1.
    confidence : float
        Coverage of the interval.

    Returns
    -------
    Estimate
        Share of replicates, with the exact binomial interval of the Monte Carlo error. It does not hold the
        uncertainty of what was assumed.

    Raises
    ------
    ValueRangeError
        If the share is out of range.

    References
    ----------
    .. [1] Clopper & Pearson (1934), Biometrika 26:404-413.
    """
    from scipy.stats import beta

    if not 0 < share <= 1:
        raise ValueRangeError(f"share to keep: found {share}. Expected above 0 and at most 1.")
    method = "share of replicates, exact binomial interval of the Monte Carlo error"
    diversity = replicates.of("gene_diversity")
    n = len(diversity)
    if (diversity[:, 0] <= 0).any():
        return Estimate.not_estimable("there is no gene diversity at the start", method, n, "replicates")
    kept = int((diversity[:, -1] >= share * diversity[:, 0] - 1e-12).sum())
    tail = (1 - confidence) / 2
    low = float(beta.ppf(tail, kept, n - kept + 1)) if kept else 0.0
    high = float(beta.ppf(1 - tail, kept + 1, n - kept)) if kept < n else 1.0
    return Estimate(
        kept / n,
        low,
        high,
        method,
        n,
        "replicates",
        confidence,
        f"at least {share:.0%} of it kept in {replicates.years} years",
    )


def generation_length(replicates: Replicates) -> float | None:
    """Return the mean age of parents at the birth of young that reach age 1; None when nothing was born."""
    ages, young = replicates.of("parent_age"), replicates.of("young")
    known = ~np.isnan(ages)
    return float(np.average(ages[known], weights=young[known])) if known.any() else None


def ne_of_rate(replicates: Replicates, measure: str) -> Estimate:
    """Effective size per generation from the rate at which kinship or inbreeding rose over the years.

    Parameters
    ----------
    replicates : Replicates
    measure : {'gene_diversity', 'gene_diversity_waters', 'inbreeding'}
        Gene diversity (kinship) or inbreeding of all living fish.

    Returns
    -------
    Estimate
        ``1 / (2 L d)``, L the generation length and d the yearly rate from start to end of the mean over
        replicates; the interval spans 5 % to 95 % of replicates. Infinite where diversity did not fall.

    References
    ----------
    .. [1] Hill (1979), Genetics 92:317-322 (rate per year 1 / (2 Ne L), from memory).
    """
    what = "inbreeding" if measure == "inbreeding" else "mean kinship"
    method = f"yearly rate of {what} over all years, times twice the generation length; {SPAN}"
    length = generation_length(replicates)
    x = replicates.of(measure)
    kept = 1 - x if measure == "inbreeding" else x
    n = len(kept)
    if length is None:
        return Estimate.not_estimable(
            "no fish were born, so there is no generation length", method, n, "replicates"
        )
    if np.isnan(kept[:, [0, -1]]).any() or (kept[:, 0] <= 0).any() or (kept[:, -1] <= 0).all():
        return Estimate.not_estimable("all fish died in some replicates", method, n, "replicates")

    def size(start: float, end: float) -> float:
        if end <= 0:
            return 0.0
        rate = 1 - (end / start) ** (1 / replicates.years)
        return 1 / (2 * length * rate) if rate > 0 else math.inf

    each = sorted(size(a, b) for a, b in zip(kept[:, 0], kept[:, -1], strict=True))
    low, high = each[int(0.05 * (n - 1))], each[math.ceil(0.95 * (n - 1))]
    value = size(float(kept[:, 0].mean()), float(kept[:, -1].mean()))
    return Estimate(
        value,
        low,
        high,
        method,
        n,
        "replicates",
        0.9,
        f"per generation of {length:.1f} years, over {replicates.years} years",
    )


def breeders(replicates: Replicates, measure: str = "sharing") -> Estimate:
    """Effective number of breeders of a year class from the variance of family sizes, harmonic mean over years.

    Parameters
    ----------
    replicates : Replicates
    measure : {'sharing', 'sharing_station', 'sharing_natural'}
        Which parents.

    Returns
    -------
    Estimate
        Interval over replicates (5 % to 95 %).
    """
    method = f"variance of family sizes (young at age 1), harmonic mean over years; {SPAN}"
    x = replicates.of(measure)
    known = ~np.isnan(x)
    some = known.any(axis=1)
    if not some.any():
        return Estimate.not_estimable("no year class had two young", method, len(x), "replicates")
    rate = np.array([row[k].mean() for row, k in zip(x[some], known[some], strict=True)])
    sizes = sorted(1 / r if r > 0 else math.inf for r in rate)
    total = float(x[known].mean())
    n = len(sizes)
    return Estimate(
        1 / total if total > 0 else math.inf,
        sizes[int(0.05 * (n - 1))],
        sizes[math.ceil(0.95 * (n - 1))],
        method,
        int(some.sum()),
        "replicates",
        0.9,
        "Nb of one year class",
    )


def supplementation(replicates: Replicates) -> SupplementationEffect | None:
    """Return what the station's share of the young in the waters does to the number of breeders (Ryman & Laikre).

    Returns
    -------
    SupplementationEffect or None
        None when no young reached age 1 in the waters.
    """
    share = replicates.of("captive_share")
    if np.isnan(share).all():
        return None
    x = float(np.nanmean(share))
    captive, wild = (breeders(replicates, f"sharing_{k}") for k in ("station", "natural"))
    return supplementation_effect(x, captive, wild)


def difference(first: Replicates, second: Replicates, measure: str, confidence: float = 0.95) -> Estimate:
    """Mean difference of the last year between two strategies, replicate by replicate.

    Parameters
    ----------
    first, second : Replicates
        Run with the same seeds: replicate k of both met the same founder genes and the same years.
    measure : str
    confidence : float

    Returns
    -------
    Estimate
        First minus second, with the Monte Carlo interval of the paired mean (Student's t).

    Raises
    ------
    ValueRangeError
        If the two differ in replicates or years.
    """
    from scipy.stats import t

    a, b = first.of(measure), second.of(measure)
    if a.shape != b.shape:
        raise ValueRangeError(
            f"difference: found {a.shape} and {b.shape} replicates and years. Expected the same."
        )
    method = "mean of paired differences, Student's t interval of the Monte Carlo error"
    d = (a - b)[:, -1]
    d = d[~np.isnan(d)]
    if len(d) < 2:
        return Estimate.not_estimable(
            "fewer than two replicates can be compared", method, len(d), "replicates"
        )
    half = float(t.ppf((1 + confidence) / 2, len(d) - 1)) * float(d.std(ddof=1)) / math.sqrt(len(d))
    mean = float(d.mean())
    return Estimate(mean, mean - half, mean + half, method, len(d), "replicates", confidence)


def total_cost(replicates: Replicates) -> FloatArray:
    """Return the cost over all years of each replicate, shape (n_replicates,)."""
    return np.nansum(replicates.of("cost"), axis=1)


def joined(tables: Sequence[FloatArray], strategy: str, names: tuple[str, ...]) -> Replicates:
    """Join the tables of replicates, in their order."""
    return Replicates(strategy, names, np.stack(list(tables)))
