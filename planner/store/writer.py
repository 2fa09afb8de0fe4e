"""Writing into the register: one transaction, one change, append-only."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, TypeGuard, cast

import sqlalchemy as sa

from planner.store import reading
from planner.store.bulk import end_entries, insert_new_names, insert_rows
from planner.store.chain import TableDigest, content_hash, seal
from planner.store.errors import NothingChanged, StaleRecord
from planner.store.keys import check_keys
from planner.store.references import check_references
from planner.store.schema import MARKS, Schema
from planner.store.values import is_empty, stored_frame, stored_rows, stored_values
from planner.store.versions import Change, DataVersion

if TYPE_CHECKING:
    import pandas as pd


@dataclass
class _Touched:
    """What this change did to one table so far."""

    digest: TableDigest
    next_entry: int
    next_record: int
    ended: set[int] = field(default_factory=set)


class Writer:
    """The hand that writes one change; made by `Register.writing`.

    Parameters
    ----------
    connection : Connection
        Inside a transaction that holds the write lock.
    schema : Schema
        Tables.
    head : mapping
        Head of the change without its number.
    last : DataVersion
        The change before.
    """

    def __init__(
        self, connection: sa.Connection, schema: Schema, head: Mapping[str, Any], last: DataVersion
    ) -> None:
        self._connection = connection
        self._schema = schema
        self._last = last
        self.change_id = last.change_id + 1
        self._head = {"change_id": self.change_id, **head}
        self._touched: dict[str, _Touched] = {}
        self._sealed = False

    @property
    def is_empty(self) -> bool:
        """True while nothing was added, changed or withdrawn."""
        return all(t.digest.is_empty and not t.ended for t in self._touched.values())

    def add(
        self,
        table: str,
        rows: Iterable[Mapping[str, Any]] | pd.DataFrame,
        *,
        source_rows: Sequence[int] | None = None,
    ) -> list[int]:
        """Add records.

        A key that belonged to a record withdrawn earlier brings that record back under its old number:
        a name never means two different things.

        Parameters
        ----------
        table : str
            Table.
        rows : iterable of mappings, or DataFrame
            Values by column: text as in files, or typed values; columns left out are empty.
        source_rows : sequence of int, optional
            Row of each record in the file it comes from.

        Returns
        -------
        list of int
            Number of each record.

        Raises
        ------
        InputError
            With a finding for every value its column cannot hold.
        TableUnknown
            If there is no such table or column.
        KeyTaken
            If a key is that of another record, or twice among the rows.
        """
        spec = self._schema.spec(table)
        own = table in self._schema.own
        if _is_frame(rows):
            columns = stored_frame(spec, rows, own=own, row_numbers=source_rows)
            n = len(rows)
        else:
            listed = list(cast("Iterable[Mapping[str, Any]]", rows))
            columns = stored_rows(spec, listed, own=own, row_numbers=source_rows)
            n = len(listed)
        if source_rows is not None and len(source_rows) != n:
            raise ValueError(f"source_rows: found {len(source_rows)} numbers for {n} rows")
        if n == 0:
            return []
        back = check_keys(self._connection, self._schema, table, columns)
        touched = self._touch(table)
        entries = range(touched.next_entry, touched.next_entry + n)
        records = []
        for i in range(n):
            number = back.get(i)
            if number is None:
                number = touched.next_record
                touched.next_record += 1
            records.append(number)
        touched.next_entry += n
        sources: Sequence[int | None] = (
            [None] * n if source_rows is None else [None if is_empty(s) else int(s) for s in source_rows]
        )
        self._insert(table, list(zip(entries, records, sources, *columns, strict=True)))
        return records

    def change(
        self, table: str, record_id: int, values: Mapping[str, Any], *, expected_entry: int | None = None
    ) -> int:
        """Correct a record: a new version, and the old one ended.

        Parameters
        ----------
        table, record_id : str, int
            Which record.
        values : mapping
            New values by column; the other columns stay as they are. None or empty text empties a cell.
        expected_entry : int, optional
            ``entry_id`` of the version the caller saw.

        Returns
        -------
        int
            ``entry_id`` of the new version.

        Raises
        ------
        RecordMissing
            If there is no current record of that number.
        StaleRecord
            If the current version is not the one the caller saw.
        NothingChanged
            If every value is as it was.
        InputError, TableUnknown, KeyTaken
            As `add`.
        """
        spec = self._schema.spec(table)
        old = self._current(table, record_id, expected_entry)
        new = stored_values(spec, values, own=table in self._schema.own)
        differing = {k: v for k, v in new.items() if v != old[k]}
        if not differing:
            raise NothingChanged(
                f"table '{table}', record {record_id}",
                "the values it has already",
                "at least one other value",
                "Nothing needs doing.",
            )
        if any(k in differing for k in spec.key):
            columns = [[{**old, **new}[n]] for n in spec.names]
            check_keys(self._connection, self._schema, table, columns, [record_id])
        self._end(table, [old["entry_id"]])
        touched = self._touch(table)
        entry = touched.next_entry
        touched.next_entry += 1
        row = (entry, record_id, old["source_row"], *({**old, **new}[n] for n in spec.names))
        self._insert(table, [row])
        return entry

    def withdraw(self, table: str, record_id: int, *, expected_entry: int | None = None) -> None:
        """Withdraw a record: it is ended, its history stays.

        Raises
        ------
        RecordMissing, StaleRecord
            As `change`. A record that others still name stops the whole change when it is closed
            (`RecordInUse`).
        """
        self._schema.spec(table)
        old = self._current(table, record_id, expected_entry)
        self._end(table, [old["entry_id"]])

    def put_blob(self, content: bytes) -> str:
        """Keep bytes whole and return their SHA-256, by which a record names them; known bytes are kept once."""
        blobs = self._schema.blobs
        name = hashlib.sha256(content).hexdigest()
        there = self._connection.execute(sa.select(blobs.c.size).where(blobs.c.sha256 == name)).first()
        if there is None:
            self._connection.execute(blobs.insert().values(sha256=name, size=len(content), content=content))
        return name

    def rows(self, table: str, where: Mapping[str, Any] | None = None, **how: Any) -> list[dict[str, Any]]:
        """Return records as they stand inside this change; as `Register.rows`."""
        return reading.rows(self._connection, self._schema, table, where, **how)

    def get(self, table: str, key: str | Sequence[str]) -> dict[str, Any] | None:
        """Return one record as it stands inside this change; as `Register.get`."""
        return reading.get(self._connection, self._schema, table, key)

    def put_back(self, table: str, ended: Iterable[int], versions: Sequence[Mapping[str, Any]]) -> None:
        """End versions and bring back older ones, with the values that were stored before.

        Parameters
        ----------
        table : str
            Table.
        ended : iterable of int
            ``entry_id`` of current versions to end.
        versions : sequence of mappings
            Older versions with ``record_id``, ``source_row`` and the table's own columns in stored form; a
            record's current version must be among `ended`.

        Raises
        ------
        KeyTaken
            If another record has the key of one that would come back.
        """
        spec = self._schema.spec(table)
        ended = list(ended)
        if ended:
            self._end(table, ended)
        if not versions:
            return
        columns = [[v[n] for v in versions] for n in spec.names]
        check_keys(self._connection, self._schema, table, columns, [v["record_id"] for v in versions])
        touched = self._touch(table)
        first = touched.next_entry
        touched.next_entry += len(versions)
        rows = [
            (first + i, v["record_id"], v["source_row"], *(v[n] for n in spec.names))
            for i, v in enumerate(versions)
        ]
        self._insert(table, rows)

    def versions_touched(self, change_id: int) -> Iterator[tuple[str, list[dict[str, Any]]]]:
        """Yield by table all versions, oldest first, of the records that one change touched."""
        for name, t in self._schema.tables.items():
            of = self._schema.alias(name, "of")
            touched = sa.union(
                sa.select(of.c.record_id).where(of.c.change_id == change_id),
                sa.select(of.c.record_id).where(of.c.ended_by == change_id),
            )
            query = sa.select(t).where(t.c.record_id.in_(touched)).order_by(t.c.entry_id)
            found = [dict(r._mapping) for r in self._connection.execute(query)]
            if found:
                yield name, found

    def close(self) -> Change | None:
        """Check references, seal the change and return it; None when nothing was done.

        Raises
        ------
        NameUnknown
            If a record names one that does not exist.
        RecordInUse
            If a record that went, or changed its name, is still named.
        """
        if self.is_empty:
            return None
        check_references(self._connection, self._schema, self.change_id, self._touched)
        digests = {}
        for name, touched in self._touched.items():
            touched.digest.end(touched.ended)
            digests[name] = touched.digest
        content = content_hash(digests)
        row = {
            **self._head,
            "previous_hash": self._last.hash,
            "content_hash": content,
            "hash": seal(self._last.hash, self._head, content),
        }
        self._connection.execute(self._schema.change.insert().values(row))
        return Change(**row)

    def _touch(self, table: str) -> _Touched:
        touched = self._touched.get(table)
        if touched is None:
            t = self._schema.tables[table]
            top = self._connection.execute(
                sa.select(
                    sa.select(sa.func.max(t.c.entry_id)).scalar_subquery(),
                    sa.select(sa.func.max(t.c.record_id)).scalar_subquery(),
                )
            ).one()
            digest = TableDigest(self._schema.specs[table].names)
            touched = _Touched(digest, (top[0] or 0) + 1, (top[1] or 0) + 1)
            self._touched[table] = touched
        return touched

    def _insert(self, table: str, rows: list[tuple[Any, ...]]) -> None:
        """Insert versions: entry, record, source row, then the table's own columns."""
        spec = self._schema.specs[table]
        self._touch(table).digest.add(rows)
        change = self.change_id
        full = [(r[0], r[1], change, None, *r[2:]) for r in rows]
        if table in self._schema.names:
            at = 3 + spec.names.index(spec.key[0])
            insert_new_names(self._connection, self._schema.names[table], {r[at] for r in rows})
        insert_rows(self._connection, self._schema.tables[table], [*MARKS, *spec.names], full)

    def _end(self, table: str, entries: Sequence[int]) -> None:
        self._touch(table).ended.update(entries)
        end_entries(self._connection, self._schema.tables[table], entries, self.change_id)

    def _current(self, table: str, record_id: int, expected_entry: int | None) -> dict[str, Any]:
        t = self._schema.tables[table]
        row = self._connection.execute(
            sa.select(t).where(t.c.record_id == record_id, t.c.ended_by.is_(None))
        ).first()
        if row is None:
            raise reading.no_record(table, record_id)
        if expected_entry is not None and row.entry_id != expected_entry:
            raise StaleRecord(
                f"table '{table}', record {record_id}",
                f"that change {row.change_id} came between",
                "the record as it was when it was read",
                "Read the record again and decide anew.",
            )
        return dict(row._mapping)


def _is_frame(rows: object) -> TypeGuard[pd.DataFrame]:
    """Return whether rows are a DataFrame, without importing pandas for those that are none."""
    return type(rows).__module__.split(".")[0] == "pandas"
