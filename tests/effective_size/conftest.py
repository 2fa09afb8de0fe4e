"""A Wright-Fisher population with two sexes, the oracle of the effective-size tests."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest


def breed(
    parents: np.ndarray, n_females: int, n_young: int, rng: np.random.Generator, pairs: bool = False
) -> np.ndarray:
    """Return young of random matings; fish 0..n_females-1 of `parents` (loci, fish, 2) are the females."""
    n_loci, n_parents = parents.shape[:2]
    dam = rng.integers(0, n_females, n_young)
    sire = dam + n_females if pairs else rng.integers(n_females, n_parents, n_young)
    rows = np.arange(n_loci)[:, None]
    maternal = parents[rows, dam[None, :], rng.integers(0, 2, (n_loci, n_young))]
    paternal = parents[rows, sire[None, :], rng.integers(0, 2, (n_loci, n_young))]
    return np.stack([maternal, paternal], axis=2)


def start(n_loci: int, n_fish: int, n_alleles: int, rng: np.random.Generator) -> np.ndarray:
    """Return unrelated fish with random allele frequencies."""
    frequency = rng.dirichlet(np.full(n_alleles, 2.0), n_loci)
    edges = frequency.cumsum(axis=1)[:, None, None, :-1]
    return (rng.random((n_loci, n_fish, 2))[..., None] > edges).sum(axis=3).astype(np.int16)


def wright_fisher(
    n_females: int,
    n_males: int,
    n_loci: int,
    n_sample: int,
    rng: np.random.Generator,
    generations: int = 6,
    n_alleles: int = 2,
    pairs: bool = False,
) -> np.ndarray:
    """Return the calls of a sample of young after some generations of the same numbers of parents."""
    fish = start(n_loci, n_females + n_males, n_alleles, rng)
    for _ in range(generations):
        fish = breed(fish, n_females, n_females + n_males, rng, pairs)
    return breed(fish, n_females, n_sample, rng, pairs)


@pytest.fixture
def wright_fisher_sample() -> Callable[..., np.ndarray]:
    return wright_fisher


@pytest.fixture
def breed_young() -> Callable[..., np.ndarray]:
    return breed


@pytest.fixture
def unrelated_fish() -> Callable[..., np.ndarray]:
    return start


def call_array(doses: list[list[int]]) -> np.ndarray:
    """Return calls (loci, fish, 2) whose copies of allele 1 are `doses` (loci, fish)."""
    x = np.array(doses)
    return np.stack([x >= 1, x == 2], axis=2).astype(np.int16)


@pytest.fixture
def calls_from_doses() -> Callable[..., np.ndarray]:
    return call_array
