"""Backup while others write, restore into a new place, and both between a file and a server.

A backup is a register file: it opens, verifies and lists its history like any other. A register on a server is copied
row by row in one snapshot; the hash chain shows that nothing was lost on the way.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from planner.store.bulk import insert_rows
from planner.store.engines import APPLICATION_ID, Place, make_engine, read_place, told
from planner.store.errors import RegisterDamaged, RegisterExists, RegisterMissing
from planner.store.making import REVISIONS
from planner.store.register import Register
from planner.store.schema import Schema
from planner.store.triggers import remake_triggers
from planner.store.versions import DataVersion, VerifyReport

_CHUNK = 20_000


@dataclass(frozen=True)
class Copied:
    """A register that was copied whole and verified.

    Parameters
    ----------
    source, target : str
        From where and whereto, as shown to people.
    version : DataVersion
        Last change in the copy.
    rows : int
        Versions of records that the chain of the copy covers.
    """

    source: str
    target: str
    version: DataVersion
    rows: int


def backup(register: Register, target: Path) -> Copied:
    """Copy a register into a new file while others read and write it.

    Parameters
    ----------
    register : Register
        Open register; the copy holds what was committed when it began.
    target : Path
        File that does not exist.

    Returns
    -------
    Copied
        After the copy was verified.

    Raises
    ------
    RegisterExists
        If the target exists.
    RegisterDamaged
        If the copy does not verify; nothing is left.
    RegisterMissing, RegisterFull
        If the target cannot be written.
    """
    _refuse(target)
    with _new_file(target) as new:
        if register.dialect == "sqlite":
            _copy_file(read_place(register.place), new)
        else:
            with register.reading() as connection:
                _fill_file(new, connection, register.schema)
        report = _verified(new, f"backup of {register.place}")
        _take_name(new, target)
    return Copied(register.place, str(target), report.version, report.rows)


def restore(source: Path, target: str | Path) -> Copied:
    """Copy a backup into a new register, after verifying it.

    Parameters
    ----------
    source : Path
        The backup, a register file.
    target : str or Path
        File that does not exist, or the address of an empty database.

    Returns
    -------
    Copied
        After the copy was verified.

    Raises
    ------
    RegisterDamaged
        If the backup does not verify; nothing is written.
    RegisterExists
        If something is at the target.
    RegisterMissing, RegisterFull
        If the target cannot be reached or written.
    """
    place = read_place(target)
    if place.path is not None:
        _refuse(place.path)
    _verified(source, f"backup {source}")
    if place.path is not None:
        with _new_file(place.path) as new:
            _copy_file(read_place(source), new)
            report = _verified(new, f"copy of {source}")
            _take_name(new, place.path)
        return Copied(str(source), place.shown, report.version, report.rows)
    with Register.open(source, read_only=True) as held, held.reading() as connection:
        _fill_server(place, connection, held.schema)
    with Register.open(target, read_only=True) as made:
        report = made.verify()
    if not report.ok:
        raise _damaged(place.shown, report)
    return Copied(str(source), place.shown, report.version, report.rows)


def _refuse(target: Path) -> None:
    if target.exists():
        raise RegisterExists(
            f"file {target}",
            "something of that name",
            "a name that is free",
            "Choose another name; nothing was written.",
        )
    if not target.parent.is_dir():
        raise RegisterMissing(
            f"file {target}",
            f"no folder '{target.parent}'",
            "a folder to put it in",
            "Make the folder first.",
        )


@contextmanager
def _new_file(target: Path) -> Iterator[Path]:
    """Give the name of a file beside the target that is gone afterwards unless it took its name."""
    new = target.with_name(f".{target.name}.new-{os.getpid()}")

    def clear() -> None:
        for end in ("", "-wal", "-shm", "-journal"):
            with suppress(FileNotFoundError):
                new.with_name(new.name + end).unlink()

    clear()
    try:
        with told(str(target)):
            yield new
    finally:
        clear()


def _take_name(new: Path, target: Path) -> None:
    """Give a finished file its name; on disk before the name stands, and never over another file."""
    with new.open("rb") as file:
        os.fsync(file.fileno())
    try:
        os.link(new, target)
    except FileExistsError:
        _refuse(target)
    except OSError:  # a file system without links
        _refuse(target)
        os.replace(new, target)


def _copy_file(source: Place, new: Path) -> None:
    """Copy a file in one snapshot by the database's own backup; writers go on meanwhile."""
    assert source.path is not None
    address = f"{source.path.resolve().as_uri()}?mode=ro"
    with (
        closing(sqlite3.connect(address, uri=True, timeout=60)) as old,
        closing(sqlite3.connect(new, isolation_level=None)) as made,
    ):
        old.backup(made, pages=-1)
        made.execute("PRAGMA wal_checkpoint(TRUNCATE)")


def _fill_file(new: Path, source: sa.Connection, schema: Schema) -> None:
    engine = make_engine(Place(new, "", str(new)))
    try:
        with engine.connect() as connection:
            connection.exec_driver_sql("PRAGMA journal_mode")
            raw = connection.connection.driver_connection
            assert raw is not None
            connection.rollback()
            raw.execute("PRAGMA page_size=8192")
            raw.execute(f"PRAGMA application_id={APPLICATION_ID}")
            raw.execute("PRAGMA journal_mode=WAL")
            with connection.begin():
                _fill(connection, source, schema)
            raw.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    finally:
        engine.dispose()


def _fill_server(place: Place, source: sa.Connection, schema: Schema) -> None:
    engine = make_engine(place)
    try:
        with told(place.shown), engine.begin() as connection:
            if sa.inspect(connection).get_table_names():
                raise RegisterExists(
                    f"register {place.shown}",
                    "a database with tables",
                    "an empty database",
                    "Make a database of its own for the register; nothing was written.",
                )
            _fill(connection, source, schema)
    finally:
        engine.dispose()


def _fill(connection: sa.Connection, source: sa.Connection, schema: Schema) -> None:
    """Make the tables, copy every row as it stands, and close them by the triggers."""
    schema.metadata.create_all(connection)
    for table in (schema.change, schema.blobs, *schema.names.values(), *schema.tables.values()):
        columns = [c.name for c in table.columns]
        order = list(table.primary_key.columns)
        query = sa.select(*table.columns).order_by(*order).execution_options(yield_per=_CHUNK)
        for part in source.execute(query).partitions(_CHUNK):
            rows: list[tuple[Any, ...]] = [tuple(row) for row in part]
            insert_rows(connection, table, columns, rows)
    remake_triggers(connection, schema)
    connection.exec_driver_sql("CREATE TABLE alembic_version (version_num VARCHAR(32) NOT NULL PRIMARY KEY)")
    connection.execute(sa.text("INSERT INTO alembic_version VALUES (:r)"), {"r": REVISIONS[-1]})


def _verified(path: Path, what: str) -> VerifyReport:
    """Open and verify a register file.

    Raises
    ------
    RegisterDamaged
        If it does not verify.
    """
    with Register.open(path) as made:
        report = made.verify()
    if not report.ok:
        raise _damaged(what, report)
    return report


def _damaged(what: str, report: VerifyReport) -> RegisterDamaged:
    return RegisterDamaged(
        what,
        " ".join(report.problems[:3]) or "faults",
        "a register whose chain of changes is whole",
        "Do not use it. Take an older backup, and keep this file to compare.",
    )
