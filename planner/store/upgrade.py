"""Bring a register made by an older Kinshoal to this one's tables: a backup first, then all or nothing."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from planner.store.engines import WAIT_S, WRITES, Place, make_engine, read_place, told
from planner.store.errors import RegisterDamaged
from planner.store.making import REVISIONS, check_is_file, newer_schema, revision_of
from planner.store.schema import Schema, current_schema
from planner.store.triggers import drop_triggers, remake_triggers
from planner.store.verify import verify

SCRIPTS = Path(__file__).parent / "migrations"
"""Folder of the revisions."""


@dataclass(frozen=True)
class Upgraded:
    """What an upgrade did.

    Parameters
    ----------
    place : str
        The register as shown to people.
    before, after : str
        Revisions of its tables.
    backup : str
        Where the register is kept as it was: a file, or a schema on the server; empty when nothing was to do.
    """

    place: str
    before: str
    after: str
    backup: str


@dataclass(frozen=True)
class Target:
    """What to upgrade to; tests give one of their own.

    Parameters
    ----------
    scripts : Path
        Folder of the revisions.
    revisions : tuple of str
        Revisions, oldest first.
    schema : Schema
        Tables after the last.
    """

    scripts: Path
    revisions: tuple[str, ...]
    schema: Schema


def upgrade(place: str | Path, *, wait_s: float = WAIT_S, target: Target | None = None) -> Upgraded:
    """Upgrade a register; a backup is kept beside it first, and the chain of hashes is checked after.

    Parameters
    ----------
    place : str or Path
        Name of the file, or ``postgresql://USER@HOST/DATABASE``.
    wait_s : float
        Seconds to wait for another process that is writing.
    target : Target, optional
        Default: this program's revisions.

    Returns
    -------
    Upgraded
        Nothing is done to a register that is up to date.

    Raises
    ------
    RegisterMissing
        If there is no register.
    SchemaNewer
        If a newer Kinshoal made it.
    RegisterDamaged
        If it, or its backup, is not whole; nothing was changed.
    RegisterLocked, RegisterReadOnly, RegisterFull
        If it cannot be written; nothing was changed.
    """
    where = read_place(place)
    target = target or Target(SCRIPTS, REVISIONS, current_schema())
    if where.path is not None:
        check_is_file(where)
    engine = make_engine(where, wait_s=wait_s)
    try:
        with told(where.shown), engine.connect() as connection:
            connection = connection.execution_options(**{WRITES: True})
            if where.dialect == "sqlite":
                # Tables that are made anew must not take along what refers to them; checked again below.
                raw: Any = connection.connection.driver_connection
                raw.execute("PRAGMA foreign_keys=OFF")
            with connection.begin():
                return _upgrade(connection, where, target)
    finally:
        engine.dispose()


def _upgrade(connection: sa.Connection, where: Place, target: Target) -> Upgraded:
    if where.dialect == "postgresql":
        before = revision_of(connection, where)
        connection.exec_driver_sql("LOCK TABLE change IN ACCESS EXCLUSIVE MODE")
    before = revision_of(connection, where)
    after = target.revisions[-1]
    if before == after:
        return Upgraded(where.shown, before, after, "")
    if before not in target.revisions:
        raise newer_schema(where, before, after)
    kept = _keep_file(where, before) if where.path is not None else _keep_schema(connection, before)
    drop_triggers(connection)
    _run(connection, target)
    remake_triggers(connection, target.schema)
    report = verify(connection, target.schema)
    if not report.ok:
        raise RegisterDamaged(
            f"register {where.shown}",
            f"after the upgrade: {report.problems[0]}",
            "every entry as before",
            f"Nothing was changed. Run 'kinshoal register verify' with the older version; a copy is {kept}.",
        )
    return Upgraded(where.shown, before, after, kept)


def _run(connection: sa.Connection, target: Target) -> None:
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(target.scripts).replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    config.attributes["connection"] = connection
    command.upgrade(config, target.revisions[-1])


def _keep_file(where: Place, revision: str) -> str:
    """Copy the file, as it stands while we hold the write lock, to a name that is free."""
    path = where.path
    assert path is not None
    name, n = f"{path.stem}.before-upgrade-of-{revision}{path.suffix}", 1
    while (kept := path.with_name(name)).exists():
        n += 1
        name = f"{path.stem}.before-upgrade-of-{revision}-{n}{path.suffix}"
    try:
        with closing(sqlite3.connect(path)) as source, closing(sqlite3.connect(kept)) as copy:
            source.backup(copy)
            whole = copy.execute("PRAGMA integrity_check(1)").fetchone()[0]
    except sqlite3.Error:
        kept.unlink(missing_ok=True)
        raise
    if whole != "ok":
        kept.unlink(missing_ok=True)
        raise RegisterDamaged(
            f"register {where.shown}",
            f"a fault of the file ({whole})",
            "a whole file",
            "Nothing was changed. Restore the last backup and upgrade that.",
        )
    return str(kept)


def _keep_schema(connection: sa.Connection, revision: str) -> str:
    """Copy all tables on the server into a schema beside them."""
    inspector = sa.inspect(connection)
    taken = set(inspector.get_schema_names())
    name, n = f"before_upgrade_of_{revision}", 1
    while name in taken:
        n += 1
        name = f"before_upgrade_of_{revision}_{n}"
    connection.exec_driver_sql(f'CREATE SCHEMA "{name}"')
    for table in inspector.get_table_names():
        connection.exec_driver_sql(f'CREATE TABLE "{name}"."{table}" (LIKE "{table}" INCLUDING ALL)')
        connection.exec_driver_sql(f'INSERT INTO "{name}"."{table}" SELECT * FROM "{table}"')
    return f"schema {name}"
