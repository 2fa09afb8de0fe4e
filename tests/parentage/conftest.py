"""Simulated families with known truth."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pytest

from broodstock.genotypes.genotype_set import GenotypeSet
from broodstock.parentage.error_model import ErrorModel
from broodstock.parentage.simulate import draw_offspring, draw_unrelated, genotype_set, read_with_errors


@dataclass(frozen=True)
class Families:
    """Parents first (dams, then sires), then offspring; parents beyond the candidates are unsampled."""

    genotypes: GenotypeSet
    frequencies: np.ndarray
    error: ErrorModel
    candidates: np.ndarray
    sex: np.ndarray
    offspring: np.ndarray
    pairs: np.ndarray

    def true_names(self, i: int) -> tuple[str | None, str | None]:
        known = set(self.candidates.tolist())
        dam, sire = (int(x) for x in self.pairs[i])
        name = self.genotypes.samples
        return (name[dam] if dam in known else None, name[sire] if sire in known else None)


@pytest.fixture(scope="session")
def make_families() -> Callable[..., Families]:
    def make(
        n_dams: int,
        n_sires: int,
        n_offspring: int,
        n_loci: int,
        n_alleles: int = 2,
        sampled: float = 1.0,
        substitution: float = 0.005,
        dropout: float = 0.0,
        missing: float = 0.03,
        seed: int = 1,
    ) -> Families:
        rng = np.random.default_rng(seed)
        if n_alleles == 2:
            minor = rng.uniform(0.1, 0.5, n_loci)
            p = np.stack([1 - minor, minor], axis=1)
        else:
            p = rng.dirichlet(np.full(n_alleles, 2.0), n_loci)
        n = n_dams + n_sires
        parents = draw_unrelated(p, n, rng)
        pairs = np.stack(
            [rng.integers(0, n_dams, n_offspring), n_dams + rng.integers(0, n_sires, n_offspring)], axis=1
        )
        young = draw_offspring(parents, pairs, rng)
        error = ErrorModel.uniform(n_loci, substitution, dropout)
        calls = read_with_errors(np.concatenate([parents, young], axis=1), p, error, missing, rng)
        keep_dams, keep_sires = round(n_dams * sampled), round(n_sires * sampled)
        candidates = np.concatenate([np.arange(keep_dams), n_dams + np.arange(keep_sires)])
        return Families(
            genotype_set(calls, n_alleles),
            p,
            error,
            candidates,
            (candidates >= n_dams).astype(np.int64),
            n + np.arange(n_offspring),
            pairs,
        )

    return make
