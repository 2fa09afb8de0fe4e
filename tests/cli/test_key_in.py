"""Paper on the command line: print a sheet, write its empty file, key it in; a folder of records is refused."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pytest

from planner.cli.main import main
from planner.tasks.demo_records import practice_place


@pytest.fixture(scope="module")
def practice(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return Path(practice_place(tmp_path_factory.mktemp("paper") / "demo", tiny=True))


@pytest.fixture
def place(practice: Path, tmp_path: Path) -> str:
    return str(shutil.copy(practice, tmp_path / "records.kinshoal"))


def run(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    capsys.readouterr()
    with pytest.raises(SystemExit) as ended:
        main(list(words))
    said = capsys.readouterr()
    code = ended.value.code
    assert isinstance(code, int)
    return code, said.out, said.err


def test_sheet__lists_and_prints(place: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(capsys, "sheet", place)
    assert code == 0
    assert "ripeness" in out
    code, out, _ = run(capsys, "sheet", place, "ripenes")
    assert code == 2
    code, out, _ = run(capsys, "sheet", place, "ripeness", "day=2024-10-20", "--out", str(tmp_path), "--json")
    printed = json.loads(out)
    assert (code, printed["version"], printed["void"]) == (0, 1, False)
    assert Path(printed["files"][0]).read_bytes().startswith(b"%PDF")
    _, again, _ = run(capsys, "sheet", place, "ripeness", "day=2024-10-20", "--out", str(tmp_path), "--json")
    assert json.loads(again)["version"] == 1  # nothing on it changed


def test_key_in__from_the_empty_file_to_the_records(
    place: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    _, out, _ = run(capsys, "sheet", place, "ripeness", "day=2024-10-20", "--out", str(tmp_path), "--json")
    printed = json.loads(out)
    paper = str(Path(printed["files"][0]).parent)
    typed = tmp_path / "typed.csv"
    assert run(capsys, "key-in", place, str(tmp_path / "ripeness"), "--blank", str(typed))[0] == 0
    lines = typed.read_text(encoding="utf-8").splitlines()
    columns = lines[0].split(",")
    at = columns.index("state")

    def fill(*words: str) -> None:
        out = [lines[0]]
        for line, word in zip(lines[1:], words, strict=False):
            cells = line.split(",")
            cells[at] = word
            out.append(",".join(cells))
        typed.write_text("\n".join(out) + "\n", encoding="utf-8")

    def key_in(*more: str) -> tuple[int, dict[str, Any]]:
        version = ("--version", str(printed["version"]), "--mark", printed["mark"][:4])
        code, out, _ = run(
            capsys, "key-in", place, f"{paper}/sheet.json", "--values", str(typed), *version, *more, "--json"
        )
        return code, json.loads(out)

    fill("ripe", "rype", "soon")
    code, answer = key_in()
    assert code == 3
    assert [f["line"] for f in answer["faults"]] == [2, 3]
    assert key_in("--write", "--as", "TA")[0] == 3
    fill("ripe", "Not ripe")
    code, answer = key_in()
    assert (code, answer["change"]) == (0, None)
    assert answer["done"] == "2 line(s) ready; nothing was entered yet."
    code, answer = key_in("--write")
    assert (code, answer["error"]["code"]) == (2, "usage")
    code, answer = key_in("--write", "--as", "TA")
    assert (code, answer["change"] > 1) == (0, True)
    code, out, _ = run(capsys, "list", place, "ripeness", "checked_on=2024-10-20", "--json")
    assert [r["state"] for r in json.loads(out)["records"]] == ["ripe", "not-ripe"]
    fill("spent", "Not ripe")
    code, answer = key_in("--write", "--as", "RB", "--take", "1")
    assert [x["state"] for x in answer["lines"]] == ["change", "same"]
    assert answer["keyed_before"][0].startswith("Keyed in before by TA")
    assert run(capsys, "key-in", place, paper, "--blank", str(typed))[0] == 2  # never over a file


def test_key_in__refuses_folders_other_papers_and_no_values(
    practice: Path, place: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    _, out, _ = run(capsys, "sheet", place, "ripeness", "sex=male", "--out", str(tmp_path), "--json")
    paper = str(Path(json.loads(out)["files"][0]).parent)
    records = str(practice.parent / "records")
    for words, said in (
        ((records, paper), "which can only be read. Expected a register"),
        ((place, records), "found no sheet. Expected sheet.json"),
        ((place, paper), "--values: found no file"),
    ):
        code, _, err = run(capsys, "key-in", *words, "--version", "1", "--mark", "abcd")
        assert code == 2
        assert said in err


def test_spawning_sheet__is_keyed_in_and_its_dishes_are_laid_for_the_next_plan(
    place: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = str(tmp_path / "spawning")
    assert run(capsys, "spawn", place, "--out", out)[0] == 0
    plan = json.loads((tmp_path / "spawning" / "spawning_plan.json").read_text())
    first, last = plan["crosses"][0], plan["crosses"][-1]
    typed = tmp_path / "dishes.csv"
    typed.write_text(f"block,line,Laid,Eggs\n1,{first['dish_id']},x,1800\n", encoding="utf-8")
    version = ("--version", "1", "--mark", plan["provenance"]["mark"])
    code, said, _ = run(
        capsys, "key-in", place, out, "--values", str(typed), *version, "--write", "--as", "TA"
    )
    assert code == 0
    assert "1 line(s) entered as change" in said
    code, said, err = run(capsys, "replan", place, out, "--not-ripe", last["dam"])
    assert code == 0, err
    again = json.loads((tmp_path / "spawning" / "spawning_plan.json").read_text())
    assert again["events"]["laid"] == [[first["dam"], first["sire"]]]
    assert first["dish_id"] not in {c["dish_id"] for c in again["crosses"]}
    code, _, err = run(capsys, "change", place, "fish", first["dam"], "weight_g=900", "--as", "TA")
    assert code == 0
    code, _, err = run(capsys, "replan", place, out, "--not-ripe", first["dam"])
    assert code == 2
    assert "found a plan made from other records" in err
