"""Two copies of one register edited apart come together: nothing lost, true differences to the queue."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from broodstock.errors import UsageError
from planner.store.backup import backup
from planner.store.register import Register
from planner.store.undo import undo
from planner.tasks.register_merge import SOURCE, merge, merge_registers
from planner.tasks.register_queue import decide_item, open_items

UNITS = [{"unit_id": f"T-{i}", "kind": "tank", "capacity_fish": 10 * i} for i in range(1, 6)]


@pytest.fixture
def pair(tmp_path: Path):
    """The office's register and the laptop's, both with the same first change."""
    with Register.create(tmp_path / "office.db") as office:
        with office.writing("tess", "first") as writer:
            writer.add("units", UNITS)
        backup(office, tmp_path / "laptop.db")
        with Register.open(tmp_path / "laptop.db") as laptop:
            yield office, laptop


def change(register: Register, unit: str, who: str = "ana", **values) -> None:
    row = register.get("units", unit)
    assert row is not None
    with register.writing(who, f"new values of {unit}") as writer:
        writer.change("units", row["record_id"], values)


def plain(register: Register, table: str = "units") -> list[dict]:
    spec = register.schema.specs[table]
    rows = register.rows(table)
    return sorted(({n: r[n] for n in spec.names} for r in rows), key=lambda r: str(r))


def test_merge__takes_additions_corrections_and_withdrawals(pair) -> None:
    office, laptop = pair
    change(laptop, "T-1", capacity_fish=7)
    with laptop.writing("ana", "a pond more") as writer:
        writer.add("units", [{"unit_id": "P-1", "kind": "pond"}])
    with laptop.writing("ana", "gone") as writer:
        writer.withdraw("units", laptop.get("units", "T-5")["record_id"])
    change(office, "T-2", who="tess", capacity_fish=99)
    report = merge(office, laptop, "tess")
    assert [len(s.adds) + len(s.changes) + len(s.withdrawals) for s in report.steps] == [1, 1, 1]
    by_name = {r["unit_id"]: r for r in plain(office)}
    assert by_name["T-1"]["capacity_fish"] == 7
    assert by_name["T-2"]["capacity_fish"] == 99
    assert "P-1" in by_name
    assert "T-5" not in by_name
    assert open_items(office) == []
    assert office.verify().ok


def test_merge__one_change_for_each_original_says_who_and_when(pair) -> None:
    office, laptop = pair
    change(laptop, "T-1", who="ana", capacity_fish=7)
    change(laptop, "T-1", who="ben", capacity_fish=8)
    merge(office, laptop, "tess")
    made = [c for c in office.changes() if c.kind == "merge"]
    assert [c.entered_by for c in made] == ["tess", "tess"]
    theirs = laptop.changes(since=1)
    for mine, original in zip(made, theirs, strict=True):
        assert SOURCE.match(mine.source).group(2) == original.hash
        assert f"entered by {original.entered_by} at {original.entered_at}" in mine.source
        assert mine.reason == original.reason


def test_merge__other_fields_of_one_record_do_not_disagree(pair) -> None:
    office, laptop = pair
    change(laptop, "T-1", building="north")
    change(office, "T-1", who="tess", capacity_fish=3)
    merge(office, laptop, "tess")
    row = office.get("units", "T-1")
    assert (row["building"], row["capacity_fish"]) == ("north", 3)
    assert open_items(office) == []


def test_merge__one_field_changed_twice_waits_for_a_person(pair) -> None:
    office, laptop = pair
    change(laptop, "T-1", capacity_fish=7, building="north")
    change(office, "T-1", who="tess", capacity_fish=3)
    merge(office, laptop, "tess")
    row = office.get("units", "T-1")
    assert (row["capacity_fish"], row["building"]) == (3, "north")
    (item,) = open_items(office)
    assert item.differences() == [("capacity_fish", 3, 7)]
    assert "ana on" in item.row["theirs_source"]
    decide_item(office, item.item_id, "new", {}, "tess", "ana counted", office_day())
    assert office.get("units", "T-1")["capacity_fish"] == 7
    assert open_items(office) == []


def office_day():
    import datetime as dt

    return dt.date(2026, 1, 2)


def test_merge__a_record_added_on_both_sides_with_other_values_waits(pair) -> None:
    office, laptop = pair
    for register, fish in ((office, 5), (laptop, 6)):
        with register.writing("x", "new tank") as writer:
            writer.add("units", [{"unit_id": "T-9", "kind": "tank", "capacity_fish": fish}])
    merge(office, laptop, "tess")
    (item,) = open_items(office)
    assert item.differences() == [("capacity_fish", 5, 6)]


def test_merge__the_same_rows_entered_on_both_sides_stay_single(pair) -> None:
    office, laptop = pair
    tags = [{"box": "A", "first_code": "999009000000001", "last_code": "999009000000009"}] * 2
    for register in (office, laptop):
        with register.writing("x", "tags") as writer:
            writer.add("tags_bought", tags)
    merge(office, laptop, "tess")
    assert office.count("tags_bought") == 2
    assert open_items(office) == []


def test_merge__withdrawn_there_but_changed_or_named_here_waits(pair) -> None:
    office, laptop = pair
    for unit in ("T-1", "T-2"):
        with laptop.writing("ana", "gone") as writer:
            writer.withdraw("units", laptop.get("units", unit)["record_id"])
    change(office, "T-1", who="tess", capacity_fish=3)
    with office.writing("tess", "certificate") as writer:
        writer.add(
            "certificates",
            [
                {
                    "certificate_id": "C1",
                    "unit": "T-2",
                    "issued_on": "2025-01-01",
                    "valid_until": "2026-01-01",
                    "result": "clear",
                }
            ],
        )
    merge(office, laptop, "tess")
    assert {i.row["record_key"] for i in open_items(office)} == {"T-1", "T-2"}
    assert office.get("units", "T-1") is not None
    assert office.get("units", "T-2") is not None


def test_merge__a_row_that_names_what_is_gone_here_waits(pair) -> None:
    office, laptop = pair
    with laptop.writing("ana", "certificate") as writer:
        writer.add(
            "certificates",
            [
                {
                    "certificate_id": "C1",
                    "unit": "T-2",
                    "issued_on": "2025-01-01",
                    "valid_until": "2026-01-01",
                    "result": "clear",
                }
            ],
        )
    with office.writing("tess", "gone") as writer:
        writer.withdraw("units", office.get("units", "T-2")["record_id"])
    merge(office, laptop, "tess")
    (item,) = open_items(office)
    assert item.row["table"] == "certificates"
    assert item.theirs["unit"] == "T-2"
    assert office.count("certificates") == 0


def test_merge__again_changes_nothing(pair) -> None:
    office, laptop = pair
    change(laptop, "T-1", capacity_fish=7)
    change(office, "T-1", who="tess", capacity_fish=3)
    with laptop.writing("ana", "hold") as writer:
        writer.add(
            "holds",
            [{"subject": "T-1", "subject_kind": "unit", "reason": "other", "from_date": "2025-01-01"}],
        )
    merge(office, laptop, "tess")
    before = office.data_version()
    report = merge(office, laptop, "tess")
    assert report.known == 2
    assert office.data_version() == before


def test_merge__later_corrections_find_the_record_merged_before(pair) -> None:
    office, laptop = pair
    hold = {"subject": "T-1", "subject_kind": "unit", "reason": "other", "from_date": "2025-01-01"}
    with office.writing("tess", "another hold, so that numbers differ") as writer:
        writer.add("holds", [hold | {"subject": "T-3"}])
    with laptop.writing("ana", "hold") as writer:
        (record,) = writer.add("holds", [hold])
    merge(office, laptop, "tess")
    with laptop.writing("ana", "over") as writer:
        writer.change("holds", record, {"until_date": "2025-02-01"})
    merge(office, laptop, "tess")
    rows = {r["subject"]: r["until_date"] for r in office.rows("holds")}
    assert rows == {"T-1": "2025-02-01", "T-3": None}


def test_merge__both_ways_gives_the_same_records(pair) -> None:
    office, laptop = pair
    change(laptop, "T-1", capacity_fish=7)
    change(office, "T-2", who="tess", capacity_fish=3)
    merge(office, laptop, "tess")
    merge(laptop, office, "ana")
    assert plain(office) == plain(laptop)
    assert merge(office, laptop, "tess").steps == []


def test_merge__takes_an_undo_there(pair) -> None:
    office, laptop = pair
    change(laptop, "T-1", capacity_fish=7)
    undo(laptop, laptop.data_version().change_id, "ana", "mistake")
    merge(office, laptop, "tess")
    assert plain(office) == plain(laptop)


def test_merge__refuses_strangers(pair, tmp_path: Path) -> None:
    office, _ = pair
    with Register.create(tmp_path / "other.db") as other:
        with other.writing("x", "y") as writer:
            writer.add("units", UNITS)
        with pytest.raises(UsageError, match="found no change that both have"):
            merge(office, other, "tess")


def test_merge_registers__dry_run_writes_nothing(pair, tmp_path: Path) -> None:
    office, laptop = pair
    change(laptop, "T-1", capacity_fish=7)
    before = office.data_version()
    text, data = merge_registers(tmp_path / "office.db", tmp_path / "laptop.db", "", False)
    assert office.data_version() == before
    assert data["changes"][0]["changed"] == 1
    assert "A dry run" in text
    merge_registers(tmp_path / "office.db", tmp_path / "laptop.db", "tess", True)
    assert office.get("units", "T-1")["capacity_fish"] == 7


@pytest.mark.parametrize("seed", range(8))
def test_merge__nothing_is_lost_on_random_histories(pair, seed: int) -> None:
    """Every value a side gave last stands in the merged register, or in its queue."""
    office, laptop = pair
    common = plain(office)
    rng = random.Random(seed)
    for step in range(12):
        for name, register in (("office", office), ("laptop", laptop)):
            rows = register.rows("units")
            act = rng.random()
            with register.writing(name, f"step {step}") as writer:
                if act < 0.3:
                    writer.add(
                        "units",
                        [
                            {
                                "unit_id": f"N-{rng.randrange(6)}{name[:1] if act < 0.2 else ''}-{step}",
                                "kind": "tank",
                            }
                        ],
                    )
                elif act < 0.9 or len(rows) < 3:
                    row = rng.choice(rows)
                    new = rng.choice([{"capacity_fish": 1000 + step}, {"building": f"{name} {step}"}])
                    writer.change("units", row["record_id"], new)
                else:
                    writer.withdraw("units", rng.choice(rows)["record_id"])
    ours_before, theirs = plain(office), plain(laptop)
    merge(office, laptop, "tess")
    assert office.verify().ok
    merged = {r["unit_id"]: r for r in plain(office)}
    waiting = {i.row["record_key"]: i for i in open_items(office)}
    for row in theirs:
        if row in common:  # untouched there: what the office did stands
            continue
        key = row["unit_id"]
        assert key in merged or key in waiting
        for column, value in row.items():
            mine = merged.get(key, {}).get(column)
            base = next((r for r in ours_before if r["unit_id"] == key), {}).get(column)
            assert mine in (value, base) or key in waiting
    for row in ours_before:
        if row["unit_id"] not in merged:
            assert row["unit_id"] not in {r["unit_id"] for r in theirs}, "only the other side may withdraw it"
    again = office.data_version()
    merge(office, laptop, "tess")
    assert office.data_version() == again
