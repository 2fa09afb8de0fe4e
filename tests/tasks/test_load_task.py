"""Truck loads from a release plan: every fish once, rules computed again from the written tables, what is short."""

from __future__ import annotations

import json
import threading
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from broodstock.errors import UsageError
from planner.tasks.load import LoadOutcome, loading_sheet, planned_version, truck_loads, write_loads
from planner.tasks.no_plan import STOPPED_WORDS
from planner.tasks.programme import Programme
from planner.tasks.release import NoReleasePlanError, ReleaseOutcome, release_plan
from planner.tasks.release_files import write_release


def told(programme: Programme, **settings: str) -> Programme:
    return replace(programme, settings=programme.settings.with_overrides(settings))


@pytest.fixture(scope="module")
def quick(tiny: Programme) -> Programme:
    return told(tiny, release_gap="0.08", time_limit="20", truck_volume_l="150", truck_trips_per_day="2")


@pytest.fixture(scope="module")
def released(quick: Programme, tmp_path_factory: pytest.TempPathFactory) -> tuple[ReleaseOutcome, Path]:
    outcome = release_plan(quick)
    folder = tmp_path_factory.mktemp("release")
    write_release(quick, outcome, folder)
    return outcome, folder


@pytest.fixture(scope="module")
def loads(quick: Programme, released: tuple[ReleaseOutcome, Path]) -> LoadOutcome:
    return truck_loads(quick, released[1])


def test_truck_loads__carry_every_fish_to_its_water_once(
    released: tuple[ReleaseOutcome, Path], loads: LoadOutcome
) -> None:
    sent = released[0].fish.query("site != ''").set_index("stock_id")["site"]
    carried = loads.fish.set_index("stock_id")["site"]
    assert carried.index.is_unique
    assert carried.sort_index().to_dict() == sent.sort_index().to_dict()
    assert loads.inputs.release_version == 1
    assert loads.inputs.release_mark == released[0].provenance.mark


def test_truck_loads__rules_computed_again_from_the_tables(quick: Programme, loads: LoadOutcome) -> None:
    stock = quick.tables["stock"].set_index("stock_id")
    risk = quick.tables["sites"].set_index("name")["water_risk"]
    source = quick.tables["units"].set_index("unit_id")["water_risk"]
    weight = loads.inputs.fish.set_index("stock_id")["kg"]
    per_day: dict[int, set[str]] = {}
    for (day, truck, _), trip in loads.fish.groupby(["day", "truck", "trip"]):
        # By the mass of the single fish, not only by the mean of their line.
        assert weight[trip["stock_id"]].sum() <= 150 * 0.08 + 1e-9
        stops = trip.drop_duplicates("stop").sort_values("stop")
        assert len(stops) <= quick.settings["truck_stops"]
        ranks = stops["site"].map(risk).tolist()
        assert ranks == sorted(ranks)
        assert stock.loc[trip["stock_id"], "unit"].map(source).max() <= min(ranks)
        per_day.setdefault(int(day), set()).add(str(truck))
    trips = loads.fish.drop_duplicates(["day", "truck", "trip"]).groupby(["day", "truck"]).size()
    assert trips.max() <= 2
    assert max(len(trucks) for trucks in per_day.values()) <= quick.settings["crews_per_day"]
    # No fewer trips can carry the mass.
    assert loads.plan.fewest_trips is not None
    assert loads.plan.fewest_trips >= np.ceil(loads.inputs.data.total_kg / 12.0 - 1e-9)


def test_truck_loads__a_truck_fails(
    quick: Programme, released: tuple[ReleaseOutcome, Path], loads: LoadOutcome
) -> None:
    without = truck_loads(quick, released[1], failed=("truck 2",))
    assert "truck 2" not in set(without.fish["truck"])
    assert len(without.fish) == len(loads.fish)
    with pytest.raises(UsageError, match="truck that failed: found 'truck 9'"):
        truck_loads(quick, released[1], failed=("truck 9",))


def test_truck_loads__stopped_gives_the_best_so_far_and_says_so(
    quick: Programme, released: tuple[ReleaseOutcome, Path], loads: LoadOutcome
) -> None:
    cancel = threading.Event()

    def press(words: str) -> None:
        if words.startswith("seeking the shortest way"):
            cancel.set()

    stopped = truck_loads(quick, released[1], progress=press, cancel=cancel)
    assert cancel.is_set()
    assert (str(stopped.plan.status) == "stopped") == (STOPPED_WORDS in stopped.inputs.notes)
    assert str(stopped.plan.status) in ("stopped", "proven")
    assert STOPPED_WORDS not in loads.inputs.notes
    assert stopped.plan.breaches == ()
    assert len(stopped.fish) == len(loads.fish)
    before = threading.Event()
    before.set()
    with pytest.raises(
        NoReleasePlanError, match="Truck loads: stopped by hand before one was found"
    ) as caught:
        truck_loads(quick, released[1], cancel=before)
    assert caught.value.exit_code == 5


