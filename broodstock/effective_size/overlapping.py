"""Effective size when generations overlap: from yearly numbers to a generation."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from broodstock.arrays import FloatArray
from broodstock.effective_size.demographic import harmonic_mean_ne
from broodstock.errors import ShapeError, ValueRangeError
from broodstock.estimates import Estimate


@dataclass(frozen=True)
class LifeTable:
    """Survival and births by age.

    Parameters
    ----------
    survival : ndarray, float64, shape (n_ages,)
        Chance to live from age 0 to 1, 1 to 2, ...; the last is 0 when nobody lives on.
    births : ndarray, float64, shape (n_ages,)
        Expected young of a fish at age 0, 1, ... on any scale; at least 0.

    Raises
    ------
    ShapeError
        If the two differ in length.
    ValueRangeError
        If a chance is outside 0 to 1, births are negative, or no fish that can be alive breeds.
    """

    survival: FloatArray
    births: FloatArray

    def __post_init__(self) -> None:
        s, b = np.asarray(self.survival, dtype=np.float64), np.asarray(self.births, dtype=np.float64)
        if s.ndim != 1 or s.shape != b.shape:
            raise ShapeError(
                f"life table: found {s.shape} survivals and {b.shape} births. Expected one per age."
            )
        object.__setattr__(self, "survival", s)
        object.__setattr__(self, "births", b)
        if not ((s >= 0) & (s <= 1)).all() or not (b >= 0).all() or not (self.alive * b).sum() > 0:
            raise ValueRangeError(
                "life table: found a survival outside 0 to 1, negative births, or no breeding age that is "
                "reached. Expected chances from 0 to 1 and births of at least 0."
            )

    @property
    def alive(self) -> FloatArray:
        """Chance to be alive at each age, 1 at age 0, shape (n_ages,)."""
        return np.concatenate([[1.0], np.cumprod(self.survival)[:-1]])

    @property
    def birth_shares(self) -> FloatArray:
        """Share of a cohort's lifetime young that are born at each age of the parent, shape (n_ages,)."""
        born = self.alive * self.births
        return born / born.sum()

    @property
    def generation_length(self) -> float:
        """Mean age of parents at the birth of their young, years."""
        return float((np.arange(len(self.births)) * self.birth_shares).sum())

    @property
    def survival_variance(self) -> float:
        """Variance of expected lifetime young (mean scaled to 1) due to chance survival.

        Equals the sum over ages of ``l s (1 - s) v**2``, v the young still to come of a fish that has
        just survived, as in Felsenstein (1971).
        """
        per_young = self.births / (self.alive * self.births).sum()
        born_later = np.cumsum((self.alive * per_young)[::-1])[::-1]
        still_to_come = np.divide(born_later, self.alive, out=np.zeros_like(born_later), where=self.alive > 0)
        after = np.append(still_to_come[1:], 0.0)
        s = self.survival
        return float((self.alive * s * (1 - s) * after**2).sum())


def life_table_ne(newborns_per_year: float, table: LifeTable, group: str = "") -> Estimate:
    """Effective size per generation with age structure and otherwise random births and deaths.

    Parameters
    ----------
    newborns_per_year : float
        Young entering at age 0 each year, constant over years; positive. Count both survival and newborns
        from the same age.
    table : LifeTable
        Survival and births by age, alike for both sexes.
    group : str
        The population in the user's words.

    Returns
    -------
    Estimate
        ``N L / (1 + sum l s (1 - s) v**2)``, without interval.

    Raises
    ------
    ValueRangeError
        If `newborns_per_year` is not positive or parents breed at age 0 only (no generation length).

    References
    ----------
    .. [1] Felsenstein (1971), Genetics 68:581-597; Hill (1972), Theoretical Population Biology 3:278-289
       (from memory; the two agree when births are Poisson).
    """
    length = table.generation_length
    if not newborns_per_year > 0 or length <= 0:
        raise ValueRangeError(
            f"life table: found {newborns_per_year} newborns a year and generation length {length:g}. "
            "Expected positive numbers."
        )
    value = newborns_per_year * length / (1 + table.survival_variance)
    note = (
        f"Ne per generation ({length:.2f} years) of {group or 'the population'} at constant numbers, with "
        "births and deaths at random within ages."
    )
    return Estimate(
        value,
        method="life table with overlapping generations",
        unit_used="ages",
        n_used=len(table.births),
        note=note,
    )


