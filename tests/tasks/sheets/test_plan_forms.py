"""The sheet of a spawning plan as paper: its lines, its versions within a day, and its dishes as facts for the next plan.

Worked by hand; common practice, no source.
"""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from broodstock.errors import UsageError
from planner.store.register import Register
from planner.tasks.keyed_dishes import KeyedDish, keyed_dishes, laid_in_all, with_records
from planner.tasks.morning import MorningEvents
from planner.tasks.programme import open_programme
from planner.tasks.sheets.kinds import KINDS
from planner.tasks.sheets.plan_forms import find_sheet, sheet_at, spawning_sheets
from planner.tasks.sheets.shelf import SHELVES, shelves
from planner.tasks.spawning import EarlierToday, _labels
from planner.tasks.workplace import Workplace

DISHES = [
    ("D-01", "F-2", "M-1", 1, "C01"),
    ("D-02", "F-2", "M-2", 2, "C02"),
    ("D-03", "F-1", "M-1", 1, "C03"),
]


def plan(
    version: int, day: str = "2025-02-14", laid: Any = (), inputs: str = "", dishes: Any = DISHES
) -> dict[str, Any]:
    names = ("dish_id", "dam", "sire", "dish", "cell")
    return {
        "provenance": {
            "version": version,
            "mark": f"{version}bcdef0123",
            "inputs": inputs,
            "settings": {"spawning_day": day},
        },
        "crosses": [dict(zip(names, d, strict=True)) for d in dishes],
        "events": {"laid": [list(x) for x in laid]},
    }


def write(folder: Path, values: dict[str, Any]) -> Path:
    place = folder / "versions" / str(values["provenance"]["version"])
    for path in (place, folder):
        path.mkdir(parents=True, exist_ok=True)
        (path / "spawning_plan.json").write_text(json.dumps(values))
    return place


def test_form__has_a_block_for_each_female_in_the_order_of_the_strips(tmp_path: Path) -> None:
    write(tmp_path, plan(1))
    sheet = spawning_sheets(tmp_path, {"c02": "C-02"})[0]
    assert [f.title for f in sheet.forms] == ["Female F-2", "Female F-1"]
    assert [f.label for f in sheet.forms[0].fields] == ["Time", "Eggs", "Other male"]
    assert sheet.forms[0].lines[1].known == {
        "cross_id": "D-02",
        "dam": "F-2",
        "sire": "M-2",
        "dish": "2",
        "cell": "C-02",
    }
    assert sheet.forms[0].fixed == {"season": "2025", "made_on": "2025-02-14"}


def test_versions__void_older_ones_of_the_same_day_alone(tmp_path: Path) -> None:
    places = [
        write(tmp_path, plan(v, day)) for v, day in ((1, "2025-02-07"), (2, "2025-02-14"), (3, "2025-02-14"))
    ]
    states = {(s.subject, s.version): s.is_void for s in spawning_sheets(tmp_path)}
    assert states == {("2025-02-07", 1): False, ("2025-02-14", 2): True, ("2025-02-14", 3): False}
    assert sheet_at(places[1]).is_void
    assert sheet_at(places[1] / "spawning_plan.json").version == 2
    assert sheet_at(tmp_path).version == 3
    assert find_sheet(tmp_path / "sheets", tmp_path, "spawning-plan", "2025-02-14", 2).mark == "2bcdef0123"
    for lookup in (
        lambda: find_sheet(tmp_path / "sheets", tmp_path, "spawning-plan", "2025-02-14", 1),
        lambda: sheet_at(tmp_path / "versions"),
    ):
        with pytest.raises(UsageError, match=r"Expected (a version|sheet\.json)"):
            lookup()


@pytest.mark.parametrize(
    ("told", "keyed", "ticks", "expected"),
    [
        ((), (), ("D-01",), [("F-2", "M-1")]),
        ((), (("D-01", "F-2", "M-1"),), ("D-01",), [("F-2", "M-1")]),  # ticked, then keyed in
        (
            (),
            (("D-01", "F-2", "M-3"),),
            ("D-01", "D-03"),
            [("F-2", "M-3"), ("F-1", "M-1")],
        ),  # the paper knows the male
        (
            (("F-2", "M-1"),),
            (("D-01", "F-2", "M-1"),),
            (),
            [("F-2", "M-1")],
        ),  # a re-plan was told, then keyed in
        (
            (("F-2", "M-1"),),
            (("D-01", "F-2", "M-3"),),
            (),
            [("F-2", "M-3")],
        ),  # told as planned, made with another male
        ((("F-2", "M-1"),), (("D-02", "F-2", "M-1"),), (), [("F-2", "M-1")]),
        ((("F-1", "M-1"),), (("D-01", "F-2", "M-1"),), (), [("F-1", "M-1"), ("F-2", "M-1")]),
        ((), (("D-77", "F-9", "M-9"),), (), [("F-9", "M-9")]),
    ],
)
def test_laid__counts_each_dish_once(
    tmp_path: Path, told: Any, keyed: Any, ticks: tuple[str, ...], expected: list[tuple[str, str]]
) -> None:
    values = plan(1, laid=told)
    write(tmp_path, values)
    found = laid_in_all(tmp_path, values, [KeyedDish(*k) for k in keyed], ticks)
    assert Counter(found) == Counter(expected)


