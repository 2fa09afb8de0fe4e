"""The hash chain over changes: every change seals its rows and the change before it.

Canonical form. A row is the JSON text ``[entry_id, record_id, source_row, {column: value}]`` with the columns in
order of name, empty cells left out, no spaces and characters as they are. So a column added later changes no
hash of earlier rows; columns are never renamed and never change their kind. The added rows of a table, in
order of entry, each followed by a line feed, give one SHA-256; the numbers of the entries a change ended, in
rising order, each followed by a line feed, another. The content of a change is the SHA-256 of the JSON text
``{table: [added, ended]}`` with the tables in order of name; its seal the SHA-256 of the seal before it, the
JSON text of its head and the content, one after the other.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

START = "0" * 64
"""What stands before the first change."""
HEAD = ("change_id", "entered_at", "entered_by", "reason", "source", "true_on", "kind")
"""Parts of the head of a change."""

_encode: Callable[[Any], str] = json.JSONEncoder(
    ensure_ascii=False, separators=(",", ":"), allow_nan=False, sort_keys=False
).encode


class TableDigest:
    """Hash of the rows that one change added to one table and of those it ended.

    Parameters
    ----------
    columns : sequence of str
        Columns of the table's own, in the order in which values will come.
    """

    def __init__(self, columns: Sequence[str]) -> None:
        self._order = sorted(range(len(columns)), key=lambda i: columns[i])
        self._names = [columns[i] for i in self._order]
        self._added = hashlib.sha256()
        self._ended: list[int] = []
        self.n_added = 0

    def add(self, rows: Iterable[Sequence[Any]]) -> None:
        """Take rows in order of entry: entry_id, record_id, source_row, then the values of the columns."""
        names, order = self._names, [i + 3 for i in self._order]
        lines = []
        for row in rows:
            cells = {n: v for n, i in zip(names, order, strict=True) if (v := row[i]) is not None}
            lines.append(_encode([row[0], row[1], row[2], cells]))
            if len(lines) == 10_000:
                self._take(lines)
                lines = []
        self._take(lines)

    def end(self, entries: Iterable[int]) -> None:
        """Take the numbers of entries that the change ended, in any order."""
        self._ended.extend(entries)

    def _take(self, lines: list[str]) -> None:
        if lines:
            self.n_added += len(lines)
            self._added.update(("\n".join(lines) + "\n").encode())

    @property
    def is_empty(self) -> bool:
        """True when the change left the table as it was."""
        return not self.n_added and not self._ended

    def pair(self) -> list[str]:
        """Return the hashes of what was added and what was ended, 64 hex digits each."""
        ended = "".join(f"{i}\n" for i in sorted(self._ended))
        return [self._added.hexdigest(), hashlib.sha256(ended.encode()).hexdigest()]


def content_hash(tables: Mapping[str, TableDigest]) -> str:
    """Return the hash of everything one change did; tables it left alone take no part."""
    pairs = {name: tables[name].pair() for name in sorted(tables) if not tables[name].is_empty}
    return hashlib.sha256(_encode(pairs).encode()).hexdigest()


def seal(previous: str, head: Mapping[str, Any], content: str) -> str:
    """Return the hash of a change.

    Parameters
    ----------
    previous : str
        Hash of the change before, or `START`.
    head : mapping
        The parts named in `HEAD`; ``true_on`` may be None.
    content : str
        `content_hash` of what it did.
    """
    text = previous + _encode({k: head[k] for k in HEAD}) + content
    return hashlib.sha256(text.encode()).hexdigest()
