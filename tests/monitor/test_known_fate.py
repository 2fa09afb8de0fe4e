"""Known-fate survival against published data and statsmodels."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from statsmodels.duration.survfunc import SurvfuncRight

from broodstock.errors import ValueRangeError
from planner.monitor.known_fate import product_limit

# Robertson & Westbrooke, New Zealand DOC Technical Series 31, non-treatment group of 18 birds.
DAYS = [3, 4, 8, 8, 10, 10, 14, 15, 16, 21, 31, 34, 37, 38, 39, 52, 65, 172]
EVENT = [1, 1, 1, 1, 1, 0, 1, 1, 1, 1, 1, 1, 1, 0, 1, 1, 0, 0]
ENTRY, EXIT = [0, 0, 0, 0, 0, 2, 2, 2, 4, 4], [3, 5, 6, 8, 10, 4, 7, 10, 9, 10]


@pytest.mark.parametrize(
    ("day", "survival"),
    [(3, 0.944444), (8, 0.777778), (10, 0.722222), (14, 0.662037), (21, 0.481481), (37, 0.300926), (39, 0.225694),
     (52, 0.150463)],
)  # fmt: skip
def test_product_limit__published_group(day, survival):
    assert product_limit(DAYS, EVENT).at(day).value == pytest.approx(survival, abs=5e-7)


def test_product_limit__greenwood_and_log_log_limits_equal_the_libraries():
    s = product_limit(DAYS, EVENT)
    assert s.standard_error[s.time == 52][0] == pytest.approx(0.093727, abs=5e-7)
    assert s.standard_error[s.time == 10][0] == pytest.approx(0.105572, abs=5e-7)
    right = [t for t, e in zip(DAYS, EVENT, strict=True) if not e]
    data = stats.CensoredData(uncensored=[t for t, e in zip(DAYS, EVENT, strict=True) if e], right=right)
    limits = stats.ecdf(data).sf.confidence_interval(method="log-log")
    for t in (8, 21, 52):
        e = s.at(t)
        assert e.low == pytest.approx(float(limits.low.evaluate(t)), abs=1e-9)
        assert e.high == pytest.approx(float(limits.high.evaluate(t)), abs=1e-9)


def test_product_limit__staggered_entry():
    # Design of Pollock, Winterstein, Bunck & Curtis (1989), Journal of Wildlife Management 53:7-15; own data.
    s = product_limit(EXIT, [1, 1, 0, 1, 0, 1, 1, 0, 1, 0], ENTRY)
    assert s.time.tolist() == [3, 4, 5, 7, 8, 9]
    assert s.at_risk.tolist() == [8, 7, 8, 6, 5, 4]
    assert s.survival.tolist() == pytest.approx([0.875, 0.75, 0.65625, 0.546875, 0.4375, 0.328125])
    assert s.standard_error[-1] == pytest.approx(0.156055, abs=5e-7)
    assert s.simple_error(9) == pytest.approx(0.134479, abs=5e-7)


def test_product_limit__equals_statsmodels_on_random_entries():
    rng = np.random.default_rng(2)
    for _ in range(10):
        entry = rng.integers(0, 6, 80).astype(float)
        leave = entry + rng.integers(1, 30, 80)
        died = rng.random(80) < 0.6
        entry[:10] = 0
        s = product_limit(leave, died, entry)
        if s.gaps or (s.survival == 0).any():
            continue
        ref = SurvfuncRight(leave, died.astype(int), entry=entry)
        at = np.searchsorted(ref.surv_times, s.time)
        np.testing.assert_allclose(ref.surv_prob[at], s.survival, atol=1e-12)
        np.testing.assert_allclose(ref.surv_prob_se[at], s.standard_error, atol=1e-12)


def test_product_limit__edges_are_told():
    s = product_limit([2.0, 3.0, 9.0], [1, 1, 1])
    assert s.at(1).value == 1.0
    assert s.at(1).low == pytest.approx(0.025 ** (1 / 3))
    assert s.at(9).value == 0.0
    assert s.at(9).note == "all fish watched had died"
    assert s.at(10).reason == "no fish was watched after 9"
    gap = product_limit([2.0, 9.0], [1, 1], [0.0, 4.0])
    assert gap.at(5).reason == "every fish watched at 2 died while others entered later"
    assert product_limit([], []).at(1).reason == "no fish was watched"
    with pytest.raises(ValueRangeError, match="Expected the exit after the entry"):
        product_limit([3.0], [1], [3.0])
    with pytest.raises(ValueRangeError, match="found a missing time"):
        product_limit([np.nan], [1])


@pytest.mark.parametrize("runs", [300, pytest.param(4000, marks=pytest.mark.slow)])
def test_product_limit__interval_covers(runs):
    rng = np.random.default_rng(8)
    hit, told = 0, 0
    for _ in range(runs):
        entry = rng.uniform(0, 3, 60)
        entry[:20] = 0.0
        born = rng.exponential(
            8.0, 60
        )  # age counted from the origin: memoryless, so entry time does not matter
        death = entry + born
        leave = np.minimum(death, 12.0)
        e = product_limit(leave, death < 12.0, entry).at(6.0)
        told += 1
        hit += int(e.low <= np.exp(-6 / 8) <= e.high)
    assert abs(hit / told - 0.95) < 0.012 + 3 * np.sqrt(0.05 * 0.95 / runs)
