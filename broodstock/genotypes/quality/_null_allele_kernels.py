"""Compiled expectation and maximisation for one hidden allele at one locus.

``homs`` and ``hets`` count, for each visible allele, the fish read as its homozygote and the heterozygous
fish that carry it; ``missing`` counts untyped fish, who are null homozygotes or failed for other reasons.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit


@njit(cache=True)
def _log_likelihood(
    homs: np.ndarray, hets: np.ndarray, missing: float, p: np.ndarray, null: float, failure: float
) -> float:
    typed = homs.sum() + 0.5 * hets.sum()
    out = 0.0
    for a in range(len(p)):
        if homs[a] > 0:
            out += homs[a] * math.log(p[a] * p[a] + 2 * p[a] * null)
        if hets[a] > 0:
            out += hets[a] * math.log(p[a])
    if typed > 0 and failure < 1.0:
        out += typed * math.log(1.0 - failure)
    unseen = failure + (1.0 - failure) * null * null
    if missing > 0:
        out += missing * math.log(max(unseen, 1e-300))
    return out


@njit(cache=True)
def _maximise(
    homs: np.ndarray, hets: np.ndarray, missing: float, null: float, fixed: bool
) -> tuple[float, float, float]:
    typed = homs.sum() + 0.5 * hets.sum()
    p = (2 * homs + hets) / (2 * typed) * (1.0 - null)
    failure = missing / (typed + missing)
    before = -np.inf
    now = before
    for _ in range(5000):
        unseen = failure + (1.0 - failure) * null * null
        hidden_homs = missing * (1.0 - failure) * null * null / unseen if missing > 0 and unseen > 0 else 0.0
        null_genes = 2.0 * hidden_homs
        for a in range(len(p)):
            carriers = homs[a] * 2 * null / (p[a] + 2 * null) if homs[a] > 0 else 0.0
            p[a] = hets[a] + 2 * homs[a] - carriers
            null_genes += carriers
        visible = p.sum()
        if not fixed:
            null = null_genes / (null_genes + visible)
        p *= (1.0 - null) / visible
        failure = (missing - hidden_homs) / (typed + missing)
        now = _log_likelihood(homs, hets, missing, p, null, failure)
        if now - before < 1e-9:
            break
        before = now
    return null, failure, now


@njit(cache=True)
def fit(homs: np.ndarray, hets: np.ndarray, missing: float) -> tuple[float, float, float]:
    """Return null frequency, other failure and log-likelihood at the maximum."""
    null, failure, top = _maximise(homs, hets, missing, 0.1, False)
    none, other, without = _maximise(homs, hets, missing, 0.0, True)
    if without >= top - 1e-6:
        return none, other, max(top, without)
    return null, failure, top


@njit(cache=True)
def profile(homs: np.ndarray, hets: np.ndarray, missing: float, null: float) -> float:
    """Return the log-likelihood maximised over everything but the null frequency."""
    return _maximise(homs, hets, missing, null, True)[2]
