"""Back-calculation: products by hand, the triangle against scipy, growth, families, bad input."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import norm, triang

from broodstock.errors import UsageError, ValueRangeError
from broodstock.estimates import Estimate
from planner.optimise.season.production import (
    Growth,
    Span,
    Stage,
    divided,
    families_needed,
    length_at,
    long_enough,
    needed_numbers,
    share_at_least,
)


def sure(x: float) -> Span:
    return Span(x, x, x)


def test_needed__sure_stages_are_a_product() -> None:
    # Family lots that end with 144 fish after survivals .5, .8, .8, .95, .947 start from 500
    # (Williamson and Wydoski 1994, from memory: 500, 250, 200, 160, 152, 144).
    rates = [0.5, 0.8, 0.8, 0.95, 144 / 152]
    out = needed_numbers(144, [Stage(f"year {k}", sure(p)) for k, p in enumerate(rates)])
    assert [n.needed.value for n in out] == pytest.approx([500, 250, 200, 160, 152])
    assert [n.needed.low for n in out] == pytest.approx([500, 250, 200, 160, 152])
    assert out[0].best == out[0].worst == pytest.approx(500)


def test_needed__periods_are_powers() -> None:
    out = needed_numbers(100, [Stage("fry", sure(0.974), 12)])
    # 97.4 % a month is 72.9 % a year.
    assert out[0].needed.value == pytest.approx(100 / 0.729, rel=1e-3)


def test_needed__ends_hold_the_draws_and_the_draws_hold_the_middle() -> None:
    stages = [Stage("eggs", Span(0.225, 0.401, 0.714)), Stage("fry", Span(0.3, 0.5, 0.7))]
    out = needed_numbers(8000, stages)
    eggs = out[0]
    assert eggs.needed.value == pytest.approx(8000 / 0.401 / 0.5)
    assert eggs.best == pytest.approx(8000 / 0.714 / 0.7)
    assert eggs.worst == pytest.approx(8000 / 0.225 / 0.3)
    assert eggs.needed.low is not None
    assert eggs.needed.high is not None
    assert eggs.needed.value is not None
    assert eggs.best < eggs.needed.low < eggs.needed.value < eggs.needed.high < eggs.worst
    assert out == needed_numbers(8000, stages)
    # Enough with the share stated: releases from the high number, survivals drawn by another library.
    rng = np.random.default_rng(5)
    survival = np.ones(20000)
    for s in stages:
        p = s.survival
        width = p.high - p.low
        survival *= triang.rvs((p.middle - p.low) / width, p.low, width, size=20000, random_state=rng)
    assert (eggs.needed.high * survival >= 8000).mean() == pytest.approx(0.95, abs=0.01)
    assert (eggs.needed.low * survival >= 8000).mean() == pytest.approx(0.05, abs=0.01)


@pytest.mark.parametrize("span", [(0.2, 0.4, 0.9), (0.2, 0.2, 0.9), (0.2, 0.9, 0.9)])
def test_span__is_the_triangle(span: tuple[float, float, float]) -> None:
    low, middle, high = span
    u = np.linspace(0, 1, 11)
    expected = triang.ppf(u, (middle - low) / (high - low), low, high - low)
    assert Span(*span).quantile(u) == pytest.approx(expected)
    assert sure(0.4).quantile(u) == pytest.approx(0.4)


def test_length__published_curves() -> None:
    # Two published curves of a large sucker (published field report; values by arithmetic).
    assert [round(length_at(a, 597, 0.845)) for a in (1, 2, 3, 5)] == [341, 487, 550, 588]
    assert [round(length_at(a, 553, 0.856)) for a in (1, 2, 3, 5)] == [318, 453, 511, 545]


def test_long_enough__is_the_normal_tail() -> None:
    growth = Growth(575, Span(0.6, 0.85, 1.0), 0.12)
    found = long_enough(growth, 1.5, 300)
    for value, rate in ((found.low, 0.6), (found.middle, 0.85), (found.high, 1.0)):
        mean = length_at(1.5, 575, rate)
        assert value == pytest.approx(norm.sf(300, mean, 0.12 * mean))
    assert share_at_least(300, 300, 0) == 1
    assert share_at_least(301, 300, 0) == 0


def test_needed__length_enters_before_the_last_stage() -> None:
    growth = Growth(575, sure(0.85), 0.12)
    stages = [Stage("fry", sure(0.5)), Stage("tagged", sure(0.98))]
    out = needed_numbers(1000, stages, growth, age_years=1.5, length_mm=400)
    share = long_enough(growth, 1.5, 400).middle
    assert out[1].needed.value == pytest.approx(1000 / 0.98)
    assert out[0].needed.value == pytest.approx(1000 / 0.98 / share / 0.5)


def test_needed__fish_too_young_for_the_length_are_not_estimable() -> None:
    growth = Growth(575, Span(0.6, 0.85, 1.0), 0.12)
    stages = [Stage("eggs", sure(0.4)), Stage("fry", sure(0.5)), Stage("tagged", sure(0.98))]
    out = needed_numbers(1000, stages, growth, age_years=0.4, length_mm=400)
    assert out[2].needed.value == pytest.approx(1000 / 0.98)
    assert not out[0].needed.estimable
    assert "of the fish would be 400 mm long at that age" in out[0].needed.text()
    assert math.isinf(out[1].worst)


def test_divided__takes_the_ends_together() -> None:
    eggs = Estimate(100_000, 50_000, 300_000, "m", 10)
    out = divided(eggs, Span(27_600, 46_740, 76_600), "a female")
    assert out.value == pytest.approx(100_000 / 46_740)
    assert (out.low, out.high) == (pytest.approx(50_000 / 76_600), pytest.approx(300_000 / 27_600))
    nothing = Estimate.not_estimable("no reason")
    assert divided(nothing, sure(5), "a female") is nothing


def test_families_needed__no_family_too_large_and_never_too_few() -> None:
    assert families_needed(8000, 200, 25) == 40
    assert families_needed(8001, 200, 25) == 41
    assert families_needed(100, 200, 25) == 25


def test_production__bad_input() -> None:
    with pytest.raises(ValueRangeError, match=r"found 0\.5, 0\.4, 0\.7\. Expected rising numbers"):
        Span(0.5, 0.4, 0.7)
    with pytest.raises(ValueRangeError, match=r"survival from eggs: found 1\.2"):
        Stage("eggs", Span(0.1, 0.2, 1.2))
    with pytest.raises(ValueRangeError, match=r"survival from eggs: found 0\. Expected more than 0"):
        Stage("eggs", Span(0.0, 0.2, 0.4))
    with pytest.raises(ValueRangeError, match="fish wanted: found -8"):
        needed_numbers(-8, [Stage("eggs", sure(0.5))])
    with pytest.raises(UsageError, match="production: found no stage"):
        needed_numbers(8, [])
    growth = Growth(575, sure(0.8), 0.1)
    with pytest.raises(UsageError, match="found one stage and a length to reach"):
        needed_numbers(8, [Stage("eggs", sure(0.5))], growth, age_years=1, length_mm=200)
    with pytest.raises(ValueRangeError, match="age at release: found 0"):
        long_enough(growth, 0, 200)
    with pytest.raises(ValueRangeError, match="most fish of a family: found 0"):
        families_needed(8, 0, 25)
    with pytest.raises(ValueRangeError, match="yield of a female"):
        divided(Estimate(1, 1, 1), Span(0, 1, 2), "a female")
