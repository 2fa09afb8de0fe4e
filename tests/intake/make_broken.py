"""Make ``data_examples/broken``: one small broken file or folder for each kind of fault, and what it must raise.

Run ``PYTHONPATH=. python tests/intake/make_broken.py`` to write them again. The same script always gives the
same bytes; a test compares them with the files that are shipped. All names and codes are invented.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
import sys
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parent))

from broken_cells import CELL_CASES
from broken_folders import FOLDER_CASES
from broken_lots import LOT_CASES

from broodstock.fields import TABLES

TARGET = Path(__file__).resolve().parents[2] / "data_examples" / "broken"
TODAY = dt.date(2024, 10, 20)
"""The day the broken records are read for."""

Expected = tuple[str, int | None, str]
"""Code, row, column."""


@dataclass
class Made:
    """Files by path relative to the target, and the rows of ``expected.csv``."""

    files: dict[str, bytes] = field(default_factory=dict)
    expected: list[list[Any]] = field(default_factory=list)


def csv_bytes(rows: list[dict[str, Any]], table: str) -> bytes:
    """Return rows as CSV with the columns that any of them has, in register order."""
    used = {k for r in rows for k in r}
    columns = [c for c in TABLES[table].names if c in used]
    assert used == set(columns), used - set(columns)
    out = io.StringIO(newline="")
    writer = csv.DictWriter(out, columns, restval="", lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue().encode()


def make() -> Made:
    """Make all cases."""
    made = Made()
    for name, (table, content, expected) in CELL_CASES.items():
        data = content if isinstance(content, bytes) else content.encode()
        made.files[name] = data
        made.expected += [
            [name, table, code, "" if row is None else row, column] for code, row, column in expected
        ]
    for name, (tables, expected) in (FOLDER_CASES | LOT_CASES).items():
        for table, rows in tables.items():
            path = f"{name}/{table}" if "." in table else f"{name}/{table}.csv"
            made.files[path] = rows if isinstance(rows, bytes) else csv_bytes(rows, table)
        made.expected += [
            [f"{name}/{file}" if file else name, file.split(".")[0], code, "" if row is None else row, column]
            for file, code, row, column in expected
        ]
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(["file", "table", "code", "row", "column"])
    writer.writerows(made.expected)
    made.files["expected.csv"] = out.getvalue().encode()
    return made


def main() -> None:
    """Write the files."""
    for name, data in make().files.items():
        path = TARGET / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)


if __name__ == "__main__":
    main()
