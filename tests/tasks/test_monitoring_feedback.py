"""Feedback: proposals beside the values in use, accepted one by one, and the next plan uses them."""

from __future__ import annotations

import datetime as dt
import shutil
from pathlib import Path

import numpy as np
import pytest

from broodstock.errors import UsageError
from planner.tasks.feedback import accept, make_feedback
from planner.tasks.growth import growth_report
from planner.tasks.programme import Programme, open_programme
from planner.tasks.release_data import release_inputs
from planner.tasks.survival_curves import curve_of, prior_curve_of
from planner.tasks.survival_models_curves import plan_survivors, programme_curves
from planner.tasks.survival_models_encounters import encounters_of

DAY = dt.date(2024, 11, 12)
NAME = "survival:QL:autumn"


@pytest.fixture
def folder(tiny_folder: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(tiny_folder, tmp_path / "records"))


def opened(folder: Path) -> Programme:
    return open_programme(folder, with_scans=True, with_calls=False)


def feedback_of(programme: Programme):
    curves = programme_curves(programme, encounters_of(programme))
    return make_feedback(programme, curves, growth_report(programme).groups[0].growth)


def site(programme: Programme, name: str):
    return next(r for r in programme.tables["sites"].itertuples() if r.site_id == name)


def test_feedback__accepted_curve_is_used_by_the_next_release_plan(folder: Path) -> None:
    before = opened(folder)
    found = feedback_of(before)
    assert {p.name for p in found.proposals} >= {NAME, "setting:growth_mm_month"}
    said = accept(before, found, (NAME,), "coordinator")
    assert "by coordinator on 2024-10-20" in said[0]
    after = opened(folder)
    row = after.tables["survival"].iloc[-1]
    assert (row["site_id"], row["season"], row["state"]) == ("QL", "autumn", "in-use")
    assert (row["accepted_by"], row["records_mark"]) == ("coordinator", before.fingerprint[:16])
    assert len(after.tables["survival"]) == len(before.tables["survival"]) + 1
    column = list(after.tables["sites"]["site_id"]).index("QL")
    old, new = (release_inputs(p, DAY).data for p in (before, after))
    assert not np.allclose(old.survival[:, column], new.survival[:, column])
    others = [k for k in range(old.survival.shape[1]) if k != column]
    assert np.allclose(old.survival[:, others], new.survival[:, others])
    curve = curve_of(after, site(after, "QL"), "autumn")
    assert curve is not None
    assert curve.intercept == pytest.approx(found.named(NAME).row["intercept"])


def test_feedback__data_are_never_counted_twice(folder: Path) -> None:
    before = opened(folder)
    accept(before, feedback_of(before), (NAME,), "coordinator")
    after = opened(folder)
    prior = prior_curve_of(after, site(after, "QL"), "autumn")
    assert prior is not None
    assert prior.intercept == -5.0  # the curve that was in use before the programme's own records came in
    again = feedback_of(after)
    assert NAME not in {p.name for p in again.proposals}
    assert any("in use already" in n for n in again.notes)


def test_feedback__a_replaced_curve_stays_as_a_record(folder: Path) -> None:
    first = opened(folder)
    accept(first, feedback_of(first), (NAME,), "coordinator")
    text = (folder / "captures.csv").read_text().splitlines()
    (folder / "captures.csv").write_text("\n".join(text[:-12]) + "\n")
    second = opened(folder)
    accept(second, feedback_of(second), (NAME,), "geneticist")
    table = opened(folder).tables["survival"]
    mine = table[table["site_id"] == "QL"]
    assert list(mine["state"]) == ["replaced", "in-use"]
    assert list(mine["accepted_by"]) == ["coordinator", "geneticist"]


def test_feedback__a_setting_gets_its_source(folder: Path) -> None:
    before = opened(folder)
    accept(before, feedback_of(before), ("setting:growth_mm_month",), "manager")
    after = opened(folder)
    assert after.settings["growth_mm_month"] > 0
    assert "accepted by manager on 2024-10-20" in after.settings.sources["growth_mm_month"]


def test_feedback__refuses(folder: Path) -> None:
    programme = opened(folder)
    found = feedback_of(programme)
    with pytest.raises(UsageError, match="found nobody"):
        accept(programme, found, (NAME,), " ")
    with pytest.raises(UsageError, match="Expected one of survival:QL:autumn"):
        accept(programme, found, ("survival:XX:autumn",), "manager")
    with (folder / "captures.csv").open("a") as out:
        out.write("C-99999,2024-05-01,QL,999009000010006,,unknown,400,TL,600,fyke net,10,,\n")
    with pytest.raises(UsageError, match="records that changed"):
        accept(opened(folder), found, (NAME,), "manager")


def test_expected_survivors__of_a_plan_have_intervals(folder: Path) -> None:
    programme = opened(folder)
    curves = programme_curves(programme, encounters_of(programme))
    lengths = programme.tables["stock"]["total_length_mm"].to_numpy()
    found, waters, notes = plan_survivors(programme, curves, ["BB"] * len(lengths), "autumn", lengths)
    assert waters == ("BB",)
    assert notes == ()
    assert found.total.low < found.total.value < found.total.high
    assert 0 < found.curve_share < 1
