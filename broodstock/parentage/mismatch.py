"""Loci at which supposed parents are impossible, and how many a true parent may show.

A pair mismatches at a locus where the two fish share no allele (opposing homozygotes at a two-allele locus);
a trio where no gene of each parent makes up the offspring.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from broodstock.arrays import MISSING, FloatArray, IntArray
from broodstock.errors import ShapeError, ValueRangeError
from broodstock.genotypes.genotype_set import GenotypeSet
from broodstock.parentage import _kernels
from broodstock.parentage.error_model import ErrorModel
from broodstock.parentage.likelihood import by_fish, positions


@dataclass(frozen=True)
class MismatchCounts:
    """Mismatches and loci compared, arrays of equal shape (int32)."""

    mismatches: IntArray
    compared: IntArray


@dataclass(frozen=True)
class Exclusion:
    """Probabilities per locus that a random wrong parent is excluded, each shape (n_loci,).

    Parameters
    ----------
    one_parent_known : ndarray, float64
        A wrong second parent, the other parent known and right.
    none_known : ndarray, float64
        A wrong parent, the other one unknown.
    both_wrong : ndarray, float64
        Two wrong parents together.
    """

    one_parent_known: FloatArray
    none_known: FloatArray
    both_wrong: FloatArray

    def combined(self) -> tuple[float, float, float]:
        """Return the three probabilities over all loci together: one minus the product of the misses."""
        return (
            float(1.0 - np.prod(1.0 - self.one_parent_known)),
            float(1.0 - np.prod(1.0 - self.none_known)),
            float(1.0 - np.prod(1.0 - self.both_wrong)),
        )


def pair_mismatches(
    genotypes: GenotypeSet,
    offspring: Sequence[int] | np.ndarray,
    candidates: Sequence[int] | np.ndarray,
) -> MismatchCounts:
    """Count the loci at which offspring and candidate share no allele.

    Parameters
    ----------
    genotypes : GenotypeSet
        All fish; every locus counts.
    offspring, candidates : sequence of int
        Positions in the set.

    Returns
    -------
    MismatchCounts
        Arrays of shape (n_offspring, n_candidates).

    Raises
    ------
    ValueRangeError
        If a position is outside the set.

    Examples
    --------
    A young fish AB, BB; one candidate AA, AB fits at both loci, another AA, AA is impossible at the second.

    >>> from broodstock.genotypes.genotype_set import GenotypeSet, Locus
    >>> table = [[[0, 1], [0, 0], [0, 0]], [[1, 1], [0, 1], [0, 0]]]
    >>> two = (Locus("L1"), Locus("L2"))
    >>> calls = GenotypeSet(("young", "X", "Y"), two, (("A", "B"),) * 2, np.array(table, np.int16))
    >>> pair_mismatches(calls, [0], [1, 2]).mismatches.tolist()
    [[0, 1]]
    """
    rows = positions(offspring, genotypes.n_samples, "offspring")
    columns = positions(candidates, genotypes.n_samples, "candidates")
    calls = by_fish(genotypes)
    return MismatchCounts(*_kernels.pair_mismatch_counts(calls[rows], calls[columns]))


def trio_mismatches(
    genotypes: GenotypeSet, trios: Sequence[tuple[int, int, int]] | np.ndarray
) -> MismatchCounts:
    """Count the loci at which a trio is impossible.

    Parameters
    ----------
    genotypes : GenotypeSet
        All fish; every locus counts.
    trios : ndarray, int, shape (n_trios, 3)
        Positions of offspring, dam, sire. With one parent -1 the pair count is given; with both -1 no
        mismatch, compared at every typed locus.

    Raises
    ------
    ShapeError
        If `trios` has not three columns.
    ValueRangeError
        If a position is outside the set.
    """
    table = np.asarray(trios, dtype=np.int64)
    if table.ndim != 2 or table.shape[1] != 3:
        raise ShapeError(f"trios: found shape {table.shape}. Expected (n_trios, 3): offspring, dam, sire.")
    positions(table[:, 0], genotypes.n_samples, "offspring")
    if (table < MISSING).any() or (table >= genotypes.n_samples).any():
        raise ValueRangeError(
            f"trios: found positions from {table.min()} to {table.max()}. Expected -1 to "
            f"{genotypes.n_samples - 1}."
        )
    calls = by_fish(genotypes)
    missed = np.zeros(len(table), np.int32)
    used = np.zeros(len(table), np.int32)
    for row, (child, dam, sire) in enumerate(table):
        missed[row], used[row] = mismatches_of(calls, int(child), int(dam), int(sire))
    return MismatchCounts(missed, used)


def mismatches_of(calls: np.ndarray, child: int, dam: int, sire: int) -> tuple[int, int]:
    """Return mismatches and loci compared of one trio or pair; calls by fish, -1 for an absent parent."""
    if dam != MISSING and sire != MISSING:
        missed, used = _kernels.trio_mismatch_count(calls[child], calls[dam], calls[sire])
        return int(missed), int(used)
    parent = dam if dam != MISSING else sire
    if parent == MISSING:
        return 0, int((calls[child, :, 0] != MISSING).sum())
    one, two = _kernels.pair_mismatch_counts(calls[[child]], calls[[parent]])
    return int(one[0, 0]), int(two[0, 0])


def exclusion_probabilities(frequencies: FloatArray, error: ErrorModel | None = None) -> Exclusion:
    """Probability per locus that wrong parents are excluded, which is their expected mismatch rate.

    Parameters
    ----------
    frequencies : ndarray, float64, shape (n_loci, n_alleles)
        Allele frequencies, rows summing to 1; zeros for absent alleles.
    error : ErrorModel, optional
        Typing errors. Default none, which gives the formulas of Jamieson & Taylor (1997).

    Raises
    ------
    ShapeError
        If error rates do not fit the loci.
    ValueRangeError
        If a row is not a distribution.

    References
    ----------
    .. [1] Jamieson & Taylor (1997), Animal Genetics 28, 397-400.
    """
    p = _distributions(frequencies)
    model = ErrorModel.uniform(len(p), 0.0) if error is None else error
    model.check_fits(len(p))
    return Exclusion(
        _trio_rates(p, model, True, False),
        _pair_rates(p, model, False),
        _trio_rates(p, model, False, False),
    )


def expected_mismatches(frequencies: FloatArray, error: ErrorModel) -> tuple[FloatArray, FloatArray]:
    """Probability per locus that a TRUE parent, and a true pair of parents, mismatches by typing error.

    Parameters
    ----------
    frequencies : ndarray, float64, shape (n_loci, n_alleles)
        Allele frequencies.
    error : ErrorModel
        Typing errors.

    Returns
    -------
    tuple of ndarray, float64, shape (n_loci,)
        For one parent, for both parents.

    Raises
    ------
    ShapeError
        If error rates do not fit the loci.
    ValueRangeError
        If a row is not a distribution.
    """
    p = _distributions(frequencies)
    error.check_fits(len(p))
    return _pair_rates(p, error, True), _trio_rates(p, error, True, True)


def allowed_mismatches(rates: FloatArray, confidence: float = 0.9999) -> int:
    """Largest number of mismatches still expected of true parents.

    Parameters
    ----------
    rates : ndarray, float64, shape (n_loci,)
        Mismatch probability of true parents at each locus compared, from `expected_mismatches`.
    confidence : float
        Share of true parents that must not exceed the number, in (0, 1).

    Returns
    -------
    int
        Smallest m with P(mismatches <= m) >= confidence; 0 without loci or without errors. Loci count as
        independent trials with unequal probabilities.

    Raises
    ------
    ValueRangeError
        If a rate is outside [0, 1] or `confidence` outside (0, 1).
    """
    q = np.ascontiguousarray(rates, dtype=np.float64)
    if not 0 < confidence < 1:
        raise ValueRangeError(f"confidence: found {confidence}. Expected a number between 0 and 1.")
    if not ((q >= 0) & (q <= 1)).all():
        raise ValueRangeError("mismatch rates: found a value outside 0 to 1. Expected probabilities.")
    if q.size == 0:
        return 0
    distribution = _kernels.sum_of_bernoulli(q, q.size)
    return int(np.searchsorted(np.cumsum(distribution), confidence - 1e-12))


def _distributions(frequencies: FloatArray) -> FloatArray:
    p = np.ascontiguousarray(frequencies, dtype=np.float64)
    if p.ndim != 2 or not ((p >= 0).all() and np.allclose(p.sum(axis=1), 1.0, atol=1e-6)):
        raise ValueRangeError(
            "allele frequencies: found rows that are not distributions. Expected shape (n_loci, n_alleles) with "
            "rows summing to 1."
        )
    return p


def _trio_rates(p: FloatArray, error: ErrorModel, dam_true: bool, sire_true: bool) -> FloatArray:
    broken, drop = error.broken_descent, error.dropout
    return np.array(
        [
            _kernels.trio_mismatch_probability(row[row > 0], b, d, dam_true, sire_true)
            for row, b, d in zip(p, broken, drop, strict=True)
        ]
    )


def _pair_rates(p: FloatArray, error: ErrorModel, true: bool) -> FloatArray:
    """Sum over the parent's readings: both genes (or the one that was read) fall outside its alleles."""
    broken, drop = error.broken_descent[:, None], error.dropout[:, None]
    both_seen = (1 - drop) / (1 + drop)

    def excluded(weight: FloatArray, outside: FloatArray, hidden: FloatArray) -> FloatArray:
        from_parent = (broken + (1 - broken) * hidden) * outside if true else outside
        one_seen = 0.5 * (1 - both_seen) * (from_parent + outside)
        rates: FloatArray = (weight * (both_seen * from_parent * outside + one_seen)).sum(axis=1)
        return rates

    positive = np.where(p > 0, p, 1.0)
    hidden = np.where(p > 0, drop / ((1 - drop) * positive + 2 * drop + (drop == 0)), 0.0)
    total = excluded(both_seen * p**2 + (1 - both_seen) * p, 1 - p, hidden)
    for shift in range(1, p.shape[1]):
        # Heterozygous parents {c, d}, each unordered pair once.
        c, d = p[:, :-shift], p[:, shift:]
        total = total + excluded(both_seen * 2 * c * d, np.clip(1 - c - d, 0, 1), np.zeros_like(c))
    return total
