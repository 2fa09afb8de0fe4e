from __future__ import annotations

import numpy as np
import pytest
import sgkit
import xarray as xr

from broodstock.errors import ShapeError, ValueRangeError
from broodstock.genotypes.genotype_set import GenotypeSet, Locus
from broodstock.pedigree.kinship import kinship_matrix
from broodstock.relatedness.allele_sharing import (
    allele_sharing,
    allele_sharing_kinship,
    mean_of_pairs,
    set_unrelated,
)
from broodstock.relatedness.genomic import genomic_kinship, genomic_relationship
from broodstock.relatedness.locus_table import locus_table
from broodstock.relatedness.moments import (
    loiselle_kinship,
    lynch_ritland_relatedness,
    queller_goodnight_relatedness,
)
from broodstock.relatedness.robust import robust_kinship
from broodstock.relatedness.similarity_classes import (
    _class_sums,
    _fit,
    class_coefficients,
    wang_relatedness,
    wang_shared_genes,
)

DOSE = np.array([[2, 1, 0, 1], [1, 1, 1, 0], [0, 2, 1, 2]])  # three fish, four loci
ESTIMATORS = {
    "genomic": genomic_relationship,
    "sharing": allele_sharing_kinship,
    "lynch": lynch_ritland_relatedness,
    "queller": queller_goodnight_relatedness,
    "wang": wang_relatedness,
    "robust": robust_kinship,
    "loiselle": loiselle_kinship,
}


def calls_of(dose: np.ndarray) -> np.ndarray:
    """Return calls (loci, fish, 2) from doses (fish, loci) of allele 1."""
    return np.stack([dose.T >= 1, dose.T == 2], axis=2).astype(np.int16)


def as_dataset(calls: np.ndarray) -> xr.Dataset:
    return xr.Dataset(
        {
            "call_genotype": (("variants", "samples", "ploidy"), calls.astype(np.int8)),
            "call_genotype_mask": (("variants", "samples", "ploidy"), calls < 0),
            "call_dosage": (("variants", "samples"), (calls == 1).sum(axis=2).astype(float)),
        }
    )


# VanRaden 2008, method 1.


def test_genomic__worked_numbers() -> None:
    expected = [
        [0.823529, -0.058824, -0.764706],
        [-0.058824, 0.647059, -0.588235],
        [-0.764706, -0.588235, 1.352941],
    ]
    found = genomic_relationship(calls_of(DOSE))
    np.testing.assert_allclose(found, expected, atol=1e-6)
    np.testing.assert_allclose(found.sum(axis=1), 0, atol=1e-12)
    half = genomic_relationship(calls_of(DOSE), np.full((4, 2), 0.5))
    np.testing.assert_allclose(half, [[1, 0, -0.5], [0, 0.5, -0.5], [-0.5, -0.5, 1.5]], atol=1e-12)
    np.testing.assert_allclose(genomic_kinship(calls_of(DOSE)), found / 2)


def test_genomic__equals_sgkit() -> None:
    rng = np.random.default_rng(1)
    calls = (rng.random((60, 12, 2)) < rng.uniform(0.1, 0.9, 60)[:, None, None]).astype(np.int16)
    p = (calls == 1).mean(axis=(1, 2))
    data = as_dataset(calls).assign(p=(("variants",), p))
    expected = sgkit.genomic_relationship(data, estimator="VanRaden", ancestral_frequency="p")
    np.testing.assert_allclose(
        genomic_relationship(calls), expected["stat_genomic_relationship"].to_numpy(), atol=1e-10
    )


# Weir & Goudet 2017.


def test_sharing__worked_numbers() -> None:
    matching = allele_sharing(calls_of(DOSE))
    np.testing.assert_allclose(matching, [[0.75, 0.5, 0.375], [0.5, 0.625, 0.375], [0.375, 0.375, 0.875]])
    assert mean_of_pairs(matching) == pytest.approx(0.416667, abs=1e-6)
    found = allele_sharing_kinship(calls_of(DOSE))
    expected = [
        [0.571429, 0.142857, -0.071429],
        [0.142857, 0.357143, -0.071429],
        [-0.071429, -0.071429, 0.785714],
    ]
    np.testing.assert_allclose(found, expected, atol=1e-6)
    assert mean_of_pairs(found) == pytest.approx(0, abs=1e-12)


