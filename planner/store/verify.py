"""Check a whole register: the file, the references, the names, what is kept whole and the chain of hashes."""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Iterator
from typing import Any

import sqlalchemy as sa

from planner.store.chain import HEAD, START, TableDigest, content_hash, seal
from planner.store.reading import data_version
from planner.store.schema import Schema
from planner.store.triggers import expected_triggers, trigger_names
from planner.store.versions import DataVersion, VerifyReport

_LISTED = 10
_CHUNK = 20_000


def verify(connection: sa.Connection, schema: Schema) -> VerifyReport:
    """Check everything; see `planner.store.register.Register.verify`."""
    problems: list[str] = []
    if connection.dialect.name == "sqlite":
        _check_file(connection, problems)
    if problems:
        problems.append("The entries were not compared with their seals: the file itself is damaged.")
        return VerifyReport(False, 0, 0, 0, None, tuple(problems), DataVersion(0, START, ""))
    _check_references(connection, problems)
    missing = expected_triggers(schema, connection.dialect.name) - trigger_names(connection)
    if missing:
        problems.append(
            f"{len(missing)} trigger(s) that keep history are missing, the first is {min(missing)}; "
            "someone may have rewritten entries."
        )
    digests, n_rows = _digests(connection, schema, problems)
    first_broken, n_changes = _check_chain(connection, schema, digests, problems)
    _check_names(connection, schema, problems)
    n_blobs = _check_blobs(connection, schema, problems)
    version = data_version(connection, schema)
    return VerifyReport(not problems, n_changes, n_rows, n_blobs, first_broken, tuple(problems), version)


def _check_file(connection: sa.Connection, problems: list[str]) -> None:
    found = connection.exec_driver_sql(f"PRAGMA integrity_check({_LISTED})").scalars().all()
    if list(found) != ["ok"]:
        problems.extend(f"The file is damaged: {line}." for line in found)


def _check_references(connection: sa.Connection, problems: list[str]) -> None:
    if connection.dialect.name != "sqlite":
        return  # the server keeps them
    for table, row, parent, _ in connection.exec_driver_sql("PRAGMA foreign_key_check").fetchmany(_LISTED):
        problems.append(f"Table '{table}', entry {row}: names something that '{parent}' does not have.")


def _digests(
    connection: sa.Connection, schema: Schema, problems: list[str]
) -> tuple[dict[int, dict[str, TableDigest]], int]:
    """Hash the rows of every table anew, by change."""
    digests: dict[int, dict[str, TableDigest]] = defaultdict(dict)
    n_rows = 0

    def digest(change: int, name: str) -> TableDigest:
        if name not in digests[change]:
            digests[change][name] = TableDigest(schema.specs[name].names)
        return digests[change][name]

    for name, t in schema.tables.items():
        wanted = [t.c.entry_id, t.c.record_id, t.c.source_row, *(t.c[n] for n in schema.specs[name].names)]
        last = 0
        for change, part in _parts(connection, sa.select(t.c.change_id, *wanted).order_by(t.c.entry_id)):
            digest(change, name).add(part)
            n_rows += len(part)
            if change < last:
                problems.append(
                    f"Table '{name}': an entry of change {change} stands after one of change {last}."
                )
            last = change
        ended = sa.select(t.c.ended_by, t.c.entry_id, t.c.change_id).where(t.c.ended_by.is_not(None))
        for change, entry, begun in connection.execute(ended):
            digest(change, name).end([entry])
            if change < begun:
                problems.append(f"Table '{name}', entry {entry}: ended before it was entered.")
    return digests, n_rows


def _parts(connection: sa.Connection, query: sa.Select) -> Iterator[tuple[int, list[Any]]]:
    """Yield runs of rows of one change."""
    text = query.compile(connection.engine).string
    cursor = connection.connection.cursor()
    try:
        cursor.execute(text)
        while rows := cursor.fetchmany(_CHUNK):
            start = 0
            for i in range(1, len(rows) + 1):
                if i == len(rows) or rows[i][0] != rows[start][0]:
                    yield rows[start][0], [r[1:] for r in rows[start:i]]
                    start = i
    finally:
        cursor.close()


def _check_chain(
    connection: sa.Connection, schema: Schema, digests: dict[int, dict[str, TableDigest]], problems: list[str]
) -> tuple[int | None, int]:
    """Compare every seal with what is stored; return the first change that does not fit and their number."""
    broken: list[tuple[int, str]] = []
    previous, expected, n = START, 1, 0
    for row in connection.execute(sa.select(schema.change).order_by(schema.change.c.change_id)):
        change = row._mapping
        number = change["change_id"]
        n += 1
        if number != expected:
            broken.append((expected, f"Change {expected} is missing."))
        if change["previous_hash"] != previous:
            broken.append((number, f"Change {number}: does not follow from the change before it."))
        content = content_hash(digests.pop(number, {}))
        if content != change["content_hash"]:
            broken.append((number, f"Change {number}: its rows are not those that were entered."))
        if (
            seal(change["previous_hash"], {k: change[k] for k in HEAD}, change["content_hash"])
            != change["hash"]
        ):
            broken.append((number, f"Change {number}: who, when, why or its seal was altered."))
        previous, expected = change["hash"], number + 1
    broken.extend(
        (number, f"Change {number}: there are rows of it, but not the change itself.")
        for number in sorted(digests)
        if any(not d.is_empty for d in digests[number].values())
    )
    broken.sort(key=lambda pair: pair[0])
    problems.extend(words for _, words in broken[:_LISTED])
    if len(broken) > _LISTED:
        problems.append(f"{len(broken) - _LISTED} more faults of the chain.")
    return (broken[0][0] if broken else None), n


def _check_names(connection: sa.Connection, schema: Schema, problems: list[str]) -> None:
    """Check that every key others may name is among the names, and that current cells name current records."""
    for target, names in schema.names.items():
        key = schema.specs[target].key[0]
        t = schema.tables[target]
        lost = connection.execute(
            sa.select(t.c[key]).where(~sa.exists().where(names.c.name == t.c[key])).limit(1)
        ).scalar()
        if lost is not None:
            problems.append(f"Table '{target}': '{lost}' is missing among its names.")
        for name, column in schema.pointing[target]:
            p, now = schema.alias(name, "naming"), schema.alias(target, "now")
            there = sa.exists().where(now.c[key] == p.c[column.name], now.c.ended_by.is_(None))
            query = sa.select(p.c.record_id, p.c[column.name]).where(
                p.c.ended_by.is_(None), p.c[column.name].is_not(None), ~there
            )
            for record, value in connection.execute(query.limit(1)):
                problems.append(f"Table '{name}', record {record}, {column.name}: no current '{value}'.")


def _check_blobs(connection: sa.Connection, schema: Schema, problems: list[str]) -> int:
    n = 0
    for name, size, content in connection.execute(sa.select(schema.blobs)):
        n += 1
        if hashlib.sha256(content).hexdigest() != name or len(content) != size:
            problems.append(f"What is kept under {name[:16]} is not what was put there.")
    return n
