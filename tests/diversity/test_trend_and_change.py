"""Trend over year classes, change between two, their power, and refusal across marker sets."""

from __future__ import annotations

import numpy as np
import pytest

from broodstock.diversity.change import change_between, frequencies_after_loss, simulated_power
from broodstock.diversity.comparable import comparable_groups
from broodstock.diversity.group_statistics import group_statistics, permuted_statistics
from broodstock.diversity.groups import split_by_group
from broodstock.diversity.trend import trend_by_year_class, trend_of_estimates, weighted_trend
from broodstock.errors import ShapeError, UsageError, ValueRangeError
from broodstock.estimates import Estimate
from broodstock.genotypes.genotype_set import GenotypeSet, Locus

FEW = 100


def declining_set(loss_per_year: float, n_years: int = 6, n_fish: int = 40, n_loci: int = 60, seed: int = 1):
    """Year classes whose expected heterozygosity falls by a known amount each year."""
    rng = np.random.default_rng(seed)
    p = rng.uniform(0.25, 0.75, size=n_loci)
    f = np.stack([p, 1 - p], axis=1)
    calls, years = [], []
    for y in range(n_years):
        q = frequencies_after_loss(f, loss_per_year * y)[:, 1]
        calls.append((rng.random((n_loci, n_fish, 2)) < q[:, None, None]).astype(np.int16))
        years += [2015 + y] * n_fish
    return np.concatenate(calls, axis=1), years


# The line


def test_weighted_trend__agrees_with_statsmodels() -> None:
    sm = pytest.importorskip("statsmodels.api")
    rng = np.random.default_rng(2)
    x = np.arange(2010, 2020)
    v = rng.uniform(0.5, 2, size=10)
    y = 3 + 0.4 * (x - 2010) + rng.normal(size=10) * np.sqrt(v) * 3
    found = weighted_trend(x, y, v)
    reference = sm.WLS(y, sm.add_constant(x - 2010), weights=1 / v).fit()
    assert found.slope.value == pytest.approx(reference.params[1])
    assert found.intercept == pytest.approx(reference.params[0])
    assert found.excess == pytest.approx(reference.scale)
    # More variation than sampling explains: the residual scale and Student's t, as statsmodels has them.
    assert found.excess > 1
    low, high = reference.conf_int()[1]
    assert (found.slope.low, found.slope.high) == (pytest.approx(low), pytest.approx(high))
    assert found.p_value == pytest.approx(reference.pvalues[1])


def test_weighted_trend__known_variances_when_there_is_no_excess() -> None:
    x = np.array([0.0, 1, 2, 3])
    v = np.array([1.0, 2, 2, 1])
    found = weighted_trend(x, 1 + 0.5 * x, v)
    w = 1 / v
    sxx = (w * (x - 1.5) ** 2).sum()
    assert found.slope.value == pytest.approx(0.5)
    assert found.excess == pytest.approx(0, abs=1e-12)
    assert found.slope.high - 0.5 == pytest.approx(1.959964 / np.sqrt(sxx), rel=1e-6)
    # (z of 0.975 + z of 0.8) standard errors.
    assert found.smallest_detectable == pytest.approx((1.959964 + 0.841621) / np.sqrt(sxx), rel=1e-6)
    assert "with a chance of 80 %" in found.power_text()


def test_weighted_trend__power_is_what_it_says() -> None:
    rng = np.random.default_rng(3)
    x, v = np.arange(8.0), np.full(8, 0.5)
    slope = weighted_trend(x, np.zeros(8), v).smallest_detectable
    y = slope * x + rng.normal(size=(3000, 8)) * np.sqrt(v)
    # The residual mean square is at times above 1 by chance, which widens limits and costs a little power.
    known = [abs(weighted_trend(x, row, v).slope.value) for row in y]
    se = slope / (1.959964 + 0.841621)
    assert np.mean(np.array(known) > 1.959964 * se) == pytest.approx(0.8, abs=0.025)


