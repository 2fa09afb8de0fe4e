"""Reports are kept for the records, plans and questions they were made from, with every row in a file."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pandas as pd
import pytest

from broodstock.errors import UsageError
from planner.tasks import jobs_reports
from planner.tasks.jobs_reports import Told, kept, key_of, newest, report, told
from planner.tasks.programme import Programme
from planner.tasks.report_choices import CHOICES
from planner.tasks.workplace import Workplace

TINY = Path(__file__).parents[2] / "data_examples" / "tiny"


@pytest.fixture
def workplace(tmp_path: Path) -> Workplace:
    shutil.copytree(TINY, tmp_path / "records")
    return Workplace(str(tmp_path / "records"), tmp_path / "work")


def silent(words: str) -> None:
    assert words


def test_told__cuts_the_page_never_the_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(jobs_reports, "MOST_ROWS", 3)
    rows = [[str(k), f"{k} (1 to 2)"] for k in range(10)]
    shown = told(Told(tables=[("Lots, and places!", ["lot", "fish"], rows, "how")]), tmp_path)
    (table,) = shown["tables"]
    assert len(table["rows"]) == 3
    assert table["more"] == 7
    whole = pd.read_csv(tmp_path / table["file"], dtype=str)
    assert whole.to_numpy().tolist() == rows


def test_told__finds_the_data_and_the_sentence_of_a_figure(tmp_path: Path) -> None:
    (tmp_path / "figures").mkdir()
    for name, text in (
        ("a.svg", "<svg ><desc>Fish &amp; chance</desc></svg>"),
        ("a_data.csv", "x\n1\n"),
        ("b.svg", "<svg/>"),
    ):
        (tmp_path / "figures" / name).write_text(text)
    shown = told(Told(files=sorted((tmp_path / "figures").iterdir())), tmp_path)
    assert shown["drawn"] == [
        {"file": "figures/a.svg", "data": "figures/a_data.csv", "words": "Fish & chance"},
        {"file": "figures/b.svg", "data": "", "words": ""},
    ]


def test_report__is_kept_until_the_records_or_the_question_change(workplace: Workplace) -> None:
    made = report(workplace, {"report": "permits"}, silent)
    assert kept(workplace, "permits", made["key"]) == json.loads(json.dumps(made))
    assert key_of(workplace, "permits", {}) == made["key"]
    assert key_of(workplace, "permits", {"day": " "}) == made["key"]
    asked = report(workplace, {"report": "permits", "day": "2024-11-12"}, silent)
    assert asked["key"] != made["key"]
    assert asked["asked"] == {"day": "2024-11-12"}
    last = newest(workplace, "permits")
    assert last is not None
    assert last["key"] == asked["key"]
    fish = Path(workplace.place) / "fish.csv"
    fish.write_text(fish.read_text(encoding="utf-8") + "\n", encoding="utf-8")
    assert key_of(workplace, "permits", {}) != made["key"]
    assert newest(workplace, "trends") is None


def test_report__old_results_are_cleared_and_odd_names_refused(
    workplace: Workplace, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(jobs_reports, "MOST_KEPT", 2)
    made = [report(workplace, {"report": "permits", "day": f"2024-11-{d}"}, silent) for d in (10, 11, 12)]
    assert kept(workplace, "permits", made[0]["key"]) is None
    assert kept(workplace, "permits", made[2]["key"]) is not None
    for name, key in (("permits", "../../x"), ("people", made[2]["key"]), ("permits", "")):
        assert kept(workplace, name, key) is None
    with pytest.raises(UsageError, match="Expected one of permits"):
        report(workplace, {"report": "weather"}, silent)


def test_kept__makes_a_thing_once_for_each_version(workplace: Workplace) -> None:
    calls: list[int] = []

    def make(programme: Programme) -> int:
        calls.append(len(programme.tables["fish"]))
        return len(calls)

    assert [workplace.kept("n", make), workplace.kept("n", make)] == [1, 1]
    fish = Path(workplace.place) / "fish.csv"
    fish.write_text(fish.read_text(encoding="utf-8") + "\n", encoding="utf-8")
    assert workplace.kept("n", make) == 2


def test_choices__are_those_of_the_records(workplace: Workplace) -> None:
    programme = workplace.programme()
    offered = {name: make(programme) for name, make in CHOICES.items()}
    assert {v for v, _ in offered["lots"]["unit"]} == set(programme.tables["units"]["unit_id"])
    years = [v for v, _ in offered["audit"]["year_class"]]
    assert years == sorted(years, reverse=True)
    assert "event" in dict(offered["monitoring"]["by"])
    assert all(words.startswith(f"{v}: ") for v, words in offered["projection"]["strategies"])
