"""The table by group: values, order, what it refuses to estimate, and what must not change it."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from broodstock.diversity.groups import group_members
from broodstock.diversity.heterozygosity import expected_heterozygosity
from broodstock.diversity.richness import allelic_richness, private_allelic_richness
from broodstock.diversity.table import DiversityRow, diversity_table
from broodstock.errors import ShapeError, UsageError, ValueRangeError
from broodstock.estimates import Estimate
from broodstock.genotypes.genotype_set import GenotypeSet

FEW = 50


def estimates(row: DiversityRow) -> dict[str, Estimate]:
    return {f.name: getattr(row, f.name) for f in dataclasses.fields(row) if f.type == "Estimate"}


def values(rows: list[DiversityRow]) -> list[tuple]:
    return [(r.group, r.n_fish, r.loci_typed, r.g, *(e.value for e in estimates(r).values())) for r in rows]


def assert_same_values(a: list[DiversityRow], b: list[DiversityRow]) -> None:
    for x, y in zip(values(a), values(b), strict=True):
        assert x[:4] == y[:4]
        np.testing.assert_allclose(x[4:], y[4:], atol=1e-12)


def test_diversity_table__values_are_means_over_loci(random_set) -> None:
    genotypes = random_set(15, 60, 4, seed=11, missing=0.0)
    groups = [["b", "a", "c"][i % 3] for i in range(60)]
    rows = diversity_table(genotypes, groups, n_replicates=FEW)
    assert [r.group for r in rows] == ["b", "a", "c"]
    counts = np.stack(
        [genotypes.allele_counts([i for i in range(60) if groups[i] == g]) for g in "bac"], axis=1
    )
    assert rows[0].g == 40
    private = private_allelic_richness(counts, 40).values.mean(axis=1)
    for j, row in enumerate(rows):
        own = counts[:, j]
        assert (row.n_fish, row.n_typed, row.loci_typed) == (20, 20, 15)
        assert row.expected_heterozygosity.value == pytest.approx(expected_heterozygosity(own).values.mean())
        assert row.allelic_richness.value == pytest.approx(allelic_richness(own, 40).values.mean())
        assert row.private_allelic_richness.value == pytest.approx(private[j])
        assert row.number_of_alleles.value == pytest.approx((own > 0).sum(axis=1).mean())
        ho, he = row.observed_heterozygosity.value, row.expected_heterozygosity.value
        assert row.inbreeding_coefficient.value == pytest.approx(1 - ho / he)


def test_diversity_table__nancycats_observed(microsatellites) -> None:
    # Mean observed heterozygosity of P01 from the open data of r-cran-adegenet: 0.57222.
    genotypes, groups = microsatellites("nancycats")
    rows = diversity_table(genotypes, groups, n_replicates=FEW)
    assert rows[0].observed_heterozygosity.value == pytest.approx(0.57222, abs=5e-6)
    assert rows[0].expected_heterozygosity.value == pytest.approx(0.64907, abs=5e-6)
    assert len(rows) == 17


@pytest.mark.parametrize("over", ["fish", "loci", "both"])
@pytest.mark.parametrize("interval", ["recentred", "percentile", "bca"])
def test_diversity_table__every_interval_names_its_method(random_set, over, interval) -> None:
    genotypes = random_set(20, 60, 4, seed=12)
    rows = diversity_table(
        genotypes, ["w", "h"] * 30, over=over, interval=interval, n_replicates=FEW, level=0.9
    )
    words = {"fish": "over fish,", "loci": "over loci,", "both": "over fish and loci,"}[over]
    for row in rows:
        he = row.expected_heterozygosity
        assert he.low < he.high
        assert words in he.method
        assert "Nei 1978" in he.method
        assert f"{FEW} replicates" in he.method
        assert he.level == 0.9
        assert 0 <= he.low <= he.high <= 1


def test_diversity_table__interval_over_both_is_wider(random_set) -> None:
    genotypes = random_set(30, 40, 4, seed=13)
    width = {}
    for over in ("fish", "loci", "both"):
        he = diversity_table(genotypes, ["w"] * 40, over=over, n_replicates=400)[0].expected_heterozygosity
        width[over] = he.high - he.low
    assert width["both"] > width["fish"]
    assert width["both"] > width["loci"]


def test_diversity_table__same_seed_same_limits(random_set) -> None:
    genotypes = random_set(10, 30, 3, seed=14)
    a = diversity_table(genotypes, ["w"] * 30, n_replicates=FEW, seed=5)
    b = diversity_table(genotypes, ["w"] * 30, n_replicates=FEW, seed=5)
    c = diversity_table(genotypes, ["w"] * 30, n_replicates=FEW, seed=6)
    assert a == b
    assert a != c
    assert a[0].expected_heterozygosity.value == c[0].expected_heterozygosity.value


def test_diversity_table__replicates_equal_a_slow_loop(random_set) -> None:
    # The slow version resamples fish one replicate at a time and recomputes from the calls.
    from broodstock.diversity.group_statistics import group_statistics
    from broodstock.diversity.groups import split_by_group
    from broodstock.diversity.resampling import draw_weights

    genotypes = random_set(6, 25, 3, seed=15, missing=0.0)
    parts = split_by_group(genotypes, ["w"] * 25)
    fast = group_statistics(parts, n_replicates=30, seed=9, g=10).replicates
    fish_rng, _ = np.random.default_rng(9).spawn(2)
    weights = draw_weights(25, 30, fish_rng).astype(int)
    for b in range(30):
        drawn = genotypes.take(np.arange(25)).calls[:, np.repeat(np.arange(25), weights[b])]
        ho = (drawn[..., 0] != drawn[..., 1]).mean()
        counts = np.stack([np.bincount(c.ravel(), minlength=3) for c in drawn])
        he = expected_heterozygosity(counts).values.mean()
        assert fast["observed_heterozygosity"][b, 0] == pytest.approx(ho)
        assert fast["expected_heterozygosity"][b, 0] == pytest.approx(he)
        assert fast["inbreeding_coefficient"][b, 0] == pytest.approx(1 - ho / he)
        assert fast["allelic_richness"][b, 0] == pytest.approx(allelic_richness(counts, 10).values.mean())


def test_group_statistics__private_replicates_and_influence_by_hand(random_set) -> None:
    from broodstock.diversity.group_statistics import group_statistics
    from broodstock.diversity.groups import split_by_group
    from broodstock.diversity.resampling import draw_weights

    genotypes = random_set(5, 36, 4, seed=24, missing=0.0)
    parts = split_by_group(genotypes, ["w", "h", "p"] * 12)
    found = group_statistics(parts, n_replicates=20, seed=3, g=8, with_influence=True)
    *rngs, _ = np.random.default_rng(3).spawn(4)
    weights = [draw_weights(12, 20, rng) for rng in rngs]
    for b in range(20):
        counts = np.stack(
            [p.summary(w[b : b + 1]).counts[0] for p, w in zip(parts, weights, strict=True)], axis=1
        )
        expected = private_allelic_richness(counts, 8).values.mean(axis=1)
        np.testing.assert_allclose(found.replicates["private_allelic_richness"][b], expected, atol=1e-12)
    whole = np.stack([p.summary().counts for p in parts], axis=1)
    left_out = []
    for fish in range(12):
        counts = whole.copy()
        counts[:, 1] -= parts[1].summary(np.eye(12)[fish : fish + 1]).counts[0]
        left_out.append(private_allelic_richness(counts, 8).values.mean(axis=1)[1])
    expected = (np.mean(left_out) - np.array(left_out)) * 11 / 12
    np.testing.assert_allclose(found.influence["private_allelic_richness"][1], expected, atol=1e-12)


# What must not change the answer


def test_diversity_table__order_of_fish(random_set) -> None:
    genotypes = random_set(12, 40, 4, seed=16)
    groups = np.array(["w", "h", "w", "w"] * 10)
    order = np.random.default_rng(1).permutation(40)
    a = diversity_table(genotypes, list(groups), order=["w", "h"], n_replicates=FEW)
    b = diversity_table(genotypes.take(order), list(groups[order]), order=["w", "h"], n_replicates=FEW)
    assert_same_values(a, b)


def test_diversity_table__names_of_alleles_and_order_within_a_call(random_set) -> None:
    genotypes = random_set(12, 40, 4, seed=17)
    rng = np.random.default_rng(2)
    renamed = rng.permutation(4)
    calls = np.where(genotypes.calls >= 0, renamed[genotypes.calls], -1).astype(np.int16)
    swap = rng.random(calls.shape[:2]) < 0.5
    calls[swap] = calls[swap][:, ::-1]
    other = GenotypeSet(genotypes.samples, genotypes.loci, genotypes.alleles, calls)
    groups = ["w", "h"] * 20
    assert_same_values(
        diversity_table(genotypes, groups, n_replicates=FEW), diversity_table(other, groups, n_replicates=FEW)
    )


def test_diversity_table__a_locus_no_one_was_typed_at_changes_nothing(random_set, wrap_calls) -> None:
    genotypes = random_set(12, 40, 4, seed=18)
    blank = np.full((1, 40, 2), -1, dtype=np.int16)
    longer = wrap_calls(np.concatenate([genotypes.calls, blank]), 4)
    groups = ["w", "h"] * 20
    assert_same_values(
        diversity_table(genotypes, groups, n_replicates=FEW),
        diversity_table(longer, groups, n_replicates=FEW),
    )


def test_diversity_table__only_neutral_loci(random_set, wrap_calls) -> None:
    genotypes = random_set(12, 40, 4, seed=19)
    roles = ["neutral"] * 10 + ["diagnostic", "sex"]
    mixed = wrap_calls(genotypes.calls, 4, roles)
    groups = ["w", "h"] * 20
    assert_same_values(
        diversity_table(mixed, groups, n_replicates=FEW),
        diversity_table(genotypes.take(loci=range(10)), groups, n_replicates=FEW),
    )


# What cannot be estimated


def reasons(row: DiversityRow) -> set[str]:
    found = estimates(row)
    assert all(e.value is None for e in found.values()), found
    return {e.reason for e in found.values()}


def test_diversity_table__empty_group_and_one_fish(random_set) -> None:
    genotypes = random_set(8, 21, 3, seed=20)
    groups = ["w"] * 20 + ["lone"]
    rows = diversity_table(genotypes, groups, order=["gone", "lone", "w"], n_replicates=FEW)
    assert [r.group for r in rows] == ["gone", "lone", "w"]
    assert reasons(rows[0]) == {"the group has no fish"}
    assert reasons(rows[1]) == {"only one fish was typed, and at least two are needed"}
    assert rows[0].expected_heterozygosity.text() == "not estimable because the group has no fish"
    assert rows[2].expected_heterozygosity.estimable
    assert rows[2].private_allelic_richness.reason == "there is no other group to compare with"


def test_diversity_table__nothing_typed_and_no_neutral_loci(random_set, wrap_calls) -> None:
    blank = wrap_calls(np.full((3, 6, 2), -1), 2)
    assert reasons(diversity_table(blank, ["w"] * 6, n_replicates=FEW)[0]) == {
        "no fish of the group was typed at any neutral locus"
    }
    genotypes = random_set(3, 6, 2)
    none = wrap_calls(genotypes.calls, 2, ["sex"] * 3)
    assert reasons(diversity_table(none, ["w"] * 6, n_replicates=FEW)[0]) == {"the set has no neutral loci"}
    assert diversity_table(genotypes, [None] * 6, n_replicates=FEW) == []


def test_diversity_table__monomorphic(wrap_calls) -> None:
    same = wrap_calls(np.zeros((4, 10, 2)), 2)
    row = diversity_table(same, ["w"] * 10, n_replicates=FEW)[0]
    he = row.expected_heterozygosity
    assert (he.value, he.low, he.high) == (0, 0, 0)
    assert "All loci have one allele" in he.note
    assert row.allelic_richness.value == 1
    assert row.inbreeding_coefficient.reason == (
        "no locus varies in the group, so expected heterozygosity is zero"
    )


def test_diversity_table__haploid(wrap_calls) -> None:
    one = np.random.default_rng(3).integers(0, 3, size=(6, 20))
    haploid = wrap_calls(np.stack([one, one], axis=-1), 3)
    row = diversity_table(haploid, ["w"] * 20, ploidy=1, n_replicates=FEW)[0]
    assert row.observed_heterozygosity.reason.startswith("the calls are haploid")
    assert row.inbreeding_coefficient.reason.startswith("the calls are haploid")
    counts = np.stack([np.bincount(x, minlength=3) for x in one])
    assert row.expected_heterozygosity.value == pytest.approx(expected_heterozygosity(counts).values.mean())
    assert row.g == 20


def test_diversity_table__group_too_small_for_g(random_set) -> None:
    genotypes = random_set(8, 44, 3, seed=21, missing=0.0)
    groups = ["w"] * 20 + ["h"] * 20 + ["few"] * 4
    rows = diversity_table(genotypes, groups, n_replicates=FEW)
    assert rows[0].g == 40
    assert rows[2].allelic_richness.reason == "the group has fewer than 40 gene copies at most loci"
    assert rows[2].expected_heterozygosity.estimable
    assert "Too small to compare with: few." in rows[0].private_allelic_richness.note
    all_three = diversity_table(genotypes, groups, g=8, n_replicates=FEW)
    assert all(r.allelic_richness.estimable for r in all_three)


def test_diversity_table__number_of_alleles_has_no_interval_over_fish(random_set) -> None:
    genotypes = random_set(8, 12, 9, seed=22)
    found = diversity_table(genotypes, ["w"] * 12, n_replicates=FEW)[0].number_of_alleles
    assert (found.low, found.high) == (None, None)
    assert "can only lose alleles" in found.note
    over_loci = diversity_table(genotypes, ["w"] * 12, over="loci", n_replicates=FEW)[0].number_of_alleles
    assert over_loci.low < over_loci.high


def test_diversity_table__one_locus_cannot_be_resampled_over_loci(random_set) -> None:
    found = diversity_table(random_set(1, 30, 3), ["w"] * 30, over="loci", n_replicates=FEW)[0]
    assert found.expected_heterozygosity.low is None
    assert "needs two loci or more" in found.expected_heterozygosity.note


def test_diversity_table__two_fish_and_heavy_gaps_stay_finite(random_set) -> None:
    genotypes = random_set(10, 9, 3, seed=23, missing=0.5)
    groups = ["w", "w", "h", "h", "h", "h", "h", "h", "h"]
    for over in ("fish", "loci", "both"):
        for interval in ("recentred", "percentile", "bca"):
            rows = diversity_table(genotypes, groups, over=over, interval=interval, n_replicates=FEW)
            for row in rows:
                for e in estimates(row).values():
                    assert e.estimable or e.reason


def test_diversity_table__raises_on_bad_settings(random_set) -> None:
    genotypes = random_set(3, 6, 2)
    groups = ["w"] * 6
    with pytest.raises(ShapeError, match="found 5 labels for 6 samples"):
        diversity_table(genotypes, groups[:5])
    with pytest.raises(UsageError, match="found over='families'"):
        diversity_table(genotypes, groups, over="families")
    with pytest.raises(UsageError, match="found interval='normal'"):
        diversity_table(genotypes, groups, interval="normal")
    with pytest.raises(UsageError, match="found 3 replicates"):
        diversity_table(genotypes, groups, n_replicates=3)
    with pytest.raises(UsageError, match="found level 95"):
        diversity_table(genotypes, groups, level=95)
    with pytest.raises(UsageError, match="found g = 1"):
        diversity_table(genotypes, groups, g=1)
    with pytest.raises(UsageError, match="ploidy: found 3"):
        diversity_table(genotypes, groups, ploidy=3)
    with pytest.raises(UsageError, match="found w twice in the order wanted"):
        diversity_table(genotypes, groups, order=["w", "w"])
    with pytest.raises(ValueRangeError, match=r"sample 'LF-.*two different alleles.*haploid"):
        diversity_table(genotypes, groups, ploidy=1)


def test_group_members__keeps_order_and_leaves_none_out() -> None:
    found = group_members(["b", None, "a", "b"])
    assert {k: v.tolist() for k, v in found.items()} == {"b": [0, 3], "a": [2]}
    assert list(group_members([2019, 2018], order=[2018, 2019])) == [2018, 2019]
