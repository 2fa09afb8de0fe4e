"""How different groups are: measures over all groups and pair by pair, with intervals and P values."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from broodstock.arrays import FloatArray
from broodstock.diversity.f_statistics import MEASURES, GroupedCounts, Measure
from broodstock.diversity.groups import GroupCalls, Label, split_by_group
from broodstock.diversity.resampling import (
    IntervalKind,
    check_resampling,
    draw_weights,
    interval_limits,
    resampling_words,
)
from broodstock.errors import UsageError
from broodstock.estimates import Estimate
from broodstock.genotypes.genotype_set import GenotypeSet

_CHUNK = 500_000


@dataclass(frozen=True, slots=True)
class Differentiation:
    """One measure between groups.

    Parameters
    ----------
    groups : tuple of str or int
        Groups compared.
    measure : str
        Name in `MEASURES`.
    estimate : Estimate
        Value with its interval over loci.
    p_value : float or None
        Share of permutations of fish among these groups that reach the value or exceed it, the observed
        arrangement counted as one; None when not asked for or not possible.
    p_adjusted : float or None
        P value after control of the false discovery rate over all pairs compared; None for a single
        comparison.
    n_permutations : int
        Permutations made.
    """

    groups: tuple[Label, ...]
    measure: str
    estimate: Estimate
    p_value: float | None = None
    p_adjusted: float | None = None
    n_permutations: int = 0


def grouped_counts(parts: Sequence[GroupCalls]) -> GroupedCounts:
    """Count alleles, heterozygotes of each allele and typed fish by group.

    Parameters
    ----------
    parts : sequence of GroupCalls
        One group or more over the same loci.

    Returns
    -------
    GroupedCounts
        Whole numbers in float32.
    """
    counts, het, typed = zip(
        *(
            (p.dosage.sum(axis=0), (p.dosage == 1).sum(axis=0, dtype=np.float32), p.typed.sum(axis=0))
            for p in parts
        ),
        strict=True,
    )
    shape = (len(parts), parts[0].n_loci, parts[0].max_alleles)
    return GroupedCounts(
        np.stack(counts).reshape(shape).transpose(1, 0, 2),
        np.stack(het).reshape(shape).transpose(1, 0, 2),
        np.stack(typed).T,
    )


def differentiation(
    genotypes: GenotypeSet,
    groups: Sequence[Label | None],
    measures: Sequence[str] = ("theta", "F", "f", "gst", "jost_d", "gst_hedrick", "gst_meirmans"),
    *,
    order: Sequence[Label] | None = None,
    interval: IntervalKind = "percentile",
    n_replicates: int = 1000,
    n_permutations: int = 0,
    level: float = 0.95,
    seed: int | np.random.Generator = 1,
) -> dict[str, Differentiation]:
    """Measure the differentiation of all groups together.

    Parameters
    ----------
    genotypes : GenotypeSet
        Calls of diploid fish; only neutral loci are used.
    groups : sequence of str, int or None
        Group of each sample; None leaves a sample out.
    measures : sequence of str
        Names in `broodstock.diversity.f_statistics.MEASURES` that are not for pairs only.
    order : sequence of str or int, optional
        Groups to compare; default all.
    interval : {'percentile', 'recentred', 'bca'}
        How limits are read from replicates over loci.
    n_replicates : int
        Bootstrap replicates over loci, 20 or more.
    n_permutations : int
        Permutations of whole fish among groups for the P value; 0 for none.
    level : float
        Coverage aimed at.
    seed : int or numpy.random.Generator
        Source of random numbers.

    Returns
    -------
    dict of str to Differentiation
        By measure, in the order asked for.

    Raises
    ------
    ShapeError
        If the number of labels is not the number of samples.
    UsageError
        If a measure is unknown or for pairs only, or a setting cannot be used.

    Notes
    -----
    A group untyped at a locus is left out at that locus only. Fish are permuted with all their loci, so
    the P value holds when loci are linked and when groups are not in Hardy-Weinberg proportions.
    """
    _check(measures, interval, n_replicates, n_permutations, level, pairs=False)
    parts = split_by_group(genotypes, groups, order)
    locus_rng, fish_rng = np.random.default_rng(seed).spawn(2)
    compared = _Comparison.draw(parts, interval, n_replicates, n_permutations, level, locus_rng)
    return compared.measure(parts, measures, fish_rng)


def pairwise_differentiation(
    genotypes: GenotypeSet,
    groups: Sequence[Label | None],
    measure: str = "theta",
    *,
    order: Sequence[Label] | None = None,
    interval: IntervalKind = "percentile",
    n_replicates: int = 1000,
    n_permutations: int = 999,
    level: float = 0.95,
    seed: int | np.random.Generator = 1,
) -> list[Differentiation]:
    """Measure the differentiation of every pair of groups.

    Parameters
    ----------
    genotypes, groups, order, interval, n_replicates, n_permutations, level, seed
        As in `differentiation`.
    measure : str
        Any name in `broodstock.diversity.f_statistics.MEASURES`.

    Returns
    -------
    list of Differentiation
        Pairs in the order (1, 2), (1, 3), ..., (2, 3), ...

    Raises
    ------
    ShapeError
        If the number of labels is not the number of samples.
    UsageError
        If the measure is unknown or a setting cannot be used.

    References
    ----------
    .. [1] Benjamini & Hochberg (1995), Journal of the Royal Statistical Society B 57:289-300 (adjusted P).
    """
    _check([measure], interval, n_replicates, n_permutations, level, pairs=True)
    parts = split_by_group(genotypes, groups, order)
    locus_rng, fish_rng = np.random.default_rng(seed).spawn(2)
    compared = _Comparison.draw(parts, interval, n_replicates, n_permutations, level, locus_rng)
    found = [
        compared.measure([parts[i], parts[j]], [measure], fish_rng.spawn(1)[0])[measure]
        for i, j in combinations(range(len(parts)), 2)
    ]
    return _adjusted(found)


def pairwise_matrix(pairs: Sequence[Differentiation], order: Sequence[Label]) -> list[list[Estimate | None]]:
    """Arrange pairs as a symmetric matrix of estimates.

    Parameters
    ----------
    pairs : sequence of Differentiation
        From `pairwise_differentiation`.
    order : sequence of str or int
        Groups of rows and columns.

    Returns
    -------
    list of list of Estimate or None
        None on the diagonal and for a pair that was not compared.
    """
    by_pair = {frozenset(p.groups): p.estimate for p in pairs}
    return [[by_pair.get(frozenset((a, b))) if a != b else None for b in order] for a in order]


def _check(
    measures: Sequence[str],
    interval: str,
    n_replicates: int,
    n_permutations: int,
    level: float,
    *,
    pairs: bool,
) -> None:
    check_resampling("loci", interval, n_replicates, level)
    for name in measures:
        if name not in MEASURES:
            raise UsageError(
                f"differentiation: found measure {name!r}. Expected one of {', '.join(MEASURES)}. "
                "Give one of them."
            )
        if MEASURES[name].pairs_only and not pairs:
            raise UsageError(
                f"differentiation: found measure {name!r}, which compares two groups. Expected a measure for "
                "any number of groups. Ask for it pair by pair."
            )
    if n_permutations < 0:
        raise UsageError(
            f"differentiation: found {n_permutations} permutations. Expected 0 or more; 999 is usual. "
            "Give 0 for no P value."
        )


@dataclass(frozen=True)
class _Comparison:
    """Settings shared by all comparisons of one call."""

    interval: IntervalKind
    n_replicates: int
    level: float
    locus_weights: FloatArray
    n_permutations: int

    @classmethod
    def draw(
        cls,
        parts: Sequence[GroupCalls],
        interval: IntervalKind,
        n_replicates: int,
        n_permutations: int,
        level: float,
        rng: np.random.Generator,
    ) -> _Comparison:
        """Draw the loci of the replicates once, so that all comparisons share them."""
        n_loci = max(parts[0].n_loci, 1) if parts else 1
        weights = draw_weights(n_loci, n_replicates, rng)
        return cls(interval, n_replicates, level, weights, n_permutations)

    def measure(
        self, parts: Sequence[GroupCalls], names: Sequence[str], rng: np.random.Generator
    ) -> dict[str, Differentiation]:
        """Compute measures between some groups, with intervals and P values."""
        labels = tuple(p.label for p in parts)
        n_fish = sum(p.n_typed_fish for p in parts)
        estimates: dict[str, Estimate] = {}
        reason = _why_not(parts)
        counts = None if reason else grouped_counts(parts)
        for name in names:
            measure = MEASURES[name]
            terms = np.zeros((0, 0)) if counts is None else measure.components(counts)
            value = np.nan if counts is None else float(measure.combine(terms.sum(axis=0)))
            if np.isnan(value):
                why = reason or "no locus varies among fish typed in two groups"
                estimates[name] = Estimate.not_estimable(why, measure.words, n_fish)
            else:
                estimates[name] = self._estimate(measure, terms, value)
        tested = {
            name: float(e.value)
            for name, e in estimates.items()
            if e.value is not None and MEASURES[name].tests_groups
        }
        p_values = _permutation_p(parts, tested, self.n_permutations, rng)
        return {
            name: Differentiation(
                labels, name, e, p_values.get(name), None, self.n_permutations if name in p_values else 0
            )
            for name, e in estimates.items()
        }

    def _estimate(self, measure: Measure, terms: FloatArray, value: float) -> Estimate:
        counts = (terms != 0).any(axis=-1)
        n_loci = int(counts.sum())
        if n_loci < 2:
            note = "No interval: resampling loci needs two loci or more."
            return Estimate(value, None, None, measure.words, n_loci, "loci", self.level, note)
        replicates = measure.combine(self.locus_weights @ terms)
        usable = replicates[~np.isnan(replicates)]
        if 2 * usable.size < replicates.size or np.isinf(usable).any() or np.isinf(value):
            note = "No interval: too few replicates over loci give a finite value."
            return Estimate(value, None, None, measure.words, n_loci, "loci", self.level, note)
        influence = None
        if self.interval == "bca":
            left_out = measure.combine(terms.sum(axis=0) - terms[counts])
            left_out = left_out[np.isfinite(left_out)]
            influence = left_out.mean() - left_out if left_out.size else None
        low, high = interval_limits(
            value, usable, self.interval, self.level, influence=influence, n_units=n_loci
        )
        how = resampling_words("loci", self.interval, self.n_replicates)
        return Estimate(value, low, high, f"{measure.words}; {how}", n_loci, "loci", self.level)


def _why_not(parts: Sequence[GroupCalls]) -> str:
    if len(parts) < 2:
        return "there is only one group"
    if parts[0].n_loci == 0:
        return "the set has no neutral loci"
    for p in parts:
        if p.n_fish == 0:
            return f"group {p.label} has no fish"
        if p.n_typed_fish == 0:
            return f"no fish of group {p.label} was typed at any neutral locus"
    if all(p.n_typed_fish == 1 for p in parts):
        return "every group has a single typed fish"
    return ""


def _permutation_p(
    parts: Sequence[GroupCalls],
    observed: dict[str, float],
    n_permutations: int,
    rng: np.random.Generator,
) -> dict[str, float]:
    """Share of arrangements of whole fish among the groups that reach each observed value."""
    if not n_permutations or not observed:
        return {}
    pool = _Pool.of(parts)
    chunk = max(1, _CHUNK // max(1, pool.n_loci * pool.max_alleles * len(parts)))
    reached = dict.fromkeys(observed, 0)
    for start in range(0, n_permutations, chunk):
        counts = pool.permuted(min(chunk, n_permutations - start), rng)
        sums: dict[object, FloatArray] = {}
        for name, value in observed.items():
            measure = MEASURES[name]
            if measure.components not in sums:
                sums[measure.components] = measure.components(counts).sum(axis=-2)
            permuted = measure.combine(sums[measure.components])
            reached[name] += int((permuted >= value - 1e-12).sum())
    return {name: (1 + k) / (1 + n_permutations) for name, k in reached.items()}


@dataclass(frozen=True)
class _Pool:
    """Fish of several groups side by side, ready to be dealt out again.

    ``columns`` holds for each fish the copies of every allele, whether it carries exactly one copy of it,
    and whether it was typed at each locus.
    """

    columns: np.ndarray
    group: np.ndarray
    n_groups: int
    n_loci: int
    max_alleles: int

    @classmethod
    def of(cls, parts: Sequence[GroupCalls]) -> _Pool:
        dosage = np.concatenate([p.dosage for p in parts])
        typed = np.concatenate([p.typed for p in parts])
        group = np.concatenate([np.full(p.n_fish, j) for j, p in enumerate(parts)])
        columns = np.concatenate([dosage, (dosage == 1).astype(np.float32), typed], axis=1)
        known = (typed > 0).any(axis=1)
        first = parts[0]
        return cls(columns[known], group[known], len(parts), first.n_loci, first.max_alleles)

    def permuted(self, rows: int, rng: np.random.Generator) -> GroupedCounts:
        """Deal whole fish to groups of the same sizes, `rows` times over."""
        shuffled = rng.permuted(np.broadcast_to(self.group, (rows, len(self.group))), axis=1)
        sums = np.empty((self.n_groups, rows, self.columns.shape[1]), dtype=np.float32)
        for j in range(self.n_groups - 1):
            sums[j] = (shuffled == j).astype(np.float32) @ self.columns
        sums[-1] = self.columns.sum(axis=0) - sums[:-1].sum(axis=0)
        split = self.n_loci * self.max_alleles
        shape = (self.n_groups, rows, self.n_loci, self.max_alleles)
        counts = np.moveaxis(sums[..., :split].reshape(shape), 0, -2)
        het = np.moveaxis(sums[..., split : 2 * split].reshape(shape), 0, -2)
        return GroupedCounts(counts, het, np.moveaxis(sums[..., 2 * split :], 0, -1))


def _adjusted(found: list[Differentiation]) -> list[Differentiation]:
    """Add P values adjusted over all pairs that have one."""
    p = np.array([f.p_value for f in found if f.p_value is not None])
    if p.size < 2:
        return found
    order = np.argsort(p)[::-1]
    scaled = p[order] * p.size / np.arange(p.size, 0, -1)
    adjusted = np.empty(p.size)
    adjusted[order] = np.minimum(1.0, np.minimum.accumulate(scaled))
    numbers = iter(adjusted.tolist())
    return [
        f
        if f.p_value is None
        else Differentiation(f.groups, f.measure, f.estimate, f.p_value, next(numbers), f.n_permutations)
        for f in found
    ]
