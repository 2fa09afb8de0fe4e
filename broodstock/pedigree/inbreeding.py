"""Inbreeding, kinship of listed pairs, and the Mendelian variance of each fish."""

from __future__ import annotations

from typing import Literal

import numpy as np
import numpy.typing as npt

from broodstock.arrays import MISSING, BigIntArray, BoolArray, FloatArray, IntArray
from broodstock.errors import ShapeError, ValueRangeError
from broodstock.pedigree.structure import check_parents_first

WINDOW_BYTES = 5 << 28
"""Most memory the breeder window takes; wider pedigrees are done by tracing ancestors."""

_SLACK = 65  # places two blocks of breeders need beyond those in use, and the place of the unknown parent
_SPARE, _LEAST_SPARE = 1.5, 1.25  # places per breeder in use: spare places make closing ranks rare


def checked_parents(parents: npt.ArrayLike) -> IntArray:
    """Return the parent array as contiguous int32 after checking it.

    Parameters
    ----------
    parents : array_like, integer, shape (n_fish, 2)
        Row numbers of the two parents, -1 unknown, parents first.

    Returns
    -------
    ndarray, int32, shape (n_fish, 2)

    Raises
    ------
    ShapeError
        If it has another shape or does not hold integers.
    PedigreeError
        If a parent does not stand before its offspring.
    """
    array = np.asarray(parents)
    if array.ndim != 2 or array.shape[1] != 2 or array.dtype.kind not in "iu":
        raise ShapeError(
            f"parents: found an array of shape {array.shape} and type {array.dtype}. Expected whole numbers "
            "of shape (n_fish, 2). Pass Pedigree.parents."
        )
    check_parents_first(array)
    return np.ascontiguousarray(array, dtype=np.int32)


def checked_fish(fish: npt.ArrayLike, n_fish: int, name: str = "fish") -> BigIntArray:
    """Return row numbers of fish as int64 after checking that they exist.

    Raises
    ------
    ShapeError
        If `fish` is not a list of whole numbers.
    ValueRangeError
        If a row number is outside 0 to ``n_fish - 1``.
    """
    array = np.asarray(fish)
    if array.size == 0 and array.ndim == 1:
        return np.zeros(0, np.int64)
    if array.ndim != 1 or array.dtype.kind not in "iu":
        raise ShapeError(
            f"{name}: found an array of shape {array.shape} and type {array.dtype}. Expected a list of row "
            "numbers."
        )
    if array.min() < 0 or array.max() >= n_fish:
        wrong = array[(array < 0) | (array >= n_fish)][0]
        raise ValueRangeError(
            f"{name}: found row number {wrong}. Expected 0 to {n_fish - 1}. Use Pedigree.rows to find fish by name."
        )
    return array.astype(np.int64)


def checked_inbreeding(inbreeding_coefficients: npt.ArrayLike | None, parents: IntArray) -> FloatArray:
    """Return F as given after checking it, or computed when None.

    Raises
    ------
    ShapeError
        If it does not hold one number per fish.
    ValueRangeError
        If a coefficient is NaN or outside 0 to 1.
    """
    if inbreeding_coefficients is None:
        return _inbreeding(parents)
    f = np.ascontiguousarray(inbreeding_coefficients, dtype=np.float64)
    if f.shape != (len(parents),):
        raise ShapeError(f"F: found shape {f.shape}. Expected one number per fish, ({len(parents)},).")
    if not ((f >= -1e-12) & (f <= 1 + 1e-12)).all():
        raise ValueRangeError("F: found a value that is not between 0 and 1. Use inbreeding(parents).")
    return f


