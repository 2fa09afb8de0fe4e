"""The register: enter, correct, withdraw, read back, look into the past; on both databases."""

from __future__ import annotations

import datetime as dt
import subprocess
import sys
from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest

from broodstock.errors import InputError, UsageError
from broodstock.fields import TABLES
from broodstock.genotypes.genotype_set import GenotypeSet, Locus
from broodstock.intake.folder import read_folder
from planner.store.call_blobs import pack_calls, unpack_calls
from planner.store.errors import (
    KeyTaken,
    NameUnknown,
    NothingChanged,
    RecordInUse,
    RecordMissing,
    RegisterReadOnly,
    StaleRecord,
    TableUnknown,
)
from planner.store.register import Register


def fish(name: str, **more: object) -> dict[str, object]:
    return {"fish_id": name, "sex": "female", "origin": "hatchery", "status": "brood", **more}


def add_fish(register: Register, *names: str, **more: object) -> list[int]:
    with register.writing("ann", "new fish") as w:
        return w.add("fish", [fish(n, **more) for n in names])


def test_add__gives_back_every_kind_of_value(register: Register) -> None:
    with register.writing("ann", "start", true_on=dt.date(2026, 3, 1), source="book 4") as w:
        w.add(
            "sites",
            [
                {
                    "site_id": "S1",
                    "name": "Étang du Nord",
                    "kind": "refuge",
                    "predators": "none",
                    "tempering": True,
                    "area_ha": 0.1 + 0.2,
                    "capacity_fish": 12,
                }
            ],
        )
        w.add(
            "deployments",
            [
                {
                    "deployment_id": "D1",
                    "site_id": "S1",
                    "from_time": "2026-03-01T06:30:00",
                    "to_time": dt.datetime(2026, 3, 2, 7, 0, 0, 500),
                }
            ],
        )
        w.add("fish", [fish("F1", hatched_on=dt.date(2020, 5, 4), tag="999000000000001", note="  ")])
    site = register.get("sites", "S1")
    assert site is not None
    assert site["name"] == "Étang du Nord"
    assert site["tempering"] is True
    assert site["area_ha"] == 0.1 + 0.2
    assert site["capacity_fish"] == 12
    assert site["open_for_release"] is None
    times = register.rows("deployments", columns=["from_time", "to_time"])
    assert times == [{"from_time": "2026-03-01T06:30:00", "to_time": "2026-03-02T07:00:00.000500"}]
    one = register.get("fish", "F1")
    assert one is not None
    assert (one["hatched_on"], one["tag"], one["note"]) == ("2020-05-04", "999000000000001", None)
    change = register.changes()[0]
    assert (change.entered_by, change.reason, change.source, change.true_on) == (
        "ann",
        "start",
        "book 4",
        "2026-03-01",
    )
    assert register.data_version().text == f"change 1, {change.hash[:8]}"


def test_frame__is_what_the_reader_of_files_makes(register: Register, tiny: str) -> None:
    read = read_folder(tiny)
    with register.writing("ann", "start", kind="import") as w:
        for name, frame in read.tables.items():
            assert len(w.add(name, frame, source_rows=frame.index)) == len(frame)
        for name, calls in read.genotypes.items():
            kind = "snp" if name == "snps" else "microsatellite"
            w.add("call_sets", [{"call_set": name, "kind": kind, "blob": w.put_blob(pack_calls(calls))}])
    again = register.records()
    assert list(again.tables) == list(read.tables)
    for name, frame in read.tables.items():
        kept = again.tables[name]
        assert kept.index.name == "row"
        assert kept.attrs["file"] == name
        pd.testing.assert_frame_equal(
            kept.reset_index(drop=True), frame.reset_index(drop=True), check_index_type=False
        )
    for name, calls in read.genotypes.items():
        np.testing.assert_array_equal(again.genotypes[name].calls, calls.calls)
        assert again.genotypes[name].loci == calls.loci
    assert again.fingerprint == register.data_version().hash
    assert not again.findings
    rows = register.rows("fish", columns=["fish_id", "source_row"])
    assert [r["source_row"] for r in rows] == list(read.tables["fish"].index)
    part = register.records(skip=["fish", "snps"])
    assert part.tables["fish"].empty
    assert set(part.genotypes) == set(read.genotypes) - {"snps"}
    report = register.verify()
    assert report.ok, report.problems
    assert report.rows == sum(len(f) for f in read.tables.values()) + len(read.genotypes)


