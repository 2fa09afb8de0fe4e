"""Genotypes as one column of allele doses per allele, for methods that compare alleles."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from broodstock.arrays import MISSING, BigIntArray, CallArray, FloatArray
from broodstock.errors import ShapeError, ValueRangeError
from broodstock.genotypes.genotype_set import GenotypeSet

DoseArray: TypeAlias = npt.NDArray[np.float32]


@dataclass(frozen=True)
class AlleleColumns:
    """Doses of each allele in each fish.

    A locus with two observed alleles has one column (the other carries the same information); a locus
    with three or more has one column per allele; a locus with a single allele has none.

    Parameters
    ----------
    dose : ndarray, float32, shape (n_fish, n_columns)
        Copies of the allele, 0, 1 or 2; -1 where untyped.
    locus : ndarray, int64, shape (n_columns,)
        Row number of the locus in the genotypes.
    frequency : ndarray, float64, shape (n_columns,)
        Frequency of the allele among typed fish.
    copies : ndarray, int64, shape (n_columns,)
        Gene copies of the allele or of all the others, whichever are fewer.
    n_alleles : ndarray, int64, shape (n_columns,)
        Observed alleles at the locus of the column.
    linkage_group : ndarray, int64, shape (n_columns,)
        Number of the chromosome or linkage group; -1 if not known.
    fish : ndarray, int64, shape (n_fish,)
        Positions of the fish in the genotypes; fish with no call at all are left out.
    """

    dose: DoseArray
    locus: BigIntArray
    frequency: FloatArray
    copies: BigIntArray
    n_alleles: BigIntArray
    linkage_group: BigIntArray
    fish: BigIntArray

    @property
    def n_fish(self) -> int:
        """Number of fish with at least one call."""
        return self.dose.shape[0]

    @property
    def n_columns(self) -> int:
        """Number of allele columns."""
        return self.dose.shape[1]

    @property
    def minor_frequency(self) -> FloatArray:
        """Frequency of the allele or of all the others, whichever is lower, shape (n_columns,)."""
        return np.minimum(self.frequency, 1 - self.frequency)


def neutral_calls(genotypes: GenotypeSet | CallArray) -> tuple[CallArray, list[str]]:
    """Return the calls of the neutral loci and the linkage group of each.

    Parameters
    ----------
    genotypes : GenotypeSet or ndarray of int, shape (n_loci, n_fish, 2)
        Of a set only the loci with the role ``neutral`` are used. A bare array is used whole, and its
        linkage groups are unknown. -1 where untyped.

    Returns
    -------
    calls : ndarray, int16, shape (n_neutral, n_fish, 2)
    groups : list of str, length n_neutral
        Empty text where the linkage group is unknown.

    Raises
    ------
    ShapeError
        If a bare array does not hold whole numbers in three dimensions, the last of length 2.
    ValueRangeError
        If a bare array has numbers below -1 or above 32 767, or half-missing calls.
    """
    if isinstance(genotypes, GenotypeSet):
        neutral = [i for i, locus in enumerate(genotypes.loci) if locus.role == "neutral"]
        calls = genotypes.calls if len(neutral) == genotypes.n_loci else genotypes.calls[neutral]
        return calls, [genotypes.loci[i].linkage_group for i in neutral]
    array = np.asarray(genotypes)
    if array.ndim != 3 or array.shape[2] != 2 or array.dtype.kind not in "iu":
        raise ShapeError(
            f"genotype calls: found an array of shape {array.shape} and type {array.dtype}. Expected whole "
            "numbers of shape (loci, fish, 2): two allele numbers per fish and locus, -1 where untyped."
        )
    if not array.size:
        return array.astype(np.int16), [""] * array.shape[0]
    half = (array[..., 0] < 0) != (array[..., 1] < 0)
    if array.min() < MISSING or array.max() > np.iinfo(np.int16).max or half.any():
        raise ValueRangeError(
            f"genotype calls: found allele numbers from {array.min()} to {array.max()} and {int(half.sum())} "
            "half-missing calls. Expected two numbers from 0 to 32767, or -1 twice. Set half calls missing."
        )
    return array.astype(np.int16), [""] * array.shape[0]


def allele_columns(genotypes: GenotypeSet | CallArray) -> AlleleColumns:
    """Turn genotype calls into allele doses.

    Parameters
    ----------
    genotypes : GenotypeSet or ndarray of int, shape (n_loci, n_fish, 2)
        Calls, -1 where untyped; only neutral loci of a set are used.

    Returns
    -------
    AlleleColumns
        Columns ordered by falling minor frequency, ties by locus then allele.

    Raises
    ------
    ShapeError, ValueRangeError
        As `neutral_calls`.
    """
    calls, group_names = neutral_calls(genotypes)
    n_loci, n_fish = calls.shape[:2]
    typed = calls[..., 0] >= 0
    kept_fish = np.flatnonzero(typed.any(axis=0)) if n_loci else np.zeros(0, dtype=np.int64)
    if len(kept_fish) < n_fish:
        calls, typed = calls[:, kept_fish], typed[:, kept_fish]
    copies_of = [(calls == a).sum(axis=(1, 2)) for a in range(int(calls.max(initial=-1)) + 1)]
    counts = np.array(copies_of, dtype=np.int64).reshape(len(copies_of), n_loci)
    n_observed = (counts > 0).sum(axis=0)
    total = counts.sum(axis=0)

    rows: list[npt.NDArray[np.float32]] = []
    loci: list[npt.NDArray[np.int64]] = []
    frequencies: list[FloatArray] = []
    done = np.zeros(n_loci, dtype=bool)
    for a in range(len(copies_of)):
        # Of two alleles only the first met gets a column; of three or more every observed one.
        use = (counts[a] > 0) & ((n_observed > 2) | ((n_observed == 2) & ~done))
        done |= counts[a] > 0
        at = np.flatnonzero(use)
        dose = (calls[at] == a).sum(axis=2).astype(np.float32)
        dose[~typed[at]] = MISSING
        rows.append(dose)
        loci.append(at)
        frequencies.append(counts[a, at] / total[at])
    locus = np.concatenate(loci) if loci else np.zeros(0, dtype=np.int64)
    frequency = np.concatenate(frequencies) if frequencies else np.zeros(0)
    dose = np.concatenate(rows) if rows else np.zeros((0, len(kept_fish)), dtype=np.float32)
    order = np.lexsort((frequency, locus, -np.minimum(frequency, 1 - frequency).round(12)))
    locus, frequency = locus[order], frequency[order]
    copies = np.rint(frequency * total[locus]).astype(np.int64)
    numbers = {name: i for i, name in enumerate(sorted({g for g in group_names if g}))}
    group = np.array([numbers.get(g, -1) for g in group_names], dtype=np.int64)
    return AlleleColumns(
        dose=np.ascontiguousarray(dose[order].T),
        locus=locus,
        frequency=frequency,
        copies=np.minimum(copies, total[locus] - copies),
        n_alleles=n_observed[locus].astype(np.int64),
        linkage_group=group[locus] if n_loci else np.zeros(0, dtype=np.int64),
        fish=kept_fish.astype(np.int64),
    )
