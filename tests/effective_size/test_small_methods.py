"""Heterozygote excess, supplementation, decay of diversity and the side-by-side table."""

from __future__ import annotations

import math

import numpy as np
import pytest

from broodstock.effective_size.decay import (
    chance_to_carry,
    diversity_kept,
    diversity_kept_over,
    founders_diversity,
    founders_to_carry,
    generations_until,
    genes_to_carry,
    inbreeding_after,
    ne_to_keep,
    ne_to_keep_over_years,
)
from broodstock.effective_size.heterozygote_excess import heterozygote_excess_nb, nb_from_excess
from broodstock.effective_size.meaning import single_sample_meaning
from broodstock.effective_size.side_by_side import GroupData, effective_size_side_by_side
from broodstock.effective_size.supplementation import (
    largest_share,
    mixed_ne,
    proportionate_natural_influence,
    supplementation_effect,
)
from broodstock.errors import ShapeError, UsageError, ValueRangeError
from broodstock.estimates import Estimate

# Heterozygote excess: Pudovkin, Zaykin & Hedgecock 1996 (from memory).


def test_nb_from_excess__worked_numbers() -> None:
    for excess, nb in ((0.05, 10.476190), (0.1, 5.454545), (0.052494, 10), (0.309017, 2)):
        assert nb_from_excess(excess) == pytest.approx(nb, abs=1e-4)
    assert nb_from_excess(0) == math.inf
    assert nb_from_excess(-0.1) == math.inf


@pytest.mark.parametrize(("females", "males", "nb"), [(5, 5, 10.0), (2, 8, 6.4), (10, 10, 20.0)])
def test_heterozygote_excess__simulated_cohorts(
    breed_young, unrelated_fish, females: int, males: int, nb: float
) -> None:
    rng = np.random.default_rng(3)
    rate = 0.0
    for _ in range(60):
        parents = unrelated_fish(100, females + males, 6, rng)
        found = heterozygote_excess_nb(breed_young(parents, females, 60, rng))
        assert found.value is not None
        rate += 1 / found.value / 60
    assert 1 / rate == pytest.approx(nb, rel=0.08)


def test_heterozygote_excess__by_hand() -> None:
    calls = np.array([[[0, 1], [0, 1], [1, 0], [0, 0]], [[0, 2], [0, 1], [-1, -1], [2, 2]]], dtype=np.int16)
    expected = [
        8 / 7 * (1 - (5 / 8) ** 2 - (3 / 8) ** 2),
        6 / 5 * (1 - (2 / 6) ** 2 - (1 / 6) ** 2 - (3 / 6) ** 2),
    ]
    observed = [3 / 4, 2 / 3]
    excess = (sum(observed) - sum(expected)) / sum(expected)
    assert heterozygote_excess_nb(calls).value == pytest.approx(nb_from_excess(excess))


def test_heterozygote_excess__deficit_is_infinite_with_a_note(unrelated_fish) -> None:
    calls = unrelated_fish(40, 30, 4, np.random.default_rng(1))
    calls[:, :10, 1] = calls[:, :10, 0]
    found = heterozygote_excess_nb(calls)
    assert (found.value, found.high) == (math.inf, math.inf)
    assert "no excess of heterozygotes" in found.note


def test_heterozygote_excess__not_estimable(unrelated_fish) -> None:
    one = unrelated_fish(1, 30, 4, np.random.default_rng(1))
    assert heterozygote_excess_nb(one).text() == (
        "not estimable because heterozygote excess needs two polymorphic loci and there are 1"
    )
    with pytest.raises(UsageError, match="level: found 0"):
        heterozygote_excess_nb(one, level=0)


# Supplementation: Ryman & Laikre 1991 (from memory).


@pytest.mark.parametrize(
    ("share", "captive", "wild", "ne"),
    [
        (0.5, 10, 100, 36.363636),
        (0.5, 2, 500, 7.968127),
        (0.1, 10, 100, 109.890110),
        (0.3, 20, 200, 143.884892),
        (0.9, 10, 100, 12.330456),
        (0.0, 10, 100, 100),
        (1.0, 10, 100, 10),
        (0.5, 20, 200, 72.727273),
        (0.5, 25, 373, 93.718593),
        (0.6, 48, 420, 127.0),
    ],
)
def test_supplementation__worked_numbers(share: float, captive: float, wild: float, ne: float) -> None:
    found = supplementation_effect(share, captive, wild).total.value
    assert found == pytest.approx(ne, abs=0.5 if ne == 127.0 else 1e-6)


