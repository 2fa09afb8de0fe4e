from __future__ import annotations

import itertools
import math
from dataclasses import replace

import allel
import numpy as np
import pytest

from broodstock.effective_size.allele_columns import allele_columns
from broodstock.effective_size.chi_square_interval import chi_square_interval
from broodstock.effective_size.linkage import linkage_ne, ne_from_drift, suggested_screen
from broodstock.effective_size.linkage_adjustments import adjust_for_age_structure, adjust_for_chromosomes
from broodstock.effective_size.pairwise_ld import expected_r2, sum_pairs
from broodstock.errors import ShapeError, UsageError, ValueRangeError
from broodstock.genotypes.genotype_set import GenotypeSet, Locus


def with_missing(calls: np.ndarray, share: float, rng: np.random.Generator) -> np.ndarray:
    out = calls.copy()
    out[rng.random(calls.shape[:2]) < share] = -1
    return out


def slow_r2(calls: np.ndarray, screen: float, groups: list[int] | None = None) -> tuple[float, float, float]:
    """Return mean r2, its expectation and the harmonic mean sample, from the definitions, pair by pair.

    Burrows' composite disequilibrium (Weir 1979), D + departures from Hardy-Weinberg written out.
    """
    n_loci, _, _ = calls.shape
    weight = total = expected = per_fish = 0.0
    for i, j in itertools.combinations(range(n_loci), 2):
        if groups is not None and groups[i] == groups[j]:
            continue
        kept = []
        for locus in (i, j):
            genes = calls[locus][calls[locus] >= 0]
            present = np.unique(genes)
            frequency = {int(a): (genes == a).mean() for a in present}
            alleles = [a for a, p in frequency.items() if screen - 1e-12 <= p <= 1 - screen + 1e-12]
            kept.append((alleles, min(len(alleles), len(present) - 1)))
        both = (calls[i, :, 0] >= 0) & (calls[j, :, 0] >= 0)
        x, y, s = calls[i, both], calls[j, both], int(both.sum())
        if s < 4 or not kept[0][0] or not kept[1][0]:
            continue
        pair_r2 = []
        for a, b in itertools.product(kept[0][0], kept[1][0]):
            dose_a, dose_b = (x == a).sum(1), (y == b).sum(1)
            p, q = dose_a.mean() / 2, dose_b.mean() / 2
            delta = s / (s - 1) * ((dose_a * dose_b).mean() / 2 - 2 * p * q)
            depart_a, depart_b = (dose_a == 2).mean() - p**2, (dose_b == 2).mean() - q**2
            variance = (p * (1 - p) + depart_a) * (q * (1 - q) + depart_b)
            pair_r2.append(delta**2 / variance if variance > 1e-12 else None)
        share = kept[0][1] * kept[1][1] / len(pair_r2)
        for r2 in pair_r2:
            if r2 is not None:
                w = share * s * s
                weight += w
                total += w * r2
                expected += w * (1 / s + 3.19 / s**2 if s >= 30 else 0.0018 + 0.907 / s + 4.44 / s**2)
                per_fish += w / s
    return total / weight, expected / weight, weight / per_fish


# Formulas and worked numbers: Waples 2006, Waples & Do 2008 (from memory; recomputed).


@pytest.mark.parametrize(
    ("r2", "size", "random", "monogamy"),
    [
        (0.03, 50, 36.012533, 73.614746),
        (0.028, 50, 47.409159, 96.369506),
        (0.06, 50, 5.144017, 13.862790),
        (0.07, 20, 24.398945, 50.382904),
        (0.0122, 100, 175.115942, 351.700519),
    ],
)
def test_ne_from_drift__worked_numbers(r2: float, size: int, random: float, monogamy: float) -> None:
    drift = r2 - float(expected_r2(np.array(size)))
    assert ne_from_drift(drift, size) == pytest.approx(random, abs=1e-5)
    assert ne_from_drift(drift, size, "monogamy") == pytest.approx(monogamy, abs=1e-5)