@pytest.mark.filterwarnings("ignore:invalid value encountered in divide:RuntimeWarning")
@pytest.mark.parametrize("missing", [0.0, 0.2])
def test_sharing__equals_sgkit(missing: float) -> None:
    rng = np.random.default_rng(2)
    calls = rng.integers(0, 4, (50, 10, 2)).astype(np.int16)
    calls[rng.random((50, 10)) < missing] = -1
    data = sgkit.identity_by_state(as_dataset(calls).assign_coords(alleles=np.arange(4)), merge=True)
    np.testing.assert_allclose(allele_sharing(calls), data["stat_identity_by_state"].to_numpy(), atol=1e-10)
    beta = sgkit.Weir_Goudet_beta(data)["stat_Weir_Goudet_beta"].to_numpy()
    np.testing.assert_allclose(allele_sharing_kinship(calls), beta, atol=1e-10)


def test_set_unrelated__moves_zero_and_keeps_one() -> None:
    k = np.array([[0.7, 0.1], [0.1, 1.0]])
    np.testing.assert_allclose(set_unrelated(k, 0.1), [[2 / 3, 0], [0, 1]])
    with pytest.raises(ValueRangeError, match="found a kinship of 1"):
        set_unrelated(k, 1.0)


# Exact expectations over every pair of genotypes at a locus with frequencies .6, .3, .1.


def reference_weights(p: np.ndarray, genotypes: np.ndarray) -> np.ndarray:
    a, b = genotypes[:, 0], genotypes[:, 1]
    top = (1 + (a == b)) * (p[a] + p[b]) - 4 * p[a] * p[b]
    return np.asarray(top / (2 * p[a] * p[b]))


@pytest.mark.parametrize("relation", ["unrelated", "half sibs", "full sibs", "parent and young"])
def test_lynch_ritland__exact_for_each_reference_genotype(enumeration, relation: str) -> None:
    p, calls, chances, relatedness = enumeration
    w = reference_weights(p[0], calls[0])
    # The two directions have the same numerator: half the sum of the two ratios gives it back.
    top = 2 * lynch_ritland_relatedness(calls, p) / (1 / w[:, None] + 1 / w[None, :])
    chance = chances(relation)
    given_reference = (chance * top / w[:, None]).sum(axis=1) / chance.sum(axis=1)
    np.testing.assert_allclose(given_reference, relatedness[relation], atol=1e-12)


def test_lynch_ritland__single_values(enumeration) -> None:
    p, calls, _, _ = enumeration
    w = reference_weights(p[0], calls[0])
    assert (w[1], w[2], w[5]) == pytest.approx((0.5, 3.833333, 18), abs=1e-6)
    found = lynch_ritland_relatedness(calls, p)
    assert found[1, 2] == pytest.approx((-2.333333 - 0.304348) / 2, abs=1e-6)
    np.testing.assert_allclose(np.diag(found), 1)


@pytest.mark.parametrize("relation", ["unrelated", "half sibs", "full sibs", "parent and young"])
def test_queller_goodnight__ratio_of_expectations(enumeration, relation: str) -> None:
    p, calls, chances, relatedness = enumeration
    a, b = calls[0].T
    own = 1 + (a == b) - p[0][a] - p[0][b]
    bottom = own[:, None] + own[None, :]
    chance = chances(relation)
    top = queller_goodnight_relatedness(calls, p) * bottom
    assert (chance * top).sum() / (chance * bottom).sum() == pytest.approx(relatedness[relation])


def test_queller_goodnight__single_value(enumeration) -> None:
    p, calls, _, _ = enumeration
    assert queller_goodnight_relatedness(calls, p)[1, 2] == pytest.approx(-1.5)


WANG = {
    "unrelated": (0.2854, 0.4248, 0.144),
    "half sibs": (0.3727, 0.4284, 0.126),
    "full sibs": (0.55135, 0.3222, 0.09),
    "parent and young": (0.46, 0.432, 0.108),
}


