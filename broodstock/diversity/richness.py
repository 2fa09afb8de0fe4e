"""Number of alleles, rarefied to a common sample size, in one group and private to it."""

from __future__ import annotations

import numpy as np

from broodstock.arrays import FloatArray
from broodstock.diversity.groups import LocusValues, check_allele_counts
from broodstock.errors import ShapeError, UsageError


def number_of_alleles(counts: np.ndarray) -> LocusValues:
    """Alleles seen at each locus, whatever the sample size.

    Parameters
    ----------
    counts : array_like, int, shape (..., n_loci, max_alleles)
        Gene copies of each allele.

    Returns
    -------
    LocusValues
        ``valid`` is False where no gene copy was read.

    Raises
    ------
    ShapeError, ValueRangeError
        As in `check_allele_counts`.

    Examples
    --------
    >>> number_of_alleles(np.array([[3, 0, 1], [0, 0, 0]])).values.tolist()
    [2.0, 0.0]
    """
    c = check_allele_counts(counts)
    return LocusValues((c > 0).sum(axis=-1).astype(np.float64), c.sum(axis=-1) > 0)


def probability_absent(counts: np.ndarray, g: int) -> FloatArray:
    """Probability that each allele is absent from g gene copies drawn without replacement.

    Parameters
    ----------
    counts : array_like, int, shape (..., n_loci, max_alleles)
        Gene copies of each allele.
    g : int
        Gene copies drawn, 1 or more.

    Returns
    -------
    ndarray, float64, shape (..., n_loci, max_alleles)
        ``C(N - n_i, g) / C(N, g)``; 1 for every allele where a locus has fewer than g copies (callers
        treat such loci as not usable).

    Raises
    ------
    UsageError
        If g is below 1.
    ShapeError, ValueRangeError
        As in `check_allele_counts`.

    References
    ----------
    .. [1] Hurlbert (1971), Ecology 52:577-586.
    """
    if g < 1:
        raise UsageError(
            f"rarefaction: found g = {g}. Expected 1 gene copy or more. Give the size of the smallest sample."
        )
    c = check_allele_counts(counts)
    n = c.sum(axis=-1, keepdims=True)
    usable = n >= g
    if not usable.any():
        return np.ones(c.shape, dtype=np.float64)
    log_factorial = _log_factorials(int(n.max()))
    rest = n - c
    possible = (rest >= g) & usable
    r = np.where(possible, rest, g)
    m = np.where(usable, n, g)
    log_q = (log_factorial[r] - log_factorial[r - g]) - (log_factorial[m] - log_factorial[m - g])
    return np.where(usable, np.where(possible, np.exp(log_q), 0.0), 1.0)


def _log_factorials(top: int) -> FloatArray:
    return np.concatenate([[0.0], np.cumsum(np.log(np.arange(1, top + 1, dtype=np.float64)))])


def allelic_richness(counts: np.ndarray, g: int) -> LocusValues:
    """Alleles expected among g gene copies drawn from the sample of each group.

    Parameters
    ----------
    counts : array_like, int, shape (..., n_loci, max_alleles)
        Gene copies of each allele.
    g : int
        Gene copies drawn; the same for all groups compared.

    Returns
    -------
    LocusValues
        ``sum over alleles of 1 - C(N - n_i, g) / C(N, g)``; ``valid`` is False where N < g.

    Raises
    ------
    UsageError
        If g is below 1.
    ShapeError, ValueRangeError
        As in `check_allele_counts`.

    References
    ----------
    .. [1] Hurlbert (1971), Ecology 52:577-586.
    .. [2] El Mousadik & Petit (1996), Theoretical and Applied Genetics 92:832-839.

    Examples
    --------
    >>> allelic_richness(np.array([[10, 6, 4]]), 10).values.round(6).tolist()
    [2.951233]
    """
    c = check_allele_counts(counts)
    valid = c.sum(axis=-1) >= g
    return LocusValues((1.0 - probability_absent(c, g)).sum(axis=-1), valid)


