from __future__ import annotations

import numpy as np
import pytest

from broodstock.errors import UsageError
from broodstock.genotypes.genotype_set import GenotypeSet, Locus
from broodstock.pedigree.kinship import kinship_matrix
from broodstock.relatedness import uncertainty
from broodstock.relatedness.allele_sharing import allele_sharing_kinship
from broodstock.relatedness.blend import blended_kinship
from broodstock.relatedness.moments import lynch_ritland_relatedness
from broodstock.relatedness.uncertainty import kinship_with_uncertainty

ALL = ["allele sharing", "genomic", "lynch-ritland", "queller-goodnight", "wang", "robust", "loiselle"]


@pytest.mark.parametrize("estimator", ALL)
def test_uncertainty__every_estimator_gives_symmetric_ordered_tables(estimator: str) -> None:
    rng = np.random.default_rng(1)
    calls = rng.integers(0, 2, (60, 7, 2)).astype(np.int16)
    calls[rng.random((60, 7)) < 0.05] = -1
    found = kinship_with_uncertainty(calls, estimator, n_bootstrap=60)  # type: ignore[arg-type]
    for table in (found.kinship, found.standard_error, found.lower, found.upper):
        assert table.shape == (7, 7)
        np.testing.assert_allclose(table, table.T, atol=1e-12)
        assert np.isfinite(table).all()
    pairs = np.triu_indices(7, 1)
    assert (found.lower[pairs] <= found.upper[pairs]).all()
    assert (found.standard_error[pairs] > 0).all()
    assert found.n_loci == 60
    assert found.method == f"{estimator}; percentiles of a bootstrap over loci"


def test_uncertainty__estimate_is_that_of_the_estimator() -> None:
    calls = np.random.default_rng(2).integers(0, 4, (20, 6, 2)).astype(np.int16)
    found = kinship_with_uncertainty(calls, n_bootstrap=50)
    np.testing.assert_allclose(found.kinship, allele_sharing_kinship(calls))
    found = kinship_with_uncertainty(calls, "lynch-ritland", n_bootstrap=50)
    np.testing.assert_allclose(found.kinship, lynch_ritland_relatedness(calls) / 2)


def test_uncertainty__weights_equal_repeating_loci(monkeypatch: pytest.MonkeyPatch) -> None:
    """A whole-number weight is the same as typing the locus that many times."""
    rng = np.random.default_rng(3)
    calls = rng.integers(0, 2, (15, 5, 2)).astype(np.int16)
    p = rng.dirichlet([4, 4], 15)
    weight = rng.integers(1, 4, 15)
    for name, of in uncertainty._KINSHIP.items():
        given = None if name in ("allele sharing", "robust") else p
        table = uncertainty.locus_table(calls, given)
        repeated = uncertainty.locus_table(
            np.repeat(calls, weight, axis=0), None if given is None else np.repeat(p, weight, axis=0)
        )
        np.testing.assert_allclose(
            of(table, weight.astype(float)), of(repeated, np.ones(weight.sum())), atol=1e-12
        )


def test_uncertainty__standard_error_is_the_spread_over_new_sets_of_loci(gene_drop, family_pedigree) -> None:
    rng = np.random.default_rng(4)
    estimates, errors = [], []
    for k in range(120):
        p = rng.dirichlet(np.full(4, 3.0), 60)
        calls = gene_drop(family_pedigree, p, rng)
        found = kinship_with_uncertainty(calls, "loiselle", frequency=p, n_bootstrap=50, seed=k)
        estimates.append(found.kinship)
        errors.append(found.standard_error)
    spread = np.std(estimates, axis=0, ddof=1)
    assert np.mean(np.mean(errors, axis=0) / spread) == pytest.approx(1, abs=0.06)


@pytest.mark.parametrize("n_sets", [20, pytest.param(150, marks=pytest.mark.slow)])
@pytest.mark.parametrize("estimator", ["genomic", "loiselle", "wang"])
def test_uncertainty__limits_hold_the_pedigree_kinship(
    gene_drop, family_pedigree, estimator: str, n_sets: int
) -> None:
    """Unlinked loci are separate draws of the family tree: limits hold its kinship in about 95 % of pairs."""
    rng, truth = np.random.default_rng(5), kinship_matrix(family_pedigree)
    outbred = np.flatnonzero(np.diag(truth) == 0.5)
    pairs = np.ix_(outbred, outbred)
    use = np.triu_indices(len(outbred), 1)
    hits = []
    for k in range(n_sets):
        p = rng.dirichlet(np.full(4, 3.0), 80)
        found = kinship_with_uncertainty(
            gene_drop(family_pedigree, p, rng),
            estimator,
            frequency=p,
            n_bootstrap=150,
            seed=k,  # type: ignore[arg-type]
        )
        inside = (found.lower <= truth) & (truth <= found.upper)
        hits.append(inside[pairs][use].mean())
    assert 0.90 <= np.mean(hits) <= 0.99