def test_supplementation__optimum_and_break_even() -> None:
    found = supplementation_effect(0.2, 10, 100)
    assert found.best_share == pytest.approx(1 / 11)
    assert found.best_ne == 110
    assert mixed_ne([1 / 11, 10 / 11], [10, 100]) == pytest.approx(110)
    assert found.break_even_share == pytest.approx(0.181818, abs=1e-6)
    assert mixed_ne([2 / 11, 9 / 11], [10, 100]) == pytest.approx(100)
    assert found.ne.max() <= 110
    assert found.shares[np.argmax(found.ne)] == pytest.approx(1 / 11, abs=0.01)
    assert "above a captive share of 18.2% it is smaller" in found.total.note
    assert "no captive share makes it smaller" in supplementation_effect(0.2, 100, 60).total.note


def test_supplementation__largest_share_meets_the_target() -> None:
    for target in (60.0, 100.0, 109.9):
        share = largest_share(10, 100, target)
        assert share is not None
        assert mixed_ne([share, 1 - share], [10, 100]) == pytest.approx(target)
    assert largest_share(10, 100, 111) is None
    assert largest_share(10, 100, 5) == 1.0
    with pytest.raises(ValueRangeError, match="Expected positive finite numbers"):
        largest_share(10, math.inf, 50)


def test_supplementation__carries_limits_and_gaps() -> None:
    captive, wild = Estimate(20.0, 15.0, 30.0), Estimate(200.0, 80.0, math.inf)
    total = supplementation_effect(0.3, captive, wild).total
    assert total.low == pytest.approx(mixed_ne([0.3, 0.7], [15, 80]))
    assert total.high == pytest.approx(30 / 0.09)
    gap = supplementation_effect(0.3, captive, Estimate.not_estimable("nobody sampled"))
    assert gap.total.text() == "not estimable because the wild effective size is not known: nobody sampled"
    assert gap.best_share is None
    assert supplementation_effect(0.0, 20, math.inf).total.value == math.inf


def test_supplementation__raises() -> None:
    with pytest.raises(ValueRangeError, match=r"found a captive share of 1\.2"):
        supplementation_effect(1.2, 10, 100)
    with pytest.raises(ValueRangeError, match="add to 1"):
        mixed_ne([0.5, 0.6], [10, 100])
    with pytest.raises(ShapeError, match="Expected as many"):
        mixed_ne([0.5, 0.5], [10])


def test_natural_influence__worked_numbers() -> None:
    # Hatchery reform literature (from memory).
    assert proportionate_natural_influence(0.5, 0.25) == pytest.approx(2 / 3)
    assert proportionate_natural_influence(0.2, 0.6) == pytest.approx(0.25)
    with pytest.raises(ValueRangeError, match="not both 0"):
        proportionate_natural_influence(0, 0)


# Decay and founders: Soule et al. 1986; Frankham, Ballou & Briscoe; Marshall & Brown 1975 (from memory).


@pytest.mark.parametrize(
    ("ne", "generations", "kept"),
    [
        (10, 1, 0.95),
        (10, 10, 0.598737),
        (50, 10, 0.904382),
        (50, 20, 0.817907),
        (100, 20, 0.904610),
        (500, 100, 0.904792),
        (math.inf, 9, 1.0),
        (50, 0, 1.0),
    ],
)
def test_diversity_kept__worked_numbers(ne: float, generations: int, kept: float) -> None:
    assert diversity_kept(ne, generations).value == pytest.approx(kept, abs=1e-6)
    if generations:
        assert diversity_kept_over([ne] * generations).value == pytest.approx(kept, abs=1e-6)
        assert inbreeding_after(ne, generations) == pytest.approx(1 - kept, abs=1e-6)


def test_diversity_kept__inbreeding_of_five_generations() -> None:
    assert inbreeding_after(50, 5) == pytest.approx(0.049010, abs=1e-6)
    assert inbreeding_after(100, 5) == pytest.approx(0.024751, abs=1e-6)


def test_diversity_kept__carries_limits() -> None:
    found = diversity_kept(Estimate(50.0, 20.0, math.inf), 5)
    assert (found.low, found.high) == (pytest.approx(0.975**5), 1.0)
    assert "Ne is not known: none" in diversity_kept(Estimate.not_estimable("none"), 5).reason
    with pytest.raises(ValueRangeError, match=r"found Ne 0\.2"):
        diversity_kept(0.2, 5)
    with pytest.raises(ValueRangeError, match=r"none below 0\.5"):
        diversity_kept_over([])


def test_ne_targets__worked_numbers() -> None:
    assert ne_to_keep_over_years(0.9, 100, 1) == pytest.approx(474.561, abs=1e-3)
    assert ne_to_keep_over_years(0.9, 200, 1) == pytest.approx(949.122, abs=1e-3)
    for length, years, ne in (
        (5, 100, 95.162435),
        (10, 200, 95.162435),
        (10, 100, 47.706547),
        (20, 100, 23.978932),
    ):
        assert ne_to_keep(0.9, years / length) == pytest.approx(ne, abs=1e-6)
    assert diversity_kept(ne_to_keep(0.9, 13), 13).value == pytest.approx(0.9)
    assert generations_until(0.9, ne_to_keep(0.9, 13)) == pytest.approx(13)
    assert generations_until(0.9, math.inf) == math.inf
    with pytest.raises(ValueRangeError, match="found share 1 over 10"):
        ne_to_keep(1, 10)