@pytest.mark.parametrize("relation", list(WANG))
def test_wang__class_chances_by_enumeration(enumeration, relation: str) -> None:
    p, calls, chances, _ = enumeration
    classes = _class_sums(locus_table(calls, p), np.ones(1))
    found = (chances(relation)[..., None] * classes).sum(axis=(0, 1))
    np.testing.assert_allclose(found, WANG[relation], atol=1e-12)
    powers = [np.array([(p**k).sum()]) for k in (2, 3, 4)]
    unrelated, slopes = class_coefficients(*powers)
    one, two = {
        "unrelated": (0, 0),
        "half sibs": (0.5, 0),
        "full sibs": (0.5, 0.25),
        "parent and young": (1, 0),
    }[relation]
    np.testing.assert_allclose(unrelated[0] + slopes[0] @ [one, two], WANG[relation], atol=1e-12)


@pytest.mark.parametrize("relation", list(WANG))
def test_wang__expectation_is_exact(enumeration, relation: str) -> None:
    p, calls, chances, relatedness = enumeration
    found = wang_shared_genes(calls, p)
    chance = chances(relation)
    assert (chance * found.relatedness).sum() == pytest.approx(relatedness[relation])
    two = {"full sibs": 0.25}.get(relation, 0.0)
    assert (chance * found.two).sum() == pytest.approx(two, abs=1e-12)


def test_wang__equals_his_closed_form() -> None:
    """The printed least-squares solution (from memory), over several loci."""
    rng = np.random.default_rng(5)
    calls = rng.integers(0, 5, (8, 6, 2)).astype(np.int16)
    p = rng.dirichlet(np.full(5, 3.0), 8)
    a2, a3, a4 = ((p**k).sum(axis=1) for k in (2, 3, 4))
    u = 2 * a2 - a3
    w = (1 / u) / (1 / u).sum()
    b = w @ (2 * a2**2 - a4)
    c = w @ (a2 - 2 * a2**2 + a4)
    d = w @ (4 * (a3 - a4))
    e = w @ (2 * (a2 - 3 * a3 + 2 * a4))
    f = w @ (4 * (a2 - a2**2 - 2 * a3 + 2 * a4))
    g = w @ (1 - 7 * a2 + 4 * a2**2 + 10 * a3 - 8 * a4)
    x, y = calls[:, 0], calls[:, 1]
    shared = np.array([sum((x[i] == s).sum() * (y[i] == s).sum() for s in range(5)) for i in range(8)])
    het = np.array([[x[i, 0] != x[i, 1], y[i, 0] != y[i, 1]] for i in range(8)])
    same = (np.sort(x, axis=1) == np.sort(y, axis=1)).all(axis=1)
    p1 = w @ same
    p2 = w @ ((shared == 2) & ~same)
    p3 = w @ ((shared == 1) & het.all(axis=1))
    v = (
        (1 - b) ** 2 * (e**2 * f + d * g**2)
        - (1 - b) * (e * f - d * g) ** 2
        + 2 * c * d * f * (1 - b) * (g + e)
        + c**2 * d * f * (d + f)
    )
    one = (
        d * f * ((e + g) * (1 - b) + c * (d + f)) * (p1 - 1)
        + d * (1 - b) * (g * (1 - b - d) + f * (c + e)) * p3
        + f * (1 - b) * (e * (1 - b - f) + d * (c + g)) * p2
    ) / v
    two = (
        c * d * f * (e + g) * (p1 + 1 - 2 * b)
        + ((1 - b) * (f * e**2 + d * g**2) - (e * f - d * g) ** 2) * (p1 - b)
        + c * (d * g - e * f) * (d * p3 - f * p2)
        - c**2 * d * f * (p3 + p2 - d - f)
        - c * (1 - b) * (d * g * p3 + e * f * p2)
    ) / v
    found = wang_shared_genes(calls, p)
    assert (found.one[0, 1], found.two[0, 1]) == pytest.approx((one, two))


@pytest.mark.parametrize("relation", ["unrelated", "half sibs", "full sibs", "parent and young"])
def test_loiselle_and_genomic__expectation_is_exact(enumeration, relation: str) -> None:
    p, calls, chances, relatedness = enumeration
    chance = chances(relation)
    assert (chance * loiselle_kinship(calls, p)).sum() == pytest.approx(relatedness[relation] / 2, abs=1e-12)
    assert (chance * genomic_relationship(calls, p)).sum() == pytest.approx(relatedness[relation], abs=1e-12)


