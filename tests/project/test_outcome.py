"""From replicates to what is shown."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import beta

from planner.project.outcome import (
    Replicates,
    breeders,
    chance_to_keep,
    course,
    difference,
    generation_length,
    ne_of_rate,
    supplementation,
    total_cost,
)


def made(**columns: np.ndarray) -> Replicates:
    return Replicates("x", tuple(columns), np.stack(list(columns.values()), axis=2).astype(float))


def test_chance_to_keep__exact_interval() -> None:
    end = np.r_[np.full(7, 0.95), np.full(3, 0.80)]
    e = chance_to_keep(made(gene_diversity=np.column_stack([np.ones(10), end])), 0.9)
    assert e.value == 0.7
    # Clopper & Pearson (1934) by the beta distribution.
    assert (e.low, e.high) == pytest.approx((beta.ppf(0.025, 7, 4), beta.ppf(0.975, 8, 3)))
    sure = chance_to_keep(made(gene_diversity=np.ones((10, 2))), 0.9)
    assert (sure.value, sure.high) == (1.0, 1.0)
    assert sure.low == pytest.approx(0.025 ** (1 / 10))
    with pytest.raises(ValueError, match="share to keep: found 0"):
        chance_to_keep(made(gene_diversity=np.ones((2, 2))), 0)
    none = chance_to_keep(made(gene_diversity=np.zeros((2, 2))), 0.9)
    assert none.text() == "not estimable because there is no gene diversity at the start"


def test_ne_of_rate__closed_form() -> None:
    # (1 - 1/(2 Ne L))^t of the diversity is left: Ne 50, L 4, 20 years.
    years = np.arange(21)
    left = np.tile((1 - 1 / (2 * 50 * 4)) ** years, (5, 1))
    ages, young = np.full((5, 21), 4.0), np.full((5, 21), 10.0)
    r = made(gene_diversity=0.9 * left, inbreeding=1 - left, parent_age=ages, young=young)
    for measure in ("gene_diversity", "inbreeding"):
        assert ne_of_rate(r, measure).value == pytest.approx(50)
    grown = made(gene_diversity=np.linspace(0.8, 0.9, 21)[None], parent_age=ages[:1], young=young[:1])
    assert ne_of_rate(grown, "gene_diversity").value == math.inf
    barren = made(gene_diversity=left, parent_age=ages * np.nan, young=young * 0)
    assert generation_length(barren) is None
    assert "no fish were born" in ne_of_rate(barren, "gene_diversity").text()
    dead = made(
        gene_diversity=left,
        inbreeding=np.where(years < 20, 0, np.nan) + 0 * left,
        parent_age=ages,
        young=young,
    )
    assert "all fish died" in ne_of_rate(dead, "inbreeding").text()


def test_breeders__harmonic_mean() -> None:
    x = np.array([[np.nan, 1 / 100, 1 / 10], [np.nan, 1 / 100, 1 / 10]])
    e = breeders(made(sharing=x))
    assert e.value == pytest.approx(2 / (1 / 100 + 1 / 10))
    assert breeders(made(sharing=x * np.nan)).text().startswith("not estimable because no year class")
    assert breeders(made(sharing=x * 0)).value == math.inf


def test_supplementation__ryman_laikre() -> None:
    # Ryman & Laikre (1991), x = 0.5, Nc = 20, Nw = 200 give 72.7 (from memory).
    ones = np.ones((3, 2))
    effect = supplementation(
        made(captive_share=0.5 * ones, sharing_station=ones / 20, sharing_natural=ones / 200)
    )
    assert effect is not None
    assert effect.total.value == pytest.approx(72.727, abs=1e-3)
    assert supplementation(made(captive_share=ones * np.nan)) is None


def test_difference__paired() -> None:
    rng = np.random.default_rng(1)
    noise = rng.normal(size=(40, 2))
    e = difference(made(a=noise + 0.5), made(a=noise), "a")
    assert e.value == pytest.approx(0.5)
    assert e.high == pytest.approx(e.low)
    with pytest.raises(ValueError, match="Expected the same"):
        difference(made(a=noise), made(a=noise[:3]), "a")
    assert "fewer than two" in difference(made(a=noise[:1]), made(a=noise[:1]), "a").text()


def test_course__leaves_out_what_is_not_defined() -> None:
    x = np.array([[1.0, np.nan, np.nan], [3.0, 5.0, np.nan]])
    c = course(made(a=x), "a")
    np.testing.assert_array_equal(c.mean, [2, 5, np.nan])
    np.testing.assert_array_equal(c.defined, [2, 1, 0])
    assert c.quantiles[2, 0] == 2
    assert c.standard_error[0] == 1
    np.testing.assert_array_equal(total_cost(made(cost=x)), [1, 8])
