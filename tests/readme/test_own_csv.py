"""From a user's own list of fish to a printed spawning sheet, played as the README tells it."""

from __future__ import annotations

import csv
import datetime as dt
import json
import re
import shlex
from pathlib import Path

import pytest

from broodstock.errors import UsageError
from planner.store.mapping import iso_date, values_of
from planner.store.register import Register
from planner.tasks.candidates import candidates_on
from planner.tasks.programme import open_programme
from planner.tasks.register_mappings import saved_mapping
from planner.tasks.register_state import import_into, new_register
from planner.tasks.spawning_data import day_of_plan
from tests.readme.test_readme import TEXT, run

SECTION = TEXT.split("## From your own CSV to a spawning sheet", 1)[1].split("\n## ", 1)[0]
LEAST = "fish_id,sex,origin,status,dam,sire\n"


def test_own_csv__least_table_of_the_readme_gives_a_sheet(tmp_path: Path) -> None:
    table, command = re.findall(r"```\w+\n(.*?)```", SECTION, re.S)[:2]
    (tmp_path / "my-records").mkdir()
    (tmp_path / "my-records" / "fish.csv").write_text(table, encoding="utf-8")
    done = run(shlex.split(command.strip())[1:], tmp_path)
    assert done.returncode == 0, done.stderr
    sheet = tmp_path / "sheets" / "spawning_sheet.pdf"
    assert sheet.read_bytes().startswith(b"%PDF")
    crosses = (tmp_path / "sheets" / "spawning_crosses.csv").read_text(encoding="utf-8")
    made = list(csv.DictReader(crosses.splitlines()))
    known = {r["fish_id"]: r for r in csv.DictReader(table.splitlines())}
    assert len(made) == 6
    for cross in made:
        dam, sire = known[cross["dam"]], known[cross["sire"]]
        assert (dam["sex"], sire["sex"]) == ("female", "male")
        # No pair of the plan is parent and offspring or full sibs: kinship 1/4, above the limit of 1/16.
        assert dam["fish_id"] not in (sire["dam"], sire["sire"])
        assert sire["fish_id"] not in (dam["dam"], dam["sire"])
        assert not (dam["dam"] and (dam["dam"], dam["sire"]) == (sire["dam"], sire["sire"]))
    html = (tmp_path / "sheets" / "spawning_sheet.html").read_text(encoding="utf-8")
    assert ">frozen<" not in html
    assert "taken as ripe; not looked at this season" in html


def test_own_csv__foreign_list_of_the_readme_gives_a_sheet(tmp_path: Path) -> None:
    _, _, table, commands = re.findall(r"```\w+\n(.*?)```", SECTION, re.S)[:4]
    (tmp_path / "our list.csv").write_text(table, encoding="utf-8")
    lines = commands.replace("\\\n", " ").strip().splitlines()
    assert len(lines) == 3
    for line in lines:
        done = run(shlex.split(line)[1:], tmp_path)
        assert done.returncode == 0, f"{line}\n{done.stdout}\n{done.stderr}"
    assert (tmp_path / "our-sheets" / "spawning_sheet.pdf").read_bytes().startswith(b"%PDF")
    with Register.open(tmp_path / "mine.kinshoal", read_only=True) as register:
        first = next(iter(csv.DictReader(table.splitlines())))
        row = register.get("fish", first["Fish No."])
        # 1 inch is 25.4 mm by definition.
        assert row["total_length_mm"] == pytest.approx(float(first["TL (in)"]) * 25.4)
        assert (row["sex"], row["status"]) == ("female", "brood")
        day, month, year = first["In care since"].split("/")
        assert row["entered_on"] == f"{year}-{month}-{day}"
        kept = saved_mapping(register, "ours")
    assert kept.values["sex"] == {"F": "female", "M": "male"}
    assert (kept.fill, kept.dates) == ({"status": "brood"}, "day-first")


def test_own_csv__without_a_look_the_refusal_says_what_to_do(tmp_path: Path) -> None:
    (tmp_path / "fish.csv").write_text(LEAST + "A,female,unknown,brood,,\nB,male,unknown,brood,,\n", "utf-8")
    done = run(["spawn", ".", "--day", "2026-02-10"], tmp_path)
    assert done.returncode == 4
    assert "--also-ripe all takes every fish that nobody has looked at as ripe" in done.stderr
    many = run(["spawn", ".", "--day", "2026-02-10", "--also-ripe", "all"], tmp_path)
    assert many.returncode == 4
    assert "--set crosses_wanted=NUMBER" in many.stderr


