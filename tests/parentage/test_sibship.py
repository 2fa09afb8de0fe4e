"""Families of wild larvae: recovered from simulated samples, with support that means what it says."""

from __future__ import annotations

import numpy as np
import pytest

from broodstock.errors import UsageError
from broodstock.parentage.error_model import ErrorModel
from broodstock.parentage.sibship import SibshipSettings, reconstruct_sibships, sib_probabilities
from broodstock.parentage.simulate import draw_offspring, draw_unrelated, genotype_set, read_with_errors

SHORT = SibshipSettings(chains=1, burn_in=8, samples=12)


def _season(n_dams, n_sires, n_larvae, n_loci, seed, n_alleles=2, most_mates=3):
    """A spawning season: each dam mates with one to three sires, families of very unequal size."""
    rng = np.random.default_rng(seed)
    if n_alleles == 2:
        minor = rng.uniform(0.1, 0.5, n_loci)
        p = np.stack([1 - minor, minor], axis=1)
    else:
        p = rng.dirichlet(np.full(n_alleles, 2.0), n_loci)
    parents = draw_unrelated(p, n_dams + n_sires, rng)
    matings = np.array(
        [
            (d, n_dams + s)
            for d in range(n_dams)
            for s in rng.choice(n_sires, rng.integers(1, most_mates + 1), replace=False)
        ]
    )
    share = rng.gamma(1.0, size=len(matings))
    pairs = matings[rng.choice(len(matings), n_larvae, p=share / share.sum())]
    young = draw_offspring(parents, pairs, rng)
    calls = read_with_errors(young, p, ErrorModel.uniform(n_loci, 0.005), 0.03, rng)
    return genotype_set(calls, n_alleles), p, pairs


def _true_sibs(pairs):
    same = pairs[:, None, :] == pairs[None, :, :]
    full = same.all(axis=2)
    np.fill_diagonal(full, False)
    return full, same[..., 0] != same[..., 1]


def _named_sibs(found):
    n = len(found.offspring)
    row = {name: i for i, name in enumerate(found.offspring)}
    full, any_sib = np.zeros((n, n), bool), np.zeros((n, n), bool)
    for group, table in ((found.families, full), (found.parents, any_sib)):
        for x in group:
            at = [row[name] for name in (x.members if table is full else x.offspring)]
            table[np.ix_(at, at)] = True
    np.fill_diagonal(full, False)
    np.fill_diagonal(any_sib, False)
    return full, any_sib & ~full


def _agreement(found, truth):
    """Share of true pairs found, and share of found pairs that are true."""
    hits = (found & truth).sum()
    return hits / max(truth.sum(), 1), hits / max(found.sum(), 1)


@pytest.fixture(scope="module")
def season():
    genotypes, p, pairs = _season(12, 12, 80, 120, 1)
    return genotypes, p, pairs, reconstruct_sibships(genotypes, frequencies=p, settings=SHORT)


@pytest.mark.slow
def test_sibships__families_and_parents_are_recovered(season):
    _, _, pairs, found = season
    full, half = _named_sibs(found)
    true_full, true_half = _true_sibs(pairs)
    for mine, truth, least in ((full, true_full, 0.98), (half, true_half, 0.95)):
        recall, precision = _agreement(mine, truth)
        assert recall >= least
        assert precision >= least
    n_parents = len(np.unique(pairs))
    assert found.n_parents.low - 2 <= n_parents <= found.n_parents.high + 2


@pytest.mark.slow
def test_sibships__answer_is_one_consistent_network(season):
    _, _, _, found = season
    members = [name for f in found.families for name in f.members]
    assert sorted(members) == sorted(found.offspring)
    side = {x.name: x.side for x in found.parents}
    of = {x.name: set(x.offspring) for x in found.parents}
    for family in found.families:
        assert {side[name] for name in family.parents} == {0, 1}
        assert set(family.members) == of[family.parents[0]] & of[family.parents[1]]
    sizes = [len(f.members) for f in found.families]
    assert sizes == sorted(sizes, reverse=True)
    for parent in found.parents:
        assert parent.offspring
        assert all(parent.name in f.parents for f in found.families if f.name in parent.families)


