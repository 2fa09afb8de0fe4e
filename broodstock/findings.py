"""Findings: what a check saw, where, what was expected and what to do about it.

Checks never raise one by one and never correct anything. They add findings to a `Findings`
collector; the caller decides (an import stops when any finding has level ``error``).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import asdict, dataclass, field
from typing import Any, Literal

from broodstock.errors import InputError

Level = Literal["error", "warning", "note"]
LEVELS: tuple[Level, ...] = ("error", "warning", "note")


@dataclass(frozen=True, slots=True)
class Place:
    """Where a finding was made.

    Parameters
    ----------
    file : str
        File or table name as the user knows it.
    row : int, optional
        Row number in the file; the header is row 1.
    column : str, optional
        Column name.
    """

    file: str
    row: int | None = None
    column: str | None = None

    def text(self) -> str:
        """Return the place as words: ``crosses.csv, row 14, dam``."""
        parts = [self.file]
        if self.row is not None:
            parts.append(f"row {self.row}")
        if self.column:
            parts.append(self.column)
        return ", ".join(parts)


@dataclass(frozen=True, slots=True)
class Finding:
    """One fault or doubt about the records.

    Parameters
    ----------
    code : str
        Short stable name, lower case with hyphens, listed in `broodstock.findings_catalogue`.
    where : Place
        File, row and column.
    found : str
        What stands there, quoted.
    expected : str
        What should stand there (a noun phrase, no full stop).
    remedy : str
        What a person can do (whole sentences).
    level : {'error', 'warning', 'note'}
        ``error`` stops an import; ``warning`` needs a person; ``note`` informs.
    others : tuple of Place
        Further places that take part in the conflict.
    """

    code: str
    where: Place
    found: str
    expected: str
    remedy: str
    level: Level = "error"
    others: tuple[Place, ...] = ()

    def text(self) -> str:
        """Return the finding as one line in plain words, the code in square brackets at the end."""
        also = f" See also {'; '.join(p.text() for p in self.others)}." if self.others else ""
        return (
            f"{self.where.text()}: found {self.found}. Expected {self.expected}. "
            f"{self.remedy}{also} [{self.code}]"
        )

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return asdict(self)


@dataclass
class Findings:
    """A growing list of findings with the helpers every reader and check uses."""

    items: list[Finding] = field(default_factory=list)

    def add(
        self,
        code: str,
        where: Place,
        found: str,
        expected: str,
        remedy: str,
        level: Level = "error",
        others: Iterable[Place] = (),
    ) -> None:
        """Add one finding; the arguments are those of `Finding`."""
        self.items.append(Finding(code, where, found, expected, remedy, level, tuple(others)))

    def extend(self, more: Iterable[Finding]) -> None:
        """Add many findings."""
        self.items.extend(more)

    def of_level(self, level: Level) -> list[Finding]:
        """Return the findings of one level, in the order they were made."""
        return [f for f in self.items if f.level == level]

    @property
    def stops_import(self) -> bool:
        """True when any finding is an error."""
        return any(f.level == "error" for f in self.items)

    def counts(self) -> dict[str, int]:
        """Return the number of findings by code, most frequent first."""
        return dict(Counter(f.code for f in self.items).most_common())

    def raise_if_hard(self) -> None:
        """Stop when there are hard faults.

        Raises
        ------
        InputError
            With every finding, when at least one has level ``error``.
        """
        if self.stops_import:
            raise InputError(self.items)

    def __iter__(self) -> Iterator[Finding]:
        return iter(self.items)

    def __len__(self) -> int:
        return len(self.items)