@pytest.fixture(scope="session")
def tiny(tmp_path_factory: pytest.TempPathFactory) -> str:
    from pathlib import Path

    return str(Path(__file__).resolve().parents[2] / "data_examples" / "tiny")


def test_frame__of_an_empty_table_is_typed(register: Register) -> None:
    for name in (*TABLES, "plans", "people"):
        frame = register.frame(name)
        assert frame.empty
        assert frame.index.name == "row"


def test_change__keeps_the_old_version(register: Register) -> None:
    (number,) = add_fish(register, "F1", weight_g=10)
    with register.writing("bob", "misread") as w:
        entry = w.change("fish", number, {"weight_g": "12.5", "sex": "female"})
    now = register.get("fish", "F1")
    assert now is not None
    assert (now["weight_g"], now["entry_id"], now["record_id"]) == (12.5, entry, number)
    old, new = register.history("fish", number)
    assert (old.values["weight_g"], new.values["weight_g"]) == (10.0, 12.5)
    assert old.ended == new.entered
    assert (new.entered.entered_by, new.entered.reason) == ("bob", "misread")
    assert new.is_current
    assert not old.is_current


def test_change__empties_a_cell(register: Register) -> None:
    (number,) = add_fish(register, "F1", note="seen")
    with register.writing("bob", "no note") as w:
        w.change("fish", number, {"note": ""})
    assert register.rows("fish", {"note": None}, columns=["fish_id"]) == [{"fish_id": "F1"}]


def test_as_known_on__is_what_was_believed_then(place: str) -> None:
    moments = iter([dt.datetime(2026, 1, d, 12, tzinfo=dt.UTC) for d in (1, 2, 3)])
    with Register.create(place, clock=lambda: next(moments)) as register:
        (number,) = add_fish(register, "F1", weight_g=10)
        with register.writing("bob", "misread") as w:
            w.change("fish", number, {"weight_g": 20})
        with register.writing("bob", "not ours") as w:
            w.withdraw("fish", number)
        weights = [[r["weight_g"] for r in register.rows("fish", as_known_on=n)] for n in range(4)]
        assert weights == [[], [10.0], [20.0], []]
        assert [len(register.frame("fish", as_known_on=n)) for n in range(4)] == [0, 1, 1, 0]
        noon = dt.datetime(2026, 1, 2, 12, tzinfo=dt.UTC)
        second = dt.timedelta(seconds=1)
        for moment, expected in (
            (noon - second, [10.0]),
            (noon, [20.0]),
            (noon + 2 * dt.timedelta(days=1), []),
        ):
            assert [r["weight_g"] for r in register.rows("fish", as_known_on=moment)] == expected
        here = noon.astimezone(dt.timezone(dt.timedelta(hours=-7)))
        assert register.rows("fish", as_known_on=here) == register.rows("fish", as_known_on=2)
        assert register.records(as_known_on=1).fingerprint == register.changes()[0].hash
        with pytest.raises(UsageError, match=r"found change 4\. Expected a number from 0 to 3"):
            register.rows("fish", as_known_on=4)


def test_withdraw__hides_the_record_and_keeps_its_history(register: Register) -> None:
    first, _ = add_fish(register, "F1", "F2")
    with register.writing("bob", "never existed") as w:
        w.withdraw("fish", first)
    assert register.get("fish", "F1") is None
    assert [r["fish_id"] for r in register.rows("fish")] == ["F2"]
    (version,) = register.history("fish", first)
    assert version.ended is not None
    assert version.ended.reason == "never existed"
    with pytest.raises(RecordMissing, match=f"no record number {first}"), register.writing("bob", "x") as w:
        w.withdraw("fish", first)
    assert register.verify().ok


