"""Relatedness from four classes of genotype similarity, with the chance of sharing one and two genes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from broodstock.arrays import CallArray, FloatArray
from broodstock.errors import ValueRangeError
from broodstock.genotypes.genotype_set import GenotypeSet
from broodstock.relatedness.locus_table import LocusTable, locus_table


@dataclass(frozen=True)
class SharedGenes:
    """Estimates of all pairs.

    Parameters
    ----------
    one : ndarray, float64, shape (n_fish, n_fish)
        Chance to share exactly one gene of a locus by descent (1 for parent and young).
    two : ndarray, float64, shape (n_fish, n_fish)
        Chance to share both genes (1/4 for full sibs, 1 for clones).
    """

    one: FloatArray
    two: FloatArray

    @property
    def relatedness(self) -> FloatArray:
        """Half of `one` plus `two`: twice kinship."""
        return self.one / 2 + self.two


def class_coefficients(a2: FloatArray, a3: FloatArray, a4: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Chances of the similarity classes as linear functions of sharing one or two genes.

    Parameters
    ----------
    a2, a3, a4 : ndarray, float64, shape (n_loci,)
        Sums of allele frequencies to the powers 2, 3 and 4.

    Returns
    -------
    unrelated : ndarray, float64, shape (n_loci, 3)
        Chances b, d, f that unrelated fish have the same genotype, match as homozygote and heterozygote, or
        as two heterozygotes sharing one allele.
    slopes : ndarray, float64, shape (n_loci, 3, 2)
        Change of these with the chance of sharing one gene and both genes.

    References
    ----------
    .. [1] Wang (2002), Genetics 160:1203-1215 (from memory, confirmed by enumeration).
    """
    b = 2 * a2**2 - a4
    c = a2 - 2 * a2**2 + a4
    d = 4 * (a3 - a4)
    e = 2 * (a2 - 3 * a3 + 2 * a4)
    f = 4 * (a2 - a2**2 - 2 * a3 + 2 * a4)
    g = 1 - 7 * a2 + 4 * a2**2 + 10 * a3 - 8 * a4
    unrelated = np.stack([b, d, f], axis=-1)
    slopes = np.stack([np.stack([c, 1 - b], -1), np.stack([e, -d], -1), np.stack([g, -f], -1)], axis=-2)
    return unrelated, slopes


def wang_shared_genes(genotypes: GenotypeSet | CallArray, frequency: FloatArray | None = None) -> SharedGenes:
    """Chances that pairs of fish share one or both genes of a locus by descent.

    Parameters
    ----------
    genotypes : GenotypeSet or ndarray of int, shape (n_loci, n_fish, 2)
        Calls, -1 where untyped; only neutral loci of a set are used.
    frequency : ndarray, float64, shape (n_loci, n_alleles), optional
        Reference frequencies. Default: observed among these fish, without correction for their own error.

    Returns
    -------
    SharedGenes
        Not forced into 0 to 1.

    Raises
    ------
    ShapeError, ValueRangeError
        As `locus_table`; also if the loci of a pair can't tell one shared gene from two.

    Notes
    -----
    Class frequencies are averaged over the loci typed in both fish with the weight ``1/u``, u being the
    expected similarity of unrelated fish, ``2 a2 - a3``. The two chances are fitted to them by least
    squares weighted with the multinomial covariance of unrelated fish.

    References
    ----------
    .. [1] Wang (2002), Genetics 160:1203-1215 (from memory).
    """
    table = locus_table(genotypes, frequency)
    return shared_genes_from_table(table, np.ones(table.n_loci))


def wang_relatedness(genotypes: GenotypeSet | CallArray, frequency: FloatArray | None = None) -> FloatArray:
    """Return the relatedness of `wang_shared_genes`, shape (n_fish, n_fish); the diagonal is 1.

    Raises
    ------
    ShapeError, ValueRangeError
        As `wang_shared_genes`.
    """
    return wang_shared_genes(genotypes, frequency).relatedness


