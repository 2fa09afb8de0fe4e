"""Posterior over all configurations of the parents of one offspring."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from broodstock.arrays import BoolArray, FloatArray, IntArray

CATEGORIES = ("both sampled", "only dam", "only sire", "one of unknown sex", "none")
BOTH, ONLY_DAM, ONLY_SIRE, ONE_PARENT, NONE = range(5)


@dataclass(frozen=True)
class OffspringScores:
    """Log-likelihood ratios of one offspring.

    Parameters
    ----------
    single : ndarray, float64, shape (n_candidates,)
        One sampled parent, against none.
    eligible : ndarray, bool, shape (n_candidates,)
        Candidates that can be a parent.
    dams, sires : ndarray, int, shapes (k_dams,), (k_sires,)
        Shortlisted candidates of either role.
    trios : ndarray, float64, shape (k_dams, k_sires)
        Both sampled, against none; minus infinity for a fish with itself.
    """

    single: FloatArray
    eligible: BoolArray
    dams: np.ndarray
    sires: np.ndarray
    trios: FloatArray


@dataclass(frozen=True)
class Priors:
    """What is believed before DNA.

    Parameters
    ----------
    dams_sampled, sires_sampled : float
        Probability that the true dam (sire) is among the eligible candidates.
    sexes : ndarray, int, shape (n_candidates,)
        0 female, 1 male, -1 unknown: such a candidate counts half on either side.
    crosses : ndarray, bool, shape (n_candidates, n_candidates), or None
        Pairs (dam, sire) that can have bred.
    """

    dams_sampled: float
    sires_sampled: float
    sexes: np.ndarray
    crosses: BoolArray | None


@dataclass(frozen=True)
class Configurations:
    """All configurations of one offspring, most probable first.

    Parameters
    ----------
    dam, sire : ndarray, int32, shape (n,)
        Candidate positions; -1 for an unsampled parent.
    roles_unknown : ndarray, bool, shape (n,)
        The named parents' roles are exchangeable because their sex is unknown.
    category : ndarray, int32, shape (n,)
        Position in `CATEGORIES`.
    log_ratio, log_posterior : ndarray, float64, shape (n,)
        Log-likelihood ratio against two unsampled parents; normalised log posterior.
    dam_marginal, sire_marginal : ndarray, float64, shape (n_candidates,)
        Posterior of each candidate in either role.
    by_category : ndarray, float64, shape (5,)
        Posterior of each category.
    """

    dam: IntArray
    sire: IntArray
    roles_unknown: BoolArray
    category: IntArray
    log_ratio: FloatArray
    log_posterior: FloatArray
    dam_marginal: FloatArray
    sire_marginal: FloatArray
    by_category: FloatArray

    def __len__(self) -> int:
        return len(self.dam)


def configurations_of(scores: OffspringScores, priors: Priors) -> Configurations:
    """List every configuration with its posterior.

    Parameters
    ----------
    scores : OffspringScores
        Likelihoods of the offspring.
    priors : Priors
        Priors shared by all offspring.

    Returns
    -------
    Configurations
        Configurations with posterior above zero; "none" is always among them unless both priors are 1.
    """
    dam_prior, no_dam = _role_prior(priors.sexes, scores.eligible, 0, priors.dams_sampled)
    sire_prior, no_sire = _role_prior(priors.sexes, scores.eligible, 1, priors.sires_sampled)
    pair_prior = dam_prior[scores.dams][:, None] + sire_prior[scores.sires][None, :]
    if priors.crosses is not None:
        possible = priors.crosses & np.isfinite(dam_prior)[:, None] & np.isfinite(sire_prior)[None, :]
        np.fill_diagonal(possible, False)
        weight = _log(priors.dams_sampled) + _log(priors.sires_sampled) - _log(float(possible.sum()))
        allowed = possible[np.ix_(scores.dams, scores.sires)]
        pair_prior = np.where(allowed, weight if possible.any() else -math.inf, -math.inf)
    du, sv = np.nonzero(np.isfinite(pair_prior) & np.isfinite(scores.trios))
    dams_alone = np.flatnonzero(np.isfinite(dam_prior + scores.single + no_sire))
    sires_alone = np.flatnonzero(np.isfinite(sire_prior + scores.single + no_dam))
    nobody = [-1] if math.isfinite(no_dam + no_sire) else []
    dam = np.concatenate([scores.dams[du], dams_alone, np.full(len(sires_alone), -1), nobody]).astype(
        np.int32
    )
    sire = np.concatenate([scores.sires[sv], np.full(len(dams_alone), -1), sires_alone, nobody]).astype(
        np.int32
    )
    ratio = np.concatenate(
        [scores.trios[du, sv], scores.single[dams_alone], scores.single[sires_alone], np.zeros(len(nobody))]
    )
    prior = np.concatenate(
        [
            pair_prior[du, sv],
            dam_prior[dams_alone] + no_sire,
            sire_prior[sires_alone] + no_dam,
            np.full(len(nobody), no_dam + no_sire),
        ]
    )
    if len(dam) == 0:
        # Both parents are said to be sampled, yet every candidate is impossible: only "none" is left.
        dam, sire, ratio, prior = np.array([-1], np.int32), np.array([-1], np.int32), np.zeros(1), np.zeros(1)
    log_post = ratio + prior
    log_post -= log_post.max()
    log_post -= math.log(np.exp(log_post).sum())
    post = np.exp(log_post)
    m = len(priors.sexes)
    dam_marginal, sire_marginal = _sums(dam, post, m), _sums(sire, post, m)
    dam, sire, ratio, log_post, unknown = _merge_unknown_roles(dam, sire, ratio, log_post, priors.sexes)
    category = _categories(dam, sire, unknown)
    order = np.argsort(-log_post, kind="stable")
    return Configurations(
        dam[order],
        sire[order],
        unknown[order],
        category[order],
        ratio[order],
        log_post[order],
        dam_marginal,
        sire_marginal,
        _sums(category, np.exp(log_post), len(CATEGORIES)),
    )


def estimate_shares(
    scores: Sequence[OffspringScores], priors: Priors, rounds: int = 30, tolerance: float = 1e-3
) -> Priors:
    """Estimate the sampled shares of dams and sires by expectation and maximisation.

    Parameters
    ----------
    scores : sequence of OffspringScores
        Likelihoods of the offspring, at least one.
    priors : Priors
        Starting shares; a share of exactly 0 or 1 stays.
    rounds : int
        Most rounds.
    tolerance : float
        Stop when no share changes by more.

    Returns
    -------
    Priors
        With the shares replaced: each is the mean posterior that the parent is among the candidates.
    """
    for _ in range(rounds):
        found = [configurations_of(s, priors) for s in scores]
        dams = float(np.mean([f.dam_marginal.sum() for f in found]))
        sires = float(np.mean([f.sire_marginal.sum() for f in found]))
        change = max(abs(dams - priors.dams_sampled), abs(sires - priors.sires_sampled))
        priors = replace(priors, dams_sampled=min(dams, 1.0), sires_sampled=min(sires, 1.0))
        if change <= tolerance:
            break
    return priors


def _sums(where: IntArray, values: FloatArray, n: int) -> FloatArray:
    """Add up values by position, leaving out positions below 0."""
    inside = where >= 0
    return np.bincount(where[inside], weights=values[inside], minlength=n).astype(np.float64)


def _role_prior(
    sexes: np.ndarray, eligible: BoolArray, role: int, sampled: float
) -> tuple[FloatArray, float]:
    """Log prior of each candidate in a role, and of an unsampled parent there."""
    weight = np.where(sexes == role, 1.0, np.where(sexes == -1, 0.5, 0.0)) * eligible
    total = float(weight.sum())
    if total == 0.0:
        return np.full(len(sexes), -math.inf), 0.0
    prior = np.full(len(sexes), -math.inf)
    some = weight > 0
    prior[some] = _log(sampled) + np.log(weight[some] / total)
    return prior, _log(1.0 - sampled)


def _merge_unknown_roles(
    dam: IntArray, sire: IntArray, ratio: FloatArray, log_post: FloatArray, sexes: np.ndarray
) -> tuple[IntArray, IntArray, FloatArray, FloatArray, BoolArray]:
    """Add up (i, j) and (j, i), or dam alone and sire alone, where the sexes cannot tell them apart."""
    sex_of = np.append(sexes, -1)
    # The sentinel at the end gives an unsampled parent (-1) an unknown sex too.
    named = (dam >= 0) | (sire >= 0)
    unknown = (sex_of[dam] == -1) & (sex_of[sire] == -1) & named
    if not unknown.any():
        return dam, sire, ratio, log_post, unknown
    first = np.where(unknown, np.maximum(dam, sire), dam)
    second = np.where(unknown, np.minimum(dam, sire), sire)
    keys = np.stack([first, second, unknown.astype(np.int32)])
    _, start, group = np.unique(keys, axis=1, return_index=True, return_inverse=True)
    post = np.bincount(group.reshape(-1), np.exp(log_post), len(start))
    merged = np.array([_log(x) for x in post])
    # A posterior too small for a float keeps the log of one of its parts.
    merged = np.where(post > 0, merged, log_post[start])
    return (
        first[start].astype(np.int32),
        second[start].astype(np.int32),
        ratio[start],
        merged,
        unknown[start],
    )


def _categories(dam: IntArray, sire: IntArray, unknown: BoolArray) -> IntArray:
    both = (dam >= 0) & (sire >= 0)
    category = np.full(len(dam), NONE, dtype=np.int32)
    category[(dam >= 0) & ~both] = ONLY_DAM
    category[(sire >= 0) & ~both] = ONLY_SIRE
    category[unknown & ~both] = ONE_PARENT
    category[both] = BOTH
    return category


def _log(x: float) -> float:
    return math.log(x) if x > 0 else -math.inf
