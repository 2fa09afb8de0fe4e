"""Analysis of molecular variance against open data and slow versions."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from broodstock.diversity.amova import amova, genotype_squared_distances
from broodstock.errors import ShapeError, UsageError, ValueRangeError


def test_hum_dna_m__three_levels(debian_data) -> None:
    # 672 genomes, 56 haplotypes, ten populations in five regions (Excoffier, Smouse & Quattro 1992,
    # Genetics 131:479); open data of r-cran-ade4, whose own amova() gives the same digits.
    data = debian_data("r-cran-ade4", "humDNAm")
    from scipy.spatial.distance import squareform

    counts = np.asarray(data["samples"], dtype=int)
    names = [str(c) for c in data["samples"].columns]
    regions = [str(x) for x in data["structures"]["regions"]]
    kinds = np.concatenate([np.repeat(np.arange(56), counts[:, k]) for k in range(10)])
    populations = [name for k, name in enumerate(names) for _ in range(counts[:, k].sum())]
    found = amova(
        squareform(np.asarray(data["distances"], dtype=float)),
        kinds,
        populations,
        dict(zip(names, regions, strict=True)),
        n_permutations=99,
    )
    squares = [x.sum_of_squares for x in found.levels]
    np.testing.assert_allclose(squares, [78.238115, 9.284744, 316.197379], atol=5e-7)
    assert found.total_sum_of_squares == pytest.approx(403.720238, abs=5e-7)
    assert [x.degrees_of_freedom for x in found.levels] == [4, 5, 662]
    np.testing.assert_allclose(found.coefficients, [62.317872, 70.278999, 130.982887], atol=5e-7)
    np.testing.assert_allclose([x.variance for x in found.levels], [0.133807, 0.022133, 0.477640], atol=5e-7)
    np.testing.assert_allclose([x.percent for x in found.levels], [21.119144, 3.493396, 75.387459], atol=5e-6)
    assert found.phi_st.estimate.value == pytest.approx(0.2461254, abs=5e-8)
    assert found.phi_sc.estimate.value == pytest.approx(0.0442870, abs=5e-8)
    assert found.phi_ct.estimate.value == pytest.approx(0.2111914, abs=5e-8)
    assert found.phi_st.p_value == 0.01
    assert found.phi_sc.p_value == 0.01
    assert found.phi_ct.p_value <= 0.05


def random_case(seed: int, n_kinds: int = 6, sizes=(7, 5, 6, 4, 8)):
    rng = np.random.default_rng(seed)
    x = rng.normal(size=(n_kinds, 3))
    d = ((x[:, None] - x) ** 2).sum(axis=-1)
    population = np.repeat(np.arange(len(sizes)), sizes)
    kinds = rng.integers(0, n_kinds, size=len(population))
    return d, kinds, population


def slow_squares(d, kinds, labels) -> float:
    """Sum within each class of squared distances over all ordered pairs, over twice the class size."""
    total = 0.0
    for label in set(labels):
        inside = [k for k, x in zip(kinds, labels, strict=True) if x == label]
        total += sum(d[a, b] for a in inside for b in inside) / (2 * len(inside))
    return total


def test_amova__sums_of_squares_slow_version() -> None:
    d, kinds, population = random_case(1)
    groups = {0: "a", 1: "a", 2: "b", 3: "b", 4: "b"}
    found = amova(d, kinds, population.tolist(), groups, n_permutations=0)
    within = slow_squares(d, kinds, population.tolist())
    in_groups = slow_squares(d, kinds, [groups[p] for p in population.tolist()])
    total = slow_squares(d, kinds, ["all"] * len(kinds))
    np.testing.assert_allclose(
        [x.sum_of_squares for x in found.levels], [total - in_groups, in_groups - within, within]
    )
    assert found.phi_ct.p_value is None


def test_amova__two_levels_is_analysis_of_variance() -> None:
    # With one number per kind and squared differences as distances this is a one-way analysis of variance.
    rng = np.random.default_rng(2)
    x = rng.normal(size=24)
    population = np.repeat(["p", "q", "r"], 8)
    x[population == "q"] += 1
    found = amova((x[:, None] - x) ** 2, np.arange(24), population.tolist(), n_permutations=0)
    from scipy.stats import f_oneway

    mean_squares = [v.sum_of_squares / v.degrees_of_freedom for v in found.levels]
    reference = f_oneway(*(x[population == k] for k in "pqr")).statistic
    assert mean_squares[0] / mean_squares[1] == pytest.approx(reference)
    assert found.coefficients == (8.0,)
    assert found.phi_sc is None


def test_amova__haploid_phi_equals_theta_of_haploids() -> None:
    # Distances of 0 and 1 between alleles: Phi st is Weir & Cockerham's haploid estimator,
    # (MSP - MSG) / (MSP + (n_c - 1) MSG).
    rng = np.random.default_rng(3)
    sizes = [9, 12, 7]
    kinds = np.concatenate([rng.choice(3, size=n, p=p) for n, p in zip(sizes, [[0.7, 0.2, 0.1], [0.3, 0.3, 0.4], [0.1, 0.8, 0.1]], strict=True)])  # fmt: skip
    population = np.repeat([0, 1, 2], sizes)
    found = amova(1.0 - np.eye(3), kinds, population.tolist(), n_permutations=0)
    n = np.array(sizes, dtype=float)
    p = np.array([[(kinds[population == j] == a).mean() for a in range(3)] for j in range(3)])
    pbar = (n[:, None] * p).sum(axis=0) / n.sum()
    msp = (n[:, None] * (p - pbar) ** 2).sum() / 2
    msg = (n[:, None] * p * (1 - p)).sum() / (n.sum() - 3)
    nc = (n.sum() - (n**2).sum() / n.sum()) / 2
    assert found.phi_st.estimate.value == pytest.approx((msp - msg) / (msp + (nc - 1) * msg))


def test_amova__p_values_without_and_with_structure() -> None:
    d, kinds, population = random_case(4)
    groups = {0: "a", 1: "a", 2: "b", 3: "b", 4: "b"}
    none = amova(d, kinds, population.tolist(), groups, n_permutations=199)
    assert none.phi_st.p_value > 0.05
    assert none.phi_sc.p_value > 0.05
    split = np.where(population < 2, 0, 5)
    strong = amova(d, split, population.tolist(), groups, n_permutations=199)
    assert strong.phi_st.p_value == pytest.approx(1 / 200)
    assert strong.phi_ct.estimate.value == pytest.approx(1)
    # Two of five populations in one group: ten arrangements, one of them observed.
    arrangements = len(list(itertools.combinations(range(5), 2)))
    assert strong.phi_ct.p_value == pytest.approx(1 / arrangements, abs=0.06)


def test_amova__order_of_units_does_not_matter() -> None:
    d, kinds, population = random_case(5)
    groups = {0: "a", 1: "a", 2: "b", 3: "b", 4: "b"}
    order = np.random.default_rng(1).permutation(len(kinds))
    one = amova(d, kinds, population.tolist(), groups, n_permutations=0)
    two = amova(d, kinds[order], population[order].tolist(), groups, n_permutations=0)
    for a, b in zip(one.levels, two.levels, strict=True):
        assert a.sum_of_squares == pytest.approx(b.sum_of_squares)
        assert a.variance == pytest.approx(b.variance)


def test_amova__no_variation() -> None:
    found = amova(1.0 - np.eye(2), [0] * 10, ["p"] * 5 + ["q"] * 5, n_permutations=19)
    assert found.phi_st.estimate.reason == "there is no variation among the units"
    assert found.levels[0].percent is None


def test_amova__refusals() -> None:
    d = 1.0 - np.eye(2)
    with pytest.raises(UsageError, match="found 1 populations with 4 units"):
        amova(d, [0, 1, 0, 1], ["p"] * 4)
    with pytest.raises(UsageError, match="no group for population q"):
        amova(d, [0, 1, 0, 1], ["p", "p", "q", "q"], {"p": "a"})
    with pytest.raises(UsageError, match="found 2 groups of 2 populations"):
        amova(d, [0, 1, 0, 1], ["p", "p", "q", "q"], {"p": "a", "q": "b"})
    with pytest.raises(UsageError, match="found -5 permutations"):
        amova(d, [0, 1, 0, 1], ["p", "p", "q", "q"], n_permutations=-5)
    with pytest.raises(ShapeError, match="found 3 units and 4 populations"):
        amova(d, [0, 1, 0], ["p", "p", "q", "q"])
    with pytest.raises(ShapeError, match="Expected a square matrix"):
        amova(d[:1], [0, 0], ["p", "q"])
    with pytest.raises(ValueRangeError, match=r"found kind 2\. Expected 0 to 1"):
        amova(d, [0, 2, 0, 1], ["p", "p", "q", "q"])
    with pytest.raises(ValueRangeError, match="negative, not symmetric"):
        amova(-d, [0, 1, 0, 1], ["p", "p", "q", "q"])


def test_genotype_squared_distances__slow_version(random_set) -> None:
    genotypes = random_set(9, 7, 4, seed=61, missing=0.15)
    found = genotype_squared_distances(genotypes)
    for i, j in itertools.product(range(7), range(7)):
        total, shared = 0.0, 0
        for calls in genotypes.calls:
            if calls[i, 0] < 0 or calls[j, 0] < 0:
                continue
            shared += 1
            a, b = (np.bincount(calls[k], minlength=4) for k in (i, j))
            total += ((a - b) ** 2).sum() / 2
        assert found[i, j] == pytest.approx(total / shared * 9 if i != j else 0)


def test_genotype_squared_distances__scores_of_one_locus(wrap_calls) -> None:
    # Smouse & Peakall (1999), Heredity 82:561, from memory: AA-BB 4, AA-AB 1, AB-AC 1, AB-CD 2, AA-BC 3.
    pairs = {
        (("AA"), ("BB")): 4, ("AA", "AB"): 1, ("AB", "AC"): 1, ("AB", "CD"): 2, ("AA", "BC"): 3,
    }  # fmt: skip
    for (one, two), expected in pairs.items():
        calls = np.array([[["ABCD".index(c) for c in one], ["ABCD".index(c) for c in two]]])
        assert genotype_squared_distances(wrap_calls(calls, 4))[0, 1] == expected


def test_genotype_squared_distances__refusals(wrap_calls) -> None:
    calls = np.zeros((2, 2, 2), dtype=int)
    calls[0, 0] = calls[1, 1] = -1
    with pytest.raises(ValueRangeError, match="'LF-0000' and 'LF-0001' without a locus typed in both"):
        genotype_squared_distances(wrap_calls(calls, 2))
    with pytest.raises(ValueRangeError, match="found no neutral loci"):
        genotype_squared_distances(wrap_calls(np.zeros((1, 2, 2)), 2, ["sex"]))
