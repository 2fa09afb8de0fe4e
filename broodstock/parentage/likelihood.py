"""Likelihood of parents: pairs and trios, with typing errors, against unrelated fish.

The ratios are those of Meagher (1986) and Marshall et al. (1998): probability of the offspring's genotype
given its supposed parents, divided by its probability in the population. With error rates of zero they are
exactly those values; with the error model of `broodstock.parentage.error_model` an impossible locus costs
about the logarithm of twice the substitution rate instead of ruling the parents out.

All logarithms are natural.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from broodstock.arrays import MISSING, BoolArray, CallArray, FloatArray, IntArray
from broodstock.errors import ShapeError, ValueRangeError
from broodstock.genotypes.genotype_set import GenotypeSet
from broodstock.parentage import _kernels
from broodstock.parentage.error_model import (
    ErrorModel,
    check_frequencies,
    reference_frequencies,
)

Genotype = tuple[int, int]
UNKNOWN: Genotype = (MISSING, MISSING)
"""Stands for a parent that was not typed or not sampled."""


@dataclass(frozen=True)
class PairScores:
    """Every offspring with every candidate.

    Parameters
    ----------
    log_ratio : ndarray, float64, shape (n_offspring, n_candidates)
        Natural log of the likelihood ratio parent and offspring against unrelated; minus infinity when the
        pair is impossible (only with error rates of 0); 0 for pairs that were not allowed.
    mismatches : ndarray, int32, same shape
        Loci at which the two share no allele.
    compared : ndarray, int32, same shape
        Loci typed in both; 0 for pairs that were not allowed.
    """

    log_ratio: FloatArray
    mismatches: IntArray
    compared: IntArray


@dataclass(frozen=True)
class Scorer:
    """Calls, frequencies and error rates laid out for the compiled loops.

    Parameters
    ----------
    calls : ndarray, int16, shape (n_samples, n_loci, 2)
        Calls by fish; -1 missing.
    frequencies : ndarray, float64, shape (n_loci, max_alleles)
        Allele frequencies.
    error : ErrorModel
        Typing error rates.
    """

    calls: CallArray
    frequencies: FloatArray
    error: ErrorModel

    @classmethod
    def of(
        cls,
        genotypes: GenotypeSet,
        frequencies: FloatArray | None = None,
        error: ErrorModel | None = None,
    ) -> Scorer:
        """Check the inputs and lay them out.

        Parameters
        ----------
        genotypes : GenotypeSet
            Offspring and candidates.
        frequencies : ndarray, float64, shape (n_loci, max_alleles), optional
            Population allele frequencies. Default: counted in the whole set.
        error : ErrorModel, optional
            Default: substitution 0.005, no dropout.

        Raises
        ------
        ShapeError
            If frequencies or error rates do not fit the loci.
        ValueRangeError
            If frequencies do not sum to 1 or a carried allele has frequency 0.
        """
        p = reference_frequencies(genotypes) if frequencies is None else frequencies
        model = ErrorModel.uniform(genotypes.n_loci) if error is None else error
        model.check_fits(genotypes.n_loci)
        return cls(by_fish(genotypes), check_frequencies(p, genotypes), model)

    def pairs(
        self, offspring: np.ndarray, candidates: np.ndarray, allowed: BoolArray | None = None
    ) -> PairScores:
        """Score every offspring with every candidate, given by position."""
        if allowed is None:
            allowed = np.ones((len(offspring), len(candidates)), dtype=np.bool_)
        return PairScores(
            *_kernels.pair_log_ratios(
                self.calls[offspring],
                self.calls[candidates],
                self.frequencies,
                self.error.broken_descent,
                self.error.dropout,
                allowed,
            )
        )

    def trios(
        self, offspring: np.ndarray, candidates: np.ndarray, dams: np.ndarray, sires: np.ndarray
    ) -> FloatArray:
        """Score shortlisted pairs of candidates; see `trio_log_ratios`."""
        out: FloatArray = _kernels.trio_log_ratios(
            self.calls[offspring],
            self.calls[candidates],
            dams,
            sires,
            self.frequencies,
            self.error.broken_descent,
            self.error.dropout,
        )
        return out


def by_fish(genotypes: GenotypeSet) -> CallArray:
    """Return the calls with the fish first, int16, shape (n_samples, n_loci, 2), contiguous."""
    return np.ascontiguousarray(genotypes.calls.transpose(1, 0, 2))


def genotype_likelihood(
    offspring: Genotype,
    dam: Genotype,
    sire: Genotype,
    frequencies: FloatArray,
    substitution: float = 0.0,
    dropout: float = 0.0,
) -> float:
    """Probability of reading an offspring's genotype at one locus, given the readings of its parents.

    Parameters
    ----------
    offspring, dam, sire : tuple of two int
        Allele numbers as read; `UNKNOWN` for a parent without a reading.
    frequencies : ndarray, float64, shape (n_alleles,)
        Population allele frequencies, all positive for the alleles named.
    substitution, dropout : float
        Error rates per gene copy.

    Returns
    -------
    float
        Probability given that the offspring was typed. With both parents unknown it is the Hardy-Weinberg
        probability of the reading (dropout included).

    Raises
    ------
    ValueRangeError
        If the offspring has no reading, an allele is outside the frequencies or has frequency 0, or a rate
        is outside [0, 1).
    """
    p = np.ascontiguousarray(frequencies, dtype=np.float64)
    model = ErrorModel.uniform(1, substitution, dropout)
    for who, genotype in (("offspring", offspring), ("dam", dam), ("sire", sire)):
        if who != "offspring" and genotype == UNKNOWN:
            continue
        if not all(0 <= a < len(p) and p[a] > 0 for a in genotype):
            raise ValueRangeError(
                f"{who} genotype: found {genotype}. Expected two allele numbers from 0 to {len(p) - 1} "
                "with positive frequency."
            )
    return float(
        _kernels.locus_likelihood(
            offspring[0],
            offspring[1],
            np.array(dam, dtype=np.int16),
            np.array(sire, dtype=np.int16),
            p,
            float(model.broken_descent[0]),
            dropout,
        )
    )


def likelihood_ratio(
    offspring: Genotype,
    dam: Genotype,
    sire: Genotype,
    frequencies: FloatArray,
    substitution: float = 0.0,
    dropout: float = 0.0,
) -> float:
    """Likelihood ratio of one trio or pair at one locus against an offspring unrelated to both.

    Parameters and errors are those of `genotype_likelihood`.

    Returns
    -------
    float
        Above 1 the readings speak for the parents. With one parent `UNKNOWN` the ratio of a pair.

    References
    ----------
    .. [1] Meagher (1986), American Naturalist 128, 199-215.
    .. [2] Marshall, Slate, Kruuk & Pemberton (1998), Molecular Ecology 7, 639-655.

    Examples
    --------
    >>> p = np.array([0.2, 0.3, 0.5])
    >>> round(likelihood_ratio((0, 0), (0, 0), UNKNOWN, p), 6)
    5.0
    """
    top = genotype_likelihood(offspring, dam, sire, frequencies, substitution, dropout)
    return top / genotype_likelihood(offspring, UNKNOWN, UNKNOWN, frequencies, substitution, dropout)


def pair_log_ratios(
    genotypes: GenotypeSet,
    offspring: Sequence[int] | np.ndarray,
    candidates: Sequence[int] | np.ndarray,
    frequencies: FloatArray | None = None,
    error: ErrorModel | None = None,
    allowed: BoolArray | None = None,
) -> PairScores:
    """Score every offspring with every candidate parent, the other parent unknown.

    Parameters
    ----------
    genotypes : GenotypeSet
        Offspring and candidates; every locus of the set is used.
    offspring, candidates : sequence of int
        Positions in the set.
    frequencies, error
        See `Scorer.of`.
    allowed : ndarray, bool, shape (n_offspring, n_candidates), optional
        Pairs to score. Default: all.

    Raises
    ------
    ShapeError
        If `allowed`, the frequencies or the error rates have the wrong shape.
    ValueRangeError
        If a position is outside the set, or the frequencies are not usable.
    """
    scorer = Scorer.of(genotypes, frequencies, error)
    rows = positions(offspring, genotypes.n_samples, "offspring")
    columns = positions(candidates, genotypes.n_samples, "candidates")
    if allowed is not None and allowed.shape != (len(rows), len(columns)):
        raise ShapeError(
            f"allowed pairs: found shape {allowed.shape}. Expected {(len(rows), len(columns))}: one row per "
            "offspring, one column per candidate."
        )
    return scorer.pairs(rows, columns, allowed)


def trio_log_ratios(
    genotypes: GenotypeSet,
    trios: Sequence[tuple[int, int, int]] | np.ndarray,
    frequencies: FloatArray | None = None,
    error: ErrorModel | None = None,
) -> FloatArray:
    """Score trios (offspring, dam, sire) given by position.

    Parameters
    ----------
    genotypes : GenotypeSet
        All fish; every locus of the set is used. A locus untyped in the offspring is skipped; where a parent
        is untyped the locus counts as a pair.
    trios : ndarray, int, shape (n_trios, 3)
        Positions of offspring, dam and sire; -1 for a parent that is not sampled.
    frequencies, error
        See `Scorer.of`.

    Returns
    -------
    ndarray, float64, shape (n_trios,)
        Natural log of the likelihood ratio; minus infinity when impossible (error rates of 0 only).

    Raises
    ------
    ShapeError
        If `trios` has not three columns, or frequencies or error rates do not fit.
    ValueRangeError
        If a position is outside the set, or the frequencies are not usable.
    """
    scorer = Scorer.of(genotypes, frequencies, error)
    table = np.asarray(trios, dtype=np.int64)
    if table.ndim != 2 or table.shape[1] != 3:
        raise ShapeError(f"trios: found shape {table.shape}. Expected (n_trios, 3): offspring, dam, sire.")
    positions(table[:, 0], genotypes.n_samples, "offspring")
    if (table < MISSING).any() or (table >= genotypes.n_samples).any():
        raise ValueRangeError(
            f"trios: found positions from {table.min()} to {table.max()}. Expected -1 to "
            f"{genotypes.n_samples - 1}."
        )
    nobody = np.full((genotypes.n_loci, 2), MISSING, dtype=np.int16)
    out = np.empty(len(table))
    for row, (child, dam, sire) in enumerate(table):
        out[row] = _kernels.trio_log_ratio(
            scorer.calls[child],
            nobody if dam == MISSING else scorer.calls[dam],
            nobody if sire == MISSING else scorer.calls[sire],
            scorer.frequencies,
            scorer.error.broken_descent,
            scorer.error.dropout,
        )
    return out


def positions(given: Sequence[int] | np.ndarray, n_samples: int, what: str) -> np.ndarray:
    """Return positions as an int64 array.

    Raises
    ------
    ValueRangeError
        If one is outside the set.
    """
    rows = np.asarray(given, dtype=np.int64).reshape(-1)
    if rows.size and (rows.min() < 0 or rows.max() >= n_samples):
        raise ValueRangeError(
            f"{what}: found positions from {rows.min()} to {rows.max()}. Expected 0 to {n_samples - 1}, the "
            "positions of samples in the genotype set."
        )
    return rows
