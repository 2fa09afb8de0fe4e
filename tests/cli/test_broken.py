"""Every broken example gives its finding through the command line's use case, and ends with exit code 3."""

from __future__ import annotations

import csv
import json
import shutil
import subprocess
import sys
from collections import defaultdict
from pathlib import Path

import pytest

from broodstock.checks.run import CHECKS
from broodstock.errors import InputError
from broodstock.findings_catalogue import CATALOGUE
from planner.tasks.check import check_folder
from planner.tasks.programme import open_programme

ROOT = Path(__file__).resolve().parents[2]
BROKEN = ROOT / "data_examples" / "broken"
TODAY = "2024-10-20"
"""Day the broken examples are read for."""

EXPECTED: dict[str, list[dict[str, str]]] = defaultdict(list)
with (BROKEN / "expected.csv").open(encoding="utf-8", newline="") as handle:
    for line in csv.DictReader(handle):
        EXPECTED[line["file"].split("/")[0]].append(line)


def as_folder(name: str, folder: Path) -> Path:
    """Put one example where a user would have it: a whole folder, or one table of a folder."""
    source = BROKEN / name
    if source.is_dir():
        shutil.copytree(source, folder)
        return folder
    table = EXPECTED[name][0]["table"]
    ending = "".join(source.suffixes)
    if table == "genotypes":
        place = folder / "genotypes" / ("snps" if ending.startswith(".vcf") else "microsatellites")
    else:
        place = folder / table
    place.parent.mkdir(parents=True)
    shutil.copy(source, place.with_name(place.name + ending))
    return folder


@pytest.mark.parametrize("name", EXPECTED)
def test_broken_example__gives_its_finding(name: str, tmp_path: Path) -> None:
    report = check_folder(as_folder(name, tmp_path / "records"), today=TODAY)
    found = {f.code for f in report.findings}
    assert {e["code"] for e in EXPECTED[name]} <= found
    assert report.has_doubts or all(f.level == "note" for f in report.findings if f.code in found)


OF_HARD_CHECKS = {
    code
    for check in CHECKS
    if any("error" in CATALOGUE[code].levels for code in check.codes)
    for code in check.codes
}


@pytest.mark.parametrize(
    "name",
    [n for n in EXPECTED if (BROKEN / n).is_dir() and {e["code"] for e in EXPECTED[n]} & OF_HARD_CHECKS],
)
def test_broken_example__on_the_release_day_a_hard_fault_stops_all_the_same(
    name: str, tmp_path: Path
) -> None:
    # Fewer checks run there; what stops, and all that is told then, must be the same.
    folder = as_folder(name, tmp_path / "records")
    whole: list[str] = []
    said: list[str] = []
    for found, with_warnings in ((whole, True), (said, False)):
        try:
            open_programme(folder, {"today": TODAY}, with_warnings=with_warnings)
        except InputError as error:
            found += [f.text() for f in error.findings]
    assert said == whole
    if all(CATALOGUE[e["code"]].levels == ("error",) for e in EXPECTED[name]):
        assert said


@pytest.mark.parametrize(
    "name", ["duplicate-key.csv", "pedigree-loop", "impossible-date.csv", "encoding-mixed.csv"]
)
def test_broken_example__ends_with_exit_code_3_and_writes_nothing(name: str, tmp_path: Path) -> None:
    folder = as_folder(name, tmp_path / "records")
    before = sorted(p for p in folder.rglob("*"))
    words = ["check", str(folder), "--today", TODAY, "--strict", "--json"]
    done = subprocess.run(
        [sys.executable, "-m", "planner.cli", *words], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert done.returncode == 3, done.stderr
    codes = {f["code"] for f in json.loads(done.stdout)["findings"]}
    assert {e["code"] for e in EXPECTED[name]} <= codes
    assert sorted(p for p in folder.rglob("*")) == before