def shared_genes_from_table(table: LocusTable, weight: FloatArray) -> SharedGenes:
    """Fit the chances of sharing genes with a weight per locus, shape (n_loci,).

    Raises
    ------
    ValueRangeError
        If the loci of a pair cannot tell one shared gene from two.
    """
    a2, a3, a4 = (table.power_sum(k) for k in (2, 3, 4))
    w = weight * (table.n_alleles > 1) / (2 * a2 - a3)
    unrelated, slopes = class_coefficients(a2, a3, a4)
    per_locus = np.concatenate([np.ones((table.n_loci, 1)), unrelated, slopes.reshape(-1, 6)], axis=1)
    sums = table.shared_weight((w[:, None] * per_locus).T)
    total = sums[0]
    if (total <= 0).any():
        i, j = (int(k) for k in np.argwhere(total <= 0)[0])
        raise ValueRangeError(
            f"similarity classes: found no varying locus typed in both {table.names[i]!r} and "
            f"{table.names[j]!r}. Expected at least one."
        )
    means = np.moveaxis(sums[1:] / total, 0, -1)
    mean_unrelated, mean_slopes = means[..., :3], means[..., 3:].reshape(*means.shape[:2], 3, 2)
    observed = _class_sums(table, w) / total[..., None]
    return _fit(observed, mean_unrelated, mean_slopes, table.names)


def _class_sums(table: LocusTable, weight: FloatArray) -> FloatArray:
    """Weighted number of loci in each of three similarity classes, shape (n_fish, n_fish, 3)."""
    w = weight[table.locus]
    homozygous = (table.dose == 2).astype(np.float64)
    heterozygous = (table.dose == 1).astype(np.float64)
    n = table.n_fish
    either = np.concatenate([homozygous, heterozygous])
    products = (either * w) @ either.T
    same_homozygote, mixed, shared_by_heterozygotes = products[:n, :n], products[:n, n:], products[n:, n:]
    mixed = mixed + mixed.T
    kinds, kind_locus = table.heterozygote_kinds
    same_heterozygote = (kinds * weight[kind_locus]) @ kinds.T
    share_one = shared_by_heterozygotes - 2 * same_heterozygote
    return np.stack([same_homozygote + same_heterozygote, mixed, share_one], axis=-1)


def _fit(
    observed: FloatArray, unrelated: FloatArray, slopes: FloatArray, names: tuple[str, ...]
) -> SharedGenes:
    """Solve the two chances of every pair by least squares with the multinomial covariance.

    The inverse covariance of the first three of four classes is ``diag(1/p) + 1/p4``.
    """
    rest = np.maximum(1 - unrelated.sum(axis=-1), 1e-12)
    per_class = 1 / np.maximum(unrelated, 1e-12)

    def product(x: FloatArray, y: FloatArray) -> FloatArray:
        """Inner product of class vectors in the inverse covariance."""
        return np.asarray((x * y * per_class).sum(axis=-1) + x.sum(axis=-1) * y.sum(axis=-1) / rest)

    to_one, to_two = slopes[..., 0], slopes[..., 1]
    excess = observed - unrelated
    one_one, one_two, two_two = product(to_one, to_one), product(to_one, to_two), product(to_two, to_two)
    right_one, right_two = product(to_one, excess), product(to_two, excess)
    determinant = one_one * two_two - one_two**2
    flat = determinant <= 1e-12 * one_one * two_two
    if flat.any():
        i, j = (int(k) for k in np.argwhere(flat)[0])
        raise ValueRangeError(
            f"similarity classes: the loci typed in both {names[i]!r} and {names[j]!r} can't tell one shared "
            "gene from two. Expected more loci or alleles. Use another estimator."
        )
    one = (two_two * right_one - one_two * right_two) / determinant
    two = (one_one * right_two - one_two * right_one) / determinant
    return SharedGenes(one, two)
