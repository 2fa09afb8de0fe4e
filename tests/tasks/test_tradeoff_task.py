"""The trade-off from records: rising survivors, each plan proven and rechecked, table and figure agree, no advice."""

from __future__ import annotations

import json
import threading
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

from broodstock.errors import UsageError, ValueRangeError
from planner.optimise.release.recheck import breaches
from planner.reports.tradeoff_figure import tradeoff_figure
from planner.tasks.programme import Programme
from planner.tasks.release import NoReleasePlanError
from planner.tasks.tradeoff import STOPPED_WORDS_OF_POINTS, TradeOff, release_tradeoff, write_tradeoff

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def quick(tiny: Programme) -> Programme:
    wide = {"release_gap": "0.04", "time_limit": "8"}
    return replace(tiny, settings=tiny.settings.with_overrides(wide))


@pytest.fixture(scope="module")
def outcome(quick: Programme) -> TradeOff:
    return release_tradeoff(quick, 3, 0.85, number_of_others=1, tolerance=0.05)


def test_tradeoff__every_point_is_proven_and_keeps_the_rules(outcome: TradeOff) -> None:
    assert [p.survivors_share for p in outcome.points] == pytest.approx([0.85, 0.925, 1.0])
    most = outcome.points[-1].plan.most_survivors
    assert most is not None
    for p in outcome.points:
        assert p.plan.numbers is not None
        assert breaches(outcome.inputs.data, p.plan.numbers, p.plan.survivors_floor) == []
        assert p.survivors is not None
        assert p.survivors >= p.survivors_share * most * (1 - 2e-3)
        assert p.plan.bound is not None
        assert p.plan.objective is not None
        assert p.plan.bound <= p.plan.objective + 1e-9


def test_tradeoff__frame_agrees_with_the_points(outcome: TradeOff) -> None:
    frame = outcome.frame()
    for p, row in zip(outcome.points, frame.to_dict("records"), strict=True):
        assert p.plan.numbers is not None
        assert row["released"] == p.plan.numbers.sum()
        assert row["survivors"] == pytest.approx((p.plan.numbers * outcome.inputs.data.survival).sum())
        assert row["kinship_bound"] <= row["kinship"] + 1e-12
        assert row["survivors_low"] <= row["survivors"] <= row["survivors_high"]


def test_tradeoff__alternatives_stay_within_the_tolerance(outcome: TradeOff) -> None:
    assert len(outcome.others) == 1
    other = outcome.others[0]
    assert other.breaches == ()
    assert other.above <= 0.05 + 1e-6
    assert other.otherwise[0] > 0
    lines = outcome.others_lines()
    assert lines["number"].sum() == other.numbers.sum()


def test_write_tradeoff__recommends_nothing(outcome: TradeOff, tmp_path: Path) -> None:
    names = {p.name for p in write_tradeoff(outcome, tmp_path)}
    expected = {
        "tradeoff.csv",
        "tradeoff.svg",
        "tradeoff.png",
        "tradeoff.html",
        "tradeoff_data.csv",
        "tradeoff_data.json",
        "alternatives.csv",
        "tradeoff.json",
    }
    assert names == expected
    values = json.loads((tmp_path / "tradeoff.json").read_text())
    assert values["recommended"] is None
    assert len(values["points"]) == 3
    svg = (tmp_path / "tradeoff.svg").read_text()
    for words in ("weighted mean kinship", "expected first-year survivors", "100.0%", "92.5%"):
        assert words in svg
    assert len(pd.read_csv(tmp_path / "tradeoff.csv")) == 3


def test_tradeoff__stopped_keeps_every_point_in_table_and_files(quick: Programme, tmp_path: Path) -> None:
    cancel = threading.Event()

    def press(words: str) -> None:
        if words.startswith("90.0% of the most survivors: lowering kinship"):
            cancel.set()

    outcome = release_tradeoff(quick, 3, 0.8, number_of_others=1, progress=press, cancel=cancel)
    assert STOPPED_WORDS_OF_POINTS in outcome.inputs.notes
    assert outcome.others == ()
    frame = outcome.frame()
    assert list(frame["share"]) == pytest.approx([0.8, 0.9, 1.0])
    assert frame["survivors"].notna().tolist() == [True, True, False]
    assert frame["note"].tolist()[2] == "no plan: stopped by hand before one was found"
    assert frame["note"].tolist()[1].startswith("stopped by hand: a gap of ")
    # The proof of the first point holds for the second one.
    assert outcome.points[1].plan.bound == outcome.points[0].plan.bound
    assert outcome.table()[1][2][0] == "100.0%"
    assert outcome.table()[1][2][-1] == frame["note"].tolist()[2]
    write_tradeoff(outcome, tmp_path)
    assert len(pd.read_csv(tmp_path / "tradeoff.csv")) == 3
    values = json.loads((tmp_path / "tradeoff.json").read_text())
    assert [p["note"] for p in values["points"]] == frame["note"].tolist()
    assert values["points"][2]["survivors"] is None
    svg = (tmp_path / "tradeoff.svg").read_text()
    assert "90.0%" in svg
    assert "100.0%" not in svg


def test_tradeoff_figure__a_plan_without_a_proof_has_no_room_below_it(outcome: TradeOff) -> None:
    frame = outcome.frame()
    frame.loc[1, "kinship_bound"] = float("nan")
    chart = tradeoff_figure(frame, "x").to_dict()
    rooms = next(layer for layer in chart["layer"] if layer["encoding"].get("y2"))
    assert [r["share"] for r in rooms["data"]["values"]] == pytest.approx([0.85, 1.0])


def test_tradeoff__says_that_alternatives_are_proven_step_by_step(outcome: TradeOff) -> None:
    words = outcome.as_dict()["alternatives_words"]
    assert "proven for this step alone" in words
    assert "Nothing is proven of them together" in words


def test_tradeoff__refuses_odd_points_and_an_impossible_release(quick: Programme) -> None:
    with pytest.raises(UsageError, match="found 1 points"):
        release_tradeoff(quick, 1)
    strict = {"release_wanted": "150", "keep_back": "100"}
    impossible = replace(quick, settings=quick.settings.with_overrides(strict))
    with pytest.raises(NoReleasePlanError, match="cannot hold together"):
        release_tradeoff(impossible, 2)
    with pytest.raises(ValueRangeError, match="trade-off: found no rows"):
        tradeoff_figure(pd.DataFrame(), "x")
