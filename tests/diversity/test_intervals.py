"""Intervals: how limits are read, and how often they hold the truth."""

from __future__ import annotations

import inspect
import math

import numpy as np
import pytest

from broodstock.diversity.haplotypes import haplotype_table
from broodstock.diversity.resampling import draw_weights, interval_limits
from broodstock.diversity.spread import spread_of_sample
from broodstock.diversity.table import diversity_table
from broodstock.errors import ShapeError

STATISTICS = (
    "observed_heterozygosity",
    "expected_heterozygosity",
    "allelic_richness",
    "inbreeding_coefficient",
)


def test_draw_weights__whole_numbers_that_sum_to_the_units() -> None:
    w = draw_weights(7, 500, np.random.default_rng(1))
    assert w.shape == (500, 7)
    assert (w.sum(axis=1) == 7).all()
    assert (w == np.floor(w)).all()
    # Each unit is drawn once on average with variance 1 - 1/n.
    assert w.mean() == pytest.approx(1)
    assert w.var(axis=0).mean() == pytest.approx(1 - 1 / 7, rel=0.1)


def test_interval_limits__percentile_and_recentred() -> None:
    reps = np.arange(101, dtype=float)
    assert interval_limits(50, reps, "percentile", 0.9) == pytest.approx((5, 95))
    assert interval_limits(60, reps, "recentred", 0.9) == pytest.approx((15, 105))
    assert interval_limits(60, reps, "recentred", 0.9, bounds=(20, 100)) == (20, 100)
    with pytest.raises(ShapeError, match="found no replicates"):
        interval_limits(1, np.zeros(0), "percentile")


def test_interval_limits__expanded_for_few_units() -> None:
    # Hesterberg (2015), The American Statistician 69:371, from memory: percentiles at
    # Phi(-sqrt(n / (n - 1)) t), so that a mean of n values gets nearly its Student interval.
    from scipy.stats import norm, t

    reps = norm.ppf((np.arange(200_001) + 0.5) / 200_001)
    low, high = interval_limits(0, reps, "percentile", 0.95, n_units=8)
    assert high == pytest.approx(math.sqrt(8 / 7) * t.ppf(0.975, 7), rel=1e-3)
    assert low == pytest.approx(-high, rel=1e-6)
    wide = interval_limits(0, reps, "percentile", 0.95, n_units=10**6)
    assert wide[1] == pytest.approx(1.96, abs=1e-3)


def test_interval_limits__bca_agrees_with_scipy() -> None:
    from scipy.stats import bootstrap

    x = np.random.default_rng(2).gamma(1.5, size=30)
    reps = (draw_weights(30, 20_000, np.random.default_rng(3)) @ x) / 30
    left_out = (x.sum() - x) / 29
    found = interval_limits(x.mean(), reps, "bca", 0.95, influence=left_out.mean() - left_out)
    # The argument was renamed in scipy 1.15.
    seed = "rng" if "rng" in inspect.signature(bootstrap).parameters else "random_state"
    reference = bootstrap(
        (x,), np.mean, n_resamples=20_000, method="BCa", **{seed: np.random.default_rng(4)}
    ).confidence_interval
    np.testing.assert_allclose(found, reference, rtol=0.02)
    plain = interval_limits(x.mean(), reps, "percentile", 0.95)
    assert found[1] > plain[1]


def test_interval_limits__bca_far_from_the_replicates_stays_finite() -> None:
    reps = np.linspace(0, 1, 50)
    low, high = interval_limits(5, reps, "bca", 0.95, influence=np.array([1.0, 0, 0, 0]))
    assert 0 <= low <= high <= 1


def drawn_set(wrap_calls, p: np.ndarray, n_fish: int, inbreeding: float, rng: np.random.Generator):
    """Fish of known allele frequencies; a share of the loci of each fish is identical by descent."""
    steps = p.cumsum(axis=1)[:, None, None, :-1]
    calls = (rng.random((len(p), n_fish, 2, 1)) >= steps).sum(axis=-1)
    same = rng.random(calls.shape[:2]) < inbreeding
    calls[same, 1] = calls[same, 0]
    return wrap_calls(calls, p.shape[1])


