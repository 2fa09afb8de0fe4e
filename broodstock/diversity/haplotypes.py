"""Mitochondrial haplotypes: diversity, richness, differences between sequences, effective females."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from broodstock.arrays import BigIntArray, FloatArray
from broodstock.diversity.groups import Label, group_members
from broodstock.diversity.resampling import check_resampling, interval_limits
from broodstock.diversity.richness import allelic_richness, private_allelic_richness
from broodstock.diversity.sequences import sequence_differences
from broodstock.diversity.spread import ClassSample, count_check, inverse, same_class
from broodstock.errors import ShapeError, UsageError, ValueRangeError
from broodstock.estimates import Estimate


def haplotype_diversity(counts: np.ndarray) -> tuple[float, float]:
    """Haplotype diversity and its sampling standard error.

    Parameters
    ----------
    counts : array_like, int, shape (n_haplotypes,)
        Fish with each haplotype; two fish or more in total.

    Returns
    -------
    diversity : float
        ``n / (n - 1) (1 - sum x^2)``: probability that two fish differ in haplotype.
    standard_error : float
        Root of the sampling variance.

    Raises
    ------
    ShapeError
        If `counts` is not a vector.
    ValueRangeError
        If a count is negative or not whole, or there are fewer than two fish.

    References
    ----------
    .. [1] Nei (1987), Molecular Evolutionary Genetics, equations 8.4 and 8.12.

    Examples
    --------
    >>> h, se = haplotype_diversity(np.array([10, 5, 3, 1, 1]))
    >>> round(h, 6), round(se, 6)
    (0.694737, 0.081299)
    """
    c = count_check(counts, "haplotype counts")
    n = int(c.sum())
    if n < 2:
        raise ValueRangeError(
            f"haplotype counts: found {n} fish. Expected two or more. Leave the statistic out for this group."
        )
    x = c / n
    s2, s3 = float((x**2).sum()), float((x**3).sum())
    variance = 2.0 / (n * (n - 1)) * (2 * (n - 2) * (s3 - s2**2) + s2 - s2**2)
    return n / (n - 1) * (1.0 - s2), float(np.sqrt(max(variance, 0.0)))


def mean_pairwise_differences(counts: np.ndarray, differences: np.ndarray) -> FloatArray:
    """Mean number of differences between two fish of a sample.

    Parameters
    ----------
    counts : array_like, int, shape (..., n_haplotypes)
        Fish with each haplotype; two or more in total.
    differences : array_like, float64, shape (n_haplotypes, n_haplotypes)
        Differences between haplotypes; symmetric, 0 on the diagonal.

    Returns
    -------
    ndarray, float64, shape (...)
        Mean over all pairs of different fish.

    Raises
    ------
    ShapeError
        If the matrix does not fit the counts.
    ValueRangeError
        If the matrix is not symmetric with a diagonal of 0, or there are fewer than two fish.

    References
    ----------
    .. [1] Tajima (1983), Genetics 105:437-460.
    """
    c = np.asarray(counts, dtype=np.float64)
    d = np.asarray(differences, dtype=np.float64)
    k = c.shape[-1] if c.ndim else 0
    if d.shape != (k, k):
        raise ShapeError(
            f"differences between haplotypes: found a matrix of shape {d.shape}. Expected ({k}, {k}). "
            "Give one row and column per haplotype counted."
        )
    if not np.isfinite(d).all() or (np.diag(d) != 0).any() or not np.allclose(d, d.T):
        raise ValueRangeError(
            "differences between haplotypes: found a matrix that is not symmetric with 0 on its diagonal. "
            "Expected differences of each pair both ways. Compute them again from the sequences."
        )
    n = c.sum(axis=-1)
    if (n < 2).any():
        raise ValueRangeError(
            "haplotype counts: found fewer than two fish. Expected two or more. "
            "Leave the statistic out for this group."
        )
    return np.asarray(((c @ d) * c).sum(axis=-1) / (n * (n - 1)))


@dataclass(frozen=True, slots=True)
class HaplotypeRow:
    """Haplotypes of one group of fish.

    Parameters
    ----------
    group : str or int
        Name of the group.
    n_fish, n_typed : int
        Fish of the group, and those whose haplotype was read.
    n_haplotypes : int
        Haplotypes seen.
    g : int
        Fish of the rarefied values; 0 when no common size exists.
    diversity : Estimate
        Probability that two fish differ in haplotype.
    standard_error : float or None
        Sampling standard error of the diversity (Nei 1987); None when there is no estimate.
    richness, private_richness : Estimate
        Haplotypes expected among g fish, and those among them absent from g fish of every other group.
    effective_haplotypes : Estimate
        1 / unbiased probability that two fish share their haplotype.
    pairwise_differences, nucleotide_diversity : Estimate
        Mean differences between two fish, in all and per site; not estimable without sequences.
    """

    group: Label
    n_fish: int
    n_typed: int
    n_haplotypes: int
    g: int
    diversity: Estimate
    standard_error: float | None
    richness: Estimate
    private_richness: Estimate
    effective_haplotypes: Estimate
    pairwise_differences: Estimate
    nucleotide_diversity: Estimate


def haplotype_counts(
    haplotypes: Sequence[str | None],
    groups: Sequence[Label | None],
    order: Sequence[Label] | None = None,
) -> tuple[tuple[Label, ...], tuple[str, ...], BigIntArray, BigIntArray]:
    """Count haplotypes by group.

    Parameters
    ----------
    haplotypes : sequence of str or None
        Haplotype of each fish; None or an empty text where it was not read.
    groups : sequence of str, int or None
        Group of each fish; None leaves it out.
    order : sequence of str or int, optional
        Groups wanted, in order; default every group, by first appearance.

    Returns
    -------
    labels : tuple of str or int
        Groups.
    names : tuple of str
        Haplotypes of the fish in those groups, by name.
    counts : ndarray, int64, shape (n_groups, n_haplotypes)
        Fish read.
    n_fish : ndarray, int64, shape (n_groups,)
        Fish of each group, read or not.

    Raises
    ------
    ShapeError
        If the two sequences differ in length.
    UsageError
        If `order` names a group twice.
    """
    if len(haplotypes) != len(groups):
        raise ShapeError(
            f"haplotypes: found {len(haplotypes)} haplotypes and {len(groups)} groups. Expected one of each "
            "per fish. Give None where one is unknown."
        )
    members = group_members(groups, order)
    names = tuple(sorted({h for w in members.values() for i in w if (h := haplotypes[i])}))
    column = {name: k for k, name in enumerate(names)}
    counts = np.zeros((len(members), len(names)), dtype=np.int64)
    for j, who in enumerate(members.values()):
        for i in who:
            if haplotypes[i]:
                counts[j, column[str(haplotypes[i])]] += 1
    n_fish = np.array([len(w) for w in members.values()], dtype=np.int64)
    return tuple(members), names, counts, n_fish


def haplotype_table(
    haplotypes: Sequence[str | None],
    groups: Sequence[Label | None],
    *,
    sequences: Mapping[str, str] | None = None,
    order: Sequence[Label] | None = None,
    g: int | None = None,
    n_replicates: int = 1000,
    level: float = 0.95,
    seed: int | np.random.Generator = 1,
) -> list[HaplotypeRow]:
    """Estimate the haplotype diversity of every group, with intervals over fish.

    Parameters
    ----------
    haplotypes, groups, order
        As in `haplotype_counts`.
    sequences : mapping of str to str, optional
        Aligned sequence of each haplotype. Sites where any of them has a gap or an unclear base are left out.
    g : int, optional
        Fish to which richness is rarefied; default the smallest group of five fish or more.
    n_replicates : int
        Bootstrap replicates over fish, 20 or more.
    level : float
        Coverage aimed at.
    seed : int or numpy.random.Generator
        Source of random numbers.

    Returns
    -------
    list of HaplotypeRow
        One per group, in order.

    Raises
    ------
    ShapeError
        If lengths differ, of the inputs or of the aligned sequences.
    UsageError
        If a setting cannot be used, or a haplotype has no sequence.

    Notes
    -----
    Haplotypes follow the female line only. Sibs of one mother share theirs, so counts of offspring speak of
    mothers, and the interval, which takes fish as independent, is too narrow for them. Haplotypes that
    nobody caught cannot be drawn again: where many are rare, the limits of richness hold the truth less
    often than they aim to (in simulated samples of 40 fish with six haplotypes, 85 % instead of 95 %).
    """
    check_resampling("fish", "recentred", n_replicates, level)
    labels, names, counts, n_fish = haplotype_counts(haplotypes, groups, order)
    n_typed = counts.sum(axis=1)
    if g is None:
        large = n_typed[n_typed >= 5]
        size = int(large.min()) if large.size else 0
    elif g < 2:
        raise UsageError(
            f"haplotype table: found g = {g}. Expected 2 fish or more. Leave g out to have it chosen."
        )
    else:
        size = g
    distances = None if sequences is None else _distances(names, sequences)
    rngs = np.random.default_rng(seed).spawn(len(labels))
    samples = [ClassSample.draw(c, n_replicates, rng, level) for c, rng in zip(counts, rngs, strict=True)]
    compared = [j for j in range(len(labels)) if size >= 2 and n_typed[j] >= size]
    rows = []
    for j, (label, sample) in enumerate(zip(labels, samples, strict=True)):
        others = [samples[k] for k in compared if k != j]
        rows.append(_row(label, int(n_fish[j]), sample, size, j in compared, others, distances))
    return rows


@dataclass(frozen=True)
class _Distances:
    """Differences between haplotypes and the sites compared."""

    matrix: FloatArray
    n_sites: int


def _distances(names: Sequence[str], sequences: Mapping[str, str]) -> _Distances:
    missing = [n for n in names if n not in sequences]
    if missing:
        raise UsageError(
            f"haplotype table: found no sequence for {', '.join(missing[:5])}. Expected one per haplotype. "
            "Add it, or leave the sequences out."
        )
    return _Distances(*sequence_differences([sequences[n] for n in names]))


def _row(
    label: Label,
    n_fish: int,
    sample: ClassSample,
    g: int,
    compared: bool,
    others: Sequence[ClassSample],
    distances: _Distances | None,
) -> HaplotypeRow:
    why = _why_not(n_fish, sample.n_fish)
    if not why:
        h, se = haplotype_diversity(sample.counts)
        diversity = sample.estimate(
            "haplotype diversity (Nei 1987)", h, 1.0 - same_class(sample.drawn), (0.0, 1.0)
        )
        effective = sample.effective_classes("1 / unbiased probability that two fish share their haplotype")
    else:
        se = None
        diversity = effective = Estimate.not_estimable(why, n_used=sample.n_fish)
    return HaplotypeRow(
        group=label,
        n_fish=n_fish,
        n_typed=sample.n_fish,
        n_haplotypes=int((sample.counts > 0).sum()),
        g=g,
        diversity=diversity,
        standard_error=se,
        richness=_richness(sample, g, why or _why_not_rarefied(g, compared)),
        private_richness=_private_richness(sample, others, g, why or _why_not_rarefied(g, compared)),
        effective_haplotypes=effective,
        pairwise_differences=_differences(sample, distances, why, per_site=False),
        nucleotide_diversity=_differences(sample, distances, why, per_site=True),
    )


def _why_not(n_fish: int, n_typed: int) -> str:
    if n_fish == 0:
        return "the group has no fish"
    if n_typed == 0:
        return "no haplotype of the group was read"
    if n_typed == 1:
        return "only one haplotype was read, and at least two fish are needed"
    return ""


def _why_not_rarefied(g: int, compared: bool) -> str:
    if g < 2:
        return "no group has enough fish for a common sample size"
    return "" if compared else f"the group has fewer than {g} fish read"


def _richness(sample: ClassSample, g: int, why: str) -> Estimate:
    words = f"haplotypes rarefied to {g} fish (Hurlbert 1971)"
    if why:
        return Estimate.not_estimable(why, words, sample.n_fish)
    value = float(allelic_richness(sample.counts[None], g).values[0])
    replicates = allelic_richness(sample.drawn, g).values
    return sample.estimate(words, value, replicates, (1.0, float(g)))


def _private_richness(sample: ClassSample, others: Sequence[ClassSample], g: int, why: str) -> Estimate:
    words = f"private haplotypes rarefied to {g} fish (Kalinowski 2004)"
    if not why and not others:
        why = "there is no other group to compare with"
    if why:
        return Estimate.not_estimable(why, words, sample.n_fish)
    together = np.stack([sample.counts, *(o.counts for o in others)])
    value = float(private_allelic_richness(together[None], g).values[0, 0])
    # The replicates stand where loci stand in the array of counts.
    drawn = np.stack([sample.drawn, *(o.drawn for o in others)], axis=1)
    return sample.estimate(words, value, private_allelic_richness(drawn, g).values[0], (0.0, float(g)))


def _differences(sample: ClassSample, distances: _Distances | None, why: str, *, per_site: bool) -> Estimate:
    words = "nucleotide diversity (Nei 1987)" if per_site else "mean pairwise differences (Tajima 1983)"
    if distances is None:
        why = why or "no sequences were given"
    elif per_site and distances.n_sites == 0:
        why = why or "no site is read in every sequence"
    if why or distances is None:
        return Estimate.not_estimable(why, words, sample.n_fish)
    sites = float(distances.n_sites) if per_site else 1.0
    value = float(mean_pairwise_differences(sample.counts, distances.matrix)) / sites
    replicates = mean_pairwise_differences(sample.drawn, distances.matrix) / sites
    return sample.estimate(words, value, replicates, (0.0, np.inf))


def effective_females(
    counts_before: np.ndarray,
    counts_after: np.ndarray,
    generations: float = 1.0,
    *,
    n_replicates: int = 1000,
    level: float = 0.95,
    seed: int | np.random.Generator = 1,
) -> Estimate:
    """Effective number of females between two samples, from the loss of haplotype diversity.

    Parameters
    ----------
    counts_before, counts_after : array_like, int, shape (n_haplotypes,)
        Fish with each haplotype in the earlier and in the later sample.
    generations : float
        Generations between them, more than 0.
    n_replicates : int
        Bootstrap replicates over fish of both samples, 20 or more.
    level : float
        Coverage aimed at.
    seed : int or numpy.random.Generator
        Source of random numbers.

    Returns
    -------
    Estimate
        ``1 / Nfe = 1 - (Ht / H0)^(1 / t)``; infinite when no diversity was lost. The interval is made on
        the scale of 1 / Nfe and then inverted, so its upper limit is often infinite.

    Raises
    ------
    ShapeError, ValueRangeError
        If counts are not vectors of whole numbers, 0 or more, or `generations` is not above 0.
    UsageError
        If a setting cannot be used.

    Notes
    -----
    Supposes a closed population of the same females' lines and no selection. One generation of drift and
    two small samples leave a very wide interval: read the limits, not the value.

    References
    ----------
    .. [1] Crow & Kimura (1970), An Introduction to Population Genetics Theory, section 7.6 (decay of
       diversity, here for one gene copy per female).
    """
    check_resampling("fish", "recentred", n_replicates, level)
    if not generations > 0:
        raise ValueRangeError(
            f"effective females: found {generations} generations. Expected more than 0. "
            "Divide the years between the samples by the generation length."
        )
    rngs = np.random.default_rng(seed).spawn(2)
    before, after = (
        ClassSample.draw(count_check(c, "haplotype counts"), n_replicates, rng, level)
        for c, rng in zip((counts_before, counts_after), rngs, strict=True)
    )
    words = "1 / (1 - (Ht / H0)^(1 / t)) from haplotype diversities; bootstrap over fish of both samples"
    n = before.n_fish + after.n_fish
    if min(before.n_fish, after.n_fish) < 2:
        return Estimate.not_estimable("one of the samples has fewer than two fish read", words, n)
    h0, ht = (1.0 - float(same_class(s.counts)) for s in (before, after))
    if h0 <= 0:
        return Estimate.not_estimable("the earlier sample holds a single haplotype", words, n)
    rate = 1.0 - (ht / h0) ** (1.0 / generations)
    h0_drawn, ht_drawn = (1.0 - same_class(s.drawn) for s in (before, after))
    kept = h0_drawn > 0
    rates = 1.0 - (ht_drawn[kept] / h0_drawn[kept]) ** (1.0 / generations)
    low, high = interval_limits(
        rate, rates, "recentred", level, bounds=(-np.inf, 1.0), n_units=min(before.n_fish, after.n_fish)
    )
    note = "No diversity was lost between the samples." if rate <= 0 else ""
    return Estimate(inverse(rate), inverse(high), inverse(low), words, n, "fish", level, note)