def overlapping_sexes_ne(
    males_per_year: float,
    females_per_year: float,
    generation_length: float,
    *,
    male_variances: tuple[float, float, float],
    female_variances: tuple[float, float, float],
    group: str = "",
) -> Estimate:
    """Effective size per generation with two sexes and overlapping generations.

    Parameters
    ----------
    males_per_year, females_per_year : float
        Fish of each sex that enter each year; positive.
    generation_length : float
        Mean age of parents, years; positive.
    male_variances : tuple of three float
        Over males: variance of lifetime sons, covariance of sons and daughters, variance of daughters.
    female_variances : tuple of three float
        Over females: variance of sons, covariance of sons and daughters, variance of daughters.
    group : str
        The population in the user's words.

    Returns
    -------
    Estimate
        Without interval.

    Raises
    ------
    ValueRangeError
        If a number or the generation length is not positive, or a variance is negative.

    References
    ----------
    .. [1] Hill (1979), Genetics 92:317-322 (from memory).
    """
    m, f, length = males_per_year, females_per_year, generation_length
    v_mm, c_m, v_mf = male_variances
    v_fm, c_f, v_ff = female_variances
    if not (m > 0 and f > 0 and length > 0) or min(v_mm, v_mf, v_fm, v_ff) < 0:
        raise ValueRangeError(
            f"overlapping generations: found {m} males, {f} females a year, generation length {length} and "
            f"variances {male_variances}, {female_variances}. Expected positive numbers and variances of at "
            "least 0."
        )
    male_part = (2 + v_mm + 2 * (m / f) * c_m + (m / f) ** 2 * v_mf) / (16 * m * length)
    female_part = (2 + v_ff + 2 * (f / m) * c_f + (f / m) ** 2 * v_fm) / (16 * f * length)
    note = f"Ne per generation of {group or 'the population'}, generations overlapping."
    return Estimate(
        1 / (male_part + female_part),
        method="lifetime young of both sexes, overlapping generations",
        note=note,
    )


def once_spawning_ne(
    nb_by_year: Sequence[float | Estimate], generation_length: float, group: str = ""
) -> Estimate:
    """Effective size per generation of fish that spawn once in their life, from yearly numbers of breeders.

    Parameters
    ----------
    nb_by_year : sequence of float or Estimate
        Nb of successive years, positive.
    generation_length : float
        Mean age at spawning, years; positive.
    group : str
        The population in the user's words.

    Returns
    -------
    Estimate
        Generation length times the harmonic mean of Nb.

    Raises
    ------
    ValueRangeError
        If the generation length or an Nb is not positive, or the list is empty.

    Notes
    -----
    Wrong for fish that spawn in several years: their yearly breeders are partly the same fish.

    References
    ----------
    .. [1] Waples (1990), Journal of Heredity 81:277-289 (from memory).
    """
    if not generation_length > 0:
        raise ValueRangeError(f"generation length: found {generation_length}. Expected years above 0.")
    mean = harmonic_mean_ne(nb_by_year, group)
    method = "generation length times harmonic mean of yearly Nb (fish that spawn once)"
    if mean.value is None:
        return Estimate.not_estimable(mean.reason.replace("generation", "year"), method, mean.n_used, "years")
    g = generation_length
    note = f"Ne per generation of {group or 'the population'}; only for fish that spawn once in their life."
    low = None if mean.low is None else g * mean.low
    high = None if mean.high is None else g * mean.high
    return Estimate(g * mean.value, low, high, method, mean.n_used, "years", note=note)


def inbreeding_per_year(ne: float, generation_length: float) -> float:
    """Return the expected rise of inbreeding per year, ``1 / (2 Ne L)``.

    Parameters
    ----------
    ne : float
        Effective size per generation, positive, may be infinite.
    generation_length : float
        Years, positive.

    Raises
    ------
    ValueRangeError
        If one of them is not positive.

    References
    ----------
    .. [1] Hill (1979), Genetics 92:317-322 (from memory).
    """
    if not (ne > 0 and generation_length > 0):
        raise ValueRangeError(
            f"inbreeding per year: found Ne {ne} and generation length {generation_length}. Expected "
            "positive numbers."
        )
    return 1 / (2 * ne * generation_length)