def test_founders__worked_numbers() -> None:
    for n, kept in ((5, 0.9), (10, 0.95), (15, 0.966667), (20, 0.975), (30, 0.983333), (50, 0.99)):
        assert founders_diversity(n) == pytest.approx(kept, abs=1e-6)
    for p, n, chance in (
        (0.05, 30, 0.953930),
        (0.05, 10, 0.641514),
        (0.01, 50, 0.633968),
        (0.01, 150, 0.950959),
    ):
        assert chance_to_carry(p, n) == pytest.approx(chance, abs=1e-6)
    for p, chance, n in (
        (0.01, 0.95, 150),
        (0.01, 0.99, 230),
        (0.05, 0.95, 30),
        (0.05, 0.99, 45),
        (0.1, 0.95, 15),
        (0.1, 0.99, 22),
    ):
        assert founders_to_carry(p, chance) == n
        assert chance_to_carry(p, n) >= chance > chance_to_carry(p, n - 1)
    assert genes_to_carry(0.05, 0.95) == 59
    with pytest.raises(ValueRangeError, match="Expected both between 0 and 1"):
        genes_to_carry(0.05, 1)
    with pytest.raises(ValueRangeError, match="found 0"):
        founders_diversity(0)


# The table.


def test_side_by_side__runs_all_that_apply(wright_fisher_sample) -> None:
    rng = np.random.default_rng(8)
    calls = wright_fisher_sample(12, 12, 40, 40, rng, n_alleles=4)
    earlier = wright_fisher_sample(12, 12, 40, 40, rng, n_alleles=4)
    data = GroupData(
        group="year class 2024",
        genotypes=calls,
        earlier=earlier,
        generations=2.0,
        dam=rng.integers(0, 12, 40),
        sire=rng.integers(0, 12, 40),
        n_females=12,
        n_males=12,
        female_shares=rng.random(12),
        male_shares=rng.random(12),
    )
    table = effective_size_side_by_side(data, n_bootstrap=200)
    assert table.not_run == ()
    assert len(table.rows) == 5 + 1 + 1 + 3 + 1 + 1
    assert {r.quantity for r in table.rows} == {"Nb", "Ne"}
    for row in table.rows:
        assert row.estimate.estimable
        assert "year class 2024" in row.estimate.note
        assert row.rests_on


def test_side_by_side__adds_the_corrections_asked_for(wright_fisher_sample) -> None:
    calls = wright_fisher_sample(12, 12, 30, 40, np.random.default_rng(8))
    data = GroupData(
        "year class 2024", genotypes=calls, n_chromosomes=25, adult_lifespan=20, age_at_maturity=4
    )
    rows = effective_size_side_by_side(data, screens=[0.05]).rows
    assert [(r.quantity, r.method.split(", ", 2)[2:]) for r in rows[:4]] == [
        ("Nb", []),
        ("Nb", ["corrected for chromosomes"]),
        ("Nb", ["corrected for overlapping generations"]),
        ("Ne", ["corrected for overlapping generations, per generation"]),
    ]
    with pytest.raises(UsageError, match="found only one of adult lifespan and age at maturity"):
        effective_size_side_by_side(GroupData("x", adult_lifespan=3.0))


def test_side_by_side__says_what_is_missing() -> None:
    table = effective_size_side_by_side(GroupData("the pond", n_females=3, n_males=5))
    assert [r.method for r in table.rows] == ["sex ratio"]
    assert "linkage disequilibrium needs genotypes of the group" in table.not_run
    assert len(table.not_run) == 5


def test_side_by_side__mixed_ages_are_called_so(wright_fisher_sample) -> None:
    calls = wright_fisher_sample(12, 12, 30, 40, np.random.default_rng(8))
    table = effective_size_side_by_side(GroupData("the lake", "mixed-ages", calls), screens=[0.05])
    assert [r.quantity for r in table.rows] == ["between Nb and Ne"]
    assert "heterozygote excess needs young of one cohort" in table.not_run


def test_side_by_side__raises_on_half_a_pair() -> None:
    with pytest.raises(UsageError, match="found only one of dams and sires"):
        effective_size_side_by_side(GroupData("x", dam=np.arange(3)))
    with pytest.raises(UsageError, match="an earlier sample but no genotypes"):
        effective_size_side_by_side(GroupData("x", earlier=np.zeros((1, 2, 2), np.int16), generations=1))
    with pytest.raises(UsageError, match="kind of sample: found 'all'"):
        effective_size_side_by_side(GroupData("x", kind="all"))  # type: ignore[arg-type]


def test_meaning__names_the_group() -> None:
    assert "produced year class 2021" in single_sample_meaning("one-cohort", "year class 2021")
    assert "the sampled group" in single_sample_meaning("discrete-generation", "")
