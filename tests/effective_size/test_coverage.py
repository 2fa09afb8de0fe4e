"""Do the intervals contain the truth as often as they say, and are the values right on average?"""

from __future__ import annotations

import numpy as np
import pytest

from broodstock.effective_size.heterozygote_excess import heterozygote_excess_nb
from broodstock.effective_size.linkage import linkage_ne
from broodstock.effective_size.offspring_counts import nb_from_offspring_counts
from broodstock.effective_size.sibship import sibship_nb
from broodstock.effective_size.temporal import temporal_ne
from broodstock.estimates import Estimate


class Score:
    """Counts hits of intervals and averages one over the value."""

    def __init__(self) -> None:
        self.hits = self.n = 0
        self.rate = 0.0

    def add(self, found: Estimate, truth: float) -> None:
        assert found.value is not None
        assert found.low is not None
        assert found.high is not None
        self.hits += found.low <= truth <= found.high
        self.n += 1
        self.rate += truth / found.value

    @property
    def coverage(self) -> float:
        return self.hits / self.n

    @property
    def bias(self) -> float:
        return self.n / self.rate - 1


LINKAGE_CASES = [
    (10, 10, 100, 40, 2, 0.05),
    (25, 25, 150, 60, 2, 0.05),
    (25, 25, 12, 60, 8, 0.05),
    (50, 50, 120, 100, 2, 0.05),
]


def linkage_score(wright_fisher_sample, case: tuple[int, int, int, int, int, float], n: int) -> Score:
    females, males, n_loci, sample, n_alleles, screen = case
    rng, score = np.random.default_rng(31), Score()
    for _ in range(n):
        calls = wright_fisher_sample(females, males, n_loci, sample, rng, n_alleles=n_alleles)
        score.add(linkage_ne(calls, screens=[screen])[0].over_fish, 4 * females * males / (females + males))
    return score


@pytest.mark.parametrize("case", LINKAGE_CASES[:2])
def test_linkage__value_and_coverage_small_form(wright_fisher_sample, case) -> None:
    score = linkage_score(wright_fisher_sample, case, 60)
    assert score.coverage >= 0.85
    assert abs(score.bias) < 0.12


@pytest.mark.slow
@pytest.mark.parametrize("case", LINKAGE_CASES)
def test_linkage__value_and_coverage(wright_fisher_sample, case) -> None:
    score = linkage_score(wright_fisher_sample, case, 400)
    assert 0.90 <= score.coverage <= 0.99
    assert abs(score.bias) < 0.10


@pytest.mark.slow
def test_linkage__monogamy(wright_fisher_sample) -> None:
    """Pairs that keep together within a season, with the monogamy curve."""
    rng, score = np.random.default_rng(2), Score()
    for _ in range(300):
        calls = wright_fisher_sample(30, 30, 120, 50, rng, pairs=True)
        score.add(linkage_ne(calls, screens=[0.05], mating="monogamy")[0].over_fish, 60)
    assert abs(score.bias) < 0.10
    assert score.coverage >= 0.90


def test_linkage__says_so_when_the_sample_far_exceeds_the_parents(wright_fisher_sample) -> None:
    """There the interval holds the true size far less often than it says, and a note tells the reader."""
    calls = wright_fisher_sample(4, 4, 80, 60, np.random.default_rng(5))
    assert "cover the luck of which parents had many young" in linkage_ne(calls)[0].over_fish.note


def sibship_scores(n_females: int, n_males: int, n_young: int, shape: float, n: int) -> tuple[Score, Score]:
    """Parents with gamma-distributed expected shares; the truth is the effective number of those shares."""
    rng, scores = np.random.default_rng(12), (Score(), Score())
    for _ in range(n):
        p, q = (g / g.sum() for g in (rng.gamma(shape, size=n_females), rng.gamma(shape, size=n_males)))
        truth = 4 / ((p**2).sum() + (q**2).sum())
        dam, sire = rng.choice(n_females, n_young, p=p), rng.choice(n_males, n_young, p=q)
        scores[0].add(sibship_nb(dam, sire, n_bootstrap=400, seed=rng), truth)
        counts = np.bincount(dam), np.bincount(sire)
        scores[1].add(nb_from_offspring_counts(*counts, n_bootstrap=400, seed=rng).both, truth)
    return scores


def test_sibship__value_and_coverage_small_form() -> None:
    for score in sibship_scores(12, 12, 50, 1.0, 150):
        assert score.coverage >= 0.90
        assert abs(score.bias) < 0.05


@pytest.mark.slow
@pytest.mark.parametrize(("females", "males", "young"), [(10, 10, 40), (25, 25, 60), (5, 20, 100)])
def test_sibship__value_and_coverage(females: int, males: int, young: int) -> None:
    for score in sibship_scores(females, males, young, 1.0, 500):
        assert 0.90 <= score.coverage <= 0.99
        assert abs(score.bias) < 0.05


def test_excess__coverage_small_form(breed_young, unrelated_fish) -> None:
    assert excess_score(breed_young, unrelated_fish, 80).coverage >= 0.88


@pytest.mark.slow
def test_excess__coverage(breed_young, unrelated_fish) -> None:
    score = excess_score(breed_young, unrelated_fish, 400)
    assert 0.90 <= score.coverage <= 0.99
    assert abs(score.bias) < 0.10


def excess_score(breed_young, unrelated_fish, n: int) -> Score:
    rng, score = np.random.default_rng(1), Score()
    for _ in range(n):
        parents = unrelated_fish(30, 10, 6, rng)
        score.add(heterozygote_excess_nb(breed_young(parents, 5, 50, rng)), 10.0)
    return score


def temporal_scores(breed_young, unrelated_fish, n_loci: int, n_alleles: int, n: int) -> list[Score]:
    rng, scores = np.random.default_rng(19), [Score(), Score(), Score()]
    for _ in range(n):
        fish = unrelated_fish(n_loci, 50, n_alleles, rng)
        for _ in range(2):
            fish = breed_young(fish, 25, 50, rng)
        first = breed_young(fish, 25, 50, rng)
        for _ in range(5):
            fish = breed_young(fish, 25, 50, rng)
        results = temporal_ne(first, breed_young(fish, 25, 50, rng), 5)
        for score, result in zip(scores, results, strict=True):
            score.add(result.over_loci, 50.0)
    return scores


def test_temporal__coverage_small_form(breed_young, unrelated_fish) -> None:
    for score in temporal_scores(breed_young, unrelated_fish, 40, 3, 80):
        assert score.coverage >= 0.85


@pytest.mark.slow
def test_temporal__coverage(breed_young, unrelated_fish) -> None:
    for score in temporal_scores(breed_young, unrelated_fish, 40, 3, 400):
        assert 0.90 <= score.coverage <= 0.99
