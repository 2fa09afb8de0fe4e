"""Per-locus components of measures of differentiation, and how they combine over loci.

Every measure is a function of sums over loci. The functions named ``*_components`` give the terms of
those sums at each locus, shape (..., n_loci, n_terms), 0 at a locus that does not count; the measures
in `MEASURES` turn sums into values. Bootstrap over loci and permutation of fish both reuse them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from broodstock.arrays import FloatArray
from broodstock.diversity.groups import check_allele_counts
from broodstock.errors import ShapeError, ValueRangeError


class GroupedCounts(NamedTuple):
    """Counts of several groups at the same loci.

    Parameters
    ----------
    counts : ndarray, int, shape (..., n_loci, n_groups, max_alleles)
        Gene copies of each allele.
    heterozygotes : ndarray, int, shape (..., n_loci, n_groups, max_alleles)
        Fish that carry exactly one copy of each allele.
    typed : ndarray, int, shape (..., n_loci, n_groups)
        Fish with a call.
    """

    counts: np.ndarray
    heterozygotes: np.ndarray
    typed: np.ndarray


def check_grouped_counts(c: GroupedCounts) -> GroupedCounts:
    """Return the counts, or say how they contradict each other.

    Parameters
    ----------
    c : GroupedCounts
        Counts of diploid fish.

    Returns
    -------
    GroupedCounts

    Raises
    ------
    ShapeError
        If the shapes do not fit together.
    ValueRangeError
        If a count is negative or not whole, gene copies are not twice the typed fish, or there are more
        heterozygotes than copies of an allele.
    """
    counts = check_allele_counts(c.counts, "allele counts by group")
    het = check_allele_counts(c.heterozygotes, "heterozygote counts by group")
    typed = np.asarray(c.typed)
    if counts.ndim < 3 or het.shape != counts.shape or typed.shape != counts.shape[:-1]:
        raise ShapeError(
            f"counts by group: found shapes {counts.shape}, {het.shape} and {typed.shape}. Expected "
            "(..., n_loci, n_groups, max_alleles) twice and (..., n_loci, n_groups). Count all from the same "
            "calls."
        )
    if (counts.sum(axis=-1) != 2 * typed).any() or (het > counts).any():
        raise ValueRangeError(
            "counts by group: found gene copies that are not twice the typed fish, or more heterozygotes "
            "than copies. Expected counts of diploid fish. Count all from the same calls."
        )
    return GroupedCounts(counts, het, typed)


def weir_cockerham_components(c: GroupedCounts) -> FloatArray:
    """Variance components among groups, among fish within groups and within fish.

    Parameters
    ----------
    c : GroupedCounts
        Counts of diploid fish.

    Returns
    -------
    ndarray, float64, shape (..., n_loci, 3)
        Sums over alleles of a, b, c; 0 at a locus with fewer than two typed groups or with one fish per
        group.

    Notes
    -----
    A group in which nobody was typed at a locus is left out at that locus alone; the locus still counts
    for the other groups.

    References
    ----------
    .. [1] Weir & Cockerham (1984), Evolution 38:1358-1370, equations 2 to 4.
    """
    n = c.typed.astype(np.float64)
    present = n > 0
    r = present.sum(axis=-1).astype(np.float64)
    total = n.sum(axis=-1)
    usable = (r >= 2) & (total > r)
    safe_r = np.where(usable, r, 2.0)
    safe_total = np.where(usable, total, 4.0)
    n_bar = safe_total / safe_r
    n_c = np.where(usable, (safe_total - (n**2).sum(axis=-1) / safe_total) / (safe_r - 1), 1.0)
    copies = np.where(present, 2 * n, 1.0)[..., None]
    p = c.counts / copies
    weight = n[..., None]
    p_bar = (weight * p).sum(axis=-2) / safe_total[..., None]
    s2 = (weight * (p - p_bar[..., None, :]) ** 2).sum(axis=-2) / ((safe_r - 1) * n_bar)[..., None]
    h_bar = c.heterozygotes.sum(axis=-2) / safe_total[..., None]
    n_bar, n_c, ratio = n_bar[..., None], n_c[..., None], ((safe_r - 1) / safe_r)[..., None]
    inner = p_bar * (1 - p_bar) - ratio * s2
    a = n_bar / n_c * (s2 - (inner - h_bar / 4) / (n_bar - 1))
    b = n_bar / (n_bar - 1) * (inner - (2 * n_bar - 1) / (4 * n_bar) * h_bar)
    within = h_bar / 2
    terms = np.stack([a.sum(axis=-1), b.sum(axis=-1), within.sum(axis=-1)], axis=-1)
    return np.where(usable[..., None], terms, 0.0)


def nei_components(c: GroupedCounts) -> FloatArray:
    """Gene diversity within groups and in total, corrected for sample size.

    Parameters
    ----------
    c : GroupedCounts
        Counts of diploid fish.

    Returns
    -------
    ndarray, float64, shape (..., n_loci, 5)
        Hs; Ht; Ht' = Hs + r (Ht - Hs) / (r - 1), which does not depend on the number r of groups; r; and 1
        where the locus counts. All 0 at a locus with fewer than two typed groups, or where the harmonic
        mean number of typed fish is 1.

    References
    ----------
    .. [1] Nei & Chesser (1983), Annals of Human Genetics 47:253-259.
    .. [2] Nei (1987), Molecular Evolutionary Genetics, chapter 7.
    """
    n = c.typed.astype(np.float64)
    present = n > 0
    r = present.sum(axis=-1).astype(np.float64)
    inverse = np.where(present, 1.0 / np.where(present, n, 1.0), 0.0).sum(axis=-1)
    usable = (r >= 2) & (inverse < r)
    safe_r = np.where(usable, r, 2.0)
    n_harmonic = np.where(usable, safe_r / np.where(usable, inverse, 1.0), 2.0)
    p = c.counts / np.where(present, 2 * n, 1.0)[..., None]
    ho = (c.heterozygotes.sum(axis=-1) / 2 / np.where(present, n, 1.0)).sum(axis=-1) / safe_r
    same_within = (p**2).sum(axis=(-2, -1)) / safe_r
    same_total = ((p.sum(axis=-2) / safe_r[..., None]) ** 2).sum(axis=-1)
    hs = n_harmonic / (n_harmonic - 1) * (1 - same_within - ho / (2 * n_harmonic))
    ht = 1 - same_total + hs / (n_harmonic * safe_r) - ho / (2 * n_harmonic * safe_r)
    ht_prime = hs + safe_r * (ht - hs) / (safe_r - 1)
    terms = np.stack([hs, ht, ht_prime, safe_r, np.ones_like(hs)], axis=-1)
    return np.where(usable[..., None], terms, 0.0)


def hudson_components(c: GroupedCounts) -> FloatArray:
    """Differences between and within two groups.

    Parameters
    ----------
    c : GroupedCounts
        Counts of exactly two groups.

    Returns
    -------
    ndarray, float64, shape (..., n_loci, 2)
        Between minus within, and between: probability that two gene copies differ. 0 at a locus where
        either group has fewer than two copies.

    Raises
    ------
    ShapeError
        If there are not two groups.

    References
    ----------
    .. [1] Hudson, Slatkin & Maddison (1992), Genetics 132:583-589.
    .. [2] Bhatia, Patterson, Sankararaman & Price (2013), Genome Research 23:1514-1521.
    """
    if c.counts.shape[-2] != 2:
        raise ShapeError(
            f"Hudson's Fst: found {c.counts.shape[-2]} groups. Expected two. Compare the groups pair by pair."
        )
    x = c.counts.astype(np.float64)
    n = x.sum(axis=-1)
    usable = (n >= 2).all(axis=-1)
    safe = np.where(usable[..., None], n, 2.0)
    within = 1 - (x * (x - 1)).sum(axis=-1) / (safe * (safe - 1))
    between = 1 - (x[..., 0, :] * x[..., 1, :]).sum(axis=-1) / (safe[..., 0] * safe[..., 1])
    terms = np.stack([between - within.mean(axis=-1), between], axis=-1)
    return np.where(usable[..., None], terms, 0.0)


def identity_components(c: GroupedCounts) -> FloatArray:
    """Gene identities within and between two groups.

    Parameters
    ----------
    c : GroupedCounts
        Counts of exactly two groups.

    Returns
    -------
    ndarray, float64, shape (..., n_loci, 6)
        Sums of squared frequencies in the first and second group, the same two corrected for sample size,
        sum of products, and sum of square roots of products. 0 at a locus where either group has fewer
        than two copies.

    Raises
    ------
    ShapeError
        If there are not two groups.

    References
    ----------
    .. [1] Nei (1972), American Naturalist 106:283-292.
    .. [2] Nei (1978), Genetics 89:583-590.
    """
    if c.counts.shape[-2] != 2:
        raise ShapeError(
            f"Nei's distance: found {c.counts.shape[-2]} groups. Expected two. Compare the groups pair by pair."
        )
    x = c.counts.astype(np.float64)
    n = x.sum(axis=-1)
    usable = (n >= 2).all(axis=-1)
    safe = np.where(usable[..., None], n, 2.0)
    p = x / safe[..., None]
    same = (p**2).sum(axis=-1)
    corrected = (safe * same - 1) / (safe - 1)
    product = p[..., 0, :] * p[..., 1, :]
    terms = np.stack(
        [
            same[..., 0],
            same[..., 1],
            corrected[..., 0],
            corrected[..., 1],
            product.sum(axis=-1),
            np.sqrt(product).sum(axis=-1),
        ],
        axis=-1,
    )
    return np.where(usable[..., None], terms, 0.0)


def _ratio(top: FloatArray, bottom: FloatArray) -> FloatArray:
    """Divide, with NaN where the divisor is not above 0."""
    positive = bottom > 1e-15
    return np.asarray(np.where(positive, top / np.where(positive, bottom, 1.0), np.nan))


def _theta(s: FloatArray) -> FloatArray:
    return _ratio(s[..., 0], s.sum(axis=-1))


def _capital_f(s: FloatArray) -> FloatArray:
    return 1.0 - _ratio(s[..., 2], s.sum(axis=-1))


def _small_f(s: FloatArray) -> FloatArray:
    return 1.0 - _ratio(s[..., 2], s[..., 1] + s[..., 2])


def _hudson(s: FloatArray) -> FloatArray:
    return _ratio(s[..., 0], s[..., 1])


def _nei_means(s: FloatArray) -> tuple[FloatArray, ...]:
    used = s[..., 4]
    return tuple(_ratio(s[..., k], used) for k in range(4))


def _gst(s: FloatArray) -> FloatArray:
    hs, ht, _, _ = _nei_means(s)
    return 1.0 - _ratio(hs, ht)


def _gst_nei(s: FloatArray) -> FloatArray:
    hs, _, ht_prime, _ = _nei_means(s)
    return 1.0 - _ratio(hs, ht_prime)


def _jost_d(s: FloatArray) -> FloatArray:
    hs, _, ht_prime, _ = _nei_means(s)
    return _ratio(ht_prime - hs, 1.0 - hs)


def _gst_hedrick(s: FloatArray) -> FloatArray:
    hs, ht, _, r = _nei_means(s)
    return _ratio((1.0 - _ratio(hs, ht)) * (r - 1 + hs), (r - 1) * (1.0 - hs))


def _gst_meirmans(s: FloatArray) -> FloatArray:
    hs, ht, _, r = _nei_means(s)
    return _ratio(r * (ht - hs), (r * ht - hs) * (1.0 - hs))


def _nei_distance(j1: FloatArray, j2: FloatArray, j12: FloatArray) -> FloatArray:
    size = j1 * j2
    possible = (size > 0) & (j1 > 0)
    identity = np.where(possible, j12 / np.sqrt(np.where(possible, size, 1.0)), np.nan)
    shared = identity > 0
    return np.where(shared, -np.log(np.where(shared, identity, 1.0)), np.where(possible, np.inf, np.nan))


def _nei_1972(s: FloatArray) -> FloatArray:
    return _nei_distance(s[..., 0], s[..., 1], s[..., 4])


def _nei_1978(s: FloatArray) -> FloatArray:
    return _nei_distance(s[..., 2], s[..., 3], s[..., 4])


@dataclass(frozen=True)
class Measure:
    """A measure of differentiation.

    Parameters
    ----------
    words : str
        Name with its source.
    components : callable
        Terms per locus from `GroupedCounts`.
    combine : callable
        Value from sums of the terms over loci, shape (..., n_terms) to (...); NaN where undefined.
    pairs_only : bool
        True when it compares two groups and no more.
    tests_groups : bool
        True when dealing fish to groups at random makes it small, so that permutation tests it.
    """

    words: str
    components: Callable[[GroupedCounts], FloatArray]
    combine: Callable[[FloatArray], FloatArray]
    pairs_only: bool = False
    tests_groups: bool = True


MEASURES: dict[str, Measure] = {
    "theta": Measure("theta (Weir & Cockerham 1984)", weir_cockerham_components, _theta),
    "F": Measure(
        "F, inbreeding over all (Weir & Cockerham 1984)",
        weir_cockerham_components,
        _capital_f,
        tests_groups=False,
    ),
    "f": Measure(
        "f, inbreeding within groups (Weir & Cockerham 1984)",
        weir_cockerham_components,
        _small_f,
        tests_groups=False,
    ),
    "hudson": Measure(
        "Hudson's Fst as a ratio of means (Bhatia et al. 2013)", hudson_components, _hudson, True
    ),
    "gst": Measure("Gst (Nei & Chesser 1983)", nei_components, _gst),
    "gst_nei": Measure("G'st independent of the number of groups (Nei 1987)", nei_components, _gst_nei),
    "jost_d": Measure("D (Jost 2008)", nei_components, _jost_d),
    "gst_hedrick": Measure("G'st, scaled by its maximum (Hedrick 2005)", nei_components, _gst_hedrick),
    "gst_meirmans": Measure("G''st (Meirmans & Hedrick 2011)", nei_components, _gst_meirmans),
    "nei_1972": Measure("standard genetic distance (Nei 1972)", identity_components, _nei_1972, True),
    "nei_1978": Measure(
        "standard genetic distance without bias from sample size (Nei 1978)",
        identity_components,
        _nei_1978,
        True,
    ),
}
"""All measures by name."""
