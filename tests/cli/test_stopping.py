"""Ctrl-C keeps the best plan so far; pressed twice it ends the command."""

from __future__ import annotations

import json
import os
import signal
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from planner.cli.main import group
from planner.cli.stopping import stopped_by_hand
from planner.tasks.morning import MorningEvents, plan_again
from planner.tasks.no_plan import STOPPED_WORDS, NoPlanError
from planner.tasks.programme import Programme, open_programme
from planner.tasks.release import release_plan
from planner.tasks.season import season_view
from planner.tasks.season_answer import SeasonAnswer
from planner.tasks.season_designs import designs
from planner.tasks.season_rehearsal import rehearsal
from planner.tasks.spawning import spawning_plan
from planner.tasks.spawning_files import write_spawning

TINY = Path(__file__).parents[2] / "data_examples" / "tiny"


def records() -> Path:
    return TINY / "records" if (TINY / "records").exists() else TINY


@pytest.fixture(scope="module")
def programme() -> Programme:
    return open_programme(records(), {"gap": "0", "release_gap": "0"})


def test_stopped_by_hand__first_press_is_told_the_second_ends(capsys: pytest.CaptureFixture[str]) -> None:
    before = signal.getsignal(signal.SIGINT)

    def press_twice() -> None:
        with stopped_by_hand() as event:
            assert not event.is_set()
            os.kill(os.getpid(), signal.SIGINT)
            assert event.is_set()
            assert "Press again to leave at once" in capsys.readouterr().err
            os.kill(os.getpid(), signal.SIGINT)

    with pytest.raises(KeyboardInterrupt):
        press_twice()
    assert signal.getsignal(signal.SIGINT) is before


def test_stopped_by_hand__works_beside_the_main_thread() -> None:
    seen: list[bool] = []

    def run() -> None:
        with stopped_by_hand() as event:
            seen.append(event.is_set())

    thread = threading.Thread(target=run)
    thread.start()
    thread.join()
    assert seen == [False]


def test_release_plan__stopped_gives_the_best_so_far_and_says_so(programme: Programme) -> None:
    cancel = threading.Event()

    def press(words: str) -> None:
        if words.startswith("lowering kinship"):
            cancel.set()

    outcome = release_plan(programme, progress=press, cancel=cancel)
    assert str(outcome.plan.status) == "stopped"
    assert STOPPED_WORDS in outcome.inputs.notes
    assert outcome.plan.breaches == ()


def pressing_at(words: str, module: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Press Ctrl-C as soon as a command says these words."""

    def say(told: str) -> None:
        if words in told:
            os.kill(os.getpid(), signal.SIGINT)

    monkeypatch.setattr(f"{module}.progress", say)


def test_commands_of_the_release_day__ctrl_c_keeps_the_best_so_far(
    programme: Programme, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    release = tmp_path / "release"
    planned = ["release", str(records()), "--out", str(release), "--json"]
    pressing_at("lowering kinship", "planner.cli.plans", monkeypatch)
    answer = CliRunner().invoke(group, planned)
    assert answer.exit_code == 0, answer.output
    assert json.loads(answer.stdout)["status"] == "stopped"

    pressing_at("seeking the shortest way", "planner.cli.release_day", monkeypatch)
    answer = CliRunner().invoke(
        group, ["load", str(records()), "--release", str(release), "--set", "truck_volume_l=150", "--json"]
    )
    assert answer.exit_code == 0, answer.output
    values = json.loads(answer.stdout)
    assert (values["status"] == "stopped") == (STOPPED_WORDS in values["notes"])
    assert values["status"] in ("stopped", "proven")

    pressing_at("90.0% of the most survivors: lowering", "planner.cli.release_day", monkeypatch)
    answer = CliRunner().invoke(group, ["tradeoff", str(records()), "--points", "2", "--json"])
    assert answer.exit_code == 0, answer.output
    first, second = json.loads(answer.stdout)["points"]
    assert first["status"] == "stopped"
    assert first["note"].startswith("stopped by hand: ")
    assert second["note"] == "no plan: stopped by hand before one was found"


def test_spawning_plan__stopped_before_any_plan_exists_says_so(programme: Programme) -> None:
    cancel = threading.Event()
    cancel.set()
    with pytest.raises(NoPlanError, match="stopped") as caught:
        spawning_plan(programme, cancel=cancel)
    assert caught.value.exit_code == 5


def test_spawning_plan__stopped_gives_the_best_so_far_and_says_so(programme: Programme) -> None:
    cancel = threading.Event()

    def press(words: str) -> None:
        if words.startswith("best "):
            cancel.set()

    outcome = spawning_plan(programme, progress=press, cancel=cancel)
    stopped = str(outcome.plan.status) == "stopped"
    assert stopped == (STOPPED_WORDS in outcome.inputs.notes)
    assert stopped or str(outcome.plan.status) == "proven"


def season_ahead(programme: Programme, **how: Any) -> SeasonAnswer:
    """Look ahead over the one spawning day of the settings."""
    return season_view(programme, [programme.settings.day("spawning_day")], **how)


SEASON = pytest.mark.parametrize("command", [season_ahead, rehearsal, designs], ids=lambda f: f.__name__)


@SEASON
def test_season_commands__stopped_go_on_with_the_best_so_far_and_say_so(
    programme: Programme, command: Callable[..., SeasonAnswer]
) -> None:
    cancel = threading.Event()

    def press(words: str) -> None:
        if words.startswith("best "):
            cancel.set()

    stopped = command(programme, progress=press, cancel=cancel)
    assert cancel.is_set()
    assert STOPPED_WORDS in stopped.text()
    assert STOPPED_WORDS not in command(programme).text()


@SEASON
def test_season_commands__stopped_before_any_plan_exists_say_so(
    programme: Programme, command: Callable[..., SeasonAnswer]
) -> None:
    cancel = threading.Event()
    cancel.set()
    with pytest.raises(NoPlanError, match="stopped") as caught:
        command(programme, cancel=cancel)
    assert caught.value.exit_code == 5


def test_plan_again__stopped_before_any_plan_exists_says_so(programme: Programme, tmp_path: Path) -> None:
    write_spawning(programme, spawning_plan(programme), tmp_path, {})
    cancel = threading.Event()
    cancel.set()
    with pytest.raises(NoPlanError, match="stopped") as caught:
        plan_again(programme, tmp_path, MorningEvents(lost={"F-07": "not ripe"}), cancel)
    assert caught.value.exit_code == 5
