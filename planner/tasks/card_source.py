"""Where a fish card takes its facts from: an open register, or a folder of tables in the same form."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, Protocol

if TYPE_CHECKING:
    import pandas as pd

    from planner.store.register import Register
    from planner.tasks.programme import Programme

Row = dict[str, Any]


class Source(Protocol):
    """Answers questions about tables as lists of plain rows; dates are ISO text, an empty cell is None."""

    def rows(
        self, table: str, where: Mapping[str, Any] | None = None, *, columns: Sequence[str] | None = None
    ) -> list[Row]:
        """Return rows where each column has the value, or one of a list of values."""
        ...

    def get(self, table: str, key: str) -> Row | None:
        """Return the row with a key, None if there is none."""
        ...

    def versions(self, fish: str) -> list[Row]:
        """Return the row of a fish as it was over time, oldest first, each with ``entered_on``."""
        ...


class RegisterSource:
    """The current records of a register.

    Parameters
    ----------
    register : Register
        Open.
    """

    def __init__(self, register: Register) -> None:
        self._register = register

    def rows(
        self, table: str, where: Mapping[str, Any] | None = None, *, columns: Sequence[str] | None = None
    ) -> list[Row]:
        """Return rows as `Source.rows`."""
        if any(isinstance(v, list) and not v for v in (where or {}).values()):
            return []
        return self._register.rows(table, where, columns=columns)

    def get(self, table: str, key: str) -> Row | None:
        """Return a row as `Source.get`."""
        return self._register.get(table, key)

    def versions(self, fish: str) -> list[Row]:
        """Return versions as `Source.versions`."""
        row = self._register.get("fish", fish)
        if row is None:
            return []
        found = self._register.history("fish", row["record_id"])
        return [
            {**v.values, "true_on": v.entered.true_on, "entered": v.entered.entered_at[:10]} for v in found
        ]


class FolderSource:
    """The tables of a folder; there is no history.

    Parameters
    ----------
    programme : Programme
        Open records.
    """

    def __init__(self, programme: Programme) -> None:
        self._tables = programme.tables
        self._plain: dict[str, list[Row]] = {}

    def rows(
        self, table: str, where: Mapping[str, Any] | None = None, *, columns: Sequence[str] | None = None
    ) -> list[Row]:
        """Return rows as `Source.rows`."""
        if table not in self._tables:
            return []
        if table not in self._plain:
            self._plain[table] = _plain_rows(self._tables[table])
        found = self._plain[table]
        for name, value in (where or {}).items():
            wanted = set(value) if isinstance(value, list) else {value}
            found = [r for r in found if r[name] in wanted]
        return found

    def get(self, table: str, key: str) -> Row | None:
        """Return a row as `Source.get`."""
        from broodstock.fields import TABLES

        found = self.rows(table, {TABLES[table].key[0]: key})
        return found[0] if found else None

    def versions(self, fish: str) -> list[Row]:
        """Return the one version there is."""
        row = self.get("fish", fish)
        return [] if row is None else [{**row, "true_on": None, "entered": None}]


def _plain_rows(frame: pd.DataFrame) -> list[Row]:
    """Return the rows of a table as plain values, as a register gives them."""
    import pandas as pd

    def plain(value: Any) -> Any:
        if value == "" or value is None or value is pd.NaT or (not isinstance(value, str) and pd.isna(value)):
            return None
        if isinstance(value, pd.Timestamp):
            whole = value.time() == dt.time()
            return value.date().isoformat() if whole else value.isoformat()
        return value.item() if hasattr(value, "item") else value

    return [{str(k): plain(v) for k, v in row.items()} for row in frame.to_dict("records")]
