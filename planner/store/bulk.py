"""Many rows at once, by the quickest way each driver has."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

import sqlalchemy as sa

_COPY_FROM = 200
"""From so many rows on, PostgreSQL takes them as one stream."""


def insert_rows(
    connection: sa.Connection, table: sa.Table, columns: Sequence[str], rows: Sequence[Sequence[Any]]
) -> None:
    """Insert rows into a table.

    Parameters
    ----------
    connection : Connection
        Inside its transaction.
    table : Table
        Where.
    columns : sequence of str
        Columns in the order of the values.
    rows : sequence of sequences
        Values in stored form.
    """
    if not rows:
        return
    quote = connection.dialect.identifier_preparer.quote
    names = ", ".join(quote(c) for c in columns)
    target = quote(table.name)
    cursor = connection.connection.cursor()
    try:
        if connection.dialect.name == "sqlite":
            marks = ", ".join("?" * len(columns))
            cursor.executemany(f"INSERT INTO {target} ({names}) VALUES ({marks})", rows)
        elif len(rows) < _COPY_FROM:
            marks = ", ".join(["%s"] * len(columns))
            cursor.executemany(f"INSERT INTO {target} ({names}) VALUES ({marks})", rows)
        else:
            with cursor.copy(f"COPY {target} ({names}) FROM STDIN") as copy:
                for row in rows:
                    copy.write_row(row)
    finally:
        cursor.close()


def end_entries(connection: sa.Connection, table: sa.Table, entries: Iterable[int], change_id: int) -> None:
    """Mark versions as ended by a change."""
    quote = connection.dialect.identifier_preparer.quote
    mark = "?" if connection.dialect.name == "sqlite" else "%s"
    cursor = connection.connection.cursor()
    try:
        cursor.executemany(
            f"UPDATE {quote(table.name)} SET ended_by = {mark} WHERE entry_id = {mark}",
            [(change_id, entry) for entry in entries],
        )
    finally:
        cursor.close()


def insert_new_names(connection: sa.Connection, table: sa.Table, names: Iterable[str]) -> None:
    """Insert names that are not there yet."""
    quote = connection.dialect.identifier_preparer.quote
    mark = "?" if connection.dialect.name == "sqlite" else "%s"
    cursor = connection.connection.cursor()
    try:
        cursor.executemany(
            f"INSERT INTO {quote(table.name)} (name) VALUES ({mark}) ON CONFLICT DO NOTHING",
            [(name,) for name in names],
        )
    finally:
        cursor.close()
