"""Write the tables of the audit as CSV with a Table Schema, so that any program can read them."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from planner.tasks.audit_part import AuditTable
from planner.tasks.outputs import write_text

INFINITE = {"infinite": "INF", "minus infinite": "-INF"}
"""Table Schema writes infinite numbers so."""


def write_package(
    tables: Sequence[AuditTable], folder: Path, title: str, fingerprint: str, day: str
) -> list[Path]:
    """Write one CSV per table and ``datapackage.json``.

    Parameters
    ----------
    tables : sequence of AuditTable
        Tables, names unique.
    folder : Path
        Where.
    title : str
        Title of the package.
    fingerprint : str
        SHA-256 of the records the tables were made from.
    day : str
        ISO 8601 date of the records.

    Returns
    -------
    list of Path
        Files written, ``datapackage.json`` last.

    Raises
    ------
    OSError
        If the folder cannot be written.
    ValueError
        If two tables have one name.

    References
    ----------
    .. [1] Frictionless Data, Data Package and Table Schema specifications, version 1.
    """
    names = [t.name for t in tables]
    if len(set(names)) < len(names):
        raise ValueError(f"audit tables: found a name twice in {sorted(names)}.")
    resources, written = [], []
    for table in tables:
        frame = cells(table.frame)
        text = frame.to_csv(index=False, lineterminator="\n")
        path = folder / f"{table.name}.csv"
        write_text(path, text)
        written.append(path)
        data = text.encode()
        resources.append(
            {
                "name": table.name.replace("_", "-"),
                "path": path.name,
                "profile": "tabular-data-resource",
                "description": table.sentence,
                "format": "csv",
                "mediatype": "text/csv",
                "encoding": "utf-8",
                "bytes": len(data),
                "hash": f"sha256:{hashlib.sha256(data).hexdigest()}",
                "schema": schema(frame, table),
            }
        )
    package = {
        "profile": "tabular-data-package",
        "name": "genetic-audit",
        "title": title,
        "description": f"Tables of a genetic audit of the records of {day}, SHA-256 {fingerprint}.",
        "resources": resources,
    }
    path = folder / "datapackage.json"
    write_text(path, json.dumps(package, indent=1, ensure_ascii=False) + "\n")
    return [*written, path]


def cells(frame: pd.DataFrame) -> pd.DataFrame:
    """Return a table ready for CSV: infinite numbers as Table Schema writes them, booleans in lower case."""
    out = {}
    for name in frame.columns:
        column = frame[name]
        if pd.api.types.is_bool_dtype(column):
            out[name] = column.map({True: "true", False: "false"}).astype(object)
        elif column.dtype == object:
            out[name] = column.map(lambda x: INFINITE.get(x, x) if isinstance(x, str) else x)
        else:
            out[name] = column
    return pd.DataFrame(out, columns=frame.columns)


def schema(frame: pd.DataFrame, table: AuditTable) -> dict[str, Any]:
    """Return the Table Schema of a table; the type of a column follows from its cells."""
    fields = [
        {"name": str(c), "type": _kind(frame[c], table.frame[c]), "description": table.columns[str(c)]}
        for c in frame.columns
    ]
    return {"fields": fields, "missingValues": [""]}


def _kind(column: pd.Series, source: pd.Series) -> str:
    if pd.api.types.is_bool_dtype(source):
        return "boolean"
    if pd.api.types.is_integer_dtype(column):
        return "integer"
    if pd.api.types.is_float_dtype(column):
        return "number"
    values = [x for x in column if not (x is None or x is pd.NA or (isinstance(x, float) and x != x))]
    numbers = [x for x in values if not isinstance(x, str) or x in INFINITE.values()]
    return "number" if values and len(numbers) == len(values) else "string"
