"""Heterozygosity observed and expected, effective number of alleles and inbreeding coefficient.

All functions take counts and give one value per locus, with any number of leading axes (groups,
replicates). Group means with intervals are made in `broodstock.diversity.table`.
"""

from __future__ import annotations

import numpy as np

from broodstock.arrays import BoolArray, FloatArray
from broodstock.diversity.groups import LocusValues, check_allele_counts
from broodstock.errors import ShapeError, ValueRangeError


def observed_heterozygosity(heterozygotes: np.ndarray, typed: np.ndarray) -> LocusValues:
    """Share of typed fish that carry two different alleles.

    Parameters
    ----------
    heterozygotes : array_like, int, shape (..., n_loci)
        Fish with two different alleles.
    typed : array_like, int, shape (..., n_loci)
        Fish with a call.

    Returns
    -------
    LocusValues
        ``valid`` is False where no fish was typed.

    Raises
    ------
    ShapeError
        If the arrays differ in shape.
    ValueRangeError
        If a count is negative or there are more heterozygotes than typed fish.

    Examples
    --------
    >>> observed_heterozygosity(np.array([3, 0]), np.array([10, 0])).values.tolist()
    [0.3, 0.0]
    """
    het, n = np.asarray(heterozygotes), np.asarray(typed)
    if het.shape != n.shape:
        raise ShapeError(
            f"heterozygotes: found shape {het.shape} against {n.shape} typed fish. Expected equal shapes. "
            "Count both over the same loci."
        )
    if n.size and ((het < 0).any() or (het > n).any()):
        raise ValueRangeError(
            "heterozygotes: found a count below 0 or above the number of typed fish. Expected 0 to the "
            "number of typed fish. Count again from the calls."
        )
    return LocusValues(het / np.maximum(n, 1), n > 0)


def expected_heterozygosity(counts: np.ndarray) -> LocusValues:
    """Heterozygosity expected in Hardy-Weinberg proportions, without bias from the sample size.

    Parameters
    ----------
    counts : array_like, int, shape (..., n_loci, max_alleles)
        Gene copies of each allele.

    Returns
    -------
    LocusValues
        ``N / (N - 1) (1 - sum p^2)`` with N gene copies (2n in n diploid fish); ``valid`` is False
        where N < 2.

    Raises
    ------
    ShapeError, ValueRangeError
        As in `check_allele_counts`.

    Notes
    -----
    The correction supposes gene copies drawn independently; related fish in the sample bias it down.

    References
    ----------
    .. [1] Nei (1978), Genetics 89:583-590, equation for the unbiased estimate.

    Examples
    --------
    >>> expected_heterozygosity(np.array([[10, 6, 4]])).values.round(6).tolist()
    [0.652632]
    """
    c = check_allele_counts(counts)
    n = c.sum(axis=-1)
    same_pairs = (c * (c - 1)).sum(axis=-1)
    all_pairs = n * (n - 1)
    valid = n >= 2
    return LocusValues(np.where(valid, 1.0 - same_pairs / np.maximum(all_pairs, 1), 0.0), valid)


def effective_alleles(counts: np.ndarray) -> LocusValues:
    """Effective number of alleles, 1 / sum p^2: equally frequent alleles of the same homozygosity.

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

    Notes
    -----
    Uses the frequencies of the sample, so it rises a little with the number of fish.

    References
    ----------
    .. [1] Kimura & Crow (1964), Genetics 49:725-738.

    Examples
    --------
    >>> effective_alleles(np.array([[5, 5], [10, 0]])).values.tolist()
    [2.0, 1.0]
    """
    c = check_allele_counts(counts)
    n = c.sum(axis=-1).astype(np.float64)
    squares = (c.astype(np.float64) ** 2).sum(axis=-1)
    valid = n > 0
    return LocusValues(np.where(valid, n**2 / np.maximum(squares, 1.0), 0.0), valid)


def inbreeding_coefficient(observed: LocusValues, expected: LocusValues) -> tuple[FloatArray, BoolArray]:
    """Inbreeding within a group, Fis = 1 - Ho / He, from means over loci.

    Parameters
    ----------
    observed, expected : LocusValues
        Observed and unbiased expected heterozygosity, shape (..., n_loci).

    Returns
    -------
    values : ndarray, float64, shape (...)
        Fis; 0 where it cannot be computed.
    valid : ndarray, bool, shape (...)
        False where no locus shared by both varies (expected heterozygosity 0).

    Raises
    ------
    ShapeError
        If the two differ in shape.

    References
    ----------
    .. [1] Nei (1977), Annals of Human Genetics 41:225-233 (definition as a ratio of means over loci).

    Examples
    --------
    >>> both = np.array([True, True])
    >>> fis, ok = inbreeding_coefficient(
    ...     LocusValues(np.array([0.2, 0.4]), both), LocusValues(np.array([0.4, 0.4]), both)
    ... )
    >>> round(float(fis), 6), bool(ok)
    (0.25, True)
    """
    if observed.values.shape != expected.values.shape:
        raise ShapeError(
            f"inbreeding coefficient: found shapes {observed.values.shape} and {expected.values.shape}. "
            "Expected equal shapes. Compute both over the same loci."
        )
    both = observed.valid & expected.valid
    ho = np.where(both, observed.values, 0.0).sum(axis=-1)
    he = np.where(both, expected.values, 0.0).sum(axis=-1)
    valid = he > 0
    return np.asarray(np.where(valid, 1.0 - ho / np.where(valid, he, 1.0), 0.0)), np.asarray(valid)
