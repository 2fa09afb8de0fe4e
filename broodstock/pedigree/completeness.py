"""How much of each fish's ancestry is known."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from broodstock.arrays import FloatArray, IntArray
from broodstock.errors import ShapeError, ValueRangeError
from broodstock.pedigree.inbreeding import checked_parents


@dataclass(frozen=True, slots=True)
class PedigreeCompleteness:
    """Completeness of the pedigree of each fish.

    Parameters
    ----------
    known_share : ndarray, float64, shape (n_fish,)
        Share of the genome that traces to founders: 1 for a founder, half of each parent's share, an unknown parent
        of a fish with one known parent giving 0.
    complete_generations : ndarray, float64, shape (n_fish,)
        Complete generations equivalent: sum over known ancestors of ``(1/2) ** generations``.
    most_generations : ndarray, int32, shape (n_fish,)
        Generations to the farthest known ancestor.
    full_generations : ndarray, int32, shape (n_fish,)
        Generations in which all ancestors are known.
    index : ndarray, float64, shape (n_fish,)
        Completeness index over `index_generations`: harmonic mean of the completeness of the two parents' lines, 0
        when one parent is unknown.
    index_generations : int
        Generations the index looks back.
    """

    known_share: FloatArray
    complete_generations: FloatArray
    most_generations: IntArray
    full_generations: IntArray
    index: FloatArray
    index_generations: int


def pedigree_completeness(parents: npt.ArrayLike, index_generations: int = 4) -> PedigreeCompleteness:
    """Return how much of the ancestry of each fish is known.

    Parameters
    ----------
    parents : array_like, integer, shape (n_fish, 2)
        Row numbers of the two parents, -1 unknown, parents first.
    index_generations : int
        Generations d of the completeness index.

    Returns
    -------
    PedigreeCompleteness

    Raises
    ------
    ShapeError
        If `parents` has another shape or type.
    ValueRangeError
        If `index_generations` is below 1.
    PedigreeError
        If a parent does not stand before its offspring.

    Notes
    -----
    Index: ``I = 4 C_s C_d / (C_s + C_d)`` with ``C = (1/d) sum over g = 1..d`` of the share of ancestors of
    generation g known on that parent's side (at most 1/2 each).

    References
    ----------
    .. [1] MacCluer, J. W. et al. (1983), Journal of Heredity 74, 394-399 (index).
    .. [2] Maignel, L., Boichard, D. & Verrier, E. (1996), Interbull Bulletin 14, 49-54 (generations equivalent).
    .. [3] Ballou, J. D. & Lacy, R. C. (1995), in Population Management for Survival and Recovery, 76-111 (share).
    """
    from broodstock.pedigree import kernels

    checked = checked_parents(parents)
    if index_generations < 1:
        raise ValueRangeError(f"index_generations: found {index_generations}. Expected at least 1.")
    known, equivalent, full = kernels.known_ancestry(checked)
    index = _completeness_index(checked, index_generations)
    depth = np.asarray(kernels.generation_depth(checked))
    return PedigreeCompleteness(known, equivalent, depth, full, index, index_generations)


def individual_inbreeding_rate(F: npt.ArrayLike, generations: npt.ArrayLike) -> FloatArray:
    """Return the rate of inbreeding per generation of each fish, ``1 - (1 - F) ** (1 / (t - 1))``.

    Parameters
    ----------
    F : array_like, float64, shape (n_fish,)
        Inbreeding coefficients, below 1.
    generations : array_like, float64, shape (n_fish,)
        Complete generations equivalent t of each fish.

    Returns
    -------
    ndarray, float64, shape (n_fish,)
        0 for fish that are not inbred.

    Raises
    ------
    ShapeError
        If the arrays differ in shape.
    ValueRangeError
        If an inbred fish has F of 1 or more, or t of at most 1, where the rate has no meaning.

    References
    ----------
    .. [1] Gutierrez, J. P., Cervantes, I. & Goyache, F. (2009), Journal of Animal Breeding and Genetics 126,
       327-332.
    """
    f, t = np.asarray(F, dtype=np.float64), np.asarray(generations, dtype=np.float64)
    if f.shape != t.shape:
        raise ShapeError(f"generations: found shape {t.shape}. Expected that of F, {f.shape}.")
    inbred = f > 0
    if not (f < 1).all() or not (f >= 0).all() or (t[inbred] <= 1).any():
        raise ValueRangeError(
            "F, generations: found an inbred fish with F of 1 or more, or with one generation of known ancestors or "
            "less. Expected F below 1 and more than one generation."
        )
    rate = np.zeros_like(f)
    rate[inbred] = 1.0 - (1.0 - f[inbred]) ** (1.0 / (t[inbred] - 1.0))
    return rate


def fitness_ratio(F: npt.ArrayLike, lethal_equivalents: float) -> FloatArray:
    """Return survival relative to fish that are not inbred, ``exp(-B F)``.

    Parameters
    ----------
    F : array_like, float64
        Inbreeding coefficients.
    lethal_equivalents : float
        Lethal equivalents per diploid genome, 2B; not negative.

    Returns
    -------
    ndarray, float64
        Same shape as F.

    Raises
    ------
    ValueRangeError
        If F is outside 0 to 1 or `lethal_equivalents` is negative.

    References
    ----------
    .. [1] Morton, N. E., Crow, J. F. & Muller, H. J. (1956), PNAS 42, 855-863.
    """
    f = np.asarray(F, dtype=np.float64)
    if not ((f >= 0) & (f <= 1)).all():
        raise ValueRangeError(
            "F: found a value that is not between 0 and 1. Expected inbreeding coefficients."
        )
    if not lethal_equivalents >= 0:
        raise ValueRangeError(f"lethal_equivalents: found {lethal_equivalents}. Expected a number from 0 up.")
    return np.asarray(np.exp(-0.5 * lethal_equivalents * f))


def _completeness_index(parents: IntArray, generations: int) -> FloatArray:
    """Index of each fish from the share of known ancestors, generation by generation."""
    n = len(parents)
    known = np.concatenate([np.ones(n), [0.0]])  # generation 0: the fish itself; last entry: unknown parent
    lines = np.zeros((n, 2))
    for _ in range(generations):
        side = 0.5 * known[parents]
        lines += side
        known[:n] = side.sum(axis=1)
    lines /= generations
    total = lines.sum(axis=1)
    return np.divide(4.0 * lines[:, 0] * lines[:, 1], total, out=np.zeros(n), where=total > 0)
