"""Gene drop against kinship, exact enumeration and published numbers."""

from __future__ import annotations

from collections import defaultdict
from itertools import product

import numpy as np
import pytest

from broodstock.errors import ValueRangeError
from broodstock.pedigree.gene_drop import (
    ancestral_inbreeding_gene_drop,
    ancestral_inbreeding_recursion,
    drop_chunks,
    drop_genes,
    inbreeding_split_gene_drop,
)
from broodstock.pedigree.kinship import inbreeding, kinship_matrix


def full_sib_line(generations):
    parents = [[-1, -1], [-1, -1]]
    for _ in range(generations):
        n = len(parents)
        parents += [[n - 2, n - 1], [n - 2, n - 1]]
    return np.array(parents, np.int32)


def exact_full_sib_histories(generations):
    """Exact ancestral, old and new inbreeding of one fish by generation, from the distribution of both sibs.

    A state holds four genes of the two sibs, each with its founder gene and whether it passed through an
    ancestor with two copies of it.
    """
    states = {(((0, False), (1, False)), ((2, False), (3, False))): 1.0}
    out = []
    for _ in range(generations):
        following = defaultdict(float)
        for (dam, sire), p in states.items():
            after = [
                [(gene, past or fish[0][0] == fish[1][0]) for gene, past in fish] for fish in (dam, sire)
            ]
            for a, b, c, d in product((0, 1), repeat=4):
                following[((after[0][a], after[1][b]), (after[0][c], after[1][d]))] += p / 16
        states = dict(following)
        ancestral = old = new = 0.0
        for (first, _), p in states.items():
            share = (first[0][1] + first[1][1]) / 2
            ancestral += p * share
            if first[0][0] == first[1][0]:
                old += p * share
                new += p * (1 - share)
        out.append((ancestral, old, new))
    return np.array(out)


def test_drop_genes__same_gene_with_probability_kinship(random_pedigree):
    parents = random_pedigree(2, n=25, known=0.85, reach=10)
    drops = 20_000
    found = drop_genes(parents, np.arange(25), drops, 5).genes
    k = kinship_matrix(parents)
    for i, j in product(range(25), repeat=2):
        same = (found[:, i, :, None] == found[:, j, None, :]).mean(axis=(1, 2))
        error = same.std() / drops**0.5
        assert abs(same.mean() - k[i, j]) <= 4.5 * error + 1e-12
    f = (found[..., 0] == found[..., 1]).mean(axis=0)
    np.testing.assert_allclose(f, inbreeding(parents), atol=4.5 * 0.5 / drops**0.5)


def test_drop_genes__same_seed_same_genes(random_pedigree):
    parents = random_pedigree(3)
    first = drop_genes(parents, [50, 20, 50], 100, 8)
    again = drop_genes(parents, [50, 20, 50], 100, np.random.default_rng(8))
    other = drop_genes(parents, [50, 20, 50], 100, 9)
    np.testing.assert_array_equal(first.genes, again.genes)
    np.testing.assert_array_equal(first.genes[:, 0], first.genes[:, 2])
    assert (first.genes != other.genes).any()
    assert first.genes.shape == (100, 3, 2)


def test_drop_genes__drops_differ_between_loci(three_living):
    # One seed repeated for every locus would drop the same genes everywhere.
    found = drop_genes(three_living, [7, 8, 9], 2000, 1).genes
    assert len(np.unique(found.reshape(2000, -1), axis=0)) > 500


def test_drop_genes__labels_say_where_genes_entered():
    parents = np.array([[-1, -1], [0, -1], [-1, -1], [1, 2]])
    found = drop_genes(parents, [1, 3], 500, 2)
    assert list(zip(found.gene_row.tolist(), found.gene_side.tolist(), strict=True)) == [
        (0, 0),
        (0, 1),
        (1, 1),
        (2, 0),
        (2, 1),
    ]
    assert set(np.unique(found.genes[:, 0, 1])) == {2}
    assert set(np.unique(found.genes[:, 1, 0])) == {0, 1, 2}


def test_drop_genes__raises(three_living):
    with pytest.raises(ValueRangeError, match="drops: found 0"):
        drop_genes(three_living, [1], 0, 1)
    with pytest.raises(ValueRangeError, match="found row number 10"):
        drop_genes(three_living, [10], 5, 1)


def test_drop_chunks__cover_all_drops():
    assert drop_chunks(10, 1, least=3) == [4, 3, 3]
    assert drop_chunks(2, 1, least=50) == [1, 1]
    assert sum(drop_chunks(1000, 1 << 20)) == 1000
    assert max(drop_chunks(1000, 1 << 20)) <= 64


# --- ancestral inbreeding (Ballou 1997; Kalinowski et al. 2000; from memory, exact values enumerated here) ----------------


def test_ancestral_inbreeding_recursion__full_sib_line():
    parents = full_sib_line(6)
    np.testing.assert_allclose(inbreeding(parents)[4::2], [0.25, 0.375, 0.5, 0.59375, 0.671875])
    expected = [0, 0.25, 0.53125, 0.765625, 0.904785]
    np.testing.assert_allclose(ancestral_inbreeding_recursion(parents)[4::2], expected, atol=5e-7)


def test_ancestral_inbreeding__gene_drop_is_not_the_recursion():
    parents = full_sib_line(6)
    exact = exact_full_sib_histories(6)[1:, 0]
    np.testing.assert_allclose(exact, [0, 0.25, 0.5, 0.672, 0.785], atol=6e-4)
    found = ancestral_inbreeding_gene_drop(parents, 100_000, 17, np.arange(4, 14, 2))
    assert (np.abs(found.value - exact) <= 4 * found.standard_error).all()
    assert found.standard_error.max() < 0.002
    recursion = ancestral_inbreeding_recursion(parents)[4::2]
    assert (recursion[2:] - found.value[2:] > 10 * found.standard_error[2:]).all()


def test_inbreeding_split__full_sib_line():
    parents = full_sib_line(4)
    exact = exact_full_sib_histories(4)
    np.testing.assert_allclose(exact[2, 1:], [0.125, 0.25], atol=1e-12)
    np.testing.assert_allclose(exact[3, 1:], [0.328, 0.1725], atol=1e-3)
    np.testing.assert_allclose(exact[:, 1:].sum(axis=1), inbreeding(parents)[2::2], atol=1e-12)
    found = inbreeding_split_gene_drop(parents, 100_000, 23, [6, 8])
    assert (np.abs(found.old.value - exact[2:4, 1]) <= 4 * found.old.standard_error).all()
    assert (np.abs(found.new.value - exact[2:4, 2]) <= 4 * found.new.standard_error).all()


def test_inbreeding_split__sums_to_inbreeding(random_pedigree):
    parents = random_pedigree(9, n=40, known=1.0, reach=8)
    drops = 20_000
    found = inbreeding_split_gene_drop(parents, drops, 3)
    f = inbreeding(parents)
    assert f.max() > 0.2
    error = np.sqrt(f * (1 - f) / drops)
    assert (np.abs(found.old.value + found.new.value - f) <= 4.5 * error + 1e-12).all()


def test_drop_means__estimate_says_what_its_interval_is():
    found = ancestral_inbreeding_gene_drop(full_sib_line(4), 2000, 1)
    e = found.estimate(8)
    assert e.low < e.value < e.high
    assert e.n_used == 2000
    assert e.unit_used == "drops"
    assert "simulation error" in e.note
    assert found.estimate(0).value == found.estimate(0).high == 0