def test_add__a_withdrawn_name_comes_back_as_the_same_record(register: Register) -> None:
    first, _ = add_fish(register, "F1", "F2")
    with register.writing("bob", "mistake") as w:
        w.withdraw("fish", first)
    third, again = add_fish(register, "F3", "F1")
    assert again == first
    assert third not in (first, again)
    assert len(register.history("fish", first)) == 2


def test_add__refuses_a_key_that_is_taken(register: Register) -> None:
    (number,) = add_fish(register, "F1", "F2")[:1]
    with pytest.raises(KeyTaken, match=f"fish_id 'F1': found the key of record {number}"):
        add_fish(register, "F9", "F1")
    with pytest.raises(KeyTaken, match="fish_id 'F3': found it also in row 2"):
        add_fish(register, "F3", "F3")
    with register.writing("bob", "rename") as w:
        w.change("fish", number, {"fish_id": "F5"})
    with pytest.raises(KeyTaken, match=f"a name that record {number} had before"):
        add_fish(register, "F1")
    with pytest.raises(KeyTaken, match="fish_id 'F2'"), register.writing("bob", "rename") as w:
        w.change("fish", number, {"fish_id": "F2"})
    assert [r["fish_id"] for r in register.rows("fish")] == ["F5", "F2"]


def test_add__many_rows_compare_keys_with_the_whole_table(register: Register) -> None:
    names = [f"F{i:04d}" for i in range(1200)]
    with register.writing("ann", "start") as w:
        numbers = w.add("fish", [fish(n) for n in names])
    with register.writing("ann", "away") as w:
        w.withdraw("fish", numbers[7])
    with pytest.raises(KeyTaken, match="fish_id 'F0003'"):
        add_fish(register, *[f"G{i}" for i in range(600)], "F0003")
    back = add_fish(register, *[f"G{i}" for i in range(600)], "F0007")
    assert back[-1] == numbers[7]
    assert register.count("fish") == 1800
    assert register.verify().ok


def test_add__a_freed_key_that_nothing_names_may_be_used_by_another(register: Register) -> None:
    add_fish(register, "F1")
    look = {"fish_id": "F1", "checked_on": "2026-02-01", "state": "ripe"}
    with register.writing("ann", "look") as w:
        (wrong,) = w.add("ripeness", [look])
    with register.writing("ann", "it was March") as w:
        w.change("ripeness", wrong, {"checked_on": "2026-03-01"})
    with register.writing("ann", "a real one") as w:
        (other,) = w.add("ripeness", [look])
    assert other != wrong
    assert register.count("ripeness") == 2


def test_change__refuses_what_changes_nothing_and_what_is_stale(register: Register) -> None:
    (number,) = add_fish(register, "F1", weight_g=10)
    seen = register.get("fish", "F1")
    assert seen is not None
    with pytest.raises(NothingChanged, match="the values it has already"), register.writing("b", "x") as w:
        w.change("fish", number, {"weight_g": "10.0", "fish_id": "F1"})
    with register.writing("bob", "weighed") as w:
        w.change("fish", number, {"weight_g": 11}, expected_entry=seen["entry_id"])
    with pytest.raises(StaleRecord, match="change 2 came between"), register.writing("cy", "weighed") as w:
        w.change("fish", number, {"weight_g": 12}, expected_entry=seen["entry_id"])
    with pytest.raises(StaleRecord, match="Read the record again"), register.writing("cy", "gone") as w:
        w.withdraw("fish", number, expected_entry=seen["entry_id"])
    assert register.data_version().change_id == 2


