"""Who may import, decide, accept, undo, merge and record in a register with people, and what two people sign."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from planner.store.backup import backup
from planner.store.register import Register
from planner.store.versions import utc_now
from planner.tasks.people import NotAllowedError
from planner.tasks.register_merge import merge_registers
from planner.tasks.register_plans import record_plan
from planner.tasks.register_queue import decide_item, open_items
from planner.tasks.register_state import findings_of, import_into, undo_change

FISH = "fish_id,sex,origin,status,year_class\n"
PEOPLE = (("TA", "approve"), ("RB", "approve"), ("EN", "enter"), ("VI", "view"))


@pytest.fixture
def place(tmp_path: Path) -> Path:
    path = tmp_path / "r.kinshoal"
    with Register.create(path) as made:
        with made.writing("TA", "first records") as writer:
            writer.add("settings", [{"name": "today", "value": "2024-10-20"}])
            writer.add("units", [{"unit_id": "B-1", "kind": "tank"}])
            writer.add("fish", [{"fish_id": "A", "sex": "female", "origin": "wild-adult", "status": "brood",
                                 "year_class": 2015}])  # fmt: skip
        with made.writing("TA", "people") as writer:
            writer.add("people", [{"person_id": p, "role": r} for p, r in PEOPLE])
    return path


def fish_file(folder: Path, *lines: str, name: str = "fish.csv") -> Path:
    path = folder / name
    path.write_text(FISH + "\n".join(lines) + "\n")
    return path


def brought(place: Path, path: Path, who: str, **options: Any) -> Any:
    report = import_into(place, path, who=who, write=True, **options)
    assert not report.plan.refused, report.text()
    return report


def last_signed(place: Path) -> str:
    with Register.open(place, read_only=True) as register:
        return register.changes()[-1].entered_by


def test_import__needs_a_person_who_may_enter(place: Path, tmp_path: Path) -> None:
    path = fish_file(tmp_path, "B,female,wild-adult,brood,2016")
    assert import_into(place, path, who="").plan.rows()[0]["added"] == 1  # a dry run needs nobody
    for who, words in (("VI", "role view. Expected role enter"), ("someone", "does not know")):
        with pytest.raises(NotAllowedError, match=words):
            brought(place, path, who)
    assert brought(place, path, "EN").written
    assert last_signed(place) == "EN"


def test_import__two_people_sign_fish_that_become_released(place: Path, tmp_path: Path) -> None:
    path = fish_file(tmp_path, "B,female,hatchery,released,2016")
    with pytest.raises(NotAllowedError, match="1 fish that become released, signed by EN alone"):
        brought(place, path, "EN")
    with pytest.raises(NotAllowedError, match="--confirmed-by: found 'EN', role enter"):
        brought(place, path, "RB", confirmed_by="EN")
    with pytest.raises(NotAllowedError, match="'TA', who imports"):
        brought(place, path, "TA", confirmed_by="TA")
    assert brought(place, path, "EN", confirmed_by="TA").written
    assert last_signed(place) == "EN and TA"
    again = import_into(place, path, who="EN", write=True)  # nothing new: nothing to confirm
    assert not again.written


def test_import__two_people_sign_a_newer_file_that_releases(place: Path, tmp_path: Path) -> None:
    brought(place, fish_file(tmp_path, "B,female,hatchery,brood,2016"), "EN")
    path = fish_file(tmp_path, "B,female,hatchery,released,2016")
    with pytest.raises(NotAllowedError, match="1 fish that become released"):
        brought(place, path, "EN", newer=True)
    brought(place, path, "EN", newer=True, confirmed_by="RB")
    assert last_signed(place) == "EN and RB"


@pytest.mark.parametrize("kind", ["cull", "death"])
def test_import__two_people_sign_a_cull_and_one_a_death(place: Path, tmp_path: Path, kind: str) -> None:
    path = tmp_path / "group_moves.csv"
    path.write_text(f"move_id,kind,happened_on,number\n1,{kind},2024-10-01,3\n")
    if kind == "death":
        brought(place, path, "EN")
        return
    with pytest.raises(NotAllowedError, match="1 releases or culls of groups"):
        brought(place, path, "EN")
    brought(place, path, "EN", confirmed_by="RB")


def test_queue__one_person_cannot_take_a_release(place: Path, tmp_path: Path) -> None:
    brought(place, fish_file(tmp_path, "A,female,wild-adult,released,2015"), "EN")
    brought(
        place, fish_file(tmp_path, "A,female,wild-adult,brood,2014", name="fish_2.csv"), "EN", table="fish"
    )
    with Register.open(place) as register:
        release, year = open_items(register)
        day = utc_now().date()
        with pytest.raises(NotAllowedError, match=r"found a release. Expected two people"):
            decide_item(register, release.item_id, "new", {}, "TA", "seen", day)
        with pytest.raises(NotAllowedError, match=r"found a release. Expected two people"):
            decide_item(register, release.item_id, "fields", {"status": "new"}, "TA", "seen", day)
        with pytest.raises(NotAllowedError, match="role view"):
            decide_item(register, year.item_id, "new", {}, "VI", "scales", day)
        decide_item(register, year.item_id, "new", {}, "EN", "scales", day)
        decide_item(register, release.item_id, "old", {}, "EN", "entered apart", day)


def test_undo__needs_an_approver(place: Path, tmp_path: Path) -> None:
    brought(place, fish_file(tmp_path, "B,female,wild-adult,brood,2016"), "EN")
    with Register.open(place, read_only=True) as register:
        number = register.data_version().change_id
    with pytest.raises(NotAllowedError, match=r"role enter. Expected role approve"):
        undo_change(place, number, "EN", "wrong file")
    undo_change(place, number, "RB", "wrong file")
    assert last_signed(place) == "RB"


def test_merge__needs_an_approver(place: Path, tmp_path: Path) -> None:
    other = tmp_path / "laptop.kinshoal"
    with Register.open(place, read_only=True) as register:
        backup(register, other)
    brought(other, fish_file(tmp_path, "B,female,wild-adult,brood,2016"), "EN")
    merge_registers(place, other, "", False)
    with pytest.raises(NotAllowedError, match=r"role enter. Expected role approve"):
        merge_registers(place, other, "EN", True)
    merge_registers(place, other, "RB", True)
    assert last_signed(place) == "RB"


def test_findings__only_an_approver_accepts(place: Path) -> None:
    with pytest.raises(NotAllowedError, match=r"role enter. Expected role approve"):
        findings_of(place, "note", ["abc"], [], "EN", "seen", None)
    with pytest.raises(NotAllowedError, match=r"role view. Expected role enter"):
        findings_of(place, "note", [], ["abc"], "VI", "seen", None)


def test_record_plan__needs_a_person_who_may_enter(place: Path) -> None:
    outcome: Any = SimpleNamespace(day=utc_now().date(), provenance=SimpleNamespace(version=1))
    with pytest.raises(NotAllowedError, match=r"role view. Expected role enter"):
        record_plan(place, "spawning", outcome, [], "VI")


def test_import__people_in_a_package_come_from_an_approver(place: Path, tmp_path: Path) -> None:
    from planner.tasks.register_export import export_register

    package = tmp_path / "package"
    export_register(place, package)
    people = package / "own" / "people.csv"
    lines = people.read_text().splitlines()
    people.write_text("\n".join([*lines, lines[-1].replace(lines[-1].split(",")[0], "NEW", 1)]) + "\n")
    with pytest.raises(NotAllowedError, match=r"role enter. Expected role approve"):
        brought(place, package, "EN")
    brought(place, package, "TA", confirmed_by="RB")
    with Register.open(place, read_only=True) as register:
        assert register.get("people", "NEW") is not None


def test_import__the_first_people_hold_an_approver(place: Path, tmp_path: Path) -> None:
    from planner.tasks.register_export import export_register

    package = tmp_path / "package"
    export_register(place, package)
    people = package / "own" / "people.csv"
    people.write_text(people.read_text().replace("approve", "enter"))
    empty = tmp_path / "empty.kinshoal"
    Register.create(empty).close()
    with pytest.raises(NotAllowedError, match="first people without role approve"):
        brought(empty, package, "EN")