def inbreeding(parents: npt.ArrayLike) -> FloatArray:
    """Return the inbreeding coefficient of every fish.

    Parameters
    ----------
    parents : array_like, integer, shape (n_fish, 2)
        Row numbers of the two parents, -1 unknown, parents first.

    Returns
    -------
    ndarray, float64, shape (n_fish,)
        Probability that the two genes of a locus are identical by descent; 0 when a parent is unknown.

    Raises
    ------
    ShapeError
        If `parents` has another shape or type.
    PedigreeError
        If a parent does not stand before its offspring.

    Notes
    -----
    F of a fish is the kinship of its parents, so every full-sib family is computed once and fish without
    offspring cost nothing. Two algorithms give the same numbers:

    - *Breeder window*: the tabular method [1]_ over breeders in the order they are needed, where a breeder
      gives up its row after its last breeding offspring and last mate. Work is breeders x window; memory is
      the square of the window and does not grow with the depth of the pedigree.
    - *Ancestor tracing* [2]_: one row of T per family, ancestors visited from the deepest up. Memory is linear;
      work is families x ancestors.

    Tracing is used when the window would take more than `WINDOW_BYTES` or when a sample of families shows that it
    needs fewer steps (few generations); deep pedigrees, where every fish descends from nearly every breeder of
    old, go through the window. A pedigree that is wide and deep at once (more than about 10 000 breeders in use at
    a time, each with hundreds of thousands of ancestors) fits neither well: about 10 ns x families x ancestors.

    References
    ----------
    .. [1] Emik, L. O. & Terrill, C. E. (1949), Journal of Heredity 40, 51-55.
    .. [2] Meuwissen, T. H. E. & Luo, Z. (1992), Genetics Selection Evolution 24, 305-313.

    Examples
    --------
    >>> inbreeding([[-1, -1], [-1, -1], [0, 1], [0, 1], [2, 3]])
    array([0.  , 0.  , 0.  , 0.  , 0.25])
    """
    return _inbreeding(checked_parents(parents))


def kinship_between_pairs(parents: npt.ArrayLike, a: npt.ArrayLike, b: npt.ArrayLike) -> FloatArray:
    """Return the kinship of each listed pair of fish.

    Parameters
    ----------
    parents : array_like, integer, shape (n_fish, 2)
        Row numbers of the two parents, -1 unknown, parents first.
    a, b : array_like, integer, shape (n_pairs,)
        Row numbers; ``a[k] == b[k]`` asks for the self-kinship ``(1 + F) / 2``.

    Returns
    -------
    ndarray, float64, shape (n_pairs,)
        The inbreeding an offspring of the pair would have.

    Raises
    ------
    ShapeError
        If the arrays have another shape or the lists differ in length.
    ValueRangeError
        If a row number does not exist.
    PedigreeError
        If a parent does not stand before its offspring.

    Notes
    -----
    Uses the two algorithms of `inbreeding`; no matrix over the whole pedigree is made.
    """
    checked = checked_parents(parents)
    first = checked_fish(a, len(checked), "a")
    second = checked_fish(b, len(checked), "b")
    if first.shape != second.shape:
        raise ShapeError(
            f"b: found {second.size} fish for {first.size} in a. Expected pairs: two lists of one length."
        )
    return pair_kinship(checked, first, second)


def mendelian_variance(parents: npt.ArrayLike, F: npt.ArrayLike | None = None) -> FloatArray:
    """Return the Mendelian sampling variance of every fish in kinship units: D in ``K = T D T'``.

    Parameters
    ----------
    parents : array_like, integer, shape (n_fish, 2)
        Row numbers of the two parents, -1 unknown, parents first.
    F : array_like, float64, shape (n_fish,), optional
        Inbreeding coefficients; computed when not given.

    Returns
    -------
    ndarray, float64, shape (n_fish,)
        1/2 for a founder; ``(3/4 - F_p / 4) / 2`` with one known parent p; ``(1/2 - (F_s + F_d) / 4) / 2`` with
        both known. Half the values tabulated for the numerator relationship ``A = 2 K``.

    Raises
    ------
    ShapeError
        If an array has another shape.
    ValueRangeError
        If F is NaN or outside 0 to 1.
    PedigreeError
        If a parent does not stand before its offspring.

    References
    ----------
    .. [1] Henderson, C. R. (1976), Biometrics 32, 69-83.
    .. [2] Quaas, R. L. (1976), Biometrics 32, 949-953.
    """
    from broodstock.pedigree.kernels import within_family_variance

    checked = checked_parents(parents)
    return np.asarray(within_family_variance(checked, checked_inbreeding(F, checked)))