def test_ne_from_drift__no_drift_is_infinite() -> None:
    assert ne_from_drift(0.0, 50) == math.inf
    assert ne_from_drift(-0.002, 20, "monogamy") == math.inf


def test_ne_from_drift__unknown_mating() -> None:
    with pytest.raises(UsageError, match=r"found 'lek'\. Expected 'random' or 'monogamy'"):
        ne_from_drift(0.01, 50, "lek")  # type: ignore[arg-type]


def test_expected_r2__close_to_the_exact_mean_and_where_it_fails() -> None:
    # Under independence E[(S/(S-1))^2 Pearson^2] = S^2/(S-1)^3 exactly.
    for size, formula in ((10, 0.136900), (15, 0.082000), (20, 0.058250), (29, 0.038355), (30, 0.036878)):
        assert float(expected_r2(np.array(size))) == pytest.approx(formula, abs=1e-6)
        assert formula == pytest.approx(size**2 / (size - 1) ** 3, rel=3e-3)
    for size in (50, 100, 500):
        assert float(expected_r2(np.array(size))) == pytest.approx(size**2 / (size - 1) ** 3, rel=2e-3)
    assert float(expected_r2(np.array(5))) == pytest.approx(0.3608, abs=1e-4)
    exact = 5**2 / 4**3
    assert exact == pytest.approx(0.3906, abs=1e-4)


def test_parametric_interval__worked_number() -> None:
    low, high = chi_square_interval(0.03, 300)
    assert (low, high) == pytest.approx((0.025724, 0.035445), abs=1e-6)
    expected = float(expected_r2(np.array(50)))
    assert ne_from_drift(high - expected, 50) == pytest.approx(21.231, abs=2e-3)
    assert ne_from_drift(low - expected, 50) == pytest.approx(72.818, abs=5e-3)


def test_chi_square_interval__raises_on_impossible_values() -> None:
    with pytest.raises(ValueRangeError, match="Expected a mean of at least 0"):
        chi_square_interval(0.1, 0)


def test_mean_r2__two_loci_by_hand(calls_from_doses) -> None:
    calls = calls_from_doses([[0, 1, 2, 1, 0, 2, 1, 1], [1, 1, 2, 0, 0, 2, 2, 1]])
    (one,) = linkage_ne(calls, screens=[0.0])
    assert one.mean_r2 == pytest.approx(0.602826, abs=1e-6)
    assert one.mean_r2 == pytest.approx((8 / 7 * 0.67936623) ** 2, abs=1e-6)


def test_mean_r2__carries_the_sample_factor(wright_fisher_sample) -> None:
    """The squared Pearson correlation alone would be over-corrected: the factor S/(S-1) is squared in."""
    calls = wright_fisher_sample(20, 20, 60, 25, np.random.default_rng(5))
    (one,) = linkage_ne(calls, screens=[0.0])
    dose = (calls == 1).sum(axis=2)
    polymorphic = (dose.var(axis=1) > 0).nonzero()[0]
    pearson = allel.rogers_huff_r(dose[polymorphic].astype("i1"))
    assert one.mean_r2 == pytest.approx((25 / 24) ** 2 * float((pearson.astype(float) ** 2).mean()), rel=1e-5)


def test_unlinked_loci_of_many_parents__no_bias() -> None:
    """With independent loci the mean r2 equals its expectation; without the factor it would fall short."""
    rng = np.random.default_rng(8)
    calls = (rng.random((700, 40, 2)) < 0.4).astype(np.int16)
    (one,) = linkage_ne(calls, screens=[0.05], jackknife_fish=False)
    assert one.mean_r2 is not None
    assert one.mean_r2 == pytest.approx(40**2 / 39**3, rel=1e-2)
    assert one.mean_r2 * (39 / 40) ** 2 < 0.96 * float(expected_r2(np.array(40)))


