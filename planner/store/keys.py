"""Keys of records: unique among current records; a name that others may use never means two different things."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import sqlalchemy as sa

from planner.store.errors import KeyTaken
from planner.store.schema import Schema

_FEW = 500
"""Up to so many keys are looked up one by one; more are compared with all of the table."""
Key = tuple[Any, ...]


@dataclass
class _Known:
    """What is known of one record: whether it is current, its last entry and key."""

    current: bool = False
    last_entry: int = 0
    last_key: Key = ()


def check_keys(
    connection: sa.Connection,
    schema: Schema,
    table: str,
    columns: Sequence[Sequence[Any]],
    own: Sequence[int] | None = None,
) -> dict[int, int]:
    """Check that the keys of rows to write are free.

    Parameters
    ----------
    connection : Connection
        Inside the transaction that writes.
    schema : Schema
        Tables.
    table : str
        Table.
    columns : sequence of sequences
        Stored values by column of the table, in its order.
    own : sequence of int, optional
        Numbers of the records the rows belong to; without it the rows are new records.

    Returns
    -------
    dict of int to int
        For new records: the number of the withdrawn record that comes back, by position of the row.

    Raises
    ------
    KeyTaken
        If a key is twice among the rows, is that of another current record, or is a name that another
        record had.
    """
    spec = schema.specs[table]
    if not spec.key:
        return {}
    keys: list[Key] = list(zip(*(columns[spec.names.index(k)] for k in spec.key), strict=True))
    at: dict[Key, int] = {}
    for i, key in enumerate(keys):
        if key in at:
            raise _taken(table, spec.key, key, f"it also in row {i + 1} of those to write")
        at[key] = i
    found = _versions_with(connection, schema, table, at)
    back: dict[int, int] = {}
    past: dict[int, set[Key]] = {}
    for _, record, ended_by, *parts in found:
        key = tuple(parts)
        if key not in at or (own is not None and own[at[key]] == record):
            continue
        if ended_by is None:
            raise _taken(table, spec.key, key, f"the key of record {record}")
        past.setdefault(record, set()).add(key)
    if not past:
        return {}
    named = table in schema.names
    for record, known in _known(connection, schema, table, past, found if len(at) > _FEW else None).items():
        for key in past[record]:
            if named and (known.current or own is not None):
                raise _taken(table, spec.key, key, f"a name that record {record} had before")
            if own is None and not known.current and (named or known.last_key == key):
                back[at[key]] = record
    return back


def _versions_with(
    connection: sa.Connection, schema: Schema, table: str, keys: Mapping[Key, int]
) -> list[sa.Row]:
    """Return entry, record, end and key of all versions with one of some keys; of all when the keys are many."""
    t = schema.tables[table]
    parts = [t.c[k] for k in schema.specs[table].key]
    query = sa.select(t.c.entry_id, t.c.record_id, t.c.ended_by, *parts)
    if len(keys) > _FEW:
        return list(connection.execute(query).all())
    out: list[sa.Row] = []
    for key in keys:
        one = sa.and_(*(p == v for p, v in zip(parts, key, strict=True)))
        for state in (t.c.ended_by.is_(None), t.c.ended_by.is_not(None)):  # each has an index of its own
            out.extend(connection.execute(query.where(one, state)).all())
    return out


def _known(
    connection: sa.Connection,
    schema: Schema,
    table: str,
    records: Iterable[int],
    found: Sequence[sa.Row] | None,
) -> dict[int, _Known]:
    """Return what is known of some records, from all versions of the table when they were read already."""
    out = {record: _Known() for record in records}
    if found is None:
        t = schema.tables[table]
        parts = [t.c[k] for k in schema.specs[table].key]
        query = sa.select(t.c.entry_id, t.c.record_id, t.c.ended_by, *parts)
        found = [r for number in out for r in connection.execute(query.where(t.c.record_id == number))]
    for entry, record, ended_by, *key in found:
        known = out.get(record)
        if known is not None and entry > known.last_entry:
            out[record] = _Known(ended_by is None, entry, tuple(key))
    return out


def _taken(table: str, columns: Sequence[str], key: Sequence[Any], found: str) -> KeyTaken:
    words = ", ".join(str(k) for k in key)
    return KeyTaken(
        f"table '{table}', {', '.join(columns)} '{words}'",
        found,
        "a key of its own for each record",
        "Correct that record instead, or give this one another name.",
    )
