"""The table of diversity by group: year classes, sites or lines, one row each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from broodstock.diversity.group_statistics import GroupStatistics, group_statistics
from broodstock.diversity.groups import GroupCalls, Label, split_by_group
from broodstock.diversity.resampling import (
    IntervalKind,
    Over,
    check_resampling,
    interval_limits,
    resampling_words,
)
from broodstock.errors import UsageError
from broodstock.estimates import Estimate
from broodstock.genotypes.genotype_set import GenotypeSet

_WORDS = {
    "observed_heterozygosity": "observed heterozygosity, mean over loci",
    "expected_heterozygosity": "unbiased expected heterozygosity (Nei 1978), mean over loci",
    "allelic_richness": "allelic richness rarefied to {g} gene copies (Hurlbert 1971), mean over loci",
    "private_allelic_richness": (
        "private allelic richness rarefied to {g} gene copies (Kalinowski 2004), mean over loci"
    ),
    "inbreeding_coefficient": "Fis = 1 - Ho / He, ratio of means over loci",
    "number_of_alleles": "alleles per locus, mean over loci",
    "effective_alleles": "effective number of alleles 1 / sum p^2, mean over loci",
}
_NEEDS_DIPLOIDS = ("observed_heterozygosity", "inbreeding_coefficient")
_SHIFTED = (
    "expected_heterozygosity",
    "inbreeding_coefficient",
    "effective_alleles",
    "allelic_richness",
    "private_allelic_richness",
)
_RAREFIED = ("allelic_richness", "private_allelic_richness")


@dataclass(frozen=True, slots=True)
class DiversityRow:
    """Diversity of one group of fish.

    Parameters
    ----------
    group : str or int
        Name of the group.
    n_fish : int
        Fish of the group, typed or not.
    n_typed : int
        Fish with a call at one neutral locus or more.
    loci_typed : int
        Neutral loci at which two fish or more were typed.
    g : int
        Gene copies of the rarefied values; 0 when no common size exists.
    observed_heterozygosity, expected_heterozygosity, allelic_richness, private_allelic_richness : Estimate
        Means over loci.
    inbreeding_coefficient : Estimate
        Fis, from the two means.
    number_of_alleles, effective_alleles : Estimate
        Means over loci, not corrected for sample size.
    """

    group: Label
    n_fish: int
    n_typed: int
    loci_typed: int
    g: int
    observed_heterozygosity: Estimate
    expected_heterozygosity: Estimate
    allelic_richness: Estimate
    private_allelic_richness: Estimate
    inbreeding_coefficient: Estimate
    number_of_alleles: Estimate
    effective_alleles: Estimate


def diversity_table(
    genotypes: GenotypeSet,
    groups: Sequence[Label | None],
    *,
    order: Sequence[Label] | None = None,
    g: int | None = None,
    over: Over = "fish",
    interval: IntervalKind = "recentred",
    n_replicates: int = 1000,
    level: float = 0.95,
    seed: int | np.random.Generator = 1,
    ploidy: int = 2,
) -> list[DiversityRow]:
    """Estimate the diversity of every group of fish, with intervals.

    Parameters
    ----------
    genotypes : GenotypeSet
        Calls; only neutral loci are used.
    groups : sequence of str, int or None
        Group of each sample, in the order of ``genotypes.samples``; None leaves a sample out.
    order : sequence of str or int, optional
        Groups wanted, in order; default every group, by first appearance. A group without fish gets a
        row that says so.
    g : int, optional
        Gene copies to which richness is rarefied; default the largest number that nine in ten loci reach
        in every group with ten gene copies or more.
    over : {'fish', 'loci', 'both'}
        What is resampled. Fish: the interval says how another catch of as many fish would differ at
        these same loci (use it to compare groups typed at the same loci). Loci: how other loci would
        differ. Both: wider than either; use it for the genome of the whole group.
    interval : {'recentred', 'percentile', 'bca'}
        See `broodstock.diversity.resampling.interval_limits`.
    n_replicates : int
        Bootstrap replicates, 20 or more.
    level : float
        Coverage aimed at.
    seed : int or numpy.random.Generator
        Source of random numbers; the same seed gives the same limits.
    ploidy : {1, 2}
        Gene copies per fish.

    Returns
    -------
    list of DiversityRow
        One per group, in order.

    Raises
    ------
    ShapeError
        If the number of labels is not the number of samples.
    UsageError
        If a setting cannot be used.
    ValueRangeError
        If `ploidy` is 1 and a call holds two alleles.

    Notes
    -----
    Fish are taken as independent draws from the group. Sibs in a sample make every interval too narrow
    and lower expected heterozygosity and richness.

    References
    ----------
    .. [1] Nei (1978), Genetics 89:583-590.
    .. [2] Kalinowski (2004), Conservation Genetics 5:539-543.

    Examples
    --------
    Ten fish with three, five and two of the genotypes AA, AB and BB at each of four loci. Expected heterozygosity is
    ``20/19 (1 - 0.55^2 - 0.45^2)``, observed is 5/10.

    >>> from broodstock.genotypes.genotype_set import GenotypeSet, Locus
    >>> one = np.array([[0, 0]] * 3 + [[0, 1]] * 5 + [[1, 1]] * 2, dtype=np.int16)
    >>> loci = tuple(Locus(f"L{k}") for k in range(4))
    >>> fish = tuple(f"F{k}" for k in range(10))
    >>> calls = GenotypeSet(fish, loci, (("A", "B"),) * 4, np.stack([one] * 4))
    >>> (row,) = diversity_table(calls, ["wild"] * 10, n_replicates=200)
    >>> round(row.expected_heterozygosity.value, 4), row.observed_heterozygosity.value
    (0.5211, 0.5)
    >>> row.expected_heterozygosity.low < 0.5211 < row.expected_heterozygosity.high
    True
    >>> row.allelic_richness.value, row.g
    (2.0, 20)
    """
    check_resampling(over, interval, n_replicates, level)
    if g is not None and g < 2:
        raise UsageError(
            f"diversity table: found g = {g}. Expected 2 gene copies or more. Leave g out to have it chosen."
        )
    parts = split_by_group(genotypes, groups, order, ploidy)
    stats = group_statistics(parts, n_replicates, over, seed, g, with_influence=interval == "bca")
    how = resampling_words(over, interval, n_replicates)
    return [_row(stats, part, j, how, over, interval, level) for j, part in enumerate(parts)]


def _row(
    stats: GroupStatistics,
    part: GroupCalls,
    j: int,
    how: str,
    over: Over,
    interval: IntervalKind,
    level: float,
) -> DiversityRow:
    estimates = {name: group_estimate(stats, part, j, name, how, over, interval, level) for name in _WORDS}
    return DiversityRow(
        group=part.label,
        n_fish=part.n_fish,
        n_typed=part.n_typed_fish,
        loci_typed=int(stats.loci_used["expected_heterozygosity"][j]),
        g=stats.design.g,
        **estimates,
    )


def group_estimate(
    stats: GroupStatistics,
    part: GroupCalls,
    j: int,
    name: str,
    how: str,
    over: Over,
    interval: IntervalKind,
    level: float,
) -> Estimate:
    """Return one statistic of one group as an estimate with its interval, or why there is none.

    Parameters
    ----------
    stats : GroupStatistics
        Estimates and replicates.
    part : GroupCalls
        The group.
    j : int
        Its position in `stats`.
    name : str
        Statistic, one of ``group_statistics.STATISTICS``.
    how : str
        Words for the resampling.
    over, interval, level
        As in `diversity_table`.

    Returns
    -------
    Estimate
    """
    words = _WORDS[name].format(g=stats.design.g)
    reason = why_not_estimable(stats, part, j, name)
    if reason:
        return Estimate.not_estimable(reason, method=words, n_used=part.n_typed_fish)
    value = float(stats.values[name][j])
    n_loci = int(stats.loci_used[name][j])
    note = _note(stats, part, j, name, n_loci, over, interval)
    reps = stats.replicates[name][:, j]
    usable = reps[~np.isnan(reps)]
    without = _why_no_interval(name, over, n_loci, usable.size, reps.size)
    if without:
        return Estimate(
            value, method=words, n_used=part.n_typed_fish, level=level, note=f"{note} {without}".strip()
        )
    low, high = interval_limits(
        value,
        usable,
        interval,
        level,
        stats.influence[name][j],
        _bounds(name, stats.design.g, part.max_alleles),
        {"fish": part.n_typed_fish, "loci": n_loci, "both": None}[over],
    )
    return Estimate(value, low, high, f"{words}; {how}", part.n_typed_fish, "fish", level, note)


def why_not_estimable(stats: GroupStatistics, part: GroupCalls, j: int, name: str) -> str:
    """Return why a statistic of a group does not exist, or nothing when it does.

    Parameters
    ----------
    stats, part, j, name
        As in `group_estimate`.

    Returns
    -------
    str
        The words that follow "not estimable because", or an empty text.
    """
    n_typed, g = part.n_typed_fish, stats.design.g
    if part.n_loci == 0:
        return "the set has no neutral loci"
    if part.n_fish == 0:
        return "the group has no fish"
    if part.ploidy == 1 and name in _NEEDS_DIPLOIDS:
        return "the calls are haploid, and a fish with one gene copy cannot be heterozygous"
    if n_typed == 0:
        return "no fish of the group was typed at any neutral locus"
    if n_typed == 1:
        return "only one fish was typed, and at least two are needed"
    if name in _RAREFIED:
        if g < 2:
            return "no group has enough gene copies for a common sample size"
        if not stats.design.takes_part[j]:
            return f"the group has fewer than {g} gene copies at most loci"
        if name == "private_allelic_richness" and stats.design.takes_part.sum() < 2:
            return "there is no other group to compare with"
        if not stats.design.loci.any():
            return f"no locus has {g} gene copies in every group compared"
    if stats.loci_used[name][j] == 0:
        return "no locus has two typed fish"
    if not stats.valid[name][j]:
        return "no locus varies in the group, so expected heterozygosity is zero"
    return ""


def _why_no_interval(name: str, over: Over, n_loci: int, usable: int, n_replicates: int) -> str:
    if name == "number_of_alleles" and over != "loci":
        return "No interval: drawing fish again can only lose alleles. Compare rarefied richness instead."
    if over != "fish" and n_loci < 2:
        return "No interval: resampling loci needs two loci or more."
    if 2 * usable < n_replicates:
        return f"No interval: only {usable} of {n_replicates} replicates gave a value."
    return ""


def _note(
    stats: GroupStatistics,
    part: GroupCalls,
    j: int,
    name: str,
    n_loci: int,
    over: Over,
    interval: IntervalKind,
) -> str:
    notes = []
    if over != "loci" and interval != "recentred" and name in _SHIFTED:
        notes.append("Drawing fish again shifts this statistic, so these limits lean to one side.")
    if name in ("number_of_alleles", "effective_alleles"):
        notes.append("Rises with the number of fish.")
    if stats.values["expected_heterozygosity"][j] == 0:
        notes.append("All loci have one allele in this group, so the interval has no width.")
    if name in _RAREFIED:
        left_out = [str(s) for s, t in zip(stats.labels, stats.design.takes_part, strict=True) if not t]
        if left_out and name == "private_allelic_richness":
            notes.append(f"Too small to compare with: {', '.join(left_out)}.")
        if over != "loci" and stats.design.g > 0.9 * part.ploidy * part.n_typed_fish:
            notes.append("g is nearly the whole sample of this group, so the interval is likely too narrow.")
        notes.append(f"{n_loci} of {part.n_loci} loci.")
    return " ".join(notes)


def _bounds(name: str, g: int, max_alleles: int) -> tuple[float, float]:
    # Two-allele loci cannot show a third allele; other loci may hold alleles that no one has seen.
    most = 2.0 if max_alleles <= 2 else float(g)
    return {
        "observed_heterozygosity": (0.0, 1.0),
        "expected_heterozygosity": (0.0, 1.0),
        "inbreeding_coefficient": (-1.0, 1.0),
        "allelic_richness": (1.0, most),
        "private_allelic_richness": (0.0, most),
    }.get(name, (1.0, np.inf))
