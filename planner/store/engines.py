"""Doors to the database of a register: a file (SQLite) or a server (PostgreSQL)."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from sqlalchemy import event

from broodstock.errors import UsageError
from planner.store.errors import (
    AppendOnly,
    RegisterDamaged,
    RegisterError,
    RegisterFull,
    RegisterLocked,
    RegisterMissing,
    RegisterReadOnly,
)

WRITES = "kinshoal_writes"
"""Execution option of a connection that will write: it takes the write lock when its transaction begins."""
WAIT_S = 30.0
"""Seconds to wait for another process that is writing."""
APPLICATION_ID = 0x4B534C31
"""Mark in the head of a SQLite file that says it is a register."""
_PAGES = 65536  # kibibytes of page cache
_QUESTIONS = 2000  # statements kept compiled: some for each table


@dataclass(frozen=True)
class Place:
    """Where a register is.

    Parameters
    ----------
    path : Path or None
        The file.
    url : str
        The address of the server's database, empty for a file.
    shown : str
        As shown to people; passwords hidden.
    """

    path: Path | None
    url: str
    shown: str

    @property
    def dialect(self) -> str:
        """``sqlite`` or ``postgresql``."""
        return "postgresql" if self.url else "sqlite"


def read_place(place: str | Path) -> Place:
    """Return where a register is, from a file name or a ``postgresql://`` address.

    Raises
    ------
    UsageError
        If an address is not one of PostgreSQL.
    """
    text = str(place)
    if isinstance(place, Path) or "://" not in text:
        return Place(Path(place), "", text)
    try:
        url = sa.make_url(text)
    except sa.exc.ArgumentError:
        raise UsageError(
            f"register: found '{text.split('@')[-1]}'. Expected a file name or postgresql://USER@HOST/DATABASE. "
            "Correct the address."
        ) from None
    if url.get_backend_name() != "postgresql":
        raise UsageError(
            f"register {url.render_as_string(hide_password=True)}: found a {url.get_backend_name()} address. "
            "Expected a file name or postgresql://USER@HOST/DATABASE. Give the name of the file alone."
        )
    url = url.set(drivername="postgresql+psycopg")
    return Place(None, url.render_as_string(hide_password=False), url.render_as_string(hide_password=True))


def is_address(place: str | Path) -> bool:
    """Return whether a place is the address of a server, without looking whether it exists."""
    return not isinstance(place, Path) and str(place).startswith(("postgresql://", "postgresql+psycopg://"))


def make_engine(place: Place, *, read_only: bool = False, wait_s: float = WAIT_S) -> sa.Engine:
    """Return the engine of a register; nothing is opened yet.

    Parameters
    ----------
    place : Place
        Where it is.
    read_only : bool
        Refuse to write.
    wait_s : float
        Seconds to wait for another process that is writing.

    Raises
    ------
    UsageError
        If the driver for PostgreSQL is not installed.
    """
    if place.url:
        return _server_engine(place, read_only, wait_s)
    path = place.path
    assert path is not None
    engine = sa.create_engine(
        sa.URL.create("sqlite", database=str(path)),
        query_cache_size=_QUESTIONS,
        creator=lambda: _open_to_read(path) if read_only else sqlite3.connect(path, check_same_thread=False),
    )

    @event.listens_for(engine, "connect")
    def _open(connection: Any, _: Any) -> None:
        connection.isolation_level = None  # transactions begin where we say so
        pragmas = [
            f"busy_timeout={int(wait_s * 1000)}",
            "foreign_keys=ON",
            "recursive_triggers=ON",
            f"cache_size=-{_PAGES}",
            "synchronous=FULL",
        ]
        if read_only:
            pragmas.append("query_only=ON")
        for pragma in pragmas:
            connection.execute(f"PRAGMA {pragma}")

    @event.listens_for(engine, "begin")
    def _begin(connection: sa.Connection) -> None:
        writes = connection.get_execution_options().get(WRITES)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

    return engine


def _open_to_read(path: Path) -> sqlite3.Connection:
    """Open a file for reading alone, also where nothing may be written beside it."""
    address = path.resolve().as_uri() + "?mode=ro"
    connection = sqlite3.connect(address, uri=True, check_same_thread=False)
    try:
        connection.execute("SELECT 1 FROM sqlite_master").fetchone()
    except sqlite3.OperationalError as error:
        connection.close()
        # Readers share a log beside the file. Where none can be made and none was left, the file cannot change.
        wal = path.with_name(path.name + "-wal")
        if not error.sqlite_errorname.startswith(("SQLITE_CANTOPEN", "SQLITE_READONLY")):
            raise
        if wal.exists() and wal.stat().st_size:
            raise
        connection = sqlite3.connect(address + "&immutable=1", uri=True, check_same_thread=False)
    return connection


def _server_engine(place: Place, read_only: bool, wait_s: float) -> sa.Engine:
    try:
        engine = sa.create_engine(place.url, isolation_level="READ COMMITTED", query_cache_size=_QUESTIONS)
    except ModuleNotFoundError:
        raise UsageError(
            f"register {place.shown}: found no driver for PostgreSQL. Expected the package 'psycopg'. "
            "Install kinshoal[postgres]."
        ) from None

    @event.listens_for(engine, "connect")
    def _open(connection: Any, _: Any) -> None:
        with connection.cursor() as cursor:
            cursor.execute(f"SET lock_timeout = {int(wait_s * 1000)}")
            cursor.execute("SET TIME ZONE 'UTC'")
            cursor.execute("SET client_encoding = 'UTF8'")
            if read_only:
                cursor.execute("SET default_transaction_read_only = on")
        connection.commit()

    return engine


@contextmanager
def told(place: str) -> Iterator[None]:
    """Turn the errors of the databases inside the block into errors that say what to do.

    Raises
    ------
    RegisterLocked, RegisterReadOnly, RegisterFull, RegisterDamaged, RegisterMissing, AppendOnly, RegisterError
        Whichever fits.
    """
    try:
        yield
    except sa.exc.DBAPIError as error:
        raise _in_words(place, error.orig or error) from error
    except sqlite3.Error as error:
        raise _in_words(place, error) from error
    except UnicodeDecodeError as error:
        if not _raised_in(error, "sqlalchemy"):
            raise
        raise _in_words(place, sqlite3.DatabaseError("Could not decode to UTF-8")) from error
    except Exception as error:
        if type(error).__module__.split(".")[0] == "psycopg":
            raise _in_words(place, error) from error
        raise


def _raised_in(error: BaseException, package: str) -> bool:
    """Return whether an error was raised by code of a package, not by the code of a caller."""
    last = error.__traceback__
    while last is not None and last.tb_next is not None:
        last = last.tb_next
    return last is not None and last.tb_frame.f_globals.get("__name__", "").split(".")[0] == package


def _in_words(place: str, error: BaseException) -> RegisterError:
    where = f"register {place}"
    text = str(error).strip().splitlines()[0] if str(error).strip() else type(error).__name__
    if "kinshoal:" in text:
        return AppendOnly(
            where,
            f"an attempt to rewrite history ({text.split('kinshoal:')[1].strip()})",
            "entries that are only added or ended",
            "Correct a record by a new version; undo a change by its counter-entry.",
        )
    kind = _kind_of(error)
    if kind == "no-folder":
        kind = "read-only" if Path(place).parent.is_dir() else "missing"
    if kind == "locked":
        return RegisterLocked(
            where,
            "another process that is writing and did not finish",
            "a register that is free within the time waited",
            "Try again in a moment; nothing was written.",
        )
    if kind == "read-only":
        return RegisterReadOnly(
            where, "that it may not be written", "the right to write", "Ask for the right, or open a copy."
        )
    if kind == "full":
        return RegisterFull(
            where,
            "no room to write",
            "free room on the disk",
            "Make room and repeat the work; nothing of it was kept.",
        )
    if kind == "damaged":
        return RegisterDamaged(
            where,
            f"contents that cannot be read ({text})",
            "a register as it was written",
            "Do not write to it. Keep the file, restore the last backup beside it and compare.",
        )
    if kind == "missing":
        return RegisterMissing(
            where, f"nothing that answers ({text})", "a register", "Check the name; the server may be off."
        )
    return RegisterError(where, f"an answer of the database: {text}", "no fault", "Nothing was written.")


def _kind_of(error: BaseException) -> str:
    name = str(getattr(error, "sqlite_errorname", "") or "")
    for start, kind in (
        ("SQLITE_BUSY", "locked"),
        ("SQLITE_LOCKED", "locked"),
        ("SQLITE_READONLY", "read-only"),
        ("SQLITE_FULL", "full"),
        ("SQLITE_IOERR_WRITE", "full"),
        ("SQLITE_IOERR_SHMSIZE", "full"),
        ("SQLITE_IOERR_TRUNCATE", "full"),
        ("SQLITE_CORRUPT", "damaged"),
        ("SQLITE_NOTADB", "damaged"),
        ("SQLITE_IOERR", "damaged"),
        ("SQLITE_CANTOPEN", "no-folder"),
    ):
        if name.startswith(start):
            return kind
    if "decode to UTF-8" in str(error):
        return "damaged"
    state = str(getattr(error, "sqlstate", "") or "")
    by_state = {
        "55P03": "locked",
        "40P01": "locked",
        "25006": "read-only",
        "42501": "read-only",
        "53100": "full",
    }
    if state in by_state:
        return by_state[state]
    if state.startswith("XX"):
        return "damaged"
    if state.startswith(("08", "28", "3D", "57")) or (
        not state and type(error).__name__ == "OperationalError"
    ):
        return "missing"
    return ""
