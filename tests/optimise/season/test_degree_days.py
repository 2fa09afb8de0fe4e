"""Degree-days and hatch times against published times, closed forms and a slow hour-by-hour count."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import linregress

from broodstock.errors import ShapeError, UsageError, ValueRangeError
from planner.optimise.season.degree_days import (
    CHUB_FIRST_HOURS,
    CHUB_LAST_HOURS,
    CHUB_TEMPERATURES,
    chub_models,
    days_for_degree_days,
    days_until,
    degree_days,
    fit_base_temperature,
    fit_rate,
)


def test_degree_days__sucker_at_21_degrees() -> None:
    # A large desert sucker hatches in 96 to 144 h, peak 120 h, near 21 C: 84 to 127, peak 105 degree-days
    # (published field report; arithmetic here).
    assert degree_days([21.1], hours=120) == pytest.approx(105.5)
    assert degree_days([21.1], hours=96) == pytest.approx(84.4)
    assert degree_days([21.1], hours=144) == pytest.approx(126.6)


@pytest.mark.parametrize(
    ("cold", "warm", "low", "high"), [(20, 21, 85, 149), (16, 17, 117, 185), (12, 13, 174, 259)]
)
def test_degree_days__of_a_chub_are_not_constant(cold: float, warm: float, low: float, high: float) -> None:
    # Hamman (1982), Progressive Fish-Culturist 44:201 (from memory): hatch in 99-174, 170-269 and 334-498 h.
    middle = (cold + warm) / 2
    k = CHUB_TEMPERATURES.index(middle)
    assert degree_days([middle], hours=CHUB_FIRST_HOURS[k]) == pytest.approx(low, abs=1)
    assert degree_days([middle], hours=CHUB_LAST_HOURS[k]) == pytest.approx(high, abs=1)


def test_chub_models__above_a_base_the_degree_days_vary_less() -> None:
    base = chub_models()[0][1]
    middle = (np.array(CHUB_FIRST_HOURS) + CHUB_LAST_HOURS) / 2
    plain = np.array([degree_days([t], hours=h) for t, h in zip(CHUB_TEMPERATURES, middle, strict=True)])
    above = np.array([degree_days([t], base.b, h) for t, h in zip(CHUB_TEMPERATURES, middle, strict=True)])
    assert np.ptp(plain) / plain.mean() > 0.6
    assert np.ptp(above) / above.mean() < 0.15
    assert 5 < base.b < 12


def test_chub_models__fitted_times_lie_near_the_table() -> None:
    for first, middle, last in chub_models():
        for model, hours in ((first, CHUB_FIRST_HOURS), (last, CHUB_LAST_HOURS)):
            for t, h in zip(CHUB_TEMPERATURES, hours, strict=True):
                assert model.days(t) == pytest.approx(h / 24, rel=0.15)
            assert model.error is not None
            assert model.error < 0.15
        for t in CHUB_TEMPERATURES:
            assert first.days(t) < middle.days(t) < last.days(t)  # type: ignore[operator]


def test_fit__recovers_the_truth() -> None:
    t = np.array([10.0, 14.0, 18.0, 22.0])
    found = fit_base_temperature(t, 24 * 80 / (t - 6.0))
    assert (found.a, found.b, found.error) == (
        pytest.approx(80),
        pytest.approx(6),
        pytest.approx(0, abs=1e-9),
    )
    curve = fit_rate(t, 24 * np.exp(4 - 0.12 * t))
    assert (curve.a, curve.b) == (pytest.approx(4), pytest.approx(0.12))


def test_fit__is_least_squares() -> None:
    rng = np.random.default_rng(1)
    t = rng.uniform(10, 24, 12)
    hours = 24 * 80 / (t - 5) * np.exp(0.05 * rng.standard_normal(12))
    line = linregress(t, 24 / hours)
    found = fit_base_temperature(t, hours)
    assert found.a == pytest.approx(1 / line.slope)
    assert found.b == pytest.approx(-line.intercept / line.slope)
    curve = linregress(t, np.log(hours / 24))
    assert fit_rate(t, hours).b == pytest.approx(-curve.slope)


def test_days_until__constant_water_is_the_closed_form() -> None:
    for models in chub_models():
        for model in models:
            assert days_until(model, np.full(40, 18.0)) == pytest.approx(model.days(18.0))


def test_days_until__by_small_steps() -> None:
    rng = np.random.default_rng(2)
    temperatures = rng.uniform(14, 22, 30)
    for model in (chub_models()[0][1], chub_models()[1][1]):
        done, minutes = 0.0, 0
        while done < 1:
            done += float(model.rate(temperatures[minutes // 1440])) / 1440
            minutes += 1
        assert days_until(model, temperatures) == pytest.approx(minutes / 1440, abs=2e-3)


def test_days_until__cold_water_never_hatches() -> None:
    model = fit_base_temperature([12, 20], [400, 150])
    assert model.days(model.b - 1) is None
    assert days_until(model, np.full(60, model.b)) is None
    assert days_until(model, []) is None
    assert model.error is None


@pytest.mark.parametrize(("after", "expected"), [(0.0, 5.0), (0.5, 5.5), (3.0, 8.0), (3.25, 8.25)])
def test_days_for_degree_days__after_the_hatch(after: float, expected: float) -> None:
    assert days_for_degree_days(50, 8, np.full(20, 18.0), after) == pytest.approx(expected)


def test_days_for_degree_days__edges() -> None:
    assert days_for_degree_days(0, 8, [18.0], 0.4) == pytest.approx(0.4)
    assert days_for_degree_days(50, 8, np.full(4, 18.0)) is None
    # All within the day of the hatch: half a day has 5 degree-days, 2.5 of them take a quarter day.
    assert days_for_degree_days(2.5, 8, [18.0, 18.0], 0.5) == pytest.approx(0.75)


def test_degree_days__bad_input() -> None:
    with pytest.raises(ValueRangeError, match=r"water temperature \[0\]: found 70"):
        degree_days([70.0])
    with pytest.raises(ValueRangeError, match="length of a step: found -1"):
        degree_days([20.0], hours=-1)
    with pytest.raises(UsageError, match=r"found 1 different temperatures\. Expected two or more"):
        fit_base_temperature([20, 20], [100, 120])
    with pytest.raises(ValueRangeError, match="do not shorten as the water warms"):
        fit_base_temperature([12, 20], [100, 120])
    with pytest.raises(ValueRangeError, match="do not shorten as the water warms"):
        fit_rate([12, 20], [100, 120])
    with pytest.raises(ValueRangeError, match=r"below the base .* of the line"):
        fit_base_temperature([10, 12, 20], [100000, 40000, 24])
    with pytest.raises(ShapeError, match="hours to hatch"):
        fit_rate([12, 20], [100])
    with pytest.raises(ValueRangeError, match="degree-days: found -5"):
        days_for_degree_days(-5, 8, [18.0])
