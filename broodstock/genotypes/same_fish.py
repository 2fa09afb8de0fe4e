"""Is it the same fish? The likelihood of two readings of one genotype, of two sibs, and of two unrelated fish."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from broodstock.arrays import FloatArray
from broodstock.errors import ValueRangeError
from broodstock.genotypes.genotype_set import GenotypeSet
from broodstock.parentage.error_model import ErrorModel, check_frequencies, reference_frequencies


@dataclass(frozen=True)
class LocusMatch:
    """Joint probabilities of two readings at one locus, by genotype number.

    Parameters
    ----------
    pairs : ndarray, int64, shape (n_genotypes, 2)
        The two alleles of each genotype number, the lower first.
    alone : ndarray, float64, shape (n_genotypes,)
        Probability of one reading.
    same, sibs : ndarray, float64, shape (n_genotypes, n_genotypes)
        Probability of two readings of one fish, and of one reading each of two full sibs.
    """

    pairs: np.ndarray
    alone: FloatArray
    same: FloatArray
    sibs: FloatArray


def locus_match(frequencies: FloatArray, substitution: float = 0.0, dropout: float = 0.0) -> LocusMatch:
    """Return the joint probabilities of two readings at one locus.

    Parameters
    ----------
    frequencies : ndarray, float64, shape (n_alleles,)
        Allele frequencies, sum 1.
    substitution, dropout : float
        Error rates per gene copy, as in `broodstock.parentage.error_model`.

    Returns
    -------
    LocusMatch

    Notes
    -----
    The true genotype has Hardy-Weinberg proportions; each reading comes from it by the error model, independently.
    Two full sibs share two, one or no genes by descent with chances 1/4, 1/2, 1/4.

    References
    ----------
    .. [1] Waits, Luikart & Taberlet (2001), Molecular Ecology 10:249-256: without errors the diagonals of `same` and
       `sibs` sum to 1 and to the probability of identity of sibs, and the squares of `alone` to that of unrelated fish.
    .. [2] Wang (2004), Genetics 166:1963-1979, for the two classes of errors (from memory).
    """
    p = np.asarray(frequencies, dtype=np.float64)
    n = len(p)
    low, high = np.triu_indices(n)
    pairs = np.stack([low, high], axis=1)
    truth = p[low] * p[high] * np.where(low == high, 1.0, 2.0)
    read = _reading_given_truth(pairs, p, substitution, dropout)
    alone = truth @ read
    same = read.T @ (truth[:, None] * read)
    number = np.zeros((n, n), dtype=np.int64)
    number[low, high] = number[high, low] = np.arange(len(pairs))
    with_gene = np.stack([p @ read[number[a]] for a in range(n)])
    one = with_gene.T @ (p[:, None] * with_gene)
    return LocusMatch(pairs, alone, same, 0.25 * same + 0.5 * one + 0.25 * np.outer(alone, alone))


def _reading_given_truth(pairs: np.ndarray, p: FloatArray, e: float, d: float) -> FloatArray:
    """Return the probability of each typed reading (columns) given each true genotype (rows)."""
    gene = (1 - e) * np.eye(len(p)) + e * p[None, :]
    first, second = gene[pairs[:, 0]], gene[pairs[:, 1]]
    a, b = pairs[:, 0], pairs[:, 1]
    both = first[:, a] * second[:, b]
    both = np.where(a == b, both, both + first[:, b] * second[:, a])
    single = np.where(a == b, first[:, a] + second[:, a], 0.0)
    out: FloatArray = ((1 - d) ** 2 * both + d * (1 - d) * single) / (1 - d * d)
    return out


@dataclass(frozen=True)
class Match:
    """How well one sample fits others as a second reading of the same fish.

    Parameters
    ----------
    log_same : ndarray, float64, shape (n_candidates,)
        Natural logarithm of the likelihood ratio: the same fish against an unrelated one.
    log_sibs : ndarray, float64, shape (n_candidates,)
        The same for a full sib against an unrelated fish.
    compared, mismatches : ndarray, int64, shape (n_candidates,)
        Loci typed in both, and those with another genotype.
    """

    log_same: FloatArray
    log_sibs: FloatArray
    compared: np.ndarray
    mismatches: np.ndarray


def match_sample(
    genotypes: GenotypeSet,
    sample: int,
    candidates: Sequence[int] | np.ndarray,
    frequencies: FloatArray | None = None,
    error: ErrorModel | None = None,
) -> Match:
    """Compare one sample with candidates at the neutral loci.

    Parameters
    ----------
    genotypes : GenotypeSet
        Calls.
    sample : int
        Position of the sample in hand.
    candidates : sequence of int
        Positions of the samples compared.
    frequencies : ndarray, float64, shape (n_loci, max_alleles), optional
        Allele frequencies of every locus of the set; default: counted in the candidates, with the sample.
    error : ErrorModel, optional
        Error rates of every locus; default 0.5 % substitution, no dropout.

    Returns
    -------
    Match
        Loci are taken as independent; a locus not typed in both says nothing.

    Raises
    ------
    ShapeError
        If frequencies or error rates do not fit the set.
    ValueRangeError
        If a position is outside the set, or frequencies cannot be used.
    """
    columns = np.asarray(candidates, dtype=np.int64)
    if not 0 <= sample < genotypes.n_samples or ((columns < 0) | (columns >= genotypes.n_samples)).any():
        raise ValueRangeError(
            f"samples to compare: found a position outside the set. Expected 0 to {genotypes.n_samples - 1}. Take "
            "positions from GenotypeSet.index."
        )
    if frequencies is None:
        frequencies = reference_frequencies(genotypes, [*columns.tolist(), sample])
    else:
        frequencies = check_frequencies(frequencies, genotypes)
    model = error or ErrorModel.uniform(genotypes.n_loci)
    model.check_fits(genotypes.n_loci)
    same, sibs = np.zeros(len(columns)), np.zeros(len(columns))
    compared = np.zeros(len(columns), dtype=np.int64)
    differ = np.zeros(len(columns), dtype=np.int64)
    for k, locus in enumerate(genotypes.loci):
        mine = np.sort(genotypes.calls[k, sample])
        theirs = np.sort(genotypes.calls[k, columns], axis=1)
        typed = theirs[:, 0] >= 0
        if locus.role != "neutral" or mine[0] < 0 or not typed.any():
            continue
        used = np.flatnonzero(frequencies[k] > 0)
        place = np.full(frequencies.shape[1], -1)
        place[used] = np.arange(len(used))
        table = locus_match(frequencies[k, used], float(model.substitution[k]), float(model.dropout[k]))
        number = np.zeros((len(used), len(used)), dtype=np.int64)
        number[table.pairs[:, 0], table.pairs[:, 1]] = np.arange(len(table.pairs))
        here = number[place[mine[0]], place[mine[1]]]
        there = number[place[theirs[typed, 0]], place[theirs[typed, 1]]]
        chance = table.alone[here] * table.alone[there]
        tiny = np.finfo(float).tiny
        same[typed] += np.log(np.maximum(table.same[here, there] / chance, tiny))
        sibs[typed] += np.log(np.maximum(table.sibs[here, there] / chance, tiny))
        compared += typed
        differ[typed] += here != there
    return Match(same, sibs, compared, differ)


def log_ratio_of_new_fish(match: Match, weights: FloatArray, sib_share: float) -> float:
    """Return the logarithm of the likelihood ratio of a fish that is not in the records.

    Parameters
    ----------
    match : Match
        Comparison with every fish of the records.
    weights : ndarray, float64, shape (n_candidates,)
        Relative chance of each to be the one with an unrecorded sib.
    sib_share : float
        Chance that a fish not in the records is a full sib of one in them, 0 to 1.

    Returns
    -------
    float
        Mixture of sibs of every candidate and of an unrelated fish, against an unrelated fish; natural logarithm.

    Raises
    ------
    ValueRangeError
        If the share is outside 0 to 1.
    """
    if not 0 <= sib_share <= 1:
        raise ValueRangeError(f"share of sibs: found {sib_share}. Expected 0 to 1. Correct it.")
    total = weights.sum()
    if total <= 0 or sib_share == 0:
        return 0.0
    top = max(0.0, float(match.log_sibs.max(initial=0.0)))
    mean = float((weights * np.exp(match.log_sibs - top)).sum() / total)
    value = (1 - sib_share) * np.exp(-top) + sib_share * mean
    return top + float(np.log(max(value, np.finfo(float).tiny)))
