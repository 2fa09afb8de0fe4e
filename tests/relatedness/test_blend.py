from __future__ import annotations

import numpy as np
import pytest
import sgkit
import xarray as xr

from broodstock.errors import PedigreeError, ShapeError, ValueRangeError
from broodstock.pedigree.kinship import kinship_matrix
from broodstock.relatedness.blend import (
    blended_kinship,
    founder_block,
    kinship_with_related_founders,
    nearest_semidefinite,
)

# The 17-animal pedigree of Legarra, Aguilar & Misztal 2009, animals 9 to 12 genotyped with relationship .7.
FIRST = [0, 0, 0, 0, 0, 0, 0, 0, 1, 3, 5, 7, 9, 11, 4, 13, 13]
SECOND = [0, 0, 0, 0, 0, 0, 0, 0, 2, 4, 6, 8, 10, 12, 11, 15, 14]
PARENTS = np.column_stack([FIRST, SECOND]).astype(np.int32) - 1
GENOTYPED = np.arange(8, 12)
MARKERS = (np.full((4, 4), 0.7) + 0.3 * np.eye(4)) / 2


def random_pedigree(n: int, rng: np.random.Generator, unknown: float = 0.2) -> np.ndarray:
    parents = np.full((n, 2), -1, dtype=np.int32)
    for i in range(6, n):
        parents[i] = rng.choice(i, 2, replace=False)
        parents[i, rng.random(2) < unknown] = -1
    return parents


def test_blend__published_pedigree() -> None:
    h = 2 * blended_kinship(PARENTS, GENOTYPED, MARKERS).kinship
    diagonal = [1.0] * 12 + [1.35, 1.35, 1.175, 1.4125, 1.525]
    np.testing.assert_allclose(np.diag(h), diagonal, atol=1e-12)
    for a, b, value in (
        (16, 17, 0.803125),
        (13, 14, 0.7),
        (1, 3, 0.175),
        (1, 2, 0),
        (1, 9, 0.5),
        (1, 10, 0.35),
        (15, 16, 0.86875),
    ):
        assert h[a - 1, b - 1] == pytest.approx(value, abs=1e-12)


def test_blend__inverse_is_the_short_published_form() -> None:
    """1/H = 1/A + [0, 0; 0, 1/G - 1/A22] (Aguilar et al. 2010; Christensen & Lund 2010)."""
    a, h = 2 * kinship_matrix(PARENTS), 2 * blended_kinship(PARENTS, GENOTYPED, MARKERS).kinship
    inverse = np.linalg.inv(a)
    block = np.ix_(GENOTYPED, GENOTYPED)
    inverse[block] += np.linalg.inv(2 * MARKERS) - np.linalg.inv(a[block])
    np.testing.assert_allclose(np.linalg.inv(h), inverse, atol=1e-9)


def test_blend__equals_sgkit() -> None:
    rng = np.random.default_rng(3)
    parents = random_pedigree(40, rng, unknown=0.0)
    genotyped = np.sort(rng.choice(40, 12, replace=False))
    base = rng.normal(size=(12, 300))
    markers = base @ base.T / 600
    a = 2 * kinship_matrix(parents)
    everyone = np.full((40, 40), np.nan)
    everyone[np.ix_(genotyped, genotyped)] = 2 * markers
    data = xr.Dataset(
        {
            "stat_pedigree_relationship": (("samples_0", "samples_1"), a),
            "stat_genomic_relationship": (("samples_0", "samples_1"), everyone),
            "call_genomic": (("samples_0",), np.isin(np.arange(40), genotyped)),
        }
    )
    expected = sgkit.hybrid_relationship(
        data,
        pedigree_relationship="stat_pedigree_relationship",
        genomic_relationship="stat_genomic_relationship",
        genomic_sample="call_genomic",
        tau=1.0,
        omega=1.0,
    )
    found = blended_kinship(parents, genotyped, markers)
    np.testing.assert_allclose(2 * found.kinship, expected["stat_hybrid_relationship"].to_numpy(), atol=1e-9)
    assert found.lifted == 0


def test_blend__without_news_changes_nothing() -> None:
    parents = random_pedigree(50, np.random.default_rng(1))
    k = kinship_matrix(parents)
    g = np.array([3, 20, 31, 44])
    same = blended_kinship(parents, g, k[np.ix_(g, g)])
    np.testing.assert_allclose(same.kinship, k, atol=1e-12)
    nobody = blended_kinship(parents, np.zeros(0, dtype=int), np.zeros((0, 0)))
    np.testing.assert_allclose(nobody.kinship, k, atol=1e-12)


def test_blend__chosen_fish_are_a_part_of_the_whole() -> None:
    rng = np.random.default_rng(2)
    parents = random_pedigree(40, rng)
    base = rng.normal(size=(6, 80))
    g = np.array([5, 11, 19, 22, 30, 39])
    whole = blended_kinship(parents, g, base @ base.T / 160)
    chosen = np.array([39, 2, 22, 17])
    part = blended_kinship(parents, g, base @ base.T / 160, chosen=chosen)
    np.testing.assert_allclose(part.kinship, whole.kinship[np.ix_(chosen, chosen)], atol=1e-12)
    assert part.chosen.tolist() == chosen.tolist()


