"""Hybrid index, classes of crosses, assignment to groups."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import optimize

from broodstock.errors import ShapeError, UsageError, ValueRangeError
from broodstock.genotypes.genotype_set import Locus
from broodstock.genotypes.quality.hybrid_index import hybrid_calls, hybrid_index
from broodstock.genotypes.quality.population_assignment import assign_to_groups, genotype_probability
from broodstock.parentage.simulate import draw_offspring, draw_unrelated, genotype_set


def _index(x, p, q):
    x = np.asarray(x)
    return hybrid_index(x, np.full(len(x), 2), np.asarray(p, float), np.asarray(q, float))


@pytest.mark.parametrize(
    ("x", "p", "q", "expected"),
    [
        ([1] * 10, [1] * 10, [0] * 10, (0.5, 0.29102, 0.70898)),
        ([2] * 3 + [1] * 7, [1] * 10, [0] * 10, (0.65, 0.432101, 0.831669)),
        (
            [1, 2, 1, 0, 2, 1],
            [0.9, 0.8, 0.95, 0.7, 0.9, 0.85],
            [0.1, 0.3, 0.05, 0.2, 0.2, 0.1],
            (0.61817, 0.22182, 0.95048),
        ),
    ],
)
def test_hybrid_index__equals_published(x, p, q, expected):
    """Buerkle (2005), Molecular Ecology Notes 5, 684: formula from memory, values recomputed."""
    found = _index(x, p, q)
    assert (found.value, found.low, found.high) == pytest.approx(expected, abs=6e-6)


def test_hybrid_index__equals_general_optimiser():
    rng = np.random.default_rng(1)
    for _ in range(5):
        p, q, x = rng.uniform(0.5, 0.99, 20), rng.uniform(0.01, 0.5, 20), rng.integers(0, 3, 20)

        def cost(h, p=p, q=q, x=x):
            f = h * p + (1 - h) * q
            return -(x * np.log(f) + (2 - x) * np.log(1 - f)).sum()

        best = optimize.minimize_scalar(cost, bounds=(0, 1), method="bounded", options={"xatol": 1e-9})
        assert _index(x, p, q).value == pytest.approx(best.x, abs=1e-6)


def test_hybrid_index__pure_fish_and_their_limits():
    pure = _index([0] * 12, [1] * 12, [0] * 12)
    assert (pure.value, pure.low) == (0.0, 0.0)
    assert pure.high == pytest.approx(1 - math.exp(-1.92 / 24), abs=1e-9)
    other = _index([2] * 12, [1] * 12, [0] * 12)
    assert (other.value, other.high) == (1.0, 1.0)
    assert other.low == pytest.approx(1 - pure.high, abs=1e-9)


def test_hybrid_index__swapping_the_species_mirrors_it():
    rng = np.random.default_rng(2)
    p, q, x = rng.uniform(0.5, 0.99, 15), rng.uniform(0.01, 0.5, 15), rng.integers(0, 3, 15)
    one, two = _index(x, p, q), _index(x, q, p)
    assert (two.value, two.low, two.high) == pytest.approx(
        (1 - one.value, 1 - one.high, 1 - one.low), abs=1e-6
    )


def test_hybrid_index__not_estimable_and_errors():
    nothing = hybrid_index(np.zeros(3), np.zeros(3), np.ones(3), np.zeros(3))
    assert nothing.text() == "not estimable because no locus that tells the species apart is typed"
    assert not _index([1], [0.5], [0.5]).estimable
    with pytest.raises(ShapeError, match=r"Expected equal shapes"):
        hybrid_index(np.zeros(3), np.zeros(2), np.ones(3), np.zeros(3))
    with pytest.raises(ValueRangeError, match=r"more foreign genes than genes"):
        hybrid_index(np.array([3]), np.array([2]), np.ones(1), np.zeros(1))


def _diagnostic(calls, foreign="2"):
    genotypes = genotype_set(calls, 2)
    loci = tuple(Locus(x.name, role="diagnostic", foreign_allele=foreign) for x in genotypes.loci)
    return replace(genotypes, loci=loci)


@pytest.fixture(scope="module")
def crosses():
    """Two species fixed at 60 loci and their crosses, ten fish each."""
    rng = np.random.default_rng(3)
    own, other = np.zeros((60, 1, 2), np.int16), np.ones((60, 1, 2), np.int16)
    pair = np.tile([0, 1], (10, 1))
    f1 = draw_offspring(np.concatenate([own, other], axis=1), pair, rng)
    f2 = draw_offspring(f1[:, :2], pair, rng)
    back = draw_offspring(np.concatenate([f1[:, :1], own], axis=1), pair, rng)
    second = draw_offspring(np.concatenate([back[:, :1], own], axis=1), pair, rng)
    return {
        "own species": np.repeat(own, 10, axis=1),
        "other species": np.repeat(other, 10, axis=1),
        "first-generation hybrid": f1,
        "second-generation hybrid": f2,
        "backcross to own species": back,
        "second backcross to own species": second,
    }


def test_hybrid_calls__name_the_class(crosses):
    for name, calls in crosses.items():
        found = hybrid_calls(_diagnostic(calls))
        right = sum(c.word == name for c in found)
        assert right >= (10 if name in ("own species", "other species", "first-generation hybrid") else 7)
        assert all(sum(c.posterior.values()) == pytest.approx(1.0) for c in found)
        assert all(c.flagged == (name != "own species") for c in found)


def test_hybrid_calls__mean_index_and_interclass_follow_theory(crosses):
    """Expected index and interclass heterozygosity: F1 (.5, 1), F2 (.5, .5), backcross (.25, .5)."""
    theory = {
        "first-generation hybrid": (0.5, 1.0),
        "second-generation hybrid": (0.5, 0.5),
        "backcross to own species": (0.25, 0.5),
    }
    for name, (index, interclass) in theory.items():
        found = hybrid_calls(_diagnostic(crosses[name]))
        assert np.mean([c.index.value for c in found]) == pytest.approx(index, abs=0.05)
        assert np.mean([c.interclass.value for c in found]) == pytest.approx(interclass, abs=0.08)


def test_hybrid_calls__a_single_misread_gene_is_not_a_hybrid():
    calls = np.zeros((12, 2, 2), dtype=np.int16)
    calls[0, 0, 1] = 1
    found = hybrid_calls(_diagnostic(calls))
    assert not found[0].flagged
    assert found[0].word in ("own species", "own species, not certain")
    assert found[1].word == "own species"


def test_hybrid_calls__untyped_and_without_diagnostic_loci():
    calls = np.full((5, 1, 2), -1, dtype=np.int16)
    found = hybrid_calls(_diagnostic(calls))[0]
    assert (found.word, found.flagged, found.n_typed) == ("not testable", False, 0)
    assert not found.index.estimable
    assert hybrid_calls(genotype_set(np.zeros((3, 1, 2), np.int16), 2))[0].word == "not testable"
    assert (
        hybrid_calls(_diagnostic(np.zeros((12, 1, 2), np.int16), foreign="not seen"))[0].word == "own species"
    )
    with pytest.raises(UsageError, match=r"a posterior above 0.5"):
        hybrid_calls(_diagnostic(calls), certain_at=0.2)


def test_genotype_probability__equals_published():
    """Rannala & Mountain (1997), PNAS 94, 9197, counts 12, 6, 2: formula from memory, values recomputed."""
    counts = [12, 6, 2]
    expected = {
        (0, 0): 0.355940,
        (0, 1): 0.338143,
        (0, 2): 0.124579,
        (1, 1): 0.100529,
        (1, 2): 0.063973,
        (2, 2): 0.016835,
    }
    total = 0.0
    for a, b in itertools.combinations_with_replacement(range(3), 2):
        p = float(genotype_probability(counts[a], counts[b], 20, a == b, 3))
        assert p == pytest.approx(expected[a, b], abs=6e-7)
        total += p
    assert total == pytest.approx(1.0, abs=1e-12)


def test_assign_to_groups__equals_formula_and_leaves_itself_out():
    calls = np.array([[[0, 0], [0, 1], [1, 1], [1, 2], [0, 2]]], dtype=np.int16)
    genotypes = genotype_set(calls, 3)
    found = assign_to_groups(genotypes, {"one": [0, 1], "two": [2, 3]}, [0, 4])
    left_out = genotype_probability(1, 1, 2, True, 3)
    assert found.log_probability[0, 0] == pytest.approx(math.log(left_out), abs=1e-12)
    assert found.log_probability[0, 1] == pytest.approx(
        math.log(genotype_probability(0, 0, 4, True, 3)), abs=1e-12
    )
    assert found.log_probability[1, 0] == pytest.approx(
        math.log(genotype_probability(3, 0, 4, False, 3)), abs=1e-12
    )
    np.testing.assert_allclose(found.posterior.sum(axis=1), 1.0)


def test_assign_to_groups__recovers_simulated_groups():
    rng = np.random.default_rng(4)
    p = [rng.dirichlet(np.full(6, 1.5), 30) for _ in range(3)]
    calls = np.concatenate([draw_unrelated(x, 30, rng) for x in p], axis=1)
    members = {str(g): list(range(30 * g, 30 * g + 30)) for g in range(3)}
    found = assign_to_groups(genotype_set(calls, 6), members)
    assert (found.posterior.argmax(axis=1) == np.repeat([0, 1, 2], 30)).mean() >= 0.97


def test_assign_to_groups__untyped_sample_and_empty_group():
    calls = np.array([[[0, 0], [-1, -1]]], dtype=np.int16)
    found = assign_to_groups(genotype_set(calls, 1), {"a": [0], "b": [1]})
    np.testing.assert_allclose(found.posterior[1], [0.5, 0.5])
    assert found.n_typed.tolist() == [1, 0]
    with pytest.raises(UsageError, match=r"group 'b' without samples"):
        assign_to_groups(genotype_set(calls, 1), {"a": [0], "b": []})
