"""Genotypes of families with known pedigrees, and every pair of genotypes at one locus."""

from __future__ import annotations

import itertools
from collections.abc import Callable

import numpy as np
import pytest

FREQUENCY = np.array([0.6, 0.3, 0.1])
GENOTYPES = [(0, 0), (0, 1), (0, 2), (1, 1), (1, 2), (2, 2)]
SHARING = {
    "unrelated": (1.0, 0.0, 0.0),
    "half sibs": (0.5, 0.5, 0.0),
    "full sibs": (0.25, 0.5, 0.25),
    "parent and young": (0.0, 1.0, 0.0),
}
"""Chances to share no, one and both genes of a locus by descent."""
RELATEDNESS = {"unrelated": 0.0, "half sibs": 0.25, "full sibs": 0.5, "parent and young": 0.5}


def pair_chances(relation: str) -> np.ndarray:
    """Return the chance of every ordered pair of genotypes, shape (6, 6), by enumerating genes."""
    none, one, both = SHARING[relation]
    at = {g: i for i, g in enumerate(GENOTYPES)}
    out = np.zeros((6, 6))
    for a, b, c, d in itertools.product(range(3), repeat=4):
        chance = FREQUENCY[[a, b, c, d]].prod()
        first = at[min(a, b), max(a, b)]
        out[first, at[min(c, d), max(c, d)]] += none * chance
        # Shared genes: the second fish takes gene a, or b, of the first; c is then its other gene.
        out[first, at[min(a, c), max(a, c)]] += one / 2 * chance
        out[first, at[min(b, c), max(b, c)]] += one / 2 * chance
        out[first, first] += both * chance
    assert out.sum() == pytest.approx(1)
    return out


@pytest.fixture
def enumeration() -> tuple[np.ndarray, np.ndarray, Callable[[str], np.ndarray], dict[str, float]]:
    """Frequencies, calls of the six genotypes as six fish at one locus, pair chances, relatedness."""
    return FREQUENCY[None], np.array([GENOTYPES], dtype=np.int16), pair_chances, RELATEDNESS


def drop_genes(parents: np.ndarray, frequency: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Drop founder genes down a pedigree at unlinked loci; return calls (n_loci, n_fish, 2)."""
    n_loci, n = len(frequency), len(parents)
    edges = frequency.cumsum(axis=1)[:, None, :-1]
    calls = (rng.random((n_loci, n, 2))[..., None] > edges[:, :, None, :]).sum(axis=3).astype(np.int16)
    for i, pair in enumerate(parents):
        for side, parent in enumerate(pair):
            if parent >= 0:
                calls[:, i, side] = calls[np.arange(n_loci), parent, rng.integers(0, 2, n_loci)]
    return calls


@pytest.fixture
def gene_drop() -> Callable[..., np.ndarray]:
    return drop_genes


@pytest.fixture
def family_pedigree() -> np.ndarray:
    """Eight founders, full and half sibs, an uncle's mating and an inbred young."""
    rows = [(-1, -1)] * 8 + [
        (0, 1),
        (0, 1),
        (0, 2),
        (3, 4),
        (3, 4),
        (5, -1),
        (8, 11),
        (9, 12),
        (8, 9),
        (14, 15),
    ]
    return np.array(rows, dtype=np.int32)
