"""Questions to the register that need no pandas: rows, one record, its history, the changes."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from typing import Any

import sqlalchemy as sa

from broodstock.errors import UsageError
from broodstock.fields import Column, Table
from broodstock.intake.near_words import did_you_mean, near_word
from broodstock.tags.codes import Tag, parse_tag
from planner.store.chain import START
from planner.store.errors import RecordMissing, TableUnknown
from planner.store.schema import MARKS, Schema
from planner.store.versions import Change, DataVersion, Version, moment_text

Moment = dt.datetime | int | None
_MOST_NAMES = 500


def data_version(connection: sa.Connection, schema: Schema) -> DataVersion:
    """Return the last change."""
    c = schema.change.c
    row = connection.execute(
        sa.select(c.change_id, c.hash, c.entered_at).order_by(c.change_id.desc()).limit(1)
    ).first()
    return DataVersion(*row) if row else DataVersion(0, START, "")


def change_at(connection: sa.Connection, schema: Schema, moment: Moment) -> int | None:
    """Return the number of the last change known at a moment; None means now.

    Raises
    ------
    UsageError
        If a number of a change is negative or lies ahead.
    """
    if moment is None:
        return None
    c = schema.change.c
    if isinstance(moment, dt.datetime):
        query = sa.select(sa.func.max(c.change_id)).where(c.entered_at <= moment_text(moment))
        return int(connection.execute(query).scalar() or 0)
    last = int(connection.execute(sa.select(sa.func.max(c.change_id))).scalar() or 0)
    if not 0 <= moment <= last:
        raise UsageError(
            f"as known on: found change {moment}. Expected a number from 0 to {last}. "
            "'kinshoal register log' lists the changes."
        )
    return moment


def known(table: sa.Table, at: int | None) -> sa.ColumnElement[bool]:
    """Return the condition that a version was current after change `at`, or is current now."""
    if at is None:
        return table.c.ended_by.is_(None)
    return sa.and_(table.c.change_id <= at, sa.or_(table.c.ended_by.is_(None), table.c.ended_by > at))


def rows(
    connection: sa.Connection,
    schema: Schema,
    table: str,
    where: Mapping[str, Any] | None = None,
    *,
    columns: Sequence[str] | None = None,
    order_by: Sequence[str] = (),
    limit: int | None = None,
    offset: int = 0,
    as_known_on: Moment = None,
) -> list[dict[str, Any]]:
    """Return records as dictionaries; see `planner.store.register.Register.rows`."""
    spec = schema.spec(table)
    t = schema.tables[table]
    names = [*MARKS, *spec.names] if columns is None else list(columns)
    for name in (*names, *(where or {}), *(o.removeprefix("-") for o in order_by)):
        if name not in t.c:
            raise unknown_column(name, spec)
    query = sa.select(*(t.c[n] for n in names)).where(known(t, change_at(connection, schema, as_known_on)))
    for name, value in (where or {}).items():
        query = query.where(_is(t, spec, name, value))
    for name in order_by:
        one = t.c[name.removeprefix("-")]
        query = query.order_by(one.desc().nulls_last() if name.startswith("-") else one.asc().nulls_last())
    query = query.order_by(t.c.record_id)
    if limit is not None:
        query = query.limit(limit)
    if offset:
        query = query.offset(offset)
    found = connection.execute(query).all()
    flags = {c.name for c in spec.columns if c.kind == "flag"} & set(names)
    out = [dict(zip(names, row, strict=True)) for row in found]
    for name in flags:
        column = spec.column(name)
        for row in out:
            row[name] = shown(column, row[name])
    return out


def count(
    connection: sa.Connection,
    schema: Schema,
    table: str,
    where: Mapping[str, Any] | None,
    as_known_on: Moment,
) -> int:
    """Return the number of records."""
    spec = schema.spec(table)
    t = schema.tables[table]
    query = (
        sa.select(sa.func.count()).select_from(t).where(known(t, change_at(connection, schema, as_known_on)))
    )
    for name, value in (where or {}).items():
        if name not in t.c:
            raise unknown_column(name, spec)
        query = query.where(_is(t, spec, name, value))
    return int(connection.execute(query).scalar_one())


def _is(t: sa.Table, spec: Table, name: str, value: Any) -> sa.ColumnElement[bool]:
    """Return the condition that a column has a value, is empty, or is one of several."""
    if value is None or value == "":
        return t.c[name].is_(None)
    if isinstance(value, (list, tuple, set, frozenset)):
        several = [_asked(spec, name, v) for v in value]
        return sa.or_(
            *(t.c[name].in_(several[i : i + _MOST_NAMES]) for i in range(0, len(several), _MOST_NAMES)),
            sa.false(),
        )
    return t.c[name] == _asked(spec, name, value)


def _asked(spec: Table, name: str, value: Any) -> Any:
    """Return a value to compare with in stored form; words that no record has find nothing."""
    if name in MARKS:
        return int(value)
    column = spec.column(name)
    if column.kind in ("text", "choice"):
        return str(value)
    if column.kind == "tag":
        tag = parse_tag(str(value))
        return tag.code if isinstance(tag, Tag) else str(value)
    from planner.store.values import stored_values

    return stored_values(spec, {name: value})[name]


def get(
    connection: sa.Connection, schema: Schema, table: str, key: str | Sequence[str]
) -> dict[str, Any] | None:
    """Return the current record with a key; see `planner.store.register.Register.get`."""
    spec = schema.spec(table)
    values = (key,) if isinstance(key, str) else tuple(key)
    if not spec.key or len(values) != len(spec.key):
        raise UsageError(
            f"table '{table}': found a key of {len(values)} part(s). Expected "
            + (f"the columns {', '.join(spec.key)}. " if spec.key else "a table with a key. ")
            + "Look the record up by its columns."
        )
    found = rows(connection, schema, table, dict(zip(spec.key, values, strict=True)), limit=1)
    return found[0] if found else None


def history(connection: sa.Connection, schema: Schema, table: str, record_id: int) -> list[Version]:
    """Return all versions of a record, oldest first; see `planner.store.register.Register.history`."""
    spec = schema.spec(table)
    t, c = schema.tables[table], schema.change
    enders = c.alias("ender")
    query = (
        sa.select(t.c.entry_id, t.c.source_row, *(t.c[n] for n in spec.names), *c.c, *enders.c)
        .join(c, c.c.change_id == t.c.change_id)
        .join(enders, enders.c.change_id == t.c.ended_by, isouter=True)
        .where(t.c.record_id == record_id)
        .order_by(t.c.entry_id)
    )
    out = []
    width = len(spec.columns)
    n_change = len(c.c)
    for row in connection.execute(query).all():
        values = {k.name: shown(k, v) for k, v in zip(spec.columns, row[2 : 2 + width], strict=True)}
        entered = Change(*row[2 + width : 2 + width + n_change])
        ender = row[2 + width + n_change :]
        ended = Change(*ender) if ender[0] is not None else None
        out.append(Version(table, record_id, row[0], values, row[1], entered, ended))
    if not out:
        raise no_record(table, record_id)
    return out


def changes(connection: sa.Connection, schema: Schema, since: int, limit: int | None) -> list[Change]:
    """Return the changes after number `since`, oldest first."""
    c = schema.change
    query = sa.select(*c.c).where(c.c.change_id > since).order_by(c.c.change_id)
    if limit is not None:
        query = query.limit(limit)
    return [Change(*row) for row in connection.execute(query).all()]


def shown(column: Column, value: Any) -> Any:
    """Return a stored value as callers see it: flags as True or False, everything else as stored."""
    return bool(value) if column.kind == "flag" and value is not None else value


def no_record(table: str, record_id: int) -> RecordMissing:
    """Return the error for a number that no record has."""
    return RecordMissing(
        f"table '{table}'",
        f"no record number {record_id}",
        "the number of a record",
        "Look it up by its key.",
    )


def unknown_column(name: str, spec: Table) -> TableUnknown:
    """Return the error for a column that a table does not have."""
    return TableUnknown(
        f"table '{spec.name}'",
        f"a column '{name}'",
        f"one of {', '.join(spec.names)}",
        f"{did_you_mean(near_word(name, spec.names))}Correct the name; 'kinshoal columns' lists them all.",
    )


def blob(connection: sa.Connection, schema: Schema, sha256: str) -> bytes:
    """Return bytes kept whole; see `planner.store.register.Register.blob`."""
    b = schema.blobs
    found = connection.execute(sa.select(b.c.content).where(b.c.sha256 == sha256)).scalar()
    if found is None:
        raise RecordMissing(
            "the register",
            f"nothing kept under '{sha256[:16]}'",
            "a SHA-256 of what is kept",
            "Check the name.",
        )
    return bytes(found)
