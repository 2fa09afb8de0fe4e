"""Genomic relationship from marker doses centred on allele frequencies."""

from __future__ import annotations

import numpy as np

from broodstock.arrays import CallArray, FloatArray
from broodstock.genotypes.genotype_set import GenotypeSet
from broodstock.relatedness.locus_table import LocusTable, checked_ratio, locus_table


def genomic_relationship(
    genotypes: GenotypeSet | CallArray, frequency: FloatArray | None = None
) -> FloatArray:
    """Genomic relationship matrix, method 1 of VanRaden.

    Parameters
    ----------
    genotypes : GenotypeSet or ndarray of int, shape (n_loci, n_fish, 2)
        Calls, -1 where untyped; only neutral loci of a set are used.
    frequency : ndarray, float64, shape (n_loci, n_alleles), optional
        Frequencies in the base population. Default: observed among these fish, which makes the average
        relationship of the sample about 0.

    Returns
    -------
    ndarray, float64, shape (n_fish, n_fish)
        On the scale of additive relationship (twice kinship; 1 + F on the diagonal). Pairs less related
        than the base are negative.

    Raises
    ------
    ShapeError, ValueRangeError
        As `locus_table`; also if no locus typed in both fish of a pair varies.

    Notes
    -----
    ``sum (x - 2p)(y - 2p) / sum 2p(1 - p)``, both sums over the loci typed in both fish and over all
    alleles; with two alleles this is VanRaden's matrix. With missing calls the pairs rest on different
    loci, and the matrix need not be positive semidefinite.

    References
    ----------
    .. [1] VanRaden (2008), Journal of Dairy Science 91:4414-4423.
    """
    table = locus_table(genotypes, frequency)
    return relationship_from_table(table, np.ones(table.n_loci))


def genomic_kinship(genotypes: GenotypeSet | CallArray, frequency: FloatArray | None = None) -> FloatArray:
    """Return half of `genomic_relationship`: the same on the scale of kinship.

    Raises
    ------
    ShapeError, ValueRangeError
        As `genomic_relationship`.
    """
    return genomic_relationship(genotypes, frequency) / 2


def relationship_from_table(table: LocusTable, weight: FloatArray) -> FloatArray:
    """Compute the genomic relationship with a weight per locus (whole numbers in a bootstrap).

    Parameters
    ----------
    table : LocusTable
    weight : ndarray, float64, shape (n_loci,)

    Returns
    -------
    ndarray, float64, shape (n_fish, n_fish)

    Raises
    ------
    ValueRangeError
        If no locus typed in both fish of a pair varies.
    """
    centred = (table.dose - 2 * table.frequency) * table.typed_columns
    top = (centred * weight[table.locus]) @ centred.T
    variance = 2 * (1 - table.power_sum(2))
    return checked_ratio(top, table.shared_weight(weight * variance), table.names)