def test_blend__is_positive_semidefinite_even_with_a_poor_marker_table() -> None:
    rng = np.random.default_rng(4)
    parents = random_pedigree(40, rng)
    g = np.array([6, 12, 18, 24, 30])
    markers = np.full((5, 5), -0.2) + 0.7 * np.eye(5)
    markers[0, 1] = markers[1, 0] = 0.6
    found = blended_kinship(parents, g, markers)
    assert found.lifted > 0.05
    assert np.linalg.eigvalsh(found.kinship)[0] > -1e-10


def test_blend__weight_mixes_with_the_pedigree() -> None:
    full = blended_kinship(PARENTS, GENOTYPED, MARKERS).kinship
    half = blended_kinship(PARENTS, GENOTYPED, MARKERS, marker_weight=0.5).kinship
    np.testing.assert_allclose(half, (full + kinship_matrix(PARENTS)) / 2, atol=1e-12)


def test_blend__matched_base_has_the_means_of_the_pedigree() -> None:
    """Christensen 2012: mean diagonal and mean over pairs equal those of the pedigree."""
    rng = np.random.default_rng(5)
    parents = random_pedigree(40, rng)
    g = np.arange(20, 32)
    base = rng.normal(size=(12, 200))
    found = blended_kinship(parents, g, 0.1 + base @ base.T / 900, match_base=True)
    k = kinship_matrix(parents)[np.ix_(g, g)]
    among = found.kinship[np.ix_(g, g)]
    assert np.trace(among) == pytest.approx(np.trace(k))
    assert among.mean() == pytest.approx(k.mean())
    with pytest.raises(ValueRangeError, match="its base can't be matched"):
        blended_kinship(parents, g, np.full((12, 12), 0.5), match_base=True)


def test_blend__moving_zero_of_markers_is_undone_by_matching() -> None:
    rng = np.random.default_rng(5)
    parents = random_pedigree(40, rng)
    g = np.arange(20, 32)
    base = rng.normal(size=(12, 200))
    markers = base @ base.T / 400
    a = blended_kinship(parents, g, markers, match_base=True).kinship
    b = blended_kinship(parents, g, 0.07 + 1.3 * markers, match_base=True).kinship
    np.testing.assert_allclose(a, b, atol=1e-12)


def test_blend__raises() -> None:
    with pytest.raises(ShapeError, match=r"Expected \(4, 4\)"):
        blended_kinship(PARENTS, GENOTYPED, np.eye(3))
    with pytest.raises(ValueRangeError, match="found a genotyped fish twice"):
        blended_kinship(PARENTS, [8, 8], np.eye(2) / 2)
    with pytest.raises(ValueRangeError, match="a marker weight of 0"):
        blended_kinship(PARENTS, GENOTYPED, MARKERS, marker_weight=0)
    with pytest.raises(ValueRangeError, match="genotyped fish: found row number 40"):
        blended_kinship(PARENTS, [40], np.eye(1))
    with pytest.raises(ValueRangeError, match="found a table that is not symmetric"):
        blended_kinship(PARENTS, [8, 9], np.array([[0.5, 0.1], [0.3, 0.5]]))
    with pytest.raises(PedigreeError, match="parents come first"):
        blended_kinship([[1, -1], [-1, -1]], [0], np.eye(1))


def test_nearest_semidefinite__leaves_good_tables_and_is_closest() -> None:
    good = np.array([[0.5, 0.2], [0.2, 0.5]])
    table, lifted = nearest_semidefinite(good)
    assert table is good
    assert lifted == 0
    bad = np.array([[0.5, 0.7], [0.7, 0.5]])
    table, lifted = nearest_semidefinite(bad)
    assert lifted == pytest.approx(0.2)
    np.testing.assert_allclose(table, [[0.6, 0.6], [0.6, 0.6]])
    with pytest.raises(ShapeError, match="Expected a square table"):
        nearest_semidefinite(np.ones((2, 3)))


# Related founders.


def slow_kinship(parents: np.ndarray, founders: np.ndarray, block: np.ndarray) -> np.ndarray:
    """Kinship by the recursion from the definitions, the younger fish first."""
    place = {int(f): i for i, f in enumerate(founders)}

    def kinship(a: int, b: int) -> float:
        if a < 0 or b < 0:
            return 0.0
        founder_a, founder_b = (parents[a] < 0).all(), (parents[b] < 0).all()
        if a == b:
            if founder_a:
                return float(block[place[a], place[a]]) if a in place else 0.5
            return 0.5 + 0.5 * kinship(*parents[a].tolist())
        if founder_a and founder_b:
            return float(block[place[a], place[b]]) if a in place and b in place else 0.0
        if (a < b or founder_a) and not founder_b:
            a, b = b, a
        return 0.5 * (kinship(int(parents[a, 0]), b) + kinship(int(parents[a, 1]), b))

    n = len(parents)
    return np.array([[kinship(i, j) for j in range(n)] for i in range(n)])


