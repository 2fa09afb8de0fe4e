"""The compiled loops on schemes with known answers."""

from __future__ import annotations

import numpy as np
import pytest

from broodstock.pedigree.kinship import kinship_matrix
from planner.project.gene_kernels import (
    add_kinship,
    add_unrelated,
    count_genes,
    drop_pairs,
    kinship_sums,
    mean_with,
)

FREE = np.full(64, 0.5)


def ints(*x: int) -> np.ndarray:
    return np.array(x, np.int64)


def grown(parents: np.ndarray) -> np.ndarray:
    """Kinship of a whole pedigree by adding its fish one after another."""
    n = len(parents)
    kin = np.zeros((n, n))
    for i, (dam, sire) in enumerate(parents):
        if dam < 0:
            add_unrelated(kin, np.arange(i), ints(i))
        else:
            add_kinship(kin, np.arange(i), ints(i), ints(dam), ints(sire))
    return kin


@pytest.mark.parametrize(
    ("step", "series"),
    [
        # Wright (1922), regular systems of mating: F by generation; from memory, recursions checked by hand.
        ("selfing", [0, 1 / 2, 3 / 4, 7 / 8, 15 / 16]),
        ("full sibs", [0, 1 / 4, 3 / 8, 1 / 2, 19 / 32, 43 / 64, 47 / 64, 201 / 256, 423 / 512, 55 / 64]),
        ("back to one sire", [0, 1 / 4, 3 / 8, 7 / 16, 15 / 32, 31 / 64]),
    ],
)
def test_add_kinship__regular_mating(step: str, series: list[float]) -> None:
    parents = [(-1, -1), (-1, -1)]
    if step == "selfing":
        parents = [(-1, -1)] + [(i, i) for i in range(len(series))]
        inbred = [2 * k - 1 for k in np.diag(grown(np.array(parents)))][: len(series)]
    elif step == "full sibs":
        for g in range(len(series)):
            parents += [(2 * g, 2 * g + 1)] * 2
        inbred = [2 * k - 1 for k in np.diag(grown(np.array(parents)))][2::2]
    else:
        parents += [(0, 1)] + [(i + 2, 1) for i in range(len(series) - 1)]
        inbred = [2 * k - 1 for k in np.diag(grown(np.array(parents)))][2:]
    np.testing.assert_allclose(inbred, series, atol=1e-15)


def test_add_kinship__agrees_with_the_pedigree_library() -> None:
    rng = np.random.default_rng(4)
    for _ in range(20):
        n = 40
        parents = np.full((n, 2), -1, np.int32)
        for i in range(6, n):
            parents[i] = rng.integers(0, i, 2)
        expected = kinship_matrix(parents)
        np.testing.assert_allclose(grown(parents), expected, atol=1e-14)
        # Several young at once, among them sibs.
        kin = np.zeros((n, n))
        kin[:20, :20] = expected[:20, :20]
        young = np.arange(20, n)
        dams, sires = rng.integers(0, 20, n - 20), rng.integers(0, 20, n - 20)
        add_kinship(kin, np.arange(20), young, dams, sires)
        parents[20:] = np.column_stack([dams, sires])
        np.testing.assert_allclose(kin, kinship_matrix(parents), atol=1e-14)


def test_kinship_sums__obvious_version() -> None:
    rng = np.random.default_rng(5)
    kin = rng.random((30, 30))
    kin += kin.T
    place = rng.integers(0, 3, 30).astype(np.int32)
    present = np.sort(rng.choice(30, 20, replace=False))
    sums = kinship_sums(kin, present, place, 3)
    for p in range(3):
        for q in range(3):
            rows, cols = present[place[present] == p], present[place[present] == q]
            assert sums[p, q] == pytest.approx(kin[np.ix_(rows, cols)].sum())
    np.testing.assert_allclose(
        mean_with(kin, present[:3], present), kin[np.ix_(present[:3], present)].mean(axis=1)
    )


