"""Run every check on the records of a register together with rows that would join them."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from broodstock.checks.run import run_checks
from broodstock.fields import TABLES
from broodstock.findings import Finding, Findings, Place
from broodstock.intake.folder import Records
from broodstock.intake.references import check_references
from planner.store.detections import scans_of
from planner.store.importing import Conflict, TableComparison
from planner.tasks.programme import settings_in, with_day
from planner.tasks.register_findings import Marked, marked
from planner.tasks.register_reading import Incoming
from planner.tasks.register_records import records_of

if TYPE_CHECKING:
    from broodstock.genotypes.genotype_set import GenotypeSet
    from planner.store.register import Register

OLD_ROWS = 10_000_000_000
"""Record numbers are lifted by this while the checks run, so that a row says where it came from."""
IN_REGISTER = " in the register"
DAY_KEY = ["deployment_id", "day", "tag"]


@dataclass(frozen=True)
class Together:
    """What the checks found.

    Parameters
    ----------
    everything : tuple of Marked
        Every finding of the register as it would be.
    about_files : tuple of Marked
        Those in which a new row takes part.
    today : date
        Day the records were read for.
    """

    everything: tuple[Marked, ...]
    about_files: tuple[Marked, ...]
    today: dt.date


def known_names(register: Register) -> dict[str, set[str]]:
    """Return the names other tables may refer to, by ``table.column``."""
    targets = sorted({c.refers for t in TABLES.values() for c in t.columns if c.refers})
    out = {}
    for target in targets:
        table, column = target.split(".")
        out[target] = {str(r[column]) for r in register.rows(table, columns=[column])}
    return out


def register_day(register: Register) -> dt.date:
    """Return the day the records of a register are read for."""
    records = register.records(skip=("snps", "microsatellites"))
    settings, _ = settings_in(records)
    return with_day(settings, records, Findings()).day("today")


def checked_together(
    register: Register,
    incoming: Incoming,
    comparisons: Mapping[str, TableComparison],
    changed: Iterable[Conflict],
    calls: Mapping[str, GenotypeSet],
    overrides: Mapping[str, str],
    *,
    skip: Iterable[str] = (),
    only: Iterable[str] | None = None,
) -> Together:
    """Check the register as it would be after an import.

    Parameters
    ----------
    register : Register
        As it is.
    incoming : Incoming
        What was read.
    comparisons : mapping of str to TableComparison
        Rows to add, by table of the register.
    changed : iterable of Conflict
        Records that take the values of a row of the file.
    calls : mapping of str to GenotypeSet
        Call sets that become current.
    overrides : mapping of str to str
        Settings as text, for this check.
    skip : iterable of str
        Tables and call sets not read, as `planner.tasks.register_records.read_register`.
    only : iterable of str, optional
        Names of the checks to run; default all.
    """
    held = records_of(register, skip)
    taken: dict[str, dict[int, int]] = {}
    for conflict in changed:
        taken.setdefault(conflict.table, {})[conflict.row] = conflict.record_id
    tables: dict[str, pd.DataFrame] = {}
    files: dict[str, tuple[str, str]] = {}
    for name, old in held.tables.items():
        new = _new_rows(name, incoming, comparisons, taken.get(name, {}))
        if new is not None and taken.get(name):
            old = old[~old.index.isin(list(taken[name].values()))]
        seen_as = f"{name}.joined"
        source = "detection_days" if name == "scans" and name not in incoming.tables else name
        file = incoming.tables[source].attrs["file"] if source in incoming.tables else ""
        files[seen_as] = (str(file), f"{name}{IN_REGISTER}")
        tables[name] = _joined(old, new, seen_as)
    records = Records(tables, {**held.genotypes, **calls}, (), "", {}, ())
    return _run(records, files, overrides, only)


def checked_register(register: Register, overrides: Mapping[str, str] | None = None) -> Together:
    """Check a register as it is; the findings say ``TABLE in the register`` and the number of the record."""
    held = records_of(register)
    files = {f"{n}.joined": ("", f"{n}{IN_REGISTER}") for n in held.tables}
    tables = {n: _joined(t, None, f"{n}.joined") for n, t in held.tables.items()}
    return _run(replace(held, tables=tables), files, overrides or {})


def _run(
    records: Records,
    files: Mapping[str, tuple[str, str]],
    overrides: Mapping[str, str],
    only: Iterable[str] | None = None,
) -> Together:
    settings, faults = settings_in(records)
    found = Findings(list(faults))
    settings = settings.with_overrides(overrides)
    settings = with_day(settings, records, Findings())
    today = settings.day("today")
    found.extend(check_references(records.tables))
    found.extend(run_checks(records.tables, records.genotypes, settings.values, today, only=only))
    everything, mine = [], []
    for m in marked(found, records.tables):
        touches = any(p.file in files and _is_new(p) for p in (m.finding.where, *m.finding.others))
        placed = replace(m, finding=_placed(m.finding, files))
        everything.append(placed)
        if touches:
            mine.append(placed)
    return Together(tuple(everything), tuple(mine), today)


def _new_rows(
    name: str, incoming: Incoming, comparisons: Mapping[str, TableComparison], taken: Mapping[int, int]
) -> pd.DataFrame | None:
    """Return the rows of a file that would be in the register: added ones, and those whose values are taken."""
    if name == "scans":
        return _new_contacts(incoming, comparisons)
    comparison = comparisons.get(name)
    if comparison is None:
        return None
    if not taken:
        return comparison.added
    frame = incoming.tables[name]
    return frame[frame.index.isin(comparison.added.index) | frame.index.isin(list(taken))]


def _new_contacts(incoming: Incoming, comparisons: Mapping[str, TableComparison]) -> pd.DataFrame | None:
    """Return the contacts of the days that would be added."""
    days = comparisons.get("detection_days")
    if days is None or days.added.empty:
        return None
    if "scans" not in incoming.tables:
        return scans_of(days.added)
    scans = incoming.tables["scans"]
    if not days.same and not days.conflicts:
        return scans
    keys = scans[["deployment_id", "tag"]].assign(day=scans["scanned_at"].dt.floor("D"))[DAY_KEY]
    wanted = days.added[DAY_KEY].drop_duplicates().assign(there=True)
    there = keys.merge(wanted, on=DAY_KEY, how="left")["there"].notna().to_numpy()
    return scans[there]


def _joined(old: pd.DataFrame, new: pd.DataFrame | None, seen_as: str) -> pd.DataFrame:
    """Return the rows of both, those of the register with lifted numbers."""
    lifted = old.set_axis(pd.Index(np.asarray(old.index, dtype=np.int64) + OLD_ROWS, name="row"), axis=0)
    if new is None or new.empty:
        joined = lifted
    elif old.empty:
        joined = new.copy(deep=False)
    else:
        joined = pd.concat([lifted, new])
    joined.index.name = "row"
    joined.attrs = {"file": seen_as}
    return joined


def _is_new(place: Place) -> bool:
    return place.row is not None and place.row < OLD_ROWS


def _placed(finding: Finding, files: Mapping[str, tuple[str, str]]) -> Finding:
    def place(p: Place) -> Place:
        if p.file not in files:
            return p
        new, old = files[p.file]
        if p.row is None:
            return Place(new or old, None, p.column)
        if p.row >= OLD_ROWS:
            return Place(old, p.row - OLD_ROWS, p.column)
        return Place(new, p.row, p.column)

    return replace(finding, where=place(finding.where), others=tuple(place(p) for p in finding.others))