def test_own_csv__a_fish_seen_not_ripe_stays_out(tmp_path: Path) -> None:
    (tmp_path / "fish.csv").write_text(LEAST + "A,female,unknown,brood,,\nB,male,unknown,brood,,\n", "utf-8")
    looked = "fish_id,checked_on,state\nA,2026-02-09,not-ripe\n"
    (tmp_path / "ripeness.csv").write_text(looked, "utf-8")
    judged = {
        c.fish_id: c for c in candidates_on(open_programme(tmp_path), dt.date(2026, 2, 10), (), ["all"])
    }
    assert not judged["A"].may_cross
    assert judged["A"].why_not.startswith("not ripe: not-ripe on 09 Feb 2026")
    assert judged["B"].may_cross


def test_own_csv__the_day_is_asked_for_or_named(tmp_path: Path) -> None:
    (tmp_path / "fish.csv").write_text(LEAST + "A,female,unknown,brood,,\n", "utf-8")
    with pytest.raises(UsageError, match="found no day, neither given nor in the records"):
        day_of_plan(open_programme(tmp_path), None)
    given = dt.date(2026, 2, 10)
    assert day_of_plan(open_programme(tmp_path), given) == (given, [])
    (tmp_path / "fish.csv").write_text(
        "fish_id,sex,origin,status,entered_on\nA,female,unknown,brood,2024-03-01\n", "utf-8"
    )
    day, notes = day_of_plan(open_programme(tmp_path), None)
    assert day == dt.date(2024, 3, 1)
    assert "the last day in the records" in notes[0]


@pytest.mark.parametrize(
    ("cell", "order", "expected"),
    [
        ("14/03/2018", "day-first", "2018-03-14"),
        ("3.4.2018", "day-first", "2018-04-03"),
        ("3-4-2018", "month-first", "2018-03-04"),
        ("14/03/2018", "month-first", "14/03/2018"),
        ("31/02/2018", "day-first", "31/02/2018"),
        ("2018-03-14", "day-first", "2018-03-14"),
        ("14/03/18", "day-first", "14/03/18"),
    ],
)
def test_iso_date__only_what_was_declared_and_exists(cell: str, order: str, expected: str) -> None:
    assert iso_date(cell, order) == expected


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"words": ["sex=F"]}, "--word: found 'sex=F'. Expected COLUMN:THEIRS=OURS"),
        ({"words": ["sex:F=woman"]}, "--word sex: found 'woman'. Expected one of female, male, unknown"),
        ({"fill": ["nothing=1"]}, "--fill nothing: found no column 'nothing'"),
        ({"dates": "backwards"}, "--dates: found 'backwards'. Expected day-first or month-first"),
    ],
)
def test_declared__what_fits_nothing_is_refused(tmp_path: Path, options: dict, words: str) -> None:
    new_register(tmp_path / "r.kinshoal")
    (tmp_path / "fish.csv").write_text("fish_id\nA\n", "utf-8")
    with pytest.raises(UsageError, match=re.escape(words)):
        import_into(tmp_path / "r.kinshoal", tmp_path / "fish.csv", who="", **options)


def test_values_of__a_word_may_hold_an_equals_sign() -> None:
    assert values_of(["sex:a=b=female", "sex:M=male"]) == {"sex": {"a=b": "female", "M": "male"}}


def test_own_csv__what_is_seen_is_said(tmp_path: Path) -> None:
    new_register(tmp_path / "r.kinshoal")
    (tmp_path / "fish.csv").write_text("fish_id,sex,entered_on\nA,F,01/02/2020\n", "utf-8")
    report = import_into(
        tmp_path / "r.kinshoal",
        tmp_path / "fish.csv",
        who="",
        words=["sex:F=female"],
        fill=["origin=unknown", "status=brood"],
        dates="day-first",
    )
    assert report.plan.refused == 0, json.dumps([f.text() for f in report.plan.findings])
    said = " ".join(report.plan.incoming.said)
    assert "fish.sex: 1 word(s) of the file put into ours" in said
    assert "fish.entered_on: 1 date(s) read as day-first" in said
    assert "fish.status: 1 empty cell(s) taken as brood, as declared" in said
