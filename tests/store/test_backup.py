"""Backup while another writes, restore after verifying, between a file and a server."""

from __future__ import annotations

import shutil
import threading
from pathlib import Path

import pytest

from planner.store.backup import backup, restore
from planner.store.errors import RegisterDamaged, RegisterExists, RegisterMissing
from planner.store.register import Register


def filled(place: str) -> Register:
    register = Register.create(place)
    with register.writing("tess", "units") as writer:
        records = writer.add("units", [{"unit_id": f"T-{i}", "kind": "tank"} for i in range(50)])
        writer.put_blob(b"calls")
    with register.writing("ana", "corrections") as writer:
        writer.change("units", records[3], {"capacity_fish": 7})
        writer.withdraw("units", records[4])
    return register


def test_backup__holds_records_history_and_blobs(place: str, tmp_path: Path) -> None:
    with filled(place) as register:
        made = backup(register, tmp_path / "copy.db")
        assert made.version == register.data_version()
        with Register.open(tmp_path / "copy.db", read_only=True) as copy:
            assert copy.rows("units") == register.rows("units")
            assert copy.changes() == register.changes()
            assert copy.history("units", 5) == register.history("units", 5)
            assert copy.verify().ok
            assert copy.verify().blobs == 1


def test_restore__gives_the_same_register_on_either_database(place: str, new_place, tmp_path: Path) -> None:
    with filled(place) as register:
        backup(register, tmp_path / "copy.db")
        target = new_place()
        made = restore(tmp_path / "copy.db", target)
        assert made.version == register.data_version()
        with Register.open(target) as again:
            assert again.rows("units") == register.rows("units")
            with again.writing("ben", "goes on") as writer:
                writer.add("units", [{"unit_id": "T-99", "kind": "tank"}])
            assert again.verify().ok


def test_backup__while_another_writes_is_one_state(tmp_path: Path) -> None:
    """Each change adds two rows: a backup has whole pairs, and all pairs of the changes it knows."""
    with filled(str(tmp_path / "r.db")) as register:
        stop = threading.Event()

        def write() -> None:
            i = 0
            with Register.open(tmp_path / "r.db") as other:
                while not stop.is_set():
                    with other.writing("ben", f"pair {i}") as writer:
                        writer.add(
                            "units",
                            [{"unit_id": f"A-{i}", "kind": "tank"}, {"unit_id": f"B-{i}", "kind": "tank"}],
                        )
                    i += 1

        thread = threading.Thread(target=write)
        thread.start()
        try:
            made = [backup(register, tmp_path / f"copy{k}.db") for k in range(4)]
        finally:
            stop.set()
            thread.join()
        for k, one in enumerate(made):
            with Register.open(tmp_path / f"copy{k}.db", read_only=True) as copy:
                names = {r["unit_id"] for r in copy.rows("units", columns=["unit_id"])}
                pairs = one.version.change_id - 2
                assert {n for n in names if n[0] in "AB"} == {f"{c}-{i}" for i in range(pairs) for c in "AB"}


def test_backup__never_over_another_file(tmp_path: Path) -> None:
    with filled(str(tmp_path / "r.db")) as register:
        (tmp_path / "copy.db").write_text("mine")
        with pytest.raises(RegisterExists, match="something of that name"):
            backup(register, tmp_path / "copy.db")
        assert (tmp_path / "copy.db").read_text() == "mine"
        with pytest.raises(RegisterMissing, match="no folder"):
            backup(register, tmp_path / "nowhere" / "copy.db")
        assert not [p for p in tmp_path.iterdir() if ".new-" in p.name]


def test_restore__refuses_a_damaged_backup(tmp_path: Path) -> None:
    filled(str(tmp_path / "r.db")).close()
    damaged = Path(shutil.copy(tmp_path / "r.db", tmp_path / "bad.db"))
    data = bytearray(damaged.read_bytes())
    at = data.rindex(b"T-49")
    data[at : at + 4] = b"T-4X"
    damaged.write_bytes(bytes(data))
    with pytest.raises(RegisterDamaged, match=r"Do not use it|Do not write"):
        restore(damaged, tmp_path / "new.db")
    assert not (tmp_path / "new.db").exists()


def test_restore__refuses_a_place_that_is_taken(tmp_path: Path) -> None:
    filled(str(tmp_path / "r.db")).close()
    with pytest.raises(RegisterExists, match="something of that name"):
        restore(tmp_path / "r.db", tmp_path / "r.db")
