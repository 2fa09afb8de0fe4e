"""Haplotype diversity against worked numbers, scikit-allel and open data."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from broodstock.diversity.haplotypes import (
    effective_females,
    haplotype_counts,
    haplotype_diversity,
    haplotype_table,
    mean_pairwise_differences,
)
from broodstock.diversity.sequences import sequence_differences
from broodstock.errors import ShapeError, UsageError, ValueRangeError

FOUR = ["ATCGATCGAA", "ATCGATCGAT", "ATCGTTCGAT", "ATCGATCGAA"]


def test_haplotype_diversity__worked_counts() -> None:
    # Nei (1987), Molecular Evolutionary Genetics, equations 8.4 and 8.12, from memory.
    h, se = haplotype_diversity(np.array([10, 5, 3, 1, 1]))
    assert h == pytest.approx(0.694737, abs=5e-7)
    assert se == pytest.approx(0.081299, abs=5e-7)
    assert haplotype_diversity(np.ones(7, dtype=int))[0] == pytest.approx(1.0)


def test_haplotype_diversity__standard_error_against_simulated_samples() -> None:
    p = np.array([0.5, 0.25, 0.15, 0.1])
    drawn = np.random.default_rng(8).multinomial(40, p, size=4000)
    found = np.array([haplotype_diversity(c) for c in drawn])
    assert np.sqrt((found[:, 1] ** 2).mean()) == pytest.approx(found[:, 0].std(), rel=0.1)
    assert found[:, 0].mean() == pytest.approx(1 - (p**2).sum(), abs=0.003)


def test_haplotype_diversity__agrees_with_scikit_allel() -> None:
    allel = pytest.importorskip("allel")
    counts = [3, 2, 1]
    columns = np.repeat(np.array([[0, 0, 1], [0, 1, 1], [0, 0, 0]]).T, counts, axis=1)
    reference = allel.haplotype_diversity(allel.HaplotypeArray(columns))
    assert haplotype_diversity(np.array(counts))[0] == pytest.approx(reference, abs=1e-12)


def test_haplotype_diversity__refuses_one_fish_and_shares() -> None:
    with pytest.raises(ValueRangeError, match=r"found 1 fish\. Expected two or more"):
        haplotype_diversity(np.array([1]))
    with pytest.raises(ValueRangeError, match="negative or not whole"):
        haplotype_diversity(np.array([0.5, 0.5]))
    with pytest.raises(ShapeError, match="Expected a vector"):
        haplotype_diversity(np.ones((2, 2)))


def test_nucleotide_diversity__worked_sequences() -> None:
    # Mean share of sites that differ over the six pairs: 7 / 60.
    d, n_sites = sequence_differences(FOUR)
    counts = np.ones(4)
    assert n_sites == 10
    assert mean_pairwise_differences(counts, d) / n_sites == pytest.approx(0.116667, abs=5e-7)


def test_sequence_differences__naive_loop_and_gaps() -> None:
    rng = np.random.default_rng(9)
    sequences = ["".join(rng.choice(list("ACGTacgu-N"), p=[0.1] * 8 + [0.1, 0.1], size=60)) for _ in range(3)]
    d, n_sites = sequence_differences(sequences)
    clean = [s.upper().replace("U", "T") for s in sequences]
    clear = [k for k in range(60) if all(s[k] in "ACGT" for s in clean)]
    assert n_sites == len(clear)
    for i, j in itertools.product(range(3), range(3)):
        assert d[i, j] == sum(clean[i][k] != clean[j][k] for k in clear)
    assert sequence_differences([])[1] == 0


def test_sequence_differences__refuses_unaligned() -> None:
    with pytest.raises(ShapeError, match=r"found lengths from 3 to 4\. Expected aligned sequences"):
        sequence_differences(["ACG", "ACGT"])
    with pytest.raises(UsageError, match="character outside ASCII"):
        sequence_differences(["ACG", "AC\u00c9"])


def test_mean_pairwise_differences__every_pair() -> None:
    counts = np.array([3, 1, 2])
    d = np.array([[0, 1, 4], [1, 0, 2], [4, 2, 0]], dtype=float)
    fish = np.repeat(np.arange(3), counts)
    expected = np.mean([d[a, b] for a, b in itertools.combinations(fish, 2)])
    assert mean_pairwise_differences(counts, d) == pytest.approx(expected)
    with pytest.raises(ShapeError, match=r"Expected \(3, 3\)"):
        mean_pairwise_differences(counts, d[:2, :2])
    with pytest.raises(ValueRangeError, match="not symmetric with 0"):
        mean_pairwise_differences(counts, np.triu(d))
    with pytest.raises(ValueRangeError, match="fewer than two fish"):
        mean_pairwise_differences(np.array([1, 0, 0]), d)


def test_hum_dna_m__haplotypes_diversity_and_differences(debian_data) -> None:
    # 56 haplotypes in ten samples: open data of r-cran-ade4, from Excoffier, Smouse & Quattro (1992).
    data = debian_data("r-cran-ade4", "humDNAm")
    samples = data["samples"]
    counts = np.asarray(samples, dtype=int)
    names = [str(c) for c in samples.columns]
    d = squareform(np.asarray(data["distances"], dtype=float))
    expected = {
        "oriental": (46, 9, 0.51208, 0.88116),
        "tharu": (91, 13, 0.65910, 0.97582),
        "wolof": (110, 13, 0.76397, 1.32977),
        "peul": (47, 7, 0.72895, 1.14339),
        "pima": (63, 4, 0.12340, 0.12596),
        "maya": (37, 3, 0.33333, 0.35135),
        "finnish": (110, 9, 0.36931, 0.67173),
        "sicilian": (90, 16, 0.66792, 1.25218),
        "israelij": (39, 9, 0.72740, 1.37652),
        "israelia": (39, 12, 0.66667, 1.31444),
    }
    assert set(names) == set(expected)
    for k, name in enumerate(names):
        n, seen, h, differences = expected[name]
        c = counts[:, k]
        assert (c.sum(), (c > 0).sum()) == (n, seen)
        assert haplotype_diversity(c)[0] == pytest.approx(h, abs=5e-6)
        assert mean_pairwise_differences(c, d) == pytest.approx(differences, abs=5e-6)
    assert haplotype_diversity(counts.sum(axis=1))[0] == pytest.approx(0.668671, abs=5e-7)


def squareform(vector: np.ndarray) -> np.ndarray:
    from scipy.spatial.distance import squareform as fold

    return fold(vector)


def fish_of(counts: dict[str, list[int]]) -> tuple[list[str | None], list[str]]:
    haplotypes: list[str | None] = []
    groups = []
    for g, c in counts.items():
        for k, n in enumerate(c):
            haplotypes += [f"H{k}"] * n
            groups += [g] * n
    return haplotypes, groups


def test_haplotype_table__values_intervals_and_order() -> None:
    haplotypes, groups = fish_of({"2021": [10, 5, 3, 1, 1], "2020": [6, 6, 0, 2, 0]})
    haplotypes += [None, ""]
    groups += ["2020", "2020"]
    sequences = {"H0": "ACGTA", "H1": "ACGTC", "H2": "ACTTC", "H3": "GCTTC", "H4": "GGTTC"}
    rows = haplotype_table(haplotypes, groups, sequences=sequences, n_replicates=200)
    assert [r.group for r in rows] == ["2021", "2020"]
    first, second = rows
    assert (first.n_fish, first.n_typed, first.n_haplotypes, first.g) == (20, 20, 5, 14)
    assert (second.n_fish, second.n_typed, second.n_haplotypes) == (16, 14, 3)
    assert first.diversity.value == pytest.approx(0.694737, abs=5e-7)
    assert first.standard_error == pytest.approx(0.081299, abs=5e-7)
    assert first.effective_haplotypes.value == pytest.approx(1 / (1 - 0.694737), abs=1e-4)
    exact = sum(1 - math.comb(20 - c, 14) / math.comb(20, 14) for c in (10, 5, 3, 1, 1))
    assert first.richness.value == pytest.approx(exact)
    assert second.richness.value == pytest.approx(3)
    absent = [math.comb(20 - c, 14) / math.comb(20, 14) for c in (10, 5, 3, 1, 1)]
    private = (1 - absent[2]) + (1 - absent[4])
    assert first.private_richness.value == pytest.approx(private)
    assert first.nucleotide_diversity.value == pytest.approx(first.pairwise_differences.value / 5)
    for e in (first.diversity, first.richness, first.effective_haplotypes, first.nucleotide_diversity):
        assert e.low < e.value < e.high
        assert "bootstrap over fish, 200 replicates" in e.method


def test_haplotype_table__order_of_fish_and_names_do_not_matter() -> None:
    haplotypes, groups = fish_of({"a": [5, 4, 3], "b": [2, 0, 9]})
    order = np.random.default_rng(4).permutation(len(groups))
    one = haplotype_table(haplotypes, groups, order=["a", "b"], n_replicates=30)
    two = haplotype_table(
        [haplotypes[i] for i in order], [groups[i] for i in order], order=["a", "b"], n_replicates=30
    )
    assert one == two
    renamed = haplotype_table([f"x{9 - int(h[1])}" for h in haplotypes], groups, n_replicates=30)
    for a, b in zip(one, renamed, strict=True):
        assert a.diversity.value == pytest.approx(b.diversity.value)
        assert a.private_richness.value == pytest.approx(b.private_richness.value)


def test_haplotype_table__not_estimable() -> None:
    haplotypes: list[str | None] = ["H1"] * 6 + ["H2", None]
    groups = ["w"] * 6 + ["lone", "blank"]
    rows = haplotype_table(haplotypes, groups, order=["w", "lone", "blank", "gone"], n_replicates=30)
    assert rows[0].diversity.value == 0
    assert rows[0].private_richness.reason == "there is no other group to compare with"
    assert rows[0].nucleotide_diversity.reason == "no sequences were given"
    assert [r.diversity.reason for r in rows[1:]] == [
        "only one haplotype was read, and at least two fish are needed",
        "no haplotype of the group was read",
        "the group has no fish",
    ]
    assert rows[1].standard_error is None
    three = haplotype_table(["H1"] * 3, ["w"] * 3, n_replicates=30)[0]
    assert three.richness.reason == "no group has enough fish for a common sample size"


def test_haplotype_table__refusals() -> None:
    with pytest.raises(ShapeError, match="found 2 haplotypes and 1 groups"):
        haplotype_table(["H1", "H2"], ["w"])
    with pytest.raises(UsageError, match="found no sequence for H2"):
        haplotype_table(["H1", "H2"], ["w", "w"], sequences={"H1": "ACGT"})
    with pytest.raises(UsageError, match="found g = 1"):
        haplotype_table(["H1", "H2"], ["w", "w"], g=1)


def test_haplotype_counts__by_group() -> None:
    labels, names, counts, n_fish = haplotype_counts(["H2", None, "H1", "H2"], ["a", "a", "b", "a"])
    assert (labels, names) == (("a", "b"), ("H1", "H2"))
    assert counts.tolist() == [[0, 2], [1, 0]]
    assert n_fish.tolist() == [3, 1]


def test_effective_females__formula_and_infinity() -> None:
    before, after = np.array([20, 20, 20, 20]), np.array([60, 10, 5, 5])
    h0, ht = haplotype_diversity(before)[0], haplotype_diversity(after)[0]
    found = effective_females(before, after, n_replicates=100)
    assert found.value == pytest.approx(1 / (1 - ht / h0))
    assert found.low < found.value < found.high
    two = effective_females(before, after, 2.0, n_replicates=100)
    assert (1 - 1 / two.value) ** 2 == pytest.approx(ht / h0)
    none_lost = effective_females(after, before, n_replicates=100)
    assert none_lost.value == math.inf
    assert none_lost.note == "No diversity was lost between the samples."
    assert none_lost.text().startswith("infinite")


def test_effective_females__recovers_simulated_drift() -> None:
    # Decay of haplotype diversity by (1 - 1/N) a generation: Crow & Kimura (1970), section 7.6, from memory.
    rng = np.random.default_rng(12)
    p0 = np.full(20, 0.05)
    rates = []
    for _ in range(3000):
        p = rng.multinomial(15, p0) / 15
        before, after = rng.multinomial(60, p0), rng.multinomial(60, p)
        h0, ht = haplotype_diversity(before)[0], haplotype_diversity(after)[0]
        rates.append(1 - ht / h0)
    assert 1 / np.mean(rates) == pytest.approx(15, rel=0.05)


def test_effective_females__not_estimable_and_refusals() -> None:
    assert effective_females(np.array([9, 0]), np.array([5, 4])).reason == (
        "the earlier sample holds a single haplotype"
    )
    assert "fewer than two fish" in effective_females(np.array([1]), np.array([5])).reason
    with pytest.raises(ValueRangeError, match="found 0 generations"):
        effective_females(np.array([5, 5]), np.array([5, 5]), 0)
