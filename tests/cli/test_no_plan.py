"""Days for which no plan can exist, from the command line: the conflict named, exit code 4, one JSON object."""

from __future__ import annotations

import csv
import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from planner.cli.main import main

TINY = Path(__file__).resolve().parents[2] / "data_examples" / "tiny"
GONE = {"status": "dead", "status_on": "2024-10-18", "unit": ""}

Row = dict[str, str]
Change = Callable[[Row], Row | None]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Return a copy of the tiny demo that a test may spoil."""
    return Path(shutil.copytree(TINY, tmp_path / "records"))


def spoil(folder: Path, table: str, change: Change) -> None:
    """Change every row of a table; a row that becomes None is left out."""
    path = folder / f"{table}.csv"
    with path.open(encoding="utf-8", newline="") as handle:
        reader = csv.DictReader(handle)
        head = list(reader.fieldnames or ())
        rows = [new for row in reader if (new := change(row)) is not None]
    with path.open("w", encoding="utf-8", newline="") as handle:
        writer = csv.DictWriter(handle, head)
        writer.writeheader()
        writer.writerows(rows)


def without_broodfish(folder: Path, *sexes: str) -> None:
    """Let every broodfish of some sexes be dead, and the store of frozen milt be empty."""
    spoil(folder, "fish", lambda r: r | (GONE if r["status"] == "brood" and r["sex"] in sexes else {}))
    spoil(folder, "frozen_milt", lambda r: r | {"straws": "0"})


def answer(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, dict[str, Any]]:
    """Run a command with --json; return the exit code and the one object on standard output."""
    with pytest.raises(SystemExit) as ended:
        main([*words, "--json"])
    out = capsys.readouterr().out
    value = json.loads(out)  # fails unless there is exactly one JSON value
    assert isinstance(value, dict)
    assert isinstance(ended.value.code, int)
    return ended.value.code, value


def refusal(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    """Run a command that must end without a plan; return what it says."""
    code, value = answer(capsys, *words)
    assert code == 4, value
    assert value["error"]["code"] == "no-plan"
    message: str = value["error"]["message"]
    return message


def test_spawn__no_fish_at_all(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    without_broodfish(folder, "female", "male")
    said = refusal(capsys, "spawn", str(folder))
    assert "found 0 females and 0 males that may be crossed" in said
    assert "8 new dishes wanted. [crosses_wanted]" in said
    assert "No female may be crossed. [both-sexes]" in said
    assert "No male may be crossed. [both-sexes]" in said
    assert "would help: Bring in a ripe female" in said


def test_spawn__females_only(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    without_broodfish(folder, "male")
    said = refusal(capsys, "spawn", str(folder))
    assert "found 4 females and 0 males" in said
    assert "No male may be crossed. [both-sexes]" in said
    assert "M-02 (frozen milt): 0 straws left, one dish takes 5" in said
    assert "No female" not in said


def test_spawn__males_only_names_why_each_female_is_out(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    ripe = ("F-03", "F-04", "F-06", "F-07", "F-08", "F-09")
    told = [word for fish in ripe for word in ("--not-ripe", fish)]
    said = refusal(capsys, "spawn", str(folder), *told)
    assert "found 0 females and" in said
    assert "F-03, F-04" in said
    assert "not ripe this morning" in said
    assert "F-09: on hold: health" in said
    assert "would help: Free one female of those named above" in said


def test_spawn__all_pairs_too_related_tells_the_limit_that_would_do(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    def full_sibs(row: Row) -> Row:
        if row["status"] != "brood":
            return row
        if row["origin"] != "hatchery":
            return row | GONE
        return row | {"dam": "F-02", "sire": "M-03", "family": "H19-006"}

    spoil(folder, "fish", full_sibs)
    spoil(folder, "parent_claims", lambda r: None)
    spoil(folder, "frozen_milt", lambda r: r | {"straws": "0"})
    asked = ("crosses_wanted=2", "males_per_female_min=1", "pair_kinship_limit=0")
    said = refusal(capsys, "spawn", str(folder), *(w for a in asked for w in ("--set", a)))
    assert "[pair-kinship]" in said
    # Kinship of full sibs from unrelated parents is one quarter (Falconer & Mackay 1996, Introduction to
    # Quantitative Genetics, table 9.1).
    assert "would help: Raise the pair limit from 0 to 0.25." in said


def test_spawn__more_crosses_than_cells(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    said = refusal(capsys, "spawn", str(folder), "--set", "crosses_wanted=30", "--set", "cells=12")
    assert "[crosses_wanted]" in said
    assert "[cells]" in said
    assert "would help: Lower crosses_wanted to 12." in said
    assert "would help: Free 18 more cells." in said


def test_spawn__fewest_males_above_most(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    asked = ("males_per_female_min=4", "males_per_female_max=2")
    said = refusal(capsys, "spawn", str(folder), *(w for a in asked for w in ("--set", a)))
    assert "[males_per_female_min]" in said
    assert "[males_per_female_max]" in said
    assert "would help: Lower males_per_female_min to 2." in said
    assert "would help: Raise males_per_female_max to 4." in said


def test_spawn__more_mates_than_uses(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    asked = ("males_per_female_min=4", "female_uses_max=2")
    said = refusal(capsys, "spawn", str(folder), *(w for a in asked for w in ("--set", a)))
    assert "[most-uses]" in said
    assert "[males-per-female]" in said
    assert "would help: Accept 2 males per female instead of at least 4." in said


def test_replan__no_cell_left(folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    plan = str(tmp_path / "plan")
    assert answer(capsys, "spawn", str(folder), "--out", plan)[0] == 0
    said = refusal(capsys, "replan", str(folder), plan, "--cells", "0")
    assert "0 cells free. [cells]" in said
    assert "would help: Free 1 cell." in said


def test_replan__no_female_ripe(folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    plan = str(tmp_path / "plan")
    assert answer(capsys, "spawn", str(folder), "--out", plan)[0] == 0
    females = ("F-03", "F-04", "F-07", "F-08")
    said = refusal(
        capsys, "replan", str(folder), plan, *(w for fish in females for w in ("--not-ripe", fish))
    )
    assert "0 of 4 females and 6 of 6 males are ripe. [ripe]" in said
    assert "would help: Wait for or find ripe F-03, F-04, F-07, F-08 (8 dishes)." in said
    assert "would help: Lay no new dish instead of 8" in said


LOOK_AHEAD = [
    ("season", ("--days", "2025-02-14,2025-02-21")),
    ("rehearse", ("--times", "20")),
    ("designs", ()),
]


@pytest.mark.parametrize(("command", "asked"), LOOK_AHEAD)
@pytest.mark.parametrize("missing", ["female", "male"])
def test_look_ahead__one_sex_only(
    missing: str, command: str, asked: tuple[str, ...], folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    without_broodfish(folder, missing)
    said = refusal(capsys, command, str(folder), *asked)
    other = "male" if missing == "female" else "female"
    assert f"found 0 {missing}s and" in said or f"and 0 {missing}s that may be crossed" in said
    assert f"No {missing} may be crossed. [both-sexes]" in said
    assert f"No {other} may be crossed" not in said
    assert "8 new dishes wanted. [crosses_wanted]" in said
    assert f"would help: Bring in a ripe {missing}" in said or "M-02 (frozen milt): 0 straws left" in said
    assert "would help: Choose other days." in said


@pytest.mark.parametrize(("command", "asked"), LOOK_AHEAD)
def test_look_ahead__no_fish_at_all(
    command: str, asked: tuple[str, ...], folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    without_broodfish(folder, "female", "male")
    said = refusal(capsys, command, str(folder), *asked)
    assert "No female may be crossed. [both-sexes]" in said
    assert "No male may be crossed. [both-sexes]" in said


def test_season__no_fish_with_a_fair_chance_names_chance_and_setting(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    asked = ("--days", "2025-02-14", "--set", "season_least_chance=0.99")
    said = refusal(capsys, "season", str(folder), *asked)
    assert "No female may be crossed. [both-sexes]" in said
    assert "at most on 14 Feb 2025, season_least_chance is 0.99 (ripening on 14 Oct 2024)" in said
    assert "F-09: on hold: health" in said
    assert "would help: Lower season_least_chance from 0.99:" in said


def test_release__no_room_anywhere(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    spoil(folder, "sites", lambda r: r | {"capacity_fish": "0", "capacity_kg": "0"})
    said = refusal(capsys, "release", str(folder))
    assert "[capacity-" in said
    assert "[wanted]" in said
    assert "The smallest changes that would help" in said
    assert "raise the capacity of site 'Lake: Glasswater' by 6 fish [capacity-fish]" in said


def test_release__no_fish_in_stock(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    spoil(folder, "stock", lambda r: None)
    spoil(folder, "samples", lambda r: r | {"stock_id": ""})
    said = refusal(capsys, "release", str(folder))
    assert "found 0 fish in stock.csv and 5 sites in sites.csv" in said
    assert "would help: Enter one fish at least in stock.csv" in said


def test_release__least_share_of_females_above_largest(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    asked = ("female_share_min=0.8", "female_share_max=0.2")
    said = refusal(capsys, "release", str(folder), *(w for a in asked for w in ("--set", a)))
    assert "[female_share_min]" in said
    assert "[female_share_max]" in said
    assert "would help: Lower female_share_min to 0.2." in said


def test_release__more_fish_than_there_are(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    said = refusal(capsys, "release", str(folder), "--set", "release_wanted=9999")
    assert "at least 9999 fish sent" in said
    assert "lower the fewest fish of the release by" in said


@pytest.mark.parametrize("command", ["spawn", "release"])
def test_negative_stock__ends_with_exit_code_3_and_every_place(
    command: str, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    spoil(folder, "stock", lambda r: r | ({"weight_g": "-70"} if r["stock_id"] == "Y24-0002" else {}))
    spoil(folder, "sites", lambda r: r | ({"capacity_fish": "-5"} if r["site_id"] == "GW" else {}))
    spoil(folder, "frozen_milt", lambda r: r | ({"straws": "-8"} if r["fish_id"] == "M-02" else {}))
    code, value = answer(capsys, command, str(folder))
    assert code == 3
    stops = [f for f in value["error"]["findings"] if f["level"] == "error"]
    assert {tuple(f["where"][k] for k in ("file", "row", "column")) for f in stops} == {
        ("stock.csv", 3, "weight_g"),
        ("sites.csv", 2, "capacity_fish"),
        ("frozen_milt.csv", 2, "straws"),
    }
    assert {f["code"] for f in stops} == {"negative-number"}


@pytest.mark.parametrize(
    ("command", "setting"),
    [("spawn", "crosses_wanted=-1"), ("spawn", "cells=-3"), ("release", "release_wanted=-4")],
)
def test_negative_setting__ends_with_exit_code_2_and_its_name(
    command: str, setting: str, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, value = answer(capsys, command, str(folder), "--set", setting)
    name, number = setting.split("=")
    assert code == 2
    assert f"setting {name}: found {number!r}. Expected a" in value["error"]["message"]
