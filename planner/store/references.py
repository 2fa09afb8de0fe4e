"""Do the cells written by a change name records that exist, and does nothing name a record that went."""

from __future__ import annotations

from collections.abc import Iterable

import sqlalchemy as sa

from broodstock.intake.near_words import did_you_mean, near_word
from planner.store.errors import NameUnknown, RecordInUse
from planner.store.schema import Schema

_LISTED = 5


def check_references(
    connection: sa.Connection, schema: Schema, change_id: int, touched: Iterable[str]
) -> None:
    """Check the references of one change before it is sealed.

    Parameters
    ----------
    connection : Connection
        Inside the transaction of the change.
    schema : Schema
        Tables.
    change_id : int
        The change.
    touched : iterable of str
        Tables it added to or ended records of.

    Raises
    ------
    NameUnknown
        If a record of the change names one that does not exist.
    RecordInUse
        If a record that the change withdrew or renamed is still named by another.
    """
    for name in touched:
        for column in schema.specs[name].columns:
            if column.refers and column.refers != "blobs.sha256":
                target, key = column.refers.split(".")
                _check_named(connection, schema, change_id, name, column.name, target, key)
    for target in touched:
        pointing = schema.pointing.get(target, ())
        if pointing and connection.execute(_gone(schema, change_id, target).limit(1)).first():
            for name, column in pointing:
                _check_left(connection, schema, change_id, target, name, column.name)


def _gone(schema: Schema, change_id: int, target: str) -> sa.Select[tuple[str]]:
    """Return the question for keys that the change took from the current records of a table."""
    key = schema.specs[target].key[0]
    gone, now = schema.tables[target], schema.alias(target, "now")
    there = sa.exists().where(now.c[key] == gone.c[key], now.c.ended_by.is_(None))
    return sa.select(gone.c[key]).where(gone.c.ended_by == change_id, ~there)


def _check_named(
    connection: sa.Connection, schema: Schema, change_id: int, name: str, column: str, target: str, key: str
) -> None:
    t, other = schema.tables[name], schema.alias(target, "other")
    there = sa.exists().where(other.c[key] == t.c[column], other.c.ended_by.is_(None))
    query = (
        sa.select(t.c[column])
        .where(t.c.change_id == change_id, t.c.ended_by.is_(None), t.c[column].is_not(None), ~there)
        .distinct()
        .order_by(t.c[column])
        .limit(_LISTED)
    )
    wrong = [row[0] for row in connection.execute(query)]
    if not wrong:
        return
    known = set(connection.execute(sa.select(other.c[key]).where(other.c.ended_by.is_(None))).scalars())
    raise NameUnknown(
        f"table '{name}', {column}",
        ", ".join(f"'{w}'" for w in wrong),
        f"a {key} of the table '{target}'",
        f"{did_you_mean(near_word(wrong[0], known))}Correct the name, or add the record to '{target}' first.",
    )


def _check_left(
    connection: sa.Connection, schema: Schema, change_id: int, target: str, name: str, column: str
) -> None:
    gone = _gone(schema, change_id, target).distinct().subquery()
    key = gone.c[0]
    t = schema.alias(name, "naming")
    query = (
        sa.select(key, sa.func.count())
        .join(t, sa.and_(t.c[column] == key, t.c.ended_by.is_(None)))
        .group_by(key)
        .order_by(key)
        .limit(_LISTED)
    )
    still = connection.execute(query).all()
    if still:
        words = ", ".join(f"'{k}' in {n} record(s)" for k, n in still)
        raise RecordInUse(
            f"table '{target}'",
            f"names that '{name}', {column}, still uses: {words}",
            "a record that nothing names before it goes",
            f"Correct or withdraw those records of '{name}' in the same change.",
        )
