"""What a filled sheet asks to be keyed in: lines and blanks in the order of the paper, and the records they become."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from typing import Any, Literal

Action = Literal["add", "change"]


@dataclass(frozen=True)
class FormField:
    """One blank of a line.

    Parameters
    ----------
    column : str
        Column of the table that it fills.
    label : str
        Heading on the paper.
    """

    column: str
    label: str


@dataclass(frozen=True)
class FormLine:
    """One line of the paper.

    Parameters
    ----------
    key : str
        Name of the line, once on the form; for ``change`` the key of the record.
    words : str
        What stands printed on the line, in the order of the paper.
    known : mapping of str to str
        Columns whose value is printed already. An empty key column of a table is filled by a fresh name on entry.
    """

    key: str
    words: str
    known: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class EntryForm:
    """The lines of one table of a sheet.

    Parameters
    ----------
    table : str
        Table of the register.
    title : str
        Title of the block on the paper.
    fields : tuple of FormField
        Blanks of each line, in the order of the paper.
    lines : tuple of FormLine
        Lines in the order of the paper; lines left empty are not entered.
    fixed : mapping of str to str
        Columns that are the same on every line, such as the day.
    action : {'add', 'change'}
        Whether each line is a new record or more values of a record that exists.
    named : str
        Key column that gets a fresh name on entry: ``{named: prefix-1}``; empty when `known` names the record.
    prefix : str
        Start of the fresh names, for example ``CAP-2025-02-14``.
    tick : str
        Heading of a box that is ticked when a line is as printed: the line is entered although no blank is filled.
        Empty: a line is entered when one of its blanks is filled.
    """

    table: str
    title: str
    fields: tuple[FormField, ...]
    lines: tuple[FormLine, ...]
    fixed: Mapping[str, str] = field(default_factory=dict)
    action: Action = "add"
    named: str = ""
    prefix: str = ""
    tick: str = ""

    def __post_init__(self) -> None:
        if len({line.key for line in self.lines}) != len(self.lines):
            raise ValueError(f"form {self.title!r}: a line stands twice")

    def as_dict(self) -> dict[str, Any]:
        """Return plain values."""
        return asdict(self)


def form_of(values: Mapping[str, Any]) -> EntryForm:
    """Return a form from the plain values of `EntryForm.as_dict`."""
    return EntryForm(
        values["table"],
        values["title"],
        tuple(FormField(**f) for f in values["fields"]),
        tuple(FormLine(**x) for x in values["lines"]),
        values["fixed"],
        values["action"],
        values["named"],
        values["prefix"],
        values.get("tick", ""),
    )
