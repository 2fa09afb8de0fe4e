"""Explain the register of columns and write empty templates."""

from __future__ import annotations

import difflib
from pathlib import Path
from typing import Any

from broodstock.errors import UsageError
from broodstock.fields import TABLES


def describe_tables(name: str | None) -> tuple[list[str], list[list[str]], list[dict[str, Any]]]:
    """Return headings, rows and plain values: all tables, or the columns of one.

    Parameters
    ----------
    name : str or None
        Table to explain; None lists the tables.

    Raises
    ------
    UsageError
        If there is no such table.
    """
    if name is None:
        rows = [[t.name, str(len(t.columns)), t.sentence] for t in TABLES.values()]
        data = [{"table": t.name, "columns": list(t.names), "sentence": t.sentence} for t in TABLES.values()]
        return ["table", "columns", "one row is"], rows, data
    if name not in TABLES:
        near = difflib.get_close_matches(name, TABLES, 1)
        hint = f" Did you mean {near[0]!r}?" if near else ""
        raise UsageError(f"table: found {name!r}. Expected one of {', '.join(TABLES)}.{hint}")
    table = TABLES[name]
    rows = [
        [c.name, c.kind, "yes" if c.required else "", c.unit, _range(c.low, c.high, c.choices), c.sentence]
        for c in table.columns
    ]
    schema = {"table": table.name, "sentence": table.sentence, "schema": table.as_schema()}
    return ["column", "type", "required", "unit", "allowed", "meaning"], rows, [schema]


def _range(low: float | None, high: float | None, choices: tuple[str, ...]) -> str:
    if choices:
        return ", ".join(choices)
    if low is None and high is None:
        return ""
    return f"{'' if low is None else f'{low:g}'} to {'' if high is None else f'{high:g}'}"


def write_templates(folder: Path) -> list[Path]:
    """Write one empty table per registered table into a new folder.

    Raises
    ------
    UsageError
        If the folder already holds files.
    OSError
        If it cannot be written.
    """
    from broodstock.intake.write import write_template

    if folder.exists() and any(folder.iterdir()):
        raise UsageError(f"{folder}: found files in it. Expected a new or empty folder. Name another.")
    folder.mkdir(parents=True, exist_ok=True)
    write_template(folder)
    return sorted(folder.iterdir())
