"""Kinship from pedigree and markers together, on the scale of kinship."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from broodstock.arrays import BoolArray, FloatArray
from broodstock.errors import ShapeError, ValueRangeError
from broodstock.pedigree.inbreeding import checked_fish, checked_parents, inbreeding
from broodstock.pedigree.kinship import kinship_between


@dataclass(frozen=True)
class BlendedKinship:
    """Kinship of chosen fish from pedigree and markers.

    Parameters
    ----------
    kinship : ndarray, float64, shape (n_chosen, n_chosen)
        Symmetric, positive semidefinite up to rounding; self-kinship on the diagonal.
    chosen : ndarray, int64, shape (n_chosen,)
        Row numbers in the pedigree.
    shift, scale : float
        Marker kinship was taken to the pedigree's base as ``shift + scale * K``; 0 and 1 when it was not.
    marker_weight : float
        Weight of markers against pedigree among genotyped fish.
    lifted : float
        How far the lowest eigenvalue of the marker table was raised to 0; 0 when it needed no repair.
    """

    kinship: FloatArray
    chosen: npt.NDArray[np.int64]
    shift: float
    scale: float
    marker_weight: float
    lifted: float


def nearest_semidefinite(kinship: FloatArray) -> tuple[FloatArray, float]:
    """Return the closest positive semidefinite table, and how far below 0 its lowest eigenvalue was.

    Parameters
    ----------
    kinship : ndarray, float64, shape (n, n)
        Symmetric.

    Returns
    -------
    table : ndarray, float64, shape (n, n)
        Negative eigenvalues set to 0: the nearest in the sense of least squares.
    lifted : float
        0 when nothing had to change (the table is returned as it is).

    Raises
    ------
    ShapeError
        If the table is not square.
    ValueRangeError
        If it is not symmetric or has numbers that are not finite.

    References
    ----------
    .. [1] Higham (1988), Linear Algebra and its Applications 103:103-118.
    """
    k = np.asarray(kinship, dtype=np.float64)
    if k.ndim != 2 or k.shape[0] != k.shape[1]:
        raise ShapeError(f"kinship: found shape {k.shape}. Expected a square table.")
    if not np.isfinite(k).all() or not np.allclose(k, k.T, atol=1e-8):
        raise ValueRangeError(
            "kinship: found a table that is not symmetric, or missing numbers. Expected both "
            "halves alike and every pair known."
        )
    values, vectors = np.linalg.eigh((k + k.T) / 2)
    lowest = float(values[0]) if len(values) else 0.0
    if lowest >= -1e-10:
        return k, 0.0
    fixed = (vectors * np.maximum(values, 0)) @ vectors.T
    return (fixed + fixed.T) / 2, -lowest


def blended_kinship(
    parents: npt.ArrayLike,
    genotyped: npt.ArrayLike,
    marker_kinship: FloatArray,
    *,
    chosen: npt.ArrayLike | None = None,
    marker_weight: float = 1.0,
    match_base: bool = False,
) -> BlendedKinship:
    """Blend pedigree and marker kinship in the single-step form.

    Parameters
    ----------
    parents : array_like, integer, shape (n_fish, 2)
        Row numbers of the two parents, -1 unknown, parents first.
    genotyped : array_like, integer, shape (n_genotyped,)
        Row numbers of the fish with marker kinship, each once.
    marker_kinship : ndarray, float64, shape (n_genotyped, n_genotyped)
        Kinship (half of genomic relationship) of the genotyped fish, in that order. Made positive
        semidefinite first if it is not.
    chosen : array_like, integer, shape (n_chosen,), optional
        Fish to return. Default all, which makes a dense table of the whole pedigree.
    marker_weight : float
        Share of markers, above 0 to 1; the rest is pedigree kinship. A little pedigree (0.95) keeps few
        loci from overruling it.
    match_base : bool
        First shift and scale marker kinship so that its mean self-kinship and its mean over pairs equal
        those of the pedigree among genotyped fish.

    Returns
    -------
    BlendedKinship
        ``K + K_g A (G - K_gg) A K_g'`` with ``A`` the inverse of the pedigree kinship ``K_gg`` of genotyped
        fish and ``K_g`` the pedigree kinship of chosen with genotyped fish: marker kinship among genotyped
        fish, carried by the pedigree to their relatives.

    Raises
    ------
    ShapeError
        If the marker table does not fit the genotyped fish, or `parents` has another shape.
    PedigreeError
        If a parent does not stand before its offspring.
    ValueRangeError
        If a row number is unknown or twice among the genotyped, the weight is out of range, the marker table
        is not symmetric, its base can't be matched, or the pedigree makes two genotyped fish identical.

    References
    ----------
    .. [1] Legarra, Aguilar & Misztal (2009), Journal of Dairy Science 92:4656-4663; Christensen & Lund
       (2010), Genetics Selection Evolution 42:2; Christensen (2012), Genetics Selection Evolution 44:37.
    """
    p = checked_parents(parents)
    g = checked_fish(genotyped, len(p), "genotyped fish")
    rows = np.arange(len(p)) if chosen is None else checked_fish(chosen, len(p), "chosen fish")
    marker = np.asarray(marker_kinship, dtype=np.float64)
    if marker.shape != (len(g), len(g)):
        raise ShapeError(
            f"marker kinship: found shape {marker.shape}. Expected ({len(g)}, {len(g)}): one row per genotyped "
            "fish."
        )
    if len(np.unique(g)) < len(g) or not 0 < marker_weight <= 1:
        raise ValueRangeError(
            f"blend: found a genotyped fish twice, or a marker weight of {marker_weight}. Expected each fish "
            "once and a weight above 0, up to 1."
        )
    f = inbreeding(p)
    own = kinship_between(p, rows, rows, f)
    if len(g) == 0:
        return BlendedKinship(own, rows.astype(np.int64), 0.0, 1.0, marker_weight, 0.0)
    with_genotyped = kinship_between(p, rows, g, f)
    among = kinship_between(p, g, g, f)
    shift, scale = _base_match(marker, among) if match_base else (0.0, 1.0)
    marker, lifted = nearest_semidefinite(shift + scale * marker)
    marker = marker_weight * marker + (1 - marker_weight) * among
    carried = _solve(among, with_genotyped.T).T
    blended = own + carried @ (marker - among) @ carried.T
    return BlendedKinship(
        (blended + blended.T) / 2, rows.astype(np.int64), shift, scale, marker_weight, lifted
    )


def _base_match(marker: FloatArray, pedigree: FloatArray) -> tuple[float, float]:
    """Shift and scale that give marker kinship the pedigree's mean diagonal and mean over all pairs."""
    diagonal, whole = float(np.trace(marker)) / len(marker), float(marker.mean())
    if diagonal - whole <= 1e-9:
        raise ValueRangeError(
            "marker kinship: found self-kinship no larger than kinship between fish, so its base can't be "
            "matched to the pedigree. Expected larger numbers on the diagonal. Switch the matching off."
        )
    scale = (float(np.trace(pedigree)) / len(pedigree) - float(pedigree.mean())) / (diagonal - whole)
    return float(pedigree.mean()) - scale * whole, scale


