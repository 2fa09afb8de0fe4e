"""Principal components against scikit-allel and against distances between fish."""

from __future__ import annotations

import numpy as np
import pytest

from broodstock.diversity.amova import genotype_squared_distances
from broodstock.diversity.components import principal_components
from broodstock.errors import UsageError, ValueRangeError


@pytest.mark.parametrize(("scale", "scaler"), [("none", None), ("binomial", "patterson")])
def test_principal_components__agrees_with_scikit_allel(random_set, scale, scaler) -> None:
    allel = pytest.importorskip("allel")
    genotypes = random_set(80, 30, 2, seed=71, missing=0)
    copies = (genotypes.calls == 1).sum(axis=-1)
    varies = (copies != copies[:, :1]).any(axis=1)
    reference, model = allel.pca(copies[varies], n_components=3, scaler=scaler)
    found = principal_components(genotypes, 3, scale)
    for k in range(3):
        sign = np.sign(reference[:, k] @ found.coordinates[:, k])
        # scikit-allel works in single precision.
        np.testing.assert_allclose(found.coordinates[:, k], sign * reference[:, k], atol=1e-2)
    np.testing.assert_allclose(found.explained, model.explained_variance_ratio_, rtol=1e-3)


def test_principal_components__all_axes_keep_distances_between_fish(random_set) -> None:
    genotypes = random_set(12, 10, 4, seed=72, missing=0)
    found = principal_components(genotypes, 10)
    x = found.coordinates
    distances = ((x[:, None] - x) ** 2).sum(axis=-1)
    np.testing.assert_allclose(distances, genotype_squared_distances(genotypes), atol=1e-9)
    assert found.explained.sum() == pytest.approx(1)
    assert (np.diff(found.explained) <= 1e-12).all()


def test_principal_components__separates_groups(wrap_calls) -> None:
    rng = np.random.default_rng(73)
    calls = np.concatenate([(rng.random((60, 20, 2)) < p).astype(int) for p in (0.2, 0.8)], axis=1)
    first = principal_components(wrap_calls(calls, 2), 2).coordinates[:, 0]
    assert (first[:20].max() < first[20:].min()) or (first[20:].max() < first[:20].min())


def test_principal_components__says_what_was_imputed(random_set, wrap_calls) -> None:
    genotypes = random_set(10, 12, 3, seed=74, missing=0)
    calls = genotypes.calls.copy()
    calls[2, 4] = calls[3, 5] = -1
    calls[:, 11] = -1
    found = principal_components(wrap_calls(calls, 3), 2)
    assert found.left_out == ("LF-0011",)
    assert len(found.samples) == 11
    assert found.n_imputed == 2
    assert found.share_imputed == pytest.approx(2 / 110)
    assert "2 of 110 calls missing and set to the mean" in found.method


def test_principal_components__imputed_call_has_no_weight(wrap_calls) -> None:
    calls = np.array([[[0, 0], [1, 1], [-1, -1]], [[0, 1], [0, 1], [0, 1]]])
    found = principal_components(wrap_calls(calls, 2), 2)
    assert found.coordinates.shape == (3, 1)
    np.testing.assert_allclose(sorted(found.coordinates[:, 0]), [-1, 0, 1], atol=1e-12)
    assert found.alleles == (("Lyp000", "a1"),)


def test_principal_components__order_of_fish(random_set) -> None:
    genotypes = random_set(20, 15, 3, seed=75)
    order = np.random.default_rng(1).permutation(15)
    one = principal_components(genotypes, 3)
    two = principal_components(genotypes.take(order), 3)
    np.testing.assert_allclose(one.coordinates[order], two.coordinates, atol=1e-9)


def test_principal_components__refusals(random_set, wrap_calls) -> None:
    genotypes = random_set(5, 6, 3)
    with pytest.raises(UsageError, match="found 0 axes"):
        principal_components(genotypes, 0)
    with pytest.raises(UsageError, match="found scale='patterson'"):
        principal_components(genotypes, 2, "patterson")
    with pytest.raises(ValueRangeError, match="found 0 fish with calls"):
        principal_components(wrap_calls(np.full((2, 3, 2), -1), 2))
    with pytest.raises(ValueRangeError, match="no locus that varies"):
        principal_components(wrap_calls(np.zeros((2, 3, 2)), 2))
