"""Known fates at the station, captures with scans, tag loss from double tags, feedback into a register."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from broodstock.errors import UsageError
from planner.tasks.demo_records import practice_place
from planner.tasks.feedback import accept, make_feedback
from planner.tasks.growth import growth_report
from planner.tasks.programme import Programme, open_programme
from planner.tasks.survival_known import joint_survival, station_survival, tag_retention
from planner.tasks.survival_models_curves import programme_curves
from planner.tasks.survival_models_encounters import encounters_of

NAME = "survival:QL:autumn"


def with_table(programme: Programme, name: str, frame: pd.DataFrame) -> Programme:
    return dataclasses.replace(programme, tables={**programme.tables, name: frame})


def test_station_survival__agrees_with_a_general_library(tiny: Programme) -> None:
    """statsmodels' survival function of the same fish, worked from the table by hand."""
    from statsmodels.duration.survfunc import SurvfuncRight

    fish = tiny.tables["fish"]
    wild = fish[fish["origin"] == "wild-adult"]
    died = (wild["status"] == "dead").to_numpy()
    end = wild["status_on"].where(died, pd.Timestamp(tiny.today))
    years = ((end - wild["entered_on"]).dt.days / 365.25).to_numpy(dtype=float)
    curve = SurvfuncRight(years, died)
    row = next(found for name, found in station_survival(tiny).rows if name.startswith("wild-adult"))
    for year, estimate in zip((1, 2, 3, 5), row[:4], strict=True):
        before = np.asarray(curve.surv_times) <= year
        expected = np.asarray(curve.surv_prob)[before][-1] if before.any() else 1.0
        assert estimate.value == pytest.approx(expected)
    assert "no fish was watched after" in row[4].reason


def test_station_survival__says_why_there_is_none(tiny: Programme) -> None:
    empty = with_table(tiny, "fish", tiny.tables["fish"].iloc[:0])
    found = station_survival(empty)
    assert found.rows == ()
    assert "not estimable because no fish has its day of entry" in found.statements[0]


def test_joint_survival__shows_fit_and_says_why_there_is_none(tiny_folder: Path) -> None:
    programme = open_programme(tiny_folder, with_scans=True, with_calls=False)
    met = encounters_of(programme)
    found = joint_survival(programme, met)
    first = dict(found.rows)["survival in the first year"][0]
    assert 0 < first.low < first.value < first.high < 1
    assert found.statements[0].startswith("Goodness of fit")
    keep = ~met.by_scan
    netted = dataclasses.replace(
        met, who=met.who[keep], day=met.day[keep], site=met.site[keep], by_scan=met.by_scan[keep]
    )
    none = joint_survival(programme, netted)
    assert none.rows == ()
    assert "no fish was scanned" in none.statements[0]


def test_tag_retention__from_overlapping_tags(tiny: Programme) -> None:
    """Six fish seen with both tags after a year, three with one: p = 3 / (3 + 12) by Seber (1982), from memory."""
    found, double = tag_retention(tiny)
    assert (double, found.reason) == (0, "no fish on record carried two tags at once")
    ids = list(tiny.tables["fish"]["fish_id"][:9])
    begin, seen = pd.Timestamp("2020-01-01"), pd.Timestamp("2020-12-31")
    rows = []
    for k, name in enumerate(ids):
        for side in range(2):
            ends = pd.NaT if k >= 6 and side == 0 else seen
            rows.append((name, "pit-iso", f"9990090000{k:03d}{side:02d}", begin, ends, ""))
    frame = pd.DataFrame(rows, columns=tiny.tables["identifiers"].columns)
    found, double = tag_retention(with_table(tiny, "identifiers", frame))
    assert double == 9
    assert found.at(365 / 365.25).value == pytest.approx(1 - 3 / 15, abs=1e-4)


def test_feedback__accepted_into_a_register(tmp_path: Path) -> None:
    place = practice_place(tmp_path / "practice", tiny=True)

    def made() -> tuple[Programme, object]:
        programme = open_programme(place, with_scans=True, with_calls=False)
        curves = programme_curves(programme, encounters_of(programme))
        return programme, make_feedback(programme, curves, growth_report(programme).groups[0].growth)

    before, found = made()
    names = (NAME, "setting:growth_mm_month")
    said = accept(before, found, names, "coordinator")
    assert len(said) == 2
    assert all("by coordinator" in s for s in said)
    after, again = made()
    table = after.tables["survival"]
    mine = table[(table["site_id"] == "QL") & (table["season"] == "autumn") & (table["state"] == "in-use")]
    assert list(mine["accepted_by"]) == ["coordinator"]
    assert mine["intercept"].iloc[0] == pytest.approx(found.named(NAME).row["intercept"])
    proposed = float(found.named("setting:growth_mm_month").proposed)
    assert after.settings["growth_mm_month"] == pytest.approx(proposed)
    assert any("Tag loss is not estimable because no fish" in n for n in again.notes)
    with pytest.raises(UsageError, match="changes entered since the feedback was made"):
        accept(before, found, names, "coordinator")
