from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from broodstock.effective_size.demographic import (
    combine_sexes,
    contribution_ne,
    effective_number,
    family_size_ne,
    harmonic_mean_ne,
    inbreeding_rate,
    rescale_variance,
    sex_ratio_ne,
)
from broodstock.effective_size.offspring_counts import bootstrap_sharing, nb_from_offspring_counts
from broodstock.effective_size.overlapping import (
    LifeTable,
    inbreeding_per_year,
    life_table_ne,
    once_spawning_ne,
    overlapping_sexes_ne,
)
from broodstock.errors import ShapeError, ValueRangeError
from broodstock.estimates import Estimate


@pytest.mark.parametrize(
    ("females", "males", "ne"),
    [(25, 25, 50), (5, 45, 18), (10, 40, 32), (10, 90, 36), (1, 99, 3.96), (2, 98, 7.84), (5, 5, 10)],
)
def test_sex_ratio__wright_1931(females: int, males: int, ne: float) -> None:
    assert sex_ratio_ne(females, males).value == pytest.approx(ne)
    assert sex_ratio_ne(males, females).value == pytest.approx(ne)
    assert inbreeding_rate(females, males) == pytest.approx(1 / (2 * ne))


def test_sex_ratio__one_against_endless() -> None:
    assert combine_sexes(1, math.inf) == 4
    assert inbreeding_rate(5, 45) == pytest.approx(0.0277778, abs=1e-7)
    assert inbreeding_rate(1, 99) == pytest.approx(0.126263, abs=1e-6)


def test_sex_ratio__says_which_sex_is_missing() -> None:
    assert sex_ratio_ne(0, 5).text() == "not estimable because there are no females"
    assert sex_ratio_ne(4, 0).text() == "not estimable because there are no males"
    with pytest.raises(ValueRangeError, match="found -1 females and 3 males"):
        sex_ratio_ne(-1, 3)


def test_guideline_crossings__printed_numbers() -> None:
    # Genetics management guidelines for endangered fishes (Williamson & Wydoski 1994): 25 pairs give 50 and
    # 1 %, five by five give 10 and 5 %.
    assert (sex_ratio_ne(25, 25).value, inbreeding_rate(25, 25)) == pytest.approx((50, 0.01))
    assert (sex_ratio_ne(5, 5).value, inbreeding_rate(5, 5)) == pytest.approx((10, 0.05))


def test_family_size__crow_and_kimura_1970() -> None:
    with_selfing = [99, 66, 49.5, 33, 19.8, 9]
    without = [98, 65.333333, 49, 32.666667, 19.6, 8.909091]
    for variance, a, b in zip([0, 1, 2, 4, 8, 20], with_selfing, without, strict=True):
        assert family_size_ne(50, variance, selfing=True).value == pytest.approx(a, abs=1e-6)
        assert family_size_ne(50, variance).value == pytest.approx(b, abs=1e-6)


def test_family_size__poisson_with_departure_caballero_and_hill_1992() -> None:
    for departure in (-0.05, 0.0, 0.2):
        assert family_size_ne(80, 2.0, departure=departure).value == pytest.approx(80 / (1 + departure))


def test_family_size__rescaled_to_two() -> None:
    for mean, variance, scaled in ((10, 10, 2), (10, 60, 4), (5, 25, 5.2)):
        assert rescale_variance(mean, variance) == pytest.approx(scaled)
    assert family_size_ne(30, 60, mean=10, selfing=True).value == pytest.approx(19.666667, abs=1e-6)
    assert "scaled from a mean of 10" in family_size_ne(30, 60, mean=10).note


def test_rescale_variance__equals_thinning_at_random() -> None:
    """Families thinned with the same survival: exact variance by the law of total variance."""
    sizes = np.array([0, 3, 8, 9, 30])
    survival = 2 / sizes.mean()
    thinned = survival * (1 - survival) * sizes.mean() + survival**2 * sizes.var()
    assert rescale_variance(sizes.mean(), sizes.var()) == pytest.approx(thinned)


