"""Lengths against earlier ones: worked numbers, normal densities of scipy, limits."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm

from broodstock.errors import ShapeError, ValueRangeError
from broodstock.tags.growth_match import GrowthModel, expected_length, log_length_density


def test_expected_length__halves_the_way_left_in_each_half_life() -> None:
    model = GrowthModel(500.0, float(np.log(2)))
    years = np.array([0.0, 1.0, 2.0, 3.0])
    assert expected_length(np.full(4, 300.0), years, model).tolist() == pytest.approx([300, 400, 450, 475])
    assert expected_length(np.array([520.0]), np.array([4.0]), model).tolist() == [520.0]


def test_log_length_density__is_the_normal_mixture() -> None:
    model = GrowthModel(500.0, float(np.log(2)), 6.0, 0.3, 0.1)
    logs, anyone = log_length_density(
        405.0, np.array([300.0, np.nan]), np.array([1.0, 1.0]), model, 380.0, 60.0
    )
    sd = np.sqrt(2 * 36 + 30.0**2)
    expected = 0.9 * norm.pdf(405, 400, sd) + 0.1 * norm.pdf(405, 380, 60)
    assert np.exp(logs[0]) == pytest.approx(expected)
    assert logs[1] == pytest.approx(norm.logpdf(405, 380, 60))
    assert anyone == pytest.approx(norm.logpdf(405, 380, 60))


def test_log_length_density__prefers_the_fish_that_grows_right_and_bears_any_number() -> None:
    logs, _ = log_length_density(
        430.0, np.array([400.0, 200.0]), np.array([0.3, 0.3]), GrowthModel(), 380.0, 60.0
    )
    assert logs[0] > logs[1]
    far, _ = log_length_density(
        1500.0, np.array([40.0]), np.array([0.0]), GrowthModel(odd_share=0.0), 380.0, 5.0
    )
    assert np.isfinite(far).all()


def test_log_length_density__refuses_bad_input() -> None:
    with pytest.raises(ShapeError, match="one number per fish in both"):
        log_length_density(400.0, np.ones(2), np.ones(3), GrowthModel(), 380.0, 60.0)
    with pytest.raises(ValueRangeError, match="Expected numbers above 0"):
        log_length_density(-1.0, np.ones(2), np.ones(2), GrowthModel(), 380.0, 60.0)
    with pytest.raises(ValueRangeError, match="largest_mm"):
        GrowthModel(largest_mm=0)
    with pytest.raises(ValueRangeError, match="odd_share"):
        GrowthModel(odd_share=1)
