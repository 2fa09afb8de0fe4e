"""The whole history of a register as rows of plain text: one row for each field that a change gave or took."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa

if TYPE_CHECKING:
    from planner.store.register import Register

HISTORY_HEAD = (
    "change_id",
    "entered_at",
    "entered_by",
    "kind",
    "true_on",
    "reason",
    "source",
    "table",
    "record_id",
    "what",
    "column",
    "old",
    "new",
)


def history_rows(register: Register) -> Iterator[tuple[str, ...]]:
    """Yield the fields that every change added, changed or withdrew, by table and record.

    Parameters
    ----------
    register : Register
        Open register.

    Yields
    ------
    tuple of str
        In the order of `HISTORY_HEAD`; ``what`` is ``added``, ``changed`` or ``withdrawn``. Empty cells are empty text;
        a field that was and stays empty has no row.
    """
    schema = register.schema
    with register.reading() as connection:
        heads = {
            row.change_id: (
                str(row.change_id),
                row.entered_at,
                row.entered_by,
                row.kind,
                row.true_on or "",
                row.reason,
                row.source,
            )
            for row in connection.execute(sa.select(schema.change))
        }
        for name, table in schema.tables.items():
            columns = schema.specs[name].names
            query = sa.select(table).order_by(table.c.record_id, table.c.entry_id)
            before: dict[str, Any] | None = None
            last = -1
            for row in connection.execute(query).mappings():
                record = int(row["record_id"])
                if record != last:
                    before, last = None, record
                what = "added" if before is None else "changed"
                for column in columns:
                    old = None if before is None else before[column]
                    if old != row[column]:
                        yield (
                            *heads[row["change_id"]],
                            name,
                            str(record),
                            what,
                            column,
                            _text(old),
                            _text(row[column]),
                        )
                before = {c: row[c] for c in columns}
                if row["ended_by"] is not None and not _continued(connection, table, record, row["ended_by"]):
                    yield (*heads[row["ended_by"]], name, str(record), "withdrawn", "", "", "")
                    before = None


def _continued(connection: sa.Connection, table: sa.Table, record: int, change: int) -> bool:
    """Return whether the change that ended a version entered the next one."""
    query = sa.select(table.c.entry_id).where(table.c.record_id == record, table.c.change_id == change)
    return connection.execute(query).first() is not None


def _text(value: Any) -> str:
    return "" if value is None else str(value)