def test_family_size__raises() -> None:
    with pytest.raises(ValueRangeError, match="found 1 parents"):
        family_size_ne(1, 2)
    with pytest.raises(ValueRangeError, match="gives a negative variance"):
        rescale_variance(1.0, 0.0)
    with pytest.raises(ValueRangeError, match="Expected positive means"):
        rescale_variance(0.0, 1.0)


def test_contributions__shares_of_one_female_and_four_males() -> None:
    found = contribution_ne([1.0], [0.65, 0.20, 0.11, 0.04])
    assert found.males.value == pytest.approx(2.10, abs=5e-3)
    assert found.both.value == pytest.approx(2.71, abs=5e-3)
    assert contribution_ne([1], [1, 1, 1, 1]).both.value == pytest.approx(3.2)


def test_contributions__equal_is_the_sex_ratio_and_scale_is_free() -> None:
    assert contribution_ne(np.full(24, 3.0), np.full(26, 0.1)).both.value == pytest.approx(49.92)
    # 24 females x 3 males each over 26 males: 20 used three times, 6 twice.
    uses = np.r_[np.full(20, 3), np.full(6, 2)]
    assert uses.sum() == 72
    assert contribution_ne(np.ones(24), uses).both.value == pytest.approx(49.37, abs=5e-3)


def test_effective_number__raises() -> None:
    with pytest.raises(ValueRangeError, match="found a negative or missing share"):
        effective_number([0.5, -0.1])
    with pytest.raises(ValueRangeError, match="no positive one"):
        effective_number([0.0, 0.0])
    with pytest.raises(ShapeError, match="Expected one share per parent"):
        effective_number(np.ones((2, 2)))


def test_offspring_counts__worked_numbers() -> None:
    # Crow & Denniston 1988; Waples & Waples 2011 (from memory).
    k = [4, 0, 3, 1, 2, 2, 5, 0, 1, 2]
    assert nb_from_offspring_counts(k, [1, 1]).females.value == pytest.approx(8.636364, abs=1e-6)
    assert nb_from_offspring_counts([2] * 10, [1, 1]).females.value == pytest.approx(19)
    assert nb_from_offspring_counts([7], [1, 1]).females.value == pytest.approx(1)
    found = nb_from_offspring_counts([10] * 5, [30, 10, 10, 0, 0], whole_cohort=True)
    assert found.males.value == pytest.approx(2.333333, abs=1e-6)
    assert found.females.value == pytest.approx(5.444444, abs=1e-6)
    assert found.both.value == pytest.approx(6.533333, abs=1e-6)
    assert found.both.low is None
    assert nb_from_offspring_counts([10] * 5, [10] * 5).both.value == pytest.approx(10.888889, abs=1e-6)


def test_offspring_counts__is_one_over_the_chance_of_a_shared_parent() -> None:
    k = [4, 0, 3, 1, 2]
    young = [parent for parent, n in enumerate(k) for _ in range(n)]
    pairs = list(itertools.combinations(young, 2))
    chance = sum(a == b for a, b in pairs) / len(pairs)
    assert nb_from_offspring_counts(k, k).females.value == pytest.approx(1 / chance)


def test_offspring_counts__bootstrap_has_no_bias_and_equals_the_slow_one() -> None:
    rng = np.random.default_rng(4)
    counts = np.array([1, 2, 2, 4, 9])
    exact = (counts * (counts - 1)).sum() / (18 * 17)
    fast = bootstrap_sharing(counts, 40_000, rng)
    assert fast.mean() == pytest.approx(exact, rel=0.01)
    young = np.repeat(np.arange(5), counts)
    slow = []
    for _ in range(4000):
        pick = rng.integers(0, 18, 18)
        m = np.bincount(pick, minlength=18).astype(float)
        pair = np.outer(m, m)
        np.fill_diagonal(pair, 0)
        # Divided by its mean number of pairs of different young, (n - 1)**2.
        slow.append((pair * (young[:, None] == young[None, :])).sum() / 17**2)
    assert fast.std() == pytest.approx(np.std(slow), rel=0.06)
    assert fast.mean() == pytest.approx(np.mean(slow), rel=0.03)


