"""Effective size from linkage disequilibrium in one sample.

Few parents make alleles at unlinked loci go together by chance. The mean squared correlation between
alleles at different loci, less what the finite sample alone would show, gives the effective number.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Literal, TypeAlias

import numpy as np

from broodstock.arrays import CallArray, FloatArray
from broodstock.effective_size.allele_columns import AlleleColumns, allele_columns
from broodstock.effective_size.chi_square_interval import chi_square_interval
from broodstock.effective_size.linkage_adjustments import adjust_for_age_structure, adjust_for_chromosomes
from broodstock.effective_size.meaning import SampleKind, single_sample_meaning
from broodstock.effective_size.pairwise_ld import PairSums, sum_pairs
from broodstock.errors import UsageError, ValueRangeError
from broodstock.estimates import Estimate
from broodstock.genotypes.genotype_set import GenotypeSet

Mating: TypeAlias = Literal["random", "monogamy"]
Screen: TypeAlias = float | Literal["no singletons"]

DEFAULT_SCREENS: tuple[Screen, ...] = (0.10, 0.05, 0.02, 0.01, "no singletons")
LEAST_FISH = 4
SMALL_SAMPLE = 10
"""Below this many fish the published correction for sample size is itself off."""


@dataclass(frozen=True, slots=True)
class LinkageNe:
    """Linkage estimate under one screen of rare alleles.

    Parameters
    ----------
    screen : float or 'no singletons'
        Alleles (or their complements) rarer than this were left out.
    over_fish : Estimate
        Effective size with the interval from leaving out each fish (the one to report).
    over_loci : Estimate
        The same value with the interval from leaving out each locus.
    parametric : Estimate
        The same value with the chi-square interval that takes all comparisons as independent (too narrow
        with many loci).
    chromosome_adjusted, age_adjusted_nb, age_adjusted_ne : Estimate or None
        `over_fish` after the published corrections; None when not asked for.
    mean_r2, expected_r2 : float or None
        Weighted mean squared correlation, and its mean in samples of this size without drift; None when
        there are no pairs.
    sample_size : float or None
        Weighted harmonic mean of the fish typed at both loci of a pair.
    n_loci, n_alleles : int
        Loci with at least one allele kept, and alleles kept (one of the two at a locus with two).
    n_comparisons : int
        Independent comparisons of alleles.
    effective_df_fish, effective_df_loci : float or None
        Degrees of freedom that the jackknife over fish or loci leaves of them.
    """

    screen: Screen
    over_fish: Estimate
    over_loci: Estimate
    parametric: Estimate
    chromosome_adjusted: Estimate | None = None
    age_adjusted_nb: Estimate | None = None
    age_adjusted_ne: Estimate | None = None
    mean_r2: float | None = None
    expected_r2: float | None = None
    sample_size: float | None = None
    n_loci: int = 0
    n_alleles: int = 0
    n_comparisons: int = 0
    effective_df_fish: float | None = None
    effective_df_loci: float | None = None


def ne_from_drift(drift: float, sample_size: float, mating: Mating = "random") -> float:
    """Turn the part of r squared due to drift into an effective size.

    Parameters
    ----------
    drift : float
        Mean squared correlation less its expectation in a sample of this size.
    sample_size : float
        Fish in the sample; the published curves differ below and above 30.
    mating : {'random', 'monogamy'}
        Mates drawn anew for every offspring, or pairs for life.

    Returns
    -------
    float
        Positive; infinite when `drift` is zero or negative.

    Raises
    ------
    UsageError
        If `mating` is another word.

    Notes
    -----
    When `drift` is so large that the square root has no real value the root is taken as 0; such an
    effective size (about 4 or less with random mating) is at the edge of the published curves.

    References
    ----------
    .. [1] Waples (2006), Conservation Genetics 7:167-184; Waples & Do (2008), Molecular Ecology Resources
       8:753-756 (coefficients from memory).

    Examples
    --------
    >>> round(ne_from_drift(0.03 - (1 / 50 + 3.19 / 50**2), 50), 4)
    36.0125
    """
    large = sample_size >= 30
    if mating == "random":
        lead, curve = (1 / 3, 2.76) if large else (0.308, 2.08)
    elif mating == "monogamy":
        lead, curve = (2 / 3, 7.2) if large else (0.618, 5.24)
    else:
        raise UsageError(
            f"mating: found {mating!r}. Expected 'random' or 'monogamy'. Say how the parents mated."
        )
    if drift <= 0:
        return math.inf
    return (lead + math.sqrt(max(lead**2 - curve * drift, 0.0))) / (2 * drift)


def suggested_screen(n_fish: float) -> float:
    """Return the screen that balances bias from rare alleles against loss of information.

    Parameters
    ----------
    n_fish : float
        Fish in the sample, above 0.

    Returns
    -------
    float
        0.02 above 25 fish; below, ``1/n_fish``, which leaves out alleles carried once.

    Raises
    ------
    ValueRangeError
        If `n_fish` is not positive.

    References
    ----------
    .. [1] Waples & Do (2010), Evolutionary Applications 3:244-262 (from memory).
    """
    if not n_fish > 0:
        raise ValueRangeError(f"suggested screen: found {n_fish} fish. Expected a positive number.")
    return 0.02 if n_fish > 25 else 1 / n_fish


def linkage_ne(
    genotypes: GenotypeSet | CallArray,
    *,
    group: str = "",
    kind: SampleKind = "one-cohort",
    mating: Mating = "random",
    screens: Sequence[Screen] = DEFAULT_SCREENS,
    use_linkage_groups: bool | None = None,
    n_chromosomes: int | None = None,
    adult_lifespan: float | None = None,
    age_at_maturity: float | None = None,
    jackknife_fish: bool = True,
    level: float = 0.95,
    threads: int | None = None,
) -> tuple[LinkageNe, ...]:
    """Estimate effective size from linkage disequilibrium, under several screens of rare alleles.

    Parameters
    ----------
    genotypes : GenotypeSet or ndarray of int, shape (n_loci, n_fish, 2)
        Calls of one sample, -1 where untyped. Of a set only neutral loci are used.
    group : str
        The sampled group in the user's words.
    kind : {'one-cohort', 'discrete-generation', 'mixed-ages'}
        How the sampled fish were born; decides whether the number is called Ne or Nb.
    mating : {'random', 'monogamy'}
        How the parents mated.
    screens : sequence of float or 'no singletons'
        Lowest frequency an allele (and its complement) must have, from 0 to 0.5, or at least two copies
        of it.
    use_linkage_groups : bool, optional
        Use only pairs of loci placed on different linkage groups. Default: when at least two groups are
        recorded. Loci without a group are then left out.
    n_chromosomes : int, optional
        Adds the estimate corrected for linked loci. Refused together with linkage groups.
    adult_lifespan, age_at_maturity : float, optional
        Years; both add the estimates corrected for overlapping generations (one cohort only).
    jackknife_fish : bool
        Compute the interval over fish. It takes most of the time with thousands of loci.
    level : float
        Coverage the intervals aim at.
    threads : int, optional
        Threads; default the processors, at most 8.

    Returns
    -------
    tuple of LinkageNe
        One per screen, in the order given.

    Raises
    ------
    UsageError
        If a word is not known, a screen is outside 0 to 0.5, `level` is not between 0 and 1, only one of
        the two ages is given, ages are given for a sample that is not one cohort, chromosomes are counted
        although linkage groups are used, or linkage groups are asked for and fewer than two are recorded.
    ShapeError, ValueRangeError
        If a bare array is not a table of calls (see `neutral_calls`).

    Notes
    -----
    The mean over allele pairs of two loci counts ``(K1 - 1)(K2 - 1)`` times, K being the alleles at a
    locus when all are kept, and as many as are kept when fewer. Pairs are also weighted by the square of
    the fish typed at both loci. The interval over fish follows Jones, Ovenden & Wang [1]_: the jackknife
    variance of the mean gives an effective number of comparisons for the chi-square limits. It does not
    cover the chance part of the family tree that all sampled fish share: in simulations it holds the true
    size in 90 to 97 % of samples of up to about twice the effective size, in 80 % at five times and 65 % at
    ten times. The screen is applied once, to the whole sample.

    References
    ----------
    .. [1] Jones, Ovenden & Wang (2016), Heredity 117:217-223 (from memory).
    .. [2] Hill (1981), Genetical Research 38:209-216; Waples (2006), Conservation Genetics 7:167-184;
       Waples & Do (2008), Molecular Ecology Resources 8:753-756; Peel et al. (2013), Molecular Ecology
       Resources 13:243-253 (from memory).

    Examples
    --------
    Sixty young of 20 parents (10 of each sex, mated at random) typed at 150 loci; the true size is close to 20.

    >>> rng = np.random.default_rng(1)
    >>> parents = rng.integers(0, 2, (150, 20, 2))
    >>> def gamete(parent):
    ...     side = rng.integers(0, 2, (150, 60))
    ...     return np.take_along_axis(parents[:, parent], side[..., None], axis=2)[..., 0]
    >>> young = np.stack([gamete(rng.integers(0, 10, 60)), gamete(rng.integers(10, 20, 60))], axis=2)
    >>> (found,) = linkage_ne(young, screens=(0.05,))
    >>> found.over_fish.low < 20 < found.over_fish.high
    True
    """
    meaning = single_sample_meaning(kind, group)
    ne_from_drift(0.0, 50, mating)
    _check_settings(screens, level, kind, adult_lifespan, age_at_maturity)
    columns = allele_columns(genotypes)
    n_loci = int(columns.locus.max(initial=-1)) + 1
    different_groups = _groups_decision(columns, use_linkage_groups, n_chromosomes)
    if columns.n_fish < LEAST_FISH:
        reason = f"linkage needs at least {LEAST_FISH} typed fish and there are {columns.n_fish}"
        return tuple(_without(reason, screen, columns.n_fish) for screen in screens)
    weights = np.array([_screen_weights(columns, screen) for screen in screens])
    sums = sum_pairs(columns, weights, n_loci, different_groups, jackknife_fish, threads)
    results = []
    for s, screen in enumerate(screens):
        one = _one_screen(columns, weights[s], sums, s, screen, mating, meaning, level, different_groups)
        if n_chromosomes is not None:
            one = _with_chromosomes(one, n_chromosomes)
        if adult_lifespan is not None and age_at_maturity is not None:
            one = _with_ages(one, adult_lifespan, age_at_maturity)
        results.append(one)
    return tuple(results)


def _check_settings(
    screens: Sequence[Screen],
    level: float,
    kind: SampleKind,
    adult_lifespan: float | None,
    age_at_maturity: float | None,
) -> None:
    for screen in screens:
        if screen != "no singletons" and not (isinstance(screen, int | float) and 0 <= screen < 0.5):
            raise UsageError(
                f"screen of rare alleles: found {screen!r}. Expected a frequency from 0 to below 0.5 or "
                "'no singletons'."
            )
    if not 0 < level < 1:
        raise UsageError(f"level: found {level}. Expected a coverage between 0 and 1, for example 0.95.")
    if (adult_lifespan is None) != (age_at_maturity is None):
        raise UsageError(
            "age adjustment: found one of adult lifespan and age at maturity. Expected both or neither."
        )
    if adult_lifespan is not None and kind != "one-cohort":
        raise UsageError(
            f"age adjustment: found a sample of kind {kind!r}. Expected 'one-cohort': the correction is for "
            "the Nb of fish born in one season. Leave the ages out."
        )


def _groups_decision(
    columns: AlleleColumns, use_linkage_groups: bool | None, n_chromosomes: int | None
) -> bool:
    n_groups = len(set(columns.linkage_group[columns.linkage_group >= 0].tolist()))
    if use_linkage_groups and n_groups < 2:
        raise UsageError(
            f"linkage groups: found {n_groups} among the polymorphic loci. Expected at least 2 to use only "
            "pairs on different groups. Enter the linkage group of the loci or switch this off."
        )
    decided = n_groups >= 2 if use_linkage_groups is None else use_linkage_groups
    if decided and n_chromosomes is not None:
        raise UsageError(
            "chromosome adjustment: found linkage groups in use. Expected one or the other: pairs on "
            "different groups need no correction for linkage. Leave the number of chromosomes out or "
            "switch linkage groups off."
        )
    return decided


def _screen_weights(columns: AlleleColumns, screen: Screen) -> FloatArray:
    """Weight each allele column: independent alleles at its locus over columns kept there, or 0."""
    if screen == "no singletons":
        kept = columns.copies >= 2
    else:
        kept = columns.minor_frequency >= float(screen) - 1e-12
    n_kept = np.bincount(columns.locus, weights=kept, minlength=int(columns.locus.max(initial=-1)) + 1)
    n_kept_here = n_kept[columns.locus]
    independent = np.minimum(n_kept_here, columns.n_alleles - 1)
    return np.where(kept, independent / np.maximum(n_kept_here, 1), 0.0)


def _one_screen(
    columns: AlleleColumns,
    weights: FloatArray,
    sums: PairSums,
    s: int,
    screen: Screen,
    mating: Mating,
    meaning: str,
    level: float,
    different_groups: bool,
) -> LinkageNe:
    """Read one screen's estimates off the sums."""
    kept = weights > 0
    n_loci = len(set(columns.locus[kept].tolist()))
    if sums.weight[s] <= 0:
        reason = f"no pair of loci is left at this screen ({n_loci} loci have an allele that is kept)"
        return _without(reason, screen, columns.n_fish, n_loci, int(kept.sum()))
    weight = float(sums.weight[s])
    mean_r2, expected = float(sums.r2[s]) / weight, float(sums.expected[s]) / weight
    size = weight / float(sums.weight_per_fish[s])
    comparisons = float(sums.comparisons[s])
    value = ne_from_drift(float(sums.drift[s]) / weight, size, mating)
    notes = [meaning, *_cautions(mean_r2 - expected, size, value, mating)]
    linked = (
        "only pairs of loci on different linkage groups"
        if different_groups
        else "all pairs of loci taken as unlinked"
    )
    method = f"linkage disequilibrium, {mating} mating, alleles {_screen_words(screen)}, {linked}"

    def estimate(degrees: float | None, how: str, why_not: str) -> Estimate:
        base = Estimate(
            value, method=method, n_used=columns.n_fish, level=level, note=" ".join(notes).strip()
        )
        if degrees is None:
            return replace(base, method=f"{method}; no interval: {why_not}")
        low_r2, high_r2 = chi_square_interval(mean_r2, degrees, level)
        return replace(
            base,
            low=ne_from_drift(high_r2 - expected, size, mating),
            high=ne_from_drift(low_r2 - expected, size, mating),
            method=f"{method}; {how}",
        )

    fish_df = _effective_df(sums.fish_drift[s], sums.fish_weight[s], mean_r2)
    present = sums.locus_weight[s] > 0
    loci_df = _effective_df(
        (sums.drift[s] - sums.locus_drift[s])[present], (weight - sums.locus_weight[s])[present], mean_r2
    )
    asked = sums.fish_drift.shape[1] > 0
    return LinkageNe(
        screen=screen,
        over_fish=estimate(
            fish_df,
            "interval by jackknife over fish",
            "leaving out a fish leaves no pair of loci"
            if asked
            else "the jackknife over fish was not asked for",
        ),
        over_loci=estimate(
            loci_df, "interval by jackknife over loci", "leaving out a locus leaves no pair of loci"
        ),
        parametric=estimate(comparisons, "parametric chi-square interval", ""),
        mean_r2=mean_r2,
        expected_r2=expected,
        sample_size=size,
        n_loci=n_loci,
        n_alleles=int(kept.sum()),
        n_comparisons=round(comparisons),
        effective_df_fish=fish_df,
        effective_df_loci=loci_df,
    )


