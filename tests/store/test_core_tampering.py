"""Rewriting the past is refused, and found where someone went round the refusal; damaged files are told from whole ones."""

from __future__ import annotations

import contextlib
import hashlib
import json
import random
import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest
import sqlalchemy as sa

from planner.store.chain import START, TableDigest, content_hash, seal
from planner.store.errors import AppendOnly, RegisterDamaged, RegisterError, RegisterMissing
from planner.store.register import Register
from planner.store.triggers import drop_triggers, remake_triggers
from planner.store.undo import undo


def fish(name: str, **more: object) -> dict[str, object]:
    return {"fish_id": name, "sex": "female", "origin": "hatchery", "status": "brood", **more}


def four_changes(register: Register) -> None:
    with register.writing("ann", "units") as w:
        w.add("units", [{"unit_id": "T1", "kind": "tank"}])
    with register.writing("ann", "fish") as w:
        w.add("fish", [fish(f"F{i}", unit="T1", weight_g=10 + i) for i in range(5)])
    with register.writing("bob", "weighed") as w:
        w.change("fish", 2, {"weight_g": 20})
        w.withdraw("fish", 5)
    with register.writing("cy", "more") as w:
        w.add("fish", [fish("F9", dam="F0")])


REWRITES = (
    "UPDATE fish SET weight_g = 11 WHERE entry_id = 1",
    "UPDATE fish SET change_id = 4 WHERE entry_id = 1",
    "UPDATE fish SET ended_by = NULL WHERE entry_id = 2",
    "UPDATE fish SET ended_by = 4 WHERE entry_id = 2",
    "UPDATE fish SET ended_by = 2 WHERE entry_id = 1",
    "UPDATE fish SET ended_by = 5, weight_g = 3 WHERE entry_id = 1",
    "DELETE FROM fish WHERE entry_id = 1",
    "INSERT INTO fish (entry_id, record_id, change_id, fish_id) VALUES (99, 99, 2, 'X')",
    "INSERT INTO fish (entry_id, record_id, change_id, fish_id) VALUES (99, 99, 7, 'X')",
    "INSERT INTO fish (entry_id, record_id, change_id, ended_by, fish_id) VALUES (99, 99, 5, 5, 'X')",
    "UPDATE change SET reason = 'none' WHERE change_id = 2",
    "DELETE FROM change WHERE change_id = 4",
    "INSERT INTO change SELECT 9, entered_at, entered_by, reason, source, true_on, kind, hash, '', '' FROM change WHERE change_id = 4",
    "INSERT INTO change SELECT 5, entered_at, entered_by, reason, source, true_on, kind, 'x', '', '' FROM change WHERE change_id = 4",
    "UPDATE fish_names SET name = 'Z' WHERE name = 'F1'",
    "DELETE FROM fish_names WHERE name = 'F1'",
)


def test_rewriting__is_refused_by_the_database(register: Register) -> None:
    four_changes(register)
    for statement in REWRITES:
        with pytest.raises(AppendOnly, match="an attempt to rewrite"), register.writing("eve", "x") as w:
            w._connection.exec_driver_sql(statement)
    if register.dialect == "postgresql":
        with pytest.raises(AppendOnly, match="TRUNCATE on fish"), register.writing("eve", "x") as w:
            w._connection.exec_driver_sql("TRUNCATE fish")
    else:
        replace = "INSERT OR REPLACE INTO fish_names VALUES ('F1')"
        with pytest.raises(AppendOnly, match="deletion from fish_names"), register.writing("eve", "x") as w:
            w._connection.exec_driver_sql(replace)
    report = register.verify()
    assert report.ok, report.problems
    assert report.changes == 4


