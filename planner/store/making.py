"""Making a register and looking at one before it is opened."""

from __future__ import annotations

import os
from contextlib import suppress
from typing import Any

import sqlalchemy as sa

from planner.store.engines import APPLICATION_ID, Place, make_engine, told
from planner.store.errors import RegisterDamaged, RegisterExists, RegisterMissing, SchemaNewer, SchemaOlder
from planner.store.schema import current_schema
from planner.store.triggers import remake_triggers

REVISIONS = ("0001",)
"""Revisions of the schema, oldest first; the last is this program's."""


def make_register(place: Place) -> None:
    """Make an empty register; see `planner.store.register.Register.create`."""
    if place.path is not None:
        _make_file(place)
    else:
        _make_on_server(place)


def _make_file(place: Place) -> None:
    path = place.path
    assert path is not None
    _refuse_existing(place)
    if not path.parent.is_dir():
        raise RegisterMissing(
            f"register {place.shown}",
            f"no folder '{path.parent}'",
            "a folder to put it in",
            "Make the folder first.",
        )
    new = path.with_name(f".{path.name}.new-{os.getpid()}")
    with suppress(FileNotFoundError):
        new.unlink()
    engine = make_engine(Place(new, "", place.shown))
    try:
        with told(place.shown), engine.connect() as connection:
            raw: Any = connection.connection.driver_connection
            raw.execute(f"PRAGMA application_id={APPLICATION_ID}")
            raw.execute("PRAGMA journal_mode=WAL")
            with connection.begin():
                build(connection)
            raw.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        engine.dispose()
        _refuse_existing(place)
        os.replace(new, path)
    finally:
        engine.dispose()
        for end in ("", "-wal", "-shm"):
            with suppress(FileNotFoundError):
                new.with_name(new.name + end).unlink()


def _refuse_existing(place: Place) -> None:
    path = place.path
    if path is not None and path.exists() and (not path.is_file() or path.stat().st_size):
        what = "a folder" if path.is_dir() else "a file with contents"
        raise RegisterExists(
            f"register {place.shown}",
            what,
            "a name that is free",
            "Choose another name; nothing was written.",
        )


def _make_on_server(place: Place) -> None:
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
            build(connection)
    finally:
        engine.dispose()


def build(connection: sa.Connection) -> None:
    """Make all tables, indexes and triggers and note the revision."""
    schema = current_schema()
    schema.metadata.create_all(connection)
    remake_triggers(connection, schema)
    connection.exec_driver_sql(
        "CREATE TABLE alembic_version (version_num VARCHAR(32) NOT NULL, "
        "CONSTRAINT alembic_version_pkc PRIMARY KEY (version_num))"
    )
    connection.execute(sa.text("INSERT INTO alembic_version VALUES (:r)"), {"r": REVISIONS[-1]})


def check_opened(place: Place, engine: sa.Engine) -> None:
    """Look whether a register of this program's schema is there; see `planner.store.register.Register.open`."""
    if place.path is not None:
        check_is_file(place)
    with told(place.shown), engine.connect() as connection:
        revision = revision_of(connection, place)
    if revision in REVISIONS[:-1]:
        raise SchemaOlder(
            f"register {place.shown}",
            f"tables of the older revision {revision}",
            f"revision {REVISIONS[-1]}",
            f"Run 'kinshoal register upgrade {place.shown}'; it keeps a backup first.",
        )
    if revision != REVISIONS[-1]:
        raise newer_schema(place, revision, REVISIONS[-1])


def newer_schema(place: Place, found: str, known: str) -> SchemaNewer:
    """Return the error for a revision this program does not know."""
    return SchemaNewer(
        f"register {place.shown}",
        f"tables of the revision {found}, which this version does not know",
        f"revision {known} or an older one",
        "Install the newer version of Kinshoal that made it.",
    )


def check_is_file(place: Place) -> None:
    """Look whether a file with contents is there.

    Raises
    ------
    RegisterMissing
        If not.
    """
    path = place.path
    assert path is not None
    if not path.is_file() or not path.stat().st_size:
        what = "a folder" if path.is_dir() else "an empty file" if path.exists() else "no such file"
        raise RegisterMissing(
            f"register {place.shown}",
            what,
            "a register",
            "Check the name; 'kinshoal register new' makes one.",
        )


def revision_of(connection: sa.Connection, place: Place) -> str:
    """Return the revision of the tables of an open database.

    Raises
    ------
    RegisterMissing
        If it holds no register.
    RegisterDamaged
        If it does not say its revision.
    """
    if connection.dialect.name == "sqlite":
        mark = connection.exec_driver_sql("PRAGMA application_id").scalar()
        if mark != APPLICATION_ID:
            raise RegisterMissing(
                f"register {place.shown}",
                "a database of another program",
                "a register",
                "Check the name; 'kinshoal register new' makes a register.",
            )
    elif "alembic_version" not in sa.inspect(connection).get_table_names():
        raise RegisterMissing(
            f"register {place.shown}",
            "a database without a register",
            "a register",
            "Check the address; 'kinshoal register new' makes a register.",
        )
    revision = connection.exec_driver_sql("SELECT version_num FROM alembic_version").scalar()
    if revision is None:
        raise RegisterDamaged(
            f"register {place.shown}",
            "no revision of its tables",
            "the revision they have",
            "Do not write to it; restore the last backup.",
        )
    return str(revision)
