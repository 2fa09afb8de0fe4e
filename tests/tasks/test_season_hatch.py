"""Hatch forecasts: closed forms in constant water, changes, own observations, bad input."""

from __future__ import annotations

import datetime as dt

import pytest

from broodstock.errors import UsageError, ValueRangeError
from planner.optimise.season.degree_days import chub_models
from planner.tasks.programme import Programme
from planner.tasks.season_hatch import hatch_dates

DAY = dt.date(2025, 2, 14)


def events(answer: object) -> dict[str, list[float | None]]:
    return {e["event"]: e["days"] for e in answer.values["events"]}  # type: ignore[attr-defined]


def test_hatch__constant_water_is_the_closed_form(tiny: Programme) -> None:
    found = events(hatch_dates(tiny, DAY, 18.0))
    for three in chub_models():
        name = three[1].kind
        assert found[f"hatch, {name}"] == pytest.approx([m.days(18.0) for m in three])
    base = chub_models()[0][1].b
    hatch, swim = found["hatch, base temperature"], found["swim-up, base temperature"]
    assert [s - h for h, s in zip(hatch, swim, strict=True)] == pytest.approx(  # type: ignore[operator]
        [w / (18.0 - base) for w in (50, 75, 100)]
    )


def test_hatch__published_times_at_their_temperature(tiny: Programme) -> None:
    # 99 to 174 h at 20 to 21 C: Hamman (1982), Progressive Fish-Culturist 44:201 (from memory).
    first, _, last = events(hatch_dates(tiny, DAY, 20.5))["hatch, fitted rate"]
    assert first is not None
    assert last is not None
    assert first * 24 == pytest.approx(99, rel=0.1)
    assert last * 24 == pytest.approx(174, rel=0.1)


def test_hatch__warmer_later_is_sooner(tiny: Programme) -> None:
    still = events(hatch_dates(tiny, DAY, 16.0))
    warmed = events(hatch_dates(tiny, DAY, 16.0, {DAY + dt.timedelta(days=3): 20.0}))
    for name, days in still.items():
        assert all(w < s for s, w in zip(days, warmed[name], strict=True)), name  # type: ignore[operator]


def test_hatch__own_observations_replace_the_table(tiny: Programme) -> None:
    seen = [(t, 24 * 80 / (t - 6)) for t in (14.0, 17.0, 20.0)]
    answer = hatch_dates(tiny, DAY, 18.0, seen=seen)
    assert answer.values["base_temperature"] == pytest.approx(6)
    first, middle, last = events(answer)["hatch, base temperature"]
    assert middle == pytest.approx(80 / 12)
    assert first == pytest.approx(middle)
    assert last == pytest.approx(middle)
    two = events(hatch_dates(tiny, DAY, 18.0, seen=seen[:2]))["hatch, base temperature"]
    assert two[0] is None
    assert two[2] is None
    assert "not estimable with fewer than three temperatures" in answer.text()


def test_hatch__cold_water_and_water_outside_the_table_are_warned_of(tiny: Programme) -> None:
    cold = hatch_dates(tiny, DAY, 5.0)
    assert any("at or below the base temperature" in w for w in cold.warnings)
    assert any("lies outside the 12.5 to 20.5 C" in w for w in cold.warnings)
    assert "not estimable" in cold.text()
    assert not hatch_dates(tiny, DAY, 20.0).warnings


def test_hatch__bad_input(tiny: Programme) -> None:
    with pytest.raises(UsageError, match=r"--then: found 2025-02-01\. Expected a day within 200 days after"):
        hatch_dates(tiny, DAY, 18.0, {dt.date(2025, 2, 1): 19.0})
    with pytest.raises(ValueRangeError, match="water temperature"):
        hatch_dates(tiny, DAY, 99.0)
    with pytest.raises(UsageError, match="found 1 different temperatures"):
        hatch_dates(tiny, DAY, 18.0, seen=[(18.0, 150.0)])
    with pytest.raises(ValueRangeError, match="hours to hatch"):
        hatch_dates(tiny, DAY, 18.0, seen=[(18.0, -150.0), (20.0, 100.0)])
