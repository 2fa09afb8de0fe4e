"""Simulation, recursion and published formulas say the same where numbers are fixed."""

from __future__ import annotations

import numpy as np
import pytest

from broodstock.effective_size.demographic import combine_sexes, inbreeding_rate
from broodstock.effective_size.overlapping import overlapping_sexes_ne
from planner.project.expected import _Recursion, expected_path, has_closed_form
from planner.project.groups import Groups, same_by_skew, same_in_turn
from planner.project.model import Genome, Life, Model, Start, Station, Strategy, Water
from planner.project.outcome import breeders, generation_length, ne_of_rate
from planner.project.population import prepare
from tests.project.conftest import MUCH, one_generation, run_all, unrelated, z_score

CERTAIN = 4.0  # standard errors


def equal_ages(per_age: int, longevity: int, mature: int, **life: object) -> Model:
    """One water with the same number of fish of every age; all live to the last age."""
    n = per_age * longevity
    ages = [1 + i % longevity for i in range(n)]
    water = Water("pond", n, np.ones(longevity + 1), MUCH)
    return Model(
        Life(mature, mature, longevity, fixed_sexes=True, **life),
        (water,),
        Station(),
        Genome.free(4),
        unrelated([1] * n, ages),
        np.zeros((1, 1)),
    )


