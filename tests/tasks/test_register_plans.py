"""Plans recorded in the register; and every command takes a register in place of a folder."""

from __future__ import annotations

import json
from pathlib import Path

import click
import pytest

from broodstock.errors import UsageError
from planner.cli.main import COMMANDS, LazyGroup, main
from planner.cli.records import RECORDS
from planner.store.register import Register
from planner.tasks.programme import open_programme
from planner.tasks.register_import import plan_import, write_import
from planner.tasks.register_plans import record_plan, recorded_version, spawning_lines
from planner.tasks.spawning import spawning_plan

TINY = Path(__file__).resolve().parents[2] / "data_examples" / "tiny"
NO_RECORDS = {"demo", "columns", "tag", "register"}
"""Commands that read no records, or a register alone."""


@pytest.fixture
def place(tmp_path: Path) -> Path:
    with Register.create(tmp_path / "r.db") as register:
        write_import(register, plan_import(register, TINY), "tess", "first")
    return tmp_path / "r.db"


def test_record_plan__keeps_what_it_saw_and_voids_the_older(place: Path) -> None:
    programme = open_programme(place)
    saw = programme.fingerprint
    first = spawning_plan(programme, version=recorded_version(place, "spawning", None))
    record_plan(place, "spawning", first, spawning_lines(first), "tess")
    again = spawning_plan(open_programme(place), version=recorded_version(place, "spawning", None))
    words = record_plan(place, "spawning", again, spawning_lines(again), "tess")
    assert "void now: spawning-2025-02-14-v1" in words
    with Register.open(place) as register:
        plans = register.rows("plans", order_by=["version"])
        assert [(p["version"], p["state"]) for p in plans] == [(1, "superseded"), (2, "proposed")]
        assert (plans[0]["data_hash"], plans[0]["data_change"]) == (saw, 1)
        lines = register.rows("plan_lines", {"plan_id": plans[0]["plan_id"]})
        assert [(r["dam"], r["sire"]) for r in lines] == list(
            zip(first.crosses["dam"], first.crosses["sire"], strict=True)
        )
        assert json.loads(plans[0]["content"])["crosses"]
        assert json.loads(plans[0]["settings"])
        assert register.verify().ok
    with pytest.raises(UsageError, match="found a plan of this version"):
        record_plan(place, "spawning", again, spawning_lines(again), "tess")


def test_record_plan__a_folder_has_no_place_for_plans() -> None:
    with pytest.raises(UsageError, match="a folder has no place for plans"):
        recorded_version(TINY, "spawning", None)


def run(words: list[str], capsys: pytest.CaptureFixture[str]) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as stop:
        main(words)
    out = capsys.readouterr()
    return int(stop.value.code or 0), out.out, out.err


def test_commands__that_read_records_take_a_register() -> None:
    group = LazyGroup()
    context = click.Context(group)
    for name in COMMANDS:
        command = group.get_command(context, name)
        assert command is not None
        kinds = {p.name: p.type for p in command.params if isinstance(p, click.Argument)}
        if name not in NO_RECORDS and "folder" in kinds:
            assert kinds["folder"] is RECORDS, name


@pytest.mark.parametrize("command", ["check", "kinship", "founders", "diversity", "settings", "loss"])
def test_commands__say_the_same_of_a_register(
    place: Path, capsys: pytest.CaptureFixture[str], command: str
) -> None:
    _, folder, _ = run([command, str(TINY), "--json"], capsys)
    code, register, err = run([command, str(place), "--json"], capsys)
    assert code in (0, 3), err
    a, b = json.loads(folder), json.loads(register)
    for one in (a, b):
        for key in ("folder", "fingerprint", "provenance", "findings", "written"):
            one.pop(key, None)
    if command == "check":  # a register counts its contacts by day
        a["rows"].pop("scans"), b["rows"].pop("scans")
    assert a == b


def test_commands__name_what_is_no_register(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "x.csv").write_text("a,b\n")
    code, _, err = run(["kinship", str(tmp_path / "x.csv")], capsys)
    assert code == 2
    assert "is no register. Expected a folder of records or a register" in err
    code, _, err = run(["kinship", str(tmp_path / "none")], capsys)
    assert code == 2
    assert "does not exist" in err
    code, _, err = run(["kinship", "mysql://x/y"], capsys)
    assert code == 2
    assert "Expected postgresql+psycopg" in err


def test_spawn__records_with_a_name_alone(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, _, err = run(["spawn", str(place), "--record"], capsys)
    assert code == 2
    assert "--as: found nobody" in err
    code, out, _ = run(["spawn", str(place), "--record", "--as", "tess"], capsys)
    assert code == 0
    assert "recorded spawning-2025-02-14-v1 with" in out


@pytest.mark.parametrize(
    "words",
    [
        ["register", "status", "PLACE"],
        ["register", "log", "PLACE"],
        ["register", "queue", "PLACE"],
        ["register", "verify", "PLACE"],
        ["register", "findings", "PLACE", "--level", "error"],
        ["register", "upgrade", "PLACE"],
    ],
)
def test_register__says_words_and_json(
    place: Path, capsys: pytest.CaptureFixture[str], words: list[str]
) -> None:
    words = [str(place) if w == "PLACE" else w for w in words]
    code, out, err = run(words, capsys)
    assert code == 0, err
    assert out.strip()
    code, out, _ = run([*words, "--json"], capsys)
    assert code == 0
    assert isinstance(json.loads(out), dict)


def test_register__undo_of_an_import_takes_it_back(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = run(
        ["register", "undo", str(place), "1", "--as", "tess", "--reason", "wrong folder"], capsys
    )
    assert code == 0, err
    assert "Change 1 undone by change 2" in out
    with Register.open(place) as register:
        assert register.count("fish") == 0
        assert register.verify().ok


def test_register__every_command_has_an_example() -> None:
    from planner.cli.register import register

    for name, command in register.commands.items():
        assert (command.epilog or "").startswith(f"Example: kinshoal register {name}"), name
