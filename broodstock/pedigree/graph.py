"""The pedigree as a graph: ancestors, descendants, loops, lines that share no ancestor, generations."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from broodstock.arrays import MISSING, BoolArray, FloatArray, IntArray
from broodstock.errors import ShapeError, ValueRangeError
from broodstock.pedigree.inbreeding import checked_fish, checked_parents

if TYPE_CHECKING:
    import networkx as nx
    from scipy.sparse import csr_array

    from broodstock.pedigree.structure import Pedigree


@dataclass(frozen=True, slots=True)
class GenerationNumbers:
    """Generations between each fish and the founders above it.

    Parameters
    ----------
    longest, shortest : ndarray, int32, shape (n_fish,)
        Parent-offspring steps along the longest and the shortest known line; 0 for a founder. The shortest line
        of a fish with one unknown parent ends there: 1.
    mean : ndarray, float64, shape (n_fish,)
        One more than the mean of the two parents; an unknown parent counts as generation 0.
    """

    longest: IntArray
    shortest: IntArray
    mean: FloatArray


def ancestors(parents: npt.ArrayLike, fish: npt.ArrayLike) -> IntArray:
    """Return the row numbers of all ancestors of some fish.

    Parameters
    ----------
    parents : array_like, integer, shape (n_fish, 2)
        Row numbers of the two parents, -1 unknown, parents first.
    fish : array_like, integer, shape (n,)
        Row numbers.

    Returns
    -------
    ndarray, int32
        Rising; a fish asked for is in it only when it is an ancestor of another.

    Raises
    ------
    ShapeError
        If an array has another shape or type.
    ValueRangeError
        If a row number does not exist.
    PedigreeError
        If a parent does not stand before its offspring.
    """
    from broodstock.pedigree.kernels import mark_ancestors

    checked = checked_parents(parents)
    found: BoolArray = np.zeros(len(checked), dtype=np.bool_)
    above = checked[checked_fish(fish, len(checked))]
    found[above[above != MISSING]] = True
    mark_ancestors(checked, found)
    return np.flatnonzero(found).astype(np.int32)


def descendants(parents: npt.ArrayLike, fish: npt.ArrayLike) -> IntArray:
    """Return the row numbers of all descendants of some fish.

    Parameters
    ----------
    parents : array_like, integer, shape (n_fish, 2)
        Row numbers of the two parents, -1 unknown, parents first.
    fish : array_like, integer, shape (n,)
        Row numbers.

    Returns
    -------
    ndarray, int32
        Rising; a fish asked for is in it only when it descends from another.

    Raises
    ------
    ShapeError
        If an array has another shape or type.
    ValueRangeError
        If a row number does not exist.
    PedigreeError
        If a parent does not stand before its offspring.
    """
    from broodstock.pedigree.kernels import mark_descendants

    checked = checked_parents(parents)
    asked: BoolArray = np.zeros(len(checked), dtype=np.bool_)
    asked[checked_fish(fish, len(checked))] = True
    return np.flatnonzero(mark_descendants(checked, asked)).astype(np.int32)


def loops(parents: npt.ArrayLike) -> list[list[int]]:
    """Find fish that are recorded as their own ancestors.

    Parameters
    ----------
    parents : array_like, integer, shape (n_fish, 2)
        Row numbers of the two parents, in any order of rows; negative where unknown.

    Returns
    -------
    list of list of int
        One loop for each group of fish that are each other's ancestors: every fish is a parent of the next and
        the last a parent of the first. A fish that is its own parent is a loop of one.

    Raises
    ------
    ShapeError
        If `parents` has another shape or type.
    ValueRangeError
        If a row number is greater than the last row.
    """
    from scipy.sparse.csgraph import connected_components

    array = np.asarray(parents)
    if array.ndim != 2 or array.shape[1] != 2 or array.dtype.kind not in "iu":
        raise ShapeError(
            f"parents: found shape {array.shape} and type {array.dtype}. Expected whole numbers (n, 2)."
        )
    if array.size and array.max() >= len(array):
        raise ValueRangeError(f"parents: found row number {array.max()}. Expected at most {len(array) - 1}.")
    _, group = connected_components(_edges(array), directed=True, connection="strong")
    size = np.bincount(group, minlength=1)
    own = (array == np.arange(len(array))[:, None]).any(axis=1)
    suspects = np.flatnonzero((size[group] > 1) | own) if len(array) else np.zeros(0, np.int64)
    if not suspects.size:
        return []
    import networkx as nx

    graph: nx.DiGraph = nx.DiGraph()
    for child in suspects.tolist():
        for parent in array[child].tolist():
            if parent >= 0 and group[parent] == group[child]:
                graph.add_edge(parent, child)
    found = []
    for number in dict.fromkeys(group[suspects].tolist()):
        members = [fish for fish in suspects.tolist() if group[fish] == number]
        cycle = [edge[0] for edge in nx.find_cycle(graph.subgraph(members))]
        start = cycle.index(min(cycle))
        found.append(cycle[start:] + cycle[:start])
    return found


def separate_lines(parents: npt.ArrayLike) -> IntArray:
    """Return the line of each fish; fish of different lines share no ancestor and no descendant.

    Parameters
    ----------
    parents : array_like, integer, shape (n_fish, 2)
        Row numbers of the two parents, -1 unknown, parents first.

    Returns
    -------
    ndarray, int32, shape (n_fish,)
        Line of each fish, numbered from 0 in the order of their first fish.

    Raises
    ------
    ShapeError
        If `parents` has another shape or type.
    PedigreeError
        If a parent does not stand before its offspring.
    """
    from scipy.sparse.csgraph import connected_components

    checked = checked_parents(parents)
    if not len(checked):
        return np.zeros(0, np.int32)
    _, label = connected_components(_edges(checked), directed=False)
    _, first = np.unique(label, return_index=True)
    rank = np.empty(first.size, np.int32)
    rank[np.argsort(first)] = np.arange(first.size)
    return rank[label]


def generation_numbers(parents: npt.ArrayLike) -> GenerationNumbers:
    """Count the generations between each fish and the founders.

    Parameters
    ----------
    parents : array_like, integer, shape (n_fish, 2)
        Row numbers of the two parents, -1 unknown, parents first.

    Returns
    -------
    GenerationNumbers

    Raises
    ------
    ShapeError
        If `parents` has another shape or type.
    PedigreeError
        If a parent does not stand before its offspring.
    """
    from broodstock.pedigree.kernels import generation_depth, mean_generation, shortest_depth

    checked = checked_parents(parents)
    return GenerationNumbers(
        np.asarray(generation_depth(checked)),
        np.asarray(shortest_depth(checked)),
        np.asarray(mean_generation(checked)),
    )


def pedigree_graph(pedigree: Pedigree, fish: npt.ArrayLike | None = None) -> nx.DiGraph:
    """Return a pedigree, or the part above and below some fish, as a networkx graph.

    Parameters
    ----------
    pedigree : Pedigree
        Pedigree.
    fish : array_like, integer, optional
        Row numbers: only these, their ancestors and their descendants are kept. Default all; a graph needs about
        a kilobyte per fish.

    Returns
    -------
    networkx.DiGraph
        Nodes are identifiers with the attributes ``row`` and ``sex`` (0 female, 1 male, -1 unknown); edges run
        from parent to offspring with the attribute ``role`` ('dam' or 'sire').

    Raises
    ------
    ShapeError
        If `fish` is not a list of row numbers.
    ValueRangeError
        If a row number does not exist.
    """
    import networkx as nx

    if fish is None:
        kept = np.arange(len(pedigree))
    else:
        asked = checked_fish(fish, len(pedigree))
        kept = np.unique(
            np.concatenate([asked, ancestors(pedigree.parents, asked), descendants(pedigree.parents, asked)])
        )
    inside = set(kept.tolist())
    graph: nx.DiGraph = nx.DiGraph()
    for row in kept.tolist():
        graph.add_node(pedigree.ids[row], row=row, sex=int(pedigree.sex[row]))
    for row in kept.tolist():
        for side, role in enumerate(("dam", "sire")):
            parent = int(pedigree.parents[row, side])
            if parent in inside:
                graph.add_edge(pedigree.ids[parent], pedigree.ids[row], role=role)
    return graph


def _edges(parents: np.ndarray) -> csr_array:
    """Adjacency matrix with an entry from each parent to each of its offspring."""
    from scipy.sparse import csr_array

    n = len(parents)
    child, side = np.nonzero(parents >= 0)
    return csr_array((np.ones(child.size, np.int8), (parents[child, side], child)), shape=(n, n))
