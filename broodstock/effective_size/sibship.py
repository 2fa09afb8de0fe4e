"""Effective number of breeders from how many pairs of young are sibs."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from broodstock.arrays import FloatArray
from broodstock.effective_size.offspring_counts import check_bootstrap, sharing_estimate
from broodstock.errors import ShapeError, ValueRangeError
from broodstock.estimates import Estimate


def sib_frequencies(
    dam: npt.NDArray[np.int64], sire: npt.NDArray[np.int64]
) -> tuple[float, float, float] | None:
    """Frequencies of sib pairs among all pairs of young.

    Parameters
    ----------
    dam, sire : ndarray, int64, shape (n_young,)
        Numbers of the mother and the father of each young, at least 0.

    Returns
    -------
    paternal, maternal, full : float
        Shares of the pairs that share only the father, only the mother, both. None below two young.
    """
    n = len(dam)
    if n < 2:
        return None
    pairs = n * (n - 1)
    same_dam, same_sire = (
        _same(np.unique(dam, return_counts=True)[1]),
        _same(np.unique(sire, return_counts=True)[1]),
    )
    family = np.unique(np.column_stack([dam, sire]), axis=0, return_counts=True)[1]
    full = _same(family)
    return (same_sire - full) / pairs, (same_dam - full) / pairs, full / pairs


def _same(counts: npt.NDArray[np.int64]) -> int:
    return int((counts * (counts - 1)).sum())


def sibship_nb(
    dam: npt.NDArray[np.int64],
    sire: npt.NDArray[np.int64],
    *,
    group: str = "",
    departure: float = 0.0,
    n_dams: int | None = None,
    n_sires: int | None = None,
    n_bootstrap: int = 2000,
    level: float = 0.95,
    seed: int | np.random.Generator = 1,
) -> Estimate:
    """Effective number of breeders from a family assignment of sampled young.

    Parameters
    ----------
    dam, sire : ndarray of int, shape (n_young,)
        Number of the mother and the father that each young was assigned to, known fish or inferred ones;
        -1 when not assigned. Young with only one known parent are left out.
    group : str
        The sampled young in the user's words.
    departure : float
        Departure from Hardy-Weinberg proportions (Fis) among the parents' mates, between -1 and 1; 0 for
        random mating.
    n_dams, n_sires : int, optional
        Parents of each sex, needed only with a departure. Default: those seen in the assignment.
    n_bootstrap : int
        Bootstrap samples of young.
    level : float
        Coverage aimed at.
    seed : int or Generator
        Source of random numbers.

    Returns
    -------
    Estimate
        ``1/Ne = (1 + 3a)/4 (Q1 + Q2 + 2 Q3) - a/2 (1/N1 + 1/N2)``; infinite when no two young are sibs, or
        the sum is not positive.

    Raises
    ------
    ShapeError
        If `dam` and `sire` differ in length.
    ValueRangeError
        If a number is below -1, `departure` is not between -1 and 1, a number of parents is below 1,
        `level` is not between 0 and 1 or `n_bootstrap` is below 100.

    Notes
    -----
    The interval covers the drawing of young, not errors of the family assignment. The bootstrap takes only
    pairs of different young into account. With a departure of 0 the result equals
    `nb_from_offspring_counts`.

    References
    ----------
    .. [1] Wang (2009), Molecular Ecology 18:2148-2164 (from memory).

    Examples
    --------
    Forty young of 20 mothers and 20 fathers, each with two young by different mates: of 780 pairs, 20 share the mother
    and 20 the father, so ``1/Ne = (20 + 20) / 780 / 4``.

    >>> young = np.arange(40)
    >>> estimate = sibship_nb(young // 2, (young + 1) // 2 % 20)
    >>> round(estimate.value, 6)
    78.0
    """
    check_bootstrap(n_bootstrap, level)
    dam, sire = np.asarray(dam), np.asarray(sire)
    if dam.ndim != 1 or dam.shape != sire.shape:
        raise ShapeError(
            f"family assignment: found {dam.shape} mothers and {sire.shape} fathers. Expected one of each "
            "per young, -1 where not assigned."
        )
    if (dam.size and min(dam.min(), sire.min()) < -1) or not -1 < departure < 1:
        raise ValueRangeError(
            f"family assignment: found a parent number below -1, or a departure of {departure}. Expected "
            "parent numbers of at least 0, -1 where not assigned, and a departure between -1 and 1."
        )
    known = (dam >= 0) & (sire >= 0)
    dam, sire = dam[known].astype(np.int64), sire[known].astype(np.int64)
    method = "sibship frequencies in a family assignment; interval by bootstrap of young"
    left_out = int((~known).sum())
    found = sib_frequencies(dam, sire)
    if found is None:
        return Estimate.not_estimable(
            f"fewer than two young have both parents assigned ({left_out} of {len(known)} lack one)",
            method,
            len(dam),
            "young",
        )
    numbers = [n_dams or len(np.unique(dam)), n_sires or len(np.unique(sire))]
    if min(numbers) < 1:
        raise ValueRangeError(
            f"parents: found {n_dams} dams and {n_sires} sires. Expected at least one each."
        )
    correction = departure / 2 * (1 / numbers[0] + 1 / numbers[1])
    paternal, maternal, full = found
    rate = (1 + 3 * departure) / 4 * (paternal + maternal + 2 * full) - correction
    rng = np.random.default_rng(seed)
    draws = (1 + 3 * departure) * _bootstrap_rates(dam, sire, n_bootstrap, rng) - correction
    note = f"Nb: effective number of breeders that produced {group or 'the sampled young'}."
    if left_out:
        note += f" {left_out} young without both parents were left out."
    if rate <= 0 < paternal + maternal + full:
        note += " The correction for departure exceeds what sibs show, so the number is given as infinite."
        top = float(np.quantile(draws, (1 + level) / 2))
        low = 1 / top if top > 0 else math.inf
        return Estimate(math.inf, low, math.inf, method, len(dam), "young", level, note)
    return sharing_estimate(rate, draws, len(dam), level, method, note, "parents", limit_share=0.5)


def _bootstrap_rates(
    dam: npt.NDArray[np.int64], sire: npt.NDArray[np.int64], n_bootstrap: int, rng: np.random.Generator
) -> FloatArray:
    """Draw young with replacement; return ``(Q1 + Q2 + 2 Q3)/4`` of each draw over different young.

    Young are drawn as counts per family; of m draws from a family of k young, ``m + m (m - 1)/k`` ordered
    pairs join a young to itself on average, and are taken out.
    """
    families, size = np.unique(np.column_stack([dam, sire]), axis=0, return_counts=True)
    n = len(dam)
    m = rng.multinomial(n, size / n, size=n_bootstrap).astype(np.float64)
    itself = (m + m * (m - 1) / size).sum(axis=1)
    shared = np.zeros(n_bootstrap)
    for parent in (families[:, 0], families[:, 1]):
        _, number = np.unique(parent, return_inverse=True)
        member = np.zeros((len(families), int(number.max()) + 1))
        member[np.arange(len(families)), number.ravel()] = 1
        shared += ((m @ member) ** 2).sum(axis=1) - itself
    return np.asarray(shared / (4 * (n - 1) ** 2), dtype=np.float64)
