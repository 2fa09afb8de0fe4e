"""Fish sorted into groups, and their alleles counted in a form that resampling can reuse."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple, TypeAlias

import numpy as np

from broodstock.arrays import MISSING, BigIntArray, BoolArray, FloatArray
from broodstock.errors import ShapeError, UsageError, ValueRangeError
from broodstock.genotypes.genotype_set import GenotypeSet

Label: TypeAlias = str | int
"""Name of a group of fish: a year class, a site, a line."""


class LocusValues(NamedTuple):
    """One statistic at every locus.

    Parameters
    ----------
    values : ndarray, float64, shape (..., n_loci)
        The statistic; 0 where it cannot be computed (read `valid` first).
    valid : ndarray, bool, shape (..., n_loci)
        False where the locus does not allow the statistic (untyped, too few gene copies).
    """

    values: FloatArray
    valid: BoolArray

    def mean(self) -> FloatArray:
        """Return the mean over the loci that allow the statistic, shape (...); 0 where none does."""
        used = self.valid.sum(axis=-1)
        total = np.where(self.valid, self.values, 0.0).sum(axis=-1)
        return np.asarray(total / np.maximum(used, 1))


class AlleleSummary(NamedTuple):
    """What diversity statistics need to know about one group, possibly for many replicates at once.

    Parameters
    ----------
    counts : ndarray, int64, shape (..., n_loci, max_alleles)
        Gene copies of each allele.
    heterozygotes : ndarray, int64, shape (..., n_loci)
        Fish with two different alleles.
    typed : ndarray, int64, shape (..., n_loci)
        Fish with a call.
    """

    counts: BigIntArray
    heterozygotes: BigIntArray
    typed: BigIntArray


@dataclass(frozen=True)
class GroupCalls:
    """The calls of the fish of one group, as sums can be made from them quickly.

    Parameters
    ----------
    label : str or int
        Name of the group.
    dosage : ndarray, float32, shape (n_fish, n_loci * max_alleles)
        Copies (0, 1, 2) of every allele in every fish; 0 throughout at an untyped locus.
    heterozygous : ndarray, float32, shape (n_fish, n_loci)
        1 where the fish has two different alleles.
    typed : ndarray, float32, shape (n_fish, n_loci)
        1 where the fish has a call.
    max_alleles : int
        Allele slots per locus.
    ploidy : {1, 2}
        Gene copies one fish carries at a locus.
    """

    label: Label
    dosage: np.ndarray
    heterozygous: np.ndarray
    typed: np.ndarray
    max_alleles: int
    ploidy: int = 2

    @property
    def n_fish(self) -> int:
        """Number of fish of the group, typed or not."""
        return int(self.typed.shape[0])

    @property
    def n_loci(self) -> int:
        """Number of loci."""
        return int(self.typed.shape[1])

    @property
    def n_typed_fish(self) -> int:
        """Number of fish with a call at one locus at least."""
        return int((self.typed > 0).any(axis=1).sum())

    def summary(self, weights: FloatArray | None = None) -> AlleleSummary:
        """Count alleles, heterozygotes and typed fish.

        Parameters
        ----------
        weights : ndarray, shape (n_replicates, n_fish), optional
            Whole number of times each fish counts in each replicate; default once each, in which case
            the arrays returned have no replicate axis.

        Returns
        -------
        AlleleSummary
            Exact whole numbers.
        """
        w = np.ones((1, self.n_fish), dtype=np.float32) if weights is None else weights.astype(np.float32)
        # Sums of whole numbers below 2**24 are exact in single precision.
        counts = np.rint(w @ self.dosage).astype(np.int64).reshape(len(w), self.n_loci, self.max_alleles)
        het = np.rint(w @ self.heterozygous).astype(np.int64)
        typed = np.rint(w @ self.typed).astype(np.int64)
        if weights is None:
            return AlleleSummary(counts[0], het[0], typed[0])
        return AlleleSummary(counts, het, typed)


def group_members(
    groups: Sequence[Label | None], order: Sequence[Label] | None = None
) -> dict[Label, BigIntArray]:
    """Return the positions of the samples of every group.

    Parameters
    ----------
    groups : sequence of str, int or None
        Group of each sample; None leaves the sample out.
    order : sequence of str or int, optional
        Groups wanted, in the order wanted; a group without any sample stays in, empty. Default: every
        group, in the order of first appearance.

    Returns
    -------
    dict
        Positions (int64, rising) by label, in the order of the groups.

    Raises
    ------
    UsageError
        If `order` names a group twice.
    """
    if order is None:
        order = list(dict.fromkeys(g for g in groups if g is not None))
    elif len(set(order)) != len(order):
        twice = sorted({str(g) for g in order if list(order).count(g) > 1})
        raise UsageError(
            f"groups: found {', '.join(twice)} twice in the order wanted. Expected every group once. "
            "Name it once."
        )
    positions: dict[Label, list[int]] = {label: [] for label in order}
    for i, g in enumerate(groups):
        if g is not None and g in positions:
            positions[g].append(i)
    return {label: np.array(p, dtype=np.int64) for label, p in positions.items()}


def split_by_group(
    genotypes: GenotypeSet,
    groups: Sequence[Label | None],
    order: Sequence[Label] | None = None,
    ploidy: int = 2,
) -> list[GroupCalls]:
    """Sort the neutral calls of a genotype set by group.

    Parameters
    ----------
    genotypes : GenotypeSet
        Calls; only loci with the role ``neutral`` are used.
    groups : sequence of str, int or None
        Group of each sample, in the order of ``genotypes.samples``; None leaves a sample out.
    order : sequence of str or int, optional
        Groups wanted, in order; default every group, by first appearance.
    ploidy : {1, 2}
        1 when the calls stand for single gene copies written twice (haploid tissue or organelle).

    Returns
    -------
    list of GroupCalls
        One entry per group, empty groups included.

    Raises
    ------
    ShapeError
        If the number of labels is not the number of samples.
    UsageError
        If `ploidy` is neither 1 nor 2, or `order` names a group twice.
    ValueRangeError
        If `ploidy` is 1 and a call holds two different alleles.
    """
    if len(groups) != genotypes.n_samples:
        raise ShapeError(
            f"groups: found {len(groups)} labels for {genotypes.n_samples} samples. Expected one label per "
            "sample. Give None for a sample that belongs to no group."
        )
    if ploidy not in (1, 2):
        raise UsageError(f"ploidy: found {ploidy}. Expected 1 (haploid) or 2 (diploid). Give one of them.")
    neutral = genotypes.with_role("neutral")
    members = group_members(groups, order)
    width = max((len(a) for a in neutral.alleles), default=0)
    return [_group_calls(neutral, label, who, width, ploidy) for label, who in members.items()]


def _group_calls(
    genotypes: GenotypeSet, label: Label, members: BigIntArray, width: int, ploidy: int
) -> GroupCalls:
    calls = genotypes.calls[:, members]
    typed = calls[..., 0] != MISSING
    differs = typed & (calls[..., 0] != calls[..., 1])
    if ploidy == 1 and differs.any():
        locus, fish = np.argwhere(differs)[0]
        raise ValueRangeError(
            f"genotypes, locus {genotypes.loci[locus].name!r}, sample "
            f"{genotypes.samples[members[fish]]!r}: found two different alleles. Expected one allele, since "
            "the calls are said to be haploid. Use ploidy 2, or remove the call."
        )
    slots = np.arange(width, dtype=calls.dtype)
    dosage = (calls[:, :, 0, None] == slots).astype(np.float32)
    if ploidy == 2:
        dosage += calls[:, :, 1, None] == slots
    flat = np.ascontiguousarray(dosage.transpose(1, 0, 2)).reshape(len(members), genotypes.n_loci * width)
    return GroupCalls(
        label=label,
        dosage=flat,
        heterozygous=np.ascontiguousarray(differs.T.astype(np.float32)),
        typed=np.ascontiguousarray(typed.T.astype(np.float32)),
        max_alleles=width,
        ploidy=ploidy,
    )


def allele_counts_by_group(
    genotypes: GenotypeSet, groups: Sequence[Label | None], order: Sequence[Label] | None = None
) -> tuple[tuple[Label, ...], BigIntArray]:
    """Count the neutral alleles of every group.

    Parameters
    ----------
    genotypes, groups, order
        As in `split_by_group`.

    Returns
    -------
    labels : tuple of str or int
        The groups in order.
    counts : ndarray, int64, shape (n_loci, n_groups, max_alleles)
        Gene copies; 0 beyond a locus's own alleles.

    Raises
    ------
    ShapeError, UsageError
        As in `split_by_group`.
    """
    parts = split_by_group(genotypes, groups, order)
    labels = tuple(p.label for p in parts)
    if not parts:
        n_neutral = genotypes.with_role("neutral").n_loci
        return labels, np.zeros((n_neutral, 0, 0), dtype=np.int64)
    return labels, np.stack([p.summary().counts for p in parts], axis=1)


def check_allele_counts(counts: np.ndarray, where: str = "allele counts") -> BigIntArray:
    """Return allele counts as whole numbers, or say what is wrong with them.

    Parameters
    ----------
    counts : array_like, shape (..., n_loci, max_alleles)
        Gene copies per allele.
    where : str
        Place named in the message.

    Returns
    -------
    ndarray, int64
        The same counts.

    Raises
    ------
    ShapeError
        If the array has fewer than two dimensions.
    ValueRangeError
        If a count is negative, not whole, or not a number.
    """
    given = np.asarray(counts)
    if given.ndim < 2:
        raise ShapeError(
            f"{where}: found an array of shape {given.shape}. Expected (..., n_loci, max_alleles). "
            "Add the missing axis."
        )
    if given.dtype.kind not in "iub":
        bad = ~(np.isfinite(given) & (given == np.floor(given)))
        if bad.any():
            raise ValueRangeError(
                f"{where}: found {given[bad].flat[0]}. Expected whole numbers of gene copies. "
                "Give counts, not frequencies."
            )
    whole = given.astype(np.int64)
    if whole.size and whole.min() < 0:
        raise ValueRangeError(
            f"{where}: found {int(whole.min())}. Expected counts of 0 or more. Count untyped fish nowhere."
        )
    return whole