def test_offspring_counts__interval_and_order() -> None:
    a = nb_from_offspring_counts([4, 3, 1, 2, 2, 5], [9, 5, 3], seed=3).both
    assert a.low is not None
    assert a.high is not None
    assert a.low < a.value < a.high
    b = nb_from_offspring_counts([4, 3, 1, 2, 2, 5], [9, 5, 3], seed=3).both
    assert a == b


def test_offspring_counts__nobody_shares_a_parent_is_infinite() -> None:
    found = nb_from_offspring_counts([1] * 20, [1] * 20)
    assert found.both.value == math.inf
    assert found.both.high == math.inf
    # 95 % limit of a chance seen 0 times in 10 disjoint pairs, of half-sib kind on either side.
    assert found.females.low == pytest.approx(1 / (1 - 0.05**0.1))
    assert found.both.low == pytest.approx(2 / (1 - 0.05**0.1))
    assert "No two young share a parent" in found.both.note


def test_offspring_counts__too_few_young_and_bad_input() -> None:
    found = nb_from_offspring_counts([1], [3, 2])
    assert found.females.text() == "not estimable because fewer than two young have known mothers"
    assert not found.both.estimable
    assert found.males.estimable
    with pytest.raises(ValueRangeError, match="Expected whole counts"):
        nb_from_offspring_counts([1, -2], [1, 1])
    with pytest.raises(ValueRangeError, match="found 10 samples"):
        nb_from_offspring_counts([1, 2], [1, 1], n_bootstrap=10)
    with pytest.raises(ShapeError, match="Expected one count each"):
        nb_from_offspring_counts([[1, 2]], [1, 1])  # type: ignore[list-item]


def test_harmonic_mean__worked_numbers() -> None:
    for sizes, mean in (
        ([100, 10, 100], 25),
        ([100, 100, 10, 100, 100], 35.714286),
        ([1000, 10, 1000], 29.411765),
        ([40, 4000], 79.207921),
    ):
        assert harmonic_mean_ne(sizes).value == pytest.approx(mean, abs=1e-6)
    assert harmonic_mean_ne([math.inf, 50]).value == 100
    assert harmonic_mean_ne([math.inf]).value == math.inf


def test_harmonic_mean__carries_limits_and_reasons() -> None:
    a, b = Estimate(20.0, 10.0, math.inf), Estimate(40.0, 30.0, 90.0)
    mean = harmonic_mean_ne([a, b])
    assert (mean.low, mean.high) == pytest.approx((15.0, 180.0))
    gap = harmonic_mean_ne([a, Estimate.not_estimable("no sample was taken")])
    assert gap.text() == "not estimable because generation 2 has no estimate"
    assert harmonic_mean_ne([a, 30.0]).low is None
    with pytest.raises(ValueRangeError, match="at least one positive number"):
        harmonic_mean_ne([])


def test_overlapping_sexes__hill_1979_poisson() -> None:
    # Lifetime young Poisson: a male has F/M daughters and one son on average, a female M/F sons.
    for length, ne in ((1, 32), (5, 160)):
        found = overlapping_sexes_ne(10, 40, length, male_variances=(1, 0, 4), female_variances=(0.25, 0, 1))
        assert found.value == pytest.approx(ne)
    with pytest.raises(ValueRangeError, match="Expected positive numbers"):
        overlapping_sexes_ne(0, 40, 1, male_variances=(1, 0, 4), female_variances=(0.25, 0, 1))


def life_table() -> LifeTable:
    return LifeTable(np.array([0.5, 0.6, 0.8, 0.5, 0.0]), np.array([0.0, 0.0, 1.0, 2.0, 2.0]))


def test_life_table__generation_length_by_hand() -> None:
    table = life_table()
    np.testing.assert_allclose(table.alive, [1, 0.5, 0.3, 0.24, 0.12])
    births = [0.3, 0.48, 0.24]
    length = (2 * 0.3 + 3 * 0.48 + 4 * 0.24) / sum(births)
    assert table.generation_length == pytest.approx(length)