def agrees(model: Model, strategy: Strategy, years: int, replicates: int) -> None:
    expected = expected_path(prepare(model), strategy, years)
    got = run_all(model, strategy, years, replicates)
    np.testing.assert_allclose(got.of("fish").mean(axis=0), expected.fish, rtol=1e-6)
    for year in {1, years // 2, years}:
        for name in ("gene_diversity", "gene_diversity_waters", "inbreeding"):
            assert abs(z_score(got.of(name)[:, year], getattr(expected, name)[year])) < CERTAIN, (name, year)


def test_expected__agrees_with_simulation_in_separate_generations(nothing: Strategy) -> None:
    agrees(one_generation(24), nothing, 10, 150)


def test_expected__agrees_with_simulation_with_skew_and_few_mates(nothing: Strategy) -> None:
    agrees(one_generation(24, skew_female=1.5, skew_male=0.5, mates_per_female=2), nothing, 8, 150)


def test_expected__agrees_with_simulation_when_generations_overlap(nothing: Strategy) -> None:
    agrees(equal_ages(6, 5, 2, skew_male=1.0), nothing, 20, 100)


def station_only(crossing: str, n: int, dishes: int, uses: int, skew: float = 0.0) -> tuple[Model, Strategy]:
    """Broodstock whose fish all breed once at age 1 and are replaced by their young; no fish in the water."""
    water = Water("dry pond", 0, np.zeros(2))
    station = Station(n, 0.0, 1, dishes, 1.0, uses, uses, skew)
    model = Model(
        Life(1, 1, 1, fixed_sexes=True),
        (water,),
        station,
        Genome.free(4),
        unrelated([0] * n, [1] * n),
        np.zeros((1, 1)),
    )
    return model, Strategy(crossing, crossing)


@pytest.mark.parametrize(
    ("crossing", "dishes", "uses", "skew"), [("equal", 10, 1, 0.0), ("random", 12, 4, 1.0)]
)
def test_expected__agrees_with_simulation_of_the_station(
    crossing: str, dishes: int, uses: int, skew: float
) -> None:
    model, strategy = station_only(crossing, 20, dishes, uses, skew)
    expected = expected_path(prepare(model), strategy, 6)
    got = run_all(model, strategy, 6, 150)
    for name in ("gene_diversity", "inbreeding"):
        assert abs(z_score(got.of(name)[:, -1], getattr(expected, name)[-1])) < CERTAIN, name


def test_expected__agrees_with_simulation_of_a_programme_but_for_chance_in_numbers() -> None:
    # Numbers vary here, so the simulation loses a little more than mean numbers say (chance in numbers of breeders).
    survival = np.full(7, 0.7)
    waters = (
        Water("p", 150, survival, 0.5, first_year=0.3, release=160),
        Water("q", 100, survival, 1.0, first_year=0.5, release=40),
    )
    station = Station(40, 0.9, 6, 20, 1.0, 4, 4, 1.0, larvae_from=1, larvae_share=0.25, larvae_to_brood=2,
                      adults_to_brood=1, founders_added=1)  # fmt: skip
    start = unrelated([0] * 40 + [1] * 100 + [2] * 60, [2] * 200)
    model = Model(
        Life(2, 2, 6, 0.5, 0.5), waters, station, Genome.free(4), start, np.array([[0.0, 4], [4, 0]])
    )
    for strategy in (Strategy("r", "random", exchange=True), Strategy("e", "equal")):
        expected = expected_path(prepare(model), strategy, 10)
        got = run_all(model, strategy, 10, 30)
        lost, said = (1 - x[-1] for x in (got.of("gene_diversity").mean(axis=0), expected.gene_diversity))
        assert said * 0.97 < lost < said * 1.15
        np.testing.assert_allclose(got.of("fish").mean(axis=0), expected.fish, rtol=0.04)
        np.testing.assert_allclose(got.of("adults: q")[:, -1].mean(), expected.adults[-1, 1], rtol=0.08)


def test_expected__stock_in_hand_enters_as_in_the_simulation() -> None:
    parents = np.full((12, 2), -1, np.int32)
    dams, sires, numbers = (np.array(x, np.int32) for x in ([8, 8, 9], [10, 11, 11], [30, 10, 20]))
    start = Start(
        parents, np.arange(8, dtype=np.int32), np.array([0, 1] * 4, np.int8), np.full(8, 2, np.int16),
        np.array([0] * 4 + [1] * 4, np.int16), dams, sires, numbers,
    )  # fmt: skip
    waters = (Water("p", np.inf, np.ones(6), 0.0, first_year=1.0, release=40),)
    model = Model(
        Life(2, 2, 5, fixed_sexes=True), waters, Station(4, 1.0, 9), Genome.free(4), start, np.zeros((1, 1))
    )
    for crossing in ("random", "equal"):
        strategy = Strategy(crossing, crossing)
        expected = expected_path(prepare(model), strategy, 1).gene_diversity[-1]
        got = run_all(model, strategy, 1, 80).of("gene_diversity")[:, -1]
        # Equal families of 15, 10 and 15 are no matter of chance.
        assert got.mean() == pytest.approx(
            expected, abs=1e-12 if got.std() < 1e-12 else 4 * got.std() / np.sqrt(80)
        )


def test_expected__refuses_choice_by_kinship() -> None:
    strategy = Strategy("least-kinship", "least")
    assert not has_closed_form(strategy)
    with pytest.raises(ValueError, match="chooses crosses by kinship"):
        expected_path(prepare(one_generation(10)), strategy, 2)


@pytest.mark.parametrize(("females", "males"), [(5, 45), (25, 25), (10, 40)])
def test_expected__sex_ratio(females: int, males: int, nothing: Strategy) -> None:
    # Wright (1931): young of unrelated parents lose 1/(8F) + 1/(8M) between distinct fish; 5:45 has Ne 18.
    n = females + males
    model = one_generation(n, females)
    path = expected_path(prepare(model), nothing, 1)
    between = inbreeding_rate(females, males)
    assert combine_sexes(5, 45) == 18
    assert path.gene_diversity[1] == pytest.approx(1 - (0.5 / n + (1 - 1 / n) * between), rel=1e-12)
    got = run_all(model, nothing, 1, 60).of("gene_diversity")[:, 1]
    assert abs(z_score(got, path.gene_diversity[1])) < CERTAIN


def test_expected__asymptotic_rate_of_separate_sexes(nothing: Strategy) -> None:
    # Ne of equal sexes is about N + 1/2 (Wright 1931, from memory); the rate is 1 / (2 Ne).
    n = 40
    gd = expected_path(prepare(one_generation(n)), nothing, 60).gene_diversity
    assert 1 / (2 * (1 - gd[60] / gd[59])) == pytest.approx(n + 0.5, rel=0.002)


def test_expected__equal_families_double_ne() -> None:
    # Crow & Kimura (1970), Ne = (4N - 2) / (Vk + 2), from memory: equal families (Vk = 0) give 2N - 1.
    model, strategy = station_only("equal", 40, 20, 1)
    gd = expected_path(prepare(model), strategy, 40).gene_diversity
    assert 1 / (2 * (1 - gd[40] / gd[39])) == pytest.approx(2 * 40 - 1, rel=0.03)


@pytest.mark.parametrize("skew", [0.0, 3.0])
def test_expected__hill_overlapping_generations(skew: float, nothing: Strategy) -> None:
    # Hill (1979), from memory. Everyone lives from 1 to 8 years and breeds at 3 to 8: six seasons of mean 1/6 son and
    # 1/6 daughter. Chances with squared CV s add s/36 in each season to variances and to the covariance.
    model = equal_ages(20, 8, 3, skew_female=skew, skew_male=skew)
    gd = expected_path(prepare(model), nothing, 120).gene_diversity
    extra = skew * 59 / (60 + skew) * 6 / 36  # shares of 60 gamma variates vary a little less than these
    hill = overlapping_sexes_ne(
        10,
        10,
        5.5,
        male_variances=(1 + extra, extra, 1 + extra),
        female_variances=(1 + extra, extra, 1 + extra),
    ).value
    assert hill is not None
    rate = 1 - (gd[120] / gd[80]) ** (1 / 40)
    assert 1 / (2 * 5.5 * rate) == pytest.approx(hill, rel=0.03)


def test_simulation__generation_length_and_sizes(nothing: Strategy) -> None:
    got = run_all(equal_ages(8, 8, 3), nothing, 25, 20)
    assert generation_length(got) == pytest.approx(5.5, abs=0.15)
    size = ne_of_rate(got, "gene_diversity")
    assert size.value == pytest.approx(8 * 5.5, rel=0.15)
    # Nb of a year class of equal chances is 4FM/(F + M) of its adults: 24 of each sex.
    assert breeders(got).value == pytest.approx(48, rel=0.1)


def islands(d: int, n: int, migrants: float) -> Model:
    """Waters of n fish with separate generations; each sends `migrants` in all to the others every generation."""
    start = unrelated([1 + i // n for i in range(d * n)], [1] * (d * n))
    waters = tuple(Water(f"w{k}", n, np.zeros(2), MUCH) for k in range(d))
    moves = np.full((d, d), migrants / (d - 1))
    np.fill_diagonal(moves, 0.0)
    return Model(Life(1, 1, 1, fixed_sexes=True), waters, Station(), Genome.free(2), start, moves)


@pytest.mark.parametrize("d", [2, 4])
def test_expected__island_model(d: int) -> None:
    # Fst = 1 / (1 + 4 N m (d/(d-1))^2) for d islands (Takahata 1983, from memory), one migrant a generation.
    run = _Recursion(prepare(islands(d, 100, 1.0)), Strategy("x", "random", exchange=True))
    for year in range(400):
        run.step(year)
    water = np.eye(d + 1)[run.place]
    by_water = run.groups.merged(run.place.astype(np.int64), d + 1).between[1:, 1:]
    assert water.sum() == len(run.place)
    within, total = 1 - np.diag(by_water).mean(), 1 - by_water.mean()
    assert 1 - within / total == pytest.approx(1 / (1 + 4 * (d / (d - 1)) ** 2), rel=0.03)


def test_expected__agrees_with_simulation_of_exchange() -> None:
    model = islands(2, 20, 2.0)
    agrees(model, Strategy("x", "random", exchange=True), 12, 120)


def test_same_by_skew__dirichlet() -> None:
    rng = np.random.default_rng(2)
    for number, skew in ((5, 0.5), (20, 2.0)):
        w = rng.gamma(1 / skew, skew, (40_000, number))
        p = w / w.sum(axis=1, keepdims=True)
        assert (p**2).sum(axis=1).mean() == pytest.approx(same_by_skew(number, skew), rel=0.01)
    assert same_by_skew(10, 0) == 0.1
    assert same_in_turn(10, 10) == 0
    assert same_in_turn(10, 5) == pytest.approx(1 / 9)


def test_groups__merging_keeps_the_mean() -> None:
    rng = np.random.default_rng(3)
    K = rng.random((6, 6))
    K += K.T
    groups = Groups(rng.integers(2, 9, 6).astype(float), K, rng.random(6))
    merged = groups.merged(np.array([0, 0, 1, 2, 1, 2]), 3)
    assert merged.mean_kinship() == pytest.approx(groups.mean_kinship(), rel=1e-12)
    parts = groups.split(
        np.array([0, 0, *range(1, 6)]), np.concatenate([[1.5, groups.n[0] - 1.5], groups.n[1:]])
    )
    assert parts.merged(np.array([0, 0, 1, 2, 3, 4, 5]), 6).n == pytest.approx(groups.n)
