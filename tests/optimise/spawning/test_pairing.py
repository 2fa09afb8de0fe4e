"""Cuts are valid for every pairable vector and are found exactly when no pairing exists."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from planner.optimise.spawning.build import draft_rules
from planner.optimise.spawning.coefficients import coefficients
from planner.optimise.spawning.data import spawning_data
from planner.optimise.spawning.pairing import choose_pairs, failing_cut


def random_draft(seed: int, nf: int = 3, nm: int = 3, repeats: int = 1):
    rng = np.random.default_rng(seed)
    data = spawning_data(
        range(nf),
        range(nf, nf + nm),
        4,
        parents=np.full((nf + nm, 2), -1),
        forbidden=rng.random((nf, nm)) < 0.45,
        pair_repeats=repeats,
    )
    return draft_rules(data, coefficients(data))


def pairable(draft) -> set[tuple[int, ...]]:
    """Contributions of every table of dishes that room allows."""
    room = draft.pair_room
    tables = itertools.product(*(range(k + 1) for k in room.ravel().tolist()))
    found = set()
    for code in tables:
        table = np.array(code).reshape(room.shape)
        found.add((*table.sum(axis=1).tolist(), *table.sum(axis=0).tolist()))
    return found


@pytest.mark.parametrize("seed", range(10))
def test_failing_cut__is_found_exactly_when_no_pairing_exists(seed: int) -> None:
    draft = random_draft(seed, repeats=1 + seed % 2)
    possible = pairable(draft)
    rng = np.random.default_rng(seed)
    for _ in range(150):
        total = int(rng.integers(1, 6))
        c = np.concatenate(
            [rng.multinomial(total, np.full(3, 1 / 3)), rng.multinomial(total, np.full(3, 1 / 3))]
        )
        cut = failing_cut(draft, c.astype(float))
        assert (cut is None) == (tuple(c.tolist()) in possible)
        dishes, _ = choose_pairs(draft, c)
        assert (dishes is None) == (cut is not None)
        if cut is None:
            continue
        row = cut.row(draft)
        none = np.zeros(6)
        assert not row.holds(c.astype(float), none)
        for other in possible:
            assert row.holds(np.array(other, dtype=float), none)


def test_failing_cut__agrees_with_a_graph_library() -> None:
    networkx = pytest.importorskip("networkx")
    rng = np.random.default_rng(4)
    for seed in range(30):
        draft = random_draft(seed, 6, 7)
        total = int(rng.integers(3, 14))
        c = np.concatenate(
            [rng.multinomial(total, np.full(6, 1 / 6)), rng.multinomial(total, np.full(7, 1 / 7))]
        )
        graph = networkx.DiGraph()
        graph.add_nodes_from(["source", "sink"])
        for f in range(6):
            graph.add_edge("source", f"f{f}", capacity=int(c[f]))
            for m in range(7):
                if draft.pair_room[f, m]:
                    graph.add_edge(f"f{f}", f"m{m}", capacity=int(draft.pair_room[f, m]))
        for m in range(7):
            graph.add_edge(f"m{m}", "sink", capacity=int(c[6 + m]))
        flow = networkx.maximum_flow_value(graph, "source", "sink")
        assert (flow == total) == (failing_cut(draft, c.astype(float)) is None)


def test_failing_cut__takes_fractions() -> None:
    draft = random_draft(0)
    draft.allowed[:] = False
    draft.allowed[0, 0] = True
    c = np.array([0.5, 0.25, 0.0, 0.5, 0.25, 0.0])
    cut = failing_cut(draft, c)
    assert cut is not None
    assert not cut.row(draft).holds(c, np.zeros(6))
    assert failing_cut(draft, np.array([0.5, 0, 0, 0.5, 0, 0])) is None
    assert failing_cut(draft, np.zeros(6)) is None


def test_choose_pairs__keeps_pairs_that_are_nearly_as_good() -> None:
    K = np.eye(4) * 0.5
    K[0, 2] = K[2, 0] = 0.004
    data = spawning_data([0, 1], [2, 3], 2, kinship=K, most_uses=1)
    draft = draft_rules(data, coefficients(data))
    c = np.ones(4, np.int64)
    assert choose_pairs(draft, c)[0].tolist() == [[0, 1], [1, 0]]
    keep = np.array([[0.01, 0], [0, 0.01]])
    assert choose_pairs(draft, c, keep=keep)[0].tolist() == [[1, 0], [0, 1]]


def test_choose_pairs__of_nobody_is_an_empty_table() -> None:
    draft = random_draft(1)
    dishes, report = choose_pairs(draft, np.zeros(6, np.int64))
    assert dishes.sum() == 0
    assert report.has_solution