def coverage(
    wrap_calls,
    n_loci: int,
    n_fish: int,
    n_alleles: int,
    inbreeding: float,
    n_simulations: int,
    interval: str = "recentred",
) -> dict[str, float]:
    """Share of simulated samples whose 95 % limits over fish hold the truth."""
    rng = np.random.default_rng(11)
    p = rng.dirichlet(np.full(n_alleles, 1.0), size=n_loci)
    g = n_fish
    he = (1 - (p**2).sum(axis=1)).mean()
    truth = dict(
        zip(
            STATISTICS,
            (he * (1 - inbreeding), he, (1 - (1 - p) ** g).sum(axis=1).mean(), inbreeding),
            strict=True,
        )
    )
    held = dict.fromkeys(STATISTICS, 0)
    for k in range(n_simulations):
        genotypes = drawn_set(wrap_calls, p, n_fish, inbreeding, rng)
        row = diversity_table(genotypes, ["w"] * n_fish, g=g, n_replicates=200, seed=k, interval=interval)[0]
        for name in STATISTICS:
            e = getattr(row, name)
            held[name] += e.low <= truth[name] <= e.high
    return {name: k / n_simulations for name, k in held.items()}


def test_intervals_over_fish__hold_the_truth(wrap_calls) -> None:
    found = coverage(wrap_calls, 30, 20, 3, 0.0, 60)
    for name, share in found.items():
        assert share >= 0.85, (name, share)


def test_intervals_over_fish__other_kinds_lean(wrap_calls) -> None:
    # Why limits are recentred: Nei's unbiased estimate needs no bias correction, and its replicates are
    # shifted by drawing with replacement.
    recentred = coverage(wrap_calls, 60, 12, 2, 0.0, 40)["expected_heterozygosity"]
    for interval in ("percentile", "bca"):
        leaning = coverage(wrap_calls, 60, 12, 2, 0.0, 40, interval)["expected_heterozygosity"]
        assert leaning < recentred - 0.1


@pytest.mark.slow
@pytest.mark.parametrize(
    ("n_loci", "n_fish", "n_alleles", "inbreeding"),
    [(176, 50, 2, 0.0), (60, 12, 2, 0.0), (14, 30, 10, 0.0), (14, 10, 10, 0.0), (60, 40, 2, 0.15)],
)
def test_intervals_over_fish__hold_the_truth_in_many_samples(
    wrap_calls, n_loci, n_fish, n_alleles, inbreeding
) -> None:
    found = coverage(wrap_calls, n_loci, n_fish, n_alleles, inbreeding, 400)
    for name, share in found.items():
        # Richness is rarefied under random union of gene copies; inbred fish bring fewer.
        if name == "allelic_richness" and inbreeding:
            continue
        assert 0.91 <= share <= 0.995, (name, share)


def test_intervals_over_loci__hold_the_truth(wrap_calls) -> None:
    rng = np.random.default_rng(13)
    many = rng.dirichlet(np.ones(3), size=200_000)
    truth = (1 - (many**2).sum(axis=1)).mean()
    held = 0
    for k in range(100):
        p = rng.dirichlet(np.ones(3), size=40)
        row = diversity_table(
            drawn_set(wrap_calls, p, 25, 0.0, rng), ["w"] * 25, over="loci", n_replicates=200, seed=k
        )[0]
        e = row.expected_heterozygosity
        held += e.low <= truth <= e.high
    assert held >= 88


def test_intervals_of_haplotypes_and_families__hold_the_truth() -> None:
    p = np.array([0.35, 0.25, 0.15, 0.1, 0.1, 0.05])
    rng = np.random.default_rng(14)
    h = 1 - (p**2).sum()
    held = {"diversity": 0, "richness": 0, "effective": 0}
    for k in range(150):
        counts = rng.multinomial(40, p)
        names = [f"H{i}" for i, c in enumerate(counts) for _ in range(c)]
        row = haplotype_table(names, ["w"] * 40, g=20, n_replicates=200, seed=k)[0]
        held["diversity"] += row.diversity.low <= h <= row.diversity.high
        richness = (1 - (1 - p) ** 20).sum()
        held["richness"] += row.richness.low <= richness <= row.richness.high
        e = spread_of_sample(counts, n_replicates=200, seed=k).effective
        held["effective"] += e.low <= 1 / (1 - h) <= e.high
    # Rare haplotypes that nobody caught cannot be drawn again, so richness falls short of 95 %.
    least = {"diversity": 0.9, "richness": 0.78, "effective": 0.9}
    for name, k in held.items():
        assert k / 150 >= least[name], (name, k)
