"""Inverse relationship matrices, groups of unknown parents, and a base population that is itself related.

Relationship here is the numerator relationship ``A = 2 K``: twice the kinship.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from broodstock.arrays import MISSING, FloatArray, IntArray
from broodstock.errors import ShapeError, ValueRangeError
from broodstock.pedigree.inbreeding import checked_inbreeding, checked_parents, mendelian_variance

if TYPE_CHECKING:
    from scipy.sparse import csr_array


def inverse_relationship(
    parents: npt.ArrayLike, F: npt.ArrayLike | None = None, *, ignore_inbreeding: bool = False
) -> csr_array:
    """Return the inverse of the numerator relationship matrix, sparse.

    Parameters
    ----------
    parents : array_like, integer, shape (n_fish, 2)
        Row numbers of the two parents, -1 unknown, parents first.
    F : array_like, float64, shape (n_fish,), optional
        Inbreeding coefficients; computed when not given.
    ignore_inbreeding : bool
        True: take F as 0 in the Mendelian variances, as in hand-worked tables; then it is not an exact inverse.

    Returns
    -------
    scipy.sparse.csr_array, float64, shape (n_fish, n_fish)

    Raises
    ------
    ShapeError
        If an array has another shape.
    ValueRangeError
        If F is NaN or outside 0 to 1, or a fish has no Mendelian variance left (offspring of two fish with
        F = 1), so that A has no inverse.
    PedigreeError
        If a parent does not stand before its offspring.

    References
    ----------
    .. [1] Henderson, C. R. (1976), Biometrics 32, 69-83.
    .. [2] Quaas, R. L. (1976), Biometrics 32, 949-953.
    """
    checked = checked_parents(parents)
    f = np.zeros(len(checked)) if ignore_inbreeding else checked_inbreeding(F, checked)
    variance = 2.0 * mendelian_variance(checked, f)
    return _from_contributions(checked, _reciprocal(variance), np.zeros((0, 0)))


def inverse_with_groups(
    parents: npt.ArrayLike, groups: npt.ArrayLike, F: npt.ArrayLike | None = None
) -> csr_array:
    """Return the inverse relationship matrix with a group in the place of every unknown parent.

    Parameters
    ----------
    parents : array_like, integer, shape (n_fish, 2)
        Row numbers of the two parents, -1 unknown, parents first.
    groups : array_like, integer, shape (n_fish, 2)
        Group (0, 1, ...) of each unknown parent; -1 where the parent is known.
    F : array_like, float64, shape (n_fish,), optional
        Inbreeding coefficients; computed when not given.

    Returns
    -------
    scipy.sparse.csr_array, float64, shape (n_fish + n_groups, n_fish + n_groups)
        Fish first, then groups. Singular: every row sums to 0.

    Raises
    ------
    ShapeError
        If an array has another shape.
    ValueRangeError
        If an unknown parent has no group, a known parent has one, or a group number is skipped.
    PedigreeError
        If a parent does not stand before its offspring.

    Notes
    -----
    The rules of the ordinary inverse with weight ``4 / (2 + m)`` for m unknown parents (less inbreeding of known
    parents), added over fish, parents and groups alike.

    References
    ----------
    .. [1] Westell, R. A., Quaas, R. L. & Van Vleck, L. D. (1988), Journal of Dairy Science 71, 1310-1318.
    .. [2] Quaas, R. L. (1988), Journal of Dairy Science 71, 1338-1345.
    """
    checked = checked_parents(parents)
    linked, n_groups = _linked_to_groups(checked, groups)
    variance = 2.0 * mendelian_variance(checked, checked_inbreeding(F, checked))
    return _from_contributions(linked, _reciprocal(variance), np.zeros((n_groups, n_groups)))


def group_shares(parents: npt.ArrayLike, groups: npt.ArrayLike) -> FloatArray:
    """Return the expected share of each group of unknown parents in every fish.

    Parameters
    ----------
    parents : array_like, integer, shape (n_fish, 2)
        Row numbers of the two parents, -1 unknown, parents first.
    groups : array_like, integer, shape (n_fish, 2)
        Group (0, 1, ...) of each unknown parent; -1 where the parent is known.

    Returns
    -------
    ndarray, float64, shape (n_fish, n_groups)
        Rows sum to 1.

    Raises
    ------
    ShapeError
        If an array has another shape.
    ValueRangeError
        As in `inverse_with_groups`.
    PedigreeError
        If a parent does not stand before its offspring.
    """
    from broodstock.pedigree.kernels import hand_down

    checked = checked_parents(parents)
    linked, n_groups = _linked_to_groups(checked, groups)
    shares = np.empty((len(checked), n_groups))
    for g in range(n_groups):
        column = 0.5 * (linked == len(checked) + g).sum(axis=1).astype(np.float64)
        hand_down(checked, column)
        shares[:, g] = column
    return shares


def related_base_kinship(kinship: npt.ArrayLike, gamma: float) -> FloatArray:
    """Return kinship when all founders are related alike, from kinship with unrelated founders.

    ``K_gamma = (1 - gamma / 2) K + gamma / 2``: exact, for single values, matrices and mean kinship alike.

    Parameters
    ----------
    kinship : array_like, float64
        Kinship computed with unrelated founders.
    gamma : float
        Relationship between founders, 0 to 2 (twice their kinship); founders are then inbred gamma / 2.

    Returns
    -------
    ndarray, float64
        Same shape.

    Raises
    ------
    ValueRangeError
        If gamma is outside 0 to 2.

    References
    ----------
    .. [1] Christensen, O. F. (2012), Genetics Selection Evolution 44, 37.
    .. [2] Legarra, A. et al. (2015), Genetics 200, 455-468.

    Examples
    --------
    >>> related_base_kinship([0.0, 0.25, 0.5], 0.2).round(4)
    array([0.1  , 0.325, 0.55 ])
    """
    if not 0 <= gamma <= 2:
        raise ValueRangeError(f"gamma: found {gamma}. Expected a relationship between founders from 0 to 2.")
    return (1.0 - 0.5 * gamma) * np.asarray(kinship, dtype=np.float64) + 0.5 * gamma


def related_base_matrix(parents: npt.ArrayLike, groups: npt.ArrayLike, gamma: npt.ArrayLike) -> FloatArray:
    """Return the kinship matrix when founders come from groups related within and between themselves.

    Parameters
    ----------
    parents : array_like, integer, shape (n_fish, 2)
        Row numbers of the two parents, -1 unknown, parents first.
    groups : array_like, integer, shape (n_fish, 2)
        Group (0, 1, ...) of each unknown parent; -1 where the parent is known.
    gamma : array_like, float64, shape (n_groups, n_groups)
        Relationship (twice the kinship) between gametes of the groups: ``gamma[a, b]`` for two unknown parents of
        groups a and b; symmetric, 0 to 2, positive semidefinite.

    Returns
    -------
    ndarray, float64, shape (n_fish, n_fish)
        Kinship; self-kinship on the diagonal.

    Raises
    ------
    ShapeError
        If an array has another shape.
    ValueRangeError
        If gamma is not symmetric, not positive semidefinite or outside 0 to 2, or groups are wrong (see
        `inverse_with_groups`).
    PedigreeError
        If a parent does not stand before its offspring.

    Notes
    -----
    Tabular method with the groups as founders whose self-kinship is ``gamma[a, a] / 2``, so that every fish has two
    "known" parents.

    References
    ----------
    .. [1] Legarra, A., Christensen, O. F., Vitezica, Z. G., Aguilar, I. & Misztal, I. (2015), Genetics 200,
       455-468.
    """
    from broodstock.pedigree.kernels import dense_kinship_below

    checked = checked_parents(parents)
    linked, n_groups = _linked_to_groups(checked, groups)
    base = 0.5 * _checked_gamma(gamma, n_groups)
    moved = np.where(linked < len(checked), linked + n_groups, linked - len(checked)).astype(np.int32)
    full = np.asarray(
        dense_kinship_below(base, np.concatenate([np.full((n_groups, 2), MISSING, np.int32), moved]))
    )
    return np.ascontiguousarray(full[n_groups:, n_groups:])


def related_base_inverse(parents: npt.ArrayLike, groups: npt.ArrayLike, gamma: npt.ArrayLike) -> csr_array:
    """Return the inverse relationship matrix of fish and related groups of founders.

    Parameters
    ----------
    parents, groups, gamma
        As in `related_base_matrix`; gamma must have an inverse.

    Returns
    -------
    scipy.sparse.csr_array, float64, shape (n_fish + n_groups, n_fish + n_groups)
        Fish first, then groups.

    Raises
    ------
    ShapeError
        If an array has another shape.
    ValueRangeError
        As in `related_base_matrix`; also if gamma is singular, or a fish has no Mendelian variance left.
    PedigreeError
        If a parent does not stand before its offspring.

    Notes
    -----
    Mendelian variance ``1/2 - (F_s + F_d) / 4`` for every fish, a group g counting as a parent with
    ``F = gamma[g, g] - 1``. Inbreeding comes from the dense `related_base_matrix`.

    References
    ----------
    .. [1] Legarra, A. et al. (2015), Genetics 200, 455-468.
    """
    checked = checked_parents(parents)
    linked, n_groups = _linked_to_groups(checked, groups)
    gamma_checked = _checked_gamma(gamma, n_groups)
    if np.linalg.matrix_rank(gamma_checked, hermitian=True) < n_groups:
        raise ValueRangeError(
            "gamma: found a singular matrix. Expected one with an inverse. Merge equal groups."
        )
    inbred = 2.0 * np.diag(related_base_matrix(checked, groups, gamma_checked)) - 1.0
    f = np.concatenate([inbred, np.diag(gamma_checked) - 1.0])
    variance = 0.5 - 0.25 * f[linked].sum(axis=1)
    return _from_contributions(linked, _reciprocal(variance), np.linalg.inv(gamma_checked))


def _linked_to_groups(parents: IntArray, groups: npt.ArrayLike) -> tuple[IntArray, int]:
    """Return parents with ``n_fish + group`` in the place of every unknown parent, and the number of groups."""
    g = np.asarray(groups)
    if g.shape != parents.shape or g.dtype.kind not in "iu":
        raise ShapeError(
            f"groups: found shape {g.shape} and type {g.dtype}. Expected whole numbers of shape {parents.shape}."
        )
    unknown = parents == MISSING
    wrong = np.argwhere(unknown != (g >= 0))
    if wrong.size:
        fish, side = wrong[0]
        raise ValueRangeError(
            f"groups, fish in row {fish}, {('dam', 'sire')[side]}: found group {g[fish, side]} and parent "
            f"{parents[fish, side]}. Expected a group for an unknown parent and -1 for a known one."
        )
    used = np.unique(g[unknown])
    if used.size and used[-1] != used.size - 1:
        raise ValueRangeError(
            f"groups: found the numbers {used.tolist()}. Expected 0, 1, 2, ... without a gap."
        )
    return np.where(unknown, len(parents) + g, parents).astype(np.int32), int(used.size)


def _checked_gamma(gamma: npt.ArrayLike, n_groups: int) -> FloatArray:
    """Return gamma as a float64 matrix after checking it."""
    g = np.asarray(gamma, dtype=np.float64)
    if g.shape != (n_groups, n_groups):
        raise ShapeError(
            f"gamma: found shape {g.shape}. Expected ({n_groups}, {n_groups}), one row per group."
        )
    if not ((g >= 0) & (g <= 2)).all():
        raise ValueRangeError("gamma: found a value that is not between 0 and 2. Expected relationships.")
    if not np.allclose(g, g.T, atol=1e-12) or np.linalg.eigvalsh(g).min(initial=0.0) < -1e-10:
        raise ValueRangeError("gamma: found a matrix that is not symmetric and positive semidefinite.")
    return g


def _reciprocal(variance: FloatArray) -> FloatArray:
    """Return 1 / variance."""
    if (variance <= 1e-14).any():
        fish = int(np.argmin(variance))
        raise ValueRangeError(
            f"parents, fish in row {fish}: found fully inbred parents. Expected some Mendelian variance: without it "
            "the relationship matrix has no inverse."
        )
    return 1.0 / variance


def _from_contributions(links: IntArray, weight: FloatArray, base: FloatArray) -> csr_array:
    """Add ``weight x [1, -1/2, -1/2] outer [1, -1/2, -1/2]`` over fish; `base` is put at the end for groups."""
    from scipy.sparse import csr_array

    n, n_groups = len(links), len(base)
    dam_known = np.flatnonzero(links[:, 0] != MISSING)
    sire_known = np.flatnonzero(links[:, 1] != MISSING)
    rows = np.concatenate([np.arange(n), dam_known, sire_known])
    cols = np.concatenate([np.arange(n), links[dam_known, 0], links[sire_known, 1]])
    values = np.concatenate([np.ones(n), np.full(dam_known.size + sire_known.size, -0.5)])
    design = csr_array((values, (rows, cols)), shape=(n, n + n_groups))
    scaled = csr_array((values * weight[rows], (rows, cols)), shape=(n, n + n_groups))
    inverse = design.T @ scaled
    at = np.arange(n, n + n_groups)
    corner = csr_array(
        (base.ravel(), (np.repeat(at, n_groups), np.tile(at, n_groups))), shape=(n + n_groups, n + n_groups)
    )
    return csr_array(inverse + corner)
