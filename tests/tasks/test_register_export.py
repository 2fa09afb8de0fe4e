"""Exports: a package that imports to the same data, Darwin Core, GeoJSON; places blurred, names left out."""

from __future__ import annotations

import csv
import hashlib
import json
import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from broodstock.errors import UsageError
from broodstock.fields import TABLES
from planner.store.register import Register
from planner.tasks.register_darwin import EVENT, KM_PER_DEGREE, MEASUREMENT, OCCURRENCE, blurred
from planner.tasks.register_export import export_register
from planner.tasks.register_import import plan_import, write_import
from planner.tasks.register_state import findings_of

TINY = Path(__file__).resolve().parents[2] / "data_examples" / "tiny"


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("filled") / "records.kinshoal"
    with Register.create(place) as register:
        write_import(register, plan_import(register, TINY), "Tess Arden", "first import")
        with register.writing("Ana Bell", "moved", true_on=None) as writer:
            row = register.get("fish", "F-01")
            writer.change("fish", row["record_id"], {"note": "seen by Ana Bell"})
    return place


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_package__imports_to_the_same_data(filled: Path, tmp_path: Path) -> None:
    mark = findings_of(filled, "warning", (), (), "", "", None)[1]["findings"][0]["mark"]
    export_register(filled, tmp_path / "package")
    with Register.create(tmp_path / "again.db") as again, Register.open(filled, read_only=True) as first:
        plan = plan_import(again, tmp_path / "package")
        assert plan.refused == 0
        write_import(again, plan, "ben", "from the package")
        for name in (*TABLES, "detection_days", "people", "mappings", "plans"):
            a, b = first.frame(name), again.frame(name)
            pd.testing.assert_frame_equal(a.reset_index(drop=True), b.reset_index(drop=True))
        one, two = first.records().genotypes, again.records().genotypes
        assert set(one) == set(two)
        for name, calls in one.items():
            other = two[name]
            assert set(other.samples) == set(calls.samples)
            place = {x.name: i for i, x in enumerate(other.loci)}
            columns = [other.index[s] for s in calls.samples]
            for i, locus in enumerate(calls.loci):
                j = place[locus.name]
                assert other.loci[j] == locus
                ours = [
                    sorted(calls.alleles[i][a] for a in pair) if pair[0] >= 0 else []
                    for pair in calls.calls[i]
                ]
                theirs = [
                    sorted(other.alleles[j][a] for a in pair) if pair[0] >= 0 else []
                    for pair in other.calls[j][columns]
                ]
                assert ours == theirs
        states = {r["finding"]: r["state"] for r in first.rows("finding_reviews")}
        assert {r["finding"]: r["state"] for r in again.rows("finding_reviews")} == states
        assert mark in states
        assert plan_import(again, tmp_path / "package").does_nothing


def test_package__descriptor_fits_the_files(filled: Path, tmp_path: Path) -> None:
    """Names, sizes, hashes, fields, keys: Data Package and Table Schema, version 1."""
    export_register(filled, tmp_path / "package", history=True)
    package = json.loads((tmp_path / "package" / "datapackage.json").read_text())
    names = {r["name"] for r in package["resources"]}
    for resource in package["resources"]:
        data = (tmp_path / "package" / resource["path"]).read_bytes()
        assert resource["bytes"] == len(data)
        assert resource["hash"] == f"sha256:{hashlib.sha256(data).hexdigest()}"
        if "schema" not in resource:
            continue
        head = data.split(b"\n", 1)[0].decode().split(",")
        assert head == [f["name"] for f in resource["schema"]["fields"]]
        assert set(resource["schema"].get("primaryKey", ())) <= set(head)
    assert {"fish", "captures", "detection_days", "history", "snps"} <= names


def test_history__has_every_field_of_every_change(filled: Path, tmp_path: Path) -> None:
    export_register(filled, tmp_path / "package", history=True)
    rows = rows_of(tmp_path / "package" / "own" / "history.csv")
    (changed,) = [r for r in rows if r["what"] == "changed"]
    assert (changed["table"], changed["column"], changed["new"]) == ("fish", "note", "seen by Ana Bell")
    assert changed["entered_by"] == "Ana Bell"
    with Register.open(filled, read_only=True) as register:
        fish = register.rows("fish", as_known_on=1)
        filled_cells = sum(v is not None for r in fish for c, v in r.items() if c in TABLES["fish"].names)
    assert sum(r["table"] == "fish" and r["what"] == "added" for r in rows) == filled_cells
    export_register(filled, tmp_path / "quiet", history=True, without_names=True)
    text = "".join(p.read_text() for p in (tmp_path / "quiet").rglob("*.csv"))
    assert "Tess Arden" not in text
    assert "entered_by" in text