def _effective_df(drift: FloatArray, weight: FloatArray, mean_r2: float) -> float | None:
    """Degrees of freedom whose chi-square scatter equals the jackknife variance of the mean.

    A mean of r squared over `v` independent comparisons has variance ``2 mean**2 / v``.
    """
    n = len(weight)
    if n < 2 or (weight <= 0).any() or mean_r2 <= 0:
        return None
    without = drift / weight
    variance = (n - 1) / n * float(((without - without.mean()) ** 2).sum())
    return 2 * mean_r2**2 / variance if variance > 0 else None


def _cautions(drift: float, size: float, value: float, mating: Mating) -> list[str]:
    notes = []
    if math.isinf(value):
        notes.append(
            "The loci show no more disequilibrium than sampling alone would, so the formula gives no finite "
            "number; read it as infinite: no sign of few parents in this sample, not proof of many."
        )
    elif size < value:
        notes.append("The sample is smaller than the effective size it finds: the upper limit says little.")
    elif size > 3 * value:
        notes.append(
            "So many fish of so few parents: the interval is about the parents' actual matings and doesn't "
            "cover the luck of which parents had many young (it is too narrow as a statement on their number)."
        )
    lead, curve = (1 / 3, 2.76) if mating == "random" else (2 / 3, 7.2)
    if curve * drift > lead**2:
        notes.append("So few parents that the published curve ends: read it as 'very few'.")
    if size < SMALL_SAMPLE:
        notes.append(
            f"Only {size:.1f} fish per pair of loci: below about {SMALL_SAMPLE} the correction for sample "
            "size is itself off (too low a chance level, so too small a number)."
        )
    return notes


