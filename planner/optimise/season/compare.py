"""Figures of a mating design: effective number, diversity, inbreeding, cells, and what one sterile male costs."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from broodstock.arrays import FloatArray
from broodstock.estimates import Estimate
from planner.optimise.season.checking import at_least, numbers, share
from planner.optimise.season.families import (
    cohort_kinship,
    effective_number,
    effective_parents,
    family_table,
)
from planner.optimise.season.rehearsal import spread_of


@dataclass(frozen=True, slots=True)
class SterileLoss:
    """What is lost when all dishes of one male fail.

    Parameters
    ----------
    eggs : float
        Share of all eggs, mean over the males (each as likely to be the one).
    eggs_most : float
        Share of the eggs for the male that would cost most.
    families : float
        Families lost, mean over the males.
    females_alone : int
        Females that lose all young if their only male fails.
    females_most : int
        Those of them that depend on one and the same male, for the male with most.
    effective_after : float
        Effective number of parents of what is left, mean over the males.
    effective_least : float
        The same for the male that would cost most.
    females_expected : float
        Expected number of females without any young when each male fails with the chance given.
    eggs_sd : float
        Standard deviation of the share of eggs lost when each male fails with that chance; the mean is the
        chance itself in every design.
    """

    eggs: float
    eggs_most: float
    families: float
    females_alone: int
    females_most: int
    effective_after: float
    effective_least: float
    females_expected: float
    eggs_sd: float


@dataclass(frozen=True)
class DesignFigures:
    """Figures of one design; all but the effective number with uneven success are exact.

    Parameters
    ----------
    dishes : int
        Dishes, and cells, needed.
    families : int
        Different pairs.
    females, males : int
        Fish used.
    effective : float
        Effective number of parents with equal success of all eggs.
    inbreeding_rate : float
        1 / (2 x `effective`).
    uneven : Estimate
        Effective number with uneven success of females and dishes: median and quantiles.
    kinship : float
        Mean kinship of the young, very many of them, self pairs in.
    diversity : float
        1 - `kinship`.
    inbreeding, inbreeding_most : float
        Expected inbreeding of the young: mean by eggs, and greatest.
    sterile : SterileLoss
    """

    dishes: int
    families: int
    females: int
    males: int
    effective: float
    inbreeding_rate: float
    uneven: Estimate
    kinship: float
    diversity: float
    inbreeding: float
    inbreeding_most: float
    sterile: SterileLoss

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return asdict(self) | {"uneven": self.uneven.as_dict()}


def design_figures(
    eggs: npt.ArrayLike,
    kinship: npt.ArrayLike,
    *,
    dishes: npt.ArrayLike | None = None,
    sterile_chance: float = 0.05,
    cv_female: float = 0.3,
    cv_dish: float = 0.2,
    draws: int = 1000,
    seed: int = 1,
    level: float = 0.9,
) -> DesignFigures:
    """Return the figures of a design.

    Parameters
    ----------
    eggs : array_like, float64, shape (n_females, n_males)
        Share or number of eggs of each pair.
    kinship : array_like, float64, shape (n_females + n_males, n_females + n_males)
        Kinship of the fish, females first, self-kinship on the diagonal.
    dishes : array_like, integer, shape (n_females, n_males), optional
        Dishes of each pair. Default: one for each pair with eggs.
    sterile_chance : float
        Chance that a male's dishes all fail.
    cv_female, cv_dish : float
        Variation (sd / mean) of the success of females, and of dishes within females; log-normal.
    draws : int
        Draws of success.
    seed : int
    level : float
        Coverage of the interval.

    Returns
    -------
    DesignFigures

    Raises
    ------
    ShapeError, ValueRangeError
        If the arrays do not fit, a number is negative, or there are no eggs.

    References
    ----------
    .. [1] Wright, S. (1931), Genetics 16, 97-159 (effective number; from memory).
    """
    w = family_table(eggs)
    laid = (w > 0).astype(np.int64) if dishes is None else np.asarray(dishes, dtype=np.int64)
    numbers("dishes", laid, w.shape)
    share("sterile chance", sterile_chance)
    at_least("variation between females", cv_female, 0)
    at_least("variation between dishes", cv_dish, 0)
    at_least("draws", draws, 20)
    w = w / w.sum()
    nf = w.shape[0]
    K = np.asarray(kinship, dtype=np.float64)
    mean = cohort_kinship(w, K)
    parents = K[:nf, nf:]
    effective = effective_parents(w)
    used = w > 0
    return DesignFigures(
        dishes=int(laid.sum()),
        families=int(used.sum()),
        females=int(used.any(axis=1).sum()),
        males=int(used.any(axis=0).sum()),
        effective=effective,
        inbreeding_rate=1 / (2 * effective),
        uneven=_uneven(w, laid, cv_female, cv_dish, draws, seed, level),
        kinship=mean,
        diversity=1 - mean,
        inbreeding=float((w * parents).sum()),
        inbreeding_most=float(parents[used].max()),
        sterile=sterile_loss(w, sterile_chance),
    )


def sterile_loss(eggs: npt.ArrayLike, chance: float) -> SterileLoss:
    """Return what one sterile male costs.

    Parameters
    ----------
    eggs : array_like, float64, shape (n_females, n_males)
    chance : float
        Chance that a male's dishes all fail.

    Raises
    ------
    ValueRangeError
        If there are no eggs, a number is negative or the chance is none.
    """
    w = family_table(eggs)
    w = w / w.sum()
    p = share("sterile chance", chance)
    used = w > 0
    males = np.flatnonzero(used.any(axis=0))
    females = used.any(axis=1)
    of_male = w[:, males].sum(axis=0)
    after = []
    for m in males.tolist():
        left = w.copy()
        left[:, m] = 0
        after.append(effective_parents(left))
    mates = used.sum(axis=1)[females]
    return SterileLoss(
        eggs=float(of_male.mean()),
        eggs_most=float(of_male.max()),
        families=float(used[:, males].sum(axis=0).mean()),
        females_alone=int((mates == 1).sum()),
        females_most=int(used[used.sum(axis=1) == 1].sum(axis=0).max(initial=0)),
        effective_after=float(np.mean(after)),
        effective_least=float(np.min(after)),
        females_expected=float((p**mates).sum()),
        eggs_sd=float(np.sqrt(p * (1 - p) * (of_male @ of_male))),
    )


def _uneven(
    w: FloatArray,
    laid: npt.NDArray[np.int64],
    cv_female: float,
    cv_dish: float,
    draws: int,
    seed: int,
    level: float,
) -> Estimate:
    """Return the effective number when females and dishes differ in success.

    The success of a pair with several dishes is their mean: its variance is divided by their number.
    """
    rng = np.random.default_rng(seed)
    f, m = np.nonzero(w)
    sd_female = np.sqrt(np.log1p(cv_female**2))
    sd_dish = np.sqrt(np.log1p(cv_dish**2 / np.maximum(laid[f, m], 1)))
    female = np.exp(sd_female * rng.standard_normal((draws, w.shape[0])))
    dish = np.exp(sd_dish * rng.standard_normal((draws, len(f))) - sd_dish**2 / 2)
    amounts = w[f, m] * female[:, f] * dish
    of_f, of_m = np.zeros((draws, w.shape[0])), np.zeros((draws, w.shape[1]))
    for k in range(len(f)):
        of_f[:, f[k]] += amounts[:, k]
        of_m[:, m[k]] += amounts[:, k]
    values = np.array(
        [
            4 * a * b / (a + b)
            for a, b in ((effective_number(x), effective_number(y)) for x, y in zip(of_f, of_m, strict=True))
        ]
    )
    return spread_of(
        values, level, f"median and quantiles of {draws} draws of log-normal success", "draws of success"
    )