def test_references__are_checked_when_the_change_is_closed(register: Register) -> None:
    with register.writing("ann", "child first") as w:
        w.add("fish", [fish("C1", dam="MOTHER-1")])
        w.add("fish", [fish("MOTHER-1")])
    with pytest.raises(NameUnknown, match=r"table 'fish', dam: found 'MOTHER-11'.*Did you mean 'MOTHER-1'"):
        add_fish(register, "C2", dam="MOTHER-11")
    still = "names that 'fish', dam, still uses: 'MOTHER-1' in 1 record"
    with pytest.raises(RecordInUse, match=still), register.writing("bob", "away") as w:
        w.withdraw("fish", 2)
    with pytest.raises(RecordInUse, match="'MOTHER-1' in 1 record"), register.writing("bob", "rename") as w:
        w.change("fish", 2, {"fish_id": "M7"})
    with register.writing("bob", "rename both") as w:
        w.change("fish", 2, {"fish_id": "M7"})
        w.change("fish", 1, {"dam": "M7"})
    with register.writing("bob", "both away") as w:
        w.withdraw("fish", 2)
        w.withdraw("fish", 1)
    with pytest.raises(NameUnknown, match="found 'M7'"):
        add_fish(register, "C3", dam="M7")
    assert register.verify().ok


def test_writing__is_all_or_nothing(register: Register) -> None:
    before = register.data_version()

    def half() -> None:
        with register.writing("ann", "half") as w:
            w.add("fish", [fish("F1")])
            raise ZeroDivisionError("stopped in the middle")

    with pytest.raises(ZeroDivisionError, match="stopped in the middle"):
        half()
    assert register.data_version() == before
    assert register.count("fish") == 0
    add_fish(register, "F1")
    assert register.verify().ok


def test_writing__without_work_leaves_no_change(register: Register) -> None:
    with register.writing("ann", "nothing") as w:
        w.add("fish", [])
    assert register.data_version().change_id == 0
    with pytest.raises(UsageError, match="found no who"), register.writing(" ", "x"):
        pass
    with pytest.raises(UsageError, match="found no reason"), register.writing("ann", ""):
        pass


def test_add__lists_every_bad_value(register: Register) -> None:
    with pytest.raises(InputError) as caught, register.writing("ann", "bad") as w:
        w.add(
            "fish",
            [
                fish("F1", sex="f", weight_g="12,5"),
                fish("F2", status="", hatched_on="3/4/20"),
                fish("F3", weight_g=-1.0),
            ],
            source_rows=[2, 3, 9],
        )
    found = {(f.where.row, f.where.column, f.code) for f in caught.value.findings}
    assert found >= {
        (2, "sex", "unknown-choice"),
        (2, "weight_g", "decimal-comma"),
        (9, "weight_g", "out-of-range"),
        (3, "status", "missing-cell"),
    }
    assert any(f.where.column == "hatched_on" for f in caught.value.findings)
    for value in (True, object(), float("inf"), 1.5):
        with pytest.raises(InputError, match=r"year_class"), register.writing("ann", "bad") as w:
            w.add("fish", [fish("F1", year_class=value)])
    for text in ("a\0b", "\ud800"):
        with pytest.raises(InputError, match="control"), register.writing("ann", "bad") as w:
            w.add("plans", [{"plan_id": text, "kind": "x", "state": "draft"}])
    assert register.data_version().change_id == 0


def test_add__reads_frames_and_rows_alike(new_place: Callable[..., str]) -> None:
    rows = [
        fish("F1", weight_g=1.5, year_class=2020, hatched_on=dt.date(2020, 1, 2)),
        fish("F2", tag="999000000000007"),
    ]
    frame = pd.DataFrame(rows)
    frame["hatched_on"] = pd.to_datetime(frame["hatched_on"])
    frame["year_class"] = frame["year_class"].astype("Int64")
    seen = []
    for given in (rows, frame):
        with Register.create(new_place(), clock=lambda: dt.datetime(2026, 1, 1, tzinfo=dt.UTC)) as register:
            with register.writing("ann", "start") as w:
                w.add("fish", given)
            seen.append((register.rows("fish"), register.data_version()))
    assert seen[0] == seen[1]