def _solve(among: FloatArray, right: FloatArray) -> FloatArray:
    """Solve with the pedigree kinship of genotyped fish, refusing a singular one."""
    lowest = float(np.linalg.eigvalsh(among)[0])
    if lowest < 1e-10:
        raise ValueRangeError(
            "blend: the pedigree makes two genotyped fish identical, or one the copy of others (fully inbred "
            "parents). Expected different fish. Leave one of them out of the genotyped."
        )
    return np.linalg.solve(among, right)


def founder_block(
    marker_kinship: FloatArray,
    unrelated: BoolArray | None = None,
) -> tuple[FloatArray, float]:
    """Make a founder block from marker kinship: no negative kinship, self-kinship at least 1/2.

    Parameters
    ----------
    marker_kinship : ndarray, float64, shape (n, n)
        Kinship among typed founders on a base where unrelated pairs are 0.
    unrelated : ndarray, bool, shape (n, n), optional
        Symmetric; True for pairs to be taken as unrelated, for example those whose lower limit is not above
        0. They are set to 0 first.

    Returns
    -------
    block : ndarray, float64, shape (n, n)
        Positive semidefinite, no number below 0; kinship between founders is lowered by one common share where
        that needs it.
    lifted : float
        How far the lowest eigenvalue was below 0; 0 when nothing had to change.

    Raises
    ------
    ShapeError
        If the two tables don't fit or are not square.
    ValueRangeError
        If the kinship is not symmetric.
    """
    k = np.array(marker_kinship, dtype=np.float64)
    if unrelated is not None:
        if unrelated.shape != k.shape:
            raise ShapeError(f"founders: found shapes {k.shape} and {unrelated.shape}. Expected the same.")
        k[unrelated & ~np.eye(len(k), dtype=bool)] = 0.0
    k = np.where(np.eye(len(k), dtype=bool), np.maximum(k, 0.5), np.maximum(k, 0.0)) if k.ndim == 2 else k
    _, lifted = nearest_semidefinite(k)
    return (k, 0.0) if lifted == 0.0 else (_less_between(k), lifted)