@pytest.mark.parametrize("n_alleles", [2, 5])
@pytest.mark.parametrize("missing", [0.0, 0.15])
@pytest.mark.parametrize("screen", [0.0, 0.06, 0.15])
def test_sums__equal_the_pair_by_pair_version(
    wright_fisher_sample, n_alleles: int, missing: float, screen: float
) -> None:
    rng = np.random.default_rng(17)
    calls = wright_fisher_sample(6, 6, 14, 33, rng, generations=2, n_alleles=n_alleles)
    calls = with_missing(calls, missing, rng)
    (one,) = linkage_ne(calls, screens=[screen])
    mean_r2, expected, size = slow_r2(calls, screen)
    assert one.mean_r2 == pytest.approx(mean_r2, rel=1e-9)
    assert one.expected_r2 == pytest.approx(expected, rel=1e-9)
    assert one.sample_size == pytest.approx(size, rel=1e-9)


@pytest.mark.parametrize("n_alleles", [2, 4])
def test_leave_out_fish__equals_starting_again_without_it(wright_fisher_sample, n_alleles: int) -> None:
    """Every fish in turn: downdated sums against sums over the remaining fish, with the same weights."""
    rng, n_loci = np.random.default_rng(23), 30 if n_alleles == 2 else 12
    calls = with_missing(wright_fisher_sample(5, 5, n_loci, 21, rng, 3, n_alleles), 0.1, rng)
    columns = allele_columns(calls)
    screens = np.ones((1, columns.n_columns))
    screens[0, columns.copies < 2] = 0  # singletons drop out with their carrier: tested below
    sums = sum_pairs(columns, screens, n_loci, leave_out_fish=True)
    used = np.flatnonzero(screens[0])
    for k in range(columns.n_fish):
        rest = np.delete(np.arange(columns.n_fish), k)
        weight = drift = 0.0
        for i, j in itertools.combinations(used, 2):
            if columns.locus[i] == columns.locus[j]:
                continue
            whole = (columns.dose[:, i] >= 0) & (columns.dose[:, j] >= 0)
            both = rest[whole[rest]]
            x, y = columns.dose[both, i].astype(float), columns.dose[both, j].astype(float)
            s, w = len(both), float(whole.sum()) ** 2
            if whole.sum() < 4 or x.var() < 1e-9 or y.var() < 1e-9:
                continue
            r2 = (s / (s - 1) * np.corrcoef(x, y)[0, 1]) ** 2
            weight += w
            drift += w * (r2 - float(expected_r2(np.array(float(s)))))
        assert sums.fish_weight[0, k] == pytest.approx(weight, rel=1e-6)
        assert sums.fish_drift[0, k] / sums.fish_weight[0, k] == pytest.approx(drift / weight, abs=2e-6)


def test_leave_out_fish__pairs_whose_allele_goes_with_the_fish_drop_out() -> None:
    rng = np.random.default_rng(3)
    calls = (rng.random((12, 15, 2)) < 0.4).astype(np.int16)
    calls[0] = 0
    calls[0, 4] = (0, 1)  # a singleton carried by fish 4
    columns = allele_columns(calls)
    sums = sum_pairs(columns, np.ones((1, columns.n_columns)), 12, leave_out_fish=True)
    without = sum_pairs(
        allele_columns(calls[1:]), np.ones((1, columns.n_columns - 1)), 11, leave_out_fish=True
    )
    assert sums.fish_weight[0, 4] == pytest.approx(without.weight[0])
    assert sums.fish_drift[0, 4] == pytest.approx(without.fish_drift[0, 4], rel=1e-5, abs=1e-4)


def test_leave_out_locus__equals_starting_again_without_it(wright_fisher_sample) -> None:
    calls = wright_fisher_sample(8, 8, 12, 40, np.random.default_rng(4), n_alleles=4)
    columns = allele_columns(calls)
    full = sum_pairs(columns, np.ones((1, columns.n_columns)), 12)
    for locus in range(12):
        keep = columns.locus != locus
        part = replace(
            columns,
            dose=columns.dose[:, keep],
            locus=columns.locus[keep],
            linkage_group=columns.linkage_group[keep],
        )
        rest = sum_pairs(part, np.ones((1, int(keep.sum()))), 12)
        assert full.drift[0] - full.locus_drift[0, locus] == pytest.approx(rest.drift[0])
        assert full.weight[0] - full.locus_weight[0, locus] == pytest.approx(rest.weight[0])


