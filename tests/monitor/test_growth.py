"""Growth and condition: worked values, simulation, and reasons why there is none."""

from __future__ import annotations

import numpy as np
import pytest

from broodstock.errors import ShapeError, ValueRangeError
from planner.monitor.growth import fit_growth
from planner.monitor.growth_condition import fulton_condition, mean_condition, weight_length


def simulated(rng: np.random.Generator, n: int = 150) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    asymptote = rng.normal(575, 20, n)
    length, years = rng.uniform(250, 500, n), rng.uniform(0.3, 4, n)
    later = asymptote - (asymptote - length) * np.exp(-0.845 * years)
    return length + rng.normal(0, 2, n), later + rng.normal(0, 2, n), years


def test_growth__intervals_hold_the_truth():
    held = np.zeros(3, int)
    for k in range(40):
        fit = fit_growth(*simulated(np.random.default_rng(k)))
        for i, (e, truth) in enumerate(((fit.asymptote, 575), (fit.rate, 0.845), (fit.asymptote_spread, 20))):
            held[i] += e.low <= truth <= e.high
    assert (held >= 33).all()  # binomial 95 % of 40: fewer has a chance below 0.3 %


def test_growth__exact_curve_comes_back():
    """Lengths at ages 1, 2, 3 and 5 with Linf 597 mm and K 0.845: 341, 487, 550 and 588 mm."""
    age = np.array([1.0, 2.0, 3.0, 5.0])
    length = 597 * (1 - np.exp(-0.845 * age))
    assert length.round() == pytest.approx([341, 487, 550, 588], abs=1)
    first, second = np.tile(length[:-1], 5), np.tile(length[1:], 5)
    fit = fit_growth(first + 0.01, second + 0.01, np.tile(np.diff(age), 5))
    assert fit.asymptote.value == pytest.approx(597, abs=2)
    assert fit.rate.value == pytest.approx(0.845, abs=0.02)
    assert fit.length_after(341.0, 1.0).value == pytest.approx(487, abs=2)


def test_growth__says_why_not():
    few = np.full(5, 300.0)
    assert "fewer than 8" in fit_growth(few, few + 50, np.ones(5)).asymptote.reason
    still = np.full(20, 300.0)
    assert "did not grow" in fit_growth(still, still - 3, np.ones(20)).rate.reason
    with pytest.raises(ValueRangeError, match="span of 0 or less"):
        fit_growth(still, still, np.zeros(20))
    with pytest.raises(ShapeError, match="different length"):
        fit_growth(still, few, np.ones(20))


def test_condition__field_values():
    """Means of fish in published field reports: 12.8 g at 110 mm and so on; 1500 g at 500 mm is 1.2."""
    k = fulton_condition(np.array([500.0, 110.0, 317.0, 310.0]), np.array([1500.0, 12.8, 348.0, 360.0]))
    assert k == pytest.approx([1.2, 0.961683, 1.092450, 1.208419], abs=1e-6)
    assert not mean_condition(np.array([300.0]), np.array([300.0])).estimable
    with pytest.raises(ValueRangeError, match="fish 0: found a length or weight"):
        fulton_condition(np.array([0.0]), np.array([1.0]))


def test_weight_length__equals_a_regression_and_corrects_the_mean():
    from scipy.stats import linregress

    rng = np.random.default_rng(2)
    length = rng.uniform(200, 600, 4000)
    weight = np.exp(-11.4 + 3 * np.log(length) + rng.normal(0, 0.4, 4000))
    fit = weight_length(length, weight)
    other = linregress(np.log(length), np.log(weight))
    assert fit.b.value == pytest.approx(other.slope, rel=1e-9)
    assert fit.back_transform == pytest.approx(np.exp(fit.residual_sd**2 / 2))
    plain = np.exp(-11.4 + 3 * np.log(400)) * np.exp(0.08)
    assert fit.mean_weight(400.0) == pytest.approx(plain, rel=0.03)