def test_truck_loads__cost_of_the_way(
    quick: Programme, released: tuple[ReleaseOutcome, Path], loads: LoadOutcome
) -> None:
    assert dict(loads.facts())["Cost of carrying"].startswith("not estimable because the settings")
    priced = told(quick, truck_cost_per_km="1.5", crew_day_cost="200")
    outcome = truck_loads(priced, released[1])
    assert outcome.plan.km is not None
    on_the_road = outcome.fish.drop_duplicates(["day", "truck"])
    assert outcome.truck_days == len(on_the_road)
    assert outcome.cost.value == pytest.approx(1.5 * outcome.plan.km + 200 * len(on_the_road))
    assert outcome.as_dict()["cost"]["value"] == outcome.cost.value


def test_truck_loads__says_what_is_short(quick: Programme, released: tuple[ReleaseOutcome, Path]) -> None:
    one = told(quick, release_days="1", trucks="1")
    with pytest.raises(NoReleasePlanError, match=r"room: .* kg of fish to carry") as caught:
        truck_loads(one, released[1])
    assert caught.value.exit_code == 4
    assert "would do: " in str(caught.value)


def test_truck_loads__trucks_and_distances_from_tables(
    quick: Programme, released: tuple[ReleaseOutcome, Path]
) -> None:
    trucks = pd.DataFrame(
        {
            "truck": ["Blue", "Red"],
            "volume_l": [900.0, 900.0],
            "kg_per_l": [0.08, 0.08],
            "trips_per_day": [1, 1],
            "stops": [4, 4],
            "in_service": [True, False],
            "note": "",
        }
    )
    sites = list(quick.tables["sites"]["site_id"])
    distances = pd.DataFrame({"from_place": "station", "to_place": sites, "km": 7.0})
    tabled = replace(quick, tables={**quick.tables, "trucks": trucks, "distances": distances})
    outcome = truck_loads(tabled, released[1])
    assert set(outcome.fish["truck"]) == {"Blue"}
    assert (outcome.inputs.data.distance_km[0, 1:] == 7.0).all()
    assert (outcome.inputs.data.distance_km[1:, 0] == 7.0).all()
    assert not any("along the river" in note for note in outcome.inputs.notes)


def test_truck_loads__refuse_a_plan_that_is_out_of_date(
    quick: Programme, released: tuple[ReleaseOutcome, Path], tmp_path: Path
) -> None:
    stock = quick.tables["stock"].copy()
    one = released[0].fish.query("site != ''")["stock_id"].iloc[0]
    stock.loc[stock["stock_id"] == one, "withdrawal_until"] = pd.Timestamp("2024-12-24")
    held = replace(quick, tables={**quick.tables, "stock": stock})
    with pytest.raises(UsageError, match="may not go now: withdrawal time not over"):
        truck_loads(held, released[1])
    gone = replace(quick, tables={**quick.tables, "stock": stock[stock["stock_id"] != one]})
    with pytest.raises(UsageError, match=r"found 1 fish that are no longer in stock\.csv"):
        truck_loads(gone, released[1])
    with pytest.raises(UsageError, match="found no release plan"):
        truck_loads(quick, tmp_path)


def test_write_loads__sheet_plan_and_version(quick: Programme, loads: LoadOutcome, tmp_path: Path) -> None:
    assert planned_version(tmp_path) == 1
    write_loads(quick, loads, tmp_path)
    assert planned_version(tmp_path) == 2
    assert (tmp_path / "loading_sheet.pdf").read_bytes().startswith(b"%PDF")
    html = (tmp_path / "loading_sheet.html").read_text(encoding="utf-8")
    for words in ("Truck loading sheet", "truck 1, trip 1", "salt defeats some of them", "g/L in"):
        assert words in html
    values = json.loads((tmp_path / "load_plan.json").read_text())
    loaded = [load["number"] for t in values["trips"] for s in t["stops"] for load in s["loads"]]
    assert sum(loaded) == len(loads.fish)
    # What is unloaded last is loaded first.
    sheet = loading_sheet(quick, loads)
    strips = [b for b in sheet.blocks if b.kind == "table" and b.title.startswith("Load ")]
    for strip, trip in zip(strips, loads.plan.trips, strict=True):
        first_loaded = strip.rows[0][1]  # type: ignore[union-attr]
        assert first_loaded == loads.inputs.data.site[trip.sites[-1]]
