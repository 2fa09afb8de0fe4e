"""Files: the same seed gives the same bytes, and the examples that are shipped are what the generator makes."""

from __future__ import annotations

import gzip
import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from broodstock.errors import UsageError
from broodstock.intake.folder import read_folder
from broodstock.intake.vcf import vcf_text
from broodstock.intake.write import table_bytes
from planner.demo.make import demo_in_memory, make_demo
from planner.demo.scale import TINY
from planner.demo.scans import contacts_csv


def contents(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def test_make_demo__same_seed_gives_the_same_bytes(tiny_report, tmp_path):
    again = make_demo(tmp_path / "again", "tiny")
    assert contents(again.folder) == contents(tiny_report.folder)


def test_make_demo__another_seed_gives_another_programme(tiny_report, tmp_path):
    other = make_demo(tmp_path / "other", "tiny", seed=7)
    a, b = contents(tiny_report.folder), contents(other.folder)
    assert set(a) == set(b)
    for name in ("fish.csv", "captures.csv", "stock.csv", "genotypes/snps.vcf", "truth/parents.csv"):
        assert a[name] != b[name], name


def test_make_demo__other_parts_do_not_depend_on_scans(tiny_report, tmp_path):
    without = make_demo(tmp_path / "without", "tiny", with_scans=False)
    a, b = contents(tiny_report.folder), contents(without.folder)
    assert set(a) - set(b) == {"scans.csv"}
    differ = {name for name in b if a[name] != b[name]}
    # Only the list of files and the place of the marker tag in the scans.
    assert differ <= {"datapackage.json", "truth/planted.csv"}


def test_make_demo__report_says_what_was_made(tiny_report):
    words = tiny_report.text()
    assert "everything in it is invented" in words
    assert f"{tiny_report.rows['fish']} fish" in words
    assert tiny_report.samples == 60
    assert set(tiny_report.files) == set(contents(tiny_report.folder))
    assert tiny_report.planned_breeders == TINY.nb_planned
    assert 3 < tiny_report.true_breeders < 8


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"size": "huge"}, r"demo, size: found 'huge'\. Expected 'full' or 'tiny'"),
        ({"seed": -1}, r"demo, seed: found -1\. Expected a whole number of 0 or more"),
        ({"seed": True}, r"demo, seed: found True"),
    ],
)
def test_make_demo__raises_on_wrong_arguments(arguments, message, tmp_path):
    with pytest.raises(UsageError, match=message):
        make_demo(tmp_path / "new", **arguments)


def test_make_demo__leaves_a_folder_with_files_alone(tmp_path):
    (tmp_path / "mine.txt").write_text("keep", encoding="utf-8")
    with pytest.raises(UsageError, match=r"found files there\. Expected an empty or new folder"):
        make_demo(tmp_path, "tiny")
    assert [p.name for p in tmp_path.iterdir()] == ["mine.txt"]


@pytest.mark.parametrize("seed", range(3))
def test_demo__any_seed_works(seed):
    demo, _, _, planted = demo_in_memory("tiny", seed)
    assert {p.number for p in planted} == set(TINY.planted)
    assert len(demo.tables["captures"]) == 40


def test_examples__tiny_is_what_the_generator_makes(tiny_report, examples):
    assert contents(examples / "tiny") == contents(tiny_report.folder)


def test_examples__medium_is_the_full_programme(full, examples):
    """Tables and calls of the shipped medium set, unpacked, equal those made anew in memory."""
    demo, truth, _, _ = full
    folder = examples / "medium"
    for name, frame in demo.tables.items():
        assert gzip.decompress((folder / f"{name}.csv.gz").read_bytes()) == table_bytes(frame, name), name
    shipped = gzip.decompress((folder / "genotypes" / "snps.vcf.gz").read_bytes())
    assert shipped == vcf_text(demo.snps).encode()
    for name in ("released", "breeders", "planted"):
        made = truth[name].to_csv(index=False, lineterminator="\n").encode()
        assert gzip.decompress((folder / "truth" / f"{name}.csv.gz").read_bytes()) == made, name


def test_examples__stay_small(examples):
    size = {name: sum(map(len, contents(examples / name).values())) for name in ("tiny", "medium")}
    assert size["medium"] < 10_000_000
    assert size["tiny"] < 600_000
    assert not (examples / "medium" / "scans.csv.gz").exists()


def test_examples__are_read_without_faults(examples):
    found = read_folder(examples / "tiny")
    assert [f.text() for f in found.findings if f.level == "error"] == []
    assert set(found.genotypes) == {"snps", "microsatellites"}
    assert len(found.tables["scans"]) == 2000


def test_scans__csv_says_the_same_as_the_arrays(tiny):
    demo = tiny[0]
    lines = contacts_csv(demo.contacts, demo.spells).decode().splitlines()
    assert lines[0] == "deployment_id,scanned_at,tag"
    assert len(lines) == len(demo.contacts) + 1
    for k in (0, 1, 777, len(demo.contacts) - 1):
        name, when, tag = lines[k + 1].split(",")
        assert name == demo.spells.name[demo.contacts.deployment[k]]
        assert tag == demo.contacts.codes[demo.contacts.tag[k]]
        assert np.datetime64(when, "s").astype(np.int64) == demo.contacts.second[k]


def test_sites_geojson__lies_in_the_open_atlantic(examples):
    features = json.loads((examples / "tiny" / "sites.geojson").read_text(encoding="utf-8"))["features"]
    sites = pd.read_csv(examples / "tiny" / "sites.csv")
    assert [f["properties"]["site_id"] for f in features] == sites["site_id"].tolist()
    for f in features:
        lon, lat = f["geometry"]["coordinates"]
        assert -40 < lon < -30
        assert 25 < lat < 30
