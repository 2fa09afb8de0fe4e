"""Moment estimators of pairwise relatedness for loci with any number of alleles.

All need the allele frequencies of a reference population in which pairs count as unrelated. Relatedness is
twice kinship: 0.5 for full sibs, 0.25 for half sibs.
"""

from __future__ import annotations

import numpy as np

from broodstock.arrays import CallArray, FloatArray
from broodstock.genotypes.genotype_set import GenotypeSet
from broodstock.relatedness.locus_table import LocusTable, checked_ratio, locus_table


def lynch_ritland_relatedness(
    genotypes: GenotypeSet | CallArray, frequency: FloatArray | None = None
) -> FloatArray:
    """Regression estimator of relatedness, averaged over which fish is the reference.

    Parameters
    ----------
    genotypes : GenotypeSet or ndarray of int, shape (n_loci, n_fish, 2)
        Calls, -1 where untyped; only neutral loci of a set are used.
    frequency : ndarray, float64, shape (n_loci, n_alleles), optional
        Reference frequencies. Default: observed among these fish.

    Returns
    -------
    ndarray, float64, shape (n_fish, n_fish)
        Relatedness; the diagonal is 1 and says nothing about inbreeding.

    Raises
    ------
    ShapeError, ValueRangeError
        As `locus_table`; also if no locus typed in both fish of a pair is informative.

    References
    ----------
    .. [1] Lynch & Ritland (1999), Genetics 152:1753-1766 (from memory, confirmed by enumeration).
    """
    table = locus_table(genotypes, frequency)
    return lynch_ritland_from_table(table, np.ones(table.n_loci))


def lynch_ritland_from_table(table: LocusTable, weight: FloatArray) -> FloatArray:
    """Compute the regression estimator with a weight per locus, shape (n_loci,).

    With reference x = (a, b), the published ratio times its weight is
    ``(1/2) sum over alleles of x y / p - 2``, the same whichever fish is the reference, and the weight is
    ``(1 + [a = b])/2 (1/p_a + 1/p_b) - 2``.

    Raises
    ------
    ValueRangeError
        If no locus typed in both fish of a pair is informative.
    """
    varies = weight * (table.n_alleles > 1)
    scaled = table.dose * (varies[table.locus] / table.frequency)
    top = scaled @ table.dose.T / 2 - 2 * table.shared_weight(varies)
    # A homozygote has dose 2: 2 (1/p); a heterozygote (1/p_a + 1/p_b); both halved again as x**2 / (2p).
    own = table.per_locus(table.dose**2 / (2 * table.frequency)) - 2 * table.typed
    bottom = (own * table.typed * varies) @ table.typed.T
    return (checked_ratio(top, bottom, table.names) + checked_ratio(top, bottom.T, table.names)) / 2


def queller_goodnight_relatedness(
    genotypes: GenotypeSet | CallArray, frequency: FloatArray | None = None
) -> FloatArray:
    """Relatedness as regression of allele sharing, both fish taking their turn as reference.

    Parameters
    ----------
    genotypes, frequency
        As `lynch_ritland_relatedness`.

    Returns
    -------
    ndarray, float64, shape (n_fish, n_fish)
        Sum of numerators over sum of denominators, over loci and both references. Relatedness; the diagonal
        is 1 and says nothing about inbreeding.

    Raises
    ------
    ShapeError, ValueRangeError
        As `locus_table`; also if a pair has no informative locus (for example only heterozygotes at loci
        with two alleles).

    References
    ----------
    .. [1] Queller & Goodnight (1989), Evolution 43:258-275 (from memory, confirmed by enumeration).
    """
    table = locus_table(genotypes, frequency)
    return queller_goodnight_from_table(table, np.ones(table.n_loci))


def queller_goodnight_from_table(table: LocusTable, weight: FloatArray) -> FloatArray:
    """Compute Queller & Goodnight's estimator with a weight per locus, shape (n_loci,).

    Raises
    ------
    ValueRangeError
        If a pair has no informative locus.
    """
    expected = table.per_locus(table.dose * table.frequency)
    own = table.per_locus(table.dose**2) / 2 - expected
    shared = (table.dose * weight[table.locus]) @ table.dose.T
    expected_pair = (expected * weight) @ table.typed.T
    own_pair = (own * weight) @ table.typed.T
    return checked_ratio(shared - expected_pair - expected_pair.T, own_pair + own_pair.T, table.names)


def loiselle_kinship(genotypes: GenotypeSet | CallArray, frequency: FloatArray | None = None) -> FloatArray:
    """Kinship as correlation of allele frequencies within fish.

    Parameters
    ----------
    genotypes, frequency
        As `lynch_ritland_relatedness`.

    Returns
    -------
    ndarray, float64, shape (n_fish, n_fish)
        Kinship (half of relatedness), on the diagonal self-kinship. With observed frequencies each locus's
        bias from estimating them, ``1/(2n - 1)``, is added back.

    Raises
    ------
    ShapeError, ValueRangeError
        As `locus_table`; also if no locus typed in both fish of a pair varies.

    References
    ----------
    .. [1] Loiselle, Sork, Nason & Graham (1995), American Journal of Botany 82:1420-1425 (from memory).
    """
    table = locus_table(genotypes, frequency)
    return loiselle_from_table(table, np.ones(table.n_loci))


def loiselle_from_table(table: LocusTable, weight: FloatArray) -> FloatArray:
    """Compute Loiselle's estimator with a weight per locus, shape (n_loci,).

    Raises
    ------
    ValueRangeError
        If no locus typed in both fish of a pair varies.
    """
    centred = (table.dose / 2 - table.frequency) * table.typed_columns
    variance = 1 - table.power_sum(2)
    top = (centred * weight[table.locus]) @ centred.T
    if table.observed:
        n = table.typed.sum(axis=0)
        top = top + table.shared_weight(weight * variance / (2 * n - 1))
    return checked_ratio(top, table.shared_weight(weight * variance), table.names)
