"""Measures of differentiation against worked numbers, open data, scikit-allel and slow versions."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from broodstock.diversity.differentiation import (
    differentiation,
    grouped_counts,
    pairwise_differentiation,
    pairwise_matrix,
)
from broodstock.diversity.f_statistics import (
    MEASURES,
    GroupedCounts,
    check_grouped_counts,
    hudson_components,
    identity_components,
    nei_components,
    weir_cockerham_components,
)
from broodstock.diversity.groups import split_by_group
from broodstock.errors import ShapeError, UsageError, ValueRangeError
from broodstock.genotypes.genotype_set import GenotypeSet

FEW = 50
ALL_GROUPS = [name for name, m in MEASURES.items() if not m.pairs_only]


def value(name: str, c: GroupedCounts) -> float:
    measure = MEASURES[name]
    return float(measure.combine(measure.components(c).sum(axis=0)))


def counts_of(genotypes: GenotypeSet, groups: list) -> GroupedCounts:
    return grouped_counts(split_by_group(genotypes, groups))


@pytest.fixture
def two_samples(wrap_calls) -> tuple[GenotypeSet, list[str]]:
    """One locus; genotypes AA, AB, BB: 6, 4, 0 in one sample and 1, 4, 5 in the other."""
    calls = [[0, 0]] * 6 + [[0, 1]] * 4 + [[0, 0]] + [[0, 1]] * 4 + [[1, 1]] * 5
    return wrap_calls(np.array([calls]), 2), ["w"] * 10 + ["h"] * 10


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        # Weir & Cockerham (1984), Evolution 38:1358, by hand and with scikit-allel.
        ("theta", 0.372760),
        ("F", 0.354839),
        ("f", -0.028571),
        # Bhatia et al. (2013), Genome Research 23:1514, from memory; scikit-allel agrees.
        ("hudson", 0.371817),
        # Nei & Chesser (1983); Nei (1987); Jost (2008), Molecular Ecology 17:4015; Hedrick (2005); from memory.
        ("gst", 0.229075),
        ("gst_nei", 0.372760),
        ("jost_d", 0.378182),
        ("gst_hedrick", 0.520625),
    ],
)
def test_measures__worked_two_samples(two_samples, name, expected) -> None:
    assert value(name, counts_of(*two_samples)) == pytest.approx(expected, abs=5e-7)


def test_components__worked_two_samples(two_samples) -> None:
    c = counts_of(*two_samples)
    # Per allele .115556, -.005556, .2; two alleles.
    np.testing.assert_allclose(
        weir_cockerham_components(c)[0], [2 * 0.1155556, 2 * -0.0055556, 0.4], atol=1e-6
    )
    np.testing.assert_allclose(hudson_components(c)[0], [0.230526, 0.62], atol=5e-7)
    np.testing.assert_allclose(nei_components(c)[0, :2], [0.388889, 0.504444], atol=5e-7)


def frequencies_as_counts(p: list[list[float]], n: int) -> GroupedCounts:
    """Very large samples in Hardy-Weinberg proportions, so that corrections vanish."""
    f = np.array(p)
    het = 2 * n * f * (1 - f)
    return GroupedCounts((2 * n * f)[None], het[None], np.full((1, len(p)), float(n)))


def test_jost_d__limiting_case() -> None:
    # Jost (2008), Molecular Ecology 17:4015, from memory: two demes of ten private equifrequent alleles each.
    p = [[0.1] * 10 + [0] * 10, [0] * 10 + [0.1] * 10]
    c = frequencies_as_counts(p, 10**9)
    np.testing.assert_allclose(nei_components(c)[0, :2], [0.9, 0.95], atol=1e-6)
    assert value("gst", c) == pytest.approx(0.052632, abs=1e-6)
    assert value("jost_d", c) == pytest.approx(1, abs=1e-6)
    assert value("gst_hedrick", c) == pytest.approx(1, abs=1e-6)
    assert value("gst_meirmans", c) == pytest.approx(1, abs=1e-6)


def test_jost_d__mirrored_frequencies() -> None:
    c = frequencies_as_counts([[0.8, 0.2], [0.2, 0.8]], 10**9)
    np.testing.assert_allclose(nei_components(c)[0, :2], [0.32, 0.5], atol=1e-6)
    assert value("gst", c) == pytest.approx(0.36, abs=1e-6)
    assert value("jost_d", c) == pytest.approx(0.529412, abs=1e-6)
    assert value("gst_hedrick", c) == pytest.approx(0.698824, abs=1e-6)


def test_theta__equals_nei_gst_for_two_equal_samples(random_set) -> None:
    # A coincidence of the two estimators that holds exactly for two samples of one size.
    genotypes = random_set(5, 40, 4, seed=41, missing=0)
    for i in range(5):
        c = counts_of(genotypes.take(loci=[i]), ["w", "h"] * 20)
        assert value("theta", c) == pytest.approx(value("gst_nei", c), abs=1e-12)


def slow_weir_cockerham(genotypes: GenotypeSet, groups: list) -> np.ndarray:
    """Equations 2 to 4 of Weir & Cockerham (1984), one allele of one locus at a time."""
    out = []
    names = list(dict.fromkeys(groups))
    for calls in genotypes.calls:
        abc = np.zeros(3)
        by_group = [calls[[i for i, g in enumerate(groups) if g == name]] for name in names]
        by_group = [x[x[:, 0] >= 0] for x in by_group]
        by_group = [x for x in by_group if len(x)]
        r = len(by_group)
        n = np.array([len(x) for x in by_group], dtype=float)
        if r < 2 or n.mean() <= 1:
            out.append(abc)
            continue
        nbar = n.mean()
        nc = (r * nbar - (n**2).sum() / (r * nbar)) / (r - 1)
        for a in range(calls.max() + 1):
            p = np.array([(x == a).mean() for x in by_group])
            h = np.array([((x == a).sum(axis=1) == 1).mean() for x in by_group])
            pbar = (n * p).sum() / (r * nbar)
            s2 = (n * (p - pbar) ** 2).sum() / ((r - 1) * nbar)
            hbar = (n * h).sum() / (r * nbar)
            pq = pbar * (1 - pbar)
            abc[0] += nbar / nc * (s2 - (pq - (r - 1) / r * s2 - hbar / 4) / (nbar - 1))
            abc[1] += nbar / (nbar - 1) * (pq - (r - 1) / r * s2 - (2 * nbar - 1) / (4 * nbar) * hbar)
            abc[2] += hbar / 2
        out.append(abc)
    return np.array(out)


@pytest.mark.parametrize("missing", [0.0, 0.1, 0.7])
def test_weir_cockerham__slow_version(random_set, missing) -> None:
    genotypes = random_set(25, 18, 4, seed=42, missing=missing)
    groups = ["w", "h", "h"] * 6
    np.testing.assert_allclose(
        weir_cockerham_components(counts_of(genotypes, groups)),
        slow_weir_cockerham(genotypes, groups),
        atol=1e-12,
    )


def test_weir_cockerham__agrees_with_scikit_allel(random_set) -> None:
    allel = pytest.importorskip("allel")
    genotypes = random_set(40, 45, 4, seed=43, missing=0.05)
    groups = ["w", "h", "p"] * 15
    members = [[i for i in range(45) if i % 3 == k] for k in range(3)]
    reference = np.stack(
        [
            x.sum(axis=1)
            for x in allel.weir_cockerham_fst(allel.GenotypeArray(genotypes.calls.astype("i1")), members)
        ],
        axis=1,
    )
    np.testing.assert_allclose(weir_cockerham_components(counts_of(genotypes, groups)), reference, atol=1e-12)


def test_hudson__agrees_with_scikit_allel(random_set) -> None:
    allel = pytest.importorskip("allel")
    genotypes = random_set(30, 40, 4, seed=44)
    c = counts_of(genotypes, ["w", "h"] * 20)
    top, bottom = allel.hudson_fst(c.counts[:, 0].astype(int), c.counts[:, 1].astype(int))
    np.testing.assert_allclose(hudson_components(c), np.stack([top, bottom], axis=1), atol=1e-12)


def test_scikit_allel_documentation_array(wrap_calls) -> None:
    # The small array of the scikit-allel documentation: theta -4e-17, Hudson's Fst 1/7.
    allel = pytest.importorskip("allel")
    g = np.array(
        [
            [[0, 0], [0, 0], [1, 1], [1, 1]],
            [[0, 1], [0, 1], [0, 1], [0, 1]],
            [[0, 0], [0, 0], [0, 0], [0, 0]],
            [[0, 1], [1, 2], [1, 1], [2, 2]],
            [[0, 0], [1, 1], [0, 1], [-1, -1]],
        ]
    )
    a, b, c = allel.weir_cockerham_fst(allel.GenotypeArray(g.astype("i1")), [[0, 1], [2, 3]])
    expected = a.sum() / (a.sum() + b.sum() + c.sum())
    assert value("theta", counts_of(wrap_calls(g, 3), ["w", "w", "h", "h"])) == pytest.approx(
        expected, abs=1e-12
    )


def test_nancycats__theta_f_and_the_untyped_colony(microsatellites) -> None:
    # Open data of r-cran-adegenet: 237 cats, 17 colonies, 9 loci. Global values as the package's own
    # tutorial prints them, from memory, and computed anew.
    genotypes, groups = microsatellites("nancycats")
    c = counts_of(genotypes, groups)
    assert value("theta", c) == pytest.approx(0.0849495941, abs=1e-9)
    assert value("F", c) == pytest.approx(0.1952946154, abs=1e-9)
    assert value("f", c) == pytest.approx(0.1205890087, abs=1e-9)
    terms = weir_cockerham_components(c)
    theta = terms[:, 0] / terms.sum(axis=1)
    expected = {
        "fca8": 0.101505, "fca23": 0.067468, "fca43": 0.068938, "fca45": 0.076526, "fca77": 0.100366,
        "fca78": 0.070259, "fca90": 0.091688, "fca96": 0.109811, "fca37": 0.069853,
    }  # fmt: skip
    for locus, found in zip(genotypes.loci, theta, strict=True):
        assert found == pytest.approx(expected[locus.name], abs=1e-6), locus.name


def test_nancycats__scikit_allel_drops_the_locus_of_an_untyped_colony(microsatellites) -> None:
    # No cat of P17 was typed at fca45: scikit-allel gives NaN for the locus's a and b but not for its c, so
    # the usual sum over what is there gives 0.0772 where the colonies typed there give 0.0849.
    allel = pytest.importorskip("allel")
    genotypes, groups = microsatellites("nancycats")
    names = [locus.name for locus in genotypes.loci]
    c = counts_of(genotypes, groups)
    untyped = np.argwhere(c.typed == 0)
    assert [(names[i], list(dict.fromkeys(groups))[j]) for i, j in untyped] == [("fca45", "P17")]
    members = [[i for i, g in enumerate(groups) if g == name] for name in dict.fromkeys(groups)]
    with np.errstate(all="ignore"):
        abc = allel.weir_cockerham_fst(allel.GenotypeArray(genotypes.calls.astype("i1")), members)
    reference = np.stack([x.sum(axis=1) for x in abc], axis=1)
    lost = names.index("fca45")
    assert np.isnan(reference[lost, :2]).all()
    what_is_there = np.nansum(reference, axis=0)
    assert what_is_there[0] / what_is_there.sum() == pytest.approx(0.0772, abs=5e-5)
    ours = weir_cockerham_components(c)
    others = [i for i in range(len(names)) if i != lost]
    np.testing.assert_allclose(ours[others], reference[others], atol=1e-12)
    assert ours[lost, 0] / ours[lost].sum() == pytest.approx(0.076526, abs=1e-6)


def test_nancycats__nei_1972(microsatellites) -> None:
    # Nei (1972) distances of the first three colonies, as dist.genpop of r-cran-adegenet gives them.
    genotypes, groups = microsatellites("nancycats")
    pairs = pairwise_differentiation(
        genotypes, groups, "nei_1972", order=["P01", "P02", "P03"], n_permutations=0, n_replicates=FEW
    )
    assert [p.groups for p in pairs] == [("P01", "P02"), ("P01", "P03"), ("P02", "P03")]
    found = [p.estimate.value for p in pairs]
    np.testing.assert_allclose(found, [0.4772721, 0.3373221, 0.5607932], atol=5e-8)


def test_microbov__theta_f(microsatellites) -> None:
    # Open data of r-cran-adegenet: 704 cattle, 15 breeds, 30 loci; scikit-allel agrees exactly.
    genotypes, groups = microsatellites("microbov")
    c = counts_of(genotypes, groups)
    assert value("theta", c) == pytest.approx(0.1295257206, abs=1e-9)
    assert value("F", c) == pytest.approx(0.1750711486, abs=1e-9)
    assert value("f", c) == pytest.approx(0.0523225431, abs=1e-9)
    terms = weir_cockerham_components(c)
    names = [locus.name for locus in genotypes.loci]
    theta = dict(zip(names, terms[:, 0] / terms.sum(axis=1), strict=True))
    small_f = dict(zip(names, terms[:, 1] / terms[:, 1:].sum(axis=1), strict=True))
    for name, expected in {
        "INRA63": 0.214264,
        "INRA5": 0.044800,
        "ETH225": 0.087981,
        "ILSTS5": 0.151522,
        "HEL13": 0.277196,
    }.items():
        assert theta[name] == pytest.approx(expected, abs=1e-6)
    assert small_f["INRA35"] == pytest.approx(0.371822, abs=1e-6)
    assert small_f["BM2113"] == pytest.approx(-0.000043, abs=1e-6)


def test_nei_1978__correction_by_hand(two_samples) -> None:
    # Nei (1978), Genetics 89:583, from memory: p = .8 and .3, 20 gene copies each.
    c = counts_of(*two_samples)
    j1, j2, j12 = (20 * 0.68 - 1) / 19, (20 * 0.58 - 1) / 19, 0.8 * 0.3 + 0.2 * 0.7
    assert value("nei_1978", c) == pytest.approx(-np.log(j12 / np.sqrt(j1 * j2)))
    assert value("nei_1972", c) == pytest.approx(-np.log(j12 / np.sqrt(0.68 * 0.58)))


def test_hudson__recovers_simulated_drift() -> None:
    # Two demes that drifted apart for t generations of 2N copies have Fst near 1 - (1 - 1/2N)^t.
    rng = np.random.default_rng(45)
    p = rng.uniform(0.2, 0.8, size=3000)
    demes = [p.copy(), p.copy()]
    for _ in range(10):
        demes = [rng.binomial(100, q) / 100 for q in demes]
    samples = [rng.binomial(60, q) for q in demes]
    counts = np.stack([np.stack([x, 60 - x], axis=1) for x in samples], axis=1)
    het = np.zeros_like(counts)
    c = GroupedCounts(counts, het, np.full((3000, 2), 30))
    assert value("hudson", c) == pytest.approx(1 - (1 - 1 / 100) ** 10, rel=0.05)


# Intervals, permutations and what must not change the answer


def test_differentiation__intervals_and_p(random_set, wrap_calls) -> None:
    rng = np.random.default_rng(46)
    p = rng.dirichlet(np.full(3, 1.5), size=(30, 2))
    calls = np.concatenate(
        [np.stack([rng.choice(3, size=(15, 2), p=row[k]) for row in p]) for k in range(2)], axis=1
    )
    genotypes, groups = wrap_calls(calls, 3), ["w"] * 15 + ["h"] * 15
    found = differentiation(genotypes, groups, n_replicates=200, n_permutations=99)
    for name, d in found.items():
        e = d.estimate
        assert e.low < e.value < e.high, name
        assert "bootstrap over loci, 200 replicates" in e.method
        assert e.unit_used == "loci"
        assert e.n_used == 30
    assert found["theta"].p_value == 0.01
    assert found["F"].p_value is None
    assert found["f"].p_value is None
    for interval in ("recentred", "bca"):
        other = differentiation(genotypes, groups, ["theta"], interval=interval, n_replicates=200)["theta"]
        assert other.estimate.low < other.estimate.value < other.estimate.high


def test_differentiation__replicates_equal_loci_written_out(random_set) -> None:
    genotypes = random_set(8, 30, 3, seed=47)
    c = counts_of(genotypes, ["w", "h", "p"] * 10)
    picks = np.array([0, 0, 3, 5, 5, 5, 7, 2])
    repeated = genotypes.take(loci=picks)
    repeated = GenotypeSet(
        repeated.samples, tuple(genotypes.loci), repeated.alleles, repeated.calls
    )  # same labels, loci repeated
    written = counts_of(repeated, ["w", "h", "p"] * 10)
    weights = np.bincount(picks, minlength=8).astype(float)
    for name in ALL_GROUPS:
        measure = MEASURES[name]
        weighted = measure.combine(weights @ measure.components(c))
        assert float(weighted) == pytest.approx(value(name, written), abs=1e-12), name


def test_permutation__p_is_uniform_without_structure(random_set) -> None:
    p_values = []
    for seed in range(60):
        genotypes = random_set(6, 16, 3, seed=100 + seed)
        found = pairwise_differentiation(
            genotypes, ["w", "h"] * 8, n_replicates=20, n_permutations=99, seed=seed
        )
        p_values.append(found[0].p_value)
    from scipy.stats import kstest

    assert kstest(p_values, "uniform").pvalue > 0.01


def test_permutation__every_arrangement(random_set) -> None:
    # All 70 ways to deal eight fish to two groups of four give the exact P; random ones come near it.
    genotypes = random_set(6, 8, 3, seed=48, missing=0)
    groups = ["w"] * 4 + ["h"] * 4
    observed = value("theta", counts_of(genotypes, groups))
    values = []
    for who in itertools.combinations(range(8), 4):
        labels = ["w" if i in who else "h" for i in range(8)]
        order = sorted(range(8), key=lambda i: labels[i] != "w")
        values.append(value("theta", counts_of(genotypes.take(order), groups)))
    exact = np.mean(np.array(values) >= observed - 1e-12)
    found = pairwise_differentiation(genotypes, groups, n_replicates=20, n_permutations=4000)[0].p_value
    assert found == pytest.approx(exact, abs=0.03)


@pytest.mark.parametrize("name", list(MEASURES))
def test_measures__order_of_fish_names_of_alleles_order_in_a_call(random_set, name) -> None:
    genotypes = random_set(10, 40, 4, seed=49, missing=0.1)
    groups = np.array(["w", "h"] * 20)
    order = np.random.default_rng(1).permutation(40)
    rng = np.random.default_rng(2)
    renamed = rng.permutation(4)
    calls = np.where(genotypes.calls >= 0, renamed[genotypes.calls], -1).astype(np.int16)
    swap = rng.random(calls.shape[:2]) < 0.5
    calls[swap] = calls[swap][:, ::-1]
    other = GenotypeSet(genotypes.samples, genotypes.loci, genotypes.alleles, calls).take(order)
    one = value(name, grouped_counts(split_by_group(genotypes, list(groups), ["w", "h"])))
    two = value(name, grouped_counts(split_by_group(other, list(groups[order]), ["w", "h"])))
    assert one == pytest.approx(two, abs=1e-12)


def test_pairwise__shape_matrix_and_adjusted_p(random_set) -> None:
    genotypes = random_set(15, 60, 3, seed=50)
    groups = [2018 + i % 4 for i in range(60)]
    pairs = pairwise_differentiation(genotypes, groups, n_replicates=FEW, n_permutations=49)
    assert [p.groups for p in pairs] == list(itertools.combinations([2018, 2019, 2020, 2021], 2))
    from scipy.stats import false_discovery_control

    np.testing.assert_allclose(
        [p.p_adjusted for p in pairs], false_discovery_control([p.p_value for p in pairs])
    )
    matrix = pairwise_matrix(pairs, [2021, 2018])
    assert matrix[0][0] is None
    assert matrix[0][1] == matrix[1][0] == pairs[2].estimate


def test_pairwise__same_as_over_two_groups(random_set) -> None:
    genotypes = random_set(15, 60, 3, seed=51)
    groups = ["w", "h", "p"] * 20
    pairs = pairwise_differentiation(genotypes, groups, "jost_d", n_replicates=FEW, n_permutations=0)
    one = differentiation(genotypes, groups, ["jost_d"], order=["w", "p"], n_replicates=FEW)["jost_d"]
    assert pairs[1].groups == one.groups == ("w", "p")
    assert pairs[1].estimate.value == pytest.approx(one.estimate.value)


# What cannot be estimated


def test_differentiation__not_estimable(random_set, wrap_calls) -> None:
    genotypes = random_set(5, 12, 3, seed=52, missing=0)

    def reason(groups, order=None, calls=None, roles=()):
        data = genotypes if calls is None else wrap_calls(calls, 3, roles)
        return differentiation(data, groups, ["theta"], order=order, n_replicates=20)["theta"].estimate.reason

    assert reason(["w"] * 12) == "there is only one group"
    assert reason([None] * 12) == "there is only one group"
    assert reason(["w"] * 12, order=["w", "gone"]) == "group gone has no fish"
    half = genotypes.calls.copy()
    half[:, 6:] = -1
    assert reason(["w"] * 6 + ["h"] * 6, calls=half) == ("no fish of group h was typed at any neutral locus")
    assert reason(["w"] * 6 + ["h"] * 6, calls=np.zeros((2, 12, 2))) == (
        "no locus varies among fish typed in two groups"
    )
    assert reason(["w"] * 6 + ["h"] * 6, calls=genotypes.calls, roles=["sex"] * 5) == (
        "the set has no neutral loci"
    )
    assert reason(["w", "h", *[None] * 10]) == "every group has a single typed fish"


def test_differentiation__one_fish_against_many_is_a_value(random_set) -> None:
    genotypes = random_set(10, 12, 3, seed=53)
    found = pairwise_differentiation(genotypes, ["lone"] + ["w"] * 11, n_replicates=FEW, n_permutations=19)[0]
    assert found.estimate.estimable
    assert 0 < found.p_value <= 1


def test_differentiation__one_locus_has_no_interval(two_samples) -> None:
    found = differentiation(*two_samples, ["theta"], n_replicates=FEW)["theta"].estimate
    assert found.low is None
    assert "needs two loci or more" in found.note


def test_nei_distance__no_shared_allele_is_infinite(wrap_calls) -> None:
    calls = np.repeat(np.array([[0] * 5 + [1] * 5] * 3)[..., None], 2, axis=2)
    found = pairwise_differentiation(
        wrap_calls(calls, 2), ["w"] * 5 + ["h"] * 5, "nei_1972", n_permutations=9, n_replicates=FEW
    )[0]
    assert found.estimate.value == np.inf
    assert found.estimate.text() == "infinite"


def test_differentiation__raises_on_bad_settings(random_set) -> None:
    genotypes, groups = random_set(3, 6, 2), ["w", "h"] * 3
    with pytest.raises(UsageError, match=r"found measure 'Fst'\. Expected one of theta"):
        differentiation(genotypes, groups, ["Fst"])
    with pytest.raises(UsageError, match="'hudson', which compares two groups"):
        differentiation(genotypes, groups, ["hudson"])
    with pytest.raises(UsageError, match="found -1 permutations"):
        pairwise_differentiation(genotypes, groups, n_permutations=-1)
    three = counts_of(genotypes, ["w", "h", "p"] * 2)
    with pytest.raises(ShapeError, match="Hudson's Fst: found 3 groups"):
        hudson_components(three)
    with pytest.raises(ShapeError, match="Nei's distance: found 3 groups"):
        identity_components(three)


def test_check_grouped_counts__contradictions(two_samples) -> None:
    c = counts_of(*two_samples)
    assert check_grouped_counts(c).counts.shape == (1, 2, 2)
    with pytest.raises(ValueRangeError, match="not twice the typed fish"):
        check_grouped_counts(GroupedCounts(c.counts, c.heterozygotes, c.typed + 1))
    with pytest.raises(ShapeError, match="counts by group: found shapes"):
        check_grouped_counts(GroupedCounts(c.counts, c.heterozygotes[0], c.typed))