def test_sums__same_with_any_blocks_and_threads(
    wright_fisher_sample, monkeypatch: pytest.MonkeyPatch
) -> None:
    calls = with_missing(
        wright_fisher_sample(10, 10, 60, 30, np.random.default_rng(6)), 0.05, np.random.default_rng(1)
    )
    one = linkage_ne(calls, threads=1)
    monkeypatch.setattr("broodstock.effective_size.pairwise_ld._CELLS_PER_BLOCK", 150)
    monkeypatch.setattr("broodstock.effective_size.pairwise_ld._CELLS_OF_SUMS", 700)
    two = linkage_ne(calls, threads=3)
    for a, b in zip(one, two, strict=True):
        assert a.over_fish.value == pytest.approx(b.over_fish.value, rel=1e-9)
        assert a.effective_df_fish == pytest.approx(b.effective_df_fish, rel=1e-4)
        assert a.effective_df_loci == pytest.approx(b.effective_df_loci, rel=1e-9)


def test_linkage_ne__order_of_fish_loci_and_allele_names_does_not_matter(wright_fisher_sample) -> None:
    rng = np.random.default_rng(12)
    calls = with_missing(wright_fisher_sample(10, 10, 25, 40, rng, n_alleles=4), 0.05, rng)
    names = np.append(rng.permutation(4), -1)
    shuffled = names[calls][rng.permutation(25)][:, rng.permutation(40)][:, :, ::-1]
    for a, b in zip(linkage_ne(calls), linkage_ne(shuffled), strict=True):
        assert a.over_fish.value == pytest.approx(b.over_fish.value, rel=1e-9)
        assert a.over_fish.high == pytest.approx(b.over_fish.high, rel=1e-3)
        assert (a.n_loci, a.n_alleles, a.n_comparisons) == (b.n_loci, b.n_alleles, b.n_comparisons)


def test_linkage_ne__untyped_fish_and_fixed_loci_change_nothing(wright_fisher_sample) -> None:
    calls = wright_fisher_sample(8, 8, 20, 30, np.random.default_rng(2))
    padded = np.full((22, 32, 2), -1, dtype=np.int16)
    padded[:20, :30] = calls
    padded[20, :30] = 0
    for a, b in zip(linkage_ne(calls), linkage_ne(padded), strict=True):
        assert a.over_fish == b.over_fish


def genotype_set(calls: np.ndarray, groups: list[str]) -> GenotypeSet:
    loci = tuple(Locus(f"L{i}", linkage_group=g) for i, g in enumerate(groups))
    alleles = tuple(tuple("abcdefgh"[: int(c.max()) + 1]) for c in calls)
    return GenotypeSet(tuple(f"T{i}" for i in range(calls.shape[1])), loci, alleles, calls)


def test_linkage_ne__pairs_on_different_groups_only(wright_fisher_sample) -> None:
    calls = wright_fisher_sample(9, 9, 16, 34, np.random.default_rng(14), n_alleles=3)
    groups = [1, 1, 2, 2, 2, 3, 3, 3, 3, 4, 4, 4, 5, 5, 5, 5]
    data = genotype_set(calls, [f"LG{g}" for g in groups])
    (one,) = linkage_ne(data, screens=[0.02])
    assert one.mean_r2 == pytest.approx(slow_r2(calls, 0.02, groups)[0], rel=1e-9)
    assert "different linkage groups" in one.over_fish.method
    (all_pairs,) = linkage_ne(data, screens=[0.02], use_linkage_groups=False)
    assert all_pairs.mean_r2 == pytest.approx(slow_r2(calls, 0.02)[0], rel=1e-9)


