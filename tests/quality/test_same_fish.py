"""Two readings of one fish: published identity probabilities, sums, simulation."""

from __future__ import annotations

import numpy as np
import pytest

from broodstock.diversity.identity import probability_of_identity, probability_of_identity_sibs
from broodstock.errors import ValueRangeError
from broodstock.genotypes.genotype_set import GenotypeSet, Locus
from broodstock.genotypes.same_fish import locus_match, log_ratio_of_new_fish, match_sample
from broodstock.parentage.error_model import ErrorModel

P = np.array([0.5, 0.3, 0.2])


def test_locus_match__gives_the_published_identity_probabilities() -> None:
    """Waits, Luikart & Taberlet (2001); their formulas stand in broodstock.diversity.identity."""
    table = locus_match(P)
    assert np.trace(table.same) == pytest.approx(1)
    assert (table.alone**2).sum() == pytest.approx(float(probability_of_identity(P[None]).values[0]))
    assert np.trace(table.sibs) == pytest.approx(float(probability_of_identity_sibs(P[None]).values[0]))


@pytest.mark.parametrize(("e", "d"), [(0.0, 0.0), (0.01, 0.0), (0.02, 0.05)])
def test_locus_match__is_a_distribution_with_the_margins_of_one_reading(e: float, d: float) -> None:
    table = locus_match(P, e, d)
    assert table.alone.sum() == pytest.approx(1)
    for joint in (table.same, table.sibs):
        assert joint.sum() == pytest.approx(1)
        assert joint.sum(axis=0) == pytest.approx(table.alone)
        assert joint == pytest.approx(joint.T)


def test_locus_match__agrees_with_simulated_readings() -> None:
    rng = np.random.default_rng(1)
    n, e, d = 200_000, 0.05, 0.1
    truth = rng.choice(3, (n, 2), p=P)

    def read() -> tuple[np.ndarray, np.ndarray]:
        genes = np.where(rng.random((n, 2)) < e, rng.choice(3, (n, 2), p=P), truth)
        lost = rng.random((n, 2)) < d
        genes = np.where(lost, genes[:, ::-1], genes)
        return np.sort(genes, axis=1), ~lost.all(axis=1)

    (one, typed_one), (two, typed_two) = read(), read()
    use = typed_one & typed_two
    table = locus_match(P, e, d)
    for i, a in enumerate(table.pairs):
        for j, b in enumerate(table.pairs):
            share = ((one[use] == a).all(axis=1) & (two[use] == b).all(axis=1)).mean()
            se = np.sqrt(table.same[i, j] / use.sum())
            assert abs(share - table.same[i, j]) < 5 * se + 1e-5


def sets(seed: int, n: int = 12, loci: int = 60) -> GenotypeSet:
    rng = np.random.default_rng(seed)
    p = rng.uniform(0.2, 0.8, loci)
    calls = (rng.random((loci, n, 2)) < p[:, None, None]).astype(np.int16)
    calls[:, n - 1] = calls[:, 4]  # the last sample is a second reading of the fifth
    calls[3, n - 1] = 1 - calls[3, n - 1]
    calls[rng.random((loci, n)) < 0.05] = -1
    return GenotypeSet(
        tuple(f"S{i}" for i in range(n)),
        tuple(Locus(f"L{i}") for i in range(loci)),
        (("A", "B"),) * loci,
        calls,
    )


def test_match_sample__finds_the_fish_and_bears_an_error() -> None:
    genotypes = sets(3)
    match = match_sample(genotypes, 11, range(11))
    assert int(match.log_same.argmax()) == 4
    assert match.log_same[4] > 10 > 0 > np.delete(match.log_same, 4).max()
    assert match.mismatches[4] <= 1


def test_match_sample__does_not_depend_on_the_order_of_fish_or_alleles() -> None:
    genotypes = sets(4)
    a = match_sample(genotypes, 11, range(11))
    order = np.random.default_rng(0).permutation(11)
    b = match_sample(genotypes, 11, order)
    assert b.log_same == pytest.approx(a.log_same[order])
    turned = GenotypeSet(
        genotypes.samples, genotypes.loci, genotypes.alleles, genotypes.calls[..., ::-1].copy()
    )
    assert match_sample(turned, 11, range(11)).log_same == pytest.approx(a.log_same)


def test_log_ratio_of_new_fish__is_the_mixture() -> None:
    match = match_sample(sets(5), 11, range(11), error=ErrorModel.uniform(60, 0.01))
    weights = np.arange(11.0)
    slow = np.log(0.7 + 0.3 * (weights * np.exp(match.log_sibs)).sum() / weights.sum())
    assert log_ratio_of_new_fish(match, weights, 0.3) == pytest.approx(slow)
    assert log_ratio_of_new_fish(match, weights, 0.0) == 0.0


def test_match_sample__refuses_what_it_cannot_use() -> None:
    with pytest.raises(ValueRangeError, match="position outside the set"):
        match_sample(sets(6), 12, [0])
    with pytest.raises(ValueRangeError, match="share of sibs"):
        log_ratio_of_new_fish(match_sample(sets(6), 11, range(11)), np.ones(11), 1.5)
