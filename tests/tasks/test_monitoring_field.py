"""Quota, drawdown, renovations, power and trial from the records; statements on bad input at the command line."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from broodstock.errors import UsageError
from planner.tasks.abundance import abundance_report
from planner.tasks.drawdown import drawdown_report, write_drawdown
from planner.tasks.power_formulas import (
    caught_for_numbers,
    chapman_cv,
    fish_for_heterozygosity,
    hours_for_survival,
    larvae_for_breeders,
    power_for_heterozygosity,
    released_for_survival,
)
from planner.tasks.programme import Programme, open_programme
from planner.tasks.quota import quota_report
from planner.tasks.renovations import renovation_report
from planner.tasks.trial import trial_report


@pytest.fixture
def folder(tiny_folder: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(tiny_folder, tmp_path / "records"))


def kinshoal(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "planner.cli", *words], capture_output=True, text=True, check=False
    )


def test_quota__tallies_and_lights(folder: Path) -> None:
    (folder / "larval_quotas.csv").write_text(
        "year_class,zone,week_from,number\n2024,Dam Pool,2024-03-25,40\n2024,Upper Narrows,2024-03-25,5\n"
    )
    programme = open_programme(folder)
    report = quota_report(programme)
    takes = programme.tables["larval_takes"]
    assert report.total == takes.loc[takes["year_class"] == 2024, "number"].sum()
    assert sum(c.taken for c in report.cells) == report.total
    cells = {(c.zone, c.week_from.isoformat()): c for c in report.cells}
    assert cells["Dam Pool", "2024-03-25"].light == "amber"
    assert cells["Dam Pool", "2024-03-25"].why == "35 below the quota"
    assert cells["Upper Narrows", "2024-03-25"].why == "quota met"
    assert any("Over-represented: the zone Broad Basin" in n for n in report.notes)
    assert any("8 above the limit" in n for n in report.notes)


DRAWDOWN = """drawdown_id,version,site_id,counted_on,expected,alive,dead,without_tag,retagged,young,intruders,counted_by
D24,report A,QL,2024-10-18,88,83,4,4,,296,12,crew
D24,report B,QL,2024-10-18,88,82,5,,2,296,12,office
"""
FISH = """drawdown_id,number,site_id,handled_on,kind,tag,new_tag,fate,total_length_mm,species
D24,1,QL,2024-10-18,adult,999009000010010,,alive,520,
D24,2,QL,2024-10-18,adult,,999009000010039,alive,500,
D24,3,QL,2024-10-18,young,,,alive,120,
D24,4,QL,2024-10-18,intruder,,,dead,200,bass
"""


def test_drawdown__keeps_both_versions_and_says_where_they_differ(folder: Path, tmp_path: Path) -> None:
    (folder / "drawdown_counts.csv").write_text(DRAWDOWN)
    (folder / "drawdown_fish.csv").write_text(FISH)
    programme = open_programme(folder, with_scans=True)
    found = drawdown_report(programme, "QL")
    assert list(found.versions["version"]) == ["report A", "report B"]
    text = " ".join(found.differences)
    assert "Alive: report A says 83, report B says 82, ticked off says 2. All versions are kept." in text
    assert "Version report A: 88 expected, 83 alive, 4 dead: 1 not accounted for." in text
    assert found.tally["young"] == found.tally["intruders"] == found.tally["retagged"] == 1
    assert int(found.expected["found"].sum()) == 1
    paths = write_drawdown(programme, found, tmp_path / "out")
    page = paths[0].read_text()
    assert "Expected: tick off every tag read" in page
    assert "report B says 82" in page
    assert paths[1].read_bytes().startswith(b"%PDF")


def test_drawdown__unknown_water(tiny: Programme) -> None:
    with pytest.raises(UsageError, match=r"SITE: found 'XX'\. Expected one of GW, BB"):
        drawdown_report(tiny, "XX")


def test_renovations__due_and_planned(folder: Path) -> None:
    (folder / "renovations.csv").write_text(
        "renovation_id,site_id,from_date,kind\nR1,SV,2025-01-10,drained\nR2,NP,2024-09-01,fish-removal\n"
    )
    report = renovation_report(open_programme(folder, with_calls=False))
    state = {r["site_id"]: r for r in report.rows}
    assert state["SV"]["state"] == "planned"
    assert state["NP"]["why"] == "not yet found free of other fish"
    assert "survey first" in state["QL"]["why"]


def test_power__equals_statsmodels() -> None:
    power = pytest.importorskip("statsmodels.stats.power")
    proportion = pytest.importorskip("statsmodels.stats.proportion")
    need = released_for_survival(0.3, 0.4, 1.0).number
    effect = proportion.proportion_effectsize(0.3, 0.4)
    other = power.NormalIndPower().solve_power(abs(effect), alpha=0.05, power=0.8)
    assert need == pytest.approx(other, rel=0.02)


def test_power__needs_grow_with_smaller_changes_and_say_when_nothing_is_enough() -> None:
    assert caught_for_numbers(1700, -0.3).number > caught_for_numbers(1700, -0.6).number
    assert larvae_for_breeders(50, -0.3, 100).number > larvae_for_breeders(50, -0.6, 100).number
    assert "too few however many larvae" in larvae_for_breeders(50, -0.1, 5).note
    assert "even if every survivor were met" in hours_for_survival(0.1, 0.12, 50, 1000, 0.2).note
    rng = np.random.default_rng(1)
    marked = rng.hypergeometric(200, 800, 200, 20000)
    numbers = 201 * 201 / (marked + 1) - 1
    assert chapman_cv(1000, 200, 200) == pytest.approx(numbers.std() / numbers.mean(), rel=0.05)


def test_power__heterozygosity_has_its_level_and_power() -> None:
    rng = np.random.default_rng(2)
    p = rng.uniform(0.1, 0.9, 100)
    level, error = power_for_heterozygosity(p, 0.0, 30, rng)
    assert level < 0.025 + 4 * error
    assert fish_for_heterozygosity(p, 0.3, rng).number is not None


def test_trial__reports_bias_of_unlike_fish(tiny: Programme) -> None:
    report = trial_report(tiny, 40, ("abundance",))
    alike, unlike = report.rows
    assert abs(alike.mean / alike.truth - 1) < 0.2
    assert unlike.mean < 0.85 * unlike.truth
    with pytest.raises(UsageError, match="5 or more"):
        trial_report(tiny, 2)


def test_abundance__one_visit_no_recapture_and_all_recaptured(folder: Path) -> None:
    head = "capture_id,captured_on,site_id,tag,effort_h\n"

    def report(lines: list[str], hours: str = "10"):
        (folder / "captures.csv").write_text(
            head + "".join(f"C{k},{x},{hours}\n" for k, x in enumerate(lines))
        )
        return abundance_report(open_programme(folder, with_calls=False), "GW")

    tags = [f"99900900001000{k}" for k in range(4, 8)]
    first = [f"2024-03-01,GW,{t}" for t in tags]
    one = report(first)
    assert "one visit only" in dict(one.estimates)["Chapman"].reason
    none = report([*first[:2], *(f"2024-03-20,GW,{t}" for t in tags[2:])])
    assert not dict(none.estimates)["Chapman"].estimable
    assert any("only a lower limit" in s for s in none.statements)
    every = report([*first, *(f"2024-03-20,GW,{t}" for t in tags)])
    assert dict(every.estimates)["Chapman"].value == pytest.approx(4)
    assert any("Every fish of the second visit" in s for s in every.statements)
    zero = report([*first, *(f"2024-03-20,GW,{t}" for t in tags)], "0")
    assert "no effort" in dict(zero.estimates)["Chapman"].reason


def test_survival__no_recaptures_and_no_effort_at_the_command_line(folder: Path) -> None:
    head = (folder / "captures.csv").read_text().splitlines()[0]
    (folder / "captures.csv").write_text(head + "\n")
    (folder / "scans.csv").unlink()
    done = kinshoal("survival", str(folder))
    assert done.returncode == 0, done.stderr
    assert "none of 14 fish was met a year or more after release" in done.stdout
    (folder / "deployments.csv").unlink()
    done = kinshoal("survival", str(folder))
    assert "without effort nobody can be met" in done.stdout
    assert "NaN" not in done.stdout
    assert kinshoal("feedback", str(folder)).stdout.startswith("No new values.")
