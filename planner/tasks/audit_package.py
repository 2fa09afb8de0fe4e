"""Write the tables of the audit as CSV with a Table Schema, so that any program can read them."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

from planner.reports.table_schema import resource
from planner.tasks.audit_part import AuditTable
from planner.tasks.outputs import write_text


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
        path = folder / f"{table.name}.csv"
        text, described = resource(table.name, path.name, table.sentence, table.frame, table.columns)
        write_text(path, text)
        written.append(path)
        resources.append(described)
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
