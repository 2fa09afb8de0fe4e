"""The register's tables as SQLAlchemy metadata, made from the register of columns alone."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from typing import Any

import sqlalchemy as sa

from broodstock.fields import TABLES, Column, Table
from broodstock.intake.near_words import did_you_mean, near_word
from planner.store.errors import TableUnknown
from planner.store.own_tables import OWN_TABLES

MARKS = ("entry_id", "record_id", "change_id", "ended_by", "source_row")
"""Columns that every table of records has before its own."""

WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
NUMBER: sa.types.TypeEngine[float] = sa.Double().with_variant(sa.REAL(), "sqlite")
_TYPES: dict[str, sa.types.TypeEngine[Any]] = {
    "text": sa.Text(),
    "tag": sa.Text(),
    "choice": sa.Text(),
    "date": sa.Text(),
    "datetime": sa.Text(),
    "integer": WHOLE,
    "flag": WHOLE,
    "number": NUMBER,
}
_NAMING = {
    "pk": "pk_%(table_name)s",
    "fk": "fk_%(table_name)s_%(column_0_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "ix": "ix_%(table_name)s_%(column_0_name)s",
    "uq": "uq_%(table_name)s_%(column_0_name)s",
}


@dataclass(frozen=True)
class Schema:
    """Specifications of the tables and what SQLAlchemy makes of them.

    Parameters
    ----------
    specs : dict of str to Table
        Every table of records by name: those of the register of columns, then the register's own.
    own : frozenset of str
        Names of the register's own tables.
    metadata : MetaData
        Everything.
    tables : dict of str to sqlalchemy.Table
        The tables of records by name.
    names : dict of str to sqlalchemy.Table
        The tables of names by the name of the table whose key they hold.
    change, blobs : sqlalchemy.Table
        The chain of changes; contents kept whole.
    pointing : dict of str to tuple
        By table: the (table, column) pairs that name its records.
    """

    specs: Mapping[str, Table]
    own: frozenset[str]
    metadata: sa.MetaData
    tables: Mapping[str, sa.Table]
    names: Mapping[str, sa.Table]
    change: sa.Table
    blobs: sa.Table
    pointing: Mapping[str, tuple[tuple[str, Column], ...]]
    _aliases: dict[tuple[str, str], sa.FromClause] = field(default_factory=dict)

    def alias(self, table: str, name: str) -> sa.FromClause:
        """Return a table under a second name; made once, for making one takes longer than a question."""
        key = (table, name)
        if key not in self._aliases:
            self._aliases[key] = self.tables[table].alias(name)
        return self._aliases[key]

    def spec(self, name: str) -> Table:
        """Return the specification of a table.

        Raises
        ------
        TableUnknown
            If there is no table of that name.
        """
        try:
            return self.specs[name]
        except KeyError:
            raise TableUnknown(
                "the register",
                f"a table '{name}'",
                f"one of {', '.join(self.specs)}",
                f"{did_you_mean(near_word(name, self.specs))}Correct the name.",
            ) from None


@cache
def current_schema() -> Schema:
    """Return the schema of this version of the program."""
    return build_schema({**TABLES, **OWN_TABLES}, frozenset(OWN_TABLES))


def _to(target: str) -> sa.ForeignKey:
    """Return a reference that is looked at when the transaction ends: records may be entered in any order."""
    return sa.ForeignKey(target, deferrable=True, initially="DEFERRED")


def build_schema(specs: Mapping[str, Table], own: frozenset[str] = frozenset()) -> Schema:
    """Make the schema from specifications of tables.

    Raises
    ------
    ValueError
        If a column has the name of a mark, or refers to something that is not the single key of a table.
    """
    metadata = sa.MetaData(naming_convention=_NAMING)
    change = sa.Table(
        "change",
        metadata,
        sa.Column("change_id", WHOLE, primary_key=True, autoincrement=False),
        *(sa.Column(n, sa.Text, nullable=False) for n in ("entered_at", "entered_by", "reason", "source")),
        sa.Column("true_on", sa.Text),
        *(sa.Column(n, sa.Text, nullable=False) for n in ("kind", "previous_hash", "content_hash", "hash")),
        sqlite_strict=True,
    )
    blobs = sa.Table(
        "blobs",
        metadata,
        sa.Column("sha256", sa.Text, primary_key=True),
        sa.Column("size", WHOLE, nullable=False),
        sa.Column("content", sa.LargeBinary, nullable=False),
        sqlite_strict=True,
    )
    pointing: dict[str, list[tuple[str, Column]]] = {}
    for name, spec in specs.items():
        for column in spec.columns:
            if column.name in MARKS:
                raise ValueError(f"{name}.{column.name}: every table of the register has this column itself")
            if column.refers and column.refers != "blobs.sha256":
                target, key = column.refers.split(".")
                if target not in specs or specs[target].key != (key,):
                    raise ValueError(
                        f"{name}.{column.name} refers to {column.refers}, which is no single key"
                    )
                pointing.setdefault(target, []).append((name, column))
    names = {
        target: sa.Table(
            f"{target}_names", metadata, sa.Column("name", sa.Text, primary_key=True), sqlite_strict=True
        )
        for target in sorted(pointing)
    }
    tables = {name: _record_table(spec, metadata) for name, spec in specs.items()}
    return Schema(
        dict(specs), own, metadata, tables, names, change, blobs, {t: tuple(p) for t, p in pointing.items()}
    )


def _record_table(spec: Table, metadata: sa.MetaData) -> sa.Table:
    """Return the table that holds every version of every record of one kind."""
    columns: list[sa.Column[Any]] = [
        sa.Column("entry_id", WHOLE, primary_key=True, autoincrement=False),
        sa.Column("record_id", WHOLE, nullable=False),
        sa.Column("change_id", WHOLE, _to("change.change_id"), nullable=False),
        sa.Column("ended_by", WHOLE, _to("change.change_id")),
        sa.Column("source_row", WHOLE),
    ]
    for c in spec.columns:
        parts: list[sa.schema.SchemaItem] = []
        if c.refers:
            target = "blobs.sha256" if c.refers == "blobs.sha256" else f"{c.refers.split('.')[0]}_names.name"
            parts.append(_to(target))
        if c.kind == "flag":
            parts.append(sa.CheckConstraint(f'"{c.name}" IN (0, 1)', name=c.name))
        columns.append(sa.Column(c.name, _TYPES[c.kind], *parts, nullable=c.name not in spec.key))
    table = sa.Table(spec.name, metadata, *columns, sqlite_strict=True)
    where: dict[str, Any] = {
        "sqlite_where": table.c.ended_by.is_(None),
        "postgresql_where": table.c.ended_by.is_(None),
    }
    sa.Index(f"ix_{spec.name}_record_id", table.c.record_id)
    sa.Index(f"uq_{spec.name}_record", table.c.record_id, unique=True, **where)
    sa.Index(f"ix_{spec.name}_change_id", table.c.change_id)
    ended: dict[str, Any] = {k: table.c.ended_by.is_not(None) for k in where}
    sa.Index(f"ix_{spec.name}_ended_by", table.c.ended_by, **ended)
    if spec.key:
        sa.Index(f"uq_{spec.name}_key", *(table.c[k] for k in spec.key), unique=True, **where)
        sa.Index(f"ix_{spec.name}_old_key", *(table.c[k] for k in spec.key), **ended)
    for c in spec.columns:
        if (c.refers or c.kind == "tag") and spec.key[:1] != (c.name,):
            sa.Index(f"ix_{spec.name}_{c.name}", table.c[c.name])
    return table
