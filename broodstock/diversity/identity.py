"""How well a marker set tells fish apart, and excludes wrong parents."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from broodstock.arrays import FloatArray
from broodstock.diversity.groups import GroupCalls, LocusValues, check_allele_counts, split_by_group
from broodstock.diversity.resampling import check_resampling, draw_weights, interval_limits, resampling_words
from broodstock.errors import ShapeError, ValueRangeError
from broodstock.estimates import Estimate
from broodstock.genotypes.genotype_set import GenotypeSet


def check_frequencies(frequencies: np.ndarray, where: str = "allele frequencies") -> FloatArray:
    """Return allele frequencies as floats, or say what is wrong with them.

    Parameters
    ----------
    frequencies : array_like, shape (..., n_loci, max_alleles)
        Frequencies; each locus sums to 1, or is 0 throughout when it was not typed.
    where : str
        Place named in the message.

    Returns
    -------
    ndarray, float64

    Raises
    ------
    ShapeError
        If the array has fewer than two dimensions.
    ValueRangeError
        If a frequency is negative or not a number, or a locus sums to anything but 1 or 0.
    """
    p = np.asarray(frequencies, dtype=np.float64)
    if p.ndim < 2:
        raise ShapeError(
            f"{where}: found an array of shape {p.shape}. Expected (..., n_loci, max_alleles). "
            "Add the missing axis."
        )
    if not np.isfinite(p).all() or (p < 0).any():
        raise ValueRangeError(
            f"{where}: found a frequency below 0 or not a number. Expected 0 to 1. Give 0 for an allele not seen."
        )
    total = p.sum(axis=-1)
    bad = (np.abs(total - 1.0) > 1e-6) & (total != 0.0)
    if bad.any():
        raise ValueRangeError(
            f"{where}: found a locus whose frequencies sum to {total[bad].flat[0]:.6g}. Expected 1. "
            "Divide the counts by the gene copies of the locus."
        )
    return p


def _powers(p: FloatArray, top: int) -> list[FloatArray]:
    """Return sums of powers of the frequencies of each locus: entry k is sum p^k."""
    return [np.asarray((p**k).sum(axis=-1)) for k in range(top + 1)]


def _typed(p: FloatArray, values: FloatArray) -> LocusValues:
    valid = p.sum(axis=-1) > 0
    return LocusValues(np.where(valid, values, 0.0), valid)


def probability_of_identity(frequencies: np.ndarray) -> LocusValues:
    """Probability that two unrelated fish have the same genotype.

    Parameters
    ----------
    frequencies : array_like, shape (..., n_loci, max_alleles)
        Allele frequencies; a locus sums to 1, or to 0 when untyped.

    Returns
    -------
    LocusValues
        ``2 (sum p^2)^2 - sum p^4``.

    Raises
    ------
    ShapeError, ValueRangeError
        As in `check_frequencies`.

    References
    ----------
    .. [1] Waits, Luikart & Taberlet (2001), Molecular Ecology 10:249-256.

    Examples
    --------
    >>> probability_of_identity(np.array([[0.5, 0.5]])).values.tolist()
    [0.375]
    """
    p = check_frequencies(frequencies)
    a = _powers(p, 4)
    return _typed(p, 2 * a[2] ** 2 - a[4])


def probability_of_identity_unbiased(counts: np.ndarray) -> LocusValues:
    """Probability of identity of two unrelated fish, without bias from the sample size.

    Parameters
    ----------
    counts : array_like, int, shape (..., n_loci, max_alleles)
        Gene copies of each allele.

    Returns
    -------
    LocusValues
        Share of all ordered choices of four different gene copies in which the first two make the same
        genotype as the last two; ``valid`` is False below four copies.

    Raises
    ------
    ShapeError, ValueRangeError
        As in `check_allele_counts`.

    Notes
    -----
    Equal to ``[n^3 (2 a2^2 - a4) - 2 n^2 (a3 + 2 a2) + n (9 a2 + 2) - 6] / [(n-1)(n-2)(n-3)]`` with n gene
    copies and a_k the sum of the k-th powers of the frequencies; counting avoids its cancellation.

    References
    ----------
    .. [1] Paetkau, Waits, Clarkson, Craighead, Vyse, Ward & Strobeck (1998), Conservation Biology
       12:418-429.

    Examples
    --------
    >>> probability_of_identity_unbiased(np.array([[2, 2]])).values.round(6).tolist()
    [0.666667]
    """
    c = check_allele_counts(counts).astype(np.float64)
    n = c.sum(axis=-1)
    two = c * (c - 1)
    four = two * (c - 2) * (c - 3)
    same = four.sum(axis=-1) + 2 * (two.sum(axis=-1) ** 2 - (two**2).sum(axis=-1))
    valid = n >= 4
    choices = np.where(valid, n * (n - 1) * (n - 2) * (n - 3), 1.0)
    return LocusValues(np.where(valid, same / choices, 0.0), valid)


def probability_of_identity_sibs(frequencies: np.ndarray) -> LocusValues:
    """Probability that two full sibs have the same genotype.

    Parameters
    ----------
    frequencies : array_like, shape (..., n_loci, max_alleles)
        Allele frequencies; a locus sums to 1, or to 0 when untyped.

    Returns
    -------
    LocusValues
        ``1/4 + sum p^2 / 2 + (sum p^2)^2 / 2 - sum p^4 / 4``.

    Raises
    ------
    ShapeError, ValueRangeError
        As in `check_frequencies`.

    References
    ----------
    .. [1] Waits, Luikart & Taberlet (2001), Molecular Ecology 10:249-256.

    Examples
    --------
    >>> probability_of_identity_sibs(np.array([[0.5, 0.5]])).values.tolist()
    [0.59375]
    """
    p = check_frequencies(frequencies)
    a = _powers(p, 4)
    return _typed(p, 0.25 + 0.5 * a[2] + 0.5 * a[2] ** 2 - 0.25 * a[4])


def exclusion_other_parent_known(frequencies: np.ndarray) -> LocusValues:
    """Probability that a locus excludes a random wrong parent when the other parent is known.

    Parameters
    ----------
    frequencies : array_like, shape (..., n_loci, max_alleles)
        Allele frequencies; a locus sums to 1, or to 0 when untyped.

    Returns
    -------
    LocusValues
        ``1 - 2 a2 + a3 + 2 a4 - 3 a5 - 2 a2^2 + 3 a2 a3`` with a_k = sum p^k.

    Raises
    ------
    ShapeError, ValueRangeError
        As in `check_frequencies`.

    References
    ----------
    .. [1] Jamieson & Taylor (1997), Animal Genetics 28:397-400.
    """
    p = check_frequencies(frequencies)
    a = _powers(p, 5)
    return _typed(p, 1 - 2 * a[2] + a[3] + 2 * a[4] - 3 * a[5] - 2 * a[2] ** 2 + 3 * a[2] * a[3])


def exclusion_other_parent_unknown(frequencies: np.ndarray) -> LocusValues:
    """Probability that a locus excludes a random wrong parent when nothing is known of the other.

    Parameters
    ----------
    frequencies : array_like, shape (..., n_loci, max_alleles)
        Allele frequencies; a locus sums to 1, or to 0 when untyped.

    Returns
    -------
    LocusValues
        ``1 - 4 a2 + 2 a2^2 + 4 a3 - 3 a4`` with a_k = sum p^k.

    Raises
    ------
    ShapeError, ValueRangeError
        As in `check_frequencies`.

    References
    ----------
    .. [1] Jamieson & Taylor (1997), Animal Genetics 28:397-400.
    """
    p = check_frequencies(frequencies)
    a = _powers(p, 4)
    return _typed(p, 1 - 4 * a[2] + 2 * a[2] ** 2 + 4 * a[3] - 3 * a[4])


def exclusion_parent_pair(frequencies: np.ndarray) -> LocusValues:
    """Probability that a locus excludes a random wrong pair of parents.

    Parameters
    ----------
    frequencies : array_like, shape (..., n_loci, max_alleles)
        Allele frequencies; a locus sums to 1, or to 0 when untyped.

    Returns
    -------
    LocusValues
        ``1 + 4 a4 - 4 a5 - 3 a6 - 8 a2^2 + 8 a2 a3 + 2 a3^2`` with a_k = sum p^k.

    Raises
    ------
    ShapeError, ValueRangeError
        As in `check_frequencies`.

    References
    ----------
    .. [1] Jamieson & Taylor (1997), Animal Genetics 28:397-400.
    """
    p = check_frequencies(frequencies)
    a = _powers(p, 6)
    value = 1 + 4 * a[4] - 4 * a[5] - 3 * a[6] - 8 * a[2] ** 2 + 8 * a[2] * a[3] + 2 * a[3] ** 2
    return _typed(p, value)


def combine_identity(per_locus: LocusValues) -> FloatArray:
    """Probability of identity at all loci together: the product over independent loci.

    Parameters
    ----------
    per_locus : LocusValues
        Probability at each locus, shape (..., n_loci); loci that are not valid are left out.

    Returns
    -------
    ndarray, float64, shape (...)
    """
    return np.asarray(np.where(per_locus.valid, per_locus.values, 1.0).prod(axis=-1))


def combine_exclusion(per_locus: LocusValues) -> FloatArray:
    """Probability that one locus at least excludes: 1 minus the product of (1 - P) over loci.

    Parameters
    ----------
    per_locus : LocusValues
        Exclusion probability at each locus, shape (..., n_loci); loci that are not valid are left out.

    Returns
    -------
    ndarray, float64, shape (...)
    """
    miss = np.where(per_locus.valid, 1.0 - per_locus.values, 1.0)
    return np.asarray(-np.expm1(np.log(np.maximum(miss, 1e-300)).sum(axis=-1)))


@dataclass(frozen=True, slots=True)
class MarkerPower:
    """What a marker set can do for telling fish apart and for parentage.

    Parameters
    ----------
    n_loci : int
        Loci used.
    identity, identity_unbiased, identity_sibs : Estimate
        Probability that two unrelated fish (frequencies as they stand; corrected for sample size), or two
        full sibs, have the same genotype at all loci.
    exclusion_other_known, exclusion_other_unknown, exclusion_pair : Estimate
        Probability that the set excludes a random wrong parent (other parent known, unknown) or pair.
    """

    n_loci: int
    identity: Estimate
    identity_unbiased: Estimate
    identity_sibs: Estimate
    exclusion_other_known: Estimate
    exclusion_other_unknown: Estimate
    exclusion_pair: Estimate


_WORDS = {
    "identity": "probability of identity, product over loci (Waits et al. 2001)",
    "identity_unbiased": "unbiased probability of identity, product over loci (Paetkau et al. 1998)",
    "identity_sibs": "probability of identity of full sibs, product over loci (Waits et al. 2001)",
    "exclusion_other_known": "exclusion, other parent known (Jamieson & Taylor 1997)",
    "exclusion_other_unknown": "exclusion, other parent unknown (Jamieson & Taylor 1997)",
    "exclusion_pair": "exclusion of a pair (Jamieson & Taylor 1997)",
}


def marker_power(
    genotypes: GenotypeSet,
    *,
    n_replicates: int = 1000,
    level: float = 0.95,
    seed: int | np.random.Generator = 1,
) -> MarkerPower:
    """Estimate identity and exclusion probabilities of the neutral loci, with intervals over fish.

    Parameters
    ----------
    genotypes : GenotypeSet
        Calls of fish that stand for the population; only neutral loci are used.
    n_replicates : int
        Bootstrap replicates over fish, 20 or more.
    level : float
        Coverage aimed at.
    seed : int or numpy.random.Generator
        Source of random numbers.

    Returns
    -------
    MarkerPower

    Raises
    ------
    UsageError
        If a setting cannot be used.

    Notes
    -----
    Loci are taken as independent and in Hardy-Weinberg proportions; typing errors are not counted, and
    an exclusion at a single locus may be one. Products are resampled on the logarithmic scale.
    """
    check_resampling("fish", "recentred", n_replicates, level)
    part = split_by_group(genotypes, ["all"] * genotypes.n_samples, order=["all"])[0]
    counts = part.summary().counts
    loci = counts.sum(axis=-1) >= 4
    if part.n_typed_fish < 2 or not loci.any():
        reason = "no neutral locus has two typed fish" if part.n_loci else "the set has no neutral loci"
        none = {
            name: Estimate.not_estimable(reason, method=words, n_used=part.n_typed_fish)
            for name, words in _WORDS.items()
        }
        return MarkerPower(0, **none)
    point = _log_power(counts, loci)
    replicates = _power_replicates(part, loci, n_replicates, np.random.default_rng(seed))
    how = resampling_words("fish", "recentred", n_replicates)
    found = {
        name: _power_estimate(name, point[name], replicates[name], how, level, part.n_typed_fish)
        for name in _WORDS
    }
    return MarkerPower(int(loci.sum()), **found)


def _log_power(counts: np.ndarray, loci: np.ndarray) -> dict[str, FloatArray]:
    """Logarithms of the identity products and of the probabilities of no exclusion, shape (...)."""
    c = counts[..., loci, :]
    n = c.sum(axis=-1, keepdims=True)
    p = c / np.maximum(n, 1)
    products = {
        "identity": probability_of_identity(p),
        "identity_unbiased": probability_of_identity_unbiased(c),
        "identity_sibs": probability_of_identity_sibs(p),
    }
    misses = {
        "exclusion_other_known": exclusion_other_parent_known(p),
        "exclusion_other_unknown": exclusion_other_parent_unknown(p),
        "exclusion_pair": exclusion_parent_pair(p),
    }
    factors = {k: np.where(v.valid, v.values, 1.0) for k, v in products.items()}
    factors |= {k: np.where(v.valid, 1.0 - v.values, 1.0) for k, v in misses.items()}
    return {k: np.log(np.maximum(f, 1e-300)).sum(axis=-1) for k, f in factors.items()}


def _power_replicates(
    part: GroupCalls, loci: np.ndarray, n_replicates: int, rng: np.random.Generator
) -> dict[str, FloatArray]:
    typed = np.flatnonzero((part.typed > 0).any(axis=1))
    weights = np.zeros((n_replicates, part.n_fish))
    weights[:, typed] = draw_weights(len(typed), n_replicates, rng)
    chunk = max(1, 2_000_000 // max(1, part.n_loci * part.max_alleles))
    pieces = [
        _log_power(part.summary(weights[k : k + chunk]).counts, loci) for k in range(0, n_replicates, chunk)
    ]
    return {name: np.concatenate([piece[name] for piece in pieces]) for name in _WORDS}


def _power_estimate(
    name: str, log_value: FloatArray, replicates: FloatArray, how: str, level: float, n_fish: int
) -> Estimate:
    low, high = interval_limits(
        float(log_value), replicates, "recentred", level, bounds=(-np.inf, 0.0), n_units=n_fish
    )
    words = f"{_WORDS[name]}; {how}, logarithmic scale"
    if name.startswith("exclusion"):
        value, low, high = (-float(np.expm1(x)) for x in (float(log_value), high, low))
    else:
        value, low, high = (float(np.exp(x)) for x in (float(log_value), low, high))
    return Estimate(value, low, high, words, n_fish, "fish", level)
