"""Change of a diversity statistic between two groups, its test, and how small a change could be seen."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from broodstock.arrays import FloatArray
from broodstock.diversity.comparable import ComparableRun, comparable_groups
from broodstock.diversity.group_statistics import (
    STATISTICS,
    GroupStatistics,
    group_statistics,
    permuted_statistics,
)
from broodstock.diversity.groups import GroupCalls, Label, split_by_group
from broodstock.diversity.identity import check_frequencies
from broodstock.diversity.resampling import Over, check_resampling, interval_limits, resampling_words
from broodstock.diversity.table import why_not_estimable
from broodstock.errors import UsageError, ValueRangeError
from broodstock.estimates import Estimate
from broodstock.genotypes.genotype_set import GenotypeSet


@dataclass(frozen=True, slots=True)
class Change:
    """Difference of one statistic between two groups at the loci both were typed at.

    Parameters
    ----------
    statistic : str
        Name in ``group_statistics.STATISTICS``.
    before, after : str or int
        Groups compared.
    n_before, n_after : int
        Fish typed.
    n_loci : int
        Shared loci used.
    difference : Estimate
        After minus before.
    p_value : float or None
        Two-sided P of no change.
    test : str
        Plain words.
    smallest_detectable : float or None
        Change, up or down, that such samples would show as different from 0 with the power asked for.
    power : float
        That power.
    """

    statistic: str
    before: Label
    after: Label
    n_before: int
    n_after: int
    n_loci: int
    difference: Estimate
    p_value: float | None
    test: str
    smallest_detectable: float | None
    power: float

    def power_text(self) -> str:
        """Return the power statement as a sentence."""
        if self.smallest_detectable is None:
            return "The power of the test cannot be stated."
        return (
            f"With {self.n_before} and {self.n_after} fish at {self.n_loci} loci, a change of "
            f"{self.smallest_detectable:.2g}, up or down, would be found with a chance of "
            f"{100 * self.power:.0f} %; a smaller one may be missed."
        )


def change_between(
    genotypes: GenotypeSet,
    groups: Sequence[Label | None],
    before: Label,
    after: Label,
    statistic: str = "expected_heterozygosity",
    *,
    test: Literal["bootstrap", "permutation"] = "bootstrap",
    marker_sets: Mapping[Label, str] | None = None,
    calibrated: bool = False,
    least_loci: int = 10,
    g: int | None = None,
    over: Over = "fish",
    n_replicates: int = 1000,
    level: float = 0.95,
    power: float = 0.8,
    seed: int | np.random.Generator = 1,
) -> Change:
    """Estimate and test the change of a statistic from one group to another.

    Parameters
    ----------
    genotypes : GenotypeSet
        Calls; only neutral loci are used.
    groups : sequence of str, int or None
        Group of each sample.
    before, after : str or int
        The two groups.
    statistic : str
        One of ``group_statistics.STATISTICS``, not ``number_of_alleles`` or ``private_allelic_richness``.
    test : {'bootstrap', 'permutation'}
        Bootstrap asks whether the statistic is the same, whatever the allele frequencies. Permutation
        deals the fish to the two groups anew and asks whether both are samples of one population.
    marker_sets, calibrated, least_loci
        As in `broodstock.diversity.comparable.comparable_groups`.
    g : int, optional
        Gene copies of rarefied richness; default the largest common size.
    over : {'fish', 'loci', 'both'}
        What is resampled for the interval. Loci are drawn together for both groups.
    n_replicates : int
        Bootstrap replicates, and permutations, 20 or more.
    level : float
        Coverage of the interval; 1 - level is the size of the test whose power is stated.
    power : float
        Power at which the smallest detectable change is stated.
    seed : int or numpy.random.Generator
        Source of random numbers.

    Returns
    -------
    Change
        Not estimable when the groups share fewer than `least_loci` loci: values from different loci are
        never compared.

    Raises
    ------
    ShapeError
        If the number of labels is not the number of samples.
    UsageError
        If the statistic or test is unknown, `before` equals `after`, or a setting cannot be used.

    Notes
    -----
    The smallest detectable change is (z of the test + z of the power) bootstrap standard errors of the
    difference. A change that was not found is no proof that there was none: read it beside this number.
    """
    check_resampling(over, "recentred", n_replicates, level)
    _check_change(statistic, test, before, after, power)
    found = comparable_groups(
        genotypes,
        groups,
        order=[before, after],
        marker_sets=marker_sets,
        calibrated=calibrated,
        least_loci=least_loci,
    )
    words = f"change of {statistic.replace('_', ' ')}, after minus before, same loci"
    run = found.shared_run(before, after)
    if run is None:
        parts = split_by_group(genotypes, groups, [before, after])
        why = "; ".join(f"group {label}: {reason}" for label, reason in found.left_out)
        if found.breaks:
            why = f"the groups were not typed at the same loci ({found.breaks[0].reason})"
        return _no_change(statistic, parts, 0, why, words, power)
    return _tested_change(
        genotypes, groups, run, statistic, test, g, over, n_replicates, level, power, seed, words
    )


def _check_change(statistic: str, test: str, before: Label, after: Label, power: float) -> None:
    usable = [s for s in STATISTICS if s not in ("number_of_alleles", "private_allelic_richness")]
    if statistic not in usable:
        raise UsageError(
            f"change: found statistic {statistic!r}. Expected one of {', '.join(usable)}. Give one of them."
        )
    if test not in ("bootstrap", "permutation"):
        raise UsageError(
            f"change: found test {test!r}. Expected 'bootstrap' or 'permutation'. Give one of them."
        )
    if before == after:
        raise UsageError(f"change: found {before} twice. Expected two groups. Name another group.")
    if not 0 < power < 1:
        raise UsageError(
            f"change: found power {power}. Expected a share between 0 and 1, such as 0.8. "
            "Give a share, not a percentage."
        )


def _no_change(
    statistic: str, parts: Sequence[GroupCalls], n_loci: int, why: str, words: str, power: float
) -> Change:
    n = [p.n_typed_fish for p in parts]
    return Change(
        statistic,
        parts[0].label,
        parts[1].label,
        n[0],
        n[1],
        n_loci,
        Estimate.not_estimable(why, words, sum(n)),
        None,
        "",
        None,
        power,
    )


def _tested_change(
    genotypes: GenotypeSet,
    groups: Sequence[Label | None],
    run: ComparableRun,
    statistic: str,
    test: str,
    g: int | None,
    over: Over,
    n_replicates: int,
    level: float,
    power: float,
    seed: int | np.random.Generator,
    words: str,
) -> Change:
    from scipy.special import ndtri

    parts = split_by_group(genotypes.take(loci=run.loci), groups, order=run.groups)
    boot_rng, permute_rng = np.random.default_rng(seed).spawn(2)
    stats = group_statistics(parts, n_replicates, over, boot_rng, g)
    for j, part in enumerate(parts):
        why = why_not_estimable(stats, part, j, statistic)
        if why:
            return _no_change(statistic, parts, len(run.loci), f"group {part.label}: {why}", words, power)
    n = [p.n_typed_fish for p in parts]
    n_loci = int(stats.loci_used[statistic].min())
    value = float(stats.values[statistic][1] - stats.values[statistic][0])
    replicates = _differences(stats, statistic)
    if 2 * replicates.size < n_replicates:
        note = f"No interval or test: only {replicates.size} of {n_replicates} replicates gave a value."
        bare = Estimate(value, None, None, words, sum(n), "fish", level, note)
        none = _no_change(statistic, parts, n_loci, "no test", words, power)
        return replace(none, difference=bare)
    n_units = {"fish": min(n), "loci": n_loci, "both": None}[over]
    low, high = interval_limits(value, replicates, "recentred", level, n_units=n_units)
    how = resampling_words(over, "recentred", n_replicates)
    difference = Estimate(value, low, high, f"{words}; {how}", sum(n), "fish", level)
    if test == "bootstrap":
        reached = np.abs(replicates - replicates.mean()) >= abs(value) - 1e-12
        said = f"{how}: share of replicates, centred on no change, that lie as far out"
    else:
        dealt = permuted_statistics(parts, statistic, stats.design, n_replicates, permute_rng)
        permuted = dealt[:, 1] - dealt[:, 0]
        permuted = permuted[~np.isnan(permuted)]
        reached = np.abs(permuted) >= abs(value) - 1e-12
        said = f"permutation of whole fish between the groups, {n_replicates} times"
    p_value = float((1 + reached.sum()) / (1 + reached.size))
    spread = float(replicates.std(ddof=1))
    detectable = (float(ndtri((1.0 + level) / 2.0)) + float(ndtri(power))) * spread if spread > 0 else None
    return Change(
        statistic,
        parts[0].label,
        parts[1].label,
        n[0],
        n[1],
        n_loci,
        difference,
        p_value,
        said,
        detectable,
        power,
    )


def _differences(stats: GroupStatistics, statistic: str) -> FloatArray:
    pair = stats.replicates[statistic]
    difference = pair[:, 1] - pair[:, 0]
    return np.asarray(difference[~np.isnan(difference)])


def simulated_power(
    frequencies: np.ndarray,
    n_before: int,
    n_after: int,
    loss: float,
    *,
    level: float = 0.95,
    n_simulations: int = 200,
    n_replicates: int = 200,
    seed: int | np.random.Generator = 1,
) -> Estimate:
    """Simulate how often a loss of expected heterozygosity would be found.

    Parameters
    ----------
    frequencies : array_like, float64, shape (n_loci, max_alleles)
        Allele frequencies before; every locus sums to 1.
    n_before, n_after : int
        Fish in the two samples, 2 or more.
    loss : float
        Mean expected heterozygosity lost, 0 or more; taken from every locus in proportion by moving its
        frequencies towards its most common allele.
    level : float
        1 - level is the size of the test.
    n_simulations : int
        Pairs of samples drawn, 20 or more.
    n_replicates : int
        Bootstrap replicates over fish in each, 20 or more.
    seed : int or numpy.random.Generator
        Source of random numbers.

    Returns
    -------
    Estimate
        Share of simulated pairs in which the bootstrap test of `change_between` finds a change, with the
        score interval for a share.

    Raises
    ------
    ShapeError, ValueRangeError
        If frequencies are not frequencies, a sample has fewer than two fish, or the loss is negative or
        not less than the heterozygosity there is.
    UsageError
        If a setting cannot be used.

    References
    ----------
    .. [1] Wilson (1927), Journal of the American Statistical Association 22:209-212 (score interval).
    """
    check_resampling("fish", "recentred", n_replicates, level)
    if n_simulations < 20:
        raise UsageError(
            f"power: found {n_simulations} simulations. Expected 20 or more. Ask for more simulations."
        )
    p = check_frequencies(frequencies)
    if min(n_before, n_after) < 2:
        raise ValueRangeError(
            f"power: found samples of {n_before} and {n_after} fish. Expected two or more in each. "
            "Give the numbers of fish."
        )
    q = frequencies_after_loss(p, loss)
    draw_rng, boot_rng = np.random.default_rng(seed).spawn(2)
    found = 0
    for _ in range(n_simulations):
        parts = [_drawn_fish(x, n, draw_rng) for x, n in ((p, n_before), (q, n_after))]
        stats = group_statistics(parts, n_replicates, "fish", boot_rng.spawn(1)[0], g=2)
        value = stats.values["expected_heterozygosity"][1] - stats.values["expected_heterozygosity"][0]
        replicates = _differences(stats, "expected_heterozygosity")
        reached = (np.abs(replicates - replicates.mean()) >= abs(value)).sum()
        found += (1 + reached) / (1 + replicates.size) <= 1.0 - level
    words = f"share of {n_simulations} simulated pairs of samples in which the bootstrap test finds the loss"
    low, high = _score_interval(int(found), n_simulations)
    return Estimate(found / n_simulations, low, high, words, n_simulations, "simulations", 0.95)


def frequencies_after_loss(frequencies: np.ndarray, loss: float) -> FloatArray:
    """Return frequencies whose mean expected heterozygosity is lower by a given amount.

    Parameters
    ----------
    frequencies : array_like, float64, shape (n_loci, max_alleles)
        Allele frequencies; every locus sums to 1.
    loss : float
        Mean expected heterozygosity to lose, from 0 to less than there is.

    Returns
    -------
    ndarray, float64, shape (n_loci, max_alleles)
        Every locus moved the same share of the way to its most common allele.

    Raises
    ------
    ShapeError, ValueRangeError
        If frequencies are not frequencies, or the loss is negative or not less than the heterozygosity.
    """
    p = check_frequencies(frequencies)
    start = float((1.0 - (p**2).sum(axis=-1)).mean())
    if not 0 <= loss < start:
        raise ValueRangeError(
            f"power: found a loss of {loss}. Expected 0 to less than {start:.4f}, the heterozygosity there is. "
            "Give a smaller loss."
        )
    top = np.eye(p.shape[-1])[p.argmax(axis=-1)]

    def left(t: float) -> float:
        moved = p + t * (top - p)
        return float((1.0 - (moved**2).sum(axis=-1)).mean())

    # Moving towards the most common allele only lowers heterozygosity, so halving the range finds the share.
    low, high = 0.0, 1.0
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if left(middle) > start - loss else (low, middle)
    return np.asarray(p + (low + high) / 2 * (top - p)) if loss > 0 else p


def _drawn_fish(p: FloatArray, n_fish: int, rng: np.random.Generator) -> GroupCalls:
    """Draw fish in Hardy-Weinberg proportions from the frequencies of each locus."""
    n_loci, width = p.shape
    steps = np.minimum(p.cumsum(axis=1), 1.0)[:, :-1]
    calls = (rng.random((n_fish, n_loci, 2, 1)) >= steps[:, None, :]).sum(axis=-1)
    dosage = (calls[..., None] == np.arange(width)).sum(axis=2).astype(np.float32)
    heterozygous = (calls[..., 0] != calls[..., 1]).astype(np.float32)
    typed = np.ones((n_fish, n_loci), dtype=np.float32)
    return GroupCalls("drawn", dosage.reshape(n_fish, -1), heterozygous, typed, width)


def _score_interval(k: int, n: int) -> tuple[float, float]:
    z = 1.959963984540054
    share = k / n
    centre = (share + z**2 / (2 * n)) / (1 + z**2 / n)
    half = z / (1 + z**2 / n) * np.sqrt(share * (1 - share) / n + z**2 / (4 * n**2))
    return float(max(0.0, centre - half)), float(min(1.0, centre + half))
