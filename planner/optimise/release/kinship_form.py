"""The family kinship matrix as a sum of squares, which is what the tangent cuts need.

With K = sum_k l_k l_k', the mean kinship of a group with numbers n is n'Kn / N^2 = sum_k (l_k'n / N)^2. A
matrix with a negative eigenvalue has no such form: there the kinship of a mixture would be negative.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from broodstock.arrays import FloatArray

RANK_TOLERANCE = 1e-10
"""Eigenvalues below this share of the largest are left out; the sum of squares is then a little smaller."""


def negative_tolerance(kinship: FloatArray) -> float:
    """Return how far below zero an eigenvalue may lie by rounding alone."""
    return 1e-9 * max(float(np.abs(kinship).max(initial=0.0)), 1e-300) * max(len(kinship), 1)


def lowest_eigenvalue(kinship: FloatArray) -> float:
    """Return the lowest eigenvalue of a symmetric matrix; 0 for an empty one."""
    if kinship.size == 0:
        return 0.0
    return _lowest_eigenvalue_of(np.ascontiguousarray(kinship, dtype=np.float64).tobytes(), len(kinship))


@lru_cache(maxsize=4)
def _lowest_eigenvalue_of(entries: bytes, n: int) -> float:
    """Remember the last few matrices: planning again changes rules and stock, hardly ever kinship."""
    kinship = np.frombuffer(entries, dtype=np.float64).reshape(n, n)
    return float(np.linalg.eigvalsh((kinship + kinship.T) / 2)[0])


def squares(kinship: FloatArray) -> FloatArray:
    """Return directions whose squares add up to the kinship matrix.

    Parameters
    ----------
    kinship : ndarray, float64, shape (n_families, n_families)
        Symmetric, no negative eigenvalue.

    Returns
    -------
    ndarray, float64, shape (n_families, n_directions)
        L with L L' = kinship up to the eigenvalues left out (`RANK_TOLERANCE`); the largest direction
        first. L L' is never above the kinship matrix, so bounds made from it stay valid.
    """
    if kinship.size == 0:
        return np.zeros((len(kinship), 0))
    values, vectors = np.linalg.eigh((kinship + kinship.T) / 2)
    kept = np.flatnonzero(values > RANK_TOLERANCE * max(values[-1], 0.0))[::-1]
    directions = vectors[:, kept] * np.sqrt(values[kept])
    # Eigenvectors have no sign of their own: fix it, so that the same data give the same model.
    signs = np.sign(directions[np.abs(directions).argmax(axis=0), np.arange(directions.shape[1])])
    return np.asarray(directions * signs, dtype=np.float64)


def lifted(kinship: FloatArray) -> tuple[FloatArray, float]:
    """Raise the diagonal just enough that no mixture of families has a negative mean kinship.

    Parameters
    ----------
    kinship : ndarray, float64, shape (n_families, n_families)
        Symmetric.

    Returns
    -------
    matrix : ndarray, float64, shape (n_families, n_families)
        The same matrix with the same number added to every diagonal cell.
    lift : float
        That number; 0 when nothing was needed. It overstates the kinship within families: show it.
    """
    lowest = lowest_eigenvalue(kinship)
    if lowest >= 0:
        return kinship.copy(), 0.0
    lift = -lowest
    return kinship + lift * np.eye(len(kinship)), lift


def mean_kinship(kinship: FloatArray, numbers: FloatArray) -> float | None:
    """Return p'Kp of a group, p the shares of its families.

    Two different fish drawn at random; a fish drawn twice counts as two members of its family, so the
    value is that of a large group with these shares. See `mean_kinship_with_self` for a finite group.

    Parameters
    ----------
    kinship : ndarray, float64, shape (n_families, n_families)
        Mean kinship of distinct members.
    numbers : ndarray, float64, shape (n_families,)
        Fish, or expected survivors, of each family.

    Returns
    -------
    float or None
        None when there are no fish.
    """
    total = float(numbers.sum())
    if total <= 0:
        return None
    shares = numbers / total
    return float(shares @ kinship @ shares)


def mean_kinship_with_self(
    kinship: FloatArray, self_kinship: FloatArray, numbers: FloatArray
) -> float | None:
    """Return the mean kinship of all N x N pairs of a finite group, each fish with itself included.

    The N pairs of a fish with itself have the kinship (1 + F) / 2 and not that of two members of its
    family: p'Kp + sum_f p_f (self_f - K_ff) / N.

    Parameters
    ----------
    kinship : ndarray, float64, shape (n_families, n_families)
        Mean kinship of distinct members.
    self_kinship : ndarray, float64, shape (n_families,)
        Kinship of a fish with itself.
    numbers : ndarray, float64, shape (n_families,)
        Fish of each family.

    Returns
    -------
    float or None
        None when there are no fish.
    """
    value = mean_kinship(kinship, numbers)
    if value is None:
        return None
    total = float(numbers.sum())
    return value + float(numbers @ (self_kinship - np.diag(kinship))) / total**2
