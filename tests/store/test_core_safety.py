"""Nothing is lost: several writers at once, killed writers, full disks, locked and read-only registers."""

from __future__ import annotations

import contextlib
import ctypes
import os
import random
import resource
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import sqlalchemy as sa

from planner.store.errors import RegisterFull, RegisterLocked, RegisterMissing, RegisterReadOnly
from planner.store.register import Register

ROOT = Path(__file__).resolve().parents[2]
HANDS = Path(__file__).with_name("hands.py")
ENVIRONMENT = {**os.environ, "PYTHONPATH": str(ROOT)}


def hand(*words: object) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, str(HANDS), *map(str, words)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=ENVIRONMENT,
    )


def with_unit(place: str) -> str:
    with Register.create(place) as register, register.writing("ann", "start") as w:
        w.add("units", [{"unit_id": "T1", "kind": "tank", "capacity_fish": 0}])
    return place


def fish(name: str) -> dict[str, str]:
    return {"fish_id": name, "sex": "female", "origin": "hatchery", "status": "brood"}


def unit_of(register: Register) -> int:
    unit = register.get("units", "T1")
    assert unit is not None
    return int(unit["capacity_fish"])


def test_writers_at_once__lose_nothing(place: str) -> None:
    with_unit(place)
    names, n = ("ann", "bob", "cy"), 8
    start = time.time() + 1.5
    hands = [hand("enter", place, who, n, start) for who in names]
    for one in hands:
        _, errors = one.communicate(timeout=120)
        assert one.returncode == 0, errors
    with Register.open(place) as register:
        there = {r["fish_id"] for r in register.rows("fish", columns=["fish_id"])}
        assert there == {f"{who}-{i}-{k}" for who in names for i in range(n) for k in "ab"}
        assert unit_of(register) == len(names) * n, "a correction was made on an old version"
        changes = register.changes()
        assert [c.change_id for c in changes] == list(range(1, 2 + len(names) * n))
        assert {c.entered_by for c in changes} == {*names}
        report = register.verify()
        assert report.ok, report.problems


def killed_once(nurse: subprocess.Popen[str], place: str, who: str, rng: random.Random) -> None:
    """Kill a writer at a random moment and look at what it left."""
    assert nurse.stdin is not None
    assert nurse.stdout is not None
    nurse.stdin.write(f"{who}\n")
    nurse.stdin.flush()
    number = int(nurse.stdout.readline().split()[1])
    said = [nurse.stdout.readline()]  # at least one change was acknowledged
    time.sleep(rng.uniform(0.0, 0.2))
    os.kill(number, signal.SIGKILL)
    while (line := nurse.stdout.readline()) and not line.endswith("dead\n"):
        said.append(line)
    acknowledged = dict(tuple(map(int, s.split())) for s in said if s.endswith("\n"))
    with Register.open(place) as register:
        report = register.verify()
        assert report.ok, report.problems
        kept = {c.change_id: int(c.reason.split()[0]) for c in register.changes(since=1)}
        for change, size in kept.items():
            entered = register.count("fish", {"change_id": change})
            assert entered == size, f"change {change} is there by half"
        assert unit_of(register) == sum(kept.values())
        assert acknowledged
        assert acknowledged.items() <= kept.items(), "an acknowledged change is lost"


def kill(place: str, kills: int) -> None:
    rng = random.Random(kills)
    nurse = hand("nurse", place)
    for i in range(kills):
        killed_once(nurse, place, f"w{i}", rng)
    _, errors = nurse.communicate(timeout=60)
    assert nurse.returncode == 0, errors


@pytest.mark.parametrize("kills", [10, pytest.param(200, marks=pytest.mark.slow)])
def test_killed_writers__leave_whole_changes_only(new_file: Callable[[], str], kills: int) -> None:
    kill(with_unit(new_file()), kills)


@pytest.mark.parametrize("kills", [3, pytest.param(50, marks=pytest.mark.slow)])
def test_killed_writers__on_a_server(new_database: Callable[..., str], kills: int) -> None:
    kill(with_unit(new_database()), kills)


def test_locked__says_so_and_goes_on_after(place: str) -> None:
    with_unit(place)
    holder = hand("hold", place)
    assert holder.stdout is not None
    assert holder.stdout.readline() == "held\n"
    with Register.open(place, wait_s=0.3) as register:
        assert register.count("units") == 1, "readers see the last whole state"
        with (
            pytest.raises(RegisterLocked, match="another process that is writing"),
            register.writing("bob", "x"),
        ):
            pass
        _, errors = holder.communicate("go\n", timeout=60)
        assert holder.returncode == 0, errors
        with register.writing("bob", "again") as w:
            w.add("fish", [fish("F1")])
        assert register.count("units") == 2
        assert register.verify().ok


def filled(register: Register) -> None:
    with register.writing("ann", "too much") as w:
        w.add("fish", [{**fish(f"G{i}"), "note": "x" * 400} for i in range(8_000)])


def after_full(register: Register) -> None:
    """The register is as it was, and takes small entries once there is room."""
    assert register.count("fish") == 1
    assert register.data_version().change_id == 1
    report = register.verify()
    assert report.ok, report.problems


def start_small(place: str) -> None:
    with Register.create(place) as register, register.writing("ann", "start") as w:
        w.add("fish", [fish("F1")])


