"""Allele counts of two samples of one population, brought to the same loci and alleles."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from broodstock.arrays import BigIntArray, CallArray
from broodstock.effective_size.allele_columns import neutral_calls
from broodstock.errors import ShapeError, UsageError
from broodstock.genotypes.genotype_set import GenotypeSet


@dataclass(frozen=True)
class PairedCounts:
    """Gene copies of each allele in two samples.

    Parameters
    ----------
    first, second : ndarray, int64, shape (n_loci, n_alleles)
        Gene copies; the same row and column mean the same locus and allele.
    n_fish : tuple of int
        Fish in each sample, untyped ones included.
    """

    first: BigIntArray
    second: BigIntArray
    n_fish: tuple[int, int]


def paired_counts(first: GenotypeSet | CallArray, second: GenotypeSet | CallArray) -> PairedCounts:
    """Count alleles of two samples, matching loci and alleles by name.

    Parameters
    ----------
    first, second : GenotypeSet or ndarray of int, shape (n_loci, n_fish, 2)
        Two sets (matched by the names of neutral loci and of alleles), or two arrays that use the same
        rows and allele numbers; -1 where untyped.

    Returns
    -------
    PairedCounts
        Of the loci that both samples have, in the order of the first.

    Raises
    ------
    UsageError
        If one sample is a set and the other an array, or two sets share no neutral locus.
    ShapeError
        If two arrays differ in their number of loci, or one is not a table of calls.
    ValueRangeError
        As `neutral_calls`.
    """
    if isinstance(first, GenotypeSet) != isinstance(second, GenotypeSet):
        raise UsageError(
            "two samples: found a genotype set and a bare array. Expected two of a kind, so that alleles "
            "can be matched."
        )
    if isinstance(first, GenotypeSet) and isinstance(second, GenotypeSet):
        return _by_name(first, second)
    calls = [neutral_calls(first)[0], neutral_calls(second)[0]]
    if calls[0].shape[0] != calls[1].shape[0]:
        raise ShapeError(
            f"two samples: found {calls[0].shape[0]} and {calls[1].shape[0]} loci. Expected the same rows in both."
        )
    width = int(max(c.max(initial=-1) for c in calls)) + 1
    counts = [_counts(c, width) for c in calls]
    return PairedCounts(counts[0], counts[1], (calls[0].shape[1], calls[1].shape[1]))


def _counts(calls: CallArray, width: int) -> BigIntArray:
    columns = [(calls == a).sum(axis=(1, 2)) for a in range(width)]
    return np.array(columns, dtype=np.int64).reshape(width, calls.shape[0]).T


def _by_name(first: GenotypeSet, second: GenotypeSet) -> PairedCounts:
    a, b = first.with_role("neutral"), second.with_role("neutral")
    row_of = {locus.name: i for i, locus in enumerate(b.loci)}
    shared = [(i, row_of[locus.name]) for i, locus in enumerate(a.loci) if locus.name in row_of]
    if not shared:
        raise UsageError(
            "two samples: found no neutral locus with the same name in both. Expected the same marker set; "
            "numbers from different marker sets can't be compared."
        )
    names = [sorted({*a.alleles[i], *b.alleles[j]}) for i, j in shared]
    width = max(len(n) for n in names)
    out = np.zeros((2, len(shared), width), dtype=np.int64)
    for side, (data, counts) in enumerate(((a, a.allele_counts()), (b, b.allele_counts()))):
        for row, rows in enumerate(shared):
            own = rows[side]
            for number, name in enumerate(data.alleles[own]):
                out[side, row, names[row].index(name)] += counts[own, number]
    return PairedCounts(out[0], out[1], (a.n_samples, b.n_samples))