def test_weighted_trend__order_of_years_and_units() -> None:
    x = np.array([2012, 2015, 2013, 2019])
    y, v = np.array([0.5, 0.4, 0.45, 0.38]), np.array([1e-4, 2e-4, 1e-4, 3e-4])
    one = weighted_trend(x, y, v)
    order = [2, 0, 3, 1]
    two = weighted_trend(x[order], y[order], v[order])
    assert one.slope.value == pytest.approx(two.slope.value)
    assert one.intercept == pytest.approx(two.intercept)
    percent = weighted_trend(x, 100 * y, 10000 * v)
    assert percent.slope.value == pytest.approx(100 * one.slope.value)
    assert percent.p_value == pytest.approx(one.p_value)


def test_weighted_trend__not_estimable_and_refusals() -> None:
    two = weighted_trend(np.array([1, 2, 2]), np.array([1.0, 2, 2]), np.ones(3))
    assert two.slope.reason == "a trend needs three year classes or more, and there are 2"
    assert two.power_text() == "The power of the test for a trend cannot be stated."
    flat = weighted_trend(np.arange(3), np.zeros(3), np.zeros(3))
    assert flat.slope.reason == "no year class has any sampling variance"
    part = weighted_trend(np.arange(3), np.array([0.1, 0.2, 0.0]), np.array([0.1, 0.2, 0]))
    assert "given the smallest of the others" in part.slope.note
    with pytest.raises(ShapeError, match="found 3 years, 2 values and 3 variances"):
        weighted_trend(np.arange(3), np.zeros(2), np.ones(3))
    with pytest.raises(ValueRangeError, match="not finite, or a negative variance"):
        weighted_trend(np.arange(3), np.array([1, np.inf, 2]), np.ones(3))
    with pytest.raises(UsageError, match="found power 80"):
        weighted_trend(np.arange(3), np.zeros(3), np.ones(3), power=80)


def test_trend_of_estimates__uses_the_width_and_leaves_out_what_has_none() -> None:
    years = [2016, 2017, 2018, 2019, 2020]
    estimates = [Estimate(5 - k, 5 - k - 1.959964, 5 - k + 1.959964) for k in range(4)]
    estimates.append(Estimate(9.0, 3.0, float("inf")))
    found = trend_of_estimates(years, estimates)
    assert found.slope.value == pytest.approx(-1)
    assert found.slope.n_used == 4
    assert "1 years without a value or a finite interval left out" in found.slope.note
    assert found.smallest_detectable == pytest.approx((1.959964 + 0.841621) / np.sqrt(5), rel=1e-5)
    none = trend_of_estimates([2016], [Estimate.not_estimable("no fish")])
    assert none.slope.reason == "a trend needs three year classes or more, and there are 0"
    with pytest.raises(ShapeError, match="found 2 years and 1 estimates"):
        trend_of_estimates([1, 2], estimates[:1])


def test_trend_by_year_class__finds_a_known_loss(wrap_calls) -> None:
    calls, years = declining_set(0.02)
    found = trend_by_year_class(wrap_calls(calls, 2), years, n_replicates=FEW)
    (fit,) = found.fits
    assert fit.slope.low < -0.02 < fit.slope.high
    assert fit.p_value < 0.001
    assert found.breaks == ()
    assert [p.year for p in found.points] == list(range(2015, 2021))
    assert all(p.n_fish == 40 and p.n_loci == 60 and p.run == 0 for p in found.points)
    assert "bootstrap over fish" in fit.slope.method


def test_trend_by_year_class__no_loss_and_power(wrap_calls) -> None:
    calls, years = declining_set(0.0, seed=5)
    (fit,) = trend_by_year_class(wrap_calls(calls, 2), years, n_replicates=FEW).fits
    assert fit.slope.low < 0 < fit.slope.high
    assert 0.0005 < fit.smallest_detectable < 0.02


@pytest.mark.parametrize(
    "statistic", ["allelic_richness", "inbreeding_coefficient", "observed_heterozygosity"]
)
def test_trend_by_year_class__other_statistics_and_order_of_fish(random_set, statistic) -> None:
    genotypes = random_set(15, 60, 4, seed=81)
    years = np.array([2018, 2019, 2020, 2021] * 15)
    one = trend_by_year_class(genotypes, years.tolist(), statistic, n_replicates=FEW)
    order = np.random.default_rng(1).permutation(60)
    two = trend_by_year_class(genotypes.take(order), years[order].tolist(), statistic, n_replicates=FEW)
    for a, b in zip(one.points, two.points, strict=True):
        assert a.estimate.value == pytest.approx(b.estimate.value)