def _less_between(kinship: FloatArray) -> FloatArray:
    """Shrink kinship between fish by the least common share that leaves no negative eigenvalue.

    ``D + (1 - t)(K - D)`` with D the diagonal is positive semidefinite for ``t >= 1 - 1 / m``, where ``-m`` is the
    lowest eigenvalue of ``D^(-1/2) (K - D) D^(-1/2)``. Unlike the nearest table it makes no kinship negative and
    leaves unrelated pairs at 0.
    """
    diagonal = np.diag(kinship)
    root = np.sqrt(diagonal)
    between = kinship - np.diag(diagonal)
    m = -float(np.linalg.eigvalsh(between / np.outer(root, root))[0])
    share = min(1.0, 1.0 / m) * (1.0 - 1e-12) if m > 0 else 1.0
    return np.asarray(np.diag(diagonal) + share * between)


def kinship_with_related_founders(
    parents: npt.ArrayLike, founders: npt.ArrayLike, block: FloatArray
) -> FloatArray:
    """Hand kinship among founders down the pedigree.

    Parameters
    ----------
    parents : array_like, integer, shape (n_fish, 2)
        Row numbers of the two parents, -1 unknown, parents first.
    founders : array_like, integer, shape (n_founders,)
        Row numbers of fish without known parents whose kinship is given, each once. Other founders and
        unknown single parents count as unrelated to all.
    block : ndarray, float64, shape (n_founders, n_founders)
        Kinship among these founders, self-kinship on the diagonal; positive semidefinite.

    Returns
    -------
    ndarray, float64, shape (n_fish, n_fish)
        Kinship of all pairs by the tabular method; 8 bytes x n_fish squared. Equals the plain pedigree
        kinship when the block is 1/2 on the diagonal and 0 elsewhere.

    Raises
    ------
    ShapeError
        If the block does not fit the founders, or `parents` has another shape.
    PedigreeError
        If a parent does not stand before its offspring.
    ValueRangeError
        If a row number is unknown, twice, or a fish with a known parent; or the block is not symmetric, not
        positive semidefinite, or outside 0 to 1.

    References
    ----------
    .. [1] Emik & Terrill (1949), Journal of Heredity 40:51-55 (tabular method; from memory).
    """
    p = checked_parents(parents)
    rows = checked_fish(founders, len(p), "founders")
    g = np.asarray(block, dtype=np.float64)
    if g.shape != (len(rows), len(rows)):
        raise ShapeError(f"founder kinship: found shape {g.shape}. Expected ({len(rows)}, {len(rows)}).")
    if len(np.unique(rows)) < len(rows) or (p[rows] >= 0).any():
        raise ValueRangeError(
            "founder kinship: found a founder twice, or a fish with a known parent among the founders. "
            "Expected each founder once."
        )
    if nearest_semidefinite(g)[1] > 1e-8 or (g < -1e-9).any() or (g > 1 + 1e-9).any():
        raise ValueRangeError(
            "founder kinship: found numbers outside 0 to 1, or a table no set of fish could have (not positive "
            "semidefinite). Expected probabilities. Pass it through founder_block first."
        )
    n = len(p)
    k = np.zeros((n, n))
    k[np.ix_(rows, rows)] = g
    given = np.zeros(n, dtype=bool)
    given[rows] = True
    for i in range(n):
        dam, sire = int(p[i, 0]), int(p[i, 1])
        if dam >= 0 or sire >= 0:
            # Rows before i only: founders with given kinship that come later already hold theirs.
            known = [parent for parent in (dam, sire) if parent >= 0]
            line = k[known].sum(axis=0) / 2
            k[i, :] = line
            k[:, i] = line
            k[i, i] = 0.5 + (k[dam, sire] / 2 if len(known) == 2 else 0.0)
        elif not given[i]:
            k[i, i] = 0.5
    return k