def _screen_words(screen: Screen) -> str:
    return "seen at least twice" if screen == "no singletons" else f"at frequency {screen:g} or more"


def _without(reason: str, screen: Screen, n_fish: int, n_loci: int = 0, n_alleles: int = 0) -> LinkageNe:
    none = Estimate.not_estimable(reason, f"linkage disequilibrium, alleles {_screen_words(screen)}", n_fish)
    return LinkageNe(screen, none, none, none, n_loci=n_loci, n_alleles=n_alleles)


def _with_chromosomes(one: LinkageNe, n_chromosomes: int) -> LinkageNe:
    if one.over_fish.value is None:
        return replace(one, chromosome_adjusted=one.over_fish)
    method = f"{one.over_fish.method}; corrected for {n_chromosomes} chromosomes (coefficients from memory)"
    adjusted = _mapped(one.over_fish, lambda x: adjust_for_chromosomes(x, n_chromosomes), method)
    return replace(one, chromosome_adjusted=adjusted)


def _with_ages(one: LinkageNe, adult_lifespan: float, age_at_maturity: float) -> LinkageNe:
    start = one.chromosome_adjusted or one.over_fish
    if start.value is None:
        return replace(one, age_adjusted_nb=start, age_adjusted_ne=start)
    method = f"{start.method}; corrected for overlapping generations (coefficients from memory)"
    nb = _mapped(start, lambda x: adjust_for_age_structure(x, adult_lifespan, age_at_maturity)[0], method)
    ne = _mapped(start, lambda x: adjust_for_age_structure(x, adult_lifespan, age_at_maturity)[1], method)
    note = "Ne per generation, derived from the Nb of one cohort by a line fitted over species."
    return replace(one, age_adjusted_nb=nb, age_adjusted_ne=replace(ne, note=note))


def _mapped(estimate: Estimate, change: Callable[[float], float], method: str) -> Estimate:
    """Apply a rising function to the value and both limits."""
    value, low, high = (
        None if x is None else change(x) for x in (estimate.value, estimate.low, estimate.high)
    )
    return replace(estimate, value=value, low=low, high=high, method=method)
