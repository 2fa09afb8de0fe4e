"""Check files that wait to be accepted against the records they would join."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import pandas as pd

from broodstock.checks.run import run_checks
from broodstock.fields import TABLES
from broodstock.findings import Finding, Findings, Place
from broodstock.intake.folder import Records, read_folder
from planner.tasks.settings import Settings

WAITING = " (waiting)"
"""Said behind the name of a waiting file, which often has the name of the table it would join."""

OLD_ROWS = 100_000_000
"""Row numbers of the records are lifted by this while the checks run, so that a row says where it came from."""


def check_waiting_files(waiting: Path, records: Records, settings: Settings) -> tuple[Findings, Records]:
    """Read waiting files, and run every check on them together with the records.

    Parameters
    ----------
    waiting : Path
        Folder of tables in the same form as the records.
    records : Records
        Accepted records.
    settings : Settings
        Settings in force; the day is that of the records.

    Returns
    -------
    Findings, Records
        Findings that concern the waiting files (alone, or in conflict with the records), and what was read
        of them. Nothing is written.
    """
    known = _known_names(records)
    new = read_folder(waiting, known=known)
    together, files = _joined(new.tables, records.tables)
    found = run_checks(together, records.genotypes, settings.values, settings.day("today"))
    mine = {f for f, _ in files.values()}
    findings = Findings([_marked(f) for f in new.findings])
    for finding in found:
        placed = _placed(finding, files)
        if any(p.file in mine for p in (placed.where, *placed.others)):
            findings.extend([placed])
    return findings, new


def _known_names(records: Records) -> dict[str, set[str]]:
    targets = {c.refers for t in TABLES.values() for c in t.columns if c.refers}
    out = {}
    for target in targets:
        table, column = target.split(".")
        out[target] = set(records.tables[table][column]) - {""}
    return out


def _joined(
    new: Mapping[str, pd.DataFrame], old: Mapping[str, pd.DataFrame]
) -> tuple[dict[str, pd.DataFrame], dict[str, tuple[str, str]]]:
    """Return records with the waiting rows behind them, and the file names of both by the name the checks see."""
    together: dict[str, pd.DataFrame] = {}
    files: dict[str, tuple[str, str]] = {}
    for name, accepted in old.items():
        waiting = new[name]
        if waiting.empty:
            together[name] = accepted
            continue
        lifted = accepted.set_axis(accepted.index + OLD_ROWS, axis=0)
        joined = pd.concat([lifted, waiting]) if len(accepted) else waiting.copy()
        joined.index.name = "row"
        seen_as = f"waiting {waiting.attrs['file']}"
        joined.attrs["file"] = seen_as
        files[seen_as] = (waiting.attrs["file"] + WAITING, accepted.attrs.get("file", f"{name}.csv"))
        together[name] = joined
    return together, files


def _marked(finding: Finding) -> Finding:
    return replace(finding, where=replace(finding.where, file=finding.where.file + WAITING))


def _placed(finding: Finding, files: Mapping[str, tuple[str, str]]) -> Finding:
    def place(p: Place) -> Place:
        if p.file not in files:
            return p
        new, old = files[p.file]
        if p.row is not None and p.row >= OLD_ROWS:
            return Place(old, p.row - OLD_ROWS, p.column)
        return Place(new, p.row, p.column)

    return replace(finding, where=place(finding.where), others=tuple(place(p) for p in finding.others))
