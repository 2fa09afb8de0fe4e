"""Effective size from counts of parents, their shares and their family sizes."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from broodstock.arrays import FloatArray
from broodstock.errors import ShapeError, ValueRangeError
from broodstock.estimates import Estimate


@dataclass(frozen=True, slots=True)
class ContributionNe:
    """Effective numbers of mothers, of fathers, and of both together.

    Parameters
    ----------
    females, males : Estimate
        Effective number of each sex.
    both : Estimate
        ``4 Nf Nm / (Nf + Nm)``.
    """

    females: Estimate
    males: Estimate
    both: Estimate


def combine_sexes(females: float, males: float) -> float:
    """Return ``4 F M / (F + M)``; an infinite number of one sex gives four times the other.

    Parameters
    ----------
    females, males : float
        Numbers, or effective numbers, of each sex; positive, may be infinite.

    Raises
    ------
    ValueRangeError
        If one of them is not positive.

    References
    ----------
    .. [1] Wright (1931), Genetics 16:97-159.

    Examples
    --------
    >>> combine_sexes(10, 30), combine_sexes(1, 1000)
    (30.0, 3.996003996003996)
    """
    if not (females > 0 and males > 0):
        raise ValueRangeError(
            f"effective size: found {females} females and {males} males. Expected at least one of each."
        )
    if math.isinf(females) or math.isinf(males):
        return 4 * min(females, males)
    return 4 * females * males / (females + males)


def sex_ratio_ne(n_females: int, n_males: int, group: str = "") -> Estimate:
    """Effective size of breeders whose numbers of the two sexes differ, all else random.

    Parameters
    ----------
    n_females, n_males : int
        Fish that breed, of each sex.
    group : str
        Which fish, in the user's words.

    Returns
    -------
    Estimate
        ``4 F M / (F + M)``, without interval (a count, not a sample); not estimable when a sex is missing.

    Raises
    ------
    ValueRangeError
        If a number is negative.

    References
    ----------
    .. [1] Wright (1931), Genetics 16:97-159.

    Examples
    --------
    >>> sex_ratio_ne(10, 30).value
    30.0
    >>> sex_ratio_ne(0, 30).reason
    'there are no females'
    """
    method = "sex ratio, 4FM/(F + M)"
    if n_females < 0 or n_males < 0:
        raise ValueRangeError(f"sex ratio: found {n_females} females and {n_males} males. Expected counts.")
    if n_females == 0 or n_males == 0:
        missing = "females" if n_females == 0 else "males"
        return Estimate.not_estimable(f"there are no {missing}", method, n_females + n_males)
    note = (
        f"Ne of {group or 'these breeders'} if every fish of a sex has the same chance to be a parent of "
        "each young. Real family sizes differ more, so read it as an upper limit."
    )
    return Estimate(combine_sexes(n_females, n_males), method=method, n_used=n_females + n_males, note=note)


def inbreeding_rate(n_females: float, n_males: float) -> float:
    """Return the expected rise of inbreeding per generation, ``1/(8F) + 1/(8M) = 1/(2 Ne)``.

    Parameters
    ----------
    n_females, n_males : float
        Breeders of each sex, positive.

    Raises
    ------
    ValueRangeError
        If one of them is not positive.

    References
    ----------
    .. [1] Wright (1931), Genetics 16:97-159.

    Examples
    --------
    >>> inbreeding_rate(10, 10), 1 / 80 + 1 / 80
    (0.025, 0.025)
    """
    return 1 / (2 * combine_sexes(n_females, n_males))


def effective_number(shares: Sequence[float] | FloatArray) -> float:
    """Return the number of equal parents with the same chance of drawing one parent twice.

    Parameters
    ----------
    shares : sequence of float, shape (n_parents,)
        Share or count of young of each parent, at least 0; need not add to 1.

    Returns
    -------
    float
        ``1 / sum(x**2)`` of the shares x.

    Raises
    ------
    ShapeError
        If `shares` does not have one dimension.
    ValueRangeError
        If a share is negative or not finite, or none is positive.
    """
    x = np.asarray(shares, dtype=np.float64)
    if x.ndim != 1:
        raise ShapeError(f"shares: found an array of shape {x.shape}. Expected one share per parent.")
    if x.size == 0 or not np.isfinite(x).all() or (x < 0).any() or x.sum() <= 0:
        raise ValueRangeError(
            "shares: found a negative or missing share, or no positive one. Expected a share of at least 0 "
            "for each parent and one above 0. Leave out parents whose share is unknown."
        )
    x = x / x.sum()
    return float(1 / (x**2).sum())


def contribution_ne(
    female_shares: Sequence[float] | FloatArray, male_shares: Sequence[float] | FloatArray, group: str = ""
) -> ContributionNe:
    """Effective numbers from the shares of young that parents contribute.

    Parameters
    ----------
    female_shares, male_shares : sequence of float
        Share, or number of young, of each parent; at least 0, need not add to 1. The shares are taken as
        known (the whole cohort); for a sample of young use `offspring_counts.nb_from_offspring_counts`.
    group : str
        The cohort in the user's words.

    Returns
    -------
    ContributionNe

    Raises
    ------
    ShapeError, ValueRangeError
        As `effective_number`.
    """
    nf, nm = effective_number(female_shares), effective_number(male_shares)
    whom = group or "this cohort"
    method = "unequal contributions, 1/sum of squared shares per sex"
    note = f"Nb: effective number of the breeders of {whom}, from shares taken as exact."
    n_f, n_m = int(np.count_nonzero(female_shares)), int(np.count_nonzero(male_shares))
    return ContributionNe(
        Estimate(nf, method=method, n_used=n_f, unit_used="mothers", note=f"Effective mothers of {whom}."),
        Estimate(nm, method=method, n_used=n_m, unit_used="fathers", note=f"Effective fathers of {whom}."),
        Estimate(combine_sexes(nf, nm), method=method, n_used=n_f + n_m, unit_used="parents", note=note),
    )


def rescale_variance(mean: float, variance: float, to_mean: float = 2.0) -> float:
    """Scale the variance of family size as random survival to another mean would.

    Parameters
    ----------
    mean, variance : float
        Of the number of young per parent as counted; mean positive, variance at least 0.
    to_mean : float
        Mean wanted, 2 for a population of constant size.

    Returns
    -------
    float
        ``m* [1 + (m*/m) (V/m - 1)]``.

    Raises
    ------
    ValueRangeError
        If a mean is not positive, the variance is negative, or the result would be (a variance this far
        below Poisson cannot have arisen from families counted at a larger mean).

    References
    ----------
    .. [1] Crow & Morton (1955), Evolution 9:202-214; Waples (2002), in Population Viability Analysis,
       147-168 (from memory).
    """
    if not (mean > 0 and to_mean > 0 and variance >= 0):
        raise ValueRangeError(
            f"family size: found mean {mean} and variance {variance}, to be scaled to mean {to_mean}. "
            "Expected positive means and a variance of at least 0."
        )
    scaled = to_mean * (1 + to_mean / mean * (variance / mean - 1))
    if scaled < 0:
        raise ValueRangeError(
            f"family size: scaling mean {mean} and variance {variance} to mean {to_mean} gives a negative "
            "variance. Expected families counted at a mean above the wanted one, or more scatter. Count the "
            "families at an earlier stage."
        )
    return scaled


def family_size_ne(
    n_parents: int,
    variance: float,
    mean: float = 2.0,
    departure: float | None = None,
    selfing: bool = False,
    group: str = "",
) -> Estimate:
    """Variance effective size from the scatter of family sizes.

    Parameters
    ----------
    n_parents : int
        Parents, those without young included; at least 2.
    variance, mean : float
        Of the number of young per parent; scaled to mean 2 by random survival when the mean differs.
    departure : float, optional
        Departure from Hardy-Weinberg proportions (Fis) among parents, -1 to 1, for populations that
        always mate among kin; uses the large-number form.
    selfing : bool
        Whether a fish can mate with itself at random, which changes 4N - 4 to 4N - 2.
    group : str
        Which parents, in the user's words.

    Returns
    -------
    Estimate
        ``(4N - 4)/(V + 2)``, ``(4N - 2)/(V + 2)`` with random selfing, or
        ``4N/(2(1 - a) + V(1 + 3a))`` with departure a. Without interval.

    Raises
    ------
    ValueRangeError
        If there are fewer than 2 parents, the departure is outside -1 to 1, or mean and variance are not
        usable (see `rescale_variance`).

    References
    ----------
    .. [1] Crow & Kimura (1970), An Introduction to Population Genetics Theory; Caballero (1994), Heredity
       73:657-679; Caballero & Hill (1992), Genetics 130:909-916 (from memory).

    Examples
    --------
    Equal families double the effective size; families at random (variance 2) leave about the number of parents.

    >>> family_size_ne(20, 0.0).value, family_size_ne(20, 2.0).value
    (38.0, 19.0)
    """
    if n_parents < 2 or (departure is not None and not -1 < departure < 1):
        raise ValueRangeError(
            f"family size: found {n_parents} parents and departure {departure}. Expected at least 2 parents "
            "and a departure between -1 and 1."
        )
    v = variance if mean == 2.0 else rescale_variance(mean, variance)
    if departure is not None:
        value = 4 * n_parents / (2 * (1 - departure) + v * (1 + 3 * departure))
        method = "variance of family size with departure from Hardy-Weinberg proportions"
    else:
        value = (4 * n_parents - (2 if selfing else 4)) / (v + 2)
        method = "variance of family size"
    scaled = "" if mean == 2.0 else f" The variance was scaled from a mean of {mean:g} young to 2."
    note = (
        f"Ne of the generation of {group or 'these parents'}: the speed at which allele frequencies drift "
        f"from these parents to their young.{scaled}"
    )
    return Estimate(value, method=method, n_used=n_parents, unit_used="parents", note=note)


def harmonic_mean_ne(ne_by_generation: Sequence[float | Estimate], group: str = "") -> Estimate:
    """Effective size over several generations: the harmonic mean.

    Parameters
    ----------
    ne_by_generation : sequence of float or Estimate
        Ne of each generation in turn, positive, may be infinite.
    group : str
        The line or population in the user's words.

    Returns
    -------
    Estimate
        With the harmonic means of the lower and of the upper limits as limits when every generation has
        an interval (wider than need be); not estimable when a generation has no estimate.

    Raises
    ------
    ValueRangeError
        If the list is empty or an Ne is not positive.

    References
    ----------
    .. [1] Wright (1938), Science 87:430-431.

    Examples
    --------
    >>> round(harmonic_mean_ne([100, 10]).value, 4)
    18.1818
    """
    method = "harmonic mean over generations"
    n = len(ne_by_generation)
    estimates = [e if isinstance(e, Estimate) else Estimate(float(e)) for e in ne_by_generation]
    values = [e.value for e in estimates]
    if n == 0 or any(v is not None and not v > 0 for v in values):
        raise ValueRangeError(
            f"effective size over generations: found {values}. Expected at least one positive number."
        )
    if None in values:
        first = values.index(None) + 1
        return Estimate.not_estimable(f"generation {first} has no estimate", method, n, "generations")

    def mean(numbers: list[float | None]) -> float | None:
        if any(x is None for x in numbers):
            return None
        total = sum(1 / x for x in numbers if x is not None)
        return n / total if total > 0 else math.inf

    note = f"Ne of {group or 'the population'} over {n} generations; the smallest ones count most."
    low, high = mean([e.low for e in estimates]), mean([e.high for e in estimates])
    if low is None or high is None:
        low = high = None
    return Estimate(mean(values), low, high, method, n, "generations", note=note)