def test_linkage_ne__loci_without_a_group_are_left_out(wright_fisher_sample) -> None:
    calls = wright_fisher_sample(9, 9, 8, 34, np.random.default_rng(15))
    data = genotype_set(calls, ["A", "A", "B", "B", "C", "", "", ""])
    (one,) = linkage_ne(data, screens=[0.02])
    assert one.mean_r2 == pytest.approx(slow_r2(calls[:5], 0.02, [0, 0, 1, 1, 2])[0], rel=1e-9)


def test_linkage_ne__only_neutral_loci(wright_fisher_sample) -> None:
    calls = wright_fisher_sample(9, 9, 10, 34, np.random.default_rng(16))
    data = genotype_set(calls, [""] * 10)
    roles = ["neutral"] * 7 + ["sex", "diagnostic", "diagnostic"]
    mixed = replace(data, loci=tuple(replace(x, role=r) for x, r in zip(data.loci, roles, strict=True)))
    assert linkage_ne(mixed)[0].over_fish == linkage_ne(calls[:7])[0].over_fish


def test_linkage_ne__one_result_per_screen_side_by_side(wright_fisher_sample) -> None:
    calls = wright_fisher_sample(25, 25, 80, 50, np.random.default_rng(18), n_alleles=5)
    results = linkage_ne(calls, group="year class 2024")
    assert [r.screen for r in results] == [0.10, 0.05, 0.02, 0.01, "no singletons"]
    assert results[0].n_alleles < results[2].n_alleles <= results[3].n_alleles
    alone = [linkage_ne(calls, screens=[r.screen], group="year class 2024")[0] for r in results]
    for a, b in zip(results, alone, strict=True):
        assert a.over_fish.value == pytest.approx(b.over_fish.value, rel=1e-9)
        assert a.over_fish.low == pytest.approx(b.over_fish.low, rel=1e-4)
    assert "Nb: the effective number of breeders that produced year class 2024" in results[0].over_fish.note


def test_linkage_ne__infinite_is_said_and_not_hidden() -> None:
    rng = np.random.default_rng(33)
    found = None
    for _ in range(20):
        calls = (rng.random((30, 30, 2)) < 0.5).astype(np.int16)
        (one,) = linkage_ne(calls, screens=[0.02])
        if one.over_fish.value == math.inf:
            found = one
            break
    assert found is not None
    assert found.over_fish.text(1).startswith("infinite (")
    assert found.over_fish.high == math.inf
    assert found.over_fish.low is not None
    assert found.over_fish.low > 0
    assert "no sign of few parents in this sample, not proof of many" in found.over_fish.note


def test_linkage_ne__warns_below_ten_fish(wright_fisher_sample) -> None:
    calls = wright_fisher_sample(10, 10, 40, 8, np.random.default_rng(19))
    assert "below about 10 the correction for sample size" in linkage_ne(calls)[0].over_fish.note
    calls = wright_fisher_sample(10, 10, 40, 12, np.random.default_rng(19))
    assert "correction for sample size" not in linkage_ne(calls)[0].over_fish.note


def test_linkage_ne__not_estimable_says_why(calls_from_doses) -> None:
    three = calls_from_doses([[0, 1, 2], [1, 1, 0]])
    assert linkage_ne(three)[0].over_fish.text() == (
        "not estimable because linkage needs at least 4 typed fish and there are 3"
    )
    one_locus = calls_from_doses([[0, 1, 2, 1, 1]])
    assert "no pair of loci is left at this screen" in linkage_ne(one_locus)[0].over_fish.reason
    nothing = np.zeros((0, 0, 2), dtype=np.int16)
    assert not linkage_ne(nothing)[0].over_fish.estimable


def test_linkage_ne__without_the_jackknife_there_is_no_interval(wright_fisher_sample) -> None:
    calls = wright_fisher_sample(9, 9, 10, 34, np.random.default_rng(16))
    (one,) = linkage_ne(calls, screens=[0.02], jackknife_fish=False)
    assert one.over_fish.low is None
    assert one.over_fish.method.endswith("no interval: the jackknife over fish was not asked for")
    assert one.over_loci.low is not None