def test_loiselle__by_hand_with_observed_frequencies() -> None:
    rng = np.random.default_rng(3)
    calls = rng.integers(0, 3, (5, 7, 2)).astype(np.int16)
    top, bottom = np.zeros((7, 7)), 0.0
    for locus in calls:
        for a in range(3):
            p, own = (locus == a).mean(), (locus == a).mean(axis=1)
            top += np.outer(own - p, own - p) + p * (1 - p) / (2 * 7 - 1)
            bottom += p * (1 - p)
    np.testing.assert_allclose(loiselle_kinship(calls), top / bottom)


# Manichaikul et al. 2010.


def test_robust__worked_numbers() -> None:
    x, y = [0, 1, 2, 1, 1, 0, 2, 1, 1, 2], [1, 1, 2, 0, 1, 2, 2, 1, 0, 1]
    calls = calls_of(np.array([x, y]))
    for within in (True, False):
        found = robust_kinship(calls, within_family=within)
        assert found[0, 1] == pytest.approx(0.1)
        np.testing.assert_allclose(np.diag(found), 0.5)
    # Identity: 1/2 - sum (x - y)^2 / (4 times the fewer heterozygotes).
    difference = ((np.array(x) - np.array(y)) ** 2).sum()
    fewest = min(x.count(1), y.count(1))
    assert robust_kinship(calls)[0, 1] == pytest.approx(0.5 - difference / (4 * fewest))


def test_robust__needs_loci_with_two_alleles() -> None:
    with pytest.raises(ValueRangeError, match="found no locus with exactly two alleles"):
        robust_kinship(np.array([[[0, 1], [1, 2]]], dtype=np.int16))


def test_robust__leaves_other_loci_out() -> None:
    rng = np.random.default_rng(4)
    snps = rng.integers(0, 2, (20, 5, 2)).astype(np.int16)
    microsatellite = np.array([[[0, 1], [1, 2], [3, 3], [0, 2], [1, 1]]], dtype=np.int16)
    both = np.concatenate([snps[:7], microsatellite, snps[7:]])
    np.testing.assert_allclose(robust_kinship(both), robust_kinship(snps))


# What holds for all of them.


@pytest.mark.parametrize("name", list(ESTIMATORS))
def test_estimators__order_of_fish_loci_and_alleles_does_not_matter(name: str) -> None:
    rng = np.random.default_rng(6)
    calls = rng.integers(0, 2 if name == "robust" else 4, (30, 9, 2)).astype(np.int16)
    calls[rng.random((30, 9)) < 0.1] = -1
    fish, names = rng.permutation(9), np.append(rng.permutation(calls.max() + 1), -1)
    other = names[calls][rng.permutation(30)][:, fish][:, :, ::-1]
    estimator = ESTIMATORS[name]
    found = estimator(calls)
    np.testing.assert_allclose(estimator(other), found[np.ix_(fish, fish)], atol=1e-9)
    np.testing.assert_allclose(found, found.T, atol=1e-12)


@pytest.mark.parametrize("name", list(ESTIMATORS))
def test_estimators__missing_calls_equal_leaving_the_locus_out_for_the_pair(name: str) -> None:
    """A pair's value rests on the loci typed in both, with the same reference frequencies."""
    rng = np.random.default_rng(7)
    n_alleles = 2 if name == "robust" else 3
    calls = rng.integers(0, n_alleles, (25, 4, 2)).astype(np.int16)
    p = rng.dirichlet(np.full(n_alleles, 4.0), 25)
    holes = calls.copy()
    holes[3:8, 0] = -1
    holes[6:12, 1] = -1
    kept = np.r_[0:3, 12:25]
    if name in ("sharing", "robust"):
        estimator = allele_sharing if name == "sharing" else robust_kinship
        found, expected = estimator(holes), estimator(calls[kept])
    else:
        found, expected = ESTIMATORS[name](holes, p), ESTIMATORS[name](calls[kept], p[kept])  # type: ignore[call-arg]
    assert found[0, 1] == pytest.approx(expected[0, 1])


