"""Effective number of breeders when the genotyped young were not drawn at random but so many per family.

Laboratories often take the same number of clips of every family. Such a sample makes large families look
small, so sib pairs are too rare and the effective number comes out too high. With the number of young in
every family known, sampled young can be weighed back to the cohort.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt

from broodstock.arrays import BigIntArray, FloatArray
from broodstock.effective_size.offspring_counts import check_bootstrap, sharing_estimate
from broodstock.errors import ShapeError, ValueRangeError
from broodstock.estimates import Estimate

MOST_SHORT = 0.02
"""Share of a proportional sub-sample by which small strata may fall short in all."""


def stratified_nb(
    dam: npt.NDArray[np.int64],
    sire: npt.NDArray[np.int64],
    stratum: Sequence[str],
    sizes: Mapping[str, int],
    *,
    group: str = "",
    n_bootstrap: int = 2000,
    level: float = 0.95,
    seed: int | np.random.Generator = 1,
) -> Estimate:
    """Effective number of breeders of a cohort from a family assignment of young sampled by stratum.

    Parameters
    ----------
    dam, sire : ndarray of int, shape (n_young,)
        Number of the mother and father each young was assigned to; -1 when not assigned. Young with only
        one known parent are left out.
    stratum : sequence of str, length n_young
        Stratum (recorded family, lot) of each young.
    sizes : mapping of str to int
        Young of the whole cohort in each stratum.
    group : str
        The cohort in the user's words.
    n_bootstrap : int
        Bootstrap samples of the interval.
    level : float
        Coverage aimed at.
    seed : int or Generator
        Source of random numbers.

    Returns
    -------
    Estimate
        ``4 / (q_dam + q_sire)``, q the estimated chance that two different young of the whole cohort share
        that parent. Infinite when no two do.

    Raises
    ------
    ShapeError
        If `dam`, `sire` and `stratum` differ in length.
    ValueRangeError
        If a number is below -1, a stratum has more young sampled than it has, `level` is not between 0 and
        1 or `n_bootstrap` is below 100.

    Notes
    -----
    Pairs of young are weighed by the inverse of their chance to be sampled together when young are drawn at
    random within strata [1]_, ``N_f (N_f - 1) / (n_f (n_f - 1))`` within a stratum and ``N_f N_g / (n_f
    n_g)`` between two, so the chance q is unbiased whatever the strata are. A stratum of several young of
    which one was sampled is given the within-stratum chance of the others.

    The interval is that of a simple random sample of ``(sum w)^2 / sum w^2`` young, w the weight of a
    sampled young [2]_. It is too wide when strata are families whose young share their parents anyway.

    References
    ----------
    .. [1] Horvitz & Thompson (1952), Journal of the American Statistical Association 47:663-685.
    .. [2] Kish (1965), Survey Sampling (from memory).
    """
    check_bootstrap(n_bootstrap, level)
    dam, sire = np.asarray(dam), np.asarray(sire)
    names = np.asarray(stratum, dtype=object)
    if dam.ndim != 1 or dam.shape != sire.shape or names.shape != dam.shape:
        raise ShapeError(
            f"family assignment: found {dam.shape} mothers, {sire.shape} fathers and {names.shape} strata. "
            "Expected one of each per young, -1 where not assigned."
        )
    if dam.size and min(dam.min(), sire.min()) < -1:
        raise ValueRangeError("family assignment: found a parent number below -1. Expected -1 or more.")
    known = (dam >= 0) & (sire >= 0)
    missing = int((~known).sum())
    dam, sire, names = dam[known].astype(np.int64), sire[known].astype(np.int64), names[known]
    method = "sibship frequencies weighed to the numbers per family; interval as of a random sample"
    if len(dam) < 2:
        reason = f"fewer than two young have both parents assigned ({missing} of {len(known)} lack one)"
        return Estimate.not_estimable(reason, method, len(dam), "young")
    labels, at = np.unique(names.astype(str), return_inverse=True)
    sampled = np.bincount(at)
    total = np.array([int(sizes.get(x, 0)) for x in labels])
    if (total < sampled).any():
        k = int(np.argmax(total < sampled))
        raise ValueRangeError(
            f"stratum {str(labels[k])!r}: found {sampled[k]} young sampled of {total[k]}. Expected at most all of them. "
            "Check the numbers per family."
        )
    weight = (total / sampled)[at]
    chances = [_sharing(parent, at, sampled, total) for parent in (dam, sire)]
    if None in chances:
        reason = "no family has two young sampled, so sibs within families cannot be judged"
        return Estimate.not_estimable(reason, method, len(dam), "young")
    rate = float(sum(c for c in chances if c is not None)) / 4
    n_effective = max(2, round(float(weight.sum() ** 2 / (weight**2).sum())))
    rng = np.random.default_rng(seed)
    draws = _random_sample_rates(dam, sire, weight, n_effective, n_bootstrap, rng)
    draws = draws + (rate - draws.mean())
    covered = int(total.sum())
    everyone = int(sum(sizes.values()))
    note = (
        f"Nb: effective number of breeders that produced {group or 'the cohort'}. {len(dam)} young stand for "
        f"{covered} in {len(labels)} families; as good as a random sample of {n_effective} young."
    )
    if missing:
        note += f" {missing} young without both parents were left out."
    if covered < everyone:
        note += f" {everyone - covered} of {everyone} young are in families without a sample and not in it."
    return sharing_estimate(rate, draws, len(dam), level, method, note, "parents", limit_share=0.5)


def _sharing(
    parent: BigIntArray, at: npt.NDArray[np.int64], sampled: BigIntArray, total: BigIntArray
) -> float | None:
    """Chance that two different young of the cohort share a parent; None when no stratum shows it."""
    _, number = np.unique(parent, return_inverse=True)
    counts = np.zeros((len(sampled), int(number.max()) + 1))
    np.add.at(counts, (at, number), 1.0)
    weighed = counts * (total / sampled)[:, None]
    between = float((weighed.sum(axis=0) ** 2).sum() - (weighed**2).sum())
    sharing = (counts * (counts - 1)).sum(axis=1)
    pairs, cohort_pairs = sampled * (sampled - 1.0), total * (total - 1.0)
    seen = pairs > 0
    inside = np.where(seen, sharing / np.maximum(pairs, 1.0), 0.0)
    blind = ~seen & (cohort_pairs > 0)
    if blind.any():
        if not (seen & (cohort_pairs > 0)).any():
            return None
        inside[blind] = float((inside * cohort_pairs)[seen].sum() / cohort_pairs[seen].sum())
    n = float(total.sum())
    return (between + float((inside * cohort_pairs).sum())) / (n * (n - 1))


def _random_sample_rates(
    dam: BigIntArray,
    sire: BigIntArray,
    weight: FloatArray,
    n: int,
    n_bootstrap: int,
    rng: np.random.Generator,
) -> FloatArray:
    """Draw random samples of n young from the weighed cohort; return ``(q_dam + q_sire) / 4`` of each."""
    families, member = np.unique(np.column_stack([dam, sire]), axis=0, return_inverse=True)
    share = np.bincount(member.ravel(), weights=weight)
    m = rng.multinomial(n, share / share.sum(), size=n_bootstrap).astype(np.float64)
    pairs = np.zeros(n_bootstrap)
    for parent in (families[:, 0], families[:, 1]):
        _, number = np.unique(parent, return_inverse=True)
        columns = np.zeros((len(families), int(number.max()) + 1))
        columns[np.arange(len(families)), number.ravel()] = 1
        k = m @ columns
        pairs += (k * (k - 1)).sum(axis=1)
    return np.asarray(pairs / (4.0 * n * (n - 1)), dtype=np.float64)


def proportional_draw(
    stratum: Sequence[str], sizes: Mapping[str, int], seed: int | np.random.Generator = 1
) -> BigIntArray:
    """Choose sampled young so that every stratum has about its share of the cohort.

    Parameters
    ----------
    stratum : sequence of str, length n_young
        Stratum of each sampled young.
    sizes : mapping of str to int
        Young of the whole cohort in each stratum.
    seed : int or Generator
        Source of random numbers.

    Returns
    -------
    ndarray, int64
        Positions chosen, rising. As many as there can be while the strata that have too few samples fall
        short by at most 2 % in all; shares that are not whole are rounded at random so that their sum keeps.

    Raises
    ------
    ValueRangeError
        If no stratum with a sample has young.
    """
    rng = np.random.default_rng(seed)
    names = np.asarray(stratum, dtype=object).astype(str)
    labels, at = np.unique(names, return_inverse=True)
    total = np.array([float(sizes.get(x, 0)) for x in labels])
    if not total.sum() > 0:
        raise ValueRangeError(
            "proportional draw: found no young in the families sampled. Expected their numbers in the cohort."
        )
    share = total / total.sum()
    sampled = np.bincount(at, minlength=len(labels))
    n = len(names)
    while n > 1 and np.maximum(n * share - sampled, 0.0).sum() > MOST_SHORT * n:
        n -= 1
    edges = np.floor(np.concatenate([[0.0], np.cumsum(n * share)]) + rng.random())
    wanted = np.minimum(np.diff(edges).astype(np.int64), sampled)
    chosen = [
        rng.choice(np.flatnonzero(at == k), size=int(wanted[k]), replace=False) for k in range(len(labels))
    ]
    return np.sort(np.concatenate(chosen)).astype(np.int64)
