"""Diversity statistics of several groups at once, with their bootstrap replicates."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from broodstock.arrays import BoolArray, FloatArray
from broodstock.diversity.groups import AlleleSummary, GroupCalls, Label
from broodstock.diversity.heterozygosity import (
    effective_alleles,
    expected_heterozygosity,
    observed_heterozygosity,
)
from broodstock.diversity.resampling import Over, draw_weights
from broodstock.diversity.richness import (
    common_sample_size,
    number_of_alleles,
    private_from_absence,
    probability_absent,
)

PER_LOCUS = (
    "observed_heterozygosity",
    "expected_heterozygosity",
    "allelic_richness",
    "private_allelic_richness",
    "number_of_alleles",
    "effective_alleles",
)
"""Statistics that are means over loci."""

STATISTICS = (*PER_LOCUS, "inbreeding_coefficient")
"""All statistics of a group."""

_CHUNK = 2_000_000


@dataclass(frozen=True)
class RarefactionDesign:
    """What a rarefied comparison uses.

    Parameters
    ----------
    g : int
        Gene copies drawn; 0 when no group is large enough.
    loci : ndarray, bool, shape (n_loci,)
        Loci at which every group that takes part has g copies or more.
    takes_part : ndarray, bool, shape (n_groups,)
        Groups compared.
    """

    g: int
    loci: BoolArray
    takes_part: BoolArray


@dataclass(frozen=True)
class GroupStatistics:
    """Estimates, replicates and influence of single units for every group and statistic.

    Parameters
    ----------
    labels : tuple of str or int
        Groups in order.
    values : dict of str to ndarray, float64, shape (n_groups,)
        Estimate by statistic; meaningless where `valid` is False.
    valid : dict of str to ndarray, bool, shape (n_groups,)
        Where the estimate exists.
    loci_used : dict of str to ndarray, int64, shape (n_groups,)
        Loci behind each estimate.
    replicates : dict of str to ndarray, float64, shape (n_replicates, n_groups)
        Bootstrap values. A replicate that holds no usable locus is NaN: leave it out.
    influence : dict of str to list of ndarray
        Per group, how far leaving each resampled unit out lowers the statistic; empty arrays unless asked
        for.
    design : RarefactionDesign
        Sample size, loci and groups of the rarefied statistics.
    """

    labels: tuple[Label, ...]
    values: dict[str, FloatArray]
    valid: dict[str, BoolArray]
    loci_used: dict[str, np.ndarray]
    replicates: dict[str, FloatArray]
    influence: dict[str, list[FloatArray]]
    design: RarefactionDesign


def rarefaction_design(
    copies: np.ndarray, g: int | None = None, locus_share: float = 0.9, smallest: int = 10
) -> RarefactionDesign:
    """Choose the loci and groups of a rarefied comparison, and its sample size unless given.

    Parameters
    ----------
    copies : ndarray, int, shape (n_loci, n_groups)
        Gene copies read.
    g : int, optional
        Gene copies to draw; default from `common_sample_size`.
    locus_share, smallest
        As in `common_sample_size`; used when `g` is not given.

    Returns
    -------
    RarefactionDesign
        A group takes part when it has g copies at half the loci that any group was typed at, or more.

    Raises
    ------
    ShapeError, UsageError
        As in `common_sample_size`.
    """
    size = common_sample_size(copies, locus_share, smallest) if g is None else g
    n_loci, n_groups = copies.shape
    nothing = RarefactionDesign(size, np.zeros(n_loci, dtype=bool), np.zeros(n_groups, dtype=bool))
    if size < 1 or copies.size == 0:
        return nothing
    typed = copies.max(axis=1) > 0
    enough = copies >= size
    takes_part = 2 * enough.sum(axis=0) >= max(1, int(typed.sum()))
    if not takes_part.any():
        return nothing
    return RarefactionDesign(size, enough[:, takes_part].all(axis=1), takes_part)


def group_statistics(
    parts: Sequence[GroupCalls],
    n_replicates: int = 0,
    over: Over = "fish",
    seed: int | np.random.Generator = 1,
    g: int | None = None,
    with_influence: bool = False,
) -> GroupStatistics:
    """Compute every diversity statistic of every group, with bootstrap replicates.

    Parameters
    ----------
    parts : sequence of GroupCalls
        Groups over the same loci.
    n_replicates : int
        Bootstrap replicates; 0 for estimates alone.
    over : {'fish', 'loci', 'both'}
        What is resampled. Fish are resampled whole, so that loci stay together; loci are the same in
        all groups of a replicate, so that groups can be compared replicate by replicate.
    seed : int or numpy.random.Generator
        Source of random numbers.
    g : int, optional
        Gene copies of the rarefied statistics; default the largest common size.
    with_influence : bool
        Also leave out each unit in turn (for bias-corrected and accelerated intervals).

    Returns
    -------
    GroupStatistics

    Raises
    ------
    UsageError
        If `g` is below 1.

    Notes
    -----
    A locus counts for a group when two fish or more were typed at it. A locus that a replicate cannot
    estimate (all its typed fish left out) keeps the estimate of the whole sample in that replicate.
    """
    full = [p.summary() for p in parts]
    n_groups = len(parts)
    n_loci = parts[0].n_loci if parts else 0
    copies = (
        np.stack([s.counts.sum(axis=-1) for s in full], axis=1) if parts else np.zeros((0, 0), dtype=np.int64)
    )
    design = rarefaction_design(copies, g)
    absent = [_absence(s, design.g) for s in full]
    masks = [_locus_masks(s, design, j) for j, s in enumerate(full)]
    private = _private_values(absent, design)
    point = [_locus_values(s, a, p, design) for s, a, p in zip(full, absent, private, strict=True)]
    values = {name: np.zeros(n_groups) for name in STATISTICS}
    valid = {name: np.zeros(n_groups, dtype=bool) for name in STATISTICS}
    used = {name: np.zeros(n_groups, dtype=np.int64) for name in STATISTICS}
    for j in range(n_groups):
        for name, number in _means(point[j], masks[j]).items():
            values[name][j] = 0.0 if np.isnan(number) else float(number)
            valid[name][j] = not np.isnan(number)
            used[name][j] = masks[j][_mask_of(name)].sum()
    replicates = {name: np.full((n_replicates, n_groups), np.nan) for name in STATISTICS}
    if n_replicates and n_groups and n_loci:
        _fill_replicates(replicates, parts, point, masks, absent, design, over, seed)
    empty = np.zeros(0)
    influence = {name: [empty] * n_groups for name in STATISTICS}
    if with_influence:
        for j, part in enumerate(parts):
            for name, u in _influence(part, absent, j, design, point[j], masks[j], over).items():
                influence[name][j] = u
    return GroupStatistics(tuple(p.label for p in parts), values, valid, used, replicates, influence, design)


def _mask_of(name: str) -> str:
    return "expected_heterozygosity" if name == "inbreeding_coefficient" else name


def _locus_masks(summary: AlleleSummary, design: RarefactionDesign, j: int) -> dict[str, BoolArray]:
    """Which loci each statistic of group j uses."""
    two_typed = summary.typed >= 2
    nowhere = np.zeros_like(two_typed)
    rarefied = design.loci if design.takes_part[j] else nowhere
    private = rarefied if design.takes_part.sum() >= 2 else nowhere
    masks = dict.fromkeys(PER_LOCUS, two_typed)
    masks["allelic_richness"] = rarefied
    masks["private_allelic_richness"] = private
    return masks


def _absence(summary: AlleleSummary, g: int) -> FloatArray:
    if g < 1:
        return np.ones(summary.counts.shape, dtype=np.float64)
    return probability_absent(summary.counts, g)


def _locus_values(
    summary: AlleleSummary, absent: FloatArray, private: FloatArray, design: RarefactionDesign
) -> dict[str, FloatArray]:
    """Values per locus of one group, shape (..., n_loci); NaN where a locus cannot give one."""
    found = {
        "observed_heterozygosity": observed_heterozygosity(summary.heterozygotes, summary.typed),
        "expected_heterozygosity": expected_heterozygosity(summary.counts),
        "number_of_alleles": number_of_alleles(summary.counts),
        "effective_alleles": effective_alleles(summary.counts),
    }
    out = {name: np.where(v.valid, v.values, np.nan) for name, v in found.items()}
    enough = summary.counts.sum(axis=-1) >= max(design.g, 1)
    out["allelic_richness"] = np.where(enough, (1.0 - absent).sum(axis=-1), np.nan)
    out["private_allelic_richness"] = private
    return out


def _private_values(absent: Sequence[FloatArray], design: RarefactionDesign) -> list[FloatArray]:
    """Private richness per locus of every group, shape (..., n_loci).

    NaN where a group that takes part has fewer than g copies, and throughout for groups that do not.
    """
    nothing = [np.full(a.shape[:-1], np.nan) for a in absent]
    compared = np.flatnonzero(design.takes_part)
    if len(compared) < 2:
        return nothing
    together = np.stack(np.broadcast_arrays(*(absent[k] for k in compared)))
    reached = (together < 1.0).any(axis=-1).all(axis=0)
    values = private_from_absence(together)
    for k, own in zip(compared, values, strict=True):
        nothing[k] = np.where(reached, own, np.nan)
    return nothing


def _means(
    per_locus: dict[str, FloatArray],
    masks: dict[str, BoolArray],
    weights: FloatArray | None = None,
) -> dict[str, FloatArray]:
    """Means over the loci of each mask, plain or weighted, shape (...); NaN where there is no locus."""
    out: dict[str, FloatArray] = {}
    for name in PER_LOCUS:
        mask = masks[name]
        x = per_locus[name][..., mask]
        w = np.ones(x.shape[-1]) if weights is None else weights[..., mask]
        total = np.asarray(w.sum(axis=-1))
        mean = np.asarray((w * x).sum(axis=-1) / np.where(total > 0, total, 1.0))
        out[name] = np.where(total > 0, mean, np.nan)
    he = out["expected_heterozygosity"]
    varies = he > 0
    fis = 1.0 - out["observed_heterozygosity"] / np.where(varies, he, 1.0)
    out["inbreeding_coefficient"] = np.where(varies, fis, np.nan)
    return out


def _filled(per_locus: dict[str, FloatArray], point: dict[str, FloatArray]) -> dict[str, FloatArray]:
    """Give a locus that a replicate could not estimate the estimate of the whole sample."""
    return {name: np.where(np.isnan(v), point[name], v) for name, v in per_locus.items()}


def _fill_replicates(
    replicates: dict[str, FloatArray],
    parts: Sequence[GroupCalls],
    point: Sequence[dict[str, FloatArray]],
    masks: Sequence[dict[str, BoolArray]],
    absent: Sequence[FloatArray],
    design: RarefactionDesign,
    over: Over,
    seed: int | np.random.Generator,
) -> None:
    n_replicates = len(replicates["expected_heterozygosity"])
    n_loci, width = parts[0].n_loci, max(parts[0].max_alleles, 1)
    *fish_rngs, locus_rng = np.random.default_rng(seed).spawn(len(parts) + 1)
    locus_weights = draw_weights(n_loci, n_replicates, locus_rng) if over != "fish" else None
    if over == "loci":
        for j in range(len(parts)):
            for name, numbers in _means(point[j], masks[j], locus_weights).items():
                replicates[name][:, j] = numbers
        return
    fish_weights = [_typed_fish_weights(p, n_replicates, r) for p, r in zip(parts, fish_rngs, strict=True)]
    chunk = max(1, _CHUNK // (n_loci * width * len(parts)))
    for start in range(0, n_replicates, chunk):
        rows = slice(start, min(start + chunk, n_replicates))
        drawn = [p.summary(w[rows]) for p, w in zip(parts, fish_weights, strict=True)]
        missing = [_absence(s, design.g) for s in drawn]
        private = _private_values(missing, design)
        w_loci = None if locus_weights is None else locus_weights[rows]
        for j, s in enumerate(drawn):
            per_locus = _filled(_locus_values(s, missing[j], private[j], design), point[j])
            for name, numbers in _means(per_locus, masks[j], w_loci).items():
                replicates[name][rows, j] = numbers


def permuted_statistics(
    parts: Sequence[GroupCalls],
    statistic: str,
    design: RarefactionDesign,
    n_permutations: int,
    rng: np.random.Generator,
) -> FloatArray:
    """Compute a statistic of every group when whole fish are dealt to groups of the same sizes.

    Parameters
    ----------
    parts : sequence of GroupCalls
        Groups over the same loci.
    statistic : str
        One of `STATISTICS`.
    design : RarefactionDesign
        Sample size, loci and groups of the rarefied statistics, from the groups as they are.
    n_permutations : int
        Permutations.
    rng : numpy.random.Generator
        Source of random numbers.

    Returns
    -------
    ndarray, float64, shape (n_permutations, n_groups)
        NaN where an arrangement gives no value. Loci are those used in the groups as they are; one that an
        arrangement cannot estimate takes the value of all fish together.
    """
    pool = GroupCalls(
        "pool",
        np.concatenate([p.dosage for p in parts]),
        np.concatenate([p.heterozygous for p in parts]),
        np.concatenate([p.typed for p in parts]),
        parts[0].max_alleles,
        parts[0].ploidy,
    )
    known = np.flatnonzero((pool.typed > 0).any(axis=1))
    group = np.concatenate([np.full(p.n_fish, j) for j, p in enumerate(parts)])[known]
    masks = [_locus_masks(p.summary(), design, j) for j, p in enumerate(parts)]
    whole = pool.summary()
    # Private alleles have no meaning when all fish are one group: they stay NaN here.
    none = np.full(whole.typed.shape, np.nan)
    point = _locus_values(whole, _absence(whole, design.g), none, design)
    out = np.empty((n_permutations, len(parts)))
    chunk = max(1, _CHUNK // max(1, pool.n_loci * max(pool.max_alleles, 1) * len(parts)))
    for start in range(0, n_permutations, chunk):
        rows = slice(start, min(start + chunk, n_permutations))
        shuffled = rng.permuted(np.broadcast_to(group, (rows.stop - start, len(group))), axis=1)
        drawn = []
        for j in range(len(parts)):
            weights = np.zeros((rows.stop - start, pool.n_fish))
            weights[:, known] = shuffled == j
            drawn.append(pool.summary(weights))
        missing = [_absence(s, design.g) for s in drawn]
        private = _private_values(missing, design)
        for j, s in enumerate(drawn):
            per_locus = _filled(_locus_values(s, missing[j], private[j], design), point)
            out[rows, j] = _means(per_locus, masks[j])[statistic]
    return out


def _typed_fish_weights(part: GroupCalls, n_replicates: int, rng: np.random.Generator) -> FloatArray:
    """Bootstrap weights over the fish that have any call; the others count nowhere."""
    typed = np.flatnonzero((part.typed > 0).any(axis=1))
    weights = np.zeros((n_replicates, part.n_fish), dtype=np.float64)
    if len(typed):
        weights[:, typed] = draw_weights(len(typed), n_replicates, rng)
    return weights


def _influence(
    part: GroupCalls,
    absent: Sequence[FloatArray],
    j: int,
    design: RarefactionDesign,
    point: dict[str, FloatArray],
    masks: dict[str, BoolArray],
    over: Over,
) -> dict[str, FloatArray]:
    """How far leaving out each unit lowers each statistic, fish first, then loci."""
    found: dict[str, list[FloatArray]] = {name: [] for name in STATISTICS}
    if over != "loci":
        typed = np.flatnonzero((part.typed > 0).any(axis=1))
        weights = np.ones((len(typed), part.n_fish))
        weights[np.arange(len(typed)), typed] = 0.0
        if len(typed) >= 2:
            s = part.summary(weights)
            missing = [a if k != j else _absence(s, design.g) for k, a in enumerate(absent)]
            private = _private_values(missing, design)[j]
            per_locus = _filled(_locus_values(s, missing[j], private, design), point)
            for name, numbers in _means(per_locus, masks).items():
                found[name].append(_centred(numbers))
    if over != "fish":
        n_loci = len(masks["expected_heterozygosity"])
        for name, numbers in _means(point, masks, 1.0 - np.eye(n_loci)).items():
            used = masks[_mask_of(name)]
            found[name].append(_centred(numbers[used]))
    return {name: np.concatenate(u) if u else np.zeros(0) for name, u in found.items()}


def _centred(left_out: FloatArray) -> FloatArray:
    kept = left_out[~np.isnan(left_out)]
    if kept.size < 2:
        return np.zeros(0)
    return np.asarray((kept.mean() - kept) * (kept.size - 1) / kept.size)
