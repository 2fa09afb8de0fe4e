"""The use case and the command: words and JSON say the same, wrong names are told."""

from __future__ import annotations

import datetime as dt
import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from broodstock.errors import UsageError
from planner.cli.lots import lots as command
from planner.tasks.lots import lots_report, move_words
from planner.tasks.programme import open_programme

sys_path = Path(__file__).resolve().parent
TINY = Path(__file__).resolve().parents[2] / "data_examples" / "tiny"


@pytest.fixture(scope="module")
def programme():
    return open_programme(TINY, {})


def test_report__of_a_unit_adds_up(programme):
    report = lots_report(programme, unit="P-04")
    assert report.what == "unit P-04"
    assert [p.lot for p, _, _ in report.pools] == ["G24-P04"]
    parts = report.composition
    assert sum(parts.probabilities().values()) == pytest.approx(1.0)
    assert sum(parts.number(f).value for f in parts.families) == pytest.approx(parts.total.value, abs=0.6)
    assert any("put together with others to G24-P04 in P-04" in h for h in report.history)
    assert report.differences() == []


def test_report__of_the_planted_lot_shows_the_difference(programme):
    (lot,) = [n for n in programme.tables["lots"]["lot_id"] if n.startswith("F")]
    report = lots_report(programme, lot=lot)
    (words,) = report.differences()
    assert f"240 more fish out of {lot} than came in (5240 of 5000" in words
    (balance,) = report.balances
    assert (balance.flow.came_in, balance.flow.out) == (5000, 5240)
    assert balance.flow.unexplained == pytest.approx(240)


def test_report__on_an_earlier_day_knows_nothing_of_later_events(programme):
    early = lots_report(programme, unit="P-04", on=dt.date(2024, 5, 1))
    assert early.pools == ()
    assert early.history == ()
    assert early.composition.families == ()


def test_report__of_all_lots_lists_those_with_fish(programme):
    report = lots_report(programme)
    assert report.composition is None
    assert len(report.pools) == len(report.balances) > 5
    assert report.history == ()


@pytest.mark.parametrize(
    ("asked", "message"),
    [
        ({"unit": "P04"}, r"--unit: found 'P04'\. Expected a unit of the records\. Did you mean 'P-04'"),
        (
            {"lot": "zzzzzz"},
            r"--lot: found 'zzzzzz'\. Expected a lot of the records\. The table lots lists them",
        ),
        (
            {"unit": "P-01", "site": "QL"},
            r"found --unit and --site\. Expected one of --lot, --unit and --site",
        ),
    ],
)
def test_report__raises_on_wrong_names(programme, asked, message):
    with pytest.raises(UsageError, match=message):
        lots_report(programme, **asked)


def test_report__raises_without_events(programme):
    from dataclasses import replace

    tables = dict(programme.tables) | {"group_moves": programme.tables["group_moves"].iloc[:0]}
    with pytest.raises(UsageError, match=r"group_moves: found no event of any lot"):
        lots_report(replace(programme, tables=tables))


def test_move_words__say_who_went_where():
    import sys

    sys.path.insert(0, str(sys_path))
    from lot_events import event, tank

    words = move_words(event(1, "split", "A", 40, tank("B", "T2"), error=0.05))
    assert words == "2024-03-02: 40 fish of A split off to B in T2 (give or take 5.0%)"
    assert move_words(event(1, "dna-sample", "A", families={"X": 3.0})).endswith("typed by DNA: X:3")


def test_command__words_and_json_say_the_same():
    runner = CliRunner()
    words = runner.invoke(command, [str(TINY), "--unit", "P-04"], standalone_mode=False)
    data = runner.invoke(command, [str(TINY), "--unit", "P-04", "--json"], standalone_mode=False)
    assert (words.return_value, data.return_value) == (0, 0)
    body = json.loads(data.stdout.splitlines()[-1])
    assert body["what"] == "unit P-04"
    assert body["families"]
    for family in body["families"]:
        assert family["family"] in words.stdout
    assert "Everything adds up" in words.stdout
    assert "Assumed:" in words.stdout
