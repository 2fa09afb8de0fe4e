from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest

from broodstock.effective_size.temporal import MEASURES, _drift, temporal_f, temporal_ne
from broodstock.errors import ShapeError, UsageError, ValueRangeError
from broodstock.genotypes.genotype_set import GenotypeSet, Locus

X, Y = np.array([0.6, 0.3, 0.1]), np.array([0.45, 0.35, 0.2])


def two_samples(
    breed: Callable[..., np.ndarray],
    start: Callable[..., np.ndarray],
    n: int,
    t: int,
    s: int,
    n_loci: int,
    n_alleles: int,
    rng: np.random.Generator,
    plan: str = "removed",
) -> tuple[np.ndarray, np.ndarray]:
    """Return samples t generations apart of a population of n, of young (removed) or of breeders (returned)."""
    fish = start(n_loci, n, n_alleles, rng)
    for _ in range(2):
        fish = breed(fish, n // 2, n, rng)
    samples = []
    for generation in range(t + 1):
        young = breed(fish, n // 2, n, rng)
        if generation in (0, t):
            both_sexes = np.r_[0 : s // 2, n // 2 : n // 2 + s // 2]
            samples.append(breed(fish, n // 2, s, rng) if plan == "removed" else young[:, both_sexes])
        fish = young
    return samples[0], samples[1]


def test_measures__worked_numbers() -> None:
    # Nei & Tajima 1981; Pollak 1983; Jorde & Ryman 2007 (from memory).
    found = temporal_f(X, Y)
    assert [found[m] for m in MEASURES] == pytest.approx([0.058841, 0.058608, 0.058700], abs=1e-6)


@pytest.mark.parametrize(
    ("plan", "census", "expected"),
    [
        ("removed", None, (64.365523, 64.753321, 65.387555)),
        ("returned", 200, (57.024677, 57.328853, 57.855590)),
    ],
)
def test_correction__worked_numbers(plan: str, census: int | None, expected: tuple[float, ...]) -> None:
    found = temporal_f(X, Y)
    ne = [5 / (2 * _drift(m, found[m], 50, 50, plan, census)) for m in MEASURES]
    assert ne == pytest.approx(expected, abs=1e-4)
    drift = {"removed": 0.0382336, "returned": 0.0432110}[plan]
    assert _drift("Fs", found["Fs"], 50, 50, plan, census) == pytest.approx(drift, abs=1e-7)


def samples_of(x: np.ndarray, y: np.ndarray, n: int) -> list[np.ndarray]:
    """Return one-locus samples of n fish with exact frequencies."""
    return [
        np.repeat(np.arange(3), np.rint(2 * n * p).astype(int)).reshape(1, n, 2).astype(np.int16)
        for p in (x, y)
    ]


def test_temporal_ne__one_locus_from_genotypes() -> None:
    results = temporal_ne(*samples_of(X, Y, 50), 5)
    assert [r.over_loci.value for r in results] == pytest.approx((64.365523, 64.753321, 65.387555), abs=1e-4)
    assert results[0].over_loci.low is None
    assert "it needs two loci that differ" in results[0].over_loci.method
    assert results[0].parametric.low is not None


def test_temporal_ne__several_loci_by_hand() -> None:
    """Means over loci weighted by independent alleles; Fs as a ratio of sums; harmonic mean samples."""
    rng = np.random.default_rng(3)
    first = rng.integers(0, 4, (6, 40, 2)).astype(np.int16)
    second = rng.integers(0, 4, (6, 30, 2)).astype(np.int16)
    second[2] = np.minimum(second[2], 1)
    first[2] = np.minimum(first[2], 1)
    first[rng.random((6, 40)) < 0.2] = -1
    top = dict.fromkeys(MEASURES, 0.0)
    bottom = dict.fromkeys(MEASURES, 0.0)
    inverse = [0.0, 0.0]
    for locus in range(6):
        genes = [s[locus][s[locus] >= 0] for s in (first, second)]
        x, y = (np.array([(g == a).mean() for a in range(4)]) for g in genes)
        k = int(((x + y) > 0).sum()) - 1
        f = temporal_f(x, y)
        for m in ("Fc", "Fk"):
            top[m] += k * f[m]
            bottom[m] += k
        z = (x + y) / 2
        top["Fs"] += ((x - y) ** 2).sum()
        bottom["Fs"] += (z * (1 - z)).sum()
        for side in (0, 1):
            inverse[side] += k / (len(genes[side]) / 2)
    sizes = [bottom["Fc"] / i for i in inverse]
    for result in temporal_ne(first, second, 3):
        change = top[result.measure] / bottom[result.measure]
        assert result.change == pytest.approx(change)
        assert result.drift == pytest.approx(_drift(result.measure, change, *sizes, "removed", None))
        assert result.n_independent == bottom["Fc"]


def test_temporal_ne__jackknife_by_hand() -> None:
    rng = np.random.default_rng(7)
    first, second = (rng.integers(0, 3, (9, 30, 2)).astype(np.int16) for _ in range(2))
    (whole,) = [r for r in temporal_ne(first, second, 2) if r.measure == "Fs"]
    without = np.array(
        [temporal_ne(np.delete(first, i, 0), np.delete(second, i, 0), 2)[2].change for i in range(9)],
        dtype=float,
    )
    variance = 8 / 9 * ((without - without.mean()) ** 2).sum()
    assert whole.change is not None
    assert whole.effective_df == pytest.approx(2 * whole.change**2 / variance)


def test_temporal_ne__samples_alike_are_infinite() -> None:
    sample = np.random.default_rng(1).integers(0, 3, (10, 40, 2)).astype(np.int16)
    for result in temporal_ne(sample, sample[:, ::-1], 4):
        assert result.over_loci.value == math.inf
        assert "the number is infinite" in result.over_loci.note


def test_temporal_ne__allele_numbers_are_matched_by_name(unrelated_fish) -> None:
    rng = np.random.default_rng(2)
    first, second = unrelated_fish(8, 30, 4, rng), unrelated_fish(8, 25, 4, rng)
    names = np.array(["142", "146", "150", "154"])

    def as_set(calls: np.ndarray, order: np.ndarray, loci: np.ndarray) -> GenotypeSet:
        recoded = np.argsort(order)[calls[loci]].astype(np.int16)
        return GenotypeSet(
            tuple(f"T{i}" for i in range(calls.shape[1])),
            tuple(Locus(f"L{i}") for i in loci),
            tuple(tuple(names[order]) for _ in loci),
            recoded,
        )

    plain = temporal_ne(first, second, 2)
    named = temporal_ne(
        as_set(first, np.array([2, 0, 3, 1]), np.array([0, 1, 2, 3, 4, 5, 6, 7])),
        as_set(second, np.array([1, 3, 0, 2]), np.array([5, 4, 7, 6, 1, 0, 3, 2])),
        2,
    )
    for a, b in zip(plain, named, strict=True):
        assert a.change == pytest.approx(b.change)
        assert a.over_loci.value == pytest.approx(b.over_loci.value)


def test_temporal_ne__screen_leaves_rare_alleles_out() -> None:
    x, y = np.array([0.6, 0.39, 0.01]), np.array([0.5, 0.5, 0.0])
    first, second = samples_of(x, y, 50)
    results = temporal_ne(first, second, 1, screen=0.05)
    kept = x[:2], y[:2]
    z = (kept[0] + kept[1]) / 2
    assert results[2].change == pytest.approx(((kept[0] - kept[1]) ** 2).sum() / (z * (1 - z)).sum())
    assert results[0].n_independent == 2


def test_temporal_ne__not_estimable_and_errors() -> None:
    fixed = np.zeros((3, 10, 2), dtype=np.int16)
    reason = "not estimable because no locus is polymorphic and typed in both samples"
    assert temporal_ne(fixed, fixed, 1)[0].over_loci.text() == reason
    sample = np.random.default_rng(1).integers(0, 3, (10, 40, 2)).astype(np.int16)
    with pytest.raises(UsageError, match="found no census"):
        temporal_ne(sample, sample, 1, plan="returned")
    with pytest.raises(ValueRangeError, match="Expected at least the 40 fish"):
        temporal_ne(sample, sample, 1, plan="returned", census=30)
    with pytest.raises(ValueRangeError, match="generations between samples: found 0"):
        temporal_ne(sample, sample, 0)
    with pytest.raises(UsageError, match="sampling plan: found 'III'"):
        temporal_ne(sample, sample, 1, plan="III")  # type: ignore[arg-type]
    with pytest.raises(UsageError, match=r"found screen 0\.7"):
        temporal_ne(sample, sample, 1, screen=0.7)
    with pytest.raises(ShapeError, match="found 10 and 3 loci"):
        temporal_ne(sample, fixed, 1)
    with pytest.raises(ValueRangeError, match="Expected a polymorphic locus"):
        temporal_f(np.array([1.0, 0.0]), np.array([1.0, 0.0]))
    with pytest.raises(ShapeError, match="Expected the same alleles"):
        temporal_f(np.ones(2), np.ones(3))


def test_temporal_ne__sets_without_shared_loci() -> None:
    calls = np.zeros((1, 2, 2), dtype=np.int16)
    one = GenotypeSet(("a", "b"), (Locus("L1"),), (("x",),), calls)
    other = GenotypeSet(("a", "b"), (Locus("L2"),), (("x",),), calls)
    with pytest.raises(UsageError, match="no neutral locus with the same name in both"):
        temporal_ne(one, other, 1)
    with pytest.raises(UsageError, match="a genotype set and a bare array"):
        temporal_ne(one, calls, 1)


@pytest.mark.parametrize(
    ("n", "t", "s", "n_loci", "n_alleles", "plan"),
    [
        (50, 5, 50, 60, 4, "removed"),
        (50, 2, 26, 90, 3, "removed"),
        (50, 5, 24, 60, 4, "returned"),
        (100, 10, 50, 60, 4, "removed"),
    ],
)
def test_temporal_ne__simulated_populations(
    breed_young, unrelated_fish, n: int, t: int, s: int, n_loci: int, n_alleles: int, plan: str
) -> None:
    """Harmonic means over populations: unbiased for Fs (within 7 %), Fc too high by 0 to 25 %."""
    rng = np.random.default_rng(5)
    rates = np.zeros(3)
    for _ in range(40):
        pair = two_samples(breed_young, unrelated_fish, n, t, s, n_loci, n_alleles, rng, plan)
        results = temporal_ne(*pair, t, plan=plan, census=n if plan == "returned" else None)
        rates += [1 / r.over_loci.value / 40 for r in results]
    ne = 1 / rates
    assert ne[2] == pytest.approx(n, rel=0.07)
    assert ne[1] == pytest.approx(n, rel=0.12)
    assert n * 0.97 < ne[0] < n * 1.25
