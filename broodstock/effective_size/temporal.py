"""Effective size from the change of allele frequencies between two samples of one population."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal, TypeAlias

import numpy as np

from broodstock.arrays import BigIntArray, BoolArray, CallArray, FloatArray
from broodstock.effective_size.allele_counts import paired_counts
from broodstock.effective_size.chi_square_interval import chi_square_interval
from broodstock.errors import ShapeError, UsageError, ValueRangeError
from broodstock.estimates import Estimate
from broodstock.genotypes.genotype_set import GenotypeSet

Plan: TypeAlias = Literal["returned", "removed"]
Measure: TypeAlias = Literal["Fc", "Fk", "Fs"]
MEASURES: tuple[Measure, ...] = ("Fc", "Fk", "Fs")
_SOURCE = {
    "Fc": "Nei & Tajima (1981)",
    "Fk": "Pollak (1983)",
    "Fs": "Jorde & Ryman (2007)",
}


@dataclass(frozen=True, slots=True)
class TemporalNe:
    """Temporal estimate with one measure of change.

    Parameters
    ----------
    measure : {'Fc', 'Fk', 'Fs'}
        Standardised variance of allele frequency: Nei & Tajima, Pollak, Jorde & Ryman.
    over_loci : Estimate
        Effective size with the interval from leaving out each locus (the one to report).
    parametric : Estimate
        The same value with the chi-square interval over independent alleles.
    change : float or None
        The measure itself.
    drift : float or None
        What is left of it after the two samples' own error.
    effective_df : float or None
        Degrees of freedom that the jackknife leaves.
    n_independent : int
        Independent alleles, the sum of alleles less one over loci.
    """

    measure: Measure
    over_loci: Estimate
    parametric: Estimate
    change: float | None = None
    drift: float | None = None
    effective_df: float | None = None
    n_independent: int = 0


@dataclass(frozen=True)
class _Loci:
    """Per polymorphic locus: terms of each measure, sample sizes, independent alleles."""

    top: dict[Measure, FloatArray]
    bottom: dict[Measure, FloatArray]
    n_first: FloatArray
    n_second: FloatArray
    independent: FloatArray


def temporal_ne(
    first: GenotypeSet | CallArray,
    second: GenotypeSet | CallArray,
    generations: float,
    *,
    plan: Plan = "removed",
    census: int | None = None,
    screen: float = 0.0,
    group: str = "",
    level: float = 0.95,
) -> tuple[TemporalNe, ...]:
    """Estimate effective size from two samples some generations apart, with three measures of change.

    Parameters
    ----------
    first, second : GenotypeSet or ndarray of int, shape (n_loci, n_fish, 2)
        Earlier and later sample (see `paired_counts` for how loci and alleles are matched).
    generations : float
        Generations between the samples, above 0: years divided by the generation length.
    plan : {'removed', 'returned'}
        ``removed`` (plan II): sampled before reproduction and not among the parents, or young sampled
        from a large brood. ``returned`` (plan I): sampled after reproduction or put back, so the sampled
        fish may be parents.
    census : int, optional
        Fish in the population when the first sample was taken; needed for ``returned``.
    screen : float
        Alleles rarer than this over both samples are pooled out (left out), 0 to below 0.5.
    group : str
        The population in the user's words.
    level : float
        Coverage the intervals aim at.

    Returns
    -------
    tuple of TemporalNe
        For Fc, Fk and Fs in this order. An effective size is infinite when the samples differ no more than
        sampling alone explains.

    Raises
    ------
    UsageError
        If `plan` is another word, ``returned`` comes without a census, the samples cannot be matched, or
        `screen` or `level` is out of range.
    ShapeError
        If two arrays differ in their number of loci.
    ValueRangeError
        If `generations` is not positive, or the census is below the first sample.

    Notes
    -----
    ``Ne = t / (2 F')``, F' being the measure less ``1/(2 S0) + 1/(2 St)`` (and plus ``1/N`` for
    ``returned``), S the harmonic mean over loci of the fish typed; for Fs the unbiased form of Jorde &
    Ryman. Fc and Fk are averaged over loci by their independent alleles and overestimate Ne when alleles
    are rare or generations many; Fs doesn't.

    References
    ----------
    .. [1] Nei & Tajima (1981), Genetics 98:625-640; Pollak (1983), Genetics 104:531-548; Waples (1989),
       Genetics 121:379-391; Jorde & Ryman (2007), Genetics 177:927-935 (all from memory).

    Examples
    --------
    The same sample twice has not drifted at all: no upper bound.

    >>> calls = np.tile(np.array([[0, 0], [0, 1], [1, 1], [0, 1]]), (20, 5, 1))
    >>> [t.over_loci.value for t in temporal_ne(calls, calls, generations=1.0)]
    [inf, inf, inf]
    """
    counts = paired_counts(first, second)
    _check_settings(generations, plan, census, screen, level, counts.n_fish[0])
    method = f"temporal change, {'fish removed' if plan == 'removed' else 'fish returned'}"
    loci = _locus_terms(counts.first, counts.second, screen)
    if len(loci.independent) == 0:
        reason = "no locus is polymorphic and typed in both samples"
        return tuple(_none(m, reason, method) for m in MEASURES)
    return tuple(_estimate(m, loci, generations, plan, census, group, level, method) for m in MEASURES)


def temporal_f(first: FloatArray, second: FloatArray) -> dict[Measure, float]:
    """Measure the change of allele frequencies at one locus.

    Parameters
    ----------
    first, second : ndarray, float64, shape (n_alleles,)
        Frequencies, each adding to 1.

    Returns
    -------
    dict
        ``Fc``: mean of ``(x - y)**2 / ((x + y)/2 - x y)``; ``Fk``: sum of ``(x - y)**2 / ((x + y)/2)``
        over alleles less one; ``Fs``: sum of ``(x - y)**2`` over the sum of ``z (1 - z)``, z the mean.

    Raises
    ------
    ShapeError
        If the two differ in shape.
    ValueRangeError
        If the locus has fewer than two alleles over both samples.

    References
    ----------
    .. [1] Nei & Tajima (1981); Pollak (1983); Jorde & Ryman (2007): see `temporal_ne`.

    Examples
    --------
    >>> f = temporal_f(np.array([0.6, 0.3, 0.1]), np.array([0.45, 0.35, 0.2]))
    >>> {k: round(v, 6) for k, v in f.items()}
    {'Fc': 0.058841, 'Fk': 0.058608, 'Fs': 0.0587}
    """
    x, y = np.asarray(first, dtype=np.float64), np.asarray(second, dtype=np.float64)
    if x.ndim != 1 or x.shape != y.shape:
        raise ShapeError(
            f"allele frequencies: found shapes {x.shape} and {y.shape}. Expected the same alleles."
        )
    present = (x + y) > 0
    if present.sum() < 2:
        raise ValueRangeError(
            "allele frequencies: found fewer than two alleles. Expected a polymorphic locus."
        )
    top, bottom = _terms(x[None], y[None], present[None])
    return {m: float(top[m][0] / bottom[m][0]) for m in MEASURES}


def _check_settings(
    generations: float, plan: Plan, census: int | None, screen: float, level: float, n_first: int
) -> None:
    if plan not in ("removed", "returned"):
        raise UsageError(f"sampling plan: found {plan!r}. Expected 'removed' or 'returned'.")
    if plan == "returned" and census is None:
        raise UsageError(
            "sampling plan 'returned': found no census. Expected the number of fish in the population when "
            "the first sample was taken."
        )
    if not 0 <= screen < 0.5 or not 0 < level < 1:
        raise UsageError(
            f"temporal change: found screen {screen} and level {level}. Expected a screen from 0 to below "
            "0.5 and a level between 0 and 1."
        )
    if not generations > 0:
        raise ValueRangeError(
            f"generations between samples: found {generations}. Expected a number above 0 (years divided by "
            "the generation length)."
        )
    if census is not None and census < n_first:
        raise ValueRangeError(
            f"census: found {census}. Expected at least the {n_first} fish of the first sample."
        )


def _locus_terms(first: BigIntArray, second: BigIntArray, screen: float) -> _Loci:
    """Compute each polymorphic locus's part of every measure."""
    genes = [first.sum(axis=1), second.sum(axis=1)]
    typed = (genes[0] > 0) & (genes[1] > 0)
    first, second = first[typed], second[typed]
    n_first, n_second = genes[0][typed] / 2, genes[1][typed] / 2
    x, y = first / (2 * n_first[:, None]), second / (2 * n_second[:, None])
    present = (x + y) > 0
    kept = present & ((x + y) / 2 >= screen)
    n_kept, n_present = kept.sum(axis=1), present.sum(axis=1)
    independent = np.where(n_kept == n_present, n_kept - 1, n_kept)
    good = (n_present >= 2) & (independent >= 1)
    top, bottom = _terms(x[good], y[good], kept[good])
    # Pollak's measure is per independent allele; so is the weight of a locus in the means.
    share = independent[good].astype(np.float64)
    all_kept = (n_kept == n_present)[good]
    top["Fk"] = np.where(all_kept, top["Fk"], top["Fk"] * (n_kept[good] - 1) / share)
    for measure in ("Fc", "Fk"):
        top[measure] = share * top[measure] / bottom[measure]
        bottom[measure] = share
    return _Loci(top, bottom, n_first[good], n_second[good], share)


def _terms(
    x: FloatArray, y: FloatArray, kept: BoolArray
) -> tuple[dict[Measure, FloatArray], dict[Measure, FloatArray]]:
    """Numerators and denominators per locus; arrays of shape (n_loci, n_alleles) to (n_loci,)."""
    squared = np.where(kept, (x - y) ** 2, 0.0)
    mean = (x + y) / 2
    between = np.where(kept, mean - x * y, 1.0)
    fc = np.where(kept & (between > 0), squared / np.where(between > 0, between, 1.0), 0.0).sum(axis=1)
    fk = (squared / np.where(kept, mean, 1.0)).sum(axis=1)
    within = np.where(kept, mean * (1 - mean), 0.0).sum(axis=1)
    n = kept.sum(axis=1)
    ones = np.ones(len(n))
    return (
        {"Fc": fc / np.maximum(n, 1), "Fk": fk / np.maximum(n - 1, 1), "Fs": squared.sum(axis=1)},
        {"Fc": ones, "Fk": ones.copy(), "Fs": within},
    )


def _drift(
    measure: Measure, change: float, n_first: float, n_second: float, plan: Plan, census: int | None
) -> float:
    """Take the samples' own error out of a measure of change."""
    back = 1 / census if plan == "returned" and census is not None else 0.0
    if measure != "Fs":
        return change - 1 / (2 * n_first) - 1 / (2 * n_second) + back
    inverse = (1 / n_first + 1 / n_second) / 2
    top = change * (1 - inverse / 4) - inverse + back
    return top / ((1 + change / 4) * (1 - 1 / (2 * n_second)))


def _estimate(
    measure: Measure,
    loci: _Loci,
    generations: float,
    plan: Plan,
    census: int | None,
    group: str,
    level: float,
    method: str,
) -> TemporalNe:
    top, bottom = loci.top[measure], loci.bottom[measure]
    weight = loci.independent
    change = float(top.sum() / bottom.sum())
    n_first = float(weight.sum() / (weight / loci.n_first).sum())
    n_second = float(weight.sum() / (weight / loci.n_second).sum())

    def ne(f: float) -> float:
        drift = _drift(measure, f, n_first, n_second, plan, census)
        return generations / (2 * drift) if drift > 0 else math.inf

    value = ne(change)
    note = (
        f"Ne per generation of {group or 'the population'}, as harmonic mean over the {generations:g} "
        "generation(s) between the two samples."
    )
    if math.isinf(value):
        note += " The samples differ no more than sampling alone explains, so the number is infinite."
    method = f"{method}, {measure} of {_SOURCE[measure]}"
    base = Estimate(value, method=method, n_used=len(weight), unit_used="loci", level=level, note=note)

    def with_interval(degrees: float | None, how: str) -> Estimate:
        if degrees is None or change <= 0:
            return replace(base, method=f"{method}; no interval: it needs two loci that differ")
        low, high = chi_square_interval(change, degrees, level)
        return replace(base, low=ne(high), high=ne(low), method=f"{method}; {how}")

    degrees = _effective_df(top, bottom, change)
    if degrees is not None and math.isfinite(value) and degrees > value * generations:
        note += (
            " With so many loci the interval is about the drift that happened between the samples; it "
            "doesn't cover the luck of which parents had many young."
        )
        base = replace(base, note=note)
    return TemporalNe(
        measure,
        with_interval(degrees, "interval by jackknife over loci"),
        with_interval(float(weight.sum()), "parametric chi-square interval"),
        change,
        _drift(measure, change, n_first, n_second, plan, census),
        degrees,
        int(weight.sum()),
    )


def _effective_df(top: FloatArray, bottom: FloatArray, change: float) -> float | None:
    """Degrees of freedom whose chi-square scatter equals the jackknife variance over loci."""
    n = len(top)
    if n < 2 or change <= 0:
        return None
    without = (top.sum() - top) / (bottom.sum() - bottom)
    variance = (n - 1) / n * float(((without - without.mean()) ** 2).sum())
    return 2 * change**2 / variance if variance > 0 else None


def _none(measure: Measure, reason: str, method: str) -> TemporalNe:
    none = Estimate.not_estimable(reason, method, 0, "loci")
    return TemporalNe(measure, none, none)
