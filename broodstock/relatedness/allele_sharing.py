"""Kinship from allele sharing, relative to the average pair; it needs no allele frequencies."""

from __future__ import annotations

import numpy as np

from broodstock.arrays import CallArray, FloatArray
from broodstock.errors import ShapeError, ValueRangeError
from broodstock.genotypes.genotype_set import GenotypeSet
from broodstock.relatedness.locus_table import LocusTable, checked_ratio, locus_table


def allele_sharing(genotypes: GenotypeSet | CallArray) -> FloatArray:
    """Share of matching alleles of all pairs of fish.

    Parameters
    ----------
    genotypes : GenotypeSet or ndarray of int, shape (n_loci, n_fish, 2)
        Calls, -1 where untyped; only neutral loci of a set are used.

    Returns
    -------
    ndarray, float64, shape (n_fish, n_fish)
        Chance that an allele drawn from each fish at a locus typed in both is the same; on the diagonal 1
        for a homozygote and 1/2 for a heterozygote, averaged.

    Raises
    ------
    ShapeError, ValueRangeError
        As `locus_table`.

    Examples
    --------
    Two fish alike as homozygotes, and one with the other allele, at one locus:

    >>> allele_sharing(np.array([[[0, 0], [0, 0], [1, 1]]])).tolist()
    [[1.0, 1.0, 0.0], [1.0, 1.0, 0.0], [0.0, 0.0, 1.0]]
    """
    table = locus_table(genotypes)
    return matching_from_table(table, np.ones(table.n_loci))


def allele_sharing_kinship(genotypes: GenotypeSet | CallArray) -> FloatArray:
    """Kinship relative to the average pair of the sample.

    Parameters
    ----------
    genotypes : GenotypeSet or ndarray of int, shape (n_loci, n_fish, 2)
        Calls, -1 where untyped; only neutral loci of a set are used. At least two fish.

    Returns
    -------
    ndarray, float64, shape (n_fish, n_fish)
        ``(M - m) / (1 - m)``, M the allele sharing and m its mean over pairs of different fish. The mean
        over those pairs is 0: a pair less alike than average is negative. The diagonal is self-kinship
        (1 + F)/2 on the same scale.

    Raises
    ------
    ShapeError, ValueRangeError
        As `locus_table`; also if there are fewer than two fish or all alleles are the same.

    Notes
    -----
    To use it as a probability, choose what counts as unrelated with `set_unrelated`.

    References
    ----------
    .. [1] Weir & Goudet (2017), Genetics 206:2085-2103.
    """
    table = locus_table(genotypes)
    return kinship_from_table(table, np.ones(table.n_loci))


def set_unrelated(kinship: FloatArray, unrelated: float) -> FloatArray:
    """Move the zero of a kinship table: pairs at `unrelated` become 0, full identity stays 1.

    Parameters
    ----------
    kinship : ndarray, float64, shape (n_fish, n_fish)
        On any base.
    unrelated : float
        Value, on that base, of pairs taken as unrelated; below 1.

    Returns
    -------
    ndarray, float64, same shape
        ``(K - u) / (1 - u)``.

    Raises
    ------
    ValueRangeError
        If `unrelated` is 1 or more.
    """
    if not unrelated < 1:
        raise ValueRangeError(f"unrelated pairs: found a kinship of {unrelated}. Expected a number below 1.")
    return np.asarray((kinship - unrelated) / (1 - unrelated), dtype=np.float64)


def mean_of_pairs(kinship: FloatArray) -> float:
    """Return the mean over pairs of different fish.

    Raises
    ------
    ShapeError
        If the table is not square or has fewer than two fish.
    """
    n = len(kinship)
    if kinship.shape != (n, n) or n < 2:
        raise ShapeError(
            f"kinship: found shape {kinship.shape}. Expected a square table of at least two fish."
        )
    return float((kinship.sum() - np.trace(kinship)) / (n * (n - 1)))


def matching_from_table(table: LocusTable, weight: FloatArray) -> FloatArray:
    """Compute the allele sharing with a weight per locus, shape (n_loci,)."""
    top = (table.dose * weight[table.locus]) @ table.dose.T / 4
    return checked_ratio(top, table.shared_weight(weight), table.names)


def kinship_from_table(table: LocusTable, weight: FloatArray) -> FloatArray:
    """Compute the allele-sharing kinship with a weight per locus, shape (n_loci,).

    Raises
    ------
    ValueRangeError
        If there are fewer than two fish or all alleles are the same.
    """
    if table.n_fish < 2:
        raise ValueRangeError("allele sharing: found one fish. Expected at least two.")
    matching = matching_from_table(table, weight)
    mean = mean_of_pairs(matching)
    if mean >= 1 - 1e-12:
        raise ValueRangeError("allele sharing: found only identical genotypes. Expected a locus that varies.")
    return set_unrelated(matching, mean)