@pytest.mark.slow
def test_sibships__support_is_high_and_right(season):
    _, _, pairs, found = season
    true_full, _ = _true_sibs(pairs)
    sure = np.triu(found.full_sib >= 0.95, 1)
    assert sure.sum() > 50
    assert true_full[sure].mean() >= 0.99
    never = np.triu(found.full_sib <= 0.05, 1)
    assert true_full[never].mean() <= 0.002
    np.testing.assert_allclose(found.full_sib, found.full_sib.T)
    assert (found.full_sib + found.half_sib <= 1 + 1e-9).all()
    large = [f for f in found.families if len(f.members) >= 4]
    assert large
    assert all(f.together >= 0.95 and f.word in ("certain", "probable") for f in large)


@pytest.mark.slow
def test_sibships__same_seed_same_answer_and_order_does_not_matter(season):
    genotypes, p, _, found = season
    again = reconstruct_sibships(genotypes, frequencies=p, settings=SHORT)
    np.testing.assert_array_equal(again.sampled_parents, found.sampled_parents)
    order = np.random.default_rng(2).permutation(genotypes.n_samples)
    turned = reconstruct_sibships(genotypes, order, p, settings=SHORT, seed=5)
    back = np.argsort(order)
    assert turned.offspring == tuple(genotypes.samples[i] for i in order)
    differ = np.abs(turned.full_sib[np.ix_(back, back)] - found.full_sib) > 0.5
    assert differ.sum() <= 4


def test_sibships__several_dams_crossed_with_several_sires():
    rng = np.random.default_rng(3)
    minor = rng.uniform(0.15, 0.5, 120)
    p = np.stack([1 - minor, minor], axis=1)
    parents = draw_unrelated(p, 8, rng)
    pairs = np.array([(d, 4 + s) for d in range(4) for s in range(4) for _ in range(4)])
    calls = read_with_errors(
        draw_offspring(parents, pairs, rng), p, ErrorModel.uniform(120, 0.005), 0.03, rng
    )
    found = reconstruct_sibships(genotype_set(calls, 2), frequencies=p, settings=SHORT)
    assert found.n_parents.value == 8
    full, half = _named_sibs(found)
    true_full, true_half = _true_sibs(pairs)
    assert _agreement(full, true_full) == (1.0, 1.0)
    assert _agreement(half, true_half) == (1.0, 1.0)


def test_sibships__microsatellites():
    genotypes, p, pairs = _season(10, 10, 60, 14, 4, n_alleles=10)
    found = reconstruct_sibships(
        genotypes, frequencies=p, settings=SibshipSettings(chains=1, burn_in=6, samples=8, max_classes=5)
    )
    recall, precision = _agreement(_named_sibs(found)[0], _true_sibs(pairs)[0])
    assert recall >= 0.95
    assert precision >= 0.95


def test_sibships__60_alleles_one_locus_more():
    genotypes, p, _ = _season(3, 3, 15, 8, 5, n_alleles=60)
    found = reconstruct_sibships(
        genotypes,
        frequencies=p,
        settings=SibshipSettings(chains=1, burn_in=3, samples=4, max_classes=4, min_loci=5),
    )
    assert sum(len(f.members) for f in found.families) == 15


def test_sibships__unrelated_larvae_stay_apart():
    rng = np.random.default_rng(6)
    minor = rng.uniform(0.1, 0.5, 150)
    p = np.stack([1 - minor, minor], axis=1)
    found = reconstruct_sibships(genotype_set(draw_unrelated(p, 40, rng), 2), frequencies=p, settings=SHORT)
    assert found.full_sib.max() < 0.5
    assert len(found.families) == 40
    assert found.n_parents.value >= 68


def test_sibships__one_large_family_with_frequencies_from_the_sample():
    rng = np.random.default_rng(7)
    minor = rng.uniform(0.1, 0.5, 100)
    p = np.stack([1 - minor, minor], axis=1)
    young = draw_offspring(draw_unrelated(p, 2, rng), np.tile([0, 1], (30, 1)), rng)
    found = reconstruct_sibships(genotype_set(young, 2), settings=SHORT)
    assert [len(f.members) for f in found.families] == [30]
    assert found.families[0].word == "certain"
    assert (found.n_parents.value, found.n_families.value) == (2.0, 1.0)


@pytest.mark.parametrize(("mates", "most"), [("pairs", 1), ("one sex", None)])
def test_sibships__mating_system_is_kept(mates, most):
    genotypes, p, _ = _season(8, 8, 40, 60, 8)
    found = reconstruct_sibships(
        genotypes, frequencies=p, settings=SibshipSettings(mates=mates, chains=1, burn_in=4, samples=6)
    )
    for parents in found.sampled_parents:
        matings = np.unique(parents, axis=0)
        degree = [dict(zip(*np.unique(matings[:, side], return_counts=True), strict=True)) for side in (0, 1)]
        if most:
            assert max(max(d.values()) for d in degree) == most
        else:
            assert all(min(degree[0][p], degree[1][q]) == 1 for p, q in matings)


