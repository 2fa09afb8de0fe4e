"""What a column and a table are."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

Kind = Literal["text", "integer", "number", "date", "datetime", "choice", "flag", "tag"]


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a table.

    Parameters
    ----------
    name : str
        Snake-case name, the header in files.
    kind : {'text', 'integer', 'number', 'date', 'datetime', 'choice', 'flag', 'tag'}
        ``date`` and ``datetime`` are ISO 8601; ``flag`` is yes or no; ``tag`` is a PIT code kept as text.
    sentence : str
        What it means, in one sentence.
    required : bool
        An empty cell is a fault.
    unit : str
        Unit of a number, for example ``mm``; empty for a pure number.
    low, high : float, optional
        Inclusive range of a number.
    choices : tuple of str
        Allowed words of a choice.
    refers : str
        ``table.column`` this column points to, empty if none. An empty cell points nowhere.
    aliases : tuple of str
        Other headers accepted on import.
    """

    name: str
    kind: Kind
    sentence: str
    required: bool = False
    unit: str = ""
    low: float | None = None
    high: float | None = None
    choices: tuple[str, ...] = ()
    refers: str = ""
    aliases: tuple[str, ...] = ()

    def as_schema(self) -> dict[str, Any]:
        """Return the column as a Table Schema field descriptor."""
        kinds = {"choice": "string", "text": "string", "tag": "string", "flag": "boolean"}
        out: dict[str, Any] = {
            "name": self.name,
            "type": kinds.get(self.kind, self.kind),
            "description": self.sentence + (f" Unit: {self.unit}." if self.unit else ""),
        }
        rules: dict[str, Any] = {}
        if self.required:
            rules["required"] = True
        if self.low is not None:
            rules["minimum"] = self.low
        if self.high is not None:
            rules["maximum"] = self.high
        if self.choices:
            rules["enum"] = list(self.choices)
        if self.kind == "flag":
            out["trueValues"], out["falseValues"] = ["yes"], ["no"]
        if rules:
            out["constraints"] = rules
        return out


@dataclass(frozen=True, slots=True)
class Table:
    """One table of records.

    Parameters
    ----------
    name : str
        File name without ending.
    sentence : str
        What one row is.
    columns : tuple of Column
        In file order.
    key : tuple of str
        Columns that together are unique; empty when rows may repeat.
    """

    name: str
    sentence: str
    columns: tuple[Column, ...]
    key: tuple[str, ...] = ()

    def column(self, name: str) -> Column:
        """Return the column called `name`.

        Raises
        ------
        KeyError
            If the table has no such column.
        """
        for c in self.columns:
            if c.name == name:
                return c
        raise KeyError(f"table {self.name!r} has no column {name!r}")

    @property
    def names(self) -> tuple[str, ...]:
        """Column names in file order."""
        return tuple(c.name for c in self.columns)

    def as_schema(self) -> dict[str, Any]:
        """Return the table as a Table Schema descriptor."""
        out: dict[str, Any] = {"fields": [c.as_schema() for c in self.columns], "missingValues": [""]}
        if self.key:
            out["primaryKey"] = list(self.key)
        foreign = []
        for c in self.columns:
            if c.refers:
                resource, field_name = c.refers.split(".")
                foreign.append({"fields": c.name, "reference": {"resource": resource, "fields": field_name}})
        if foreign:
            out["foreignKeys"] = foreign
        return out
