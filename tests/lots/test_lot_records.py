"""From rows of the tables to events."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from broodstock.errors import UsageError
from broodstock.fields import table
from broodstock.fields.lot_tables import MOVE_KINDS
from broodstock.lots.moves import Move, Pool
from broodstock.lots.records import (
    closed_lots,
    family_numbers,
    family_numbers_text,
    move_of,
    moves_of,
    what_is_missing,
)

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "checks"))
from sound_programme import frame


def row(**cells) -> dict:
    """One row of group_moves as the readers give it."""
    (r,) = frame("group_moves", [{"move_id": "G-1", "happened_on": "2024-03-02"} | cells]).to_dict("records")
    return r


def test_family_numbers__reads_what_it_writes():
    numbers = {"H24-01": 300.0, "L24-GW1": 12.0}
    assert family_numbers(family_numbers_text(numbers)) == numbers
    assert family_numbers("A:1, B:2; A:3") == {"A": 4.0, "B": 2.0}
    assert family_numbers("") == {}


@pytest.mark.parametrize("text", ["A", "A:", ":3", "A:-1", "A:many", "A:nan"])
def test_family_numbers__raises_on_other_forms(text):
    with pytest.raises(UsageError, match=r"family_numbers: found .* Expected a family, a colon and a number"):
        family_numbers(text)


def test_move_of__takes_the_usual_error_of_the_method():
    r = row(kind="in", to_lot="A", to_unit="T1", number=500, method="weighed", family="F1")
    assert move_of(r, 7) == Move(
        "G-1",
        r["happened_on"].date(),
        "in",
        "",
        "",
        "",
        Pool("A", "unit", "T1"),
        500,
        0.05,
        {"F1": 500.0},
        0.01,
        7,
    )
    assert move_of(r | {"error_pct": 2.0}, 7).error == 0.02
    assert move_of(r | {"method": ""}, 7).error == 0.05


def test_move_of__release_goes_to_the_water_and_keeps_its_lot():
    r = row(kind="release", from_lot="A", from_unit="T1", to_site="QL")
    move = move_of(r, 2)
    assert move.target == Pool("A", "released", "QL")
    assert move.number is None
    assert move.takes_from(Pool("A", "unit", "T1"))
    assert not move.takes_from(Pool("A", "unit", "T2"))
    assert not move.takes_from(Pool("A", "released", "QL"))


@pytest.mark.parametrize(
    ("cells", "problem"),
    [
        ({"kind": "in", "number": 5}, "no to_lot"),
        ({"kind": "in", "to_lot": "A"}, "no number"),
        ({"kind": "split", "from_lot": "A", "number": 5}, "no to_lot"),
        ({"kind": "move", "from_lot": "A"}, "no to_unit or to_site"),
        ({"kind": "release", "from_lot": "A"}, "no to_site"),
        ({"kind": "count", "from_lot": "A"}, "no number"),
        ({"kind": "death", "number": 3}, "no from_lot, from_unit or from_site"),
        ({"kind": "dna-sample", "from_lot": "A"}, "no family_numbers"),
        ({"kind": "out", "from_lot": "A", "from_unit": "T1", "from_site": "QL"}, "from_unit and from_site"),
        ({"kind": "in", "to_lot": "A", "to_unit": "T1", "to_site": "QL", "number": 3}, "to_unit and to_site"),
        ({"kind": "death", "from_lot": "A", "number": 3, "family_numbers": "A3"}, "family_numbers 'A3'"),
        ({"kind": "death", "from_lot": "A", "number": 3, "happened_on": None}, "no day"),
        ({"kind": "gone", "from_lot": "A"}, "the kind 'gone'"),
    ],
)
def test_what_is_missing__names_it(cells, problem):
    r = row(**cells)
    assert what_is_missing(r) == problem
    with pytest.raises(UsageError, match=r"group_moves, G-1: found .* Expected a complete event"):
        move_of(r, 2)


def test_moves_of__leaves_incomplete_rows_out():
    rows = [
        {"move_id": "G-1", "happened_on": "2024-03-02", "kind": "in", "to_lot": "A", "number": 9},
        {"move_id": "G-2", "happened_on": "2024-03-03", "kind": "move", "from_lot": "A"},
    ]
    assert [(m.move_id, m.row) for m in moves_of(frame("group_moves", rows))] == [("G-1", 2)]


def test_closed_lots__gives_day_and_row():
    rows = [
        {"lot_id": "A", "year_class": 2024, "kind": "pooled", "opened_on": "2024-03-01"},
        {
            "lot_id": "B",
            "year_class": 2024,
            "kind": "pooled",
            "opened_on": "2024-03-01",
            "closed_on": "2024-11-01",
        },
    ]
    assert {k: (str(d), r) for k, (d, r) in closed_lots(frame("lots", rows)).items()} == {
        "B": ("2024-11-01", 3)
    }


def test_tables__never_hold_an_amount_of_medicine():
    for name in ("treatments", "measurements", "group_moves"):
        assert not [c for c in table(name).names if "dose" in c or "amount" in c or "concentration" in c]
    assert set(MOVE_KINDS) == set(table("group_moves").column("kind").choices)