def test_full__by_the_most_pages_a_file_may_have(new_file: Callable[[], str]) -> None:
    place = new_file()
    start_small(place)
    with Register.open(place) as register:

        @sa.event.listens_for(register._engine, "engine_connect")
        def _small(connection: sa.Connection) -> None:
            raw = connection.connection.driver_connection
            assert raw is not None
            raw.execute("PRAGMA max_page_count=900")

        with pytest.raises(RegisterFull, match="nothing of it was kept"):
            filled(register)
        after_full(register)
        with register.writing("bob", "one more") as w:
            w.add("fish", [fish("F2")])
        assert register.verify().ok


def test_full__by_the_largest_file_the_system_allows(new_file: Callable[[], str]) -> None:
    place = new_file()
    start_small(place)
    most = resource.getrlimit(resource.RLIMIT_FSIZE)
    with Register.open(place) as register:
        try:
            resource.setrlimit(resource.RLIMIT_FSIZE, (3_000_000, most[1]))
            with pytest.raises(RegisterFull, match="Make room and repeat the work"):
                filled(register)
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, most)
        after_full(register)
        filled(register)
        assert register.verify().ok


def test_full__on_a_disk_without_room(tmp_path: Path) -> None:
    disk = tmp_path / "disk"
    disk.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=4m", "tmpfs", str(disk)], capture_output=True, check=False
    )
    if mounted.returncode:
        pytest.skip("a small disk cannot be mounted here (needs root)")
    try:
        place = str(disk / "register.kinshoal")
        start_small(place)
        with Register.open(place) as register:
            with pytest.raises(RegisterFull, match="no room to write"):
                filled(register)
            after_full(register)
            (disk / "rest").write_bytes(b"x" * max(0, shutil.disk_usage(disk).free))
            with pytest.raises(RegisterFull, match="no room to write"):
                filled(register)
            after_full(register)
            (disk / "rest").unlink()
            with register.writing("bob", "one more") as w:
                w.add("fish", [fish("F2")])
            assert register.verify().ok
        (disk / "rest").write_bytes(b"x" * shutil.disk_usage(disk).free)
        with pytest.raises(RegisterFull, match="no room to write"):
            Register.create(disk / "second.kinshoal")
        assert sorted(p.name for p in disk.iterdir()) == ["register.kinshoal", "rest"], "no half register"
    finally:
        subprocess.run(["umount", str(disk)], check=True)


@contextlib.contextmanager
def without_rights() -> Iterator[None]:
    """Give up root's right to write everywhere, for files only, as long as the block lasts."""
    if os.geteuid() != 0:
        yield
        return
    system = ctypes.CDLL(None)
    system.setfsuid(65534)
    try:
        yield
    finally:
        system.setfsuid(0)


@pytest.fixture
def open_folder() -> Iterator[Path]:
    """A folder that everybody may enter."""
    import tempfile

    folder = Path(tempfile.mkdtemp(prefix="kinshoal-"))
    folder.chmod(0o777)
    yield folder
    folder.chmod(0o777)
    shutil.rmtree(folder)


@pytest.mark.parametrize("folder_too", [False, True])
def test_read_only_file__is_read_and_not_written(open_folder: Path, folder_too: bool) -> None:
    path = open_folder / "register.kinshoal"
    start_small(str(path))
    path.chmod(0o444)
    open_folder.chmod(0o555 if folder_too else 0o777)
    with without_rights():
        with Register.open(path, read_only=True) as register:
            assert register.count("fish") == 1
            assert register.verify().ok
        with pytest.raises(RegisterReadOnly, match="that it may not be written"):
            add_one(path)
    open_folder.chmod(0o555)
    with pytest.raises(RegisterReadOnly, match="that it may not be written"), without_rights():
        Register.create(open_folder / "another.kinshoal")
    with Register.open(path) as register:
        after_full(register)


def add_one(path: Path) -> None:
    with Register.open(path) as register, register.writing("ann", "x") as w:
        w.add("fish", [fish("F2")])


def test_create__killed_in_the_middle_leaves_no_register(new_file: Callable[[], str]) -> None:
    place = new_file()
    code = f"from planner.store.register import Register; print('go', flush=True); Register.create({place!r})"
    rng = random.Random(8)
    for _ in range(4):
        one = subprocess.Popen(
            [sys.executable, "-c", code], stdout=subprocess.PIPE, text=True, env=ENVIRONMENT
        )
        assert one.stdout is not None
        one.stdout.readline()
        time.sleep(rng.uniform(0.0, 0.15))
        one.kill()
        one.communicate()
        if Path(place).exists():
            with Register.open(place) as register:
                assert register.verify().ok
            Path(place).unlink()


def test_server__that_does_not_answer() -> None:
    with pytest.raises(RegisterMissing, match="the server may be off") as caught:
        Register.open("postgresql://someone:secret@/nothing?host=/nowhere")
    assert "secret" not in str(caught.value)


def test_backup_api__copies_while_others_write(new_file: Callable[[], str]) -> None:
    place = with_unit(new_file())
    writer = hand("pour", place, "w")
    assert writer.stdout is not None
    writer.stdout.readline()
    copy = Path(place + ".copy")
    with (
        contextlib.closing(sqlite3.connect(place)) as source,
        contextlib.closing(sqlite3.connect(copy)) as target,
    ):
        source.backup(target, pages=200)
    writer.kill()
    writer.communicate()
    with Register.open(copy) as register:
        assert register.verify().ok
        assert register.data_version().change_id >= 2
