from __future__ import annotations

import numpy as np
import pytest

from broodstock.errors import ValueRangeError
from broodstock.pedigree.kinship import kinship_matrix
from broodstock.relatedness.blend import kinship_with_related_founders
from broodstock.relatedness.founders import founder_kinship

# Forty fish caught in the wild: four full-sib families of three, the rest unrelated; then their young.
HIDDEN = np.array([[-1, -1]] * 36 + [[2 * f, 2 * f + 1] for f in range(4) for _ in range(3)], dtype=np.int32)
CAUGHT = np.r_[8:36, 36:48]


def test_founder_kinship__finds_the_hidden_families(gene_drop) -> None:
    rng = np.random.default_rng(1)
    calls = gene_drop(HIDDEN, rng.dirichlet(np.full(6, 3.0), 80), rng)[:, CAUGHT]
    truth = kinship_matrix(HIDDEN)[np.ix_(CAUGHT, CAUGHT)]
    found = founder_kinship(calls, n_bootstrap=150)
    pairs = np.triu_indices(40, 1)
    sibs = truth[pairs] == 0.25
    assert found.related[pairs][sibs].all()
    assert found.related[pairs][~sibs].mean() < 0.02
    np.testing.assert_allclose(found.block[pairs][sibs].mean(), 0.25, atol=0.03)
    assert np.linalg.eigvalsh(found.block)[0] > -1e-10
    assert (np.diag(found.block) >= 0.5).all()


def test_founder_kinship__handed_down_is_closer_to_the_truth_than_unrelated_founders(gene_drop) -> None:
    rng = np.random.default_rng(2)
    crosses = [[a, b] for a, b in rng.integers(0, 40, (60, 2)) if a != b]
    young = np.array([[CAUGHT[a], CAUGHT[b]] for a, b in crosses], dtype=np.int32)
    whole = np.concatenate([HIDDEN, young])
    truth = kinship_matrix(whole)[48:, 48:]
    calls = gene_drop(HIDDEN, rng.dirichlet(np.full(6, 3.0), 80), rng)[:, CAUGHT]
    known = np.concatenate([np.full((40, 2), -1), crosses]).astype(np.int32)
    block = founder_kinship(calls, n_bootstrap=150).block
    handed_down = kinship_with_related_founders(known, np.arange(40), block)[40:, 40:]
    plain = kinship_matrix(known)[40:, 40:]
    assert ((handed_down - truth) ** 2).mean() < 0.5 * ((plain - truth) ** 2).mean()


def test_founder_kinship__zero_can_be_moved(gene_drop) -> None:
    rng = np.random.default_rng(3)
    calls = gene_drop(HIDDEN, rng.dirichlet(np.full(6, 3.0), 60), rng)[:, CAUGHT]
    lower, plain = (
        founder_kinship(calls, unrelated=-0.02, n_bootstrap=60),
        founder_kinship(calls, n_bootstrap=60),
    )
    np.testing.assert_allclose(lower.raw.kinship, (plain.raw.kinship + 0.02) / 1.02)
    with pytest.raises(ValueRangeError, match="found a least kinship of 1"):
        founder_kinship(calls, least=1)