def private_allelic_richness(counts: np.ndarray, g: int) -> LocusValues:
    """Alleles expected among g copies of one group and absent from g copies of every other group.

    Parameters
    ----------
    counts : array_like, int, shape (n_loci, n_groups, max_alleles)
        Gene copies of each allele.
    g : int
        Gene copies drawn from each group.

    Returns
    -------
    LocusValues
        Shape (n_groups, n_loci). ``valid`` is False at a locus where any group has fewer than g copies:
        a private allele means nothing against a group that was not read.

    Raises
    ------
    UsageError
        If g is below 1.
    ShapeError, ValueRangeError
        If the array has not three axes, or as in `check_allele_counts`.

    References
    ----------
    .. [1] Kalinowski (2004), Conservation Genetics 5:539-543.

    Examples
    --------
    >>> two = np.array([[[10, 6, 4, 0], [12, 0, 5, 3]]])
    >>> private_allelic_richness(two, 10).values.ravel().round(6).tolist()
    [1.010131, 0.937381]
    """
    c = np.asarray(counts)
    if c.ndim != 3:
        raise ShapeError(
            f"private richness: found an array of shape {c.shape}. Expected (n_loci, n_groups, max_alleles). "
            "Count alleles by group."
        )
    absent = probability_absent(c, g).transpose(1, 0, 2)
    usable = (check_allele_counts(c).sum(axis=-1) >= g).T
    valid = np.broadcast_to(usable.all(axis=0), usable.shape)
    return LocusValues(private_from_absence(absent), valid)


def private_from_absence(absent: FloatArray) -> FloatArray:
    """Sum over alleles of (1 - own absence) times the product of the absences in all other groups.

    Parameters
    ----------
    absent : ndarray, float64, shape (n_groups, ..., max_alleles)
        Probability of absence of each allele in each group.

    Returns
    -------
    ndarray, float64, shape (n_groups, ...)
        Private alleles expected.
    """
    n_groups = absent.shape[0]
    before = np.ones_like(absent)
    after = np.ones_like(absent)
    for j in range(1, n_groups):
        before[j] = before[j - 1] * absent[j - 1]
        after[n_groups - 1 - j] = after[n_groups - j] * absent[n_groups - j]
    return np.asarray(((1.0 - absent) * before * after).sum(axis=-1))


def common_sample_size(copies: np.ndarray, locus_share: float = 0.9, smallest: int = 10) -> int:
    """Largest g that most loci reach in every group large enough to be compared.

    Parameters
    ----------
    copies : array_like, int, shape (n_loci, n_groups)
        Gene copies read.
    locus_share : float
        Share of the loci, typed in any group, that must have g copies in every such group (0 to 1].
    smallest : int
        Groups that have fewer gene copies than this at every locus do not pull g down; they get no
        rarefied value instead.

    Returns
    -------
    int
        Even number of gene copies, 2 or more, or 0 when no group is large enough.

    Raises
    ------
    UsageError
        If `locus_share` is outside (0, 1].
    ShapeError
        If `copies` has not two axes.
    """
    n = np.asarray(copies, dtype=np.int64)
    if n.ndim != 2:
        raise ShapeError(
            f"common sample size: found an array of shape {n.shape}. Expected (n_loci, n_groups). "
            "Sum the allele counts over alleles."
        )
    if not 0 < locus_share <= 1:
        raise UsageError(
            f"common sample size: found locus_share {locus_share}. Expected more than 0, at most 1. "
            "0.9 lets one locus in ten drop out."
        )
    if n.size == 0:
        return 0
    n = n[:, n.max(axis=0) >= smallest]
    n = n[n.max(axis=1, initial=0) > 0]
    if n.size == 0:
        return 0
    least = np.sort(n.min(axis=1))[::-1]
    kept = max(1, int(np.ceil(locus_share * len(least) - 1e-9)))
    g = int(least[kept - 1])
    return g - g % 2 if g >= 2 else 0
