"""Likelihood of family networks against enumeration, and the sampler against the exact posterior."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from broodstock.errors import UsageError
from broodstock.parentage import _sibship_network as network
from broodstock.parentage import _sibship_sampling as sampling
from broodstock.parentage.error_model import ErrorModel
from broodstock.parentage.likelihood import UNKNOWN, genotype_likelihood
from broodstock.parentage.sibship import parents_by_side
from broodstock.parentage.sibship_model import allele_classes, sibship_tables
from broodstock.parentage.simulate import draw_offspring, draw_unrelated, genotype_set, read_with_errors

EXACT = 1e-9


def _tables(n_loci, n_alleles, pairs, n_parents, seed, missing=0.1):
    rng = np.random.default_rng(seed)
    p = rng.dirichlet(np.full(n_alleles, 2.0), n_loci)
    error = ErrorModel(rng.uniform(0.005, 0.03, n_loci), rng.uniform(0, 0.05, n_loci))
    young = draw_offspring(draw_unrelated(p, n_parents, rng), np.asarray(pairs), rng)
    genotypes = genotype_set(read_with_errors(young, p, error, missing, rng), n_alleles)
    return sibship_tables(genotypes, range(len(pairs)), p, error)


def _build(tables, pairs, tolerance=EXACT):
    """Insert offspring one by one into the network that `pairs` describes."""
    net = network.empty_network(tables, len(pairs))
    number: dict = {}
    for i, (p, q) in enumerate(pairs):
        known = (number.get(p, -1), number.get(q, -1))
        f = network.find_family(net, *known) if min(known) >= 0 else -1
        f = network.insert(net, tables, np.array([i]), f, *known, tolerance)
        if p not in number or q not in number:
            ends = net.parent[f].tolist()
            if p in number:
                ends = [number[p], next(x for x in ends if x != number[p])]
            elif q in number:
                ends = [next(x for x in ends if x != number[q]), number[q]]
            number[p], number[q] = ends
    return net


def _enumerated(tables, pairs):
    """Log-likelihood by summing over every combination of parental genotypes, locus by locus."""
    parents = sorted({x for pair in pairs for x in pair})
    total = 0.0
    for k in range(len(tables.states)):
        n = int(tables.states[k])
        prior = tables.prior[tables.state_at[k] : tables.state_at[k + 1]]
        table = tables.table[tables.table_at[k] : tables.table_at[k + 1]].reshape(n, n, n)
        likelihood = 0.0
        for genotypes in itertools.product(range(n), repeat=len(parents)):
            of = dict(zip(parents, genotypes, strict=True))
            term = math.prod(prior[g] for g in genotypes)
            for i, (p, q) in enumerate(pairs):
                if tables.readings[i, k] >= 0:
                    term *= table[tables.readings[i, k], of[p], of[q]]
            likelihood += term
        total += math.log(likelihood)
    return total


TREES = {
    "one family": [("a", "b")] * 4,
    "singles": [("a", "b"), ("c", "d")],
    "half sibs": [("a", "b"), ("a", "c"), ("a", "c"), ("a", "d")],
    "chain": [("a", "b"), ("c", "b"), ("c", "b"), ("c", "d"), ("e", "d")],
}


@pytest.mark.parametrize("name", list(TREES))
@pytest.mark.parametrize("n_alleles", [2, 3])
def test_log_likelihood__without_loops_equals_enumeration(name, n_alleles):
    pairs = [(ord(p), ord(q)) for p, q in TREES[name]]
    index = {x: i for i, x in enumerate(sorted({y for pair in pairs for y in pair}))}
    numbered = [(index[p], index[q]) for p, q in pairs]
    tables = _tables(3 if len(index) > 4 and n_alleles > 2 else 6, n_alleles, numbered, len(index), 1)
    net = _build(tables, pairs)
    assert network.log_likelihood(net, tables) == pytest.approx(_enumerated(tables, numbered), abs=1e-8)


def test_log_likelihood__with_loops_is_close():
    """Two dams crossed with two sires, four young each: the loopy value is within 0.5 % of the exact one."""
    pairs = [(d, 2 + s) for d in range(2) for s in range(2) for _ in range(4)]
    tables = _tables(40, 2, pairs, 4, 2, missing=0.02)
    net = _build(tables, pairs)
    exact = _enumerated(tables, pairs)
    assert network.log_likelihood(net, tables) == pytest.approx(exact, rel=5e-3)


def test_network__moving_offspring_about_leaves_no_trace():
    """After random moves the likelihood equals that of the same network built from nothing."""
    rng = np.random.default_rng(3)
    pairs = [(i % 4, 4 + i % 3) for i in range(14)]
    tables = _tables(25, 2, pairs, 7, 4)
    net = network.empty_network(tables, 14)
    for i in rng.permutation(14):
        sampling.reassign(net, tables, np.array([i]), 3.0, 3.0, 1.0, 1, 8, True, EXACT, rng)
    for _ in range(15):
        sampling.sweep(net, tables, 3.0, 3.0, 2.0, 1, 8, True, EXACT, rng)
        parents = parents_by_side(net)
        fresh = _build(tables, [(f"d{p}", f"s{q}") for p, q in parents])
        assert network.log_likelihood(net, tables) == pytest.approx(
            network.log_likelihood(fresh, tables), abs=1e-6
        )
        assert int(net.size.sum()) == 14
        assert int(net.degree.sum()) == 2 * int((net.size > 0).sum())


def test_network__sides_never_mix():
    """With mates on both sides allowed, no parent is dam and sire at once, and pairs name one family."""
    rng = np.random.default_rng(5)
    pairs = [(i % 3, 3 + (i // 3) % 3) for i in range(18)]
    tables = _tables(60, 2, pairs, 6, 6)
    net = network.empty_network(tables, 18)
    for i in range(18):
        sampling.reassign(net, tables, np.array([i]), 5.0, 5.0, 1.0, 2, 10, True, 1e-3, rng)
    for _ in range(20):
        sampling.sweep(net, tables, 5.0, 5.0, 1.5, 2, 10, True, 1e-3, rng)
        parents = parents_by_side(net)
        assert not set(parents[:, 0]) & set(parents[:, 1])
        assert len(np.unique(parents, axis=0)) == int((net.size > 0).sum())


def _partitions(n):
    if n == 0:
        yield []
        return
    for smaller in _partitions(n - 1):
        for label in range(max(smaller, default=-1) + 2):
            yield [*smaller, label]


def _log_prior(pairs, alpha, theta):
    families = sorted(set(pairs))
    out = len(families) * math.log(alpha) + sum(math.lgamma(pairs.count(f)) for f in families)
    for side in (0, 1):
        parents = [f[side] for f in families]
        out += len(set(parents)) * math.log(theta) + sum(math.lgamma(parents.count(x)) for x in set(parents))
        out -= math.lgamma(theta + len(families)) - math.lgamma(theta)
    return out


@pytest.mark.parametrize("mates", ["both sexes", "pairs"])
def test_sampler__equals_exact_posterior_of_three_offspring(mates):
    """All 25 ways of giving three offspring dams and sires, each weighed by prior and enumerated likelihood."""
    truth = [(0, 2), (0, 2), (0, 3)]
    tables = _tables(9, 2, truth, 4, 7)
    alpha, theta = 1.5, 2.0
    weights, full, half = [], [], []
    for dams, sires in itertools.product(_partitions(3), repeat=2):
        pairs = [(d, 10 + s) for d, s in zip(dams, sires, strict=True)]
        if mates == "pairs" and dams != sires:
            continue
        weights.append(_log_prior(pairs, alpha, theta) + _enumerated(tables, pairs))
        same = np.array([[(a[0] == b[0]) + (a[1] == b[1]) for b in pairs] for a in pairs])
        full.append(same == 2)
        half.append(same == 1)
    w = np.exp(np.array(weights) - max(weights))
    w /= w.sum()
    expected_full = np.tensordot(w, np.array(full, dtype=float), 1)
    expected_half = np.tensordot(w, np.array(half, dtype=float), 1)
    rng = np.random.default_rng(8)
    net = network.empty_network(tables, 3)
    code = {"pairs": 0, "both sexes": 2}[mates]
    for i in range(3):
        sampling.reassign(net, tables, np.array([i]), alpha, theta, 1.0, code, 6, True, EXACT, rng)
    n = 12_000
    found_full, found_half = np.zeros((3, 3)), np.zeros((3, 3))
    for _ in range(n):
        sampling.sweep(net, tables, alpha, theta, 1.0, code, 6, False, EXACT, rng)
        same = net.parent[net.family_of]
        shared = np.array([[len(set(a) & set(b)) for b in same.tolist()] for a in same.tolist()])
        found_full += shared == 2
        found_half += shared == 1
    np.testing.assert_allclose(found_full / n, expected_full, atol=0.02)
    np.testing.assert_allclose(found_half / n, expected_half, atol=0.02)
    assert 0.1 < expected_full[0, 1] < 0.95


def test_tables__readings_sum_to_one_and_equal_the_parentage_likelihood():
    rng = np.random.default_rng(9)
    p = rng.dirichlet(np.full(4, 2.0), 2)
    error = ErrorModel(np.array([0.03, 0.0]), np.array([0.0, 0.1]))
    genotypes = genotype_set(draw_unrelated(p, 40, rng), 4)
    tables = sibship_tables(genotypes, range(40), p, error)
    for k in range(2):
        n = int(tables.states[k])
        table = tables.table[tables.table_at[k] : tables.table_at[k + 1]].reshape(n, n, n)
        np.testing.assert_allclose(table.sum(axis=0), 1.0, atol=1e-12)
        prior = tables.prior[tables.state_at[k] : tables.state_at[k + 1]]
        assert prior.sum() == pytest.approx(1.0)
        marginal = np.einsum("rgh,g,h->r", table, prior, prior)
        pairs = [(a, b) for b in range(4) for a in range(b + 1)]
        expected = [
            genotype_likelihood(
                x, UNKNOWN, UNKNOWN, p[k], float(error.substitution[k]), float(error.dropout[k])
            )
            for x in pairs
        ]
        np.testing.assert_allclose(marginal, expected, atol=1e-12)


def test_allele_classes__are_even_and_keep_everything():
    p = np.random.default_rng(10).dirichlet(np.full(60, 1.0))
    class_of, totals = allele_classes(p, 6)
    assert totals.sum() == pytest.approx(1.0)
    np.testing.assert_allclose(totals, np.bincount(class_of, p, 6), atol=1e-12)
    assert totals.min() > 0.15
    few, alone = allele_classes(np.array([0.2, 0.0, 0.8]), 6)
    assert few[[0, 2]].tolist() == [0, 1]
    assert alone.tolist() == [0.2, 0.8]


def test_tables__leave_out_loci_that_say_nothing():
    calls = np.zeros((3, 5, 2), dtype=np.int16)
    calls[1] = -1
    calls[2, 0, 1] = 1
    tables = sibship_tables(genotype_set(calls, 2), range(5))
    assert tables.states.tolist() == [3]
    with pytest.raises(UsageError, match=r"max_classes: found 1"):
        sibship_tables(genotype_set(calls, 2), range(5), max_classes=1)