@pytest.mark.parametrize("name", ["genomic", "lynch", "queller", "wang", "loiselle"])
def test_estimators__mean_over_many_loci_is_the_pedigree_value(gene_drop, family_pedigree, name: str) -> None:
    rng = np.random.default_rng(8)
    p = rng.dirichlet(np.full(4, 3.0), 4000)
    calls = gene_drop(family_pedigree, p, rng)
    estimate = ESTIMATORS[name](calls, p)  # type: ignore[call-arg]
    truth = 2 * kinship_matrix(family_pedigree)
    found = estimate * 2 if name == "loiselle" else estimate
    pairs = np.triu_indices(len(truth), 1)
    outbred = np.diag(truth)[pairs[0]] + np.diag(truth)[pairs[1]] == 2
    # Moment estimators other than the genomic one assume fish that are not inbred.
    use = np.ones_like(outbred) if name in ("genomic", "loiselle") else outbred
    np.testing.assert_allclose(found[pairs][use], truth[pairs][use], atol=0.06)


def test_sharing__relative_to_the_mean_pair_is_the_pedigree_value(gene_drop, family_pedigree) -> None:
    rng = np.random.default_rng(9)
    calls = gene_drop(family_pedigree, rng.dirichlet(np.full(4, 3.0), 4000), rng)
    truth = kinship_matrix(family_pedigree)
    found = allele_sharing_kinship(calls)
    np.testing.assert_allclose(found, set_unrelated(truth, mean_of_pairs(truth)), atol=0.03)
    unrelated = found[:8, :8][np.triu_indices(8, 1)].mean()
    np.testing.assert_allclose(set_unrelated(found, unrelated), truth, atol=0.03)


def test_robust__equals_the_pedigree_value_with_many_loci(gene_drop, family_pedigree) -> None:
    rng = np.random.default_rng(10)
    minor = rng.uniform(0.1, 0.5, 6000)
    calls = gene_drop(family_pedigree, np.stack([1 - minor, minor], axis=1), rng)
    truth, found = kinship_matrix(family_pedigree), robust_kinship(calls)
    outbred = np.flatnonzero(np.diag(truth) == 0.5)
    pairs = np.ix_(outbred, outbred)
    np.testing.assert_allclose(found[pairs], truth[pairs], atol=0.04)


# Input.


def test_locus_table__only_neutral_loci_and_names_in_messages() -> None:
    calls = np.array([[[0, 1], [-1, -1]], [[-1, -1], [0, 1]], [[0, 1], [1, 1]]], dtype=np.int16)
    loci = (Locus("A"), Locus("B"), Locus("S", role="sex"))
    data = GenotypeSet(("T-0001", "T-0002"), loci, (("x", "y"),) * 3, calls)
    with pytest.raises(ValueRangeError, match="no locus typed in both 'T-0001' and 'T-0002'"):
        allele_sharing(data)


def test_locus_table__raises_on_bad_frequencies() -> None:
    calls = np.array([[[0, 1], [1, 1]]], dtype=np.int16)
    with pytest.raises(ShapeError, match=r"Expected \(1, at least 2\)"):
        locus_table(calls, np.ones((2, 2)))
    with pytest.raises(ValueRangeError, match="add to 1"):
        locus_table(calls, np.array([[0.5, 0.6]]))
    with pytest.raises(ValueRangeError, match="frequency 0 for allele 1, which a fish carries"):
        locus_table(calls, np.array([[1.0, 0.0]]))
    with pytest.raises(ValueRangeError, match="found no typed neutral locus"):
        locus_table(np.full((2, 3, 2), -1, dtype=np.int16))


def test_estimators__raise_on_loci_that_do_not_vary() -> None:
    same = np.zeros((3, 4, 2), dtype=np.int16)
    for name in ("genomic", "lynch", "queller", "loiselle"):
        with pytest.raises(ValueRangeError, match="no informative locus typed in both '0' and '0'"):
            ESTIMATORS[name](same)
    with pytest.raises(ValueRangeError, match="found only identical genotypes"):
        allele_sharing_kinship(same)
    with pytest.raises(ValueRangeError, match="found one fish"):
        allele_sharing_kinship(same[:, :1])
    with pytest.raises(ValueRangeError, match="no varying locus typed in both"):
        wang_relatedness(same)


def test_wang__says_when_loci_cannot_tell() -> None:
    one_direction = np.zeros((1, 1, 3, 2))
    one_direction[..., 0, :] = 0.5
    unrelated = np.full((1, 1, 3), 0.2)
    with pytest.raises(ValueRangeError, match="can't tell one shared gene from two"):
        _fit(unrelated, unrelated, one_direction, ("T-0001",))