def test_uncertainty__normal_limits_when_draws_do_not_fit(monkeypatch: pytest.MonkeyPatch) -> None:
    calls = np.random.default_rng(6).integers(0, 3, (40, 5, 2)).astype(np.int16)
    kept = kinship_with_uncertainty(calls, n_bootstrap=400, seed=2)
    monkeypatch.setattr(uncertainty, "_MOST_KEPT", 0)
    streamed = kinship_with_uncertainty(calls, n_bootstrap=400, seed=2)
    assert streamed.method == "allele sharing; normal limits from a bootstrap over loci"
    np.testing.assert_allclose(streamed.standard_error, kept.standard_error, atol=1e-12)
    np.testing.assert_allclose(streamed.upper - streamed.kinship, 1.959964 * kept.standard_error, atol=1e-6)


def test_uncertainty__carried_through_the_blend() -> None:
    """Relatives of genotyped fish get limits too; fish without any stay at their pedigree kinship."""
    rng = np.random.default_rng(7)
    parents = np.array([[-1, -1]] * 6 + [[0, 1], [2, 3], [4, 5], [6, 7], [8, -1]], dtype=np.int32)
    genotyped = np.array([6, 7, 9])
    calls = rng.integers(0, 3, (50, 3, 2)).astype(np.int16)
    found = kinship_with_uncertainty(
        calls, n_bootstrap=80, then=lambda k: blended_kinship(parents, genotyped, k, match_base=True).kinship
    )
    assert found.kinship.shape == (11, 11)
    truth = kinship_matrix(parents)
    assert found.standard_error[0, 2] > 0
    np.testing.assert_allclose(found.standard_error[np.ix_([4, 5, 8, 10], [4, 5, 8, 10])], 0, atol=1e-12)
    np.testing.assert_allclose(
        found.kinship[np.ix_([4, 5, 8, 10], [4, 5, 8, 10])], truth[np.ix_([4, 5, 8, 10], [4, 5, 8, 10])]
    )


def test_as_probabilities__cuts_to_what_a_plan_can_use() -> None:
    calls = np.random.default_rng(8).integers(0, 3, (30, 6, 2)).astype(np.int16)
    raw = kinship_with_uncertainty(calls, n_bootstrap=60)
    cut = raw.as_probabilities()
    for table in (cut.kinship, cut.lower, cut.upper):
        assert table.min() >= 0
        assert table.max() <= 1
        assert (np.diag(table) >= 0.5).all()
    assert (cut.lower <= cut.kinship + 1e-12).all()
    assert raw.lower.min() < 0


def test_uncertainty__whole_linkage_groups_are_drawn_together() -> None:
    """Copies of a locus on one group add nothing: the error is that of the single locus."""
    rng = np.random.default_rng(9)
    single = rng.integers(0, 4, (12, 5, 2)).astype(np.int16)
    calls = np.repeat(single, 4, axis=0)
    loci = tuple(Locus(f"L{i}", linkage_group=f"G{i // 4}") for i in range(48))
    data = GenotypeSet(tuple(f"T{i}" for i in range(5)), loci, (("a", "b", "c", "d"),) * 48, calls)
    grouped = kinship_with_uncertainty(data, n_bootstrap=100, seed=1, by_linkage_group=True)
    alone = kinship_with_uncertainty(single, n_bootstrap=100, seed=1)
    ungrouped = kinship_with_uncertainty(data, n_bootstrap=100, seed=1)
    np.testing.assert_allclose(grouped.standard_error, alone.standard_error, rtol=0.35)
    assert ungrouped.standard_error[0, 1] < 0.7 * grouped.standard_error[0, 1]
    assert grouped.method.endswith("over linkage groups")
    with pytest.raises(UsageError, match="Expected a genotype set, which records the groups"):
        kinship_with_uncertainty(calls, by_linkage_group=True)


def test_uncertainty__raises_on_settings() -> None:
    calls = np.random.default_rng(2).integers(0, 4, (20, 6, 2)).astype(np.int16)
    with pytest.raises(UsageError, match=r"estimator: found 'guess'\. Expected one of 'allele sharing'"):
        kinship_with_uncertainty(calls, "guess")  # type: ignore[arg-type]
    with pytest.raises(UsageError, match="and 10 draws"):
        kinship_with_uncertainty(calls, n_bootstrap=10)


def test_uncertainty__same_seed_same_tables() -> None:
    calls = np.random.default_rng(2).integers(0, 4, (20, 6, 2)).astype(np.int16)
    a, b = (kinship_with_uncertainty(calls, n_bootstrap=50, seed=4) for _ in range(2))
    np.testing.assert_array_equal(a.upper, b.upper)
