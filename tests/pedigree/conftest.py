"""Pedigrees and slow, obvious versions that the tests of this folder share."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import cache
from itertools import product

import numpy as np
import pytest

RandomPedigree = Callable[..., np.ndarray]


@pytest.fixture(scope="session")
def random_pedigree() -> RandomPedigree:
    """Maker of random pedigrees with founders, fish with one known parent, selfing-free matings."""

    def make(seed: int, n: int = 60, known: float = 0.85, founders: int = 4, reach: int = 40) -> np.ndarray:
        rng = np.random.default_rng(seed)
        parents = np.full((n, 2), -1, np.int32)
        for i in range(founders, n):
            dam, sire = rng.choice(np.arange(max(0, i - reach), i), 2, replace=False)
            parents[i] = [dam if rng.random() < known else -1, sire if rng.random() < known else -1]
        return parents

    return make


@pytest.fixture(scope="session")
def slow_kinship() -> Callable[[np.ndarray], np.ndarray]:
    """Kinship by its recursive definition: replace the younger of two fish by its parents."""

    def compute(parents: np.ndarray) -> np.ndarray:
        @cache
        def f(a: int, b: int) -> float:
            if a < 0 or b < 0:
                return 0.0
            if a == b:
                return 0.5 * (1 + f(*map(int, parents[a])))
            young, old = max(a, b), min(a, b)
            dam, sire = map(int, parents[young])
            return 0.5 * (f(dam, old) + f(sire, old))

        n = len(parents)
        return np.array([[f(i, j) for j in range(n)] for i in range(n)]).reshape(n, n)

    return compute


@pytest.fixture(scope="session")
def sgkit_pedigree() -> Callable[[np.ndarray], object]:
    """Maker of the data set that sgkit takes as a pedigree."""

    def make(parents: np.ndarray) -> object:
        import xarray

        ds = xarray.Dataset()
        ds["sample_id"] = "samples", [f"S{i}" for i in range(len(parents))]
        ds["parent"] = ("samples", "parents"), np.asarray(parents, np.int64)
        return ds

    return make


@pytest.fixture(scope="session")
def six_animals() -> np.ndarray:
    """Six animals of Mrode, Linear Models for the Prediction of Animal Breeding Values (3rd ed.), Table 2.1."""
    return np.array([[-1, -1], [-1, -1], [0, 1], [0, -1], [3, 2], [4, 1]], np.int32)


@pytest.fixture(scope="session")
def three_living() -> np.ndarray:
    """Founders A-D; e, g = A x B; h = C x D; living i, j = e x h and k = g x h (rows 7, 8, 9)."""
    return np.array(
        [[-1, -1]] * 4 + [[0, 1], [0, 1], [2, 3], [4, 6], [4, 6], [5, 6]],
        np.int32,
    )


@pytest.fixture(scope="session")
def every_drop() -> Callable[[np.ndarray], Iterator[np.ndarray]]:
    """All equally likely outcomes of a gene drop in a small pedigree, genes (n_fish, 2)."""

    def outcomes(parents: np.ndarray) -> Iterator[np.ndarray]:
        taken = [(i, side) for i, pair in enumerate(parents) for side, p in enumerate(pair) if p >= 0]
        assert len(taken) <= 14
        for choice in product((0, 1), repeat=len(taken)):
            genes = np.array([[2 * i, 2 * i + 1] for i in range(len(parents))])
            for (i, side), pick in zip(taken, choice, strict=True):
                genes[i, side] = genes[parents[i, side], pick]
            yield genes

    return outcomes
