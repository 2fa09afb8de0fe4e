"""How much ancestry is known; rates of inbreeding; inbreeding depression."""

from __future__ import annotations

import math

import numpy as np
import pytest

from broodstock.errors import ShapeError, ValueRangeError
from broodstock.pedigree.completeness import (
    fitness_ratio,
    individual_inbreeding_rate,
    pedigree_completeness,
)


def known_lines(parents, fish, generations):
    """All lines above a fish, walked one by one: share of ancestors known in each generation, per parent."""
    found = np.zeros((2, generations + 1))
    for side in range(2):
        level = [int(parents[fish, side])]
        for g in range(1, generations + 1):
            level = [p for p in level if p >= 0]
            found[side, g] = len(level) / 2**g
            level = [int(q) for p in level for q in parents[p]]
    return found


def test_known_share__six_animals(six_animals):
    # Known fraction k = (k_s + k_d) / 2, founders 1, unknown 0 (after Ballou & Lacy 1995; computed).
    np.testing.assert_allclose(pedigree_completeness(six_animals).known_share, [1, 1, 1, 0.5, 0.75, 0.875])


@pytest.mark.parametrize("seed", range(6))
def test_completeness__equals_walk_along_every_line(random_pedigree, seed):
    parents = random_pedigree(seed, n=40, known=0.75)
    for d in (1, 3, 5):
        found = pedigree_completeness(parents, d)
        for fish in range(40):
            lines = known_lines(parents, fish, 40 if d == 1 else d)
            if d == 1:
                assert found.complete_generations[fish] == pytest.approx(lines.sum(), abs=1e-12)
                reached = np.flatnonzero(lines.sum(axis=0))
                assert found.most_generations[fish] == (reached.max() if reached.size else 0)
                whole = lines.sum(axis=0)[1:] == 1
                assert found.full_generations[fish] == (whole.argmin() if not whole.all() else 40)
            c = lines[:, 1 : d + 1].sum(axis=1) / d
            index = 4 * c[0] * c[1] / c.sum() if c.sum() > 0 else 0.0
            assert found.index[fish] == pytest.approx(index, abs=1e-12)


def test_completeness_index__full_pedigree_is_one():
    parents = np.array([[-1, -1]] * 4 + [[0, 1], [2, 3], [4, 5]])
    found = pedigree_completeness(parents, 2)
    assert found.index[6] == 1
    assert found.complete_generations[6] == 2
    with pytest.raises(ValueRangeError, match="index_generations: found 0"):
        pedigree_completeness(parents, 0)


def test_individual_inbreeding_rate():
    # Gutierrez et al. 2009 (from memory): F = 0.25 after t = 3 gives 0.133975, Ne = 3.732051.
    rate = individual_inbreeding_rate([0.25, 0.0], [3.0, 0.0])
    assert rate[0] == pytest.approx(0.133975, abs=5e-7)
    assert 1 / (2 * rate[0]) == pytest.approx(3.732051, abs=5e-7)
    assert rate[1] == 0
    with pytest.raises(ValueRangeError, match="one generation of known ancestors"):
        individual_inbreeding_rate([0.25], [1.0])
    with pytest.raises(ShapeError, match="Expected that of F"):
        individual_inbreeding_rate([0.25], [1.0, 2.0])


@pytest.mark.parametrize(
    ("f", "equivalents", "ratio"),
    [(0.25, 3.14, 0.675366), (0.0625, 3.14, 0.906536), (0.25, 12, 0.223130), (0.125, 12, 0.472367)],
)
def test_fitness_ratio(f, equivalents, ratio):
    # Morton, Crow & Muller 1956; Ralls et al. 1988 (3.14 lethal equivalents; from memory).
    assert fitness_ratio(f, equivalents) == pytest.approx(ratio, abs=5e-7)
    assert fitness_ratio(f, equivalents) == pytest.approx(math.exp(-equivalents / 2 * f))


def test_fitness_ratio__raises():
    with pytest.raises(ValueRangeError, match="not between 0 and 1"):
        fitness_ratio([1.2], 3)
    with pytest.raises(ValueRangeError, match="lethal_equivalents: found -1"):
        fitness_ratio([0.2], -1)