def test_count_genes__obvious_version() -> None:
    rng = np.random.default_rng(6)
    genes = rng.integers(0, 12, (9, 2, 5)).astype(np.int32)
    allele = rng.integers(0, 3, (5, 12)).astype(np.int16)
    present = np.array([0, 2, 3, 7])
    got = count_genes(genes, present, allele, np.zeros((5, 12), np.int32), np.zeros((5, 3), np.int32))
    diversity, expected, observed, distinct, kept = [], [], [], [], []
    for locus in range(5):
        pool = genes[present, :, locus].ravel()
        share = np.unique(pool, return_counts=True)[1] / 8
        diversity.append(1 - (share**2).sum())
        distinct.append(len(share))
        p = np.unique(allele[locus][pool], return_counts=True)[1] / 8
        expected.append((1 - (p**2).sum()) * 8 / 7)  # Nei (1978), from memory
        kept.append(len(p))
        a = allele[locus][genes[present, :, locus]]
        observed.append((a[:, 0] != a[:, 1]).mean())
    np.testing.assert_allclose(got, [np.mean(x) for x in (diversity, expected, observed, distinct, kept)])


def test_drop_pairs__mendel_and_linkage() -> None:
    # Haldane's function without interference (Haldane 1919, from memory): recombinants as given between neighbours,
    # r13 = r12 + r23 - 2 r12 r23.
    n = 20_000
    r = np.array([0.5, 0.1, 0.2, 0.5])
    genes = np.zeros((n + 2, 2, 4), np.int32)
    genes[0, 1] = 1
    genes[1] = [[2] * 4, [3] * 4]
    slots = np.arange(2, n + 2)
    drop_pairs(genes, slots, np.zeros(n, np.int64), np.ones(n, np.int64), r, 7)
    got = genes[2:]
    assert set(np.unique(got[:, 0])) == {0, 1}
    assert set(np.unique(got[:, 1])) == {2, 3}
    error = 4 * 0.5 / np.sqrt(n)
    assert abs((got[:, 0, 0] == 0).mean() - 0.5) < error
    for a, b, share in ((0, 1, 0.1), (1, 2, 0.2), (0, 2, 0.1 + 0.2 - 2 * 0.02), (2, 3, 0.5)):
        assert abs((got[:, 0, a] != got[:, 0, b]).mean() - share) < error


def test_drop_pairs__free_loci_are_independent() -> None:
    genes = np.zeros((4002, 2, 64), np.int32)
    genes[0, 1] = 1
    genes[1] = 2
    drop_pairs(genes, np.arange(2, 4002), np.zeros(4000, np.int64), np.ones(4000, np.int64), FREE, 3)
    x = genes[2:, 0].astype(float)
    r = np.corrcoef(x.T)
    assert abs(r[~np.eye(64, dtype=bool)]).max() < 5.5 / np.sqrt(4000)


def test_gene_drop__ideal_population_decays_as_wright_says() -> None:
    # 1 - (1 - 1/(2N))^t with selfing at random (Wright 1931); the kinship of the same pedigree beside the genes.
    n, generations, loci = 10, 12, 400
    rng = np.random.default_rng(11)
    lost, kinship_lost = [], []
    for _ in range(60):
        kin = np.eye(2 * n) * 0.5
        genes = np.zeros((2 * n, 2, loci), np.int32)
        genes[:n] = np.arange(2 * n, dtype=np.int32).reshape(n, 2, 1)
        here, there = np.arange(n), np.arange(n, 2 * n)
        for _ in range(generations):
            dams, sires = rng.choice(here, n), rng.choice(here, n)
            add_kinship(kin, here, there, dams, sires)
            drop_pairs(genes, there, dams, sires, np.full(loci, 0.5), int(rng.integers(2**62)))
            here, there = there, here
        space = np.zeros((loci, 2 * n), np.int32), np.zeros((loci, 1), np.int32)
        lost.append(1 - count_genes(genes, here, np.zeros((loci, 2 * n), np.int16), *space)[0])
        kinship_lost.append(kin[np.ix_(here, here)].mean())
    expected = 1 - (1 - 1 / (2 * n)) ** (generations + 1)
    for x in (np.array(lost), np.array(kinship_lost)):
        assert abs(x.mean() - expected) < 4 * x.std(ddof=1) / np.sqrt(len(x))
    np.testing.assert_allclose(np.mean(lost), np.mean(kinship_lost), atol=0.004)
