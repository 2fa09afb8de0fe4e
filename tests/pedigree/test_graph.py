"""Ancestors, descendants, loops, lines and generations against networkx on the whole graph."""

from __future__ import annotations

import networkx as nx
import numpy as np
import pytest

from broodstock.errors import ShapeError, ValueRangeError
from broodstock.pedigree.build import build_pedigree
from broodstock.pedigree.graph import (
    ancestors,
    descendants,
    generation_numbers,
    loops,
    pedigree_graph,
    separate_lines,
)


def whole_graph(parents):
    graph = nx.DiGraph()
    graph.add_nodes_from(range(len(parents)))
    graph.add_edges_from((int(p), i) for i, pair in enumerate(parents) for p in pair if p >= 0)
    return graph


@pytest.mark.parametrize("seed", range(5))
def test_ancestors_and_descendants__equal_networkx(random_pedigree, seed):
    parents = random_pedigree(seed, n=50)
    graph = whole_graph(parents)
    for fish in (0, 7, 30, 49):
        assert set(ancestors(parents, [fish])) == nx.ancestors(graph, fish)
        assert set(descendants(parents, [fish])) == nx.descendants(graph, fish)
    both = set(ancestors(parents, [20, 40]))
    assert both == nx.ancestors(graph, 20) | nx.ancestors(graph, 40)


@pytest.mark.parametrize("seed", range(5))
def test_generation_numbers__longest_equals_longest_path(random_pedigree, seed):
    parents = random_pedigree(seed, n=40)
    graph = whole_graph(parents)
    longest = np.zeros(40, int)
    for i in nx.topological_sort(graph):
        longest[i] = max((longest[p] + 1 for p in graph.predecessors(i)), default=0)
    found = generation_numbers(parents)
    np.testing.assert_array_equal(found.longest, longest)
    assert (found.shortest <= found.longest).all()
    assert (found.mean <= found.longest).all()


def test_generation_numbers__six_animals(six_animals):
    found = generation_numbers(six_animals)
    assert found.longest.tolist() == [0, 0, 1, 1, 2, 3]
    assert found.shortest.tolist() == [0, 0, 1, 1, 2, 1]
    assert found.mean.tolist() == [0, 0, 1, 1, 2, 2]


def test_separate_lines__equal_weak_components(random_pedigree):
    parents = np.vstack([random_pedigree(1, n=30), [[-1, -1]], [[-1, -1]], [[30, 31]]])
    label = separate_lines(parents)
    expected = list(nx.weakly_connected_components(whole_graph(parents)))
    found = [set(np.flatnonzero(label == k).tolist()) for k in range(label.max() + 1)]
    assert sorted(map(sorted, found)) == sorted(map(sorted, expected))
    assert label[0] == 0
    assert label[-1] == label[30] == label.max()


def test_loops__names_one_loop_per_knot():
    parents = [[2, -1], [0, 5], [1, -1], [4, 3], [-1, -1], [-1, -1], [-1, 7], [-1, 6]]
    assert loops(parents) == [[0, 1, 2], [3], [6, 7]]
    assert loops([[-1, -1], [0, -1]]) == []
    with pytest.raises(ValueRangeError, match="found row number 9"):
        loops([[9, -1]])
    with pytest.raises(ShapeError, match="Expected whole numbers"):
        loops([1, 2])


def test_pedigree_graph__part_around_a_fish():
    p = build_pedigree(
        ["a", "b", "c", "d", "e", "f"],
        ["", "", "a", "", "c", "d"],
        ["", "", "b", "", "", ""],
        ["female"] + [""] * 5,
    )
    graph = pedigree_graph(p, p.rows(["c"]))
    assert set(graph.nodes) == {"a", "b", "c", "e"}
    assert graph.edges["b", "c"]["role"] == "sire"
    assert graph.nodes["a"]["sex"] == 0
    assert nx.is_directed_acyclic_graph(pedigree_graph(p))
    assert pedigree_graph(p).number_of_edges() == 4
