"""Read what would join a register: a folder of records, one CSV or one workbook, ours or foreign."""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from broodstock.errors import UsageError
from broodstock.fields import TABLES, Table
from broodstock.findings import Finding, Findings
from broodstock.intake.near_words import near_word
from planner.store.mapping import Declared, check_declared, translated
from planner.store.own_tables import OWN_TABLES

if TYPE_CHECKING:
    from broodstock.genotypes.genotype_set import GenotypeSet

BY_UNION = ("reference-unknown", "parent-unknown", "reference-unchecked", "sample-unknown", "no-tables")
"""Findings of a folder alone that are looked for again together with the register."""


OWN_FOLDER = "own"
"""Folder of an exported package with the register's own tables."""
STAYS_HERE = ("imports", "merge_queue", "call_sets")
"""Own tables that speak of this register alone and are not read from a package."""
EVERY_TABLE: dict[str, Table] = {**TABLES, **OWN_TABLES}


@dataclass(frozen=True)
class Incoming:
    """What was read, before it is compared with a register.

    Parameters
    ----------
    name : str
        File or folder as the user named it, without the way to it.
    tables : mapping of str to DataFrame
        Tables with rows, in the shared form.
    genotypes : mapping of str to GenotypeSet
        Call sets by name.
    findings : tuple of Finding
        Faults and doubts of the files alone.
    fingerprint : str
        SHA-256 over the files.
    said : tuple of str
        What was converted or filled because it was declared.
    declared : Declared
        What was declared.
    """

    name: str
    tables: Mapping[str, pd.DataFrame]
    genotypes: Mapping[str, GenotypeSet]
    findings: tuple[Finding, ...]
    fingerprint: str
    said: tuple[str, ...] = ()
    declared: Declared = field(default_factory=Declared)

    @property
    def rows(self) -> int:
        """Rows in all tables."""
        return sum(map(len, self.tables.values()))


def read_incoming(
    path: Path,
    table: str = "",
    declared: Declared | None = None,
    known: Mapping[str, Collection[str]] | None = None,
) -> Incoming:
    """Read a folder of records, a CSV file or a workbook.

    Parameters
    ----------
    path : Path
        Folder, ``.csv``, ``.csv.gz`` or ``.xlsx``.
    table : str
        Table a single file holds; default: the one it is named like, and in a workbook every sheet named like one.
    declared : Declared, optional
        Headers, units and kind of length of a foreign file.
    known : mapping of str to set of str, optional
        Names of the register, by ``table.column``.

    Returns
    -------
    Incoming
        Every fault is in its findings.

    Raises
    ------
    UsageError
        If no table can be told from the name, or something declared fits no table.
    """
    declared = declared or Declared()
    if path.is_dir():
        return _folder(path, declared, known or {})
    data = path.read_bytes()
    names = [table] if table else _tables_of(path)
    unknown = [n for n in names if n not in TABLES]
    if unknown:
        raise UsageError(f"--table: found {', '.join(unknown)}. Expected one of {', '.join(sorted(TABLES))}.")
    check_declared(declared, [TABLES[n] for n in names])
    tables, findings, said = {}, Findings(), []
    for name in names:
        frame, words = _one_table(path, TABLES[name], declared, findings)
        said += words
        if len(frame):
            tables[name] = frame
    fingerprint = hashlib.sha256(data).hexdigest()
    return Incoming(path.name, tables, {}, tuple(findings), fingerprint, tuple(said), declared)


def _folder(path: Path, declared: Declared, known: Mapping[str, Collection[str]]) -> Incoming:
    from broodstock.intake.folder import read_folder

    check_declared(declared, TABLES.values())
    records = read_folder(path, known=known)
    tables = {n: t for n, t in records.tables.items() if len(t)}
    samples = set(known.get("samples.sample_id", ()))
    findings = [
        f
        for f in records.findings
        if f.code not in BY_UNION or (f.code == "sample-unknown" and f.where.column not in samples)
    ]
    said: list[str] = []
    if declared.words():
        again = Findings()
        for name in TABLES:
            files = [
                path / f for f in (f"{name}.csv", f"{name}.csv.gz", "records.xlsx") if (path / f).is_file()
            ]
            if name not in records.tables or not files or not _concerns(declared, TABLES[name]):
                continue
            if files[0].suffix == ".xlsx" and name not in tables:
                continue
            findings = [f for f in findings if f.where.file not in _names_of(files[0], name)]
            frame, words = _one_table(files[0], TABLES[name], declared, again)
            said += words
            if len(frame):
                tables[name] = frame
        findings += list(again)
    findings = [f for f in findings if not f.where.file.startswith(f"{OWN_FOLDER}/")]
    own = Findings()
    for name, spec in OWN_TABLES.items():
        if name not in STAYS_HERE and (path / OWN_FOLDER / f"{name}.csv").is_file():
            frame, _ = _one_table(path / OWN_FOLDER / f"{name}.csv", spec, Declared(), own)
            if len(frame):
                tables[name] = frame
    findings += list(own)
    name = path.name or path.resolve().name
    return Incoming(
        name, tables, records.genotypes, tuple(findings), records.fingerprint, tuple(said), declared
    )


def _names_of(path: Path, table: str) -> set[str]:
    return {path.name, f"{path.name}[{table}]"} if path.suffix == ".xlsx" else {path.name}


def _concerns(declared: Declared, spec: Table) -> bool:
    """Whether anything declared may touch a table: a header, a unit, the kind of length."""
    named = {*declared.columns.values(), *declared.units, *declared.values, *declared.fill}
    dated = bool(declared.dates) and any(c.kind == "date" for c in spec.columns)
    return (
        bool(named & set(spec.names)) or dated or bool(declared.length_type and "length_type" in spec.names)
    )


def _one_table(
    path: Path, spec: Table, declared: Declared, findings: Findings
) -> tuple[pd.DataFrame, list[str]]:
    from broodstock.intake.raw_table import RawTable, read_bytes, read_csv
    from broodstock.intake.tables import check_table, in_order

    found = Findings()
    if path.suffix.lower() == ".xlsx":
        from broodstock.intake.sheets import read_sheet

        raw = read_sheet(path, spec.name, found)
    else:
        data = read_bytes(path, found, path.name)
        raw = read_csv(data, path.name, found) if data is not None else RawTable(path.name)
    raw, said = translated(raw, spec, declared)
    frame = check_table(raw, spec, found)
    findings.extend(in_order(found))
    return frame, said


def _tables_of(path: Path) -> list[str]:
    """Return the tables a single file holds, by its name or the names of its sheets.

    Raises
    ------
    UsageError
        If none can be told.
    """
    name = path.name.lower().removesuffix(".gz").rsplit(".", 1)[0]
    if path.suffix.lower() == ".xlsx":
        from broodstock.intake.sheets import sheet_names

        sheets = [s for s in sheet_names(path, Findings()) if s in TABLES]
        if sheets:
            return sheets
    if name in TABLES:
        return [name]
    parts = [n for n in TABLES if n in name]
    near = max(parts, key=len) if parts else near_word(name, TABLES)
    raise UsageError(
        f"{path.name}: found a file not named like a table. Expected for example captures.csv, or --table TABLE"
        f"{f' (--table {near}?)' if near else ''}."
    )