TAMPERINGS = (
    ("UPDATE fish SET weight_g = 11 WHERE entry_id = 1", 2, "its rows are not those that were entered"),
    ("UPDATE fish SET weight_g = 21 WHERE entry_id = 6", 3, "its rows are not those that were entered"),
    ("UPDATE fish SET note = '' WHERE entry_id = 6", 3, "its rows are not those that were entered"),
    ("UPDATE fish SET source_row = 4 WHERE entry_id = 6", 3, "its rows are not those that were entered"),
    ("UPDATE fish SET record_id = 77 WHERE entry_id = 7", 4, "its rows are not those that were entered"),
    ("UPDATE fish SET ended_by = NULL WHERE entry_id = 5", 3, "its rows are not those that were entered"),
    ("UPDATE fish SET ended_by = 4 WHERE entry_id = 1", 4, "its rows are not those that were entered"),
    ("UPDATE fish SET ended_by = 4 WHERE entry_id = 5", 3, "its rows are not those that were entered"),
    ("DELETE FROM fish WHERE entry_id = 4", 2, "its rows are not those that were entered"),
    (
        "INSERT INTO fish (entry_id, record_id, change_id, fish_id) VALUES (99, 99, 3, 'X')",
        3,
        "its rows are not those that were entered",
    ),
    ("UPDATE change SET reason = 'none' WHERE change_id = 2", 2, "who, when, why or its seal was altered"),
    ("UPDATE change SET entered_at = '2020-01-01T00:00:00.000000Z' WHERE change_id = 1", 1, "was altered"),
    ("UPDATE change SET true_on = '2020-01-01' WHERE change_id = 4", 4, "was altered"),
    ("UPDATE change SET hash = content_hash WHERE change_id = 4", 4, "was altered"),
    ("DELETE FROM change WHERE change_id = 3", 3, "Change 3 is missing"),
    ("DELETE FROM change WHERE change_id = 4", 4, "there are rows of it, but not the change itself"),
)


@pytest.mark.parametrize(("statement", "first", "words"), TAMPERINGS, ids=[t[0][:60] for t in TAMPERINGS])
def test_verify__names_the_first_change_that_was_tampered_with(
    register: Register, statement: str, first: int, words: str
) -> None:
    four_changes(register)
    go_round(register, statement)
    report = register.verify()
    assert not report.ok
    assert report.first_broken == first
    assert any(words in p for p in report.problems), report.problems


def go_round(register: Register, *statements: str) -> None:
    """Do what an owner of the database can: take the triggers off, write, put them back."""
    with register._engine.connect() as connection:
        raw = connection.connection.driver_connection
        assert raw is not None
        if register.dialect == "sqlite":
            raw.execute("PRAGMA foreign_keys=OFF")
        with connection.begin():
            drop_triggers(connection)
            if register.dialect == "postgresql":
                connection.exec_driver_sql("SET LOCAL session_replication_role = replica")
            for statement in statements:
                connection.exec_driver_sql(statement)
            if register.dialect == "postgresql":
                connection.exec_driver_sql("SET LOCAL session_replication_role = DEFAULT")
            remake_triggers(connection, register.schema)
        connection.invalidate()


def test_verify__finds_a_seal_made_anew(register: Register) -> None:
    """Someone alters a change and computes its own seal again: the next change no longer follows."""
    four_changes(register)
    change = register.changes(since=1, limit=1)[0]
    head = {**change.as_dict(), "reason": "another"}
    new = seal(change.previous_hash, head, change.content_hash)
    go_round(register, f"UPDATE change SET reason = 'another', hash = '{new}' WHERE change_id = 2")
    report = register.verify()
    assert report.first_broken == 3
    assert "Change 3: does not follow from the change before it." in report.problems


def test_verify__finds_lost_names_triggers_and_blobs(register: Register) -> None:
    four_changes(register)
    with register.writing("ann", "calls") as w:
        w.add("call_sets", [{"call_set": "snps", "kind": "snp", "blob": w.put_blob(b"abc")}])
    go_round(register, "DELETE FROM fish_names WHERE name = 'F3'", "UPDATE blobs SET size = 4")
    with register._engine.begin() as connection:
        on = "" if register.dialect == "sqlite" else " ON units"
        connection.execute(sa.text(f'DROP TRIGGER "keeps_units_stay"{on}'))
    problems = register.verify().problems
    assert any("'F3' is missing among its names" in p for p in problems)
    assert any("is not what was put there" in p for p in problems)
    assert any("1 trigger(s) that keep history are missing" in p for p in problems)


