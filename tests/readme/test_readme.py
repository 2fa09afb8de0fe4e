"""The README's commands run, and its first page says what it must."""

from __future__ import annotations

import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest

README = Path(__file__).resolve().parents[2] / "README.md"
TEXT = README.read_text(encoding="utf-8")
ENDS_WITH = {"kinshoal check demo/records/inbox --against demo/records": 3}
"""Commands that end with another exit code than 0, as the README says: the practice inbox holds planted errors."""
LONG = (
    *(
        "tradeoff",
        "project",
        "audit",
        "survival",
        "trial",
        "exchange",
        "abundance",
        "ghosts",
        "growth",
        "contribution",
    ),
    *(
        "feedback",
        "quota",
        "drawdown",
        "renovations",
        "power",
        "rehearse",
        "designs",
        "equalise",
        "production",
    ),
    *("keep", "found", "grow", "loss", "season", "parents", "quality"),
)
"""Commands that run from here with ``--slow`` alone: the start of a process and the reading take long for so many, and
each has its own test that always runs."""


def tour() -> list[str]:
    """Commands of the README that start with ``kinshoal``, in order."""
    blocks = re.findall(r"```sh\n(.*?)```", TEXT, re.S)
    return [line for block in blocks for line in block.splitlines() if line.startswith("kinshoal ")]


def run(words: list[str], folder: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "planner.cli", *words], cwd=folder, capture_output=True, text=True, check=False
    )


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the tiny demo; the full one is run by the gate with the README's first command."""
    folder = tmp_path_factory.mktemp("readme")
    done = run(["demo", "demo", "--tiny"], folder)
    assert done.returncode == 0, done.stderr
    return folder


def test_readme__first_paragraph_states_the_job() -> None:
    first = TEXT.split("\n\n")[1]
    for word in (
        "hatchery-to-wild",
        "kinship",
        "effective size",
        "linear\nprogramming",
        "spawning pairs",
        "release",
    ):
        assert word in first, word


def test_readme__commands_run(demo: Path, request: pytest.FixtureRequest) -> None:
    commands = tour()
    assert len(commands) > 15
    assert set(LONG) <= {shlex.split(c)[1] for c in commands}
    if not request.config.getoption("--slow"):
        commands = [c for c in commands if shlex.split(c)[1] not in LONG]
    for command in commands:
        done = run(shlex.split(command)[1:], demo)
        assert done.returncode == ENDS_WITH.get(command, 0), (
            f"{command}\n{done.stdout[-2000:]}\n{done.stderr[-2000:]}"
        )
        assert done.stdout.strip(), command


def test_readme__names_every_command() -> None:
    from planner.cli.main import COMMANDS

    served = {"serve"} & set(re.findall(r"`kinshoal (\w+)", TEXT))  # it runs until it is stopped
    named = {shlex.split(c)[1] for c in tour()} | {"demo"} | served
    assert named == set(COMMANDS)