def test_records__count_a_dish_that_was_told_ticked_or_keyed_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    values = plan(1)
    write(tmp_path, values)
    keyed = (KeyedDish("D-01", "F-2", "M-1"),)
    monkeypatch.setattr("planner.tasks.keyed_dishes.programme_as_planned", lambda *_: (None, keyed))
    told = MorningEvents(laid=(("F-2", "M-1"), ("F-1", "M-1"), ("F-9", "M-9")))
    _, events = with_records(Workplace("x", tmp_path), tmp_path, values, {}, told, ("D-03",))
    assert Counter(events.laid_in_all) == Counter([("F-2", "M-1"), ("F-1", "M-1"), ("F-9", "M-9")])
    assert events.in_records == {"D-01": ("F-2", "M-1")}


def test_labels__of_dishes_in_the_records_are_never_given_again() -> None:
    rows = plan(1)["crosses"]
    # D-02 was made with M-3; the pair F-2 x M-2 is planned anew and needs another label.
    earlier = EarlierToday(rows, [("F-2", "M-3")], 3, {"D-02": ("F-2", "M-3")})
    keep, free = _labels(earlier, Counter({("F-2", "M-1"): 1, ("F-2", "M-2"): 1}))
    assert keep == {("F-2", "M-1"): [("D-01", "C01")], ("F-1", "M-1"): []}
    assert free == ["C03"]
    # D-01 was made as planned, and nobody ticked it: its pair is laid once, by its own label.
    earlier = EarlierToday(rows, [("F-2", "M-1")], 3, {"D-01": ("F-2", "M-1")})
    keep, _ = _labels(earlier, Counter({("F-2", "M-2"): 1, ("F-1", "M-1"): 1}))
    assert keep == {("F-2", "M-2"): [("D-02", "C02")], ("F-1", "M-1"): [("D-03", "C03")]}


def test_keyed_dishes__are_those_since_the_plan_and_nothing_else_may_have_changed(tmp_path: Path) -> None:
    place = tmp_path / "r.kinshoal"
    with Register.create(place) as register:
        with register.writing("TA", "fish") as writer:
            row = {"origin": "wild-adult", "status": "brood"}
            writer.add(
                "fish",
                [
                    {"fish_id": f, "sex": "female" if f < "G" else "male", **row}
                    for f in ("F-1", "F-2", "M-1")
                ],
            )
            writer.add("crosses", [cross("D-00", "2025-02-14")])
        saw = register.data_version().hash
        workplace = Workplace(str(place), tmp_path / "work")
        assert keyed_dishes(workplace, plan(1, inputs=saw)) == ()
        with register.writing("TA", "paper") as writer:
            writer.add("crosses", [cross("D-01", "2025-02-14")])
        assert keyed_dishes(workplace, plan(1, inputs=saw)) == (KeyedDish("D-01", "F-1", "M-1"),)
        assert keyed_dishes(workplace, plan(1, inputs="0" * 64)) == ()
        with register.writing("TA", "another day") as writer:
            writer.add("crosses", [cross("D-02", "2025-02-13")])
        assert keyed_dishes(workplace, plan(1, inputs=saw)) == ()
        latest = register.data_version().hash
        with register.writing("TA", "a fish more") as writer:
            writer.add("fish", [{"fish_id": "F-3", "sex": "female", **row}])
            writer.add("crosses", [cross("D-03", "2025-02-14")])
        assert keyed_dishes(workplace, plan(1, inputs=latest)) == ()


def cross(label: str, day: str) -> dict[str, Any]:
    return {"cross_id": label, "season": 2025, "made_on": day, "dam": "F-1", "sire": "M-1"}


def test_shelves__offer_every_kind_of_sheet_once(monkeypatch: pytest.MonkeyPatch) -> None:
    tiny = open_programme(Path(__file__).parents[3] / "data_examples" / "tiny")
    known = [n for *_, names in SHELVES for n in names]
    assert len(set(known)) == len(known)
    monkeypatch.setitem(KINDS, "unplaced", replace(KINDS["ripeness"], name="unplaced"))
    offered = [o.kind.name for _, _, some in shelves(tiny, {}) for o in some]
    assert sorted(offered) == sorted(KINDS)  # also one that nobody placed
    by_name = {o.kind.name: o for _, _, some in shelves(tiny, {}) for o in some}
    assert "made from a release plan" in by_name["release"].missing
    asks = {a.ask.name: a for a in by_name["census"].asks}
    assert ("QL", "QL: Quern Lagoon") in asks["water"].offered
    assert asks["day"].is_day
