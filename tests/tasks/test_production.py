"""Production from records: products by hand, families, warnings, bad input."""

from __future__ import annotations

import datetime as dt
import math
from pathlib import Path

import pytest

from broodstock.errors import UsageError, ValueRangeError
from planner.tasks.production import production
from planner.tasks.programme import Programme, open_programme
from planner.tasks.settings import SETTINGS

SPAWNED, RELEASED = dt.date(2025, 2, 14), dt.date(2027, 3, 10)


def test_production__middle_by_hand(tiny: Programme) -> None:
    values = production(tiny, 8000, 300, RELEASED, spawned=SPAWNED).values
    days = (RELEASED - SPAWNED).days
    mean = 575 * (1 - math.exp(-0.85 * days / 365.25))
    long = 0.5 * math.erfc((300 - mean) / (0.12 * mean * math.sqrt(2)))
    tagged = 8000 / 0.98
    small = tagged / long / 0.975 ** (days / 30.4375 - 3)
    fry = small / 0.5
    expected = [fry / 0.401, fry, small, tagged]
    assert [s["needed"]["value"] for s in values["stages"]] == pytest.approx(expected)
    ready = {r["what"]: r["needed"]["value"] for r in values["ready"]}
    assert ready["females, by eggs alone"] == math.ceil(expected[0] / 46740)
    assert ready["rearing tanks"] == math.ceil(fry / 1800)
    assert ready["tags"] == math.ceil(tagged * 1.05)
    assert ready["dishes and cells"] == max(math.ceil(fry / 900), 40)
    assert values["families_wanted"] == 40


def test_production__low_middle_high_rise(tiny: Programme) -> None:
    for stage in production(tiny, 8000, 300, RELEASED, spawned=SPAWNED).values["stages"]:
        n = stage["needed"]
        assert stage["best"] <= n["low"] <= n["value"] <= n["high"] <= stage["worst"]


def test_production__twice_the_fish_need_twice_the_eggs(tiny: Programme) -> None:
    one, two = (production(tiny, n, 300, RELEASED, spawned=SPAWNED).values for n in (3000, 6000))
    for a, b in zip(one["stages"], two["stages"], strict=True):
        for key in ("low", "value", "high"):
            assert b["needed"][key] == pytest.approx(2 * a["needed"][key])


def test_production__few_families_are_warned_of(tiny: Programme) -> None:
    answer = production(tiny, 8000, 300, RELEASED, spawned=SPAWNED, families=3)
    # 3 pairs: 6 effective parents, inbreeding rate 1/12.
    assert any(
        "8000 fish from 3 families: 2667 of each, 40 families wanted" in w
        and "at most 6 effective parents" in w
        and "8.3%" in w
        for w in answer.warnings
    )
    enough = production(tiny, 8000, 300, RELEASED, spawned=SPAWNED, families=40)
    assert not any("families wanted" in w for w in enough.warnings)


def test_production__a_length_out_of_reach_is_not_estimable(tiny: Programme) -> None:
    answer = production(tiny, 800, 350, dt.date(2025, 11, 10), spawned=SPAWNED)
    assert answer.values["stages"][0]["needed"]["value"] is None
    assert any("The target cannot be met at that length" in w for w in answer.warnings)
    assert "not estimable because with slow growth" in answer.text()


def test_production__summer_and_missing_room_are_warned_of(tiny: Programme) -> None:
    answer = production(tiny, 50000, 300, dt.date(2027, 7, 1), spawned=SPAWNED)
    assert any(w.startswith("Summer:") for w in answer.warnings)
    assert any("rearing tanks are needed" in w for w in answer.warnings)
    assert any("dishes and cells are needed" in w for w in answer.warnings)


def test_production__is_the_same_twice(tiny: Programme) -> None:
    first, again = (production(tiny, 8000, 300, RELEASED, spawned=SPAWNED).text() for _ in range(2))
    assert first == again


def test_production__bad_input(tiny: Programme, tiny_folder: Path) -> None:
    with pytest.raises(UsageError, match="--date: found 2025-03-01, 15 days after spawning"):
        production(tiny, 800, 300, dt.date(2025, 3, 1), spawned=SPAWNED)
    with pytest.raises(UsageError, match="production: found 0 fish"):
        production(tiny, 0, 300, RELEASED)
    with pytest.raises(UsageError, match="found -8 fish"):
        production(tiny, -8, 300, RELEASED)
    with pytest.raises(UsageError, match="0 families"):
        production(tiny, 8, 300, RELEASED, families=0)
    turned = open_programme(tiny_folder, {"egg_to_swim_up_low": "0.9"})
    with pytest.raises(ValueRangeError, match="Expected rising numbers"):
        production(turned, 800, 300, RELEASED)
    nothing = open_programme(tiny_folder, {"egg_to_swim_up_low": "0"})
    with pytest.raises(ValueRangeError, match="survival from eggs: found 0"):
        production(nothing, 800, 300, RELEASED)


def test_season_settings__defaults_lie_in_their_ranges_and_have_a_source() -> None:
    from planner.tasks.season_settings import SEASON_SETTINGS

    for row in SEASON_SETTINGS:
        setting = SETTINGS[row[0]]
        assert setting.parse(str(setting.default)) == setting.default
        assert setting.source
        assert setting.sentence.endswith(".")