def test_related_founders__equals_the_recursion() -> None:
    rng = np.random.default_rng(6)
    for _ in range(5):
        parents = random_pedigree(18, rng)
        founders = np.flatnonzero((parents < 0).all(axis=1))
        given = np.sort(rng.choice(founders, 4, replace=False))
        base = np.abs(rng.normal(size=(4, 4)))
        block = base @ base.T
        block = 0.6 * block / block.max()
        np.testing.assert_allclose(
            kinship_with_related_founders(parents, given, block),
            slow_kinship(parents, given, block),
            atol=1e-12,
        )


def test_related_founders__unrelated_block_is_the_plain_pedigree() -> None:
    parents = random_pedigree(40, np.random.default_rng(7))
    founders = np.flatnonzero((parents < 0).all(axis=1))
    found = kinship_with_related_founders(parents, founders, np.eye(len(founders)) / 2)
    np.testing.assert_allclose(found, kinship_matrix(parents), atol=1e-12)


def test_related_founders__evenly_related_base() -> None:
    """A single related base, A_g = (1 - g/2) A + g (Christensen 2012; Legarra et al. 2015), g = .2."""
    parents = np.array([[-1, -1], [-1, -1], [0, 1], [0, -1], [3, 2], [4, 1]], dtype=np.int32)
    # The unknown parent of the fourth animal belongs to the base too: it gets its own row.
    full = np.array([[-1, -1], [-1, -1], [-1, -1], [0, 1], [0, 2], [4, 3], [5, 1]], dtype=np.int32)
    block = np.full((3, 3), 0.1) + np.eye(3) * 0.45
    found = 2 * kinship_with_related_founders(full, [0, 1, 2], block)
    rows = [0, 1, 3, 4, 5, 6]
    expected = 0.9 * 2 * kinship_matrix(parents) + 0.2
    np.testing.assert_allclose(found[np.ix_(rows, rows)], expected, atol=1e-12)
    np.testing.assert_allclose(np.diag(expected), [1.1, 1.1, 1.1, 1.1, 1.2125, 1.2125], atol=1e-12)


def test_related_founders__result_is_positive_semidefinite() -> None:
    rng = np.random.default_rng(8)
    parents = random_pedigree(40, rng)
    founders = np.flatnonzero((parents < 0).all(axis=1))
    noise = rng.normal(0, 0.08, (len(founders), len(founders)))
    block, _ = founder_block(0.5 * np.eye(len(founders)) + (noise + noise.T) / 2)
    assert np.linalg.eigvalsh(block)[0] > -1e-10
    assert (np.diag(block) >= 0.5).all()
    found = kinship_with_related_founders(parents, founders, np.clip(block, 0, 1))
    assert np.linalg.eigvalsh(found)[0] > -1e-8


def test_founder_block__sets_doubtful_pairs_to_unrelated() -> None:
    k = np.array([[0.45, 0.2, 0.03], [0.2, 0.52, -0.04], [0.03, -0.04, 0.5]])
    block, lifted = founder_block(k, np.array([[True, False, True], [False, True, True], [True, True, True]]))
    np.testing.assert_allclose(block, [[0.5, 0.2, 0], [0.2, 0.52, 0], [0, 0, 0.5]])
    assert lifted == 0
    with pytest.raises(ShapeError, match="Expected the same"):
        founder_block(k, np.eye(2, dtype=bool))
    with pytest.raises(ShapeError, match="Expected a square table"):
        founder_block(np.ones(3))


def test_related_founders__raises() -> None:
    parents = np.array([[-1, -1], [-1, -1], [0, 1]], dtype=np.int32)
    with pytest.raises(ValueRangeError, match="a fish with a known parent among the founders"):
        kinship_with_related_founders(parents, [0, 2], np.eye(2) / 2)
    with pytest.raises(ValueRangeError, match="Pass it through founder_block first"):
        kinship_with_related_founders(parents, [0, 1], np.array([[0.5, 0.9], [0.9, 0.5]]))
    with pytest.raises(ShapeError, match=r"Expected \(2, 2\)"):
        kinship_with_related_founders(parents, [0, 1], np.eye(3))


# Factorial against single-pair crossing.


def test_factorial_and_single_pairs__same_gene_diversity() -> None:
    """Equal contributions of unrelated parents: mean kinship .1875 and gene diversity .8125 either way."""
    pairs = np.array([[-1, -1]] * 4 + [[0, 2]] * 2 + [[1, 3]] * 2, dtype=np.int32)
    factorial = np.array([[-1, -1]] * 4 + [[0, 2], [0, 3], [1, 2], [1, 3]], dtype=np.int32)
    for parents in (pairs, factorial):
        k = kinship_matrix(parents)[4:, 4:]
        assert k.mean() == pytest.approx(0.1875)
        assert 1 - k.mean() == pytest.approx(0.8125)
        without_self = (k.sum() - np.trace(k)) / 12
        assert without_self == pytest.approx(0.083333, abs=1e-6)