# Marker sets


def two_marker_sets(shared: int) -> tuple[GenotypeSet, list[int]]:
    """Years 2015 to 2017 typed at 14 microsatellites, 2018 to 2020 at 30 SNPs; some SNPs in all years."""
    rng = np.random.default_rng(82)
    n = 120
    years = [2015 + i // 20 for i in range(n)]
    old = np.array([y < 2018 for y in years])
    sized = rng.integers(0, 8, size=(14, n, 2))
    sized[:, ~old] = -1
    snps = rng.integers(0, 2, size=(30, n, 2))
    snps[shared:, old] = -1
    loci = [Locus(f"Lms{i}", "microsatellite") for i in range(14)] + [Locus(f"Lsn{i}") for i in range(30)]
    alleles = [tuple(str(100 + 2 * k) for k in range(8))] * 14 + [("A", "G")] * 30
    calls = np.concatenate([sized, snps]).astype(np.int16)
    return GenotypeSet(tuple(f"LF-{i}" for i in range(n)), tuple(loci), tuple(alleles), calls), years


def test_comparable_groups__different_marker_sets_break() -> None:
    genotypes, years = two_marker_sets(shared=0)
    found = comparable_groups(genotypes, years)
    assert [r.groups for r in found.runs] == [(2015, 2016, 2017), (2018, 2019, 2020)]
    assert [len(r.loci) for r in found.runs] == [14, 30]
    (broken,) = found.breaks
    assert (broken.before, broken.after, broken.shared_loci) == (2017, 2018, 0)
    assert not found.all_comparable
    assert found.shared_run(2015, 2017) is found.runs[0]
    assert found.shared_run(2015, 2018) is None


def test_comparable_groups__shared_loci_join_the_years() -> None:
    genotypes, years = two_marker_sets(shared=12)
    found = comparable_groups(genotypes, years)
    assert found.all_comparable
    assert found.runs[0].loci == tuple(range(14, 26))
    assert not comparable_groups(genotypes, years, least_loci=13).all_comparable


def test_comparable_groups__microsatellites_of_two_laboratories() -> None:
    rng = np.random.default_rng(83)
    calls = rng.integers(0, 5, size=(14, 40, 2)).astype(np.int16)
    loci = tuple(Locus(f"Lms{i}", "microsatellite") for i in range(14))
    genotypes = GenotypeSet(tuple(f"LF-{i}" for i in range(40)), loci, (tuple("abcde"),) * 14, calls)
    groups = [2015, 2016] * 20
    sets = {2015: "set one", 2016: "set two"}
    found = comparable_groups(genotypes, groups, marker_sets=sets)
    assert found.breaks[0].reason == "marker set set one changed to set two: 0 shared loci, fewer than 10"
    assert comparable_groups(genotypes, groups, marker_sets=sets, calibrated=True).all_comparable
    assert comparable_groups(genotypes, groups).all_comparable


def test_comparable_groups__left_out_and_refusals(random_set, wrap_calls) -> None:
    genotypes = random_set(12, 20, 3, seed=84)
    calls = genotypes.calls.copy()
    calls[:, 10:15] = -1
    calls[3:, 15:] = -1
    blank = wrap_calls(calls, 3)
    groups = ["a"] * 10 + ["b"] * 5 + ["c"] * 5
    found = comparable_groups(blank, groups, order=["gone", "a", "b", "c"])
    assert [r.groups for r in found.runs] == [("a",)]
    assert dict(found.left_out) == {
        "gone": "the group has no fish",
        "b": "no fish of the group was typed at any neutral locus",
        "c": "typed at 3 neutral loci, fewer than 10",
    }
    with pytest.raises(ShapeError, match="found 3 labels for 20 samples"):
        comparable_groups(genotypes, groups[:3])
    with pytest.raises(UsageError, match="found least_loci 0"):
        comparable_groups(genotypes, groups, least_loci=0)
    with pytest.raises(UsageError, match="found call_rate 2"):
        comparable_groups(genotypes, groups, call_rate=2)
    with pytest.raises(UsageError, match="found no marker set for b, c"):
        comparable_groups(genotypes, groups, marker_sets={"a": "one"})


def test_trend_by_year_class__line_is_broken_where_loci_change() -> None:
    genotypes, years = two_marker_sets(shared=0)
    found = trend_by_year_class(genotypes, years, n_replicates=FEW)
    assert [p.run for p in found.points] == [0, 0, 0, 1, 1, 1]
    assert [p.n_loci for p in found.points] == [14, 14, 14, 30, 30, 30]
    assert len(found.fits) == 2
    assert len(found.breaks) == 1
    # Without the break the step from eight alleles to two would read as a loss of diversity.
    assert found.points[2].estimate.value - found.points[3].estimate.value > 0.3
    for fit in found.fits:
        assert fit.slope.low < 0 < fit.slope.high


def test_trend_by_year_class__years_without_calls_say_why(random_set, wrap_calls) -> None:
    calls, years = declining_set(0.01, n_years=4)
    calls[:, :40] = -1
    found = trend_by_year_class(wrap_calls(calls, 2), years, n_replicates=FEW)
    assert found.points[0].run is None
    assert found.points[0].estimate.reason == "no fish of the group was typed at any neutral locus"
    assert found.fits[0].slope.n_used == 3
    with pytest.raises(UsageError, match="found statistic 'number_of_alleles'"):
        trend_by_year_class(wrap_calls(calls, 2), years, "number_of_alleles")


# Change between two year classes


def test_change_between__finds_a_known_loss(wrap_calls) -> None:
    calls, years = declining_set(0.06, n_years=2, n_fish=60, n_loci=80, seed=6)
    genotypes = wrap_calls(calls, 2)
    for test in ("bootstrap", "permutation"):
        found = change_between(genotypes, years, 2015, 2016, test=test, n_replicates=300)
        assert found.difference.low < -0.06 < found.difference.high
        assert found.p_value < 0.01
        assert (found.n_before, found.n_after, found.n_loci) == (60, 60, 80)
        assert found.smallest_detectable < 0.06
    assert "With 60 and 60 fish at 80 loci, a change of" in found.power_text()
    assert "permutation of whole fish" in found.test


def test_change_between__is_antisymmetric(random_set) -> None:
    genotypes = random_set(15, 40, 4, seed=85)
    groups = ["w", "h"] * 20
    one = change_between(genotypes, groups, "w", "h", n_replicates=FEW)
    two = change_between(genotypes, groups, "h", "w", n_replicates=FEW)
    assert one.difference.value == pytest.approx(-two.difference.value)


@pytest.mark.parametrize("over", ["fish", "loci", "both"])
@pytest.mark.parametrize(
    "statistic",
    ["observed_heterozygosity", "allelic_richness", "inbreeding_coefficient", "effective_alleles"],
)
def test_change_between__every_statistic(random_set, over, statistic) -> None:
    genotypes = random_set(15, 40, 4, seed=86)
    found = change_between(genotypes, ["w", "h"] * 20, "w", "h", statistic, over=over, n_replicates=FEW)
    assert found.difference.low < found.difference.value < found.difference.high
    assert 0 < found.p_value <= 1
    assert found.smallest_detectable > 0


def test_permuted_statistics__slow_version(random_set) -> None:
    genotypes = random_set(6, 12, 3, seed=87, missing=0)
    parts = split_by_group(genotypes, ["w"] * 5 + ["h"] * 7)
    design = group_statistics(parts, g=6).design
    fast = permuted_statistics(parts, "allelic_richness", design, 20, np.random.default_rng(4))
    rng = np.random.default_rng(4)
    labels = rng.permuted(np.broadcast_to(np.repeat([0, 1], [5, 7]), (20, 12)), axis=1)
    for k in range(20):
        dealt = split_by_group(genotypes, labels[k].tolist(), order=[0, 1])
        slow = group_statistics(dealt, g=6).values["allelic_richness"]
        np.testing.assert_allclose(fast[k], slow, atol=1e-12)


def test_change_between__test_is_of_its_size(random_set) -> None:
    p_values = []
    for seed in range(60):
        genotypes = random_set(10, 24, 2, seed=300 + seed, missing=0)
        p_values.append(
            change_between(genotypes, ["w", "h"] * 12, "w", "h", n_replicates=FEW, seed=seed).p_value
        )
    assert np.mean(np.array(p_values) <= 0.1) < 0.22


def test_change_between__refused_across_marker_sets() -> None:
    genotypes, years = two_marker_sets(shared=0)
    found = change_between(genotypes, years, 2015, 2020)
    assert found.difference.reason == (
        "the groups were not typed at the same loci (0 shared loci, fewer than 10)"
    )
    assert found.p_value is None
    assert found.power_text() == "The power of the test cannot be stated."
    joined, years = two_marker_sets(shared=12)
    assert change_between(joined, years, 2015, 2020, n_replicates=FEW).n_loci == 12


def test_change_between__not_estimable_and_refusals(random_set) -> None:
    genotypes = random_set(12, 21, 3, seed=88)
    groups = ["w"] * 20 + ["lone"]
    lone = change_between(genotypes, groups, "w", "lone", n_replicates=FEW)
    assert "lone" in lone.difference.reason
    gone = change_between(genotypes, groups, "w", "gone", n_replicates=FEW)
    assert gone.difference.reason == "group gone: the group has no fish"
    with pytest.raises(UsageError, match="found w twice"):
        change_between(genotypes, groups, "w", "w")
    with pytest.raises(UsageError, match="found test 't'"):
        change_between(genotypes, groups, "w", "lone", test="t")
    with pytest.raises(UsageError, match="found statistic 'private_allelic_richness'"):
        change_between(genotypes, groups, "w", "lone", "private_allelic_richness")
    with pytest.raises(UsageError, match="found power 80"):
        change_between(genotypes, groups, "w", "lone", power=80)


# Power by simulation


def test_frequencies_after_loss__loses_what_was_asked() -> None:
    f = np.random.default_rng(9).dirichlet(np.ones(4), size=30)
    start = (1 - (f**2).sum(axis=1)).mean()
    for loss in (0.0, 0.01, 0.2):
        q = frequencies_after_loss(f, loss)
        assert (1 - (q**2).sum(axis=1)).mean() == pytest.approx(start - loss, abs=1e-9)
        np.testing.assert_allclose(q.sum(axis=1), 1)
    with pytest.raises(ValueRangeError, match=r"found a loss of 0\.9"):
        frequencies_after_loss(f, 0.9)


def test_simulated_power__none_small_and_large_loss() -> None:
    f = np.tile([0.5, 0.5], (40, 1))
    none = simulated_power(f, 25, 25, 0.0, n_simulations=60, n_replicates=60)
    large = simulated_power(f, 25, 25, 0.08, n_simulations=40, n_replicates=60)
    assert none.value < 0.2
    assert large.value > 0.9
    assert none.low <= none.value <= none.high
    assert "60 simulated pairs" in none.method
    with pytest.raises(ValueRangeError, match="samples of 1 and 25 fish"):
        simulated_power(f, 1, 25, 0.01)
    with pytest.raises(UsageError, match="found 5 simulations"):
        simulated_power(f, 25, 25, 0.01, n_simulations=5)


@pytest.mark.slow
@pytest.mark.parametrize("n_loci", [40, 120])
def test_smallest_detectable_change__is_found_four_times_in_five(n_loci) -> None:
    # The stated change against the simulated power of the same test at that change.
    rng = np.random.default_rng(10)
    p = rng.uniform(0.2, 0.5, size=n_loci)
    f = np.stack([p, 1 - p], axis=1)
    calls = (rng.random((n_loci, 80, 2)) < p[:, None, None]).astype(np.int16)
    genotypes = GenotypeSet(
        tuple(f"LF-{i}" for i in range(80)),
        tuple(Locus(f"Lsn{i}") for i in range(n_loci)),
        (("A", "G"),) * n_loci,
        calls,
    )
    stated = change_between(genotypes, ["w", "h"] * 40, "w", "h").smallest_detectable
    found = simulated_power(f, 40, 40, stated, n_simulations=400, n_replicates=400)
    assert found.value == pytest.approx(0.8, abs=0.1)
