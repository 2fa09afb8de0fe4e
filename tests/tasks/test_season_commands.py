"""The commands of the season: words, one JSON object, files, exit codes, help with an example."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from planner.cli.main import COMMANDS, group, main

OURS = ("season", "rehearse", "designs", "hatch", "equalise", "production")


def run(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as ended:
        main(list(words))
    said = capsys.readouterr()
    assert isinstance(ended.value.code, int)
    return ended.value.code, said.out, said.err


def lines_for(folder: str) -> dict[str, list[str]]:
    return {
        "season": [folder, "--days", "2025-02-07,2025-02-14"],
        "rehearse": [folder, "--times", "100"],
        "designs": [folder],
        "hatch": [folder, "--temperature", "18", "--then", "2025-02-20=19.5"],
        "equalise": [folder, "--season", "2019", "--keep", "6000", "--keep", "2000"],
        "production": [folder, "--fish", "800", "--length", "300", "--date", "2026-11-10", "--families", "3"],
    }


@pytest.mark.parametrize("command", OURS)
def test_commands__words_json_and_files_say_the_same(
    command: str, tiny_folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = lines_for(str(tiny_folder))[command]
    code, out, _ = run(capsys, command, *words)
    assert code == 0
    assert "mark " in out
    code, out_json, err = run(capsys, command, *words, "--json", "--out", str(tmp_path))
    assert code == 0
    values = json.loads(out_json)
    assert values["provenance"]["mark"] in out
    assert "{" not in err
    files = [Path(p) for p in values["written"]]
    assert sorted(p.suffix for p in files) == [".html", ".json", ".pdf"]
    kept = json.loads(next(p for p in files if p.suffix == ".json").read_text())
    assert kept == {k: v for k, v in values.items() if k != "written"}


@pytest.mark.parametrize("command", OURS)
def test_commands__help_ends_with_an_example(command: str) -> None:
    found = group.get_command(None, command)  # type: ignore[arg-type]
    assert found is not None
    assert found.epilog is not None
    assert found.epilog.startswith(f"Example: kinshoal {command} ")
    assert command in COMMANDS


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (["season", "FOLDER", "--days", "2025-02-30"], 2, "--days: found '2025-02-30'. Expected ISO dates"),
        (["season", "FOLDER"], 2, "Missing option '--days'"),
        (["season", "FOLDER", "--days", "2025-02-14", "--set", "female_uses_max=1"], 4, "conflict"),
        (["rehearse", "FOLDER", "--times", "0"], 2, "0 is not in the range"),
        (["rehearse", "FOLDER", "--set", "no_milt_chance=2"], 2, "setting no_milt_chance: found '2'"),
        (["equalise", "FOLDER", "--season", "1999", "--keep", "5"], 2, "found no crosses of 1999"),
        (["equalise", "FOLDER", "--season", "2019", "--keep", "-5"], 3, "found -5.0. Expected 0 to more"),
        (
            ["production", "FOLDER", "--fish", "5", "--length", "300", "--date", "2025-02-20"],
            2,
            "6 days after",
        ),
        (["hatch", "FOLDER", "--then", "soon=18"], 2, "--then: found 'soon'"),
        (["hatch", "FOLDER", "--seen", "18"], 2, "--seen: found '18'. Expected for example 18=190"),
    ],
)
def test_commands__exit_codes_and_messages(
    words: list[str], code: int, said: str, tiny_folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    found, _, err = run(capsys, *(str(tiny_folder) if w == "FOLDER" else w for w in words))
    assert found == code
    assert said in err


def test_commands__errors_as_json(tiny_folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(capsys, "equalise", str(tiny_folder), "--season", "1999", "--keep", "5", "--json")
    assert code == 2
    assert json.loads(out)["error"]["code"] == "usage"
