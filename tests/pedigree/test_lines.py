"""Founder lines by place against gene-flow matrices, walks and enumeration."""

from __future__ import annotations

import numpy as np
import pytest

from broodstock.errors import ShapeError, ValueRangeError
from broodstock.pedigree.graph import descendants
from broodstock.pedigree.kinship import gene_diversity, kinship_matrix
from broodstock.pedigree.lines import founder_lines, place_losses


def gene_flow(parents):
    t = np.eye(len(parents))
    for i in range(len(parents)):
        for p in parents[i]:
            if p >= 0:
                t[i] += 0.5 * t[p]
    return t


@pytest.mark.parametrize("seed", range(4))
def test_founder_lines__equal_gene_flow_and_walks(random_pedigree, seed):
    parents = random_pedigree(seed, n=150, founders=70, known=0.9, reach=100)
    rng = np.random.default_rng(seed)
    place = np.where(rng.random(150) < 0.6, rng.integers(0, 4, 150), -1)
    weights = rng.integers(0, 5, 150).astype(float)
    found = founder_lines(parents, place, 4, weights)
    t = gene_flow(parents)
    for k, (row, side) in enumerate(zip(found.founders.row, found.founders.unknown_side, strict=True)):
        share = 1.0 if side < 0 else 0.5
        below = set(descendants(parents, [row]).tolist()) | {int(row)}
        for p in range(4):
            inside = (place == p) & (weights > 0)
            expected = share * (weights * (place == p)) @ t[:, row]
            assert found.copies[k, p] == pytest.approx(expected, abs=1e-12)
            assert found.descendants[k, p] == sum(inside[i] for i in below)
    living = weights * (place >= 0)
    assert found.copies.sum() == pytest.approx(living.sum())
    np.testing.assert_allclose(found.copies.sum(axis=1) / living.sum(), found.founders.share, atol=1e-13)


def test_founder_lines__risk():
    # founders a, b, c; young: two of a x b at place 0, one of b x c at place 1; founder c itself lives at place 1
    parents = np.array([[-1, -1]] * 3 + [[0, 1], [0, 1], [2, 1]])
    place = np.array([-1, -1, 1, 0, 0, 1])
    found = founder_lines(parents, place, 2)
    np.testing.assert_allclose(found.copies, [[1, 0], [1, 0.5], [0, 1.5]])
    assert found.risk.tolist() == pytest.approx([1, 2 / 3, 1])
    assert found.largest_place.tolist() == [0, 0, 1]
    assert found.descendants.tolist() == [[2, 0], [2, 1], [0, 2]]
    frame = found.frame(["a", "b", "c", "x", "y", "z"], ["Dunmarrow", "Pellamoor"])
    assert frame["founder"].tolist() == ["a", "b", "c"]
    assert frame["largest_place"].tolist() == ["Dunmarrow", "Dunmarrow", "Pellamoor"]
    assert frame["copies at Pellamoor"].tolist() == [0, 0.5, 1.5]
    with pytest.raises(ShapeError, match=r"places: found 1 names\. Expected 2"):
        found.frame(list("abcxyz"), ["Dunmarrow"])


def test_founder_lines__lost_line_and_unknown_parent():
    parents = np.array([[-1, -1], [-1, -1], [0, -1]])
    found = founder_lines(parents, [-1, -1, 0], 1)
    assert found.largest_place.tolist() == [0, -1, 0]
    assert found.risk.tolist() == [1, 0, 1]
    frame = found.frame(["a", "b", "x"], ["tank"])
    assert frame["founder"].tolist() == ["a", "b", "unknown sire of x"]
    assert frame["largest_place"].tolist() == ["tank", "", "tank"]


@pytest.mark.parametrize("seed", range(3))
def test_place_losses__equal_enumeration_and_matrix(seed, every_drop):
    rng = np.random.default_rng(seed)
    parents = np.full((10, 2), -1)
    for i in range(4, 10):
        parents[i] = rng.choice(i, 2, replace=False)
    place = np.array([-1, 0, -1, -1, -1, 1, 2, 0, 1, 2])
    found = place_losses(parents, place, 3, 40_000, seed)
    k = kinship_matrix(parents)
    living = np.flatnonzero(place >= 0)
    now = 1 - k[np.ix_(living, living)].mean()
    lost = np.zeros((3, 0)).tolist()
    for genes in every_drop(parents):
        for p in range(3):
            there = set(genes[place == p].ravel().tolist())
            elsewhere = set(genes[(place >= 0) & (place != p)].ravel().tolist())
            lost[p].append(len(there - elsewhere) / 2)
    for p in range(3):
        rest = living[place[living] != p]
        left = 1 - k[np.ix_(rest, rest)].mean()
        assert found[p].place == p
        assert found[p].fish == (place == p).sum()
        assert found[p].gene_diversity_left == pytest.approx(left, abs=1e-13)
        assert found[p].gene_diversity_lost == pytest.approx(now - left, abs=1e-13)
        e = found[p].founder_genomes_lost
        error = (e.high - e.value) / 1.96
        assert abs(e.value - np.mean(lost[p])) <= 4.5 * error + 1e-12


def test_place_losses__line_kept_in_one_place_only():
    parents = np.array([[-1, -1]] * 3 + [[0, 1], [0, 1], [2, 1]])
    first, second = place_losses(parents, [-1, -1, 1, 0, 0, 1], 2, 200, 1)
    assert first.lines_lost.tolist() == [0]
    assert second.lines_lost.tolist() == [2]
    w = np.array([0, 0, 1, 0, 0, 1])
    assert first.gene_diversity_left == pytest.approx(gene_diversity(parents, w))


def test_place_losses__everything_in_one_place():
    only, empty = place_losses(np.full((3, 2), -1), [0, 0, 0], 2, 50, 1)
    assert only.gene_diversity_left is None
    assert only.gene_diversity_lost is None
    assert only.founder_genomes_lost.value == 3
    assert only.lines_lost.tolist() == [0, 1, 2]
    assert empty.fish == 0
    assert empty.gene_diversity_lost == 0
    assert empty.founder_genomes_lost.value == 0


def test_place_losses__more_fish_per_record_weigh_more():
    parents = np.array([[-1, -1]] * 2 + [[0, 1], [0, 1]])
    place = np.array([-1, -1, 0, 1])
    one, two = (place_losses(parents, place, 2, 10, 1, weights=w) for w in ([1, 1, 1, 1], [1, 1, 3, 1]))
    assert two[0].fish == 3
    k = kinship_matrix(parents)[2:, 2:]
    w = np.array([0.75, 0.25])
    assert two[0].gene_diversity_lost == pytest.approx((1 - w @ k @ w) - 0.5)
    assert one[0].gene_diversity_lost == pytest.approx(1 - k.mean() - 0.5)


def test_founder_lines__raises():
    parents = np.full((3, 2), -1)
    with pytest.raises(ValueRangeError, match=r"place: found 2\. Expected 0 to 1"):
        founder_lines(parents, [0, 1, 2], 2)
    with pytest.raises(ShapeError, match=r"place: found shape \(2,\)"):
        founder_lines(parents, [0, 1], 2)
    with pytest.raises(ValueRangeError, match="no fish with a weight above 0"):
        founder_lines(parents, [-1, -1, -1], 2)
