"""Kinship from heterozygote counts, robust to population structure; needs no allele frequencies."""

from __future__ import annotations

import numpy as np

from broodstock.arrays import CallArray, FloatArray
from broodstock.errors import ValueRangeError
from broodstock.genotypes.genotype_set import GenotypeSet
from broodstock.relatedness.locus_table import LocusTable, checked_ratio, locus_table


def robust_kinship(genotypes: GenotypeSet | CallArray, within_family: bool = False) -> FloatArray:
    """Kinship of pairs from loci with two alleles, without allele frequencies.

    Parameters
    ----------
    genotypes : GenotypeSet or ndarray of int, shape (n_loci, n_fish, 2)
        Calls, -1 where untyped. Only neutral loci with exactly two observed alleles are used.
    within_family : bool
        Divide by the heterozygotes of both fish, which suits pairs of one family; otherwise by those of the
        fish with fewer, which stays near or below 0 for pairs from different populations.

    Returns
    -------
    ndarray, float64, shape (n_fish, n_fish)
        Kinship; 1/2 on the diagonal, which says nothing about inbreeding.

    Raises
    ------
    ShapeError, ValueRangeError
        As `locus_table`; also if no locus has exactly two alleles, or a pair has no heterozygote at the
        loci it shares.

    References
    ----------
    .. [1] Manichaikul et al. (2010), Bioinformatics 26:2867-2873 (from memory).
    """
    table = locus_table(genotypes)
    return robust_from_table(table, np.ones(table.n_loci), within_family)


def robust_from_table(table: LocusTable, weight: FloatArray, within_family: bool = False) -> FloatArray:
    """Compute the robust kinship with a weight per locus, shape (n_loci,).

    Raises
    ------
    ValueRangeError
        If no locus has exactly two alleles, or a pair shares no heterozygote.
    """
    two = table.n_alleles == 2
    if not two.any():
        raise ValueRangeError(
            "robust kinship: found no locus with exactly two alleles. Expected biallelic loci; use another "
            "estimator for loci with more."
        )
    first = np.flatnonzero(np.diff(table.locus, prepend=-1))[two]
    dose, typed, w = table.dose[:, first], table.typed[:, two], weight[two]
    het = (dose == 1) * typed
    high, low = (dose == 2) * typed, (dose == 0) * typed
    both_het = (het * w) @ het.T
    opposite = (high * w) @ low.T
    opposite = opposite + opposite.T
    het_first = (het * w) @ typed.T
    het_second = het_first.T
    if within_family:
        return checked_ratio(both_het - 2 * opposite, het_first + het_second, table.names)
    fewest = np.minimum(het_first, het_second)
    return (
        checked_ratio(both_het - 2 * opposite, 2 * fewest, table.names)
        + 0.5
        - checked_ratio(het_first + het_second, 4 * fewest, table.names)
    )
