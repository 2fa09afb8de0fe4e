"""Replicates: what must always hold, what must not depend on chance, and odd input."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from broodstock.pedigree.kinship import kinship_matrix
from planner.project.measures import MEASURES, measure_names, sharing
from planner.project.model import (
    Costs,
    Genome,
    Life,
    Model,
    Start,
    Station,
    Strategy,
    Water,
    stable_adult_ages,
    statements,
    whole_numbers,
)
from planner.project.population import Population, prepare
from planner.project.replicate import run_replicate, seed_of
from tests.project.conftest import one_generation, run_all, unrelated

LEAST = Strategy("least-kinship", "least")


def programme(n: int = 60, **changes: object) -> Model:
    """A station and two waters with weather, die-offs, releases and exchange."""
    survival = np.full(9, 0.75)
    waters = (
        Water("main", np.inf, survival, 0.0, 0.3, 60, spread=0.3, release_with_extra=40),
        Water("pond", 40, survival, 1.0, 0.6, 10, spread=0.3, die_off_chance=0.2, die_off_share=0.6,
              release_with_extra=10),
        Water("new", 30, survival, 1.0, 0.6, 0, extra=True, release_with_extra=20),
    )  # fmt: skip
    station = Station(24, 0.9, 8, 10, 0.8, 3, 3, 0.5, 0.0625, 0.2, 10, 1, 0.2, 2, 1, 1)
    places = [0] * 24 + [1] * (n - 34) + [2] * 10
    start = unrelated(places, [3] * n)
    start.sex[5:9] = -1
    start.age[30:35] = -1
    moves = np.array([[0, 0, 0], [0, 0, 2.0], [0, 2.0, 0]])
    model = Model(
        Life(3, 2, 8, 1.0, 1.0), waters, station, Genome.free(20), start, moves, Costs(1, 2, 3, 4, 5, 6)
    )
    return replace(model, **changes)


@pytest.mark.parametrize("crossing", ["none", "random", "equal", "least"])
@pytest.mark.parametrize("wider", [False, True])
def test_run_replicate__values_make_sense(crossing: str, wider: bool) -> None:
    model = programme()
    result = run_all(model, Strategy(crossing, crossing, wider, wider), 8, 4)
    assert result.names == measure_names(model)
    for name in result.names:
        x = result.of(name)
        there = x[~np.isnan(x)]
        assert (there >= 0).all(), name
        if name.startswith(("gene_diversity", "expected", "observed", "inbreeding", "alleles", "captive")):
            assert (there <= 1).all(), name
    assert (result.of("adults: pond") <= 40).all()
    assert (result.of("adults: new").max() > 0) == (wider and crossing != "none")
    assert (result.of("moved")[:, 1:].sum() > 0) == (wider and crossing != "none")
    total = sum(result.of(f"adults: {w.name}") for w in model.waters)
    np.testing.assert_array_equal(total, result.of("adults"))
    if crossing == "none":
        assert (np.nansum(result.of("released")) + np.nansum(result.of("crosses"))) == 0


def test_run_replicate__same_seed_same_answer_and_other_seed_another() -> None:
    prepared = prepare(programme())
    a, b, c = (run_replicate(prepared, LEAST, 5, seed_of(s, k)).values for s, k in ((3, 1), (3, 1), (3, 2)))
    np.testing.assert_array_equal(a, b)
    assert not np.array_equal(a, c, equal_nan=True)


def test_run_replicate__strategies_meet_the_same_start_and_weather() -> None:
    prepared = prepare(programme())
    start = [
        run_replicate(prepared, s, 1, seed_of(3, 0)).values[0] for s in (LEAST, Strategy("random", "random"))
    ]
    np.testing.assert_array_equal(*start)


def test_run_replicate__genes_and_pedigree_agree() -> None:
    model = programme(genome=Genome.free(300))
    for strategy in (LEAST, Strategy("random", "random", exchange=True)):
        result = run_all(model, strategy, 8, 12)
        gap = (result.of("gene_diversity") - result.of("gene_diversity_loci"))[:, -1]
        assert abs(gap.mean()) < 4 * gap.std(ddof=1) / np.sqrt(len(gap))
        assert abs(gap).max() < 0.01


def test_run_replicate__linkage_does_not_move_the_mean() -> None:
    tight = Genome(np.r_[0.5, np.full(99, 0.01)], Genome.free(100).frequencies)
    result = run_all(programme(genome=tight), LEAST, 6, 25)
    gap = (result.of("gene_diversity") - result.of("gene_diversity_loci"))[:, -1]
    assert abs(gap.mean()) < 4 * gap.std(ddof=1) / np.sqrt(len(gap))


def test_run_replicate__least_kinship_keeps_more_than_crosses_by_lot() -> None:
    model = programme()
    kept = {
        c: run_all(model, Strategy(c, c), 10, 30).of("gene_diversity")[:, -1]
        for c in ("random", "equal", "least")
    }
    for better, worse in (("least", "random"), ("equal", "random")):
        d = kept[better] - kept[worse]
        assert d.mean() > 2 * d.std(ddof=1) / np.sqrt(len(d))
    assert kept["least"].mean() > kept["equal"].mean()


def test_run_replicate__relabelled_founders_give_the_same_distribution() -> None:
    model = programme()
    order = np.random.default_rng(1).permutation(60)
    s = model.start
    turned = replace(model, start=Start(s.parents, s.rows[order], s.sex[order], s.age[order], s.place[order]))
    a, b = (run_all(m, LEAST, 6, 25).of("gene_diversity")[:, -1] for m in (model, turned))
    assert abs(a.mean() - b.mean()) < 4 * np.sqrt((a.var(ddof=1) + b.var(ddof=1)) / 25)


def test_population__start_carries_the_recorded_pedigree() -> None:
    parents = np.array([[-1, -1], [-1, -1], [0, 1], [0, 1], [2, -1], [2, 3]], np.int32)
    rows = np.array([1, 3, 4, 5], np.int32)
    start = Start(
        parents, rows, np.array([1, 1, 0, 0], np.int8), np.full(4, 3, np.int16), np.ones(4, np.int16)
    )
    model = replace(one_generation(4, loci=4000), start=start, life=Life(1, 1, 1), waters=(
        Water("pond", 9, np.zeros(2)),))  # fmt: skip
    prepared = prepare(model)
    expected = kinship_matrix(parents)[np.ix_(rows, rows)]
    np.testing.assert_allclose(prepared.kinship, expected)
    herd = Population(prepared, np.random.default_rng(2), 4, 0)
    genes = herd.genes[:4]
    for i in range(4):
        for j in range(4):
            same = np.mean([genes[i, a] == genes[j, b] for a in range(2) for b in range(2)])
            assert same == pytest.approx(expected[i, j], abs=0.02)


def test_population__keeps_typed_alleles_of_founders() -> None:
    calls = np.full((4, 50, 2), -1, np.int16)
    calls[0] = [0, 1]
    model = one_generation(4, loci=50)
    model = replace(model, start=replace(model.start, calls=calls))
    herd = Population(prepare(model), np.random.default_rng(2), 4, 0)
    allele = herd.allele
    assert (allele[:, 0] + allele[:, 1] == 1).all()
    assert 0 < allele[:, 0].mean() < 1  # the phase is drawn
    assert herd.allele.shape == (50, 8)


def test_run_replicate__outsiders_bring_new_genes() -> None:
    model = programme()
    with_new = replace(model, station=replace(model.station, founders_added=3))
    without = replace(model, station=replace(model.station, founders_added=0))
    a, b = (run_all(m, LEAST, 6, 10) for m in (with_new, without))
    assert a.of("gene_diversity")[:, -1].mean() > b.of("gene_diversity")[:, -1].mean()
    assert a.of("founder_genomes")[:, -1].mean() > b.of("founder_genomes")[:, -1].mean()


def test_run_replicate__all_fish_die() -> None:
    model = one_generation(10)
    model = replace(model, waters=(Water("pond", 10, np.zeros(2), 0.0),))
    result = run_all(model, Strategy("do-nothing", "none"), 3, 2)
    assert (result.of("fish")[:, 1:] == 0).all()
    assert (result.of("gene_diversity")[:, 1:] == 0).all()
    assert np.isnan(result.of("inbreeding")[:, 1:]).all()


def test_run_replicate__no_males() -> None:
    model = one_generation(10, females=10)
    result = run_all(model, Strategy("do-nothing", "none"), 2, 2)
    assert (result.of("young")[:, 1:] == 0).all()


def test_statements__say_what_will_surprise() -> None:
    quiet = Strategy("do-nothing", "none")
    one_sex = one_generation(10, females=10)
    assert any("no adult males at pond" in s for s in statements(one_sex, quiet))
    base = one_generation(10)
    life = Life(1, 1, 3)
    for survival, capacity, words in ((0.0, 5, "Survival at pond is 0"), (1.0, 5, "Survival at pond is 1"),
                                      (0.5, 0, "capacity of 0")):  # fmt: skip
        model = replace(base, life=life, waters=(Water("pond", capacity, np.full(4, survival), 1.0),))
        assert any(words in s for s in statements(model, quiet)), words
    empty = replace(base, start=unrelated([], []))
    assert "No fish are alive at the start." in statements(empty, quiet)
    young = replace(base, life=Life(3, 3, 4), waters=(Water("pond", 5, np.full(5, 0.5)),))
    assert any("No adults" in s for s in statements(young, quiet))
    assert any("No crosses" in s for s in statements(base, LEAST))
    assert run_all(empty, LEAST, 2, 1).of("fish").max() == 0


@pytest.mark.parametrize(
    ("make", "match"),
    [
        (lambda: Life(0, 2, 5), "mature_female: found 0"),
        (lambda: Life(3, 6, 5), "mature_male: found 6"),
        (lambda: Life(skew_male=-1.0), "skew_male: found -1"),
        (lambda: Water("p", -1, np.zeros(3)), "p, capacity: found -1"),
        (lambda: Water("p", 1, np.array([0, 1.5])), "p, survival"),
        (lambda: Water("p", 1, np.zeros(3), first_year=2.0), "first_year: found 2"),
        (lambda: Station(uses_male=0), "uses_male: found 0"),
        (lambda: Station(survival=1.1), "station, survival: found 1.1"),
        (lambda: Genome(np.array([0.5]), np.array([[0.5, 0.4]])), "loci"),
        (lambda: Genome(np.array([0.5, 0.5]), np.array([[1.0]])), "Expected one"),
        (lambda: Strategy("x", "best"), "strategy x: found 'best'"),
        (lambda: replace(programme(), moves=np.zeros((2, 2))), "moves: found shape"),
        (lambda: replace(programme(), moves=-np.ones((3, 3))), "negative number of fish"),
        (lambda: replace(programme(), life=Life(longevity=3)), "found 9 survivals. Expected 4"),
        (lambda: replace(programme(), start=unrelated([7], [2])), "place that is not there"),
        (lambda: Start(np.full((2, 2), -1, np.int32), np.array([0, 0], np.int32), *[np.zeros(2, np.int8)] * 3),
         "one pedigree row for two fish"),
    ],
)  # fmt: skip
def test_model__refuses(make: object, match: str) -> None:
    with pytest.raises(ValueError, match=match):
        make()  # type: ignore[operator]


def test_sharing__nb_of_family_sizes() -> None:
    # Waples & Waples (2011), from memory: males 30, 10, 10 and five females of 10 give Nb 6.533333.
    sires = np.repeat([0, 1, 2], [30, 10, 10])
    dams = np.repeat(np.arange(5), 10)
    assert 1 / sharing(dams, sires) == pytest.approx(6.533333, abs=1e-6)
    assert np.isnan(sharing(dams[:1], sires[:1]))


def test_stable_adult_ages__geometric() -> None:
    ages = stable_adult_ages(np.array([0, 0.5, 0.5, 0.5, 0]), 2)
    np.testing.assert_allclose(ages, [0, 0, 4 / 7, 2 / 7, 1 / 7])


def test_whole_numbers__keep_the_mean() -> None:
    got = np.mean(
        [whole_numbers(np.array([0.3, 2.0]), np.random.default_rng(k)) for k in range(4000)], axis=0
    )
    assert got[0] == pytest.approx(0.3, abs=0.03)
    assert got[1] == 2


def test_measures__every_one_is_explained() -> None:
    assert all(words and not words.endswith(".") for words in MEASURES.values())