def test_linkage_ne__adjustments_follow_the_published_lines(wright_fisher_sample) -> None:
    # Waples, Larson & Waples 2016; Waples, Antao & Luikart 2014 (coefficients from memory).
    calls = wright_fisher_sample(15, 15, 60, 40, np.random.default_rng(21))
    (one,) = linkage_ne(calls, screens=[0.05], n_chromosomes=25, adult_lifespan=12, age_at_maturity=3)
    raw = one.over_fish.value
    assert one.chromosome_adjusted is not None
    assert one.chromosome_adjusted.value == pytest.approx(raw / (0.098 + 0.219 * math.log(25)))
    nb, ne = adjust_for_age_structure(100.0, 12, 3)
    assert nb == pytest.approx(100 / (1.103 - 0.245 * math.log10(4)))
    # Two forms of the same paper agree: Nb = raw/(1.26 - 0.323 Nb/Ne).
    assert nb == pytest.approx(100 / (1.26 - 0.323 * nb / ne), rel=1e-3)
    assert one.age_adjusted_ne is not None
    assert "from memory" in one.age_adjusted_ne.method


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"screens": [0.5]}, "found 0.5. Expected a frequency from 0 to below 0.5"),
        ({"screens": ["rare"]}, "found 'rare'"),
        ({"level": 1.0}, "Expected a coverage between 0 and 1"),
        ({"kind": "all"}, "kind of sample: found 'all'"),
        ({"mating": "lek"}, "mating: found 'lek'"),
        ({"use_linkage_groups": True}, "found 0 among the polymorphic loci. Expected at least 2"),
        ({"adult_lifespan": 5}, "Expected both or neither"),
        (
            {"adult_lifespan": 5, "age_at_maturity": 2, "kind": "mixed-ages"},
            "found a sample of kind 'mixed-ages'. Expected 'one-cohort'",
        ),
    ],
)
def test_linkage_ne__raises_on_impossible_settings(
    wright_fisher_sample, options: dict[str, object], message: str
) -> None:
    calls = wright_fisher_sample(5, 5, 10, 20, np.random.default_rng(1))
    with pytest.raises(UsageError, match=message):
        linkage_ne(calls, **options)  # type: ignore[arg-type]


def test_linkage_ne__chromosomes_and_linkage_groups_exclude_each_other(wright_fisher_sample) -> None:
    data = genotype_set(wright_fisher_sample(5, 5, 4, 20, np.random.default_rng(1)), ["A", "A", "B", "B"])
    with pytest.raises(UsageError, match=r"found linkage groups in use\. Expected one or the other"):
        linkage_ne(data, n_chromosomes=25)


def test_linkage_ne__raises_on_a_bare_array_of_the_wrong_form() -> None:
    with pytest.raises(ShapeError, match=r"found an array of shape \(3, 4\)"):
        linkage_ne(np.zeros((3, 4), dtype=np.int16))
    with pytest.raises(ShapeError, match="and type float64"):
        linkage_ne(np.zeros((3, 4, 2)))  # type: ignore[arg-type]
    with pytest.raises(ValueRangeError, match="from 0 to 40000"):
        linkage_ne(np.array([[[0, 40000], [1, 1]]]))  # type: ignore[arg-type]
    with pytest.raises(ValueRangeError, match="half-missing calls"):
        linkage_ne(np.array([[[0, -1], [1, 1]]], dtype=np.int16))


def test_adjustments__raise_outside_their_range() -> None:
    with pytest.raises(ValueRangeError, match="at least 4 chromosomes"):
        adjust_for_chromosomes(50.0, 2)
    with pytest.raises(ValueRangeError, match="Expected positive numbers"):
        adjust_for_age_structure(50.0, 0, 3)
    with pytest.raises(ValueRangeError, match="Expected a ratio between"):
        adjust_for_age_structure(50.0, 1, 20)


def test_suggested_screen__larger_for_small_samples() -> None:
    assert suggested_screen(60) == 0.02
    assert suggested_screen(20) == 0.05
    with pytest.raises(ValueRangeError, match="found 0 fish"):
        suggested_screen(0)
