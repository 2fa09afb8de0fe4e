"""One page of a table: records that hold a text, filtered and sorted by the database."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import sqlalchemy as sa

from broodstock.errors import UsageError
from planner.store.reading import shown
from planner.store.register import Register


def browse(
    register: Register,
    table: str,
    text: str = "",
    where: Mapping[str, str] | None = None,
    sort: str = "",
    limit: int = 50,
    offset: int = 0,
) -> tuple[list[dict[str, Any]], int]:
    """Return current records of one page, and how many there are in all.

    Parameters
    ----------
    register : Register
        Open.
    table : str
        Table.
    text : str
        Text that any column of text holds; capitals do not matter.
    where : mapping
        Value by column of choice; empty values are passed over.
    sort : str
        Column, a minus in front for falling order; default the order of entry.
    limit, offset : int
        Page.

    Raises
    ------
    UsageError
        If a column does not exist.
    TableUnknown
        If the table does not exist.
    """
    spec = register.schema.spec(table)
    t = register.schema.tables[table]
    named = [*(k for k, v in (where or {}).items() if v), *([sort.removeprefix("-")] if sort else [])]
    for name in named:
        if name not in spec.names:
            raise UsageError(
                f"table {table!r}: found column {name!r}. Expected one of {', '.join(spec.names)}."
            )
    condition: sa.ColumnElement[bool] = t.c.ended_by.is_(None)
    if text.strip():
        wanted = text.strip().lower().replace("\\", "\\\\").replace("%", "\\%").replace("_", "\\_")
        columns = [c.name for c in spec.columns if c.kind in ("text", "tag", "choice", "date", "datetime")]
        hits = [sa.func.lower(sa.cast(t.c[c], sa.Text)).like(f"%{wanted}%", escape="\\") for c in columns]
        condition = sa.and_(condition, sa.or_(sa.false(), *hits))
    for name, value in (where or {}).items():
        if value:
            condition = sa.and_(condition, t.c[name] == value)
    query = sa.select(t.c.record_id, *(t.c[n] for n in spec.names)).where(condition)
    if sort:
        column = t.c[sort.removeprefix("-")]
        query = query.order_by(
            column.desc().nulls_last() if sort.startswith("-") else column.asc().nulls_last()
        )
    query = query.order_by(t.c.record_id).limit(limit).offset(offset)
    with register.reading() as connection:
        total = int(
            connection.execute(sa.select(sa.func.count()).select_from(t).where(condition)).scalar_one()
        )
        found = [dict(row._mapping) for row in connection.execute(query)]
    flags = [c for c in spec.columns if c.kind == "flag"]
    for row in found:
        for c in flags:
            row[c.name] = shown(c, row[c.name])
    return found, total
