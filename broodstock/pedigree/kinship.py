"""Kinship from a pedigree: matrices, mean kinship, kinship of groups, gene diversity.

Kinship f(i, j) is the probability that one gene drawn from fish i and one drawn from fish j at the same locus are
identical by descent; self-kinship is (1 + F) / 2. Everything linear in kinship goes through ``K = T D T'`` (T:
expected gene flow from ancestor to descendant, D: Mendelian sampling variance), so no n x n matrix is made.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from broodstock.arrays import BoolArray, FloatArray, IntArray
from broodstock.errors import ShapeError, ValueRangeError
from broodstock.pedigree.inbreeding import (
    checked_fish,
    checked_inbreeding,
    checked_parents,
    inbreeding,
    kinship_between_pairs,
    mendelian_variance,
)

__all__ = [
    "gene_diversity",
    "group_kinship",
    "inbreeding",
    "kinship_between",
    "kinship_between_pairs",
    "kinship_matrix",
    "mean_kinship",
    "mendelian_variance",
]

_SWEEP_BYTES = 64 << 20
_WIDEST_SWEEP = 64


def kinship_matrix(parents: npt.ArrayLike) -> FloatArray:
    """Return the kinship of all pairs as a dense matrix.

    Parameters
    ----------
    parents : array_like, integer, shape (n_fish, 2)
        Row numbers of the two parents, -1 unknown, parents first.

    Returns
    -------
    ndarray, float64, shape (n_fish, n_fish)
        Symmetric; self-kinship on the diagonal. 8 bytes x n_fish squared: 0.8 GB for 10 000 fish; use
        `kinship_between` for a part of a larger pedigree.

    Raises
    ------
    ShapeError
        If `parents` has another shape or type.
    PedigreeError
        If a parent does not stand before its offspring.
    MemoryError
        If the matrix does not fit.

    References
    ----------
    .. [1] Emik, L. O. & Terrill, C. E. (1949), Journal of Heredity 40, 51-55 (tabular method).

    Examples
    --------
    >>> kinship_matrix([[-1, -1], [-1, -1], [0, 1]])
    array([[0.5 , 0.  , 0.25],
           [0.  , 0.5 , 0.25],
           [0.25, 0.25, 0.5 ]])
    """
    from broodstock.pedigree.kernels import dense_kinship

    return np.asarray(dense_kinship(checked_parents(parents)))


def kinship_between(
    parents: npt.ArrayLike, rows: npt.ArrayLike, cols: npt.ArrayLike, F: npt.ArrayLike | None = None
) -> FloatArray:
    """Return the kinship of some fish with some fish, exact, without the full matrix.

    Parameters
    ----------
    parents : array_like, integer, shape (n_fish, 2)
        Row numbers of the two parents, -1 unknown, parents first.
    rows, cols : array_like, integer, shapes (n_rows,) and (n_cols,)
        Row numbers of fish; repeats are allowed.
    F : array_like, float64, shape (n_fish,), optional
        Inbreeding coefficients of all fish; computed when not given.

    Returns
    -------
    ndarray, float64, shape (n_rows, n_cols)

    Raises
    ------
    ShapeError
        If an array has another shape or type.
    ValueRangeError
        If a row number does not exist, or F is NaN or outside 0 to 1.
    PedigreeError
        If a parent does not stand before its offspring.

    Notes
    -----
    One gene-flow sweep ``T D T' e`` per column over the ancestors of the fish asked for, up to 64 columns side
    by side (Colleau 2002 [1]_ multiplies by A in this way). Work is ancestors x the shorter of the two lists.

    References
    ----------
    .. [1] Colleau, J.-J. (2002), Genetics Selection Evolution 34, 409-421.

    Examples
    --------
    Full sibs and a parent with its young have kinship 1/4; strangers 0.

    >>> kinship_between([[-1, -1], [-1, -1], [0, 1], [0, 1]], [2, 0], [3, 1])
    array([[0.25, 0.25],
           [0.25, 0.  ]])
    """
    checked = checked_parents(parents)
    row_fish = checked_fish(rows, len(checked), "rows")
    col_fish = checked_fish(cols, len(checked), "cols")
    if row_fish.size == 0 or col_fish.size == 0:
        return np.zeros((row_fish.size, col_fish.size))
    if row_fish.size < col_fish.size:
        return np.ascontiguousarray(kinship_between(checked, col_fish, row_fish, F).T)
    from broodstock.pedigree import kernels

    wanted: BoolArray = np.zeros(len(checked), dtype=np.bool_)
    wanted[row_fish] = True
    wanted[col_fish] = True
    kernels.mark_ancestors(checked, wanted)
    kept = np.flatnonzero(wanted)
    number = np.full(len(checked) + 1, -1, np.int32)
    number[kept] = np.arange(kept.size)
    up = np.ascontiguousarray(number[checked[kept]])
    f = checked_inbreeding(None, up) if F is None else checked_inbreeding(F, checked)[kept]
    d = kernels.within_family_variance(up, f)
    width = int(np.clip(_SWEEP_BYTES // (8 * kept.size), 1, _WIDEST_SWEEP))
    out = np.empty((row_fish.size, col_fish.size))
    for start in range(0, col_fish.size, width):
        part = slice(start, start + width)
        out[:, part] = kernels.kinship_columns(up, d, number[col_fish[part]])[number[row_fish]]
    return out


def mean_kinship(
    parents: npt.ArrayLike,
    weights: npt.ArrayLike,
    F: npt.ArrayLike | None = None,
    *,
    self_pairs: bool = True,
) -> FloatArray:
    """Return the average kinship of every fish with a group.

    Parameters
    ----------
    parents : array_like, integer, shape (n_fish, 2)
        Row numbers of the two parents, -1 unknown, parents first.
    weights : array_like, float64, shape (n_fish,)
        Weight of each fish in the group: 1 for a living fish, 0 for the others; any non-negative shares.
    F : array_like, float64, shape (n_fish,), optional
        Inbreeding coefficients; computed when not given.
    self_pairs : bool
        True (default): a fish of the group is compared with itself too, ``K w / sum(w)``. False: its pair with
        itself is left out, ``(K w - w_i K_ii) / (sum(w) - w_i)``.

    Returns
    -------
    ndarray, float64, shape (n_fish,)
        For every fish of the pedigree, in the group or not. Low values mark fish whose ancestors are
        under-represented in the group.

    Raises
    ------
    ShapeError
        If an array has another shape.
    ValueRangeError
        If a weight is negative or not finite, no weight is positive, F is outside 0 to 1, or `self_pairs` is
        False and a single fish holds all the weight.
    PedigreeError
        If a parent does not stand before its offspring.

    References
    ----------
    .. [1] Ballou, J. D. & Lacy, R. C. (1995), in Population Management for Survival and Recovery, 76-111.
    .. [2] Colleau, J.-J. (2002), Genetics Selection Evolution 34, 409-421 (linear-time product).

    Examples
    --------
    >>> mean_kinship([[-1, -1], [-1, -1], [0, 1], [0, 1]], [0, 0, 1, 1])
    array([0.25 , 0.25 , 0.375, 0.375])
    """
    checked = checked_parents(parents)
    w = checked_weights(weights, len(checked), "weights")
    f = checked_inbreeding(F, checked)
    total = w.sum()
    product = _times_kinship(checked, f, w)
    if self_pairs:
        return np.asarray(product / total)
    others = total - w
    if (others <= 0).any():
        raise ValueRangeError(
            "weights: found one fish with all the weight. Expected at least two fish when self-pairs are left out. "
            "Add fish to the group or count self-pairs."
        )
    return np.asarray((product - w * 0.5 * (1 + f)) / others)


def group_kinship(
    parents: npt.ArrayLike,
    weights_a: npt.ArrayLike,
    weights_b: npt.ArrayLike | None = None,
    F: npt.ArrayLike | None = None,
    *,
    self_pairs: bool,
) -> float:
    """Return the mean kinship within a group or between two groups.

    Parameters
    ----------
    parents : array_like, integer, shape (n_fish, 2)
        Row numbers of the two parents, -1 unknown, parents first.
    weights_a, weights_b : array_like, float64, shape (n_fish,)
        Weight of each fish in each group; without `weights_b` the mean is within group a.
    F : array_like, float64, shape (n_fish,), optional
        Inbreeding coefficients; computed when not given.
    self_pairs : bool
        True: pairs of a fish with itself count, ``a' K b / (sum(a) sum(b))``, the form that gives gene diversity.
        False: they are left out, ``(a' K b - sum a_i b_i K_ii) / (sum(a) sum(b) - sum a_i b_i)``.

    Returns
    -------
    float

    Raises
    ------
    ShapeError
        If an array has another shape.
    ValueRangeError
        If a weight is negative or not finite, a group is empty, F is outside 0 to 1, or no pair is left without
        self-pairs.
    PedigreeError
        If a parent does not stand before its offspring.

    Notes
    -----
    A row that stands for many full sibs (a lot) is one "fish" here: with self-pairs its own self-kinship is used
    for every pair inside the lot. List the sibs as fish where the difference matters.

    References
    ----------
    .. [1] Lacy, R. C. (1995), Zoo Biology 14, 565-577.
    """
    checked = checked_parents(parents)
    a = checked_weights(weights_a, len(checked), "weights_a")
    b = a if weights_b is None else checked_weights(weights_b, len(checked), "weights_b")
    f = checked_inbreeding(F, checked)
    sum_all = float(a @ _times_kinship(checked, f, b))
    weight_all = float(a.sum() * b.sum())
    if self_pairs:
        return sum_all / weight_all
    own = a * b
    left = weight_all - float(own.sum())
    if left <= 1e-12 * weight_all:
        raise ValueRangeError(
            "weights: found a single fish. Expected at least two fish when self-pairs are left out. Add fish to the "
            "group or count self-pairs."
        )
    return (sum_all - float(own @ (0.5 * (1 + f)))) / left


def gene_diversity(
    parents: npt.ArrayLike, weights: npt.ArrayLike, F: npt.ArrayLike | None = None, *, self_pairs: bool = True
) -> float:
    """Return the gene diversity of a group relative to the founders: 1 - mean kinship.

    Parameters
    ----------
    parents : array_like, integer, shape (n_fish, 2)
        Row numbers of the two parents, -1 unknown, parents first.
    weights : array_like, float64, shape (n_fish,)
        Weight of each fish in the group.
    F : array_like, float64, shape (n_fish,), optional
        Inbreeding coefficients; computed when not given.
    self_pairs : bool
        True (default): the published definition, self-kinship included. False gives a larger number that must not
        be compared with it.

    Returns
    -------
    float
        Expected heterozygosity of the group as a share of that of the unrelated, non-inbred founders.

    Raises
    ------
    ShapeError
        If an array has another shape.
    ValueRangeError
        As in `group_kinship`.
    PedigreeError
        If a parent does not stand before its offspring.

    References
    ----------
    .. [1] Lacy, R. C. (1995), Zoo Biology 14, 565-577.

    Examples
    --------
    >>> gene_diversity([[-1, -1], [-1, -1], [0, 1], [0, 1]], [0, 0, 1, 1])
    0.625
    """
    return 1.0 - group_kinship(parents, weights, None, F, self_pairs=self_pairs)


def _times_kinship(parents: IntArray, f: FloatArray, w: FloatArray) -> FloatArray:
    """Return K w through T D T' in linear memory."""
    from broodstock.pedigree import kernels

    y = w.copy()
    kernels.gather_up(parents, y)
    y *= kernels.within_family_variance(parents, f)
    kernels.hand_down(parents, y)
    return y


def checked_weights(weights: npt.ArrayLike, n_fish: int, name: str) -> FloatArray:
    """Return the weight of each fish as float64 after checking it.

    Raises
    ------
    ShapeError
        If there is not one weight per fish.
    ValueRangeError
        If a weight is negative or not finite, or none is positive.
    """
    w = np.ascontiguousarray(weights, dtype=np.float64)
    if w.shape != (n_fish,):
        raise ShapeError(f"{name}: found shape {w.shape}. Expected one weight per fish, ({n_fish},).")
    if not np.isfinite(w).all() or (w < 0).any():
        where = int(np.flatnonzero(~np.isfinite(w) | (w < 0))[0])
        raise ValueRangeError(
            f"{name}: found {w[where]} for the fish in row {where}. Expected a number that is not negative. "
            "Give 0 to fish outside the group."
        )
    if not w.sum() > 0:
        raise ValueRangeError(f"{name}: found no fish with a weight above 0. Expected at least one.")
    return w
