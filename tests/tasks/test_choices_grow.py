"""Release now or grow on, against published anchors, closed forms and simulation."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import numpy as np
import pytest

from broodstock.errors import UsageError, ValueRangeError
from planner.tasks.grow_on import Rearing, compare, grow_report, later_day, write_grow
from planner.tasks.programme import Programme
from planner.tasks.release_data import season_of
from planner.tasks.survival_curves import SurvivalCurve

# The logit line through 5 % at 252.5 mm and 75 % at 500 mm, anchors of Zelasko, Bestgen & White 2010, Transactions of
# the American Fisheries Society 139, 1478.
ANCHORED = SurvivalCurve(-7.069168, 0.01633556, None, "anchors")


def certain(months: int = 10, **changes: float) -> Rearing:
    given: dict[str, float] = {"growth": 10.0, "growth_error": 0.0, "survival": 0.75 ** (1 / months)}
    return Rearing(months=months, survival_error=0.0, **(given | changes))  # type: ignore[arg-type]


def test_curve__anchors() -> None:
    assert ANCHORED.at([252.5, 500, 200, 300, 400]) == pytest.approx(
        [0.05, 0.75, 0.0218, 0.1026, 0.3694], abs=5e-5
    )


def test_compare__300_now_or_400_after_a_quarter_is_lost() -> None:
    made = compare([300.0], ANCHORED, ANCHORED, certain())
    assert made.now.value == pytest.approx(0.1026, abs=5e-5)
    assert made.later.value == pytest.approx(0.75 * 0.3694, abs=5e-5)
    assert made.ratio.value == pytest.approx(0.75 * 0.3694 / 0.1026, rel=1e-3)
    assert made.break_even.value == pytest.approx(1 - 0.1026 / 0.3694, abs=5e-4)
    assert made.advice == "grow on"
    assert made.now.low == pytest.approx(made.now.value)


def test_compare__at_the_break_even_loss_both_are_equal() -> None:
    made = compare([300.0, 330.0], ANCHORED, ANCHORED, certain())
    assert made.break_even.value is not None
    even = certain(survival=(1 - made.break_even.value) ** (1 / 10))
    again = compare([300.0, 330.0], ANCHORED, ANCHORED, even)
    assert again.ratio.value == pytest.approx(1.0)
    assert again.later.value == pytest.approx(again.now.value)


def test_compare__money_added_up_month_by_month() -> None:
    rearing = certain(6, survival=0.9, accident=0.2, cost_month=0.5, cost_release=2.0)
    made = compare([320.0], ANCHORED, ANCHORED, rearing)
    alive, paid = 1.0, 0.0
    for _ in range(6):
        paid += 0.5 * alive
        alive *= 0.9
    alive *= 0.8
    paid += 2.0 * alive
    survivors = alive * float(ANCHORED.at([380.0])[0])
    assert made.later.value == pytest.approx(survivors)
    assert made.money_later.value == pytest.approx(survivors / paid)
    assert made.money_now.value == pytest.approx(float(ANCHORED.at([320.0])[0]) / 2.0)


@pytest.mark.parametrize("same", [True, False])
def test_compare__intervals_by_simulation(same: bool) -> None:
    # Draw curve shifts, growth and monthly survival; the middle 95 % must agree with the delta method.
    now = SurvivalCurve(-7.0, 0.0163, 0.25, "a")
    later = now if same else SurvivalCurve(-6.8, 0.0163, 0.3, "b")
    rearing = Rearing(8, 8.0, 1.0, 0.97, 0.004, 0.05, 0.3, 1.0)
    lengths = np.array([290.0, 310.0, 335.0])
    made = compare(lengths, now, later, rearing)
    rng = np.random.default_rng(8)
    n = 20_000
    a = rng.normal(0, 0.25, n)
    b = a if same else rng.normal(0, 0.3, n)
    g = rng.normal(8.0, 1.0, n)
    logit = np.log(0.97 / 0.03) + rng.normal(0, 0.004 / (0.97 * 0.03), n)
    r = 1 / (1 + np.exp(-logit))
    p0 = 1 / (1 + np.exp(-(now.intercept + now.slope * lengths + a[:, None])))
    p1 = 1 / (1 + np.exp(-(later.intercept + later.slope * (lengths + 8 * g[:, None]) + b[:, None])))
    p0, p1, reared = p0.mean(axis=1), p1.mean(axis=1), r**8 * 0.95
    cost = 0.3 * sum(r**k for k in range(8)) + reared
    for estimate, drawn in (
        (made.now, p0),
        (made.later, reared * p1),
        (made.ratio, reared * p1 / p0),
        (made.money_now, p0),
        (made.money_later, reared * p1 / cost),
        (made.break_even, 1 - p0 / p1),
    ):
        low, high = np.quantile(drawn, [0.025, 0.975])
        assert estimate.low is not None
        assert estimate.high is not None
        assert estimate.low == pytest.approx(low, abs=0.06 * (high - low))
        assert estimate.high == pytest.approx(high, abs=0.06 * (high - low))


def test_compare__one_curve_shares_its_error() -> None:
    now = SurvivalCurve(-7.0, 0.0163, 0.3, "a")
    other = SurvivalCurve(-7.0, 0.0163, 0.300001, "a")
    shared, apart = (compare([300.0], now, c, certain()).ratio for c in (now, other))
    assert shared.low is not None
    assert apart.low is not None
    assert shared.low > apart.low


def test_compare__no_gain_from_length() -> None:
    made = compare([300.0], ANCHORED, SurvivalCurve(-20.0, 0.0163, None, "bad season"), certain())
    assert made.break_even.reason == "longer fish do not survive better: growing on never pays"
    assert made.advice == "release now"


def test_compare__no_cost_no_money() -> None:
    made = compare([300.0], ANCHORED, ANCHORED, certain(cost_month=0.0, cost_release=0.0))
    assert made.money_now.reason == "the cost is 0"
    assert made.money_later.reason == "the cost is 0"


def test_compare__order_of_fish_does_not_matter() -> None:
    a = compare([300.0, 350.0, 400.0], ANCHORED, ANCHORED, Rearing())
    b = compare([400.0, 300.0, 350.0], ANCHORED, ANCHORED, Rearing())
    assert a.later.value == pytest.approx(b.later.value, rel=1e-12)


def test_rearing__bad_input() -> None:
    with pytest.raises(UsageError, match="found 0 months"):
        Rearing(months=0)
    with pytest.raises(UsageError, match=r"monthly survival 1\.2"):
        Rearing(survival=1.2)
    with pytest.raises(UsageError, match="Expected numbers of at least 0"):
        Rearing(cost_month=-1.0)
    with pytest.raises(ValueRangeError, match="found no fish"):
        compare([], ANCHORED, ANCHORED, Rearing())


def test_later_day__ends_of_months() -> None:
    assert later_day(dt.date(2024, 1, 31), 1) == dt.date(2024, 2, 29)
    assert later_day(dt.date(2024, 11, 12), 14) == dt.date(2026, 1, 12)
    assert later_day(dt.date(2023, 10, 31), 2) == dt.date(2023, 12, 31)


def test_grow_report__each_class_once_per_water(tiny: Programme) -> None:
    report = grow_report(tiny, Rearing())
    stock = tiny.tables["stock"]
    by_water: dict[str, int] = {}
    for water, _, n, *_ in report.lines:
        by_water[water] = by_water.get(water, 0) + n
    assert set(by_water.values()) == {len(stock)}
    curve = tiny.tables["survival"].query("site_kind == 'reservoir-zone' and season == 'autumn'").iloc[0]
    assert season_of(tiny.settings.day("release_day")) == "autumn"
    here = stock.loc[stock["total_length_mm"].between(300, 349), "total_length_mm"]
    p = 1 / (1 + np.exp(-(curve["intercept"] + curve["slope_per_mm"] * here)))
    line = next(x for x in report.lines if x[0] == "reservoir-zone" and x[1] == "300 to 349")
    assert line[4] is not None
    assert line[4].now.value == pytest.approx(p.mean())


def test_grow_report__season_without_a_curve(tiny: Programme) -> None:
    report = grow_report(tiny, Rearing(months=8), "NP")
    assert {why for *_, why in report.lines} == {"no survival curve for summer"}


def test_grow_report__bad_site_and_same_bytes(tiny: Programme, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="--site: found 'XX'"):
        grow_report(tiny, Rearing(), "XX")
    made = [write_grow(grow_report(tiny, Rearing()), tmp_path / x)[0].read_bytes() for x in "ab"]
    assert made[0] == made[1]
