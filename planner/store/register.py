"""The register: one door to all records, their history and their writing."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa

from broodstock.errors import UsageError
from planner.store import reading
from planner.store.engines import WAIT_S, WRITES, Place, make_engine, read_place, told
from planner.store.errors import RegisterReadOnly
from planner.store.making import check_opened, make_register
from planner.store.reading import Moment
from planner.store.schema import Schema, current_schema
from planner.store.versions import Change, Clock, DataVersion, VerifyReport, Version, moment_text, utc_now

if TYPE_CHECKING:
    import pandas as pd

    from broodstock.intake.folder import Records
    from planner.store.writer import Writer


class Register:
    """One register, open; made by `create` or `open`, closed by `close` or by leaving a ``with`` block.

    May be used by several threads at once; each question sees one state of the register.

    Parameters
    ----------
    place : Place
        Where it is.
    engine : Engine
        Its database.
    schema : Schema
        Tables.
    read_only : bool
        Opened for reading alone.
    clock : callable
        Gives the moment that changes are entered.
    """

    def __init__(
        self, place: Place, engine: sa.Engine, schema: Schema, *, read_only: bool, clock: Clock
    ) -> None:
        self._place = place
        self._engine = engine
        self._schema = schema
        self._clock = clock
        self.read_only = read_only
        self.place = place.shown
        self.dialect = place.dialect

    @classmethod
    def create(cls, place: str | Path, *, clock: Clock = utc_now, wait_s: float = WAIT_S) -> Register:
        """Make a new register and open it.

        Parameters
        ----------
        place : str or Path
            Name of a file that does not exist or is empty, or ``postgresql://USER@HOST/DATABASE``.
        clock : callable
            Gives the moment that changes are entered.
        wait_s : float
            Seconds to wait for another process that is writing.

        Raises
        ------
        RegisterExists
            If something is there already.
        RegisterMissing, RegisterReadOnly, RegisterFull
            If the folder or the server cannot be reached or written.
        UsageError
            If the address is none.
        """
        where = read_place(place)
        make_register(where)
        return cls.open(place, clock=clock, wait_s=wait_s)

    @classmethod
    def open(
        cls, place: str | Path, *, read_only: bool = False, clock: Clock = utc_now, wait_s: float = WAIT_S
    ) -> Register:
        """Open a register; one with an older schema is never upgraded silently.

        Parameters
        ----------
        place : str or Path
            Name of the file, or ``postgresql://USER@HOST/DATABASE``.
        read_only : bool
            Refuse to write.
        clock : callable
            Gives the moment that changes are entered.
        wait_s : float
            Seconds to wait for another process that is writing.

        Raises
        ------
        RegisterMissing
            If there is none.
        SchemaOlder, SchemaNewer
            If another version of Kinshoal made it.
        RegisterDamaged
            If it cannot be read.
        """
        where = read_place(place)
        engine = make_engine(where, read_only=read_only, wait_s=wait_s)
        try:
            check_opened(where, engine)
        except BaseException:
            engine.dispose()
            raise
        return cls(where, engine, current_schema(), read_only=read_only, clock=clock)

    def close(self) -> None:
        """Close all doors to the database."""
        self._engine.dispose()

    def __enter__(self) -> Register:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    @property
    def schema(self) -> Schema:
        """The tables."""
        return self._schema

    @contextmanager
    def reading(self) -> Iterator[sa.Connection]:
        """Open one state of the register for reading; inside the store only."""
        with told(self.place), self._engine.connect() as connection:
            if self.dialect == "postgresql":
                connection = connection.execution_options(isolation_level="REPEATABLE READ")
            with connection.begin():
                yield connection

    @contextmanager
    def writing(
        self, who: str, reason: str, *, source: str = "", true_on: dt.date | None = None, kind: str = "entry"
    ) -> Iterator[Writer]:
        """Open one change; leaving the block writes all of it, an error in the block none of it.

        One process writes at a time; the others wait. A block that adds, changes and withdraws nothing
        leaves no change.

        Parameters
        ----------
        who, reason : str
            Who enters it and why; neither may be empty.
        source : str
            From what, for example the name of a file.
        true_on : date, optional
            Day on which it became true.
        kind : str
            ``entry``, ``import``, ``merge``, ``plan`` and so on.

        Yields
        ------
        Writer
            The hand that writes.

        Raises
        ------
        RegisterReadOnly, RegisterLocked, RegisterFull, RegisterDamaged
            Whatever stops the writing; nothing was written.
        UsageError
            If `who` or `reason` is empty.
        NameUnknown, RecordInUse
            If at the end a record names one that does not exist or that went.
        """
        from planner.store.writer import Writer

        head = self._head(who, reason, source, true_on, kind)
        if self.read_only:
            raise RegisterReadOnly(
                f"register {self.place}",
                "that it was opened for reading",
                "a register open for writing",
                "Open it again for writing.",
            )
        with told(self.place), self._engine.connect() as connection:
            connection = connection.execution_options(**{WRITES: True})
            transaction = connection.begin()
            try:
                if self.dialect == "postgresql":
                    connection.exec_driver_sql("LOCK TABLE change IN EXCLUSIVE MODE")
                head["entered_at"] = moment_text(self._clock())
                writer = Writer(
                    connection, self._schema, head, reading.data_version(connection, self._schema)
                )
                yield writer
                if writer.close() is None:
                    transaction.rollback()
                else:
                    transaction.commit()
            except BaseException:
                transaction.rollback()
                raise

    def data_version(self) -> DataVersion:
        """Return the last change: which state of the register this is."""
        with self.reading() as connection:
            return reading.data_version(connection, self._schema)

    def frame(self, table: str, *, as_known_on: Moment = None) -> pd.DataFrame:
        """Return a table in the form that readers and checks share.

        Parameters
        ----------
        table : str
            Table.
        as_known_on : datetime or int, optional
            As it was known at a moment (UTC without time zone), or after a change.

        Returns
        -------
        DataFrame
            As `broodstock.intake.tables.typed_frame`; the index ``row`` holds the number of the record.

        Raises
        ------
        TableUnknown
            If there is no such table.
        UsageError
            If there is no such change.
        """
        from planner.store.frames import frame

        with self.reading() as connection:
            return frame(connection, self._schema, table, as_known_on)

    def records(self, *, skip: Iterable[str] = (), as_known_on: Moment = None) -> Records:
        """Return all tables of records and the genotypes, as `broodstock.intake.folder.read_folder` does.

        Parameters
        ----------
        skip : iterable of str
            Tables, or the words ``snps`` and ``microsatellites``, that are not needed now.
        as_known_on : datetime or int, optional
            As `frame`.

        Returns
        -------
        Records
            Without findings: everything was checked when it was entered. The fingerprint is the hash of the
            last change.
        """
        from planner.store.frames import records

        with self.reading() as connection:
            return records(connection, self._schema, self._place, skip, as_known_on)

    def rows(
        self,
        table: str,
        where: Mapping[str, Any] | None = None,
        *,
        columns: Sequence[str] | None = None,
        order_by: Sequence[str] = (),
        limit: int | None = None,
        offset: int = 0,
        as_known_on: Moment = None,
    ) -> list[dict[str, Any]]:
        """Return current records as dictionaries of plain values, without pandas.

        Parameters
        ----------
        table : str
            Table.
        where : mapping, optional
            Value by column; None for an empty cell, a list for any of several values.
        columns : sequence of str, optional
            Columns wanted; default ``entry_id, record_id, change_id, ended_by, source_row`` and all of the
            table's own.
        order_by : sequence of str
            Columns to order by, with a minus in front for falling order; empty cells last.
        limit, offset : int
            A part of the answer.
        as_known_on : datetime or int, optional
            As `frame`.

        Returns
        -------
        list of dict
            Text, whole numbers, numbers, True or False, None for an empty cell; dates as ISO text.

        Raises
        ------
        TableUnknown
            If there is no such table or column.
        UsageError
            If there is no such change.
        """
        with self.reading() as connection:
            return reading.rows(
                connection,
                self._schema,
                table,
                where,
                columns=columns,
                order_by=order_by,
                limit=limit,
                offset=offset,
                as_known_on=as_known_on,
            )

    def count(self, table: str, where: Mapping[str, Any] | None = None, *, as_known_on: Moment = None) -> int:
        """Return the number of records; arguments as `rows`."""
        with self.reading() as connection:
            return reading.count(connection, self._schema, table, where, as_known_on)

    def get(self, table: str, key: str | Sequence[str]) -> dict[str, Any] | None:
        """Return the current record with a key, None if there is none.

        Raises
        ------
        TableUnknown
            If there is no such table.
        UsageError
            If the table has no key of that many columns.
        """
        with self.reading() as connection:
            return reading.get(connection, self._schema, table, key)

    def history(self, table: str, record_id: int) -> list[Version]:
        """Return all versions of a record, oldest first, with who entered and who ended each.

        Raises
        ------
        TableUnknown
            If there is no such table.
        RecordMissing
            If there never was a record of that number.
        """
        with self.reading() as connection:
            return reading.history(connection, self._schema, table, record_id)

    def changes(self, *, since: int = 0, limit: int | None = None) -> list[Change]:
        """Return the changes after number `since`, oldest first."""
        with self.reading() as connection:
            return reading.changes(connection, self._schema, since, limit)

    def blob(self, sha256: str) -> bytes:
        """Return bytes kept whole.

        Raises
        ------
        RecordMissing
            If there are none of that SHA-256.
        """
        with self.reading() as connection:
            return reading.blob(connection, self._schema, sha256)

    def verify(self) -> VerifyReport:
        """Check the whole register: the file, the references, the chain of hashes; nothing is changed.

        Raises
        ------
        RegisterDamaged
            If so much cannot be read that nothing can be checked.
        """
        from planner.store.verify import verify

        with self.reading() as connection:
            return verify(connection, self._schema)

    def _head(self, who: str, reason: str, source: str, true_on: dt.date | None, kind: str) -> dict[str, Any]:
        for name, value in (("who", who), ("reason", reason), ("kind", kind)):
            if not isinstance(value, str) or not value.strip():
                raise UsageError(
                    f"a change: found no {name}. Expected who enters it and why. Give both; they stay for ever."
                )
        return {
            "entered_at": "",
            "entered_by": who.strip(),
            "reason": reason.strip(),
            "source": source,
            "true_on": true_on.isoformat() if true_on else None,
            "kind": kind,
        }
