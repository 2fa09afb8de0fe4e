"""Identity and exclusion against enumeration of every genotype."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from broodstock.diversity.identity import (
    combine_exclusion,
    combine_identity,
    exclusion_other_parent_known,
    exclusion_other_parent_unknown,
    exclusion_parent_pair,
    marker_power,
    probability_of_identity,
    probability_of_identity_sibs,
    probability_of_identity_unbiased,
)
from broodstock.errors import ShapeError, ValueRangeError

EQUAL_4 = [0.25] * 4
THREE = [0.6, 0.3, 0.1]


def genotypes(p: list[float]) -> list[tuple[tuple[int, int], float]]:
    """Return every genotype with its Hardy-Weinberg probability."""
    out = []
    for a, b in itertools.combinations_with_replacement(range(len(p)), 2):
        out.append(((a, b), p[a] * p[b] * (1 if a == b else 2)))
    return out


def gametes(g: tuple[int, int]) -> list[int]:
    return list(g)


def children(dam: tuple[int, int], sire: tuple[int, int]) -> list[tuple[int, int]]:
    """Return the four equally likely offspring."""
    return [tuple(sorted((a, b))) for a in gametes(dam) for b in gametes(sire)]


def compatible(child, parent) -> bool:
    return bool(set(child) & set(parent))


def compatible_pair(child, a, b) -> bool:
    return tuple(child) in children(a, b)


def enumerate_all(p: list[float]) -> dict[str, float]:
    g = genotypes(p)
    out = dict.fromkeys(["identity", "sibs", "known", "unknown", "pair"], 0.0)
    out["identity"] = sum(x * x for _, x in g)
    for (dam, pd), (sire, ps) in itertools.product(g, g):
        kids = children(dam, sire)
        same = sum(a == b for a in kids for b in kids) / 16
        out["sibs"] += pd * ps * same
        for kid in kids:
            w = pd * ps / 4
            for wrong, pw in g:
                out["known"] += w * pw * (not compatible_pair(kid, dam, wrong))
                out["unknown"] += w * pw * (not compatible(kid, wrong))
                for other, po in g:
                    out["pair"] += w * pw * po * (not compatible_pair(kid, wrong, other))
    return out


@pytest.mark.parametrize("p", [[0.5, 0.5], EQUAL_4, THREE, [0.9, 0.1], [0.4, 0.3, 0.2, 0.1]])
def test_identity_and_exclusion__every_genotype(p) -> None:
    # Waits et al. (2001), Molecular Ecology 10:249; Jamieson & Taylor (1997), Animal Genetics 28:397; formulas
    # from memory, here against the definition.
    expected = enumerate_all(p)
    f = np.array([p])
    assert probability_of_identity(f).values[0] == pytest.approx(expected["identity"], abs=1e-12)
    assert probability_of_identity_sibs(f).values[0] == pytest.approx(expected["sibs"], abs=1e-12)
    assert exclusion_other_parent_known(f).values[0] == pytest.approx(expected["known"], abs=1e-12)
    assert exclusion_other_parent_unknown(f).values[0] == pytest.approx(expected["unknown"], abs=1e-12)
    assert exclusion_parent_pair(f).values[0] == pytest.approx(expected["pair"], abs=1e-12)


def test_identity_and_exclusion__worked_values() -> None:
    f = np.array([[0.5, 0.5, 0, 0], EQUAL_4, [*THREE, 0]])
    np.testing.assert_allclose(probability_of_identity(f).values, [0.375, 0.109375, 0.2854])
    np.testing.assert_allclose(probability_of_identity_sibs(f).values, [0.59375, 0.40234375, 0.55135])
    np.testing.assert_allclose(exclusion_other_parent_known(f).values, [0.1875, 0.50390625, 0.27252])
    np.testing.assert_allclose(exclusion_other_parent_unknown(f).values, [0.125, 0.328125, 0.1458])
    np.testing.assert_allclose(exclusion_parent_pair(f).values, [0.28125, 0.6767578125, 0.412434])
    ten = np.full((1, 10), 0.1)
    assert probability_of_identity(ten).values[0] == pytest.approx(0.019)
    assert probability_of_identity_sibs(ten).values[0] == pytest.approx(0.30475)


@pytest.mark.parametrize(
    ("n", "identity", "sibs", "known", "unknown", "pair"),
    [
        (5, 1.565274e-5, 0.01054354, 0.969952, 0.863088, 0.996471),
        (10, 2.450082e-10, 1.111662e-4, 0.999097, 0.981255, 0.999988),
    ],
)
def test_combined_over_loci(n, identity, sibs, known, unknown, pair) -> None:
    f = np.tile(EQUAL_4, (n, 1))
    assert combine_identity(probability_of_identity(f)) == pytest.approx(identity, rel=1e-6)
    assert combine_identity(probability_of_identity_sibs(f)) == pytest.approx(sibs, rel=1e-6)
    assert combine_exclusion(exclusion_other_parent_known(f)) == pytest.approx(known, abs=1e-6)
    assert combine_exclusion(exclusion_other_parent_unknown(f)) == pytest.approx(unknown, abs=1e-6)
    assert combine_exclusion(exclusion_parent_pair(f)) == pytest.approx(pair, abs=1e-6)


def test_combined_over_loci__leaves_untyped_out() -> None:
    f = np.array([EQUAL_4, [0, 0, 0, 0]])
    assert combine_identity(probability_of_identity(f)) == pytest.approx(0.109375)
    assert combine_exclusion(exclusion_parent_pair(f)) == pytest.approx(0.6767578125)


def published_unbiased(counts: np.ndarray) -> float:
    """Formula with powers of the frequencies (Paetkau et al. 1998, from memory)."""
    n = float(counts.sum())
    a2, a3, a4 = (float(((counts / n) ** k).sum()) for k in (2, 3, 4))
    top = n**3 * (2 * a2**2 - a4) - 2 * n**2 * (a3 + 2 * a2) + n * (9 * a2 + 2) - 6
    return top / ((n - 1) * (n - 2) * (n - 3))


def test_unbiased_identity__equals_the_published_form() -> None:
    rng = np.random.default_rng(6)
    for _ in range(100):
        counts = rng.integers(0, 15, size=rng.integers(2, 7))
        if counts.sum() < 4:
            continue
        found = probability_of_identity_unbiased(counts[None]).values[0]
        assert found == pytest.approx(published_unbiased(counts), abs=1e-10)


@pytest.mark.parametrize("n", [4, 5, 6])
def test_unbiased_identity__mean_over_every_sample_is_the_truth(n) -> None:
    p = np.array(THREE)
    mean = 0.0
    for draw in itertools.product(range(3), repeat=n):
        counts = np.bincount(draw, minlength=3)
        mean += p[list(draw)].prod() * probability_of_identity_unbiased(counts[None]).values[0]
    assert mean == pytest.approx(0.2854, abs=1e-12)


def test_unbiased_identity__needs_four_copies() -> None:
    found = probability_of_identity_unbiased(np.array([[2, 1], [2, 2]]))
    assert found.valid.tolist() == [False, True]


def test_frequencies__refused() -> None:
    with pytest.raises(ValueRangeError, match=r"sum to 0\.8\. Expected 1\. Divide the counts"):
        probability_of_identity(np.array([[0.5, 0.3]]))
    with pytest.raises(ValueRangeError, match="below 0 or not a number"):
        probability_of_identity(np.array([[1.5, -0.5]]))
    with pytest.raises(ValueRangeError, match="below 0 or not a number"):
        exclusion_parent_pair(np.array([[np.nan, 1.0]]))
    with pytest.raises(ShapeError, match=r"Expected \(\.\.\., n_loci, max_alleles\)"):
        exclusion_other_parent_known(np.array([0.5, 0.5]))


def test_marker_power__values_and_intervals(random_set) -> None:
    found = marker_power(random_set(10, 80, 4, seed=31, missing=0.02), n_replicates=200)
    assert found.n_loci == 10
    for e in (
        found.identity,
        found.identity_unbiased,
        found.identity_sibs,
        found.exclusion_other_known,
        found.exclusion_other_unknown,
        found.exclusion_pair,
    ):
        assert 0 < e.low < e.value < e.high < 1
        assert "bootstrap over fish" in e.method
    assert found.identity_unbiased.value < found.identity.value < found.identity_sibs.value
    assert (
        found.exclusion_other_unknown.value < found.exclusion_other_known.value < found.exclusion_pair.value
    )


def test_marker_power__not_estimable(wrap_calls, random_set) -> None:
    blank = marker_power(wrap_calls(np.full((3, 6, 2), -1), 2))
    assert blank.identity.reason == "no neutral locus has two typed fish"
    none = marker_power(wrap_calls(random_set(2, 5).calls, 4, ["sex", "sex"]))
    assert none.exclusion_pair.reason == "the set has no neutral loci"


def test_marker_power__monomorphic_loci_tell_nothing(wrap_calls) -> None:
    found = marker_power(wrap_calls(np.zeros((4, 10, 2)), 2), n_replicates=50)
    assert found.identity.value == 1
    assert found.exclusion_pair.value == 0