def test_rows__where_order_and_part(register: Register) -> None:
    add_fish(register, "F1", "F2", weight_g=5)
    add_fish(register, "F3", weight_g=7)
    add_fish(register, "F4", tag="999000000000001")
    names = lambda *a, **k: [r["fish_id"] for r in register.rows("fish", *a, **k)]  # noqa: E731
    assert names({"weight_g": "5"}) == ["F1", "F2"]
    assert names({"weight_g": None}) == ["F4"]
    assert names({"fish_id": ["F3", "F1", "nobody"]}) == ["F1", "F3"]
    assert names({"fish_id": []}) == []
    assert names(order_by=["-weight_g", "fish_id"]) == ["F3", "F1", "F2", "F4"]
    assert names(order_by=["weight_g"], limit=2, offset=1) == ["F2", "F3"]
    assert names({"tag": "999000000000001", "sex": "female"}) == ["F4"]
    assert register.count("fish", {"weight_g": 5}) == 2
    with pytest.raises(TableUnknown, match=r"a column 'wieght_g'.*Did you mean 'weight_g'"):
        register.rows("fish", {"wieght_g": 5})
    with pytest.raises(TableUnknown, match=r"a table 'fisch'.*Did you mean 'fish'"):
        register.rows("fisch")
    with pytest.raises(TableUnknown, match="a column 'weight'"), register.writing("ann", "x") as w:
        w.add("fish", [fish("F9", weight=5)])
    with pytest.raises(UsageError, match="a key of 1 part"):
        register.get("ripeness", "F1")
    assert register.get("ripeness", ("F1", "2026-01-01")) is None


def test_writer__reads_its_own_work(register: Register) -> None:
    with register.writing("ann", "start") as w:
        (number,) = w.add("fish", [fish("F1")])
        assert w.get("fish", "F1") is not None
        w.change("fish", number, {"note": "twice"})
        assert [r["note"] for r in w.rows("fish")] == ["twice"]
        assert register.dialect == "postgresql" or register.count("fish") == 0
    assert [v.values["note"] for v in register.history("fish", number)] == [None, "twice"]
    assert register.verify().ok


def test_open__read_only_refuses_to_write(place: str) -> None:
    with Register.create(place) as register:
        add_fish(register, "F1")
    with Register.open(place, read_only=True) as again:
        assert again.get("fish", "F1") is not None
        assert again.verify().ok
        with pytest.raises(RegisterReadOnly, match="opened for reading"), again.writing("ann", "x"):
            pass
        again.read_only = False  # the database itself refuses too
        with pytest.raises(RegisterReadOnly, match="that it may not be written"):
            add_fish(again, "F2")


def test_call_blobs__same_calls_same_bytes() -> None:
    rng = np.random.default_rng(5)
    loci = tuple(Locus(f"L{i}", position=i) for i in range(7))
    calls = rng.integers(0, 2, (7, 11, 2)).astype(np.int16)
    one = GenotypeSet(tuple(f"S{i}" for i in range(11)), loci, (("A", "G"),) * 7, calls)
    packed = pack_calls(one)
    assert packed == pack_calls(unpack_calls(packed))
    again = unpack_calls(packed)
    assert (again.samples, again.loci, again.alleles) == (one.samples, one.loci, one.alleles)
    np.testing.assert_array_equal(again.calls, calls)


def test_put_blob__keeps_bytes_once(register: Register) -> None:
    with register.writing("ann", "calls") as w:
        names = {w.put_blob(b"abc"), w.put_blob(b"abc")}
        w.add("call_sets", [{"call_set": "snps", "kind": "snp", "blob": names.pop()}])
        assert not names
    kept = register.rows("call_sets")[0]["blob"]
    assert register.blob(kept) == b"abc"
    assert register.verify().blobs == 1
    with pytest.raises(RecordMissing, match="nothing kept under"):
        register.blob("0" * 64)


def test_questions__import_no_pandas(file_register: Register) -> None:
    add_fish(file_register, "F1")
    code = (
        "import sys\nfrom planner.store.register import Register\n"
        f"with Register.open({file_register.place!r}, read_only=True) as r:\n"
        "    one = r.get('fish', 'F1')\n    r.history('fish', one['record_id']); r.rows('fish'); r.changes()\n"
        "heavy = {'pandas', 'numpy', 'alembic', 'scipy'} & set(sys.modules)\nassert not heavy, heavy\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