def test_hashes__can_be_recomputed_from_the_description(file_register: Register) -> None:
    """The chain by its description alone: hashlib, json and the rows; an auditor needs nothing of ours."""
    four_changes(file_register)
    dump = lambda x: json.dumps(x, ensure_ascii=False, separators=(",", ":"))  # noqa: E731
    with contextlib.closing(sqlite3.connect(file_register.place)) as db:
        db.row_factory = sqlite3.Row
        previous = "0" * 64
        for change in db.execute("SELECT * FROM change ORDER BY change_id"):
            number, content = change["change_id"], {}
            for table in ("fish", "units"):
                added = ""
                for row in db.execute(
                    f"SELECT * FROM {table} WHERE change_id = ? ORDER BY entry_id", [number]
                ):
                    marks = ("entry_id", "record_id", "change_id", "ended_by", "source_row")
                    cells = {k: row[k] for k in sorted(row.keys()) if k not in marks and row[k] is not None}
                    added += dump([row["entry_id"], row["record_id"], row["source_row"], cells]) + "\n"
                query = f"SELECT entry_id FROM {table} WHERE ended_by = ? ORDER BY entry_id"
                ended = "".join(f"{r[0]}\n" for r in db.execute(query, [number]))
                if added or ended:
                    content[table] = [hashlib.sha256(t.encode()).hexdigest() for t in (added, ended)]
            inside = hashlib.sha256(dump(content).encode()).hexdigest()
            parts = ("change_id", "entered_at", "entered_by", "reason", "source", "true_on", "kind")
            text = previous + dump({p: change[p] for p in parts}) + inside
            assert change["hash"] == hashlib.sha256(text.encode()).hexdigest()
            previous = change["hash"]


def test_hashes__do_not_depend_on_how_rows_arrive_or_on_empty_new_columns() -> None:
    rows = [(i, i, None, f"name {i}", None if i % 2 else 1.5) for i in range(25_000)]
    whole, parts, wider = TableDigest(["b", "a"]), TableDigest(["b", "a"]), TableDigest(["b", "new", "a"])
    whole.add(rows)
    for i in range(0, len(rows), 7000):
        parts.add(rows[i : i + 7000])
    wider.add([(*r[:4], None, r[4]) for r in rows])
    assert whole.pair() == parts.pair() == wider.pair()
    assert content_hash({"t": whole, "u": TableDigest(["a"])}) == content_hash({"t": whole})
    other = TableDigest(["b", "a"])
    other.add([*rows[:-1], (*rows[-1][:3], "name x", rows[-1][4])])
    assert other.pair() != whole.pair()
    assert seal(
        START,
        dict.fromkeys(("change_id", "entered_at", "entered_by", "reason", "source", "true_on", "kind")),
        "c",
    )


def test_undo__brings_back_what_was_before(register: Register) -> None:
    four_changes(register)
    before = register.rows("fish", as_known_on=2)
    change = undo(register, 3, "dan", "wrong tank")
    assert (change.change_id, change.kind, change.source, change.reason) == (
        5,
        "undo",
        "change 3",
        "wrong tank",
    )
    columns = register.schema.specs["fish"].names
    now = [
        {c: r[c] for c in (*columns, "record_id")}
        for r in register.rows("fish", {"fish_id": [r["fish_id"] for r in before]})
    ]
    assert now == [{c: r[c] for c in (*columns, "record_id")} for r in before]
    again = undo(register, 5, "dan", "it was right")
    assert register.get("fish", "F1")["weight_g"] == 20  # type: ignore[index]
    assert register.get("fish", "F4") is None
    assert again.change_id == 6
    assert register.verify().ok