def test_sibships__identical_twins_are_full_sibs():
    genotypes, p, _ = _season(6, 6, 20, 80, 9)
    calls = np.concatenate([genotypes.calls, genotypes.calls[:, :1]], axis=1)
    found = reconstruct_sibships(genotype_set(calls, 2), frequencies=p, settings=SHORT)
    assert found.full_sib[0, 20] >= 0.9


def test_sibships__two_chains_are_compared():
    genotypes, p, _ = _season(6, 6, 30, 100, 10)
    found = reconstruct_sibships(
        genotypes, frequencies=p, settings=SibshipSettings(chains=2, burn_in=6, samples=8)
    )
    assert found.sampled_parents.shape == (16, 30, 2)
    assert found.log_likelihood.shape == (2, 14)
    assert np.isfinite(found.log_likelihood).all()
    assert 0 <= found.chains_disagree < 0.1


def test_sibships__poorly_typed_and_empty_samples():
    genotypes, p, _ = _season(4, 4, 10, 60, 11)
    calls = genotypes.calls.copy()
    calls[4:, 3] = -1
    found = reconstruct_sibships(genotype_set(calls, 2), frequencies=p, settings=SHORT)
    typed = int((calls[:, 3, 0] >= 0).sum())
    assert found.set_aside == (("S0003", f"only {typed} loci are typed"),)
    assert "S0003" not in found.offspring
    nobody = reconstruct_sibships(genotype_set(np.full((20, 5, 2), -1, np.int16), 2), settings=SHORT)
    assert nobody.families == ()
    assert nobody.n_parents.text() == "not estimable because no offspring has enough typed loci"
    alone = reconstruct_sibships(genotypes, [0], p, settings=SHORT)
    assert (alone.n_parents.value, len(alone.families), alone.families[0].together) == (2.0, 1, 1.0)
    flat = reconstruct_sibships(genotype_set(np.zeros((20, 5, 2), np.int16), 2), settings=SHORT)
    assert len(flat.offspring) == 5
    assert np.isfinite(flat.full_sib).all()


def test_sib_probabilities__count_samples():
    sampled = np.array([[[0, 5], [0, 5], [0, 6]], [[0, 5], [1, 6], [0, 6]]], dtype=np.int32)
    full, half = sib_probabilities(sampled)
    np.testing.assert_allclose(full, [[0, 0.5, 0], [0.5, 0, 0], [0, 0, 0]])
    np.testing.assert_allclose(half, [[0, 0, 1], [0, 0, 1], [1, 1, 0]])


def test_sibships__raises_on_bad_input():
    genotypes, p, _ = _season(2, 2, 4, 20, 12)
    with pytest.raises(UsageError, match=r"mates: found 'many'. Expected one of pairs, one sex, both sexes"):
        reconstruct_sibships(genotypes, settings=SibshipSettings(mates="many"))
    with pytest.raises(UsageError, match=r"samples: found 0. Expected 1 or more"):
        reconstruct_sibships(genotypes, settings=SibshipSettings(samples=0))
    with pytest.raises(UsageError, match=r"sample named twice"):
        reconstruct_sibships(genotypes, [0, 0], p)


@pytest.mark.slow
@pytest.mark.parametrize(("n_dams", "n_sires", "seed"), [(30, 30, 1), (80, 80, 3), (15, 40, 5)])
def test_sibships__200_larvae_with_150_snps(n_dams, n_sires, seed):
    genotypes, p, pairs = _season(n_dams, n_sires, 200, 150, seed)
    found = reconstruct_sibships(genotypes, frequencies=p)
    true_full, true_half = _true_sibs(pairs)
    full, half = _named_sibs(found)
    assert min(_agreement(full, true_full)) >= 0.95
    assert min(_agreement(half, true_half)) >= 0.9
    assert found.n_parents.value == pytest.approx(len(np.unique(pairs)), rel=0.06)
    related = found.full_sib + found.half_sib
    upper = np.triu_indices(200, 1)
    true_any = (true_full | true_half)[upper]
    for low, high in ((0.05, 0.35), (0.65, 0.95)):
        inside = (related[upper] >= low) & (related[upper] < high)
        if inside.sum() >= 30:
            assert abs(true_any[inside].mean() - related[upper][inside].mean()) < 0.25