def test_history__says_what_was_withdrawn(tmp_path: Path) -> None:
    from planner.store.backup_history import history_rows

    with Register.create(tmp_path / "r.db") as register:
        with register.writing("a", "b") as writer:
            (record,) = writer.add("units", [{"unit_id": "T-1", "kind": "tank"}])
        with register.writing("a", "c") as writer:
            writer.withdraw("units", record)
        what = [(r[0], r[9], r[10]) for r in history_rows(register)]
    assert what == [("1", "added", "unit_id"), ("1", "added", "kind"), ("2", "withdrawn", "")]


def test_darwin_core__every_capture_release_and_day_is_an_occurrence(filled: Path, tmp_path: Path) -> None:
    """Terms: Darwin Core quick reference guide, Biodiversity Information Standards (TDWG)."""
    export_register(filled, tmp_path / "dwc", "darwin-core")
    event, occurrence, measurement = (
        rows_of(tmp_path / "dwc" / f"{n}.csv") for n in ("event", "occurrence", "measurementorfact")
    )
    assert tuple(event[0]) == EVENT
    assert tuple(occurrence[0]) == OCCURRENCE
    assert tuple(measurement[0]) == MEASUREMENT
    with Register.open(filled, read_only=True) as register:
        n = sum(register.count(t) for t in ("captures", "releases", "detection_days"))
    assert len(occurrence) == len({r["occurrenceID"] for r in occurrence}) == n
    assert {r["eventID"] for r in occurrence} == {r["eventID"] for r in event}
    assert {r["occurrenceID"] for r in measurement} <= {r["occurrenceID"] for r in occurrence}
    assert {r["basisOfRecord"] for r in occurrence} == {"HumanObservation", "MachineObservation"}
    assert {r["geodeticDatum"] for r in event} == {"WGS84"}
    assert "Tess Arden" in {r["recordedBy"] for r in occurrence}
    export_register(filled, tmp_path / "quiet", "darwin-core", grid_km=20, without_names=True)
    text = "".join(p.read_text() for p in (tmp_path / "quiet").iterdir())
    assert "Tess Arden" not in text
    assert "Ana Bell" not in text
    assert "Quern" not in text
    assert {r["dataGeneralizations"] for r in rows_of(tmp_path / "quiet" / "event.csv")} == {
        "coordinates moved to the middle of a grid of 20 km"
    }


def test_geojson__has_longitude_first(filled: Path, tmp_path: Path) -> None:
    """RFC 7946, section 3.1.1: longitude and latitude, in that order."""
    export_register(filled, tmp_path / "sites", "geojson")
    made = json.loads((tmp_path / "sites" / "sites.geojson").read_text())
    with Register.open(filled, read_only=True) as register:
        sites = {r["site_id"]: r for r in register.rows("sites")}
    for feature in made["features"]:
        row = sites[feature["id"]]
        assert feature["geometry"]["coordinates"] == [row["longitude"], row["latitude"]]


@given(
    st.floats(-70, 70),
    st.floats(-179, 179),
    st.floats(1, 100),
    st.floats(0, 1),
    st.floats(0, 1),
)
def test_blurred__a_cell_has_one_answer_within_the_reach_said(latitude, longitude, grid, up, along) -> None:
    """Great-circle distance by the haversine formula (Sinnott 1984, from memory) bounds the uncertainty."""
    a, b, reach = blurred(latitude, longitude, grid)
    assert distance_m(latitude, longitude, a, b) <= reach * 1.01 + 2
    inside = (a + (up - 0.5) * 0.9 * grid / KM_PER_DEGREE, b)
    assert blurred(*inside, grid)[0] == pytest.approx(a, abs=1e-4)


def distance_m(a: float, b: float, c: float, d: float) -> float:
    p, q = math.radians(a), math.radians(c)
    h = math.sin((q - p) / 2) ** 2 + math.cos(p) * math.cos(q) * math.sin(math.radians(d - b) / 2) ** 2
    return 2 * 6_378_137.0 * math.asin(math.sqrt(min(1.0, h)))


def test_export__refuses_a_folder_that_holds_something(filled: Path, tmp_path: Path) -> None:
    (tmp_path / "x").write_text("y")
    with pytest.raises(UsageError, match="found a folder that holds files"):
        export_register(filled, tmp_path)


def test_export__package_without_coordinates_blurs_them(filled: Path, tmp_path: Path) -> None:
    export_register(filled, tmp_path / "package", grid_km=50)
    with Register.open(filled, read_only=True) as register:
        sites = register.rows("sites")
    made = rows_of(tmp_path / "package" / "sites.csv")
    assert all(m["name"] == s["site_id"] for m, s in zip(made, sites, strict=True))
    moved = np.array([float(m["latitude"]) for m in made]) - np.array([s["latitude"] for s in sites])
    assert np.abs(moved).max() <= 25 / KM_PER_DEGREE + 1e-4
    assert np.abs(moved).max() > 0