def test_undo__is_refused_when_records_changed_again(register: Register) -> None:
    from broodstock.errors import UsageError
    from planner.store.errors import NothingChanged, RecordInUse, UndoRefused

    four_changes(register)
    with pytest.raises(
        UndoRefused, match=r"changed again, by change 3\. .*Undo the later changes first"
    ) as caught:
        undo(register, 2, "dan", "all wrong")
    assert caught.value.later == (3,)
    with pytest.raises(RecordInUse, match="'T1' in 4 record"):
        undo(register, 1, "dan", "no tank")
    with pytest.raises(UsageError, match=r"undo: found change 9\. Expected a number from 1 to 4"):
        undo(register, 9, "dan", "x")
    with register.writing("ann", "for nothing") as w:
        w.withdraw("fish", w.add("fish", [fish("F7")])[0])
    with pytest.raises(NothingChanged, match="nothing left of it to undo"):
        undo(register, 5, "dan", "x")
    assert register.data_version().change_id == 5
    for number in (4, 3):
        undo(register, number, "dan", "back")
    assert register.verify().ok


def test_damaged_file__is_never_read_as_whole(new_file: Callable[[], str]) -> None:
    """Flip bytes all over a closed file: either nothing of value was hit, or it is said."""
    place = new_file()
    with Register.create(place) as register:
        four_changes(register)
        with register.writing("ann", "many") as w:
            w.add("fish", [fish(f"G{i}", note=f"note {i}" * 5) for i in range(400)])
        tables = ("fish", "units")
        whole = {t: register.rows(t) for t in tables}
        version = register.data_version()
    good = Path(place).read_bytes()
    assert not Path(place + "-wal").exists()
    rng = random.Random(12)
    found = 0
    bad = Path(place + ".damaged")
    for trial in range(24):
        data = bytearray(good)
        if trial < 20:
            for _ in range(1 + trial % 4):
                at = rng.randrange(100 if trial % 5 else 0, len(data))
                data[at] ^= 1 << rng.randrange(8)
        else:
            at = rng.randrange(0, len(data) - 9000)
            data[at : at + 9000] = rng.randbytes(9000)
        bad.write_bytes(data)
        try:
            with Register.open(bad, read_only=True) as register:
                report = register.verify()
                if report.ok:
                    assert {t: register.rows(t) for t in tables} == whole
                    assert register.data_version() == version
                else:
                    found += 1
        except RegisterError:
            found += 1
    assert found > 5


def test_damaged_file__tells_what_it_is(tmp_path: Path) -> None:
    text = tmp_path / "fish.csv"
    text.write_text("fish_id\nF1\n" * 200, encoding="utf-8")
    with pytest.raises(RegisterDamaged, match="file is not a database"):
        Register.open(text)
    assert text.read_text(encoding="utf-8") == "fish_id\nF1\n" * 200
    other = tmp_path / "other.db"
    with contextlib.closing(sqlite3.connect(other)) as db:
        db.execute("CREATE TABLE fish (id)")
    with pytest.raises(RegisterMissing, match="a database of another program"):
        Register.open(other)
    for name, words in (("nothing", "no such file"), ("empty", "an empty file"), ("folder", "a folder")):
        (tmp_path / "empty").touch()
        (tmp_path / "folder").mkdir(exist_ok=True)
        with pytest.raises(RegisterMissing, match=words):
            Register.open(tmp_path / name)


def test_damaged_file__cut_short(new_file: Callable[[], str]) -> None:
    place = new_file()
    with Register.create(place) as register:
        four_changes(register)
        with register.writing("ann", "many") as w:
            w.add("fish", [fish(f"G{i}", note="n" * 900) for i in range(800)])
    good = Path(place).read_bytes()
    for share in (0.1, 0.5, 0.9, 0.999):
        Path(place).write_bytes(good[: int(len(good) * share)])
        try:
            with Register.open(place) as register:
                problems = register.verify().problems
        except RegisterDamaged as error:
            problems = (str(error),)
        assert any("damaged" in p or "restore the last backup" in p for p in problems)
