"""The command line: quick help, one JSON object, exit codes, errors in words."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from planner.cli.main import COMMANDS
from planner.demo.make import make_demo

ROOT = Path(__file__).resolve().parents[2]
HEAVY = ("numpy", "pandas", "scipy", "numba", "pulp", "highspy", "allel", "altair", "typst", "networkx")


def run(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "planner.cli", *words], cwd=ROOT, capture_output=True, text=True, check=False
    )


WITHOUT_JSON = {"register", "serve"}
"""A group, whose commands have it, and the command that answers in the browser."""


@pytest.fixture(scope="module")
def records(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("cli") / "records"
    make_demo(folder, size="tiny")
    return folder


def test_help__imports_no_heavy_library() -> None:
    # Start-up stays quick because nothing heavy is imported; no test measures time.
    code = (
        "import sys; from planner.cli.main import group\n"
        "try: group.main(['--help'])\n"
        "except SystemExit: pass\n"
        f"print([m for m in {HEAVY!r} if m in sys.modules], file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert done.stderr.strip() == "[]"
    for name in COMMANDS:
        assert name in done.stdout


@pytest.mark.parametrize("name", COMMANDS)
def test_help__of_every_command_ends_with_an_example(name: str) -> None:
    done = run(name, "--help")
    assert done.returncode == 0
    assert (
        done.stdout.strip().splitlines()[-1].strip().startswith("Example: kinshoal ")
        or "Example: kinshoal" in done.stdout
    )
    if name not in WITHOUT_JSON:
        assert "--json" in done.stdout


def test_help__of_every_command_of_a_group_has_json() -> None:
    import click

    from planner.cli.main import group

    context = click.Context(group)
    groups = {n: c for n in COMMANDS if isinstance(c := group.get_command(context, n), click.Group)}
    assert set(groups) <= WITHOUT_JSON
    for name, command in groups.items():
        for word, one in command.commands.items():
            assert "as_json" in {p.name for p in one.params}, f"{name} {word}"


@pytest.mark.parametrize(
    "words",
    [
        ("check", "{}"),
        ("columns",),
        ("settings", "{}"),
        ("tag", "999009000012345"),
        ("diversity", "{}"),
        ("kinship", "{}"),
        ("founders", "{}"),
        ("spawn", "{}"),
        ("release", "{}"),
    ],
    ids=lambda w: w[0],
)
def test_json__is_one_object_on_standard_output(words: tuple[str, ...], records: Path) -> None:
    done = run(*(w.format(records) for w in words), "--json")
    assert done.returncode == 0, done.stderr
    value = json.loads(done.stdout)
    assert isinstance(value, dict)
    assert value
    assert "NaN" not in done.stdout


def test_error__of_usage(records: Path) -> None:
    done = run("spawn", str(records), "--set", "pair_kinship=0.1")
    assert done.returncode == 2
    assert "found 'pair_kinship'" in done.stderr
    assert "Did you mean 'pair_kinship_limit'?" in done.stderr


def test_error__unknown_option() -> None:
    assert run("spawn", "--nonsense").returncode == 2


def test_error__no_plan_has_code_4_and_names_the_rules(records: Path) -> None:
    done = run(
        "spawn", str(records), "--set", "female_uses_max=1", "--set", "males_per_female_min=2", "--json"
    )
    assert done.returncode == 4
    body = json.loads(done.stdout)
    assert body["error"]["code"] == "no-plan"
    assert "conflict" in body["error"]["message"]


def test_error__input_faults_have_code_3_and_write_nothing(records: Path, tmp_path: Path) -> None:
    import shutil

    broken = tmp_path / "records"
    shutil.copytree(records, broken, ignore=shutil.ignore_patterns("truth", "inbox"))
    text = (broken / "fish.csv").read_text(encoding="utf-8").splitlines()
    text[2] = text[1]
    (broken / "fish.csv").write_text("\n".join(text) + "\n", encoding="utf-8")
    done = run("spawn", str(broken), "--out", str(tmp_path / "out"))
    assert done.returncode == 3
    assert "fish.csv, row 3" in done.stderr
    assert "duplicate" in done.stderr
    assert not (tmp_path / "out").exists()
    body = json.loads(run("spawn", str(broken), "--json").stdout)
    assert body["error"]["findings"][0]["where"]["row"] == 3


def test_tag__unreadable_code_has_exit_code_3() -> None:
    done = run("tag", "9.89E+14")
    assert done.returncode == 3
    assert "spreadsheet" in done.stdout


def test_check__planted_errors_of_the_waiting_files_are_found(records: Path) -> None:
    import pandas as pd

    done = run("check", str(records / "inbox"), "--against", str(records), "--json")
    assert done.returncode == 3
    found = {
        (f["where"]["file"].removesuffix(" (waiting)"), f["where"]["row"], f["code"])
        for f in json.loads(done.stdout)["findings"]
    }
    planted = pd.read_csv(records / "truth" / "planted.csv", keep_default_na=False)
    waiting = planted[planted["found_in"].str.startswith("inbox/")]
    assert len(waiting) >= 7
    for row in waiting.itertuples():
        assert (row.found_in.removeprefix("inbox/"), row.row, row.expected) in found, row


def test_demo__refuses_a_folder_with_other_files(tmp_path: Path) -> None:
    (tmp_path / "diary.txt").write_text("mine")
    done = run("demo", str(tmp_path))
    assert done.returncode == 2
    assert "no demo made" in done.stderr
    assert [p.name for p in tmp_path.iterdir()] == ["diary.txt"]