def _inbreeding(parents: IntArray) -> FloatArray:
    """`inbreeding` of a checked parent array."""
    f = np.zeros(len(parents))
    both = np.flatnonzero((parents != MISSING).all(axis=1))
    pairs = parents[both].astype(np.int64)
    f[both] = pair_kinship(parents, pairs[:, 0], pairs[:, 1])
    return f


def pair_kinship(
    parents: IntArray, a: BigIntArray, b: BigIntArray, method: Literal["window", "tracing"] | None = None
) -> FloatArray:
    """Return the kinship of listed pairs from checked arrays (see `kinship_between_pairs`).

    Parameters
    ----------
    parents : ndarray, int32, shape (n_fish, 2)
        Checked parents.
    a, b : ndarray, int64, shape (n_pairs,)
        Checked row numbers.
    method : {'window', 'tracing'}, optional
        Algorithm (see `inbreeding`); default the one expected to be faster.

    Returns
    -------
    ndarray, float64, shape (n_pairs,)
    """
    from broodstock.pedigree import kernels

    if a.size == 0:
        return np.zeros(0)
    needed: BoolArray = np.zeros(len(parents), dtype=np.bool_)
    needed[a] = True
    needed[b] = True
    kernels.mark_ancestors(parents, needed)
    breeders = np.flatnonzero(needed)
    number = np.full(len(parents) + 1, MISSING, np.int64)  # the last entry answers for an unknown parent
    number[breeders] = np.arange(breeders.size)
    up = number[parents[breeders]]
    keys, own_pair, asked = _distinct_pairs(up, number[a], number[b])
    low, high = np.divmod(keys, breeders.size)
    order, width = _narrowest_order(up, low, high)
    if method is None:
        method = _faster_method(up, low, high, width)
    if method == "window":
        return _by_window(up, own_pair, low, high, order, width)[asked]
    return _by_tracing(up, own_pair, low, high)[asked]


def _faster_method(
    up: BigIntArray, low: BigIntArray, high: BigIntArray, width: int
) -> Literal["window", "tracing"]:
    """Compare the expected numbers of steps; the ancestors of 64 pairs spread over the list are counted."""
    from broodstock.pedigree.kernels import count_ancestors

    if _LEAST_SPARE * width + _SLACK > _most_places():
        return "tracing"
    sample = np.linspace(0, low.size - 1, min(low.size, 64)).astype(np.int64)
    ancestors = count_ancestors(
        up.astype(np.int32), low[sample].astype(np.int32), high[sample].astype(np.int32)
    )
    return "window" if len(up) * width <= low.size * float(ancestors.mean()) else "tracing"


