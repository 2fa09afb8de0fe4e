"""Effective number of breeders from the excess of heterozygotes among the young of few parents."""

from __future__ import annotations

import math

import numpy as np

from broodstock.arrays import CallArray
from broodstock.effective_size.allele_columns import neutral_calls
from broodstock.errors import UsageError
from broodstock.estimates import Estimate
from broodstock.genotypes.genotype_set import GenotypeSet


def nb_from_excess(excess: float) -> float:
    """Turn a relative excess of heterozygotes into a number of breeders.

    Parameters
    ----------
    excess : float
        ``D = (Ho - He) / He``.

    Returns
    -------
    float
        ``1/(2D) + 1/(2(D + 1))``; infinite for an excess of 0 or less.

    References
    ----------
    .. [1] Pudovkin, Zaykin & Hedgecock (1996), Genetics 144:383-387 (from memory).

    Examples
    --------
    >>> round(nb_from_excess(0.05), 6)
    10.47619
    """
    return math.inf if excess <= 0 else 1 / (2 * excess) + 1 / (2 * (excess + 1))


def heterozygote_excess_nb(
    genotypes: GenotypeSet | CallArray, *, group: str = "", level: float = 0.95
) -> Estimate:
    """Effective number of breeders from heterozygote excess in one cohort.

    Mothers and fathers are few, so their allele frequencies differ by chance, and their young have more
    heterozygotes than their own frequencies predict.

    Parameters
    ----------
    genotypes : GenotypeSet or ndarray of int, shape (n_loci, n_fish, 2)
        Calls of young of one cohort, -1 where untyped; only neutral loci of a set are used.
    group : str
        The cohort in the user's words.
    level : float
        Coverage aimed at.

    Returns
    -------
    Estimate
        Interval by jackknife over loci; infinite limits where the excess may be none. Not estimable with
        fewer than two polymorphic loci.

    Raises
    ------
    UsageError
        If `level` is not between 0 and 1.
    ShapeError, ValueRangeError
        As `neutral_calls`.

    Notes
    -----
    D is the sum over loci of Ho - He over the sum of He, He unbiased from 2n/(2n - 1). The number is only
    of use when breeders are few (below about 30) and mates pair at random: any deficit from null alleles
    or mixed groups hides the excess.

    References
    ----------
    .. [1] Pudovkin, Zaykin & Hedgecock (1996), Genetics 144:383-387; Luikart & Cornuet (1999), Genetics
       151:1211-1216 (from memory).
    """
    from scipy.special import stdtrit

    if not 0 < level < 1:
        raise UsageError(f"level: found {level}. Expected a coverage between 0 and 1, for example 0.95.")
    method = "heterozygote excess; interval by jackknife over loci"
    calls, _ = neutral_calls(genotypes)
    typed = calls[..., 0] >= 0
    n = typed.sum(axis=1)
    calls, typed, n = calls[n >= 2], typed[n >= 2], n[n >= 2]
    width = int(calls.max(initial=-1)) + 1
    squares = np.zeros(len(n))
    for a in range(width):
        squares += ((calls == a).sum(axis=(1, 2)) / (2 * n)) ** 2
    expected = 2 * n / (2 * n - 1) * (1 - squares)
    observed = ((calls[..., 0] != calls[..., 1]) & typed).sum(axis=1) / n
    use = expected > 1e-12
    expected, difference = expected[use], (observed - expected)[use]
    n_loci = len(expected)
    if n_loci < 2:
        return Estimate.not_estimable(
            f"heterozygote excess needs two polymorphic loci and there are {n_loci}", method, n_loci, "loci"
        )
    excess = float(difference.sum() / expected.sum())
    without = (difference.sum() - difference) / (expected.sum() - expected)
    error = math.sqrt((n_loci - 1) / n_loci * float(((without - without.mean()) ** 2).sum()))
    reach = float(stdtrit(n_loci - 1, (1 + level) / 2)) * error
    note = (
        f"Nb: effective number of breeders that produced {group or 'the sampled cohort'}, if they paired at "
        "random. Weak evidence unless breeders are very few."
    )
    if excess <= 0:
        note += " There is no excess of heterozygotes, so the number is infinite."
    value, low, high = (nb_from_excess(d) for d in (excess, excess + reach, excess - reach))
    return Estimate(value, low, high, method, n_loci, "loci", level, note)