def test_life_table__survival_variance_equals_that_of_expected_lifetime_young() -> None:
    """Enumerate every age at death: variance of lifetime young about its mean of 1."""
    table = life_table()
    per_young = table.births / (table.alive * table.births).sum()
    total = np.cumsum(per_young)  # lifetime young of a fish that dies after age i
    chance = table.alive * (1 - table.survival)
    assert chance.sum() == pytest.approx(1)
    mean = (chance * total).sum()
    assert mean == pytest.approx(1)
    assert table.survival_variance == pytest.approx((chance * (total - 1) ** 2).sum())
    # Hill's form 4 N L / (V + 2) with the variance of genes passed on, 2 + 4 x that.
    variance = 2 + 4 * table.survival_variance
    assert life_table_ne(50, table).value == pytest.approx(4 * 50 * table.generation_length / (variance + 2))


def test_life_table__raises() -> None:
    with pytest.raises(ValueRangeError, match="no breeding age that is reached"):
        LifeTable(np.array([0.0, 0.5]), np.array([0.0, 3.0]))
    with pytest.raises(ShapeError, match="Expected one per age"):
        LifeTable(np.array([0.5]), np.array([0.0, 3.0]))
    with pytest.raises(ValueRangeError, match="found 0 newborns a year"):
        life_table_ne(0, life_table())


def yearly_loss(table: LifeTable, newborns: int, n_replicates: int, rng: np.random.Generator) -> float:
    """Return the yearly rate at which newborn heterozygosity falls in a simulated aged population."""
    years, burn, n_loci = 60, 20, 400
    rows, columns = np.arange(newborns)[:, None], np.arange(n_loci)[None]
    kept = np.zeros(years)
    for _ in range(n_replicates):
        ages = np.repeat(np.arange(len(table.births)), newborns)
        fish = (rng.random((len(ages), n_loci, 2)) < 0.5).astype(np.int8)
        for year in range(years):
            alive = rng.random(len(ages)) < table.survival[ages]
            fish, ages = fish[alive], ages[alive] + 1
            chance = table.births[ages] / table.births[ages].sum()
            parent = rng.choice(len(ages), (newborns, 2), p=chance)
            side = rng.integers(0, 2, (2, newborns, n_loci))
            young = np.stack([fish[parent[:, s]][rows, columns, side[s]] for s in (0, 1)], axis=2)
            fish, ages = np.concatenate([young, fish]), np.concatenate([np.zeros(newborns, int), ages])
            p = young.mean(axis=(0, 2))
            kept[year] += (p * (1 - p)).mean()
    return float(np.log(kept[burn] / kept[-1]) / (years - 1 - burn))


@pytest.mark.parametrize(
    ("survival", "births", "n_replicates"),
    [
        ([1.0, 1.0, 0.0], [0.0, 1.0, 1.0], 12),
        pytest.param([0.5, 0.7, 0.6, 0.0], [0.0, 1.0, 2.0, 3.0], 60, marks=pytest.mark.slow),
    ],
)
def test_life_table__drift_of_a_simulated_population(
    survival: list[float], births: list[float], n_replicates: int
) -> None:
    """Newborn heterozygosity falls by 1/(2 Ne L) a year (Felsenstein 1971; Hill 1979)."""
    table = LifeTable(np.array(survival), np.array(births))
    ne = life_table_ne(40, table).value
    assert ne is not None
    found = yearly_loss(table, 40, n_replicates, np.random.default_rng(1))
    assert found == pytest.approx(inbreeding_per_year(ne, table.generation_length), rel=0.1)


def test_once_spawning__generation_length_times_harmonic_mean() -> None:
    assert once_spawning_ne([100, 10, 100], 4).value == pytest.approx(100)
    gap = once_spawning_ne([100, Estimate.not_estimable("none")], 4)
    assert gap.text() == "not estimable because year 2 has no estimate"
    with pytest.raises(ValueRangeError, match="generation length: found 0"):
        once_spawning_ne([100], 0)
    assert inbreeding_per_year(50, 5) == pytest.approx(0.002)
    with pytest.raises(ValueRangeError, match="found Ne -1"):
        inbreeding_per_year(-1, 5)