def _most_places() -> int:
    """Return the number of places of the largest window that fits into `WINDOW_BYTES`."""
    return int((WINDOW_BYTES // 8) ** 0.5)


def _by_tracing(up: BigIntArray, own_pair: BigIntArray, low: BigIntArray, high: BigIntArray) -> FloatArray:
    """Prepare and run ancestor tracing; return the kinship of every distinct pair."""
    from broodstock.pedigree.kernels import generation_depth, trace_pair_kinship

    depth = np.asarray(generation_depth(up.astype(np.int32)))
    order = np.argsort(depth, kind="stable")  # fish of one depth side by side: less memory to walk through
    rank = np.empty(order.size + 1, np.int64)
    rank[order] = np.arange(order.size)
    rank[MISSING] = MISSING
    pair_order = np.argsort(np.maximum(depth[low], depth[high]), kind="stable")
    found = trace_pair_kinship(
        rank[up[order]].astype(np.int32),
        own_pair[order],
        depth[order],
        rank[low].astype(np.int32),
        rank[high].astype(np.int32),
        pair_order,
    )
    return np.asarray(found)


def _distinct_pairs(
    up: BigIntArray, a: BigIntArray, b: BigIntArray
) -> tuple[BigIntArray, BigIntArray, BigIntArray]:
    """Find and number the distinct pairs among breeders' own parents and the pairs asked for.

    The result holds the keys ``low * n + high`` in rising order, each breeder's own pair (-1 without two known parents)
    and the pair of each question.
    """
    n = len(up)
    both = np.flatnonzero((up != MISSING).all(axis=1))
    first = np.concatenate([up[both, 0], a])
    second = np.concatenate([up[both, 1], b])
    keys, which = np.unique(np.minimum(first, second) * n + np.maximum(first, second), return_inverse=True)
    which = which.reshape(-1)
    own_pair = np.full(n, MISSING, np.int64)
    own_pair[both] = which[: both.size]
    return keys, own_pair, which[both.size :]


def _narrowest_order(up: BigIntArray, low: BigIntArray, high: BigIntArray) -> tuple[BigIntArray, int]:
    """Choose the order in which breeders enter the window and return it with the window's width.

    Tried: every breeder just before its first breeding offspring; founders so and the others at their own
    row. Both put parents before offspring; the one that needs fewer rows at a time is kept.
    """
    n = len(up)
    child, side = np.nonzero(up != MISSING)
    parent = up[child, side]
    first_child = np.full(n, np.iinfo(np.int64).max)
    np.minimum.at(first_child, parent, child)
    late = np.where(first_child < n, 2 * first_child - 1, 2 * np.arange(n))
    founder = (up == MISSING).all(axis=1)
    best: tuple[BigIntArray, int] | None = None
    for key in (late, np.where(founder, late, 2 * np.arange(n))):
        order = np.argsort(key, kind="stable")
        position = np.empty(n, np.int64)
        position[order] = np.arange(n)
        last = _last_use(position, parent, child, low, high)
        change = np.bincount(position, minlength=n + 1) - np.bincount(last + 1, minlength=n + 1)[: n + 1]
        width = int(np.cumsum(change).max())
        if best is None or width < best[1]:
            best = order, width
    assert best is not None
    return best


def _last_use(
    position: BigIntArray, parent: BigIntArray, child: BigIntArray, low: BigIntArray, high: BigIntArray
) -> BigIntArray:
    """Position at which each breeder is needed for the last time, by breeder."""
    last = position.copy()
    np.maximum.at(last, parent, position[child])
    later = np.maximum(position[low], position[high])
    np.maximum.at(last, low, later)
    np.maximum.at(last, high, later)
    return last


def _by_window(
    up: BigIntArray,
    own_pair: BigIntArray,
    low: BigIntArray,
    high: BigIntArray,
    order: BigIntArray,
    width: int,
) -> FloatArray:
    """Prepare and run the breeder window; return the kinship of every distinct pair."""
    from broodstock.pedigree.kernels import window_pair_kinship

    n = len(up)
    size = min(int(_SPARE * width) + _SLACK, n + _SLACK)
    size = max(min(size, _most_places()), width + _SLACK)
    position = np.empty(n + 1, np.int64)
    position[order] = np.arange(n)
    position[MISSING] = MISSING
    child, side = np.nonzero(up != MISSING)
    last = _last_use(position[:n], up[child, side], child, low, high)

    later = np.maximum(position[low], position[high])
    earlier = np.minimum(position[low], position[high])
    pair_order = np.argsort(later, kind="stable")
    pair_rank = np.empty(pair_order.size + 1, np.int64)
    pair_rank[pair_order] = np.arange(pair_order.size)
    pair_rank[MISSING] = MISSING
    leave_order = np.argsort(last, kind="stable")
    found = window_pair_kinship(
        position[up[order]].astype(np.int32),
        pair_rank[own_pair[order]],
        _starts(later, n),
        earlier[pair_order].astype(np.int32),
        _starts(last, n),
        position[leave_order].astype(np.int32),
        size,
    )
    return np.asarray(found)[pair_rank[:-1]]


def _starts(group: BigIntArray, n_groups: int) -> BigIntArray:
    """Return where each group starts in the items sorted by group, with the end added."""
    return np.concatenate([[0], np.cumsum(np.bincount(group, minlength=n_groups))]).astype(np.int64)
