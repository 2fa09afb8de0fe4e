"""Compare rows that would join a register with the rows it holds: new, the same, or in conflict.

Plain frames in, plain values out; nothing is written here.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from broodstock.fields import Column, Table

IDENTITY: dict[str, tuple[str, ...]] = {
    "identifiers": ("fish_id", "code", "from_date"),
    "holds": ("subject", "subject_kind", "reason", "from_date"),
    "frozen_milt": ("fish_id", "frozen_on", "store_place"),
    "parent_claims": ("child", "role", "source", "made_on"),
    "residents": ("site_id", "family", "counted_on"),
    "survival": ("site_id", "site_kind", "season", "source"),
    "tags_bought": ("box", "first_code"),
    "releases": ("event", "tag"),
    "permits": ("permit_id", "activity", "stage", "valid_from"),
    "distances": ("from_place", "to_place"),
    "measurements": ("subject_kind", "subject", "measured_on", "kind"),
}
"""Columns that say which record a row of a table without a key is about; the same record may still stand twice."""

ONE_CAPTURE = ("tag", "captured_on", "site_id")
"""Two captures with the same of these are one fish in one net, told by two sources."""
_APART = "\x1f"


@dataclass(frozen=True, slots=True)
class Conflict:
    """One row of a file that disagrees with a record of the register.

    Parameters
    ----------
    table : str
        Table.
    row : int
        Row in the file.
    record_id : int
        Record of the register it disagrees with.
    key : str
        Which record it is about, in words.
    old, new : mapping of str to value
        Both versions, every column; plain values, None for an empty cell.
    columns : tuple of str
        Columns that differ.
    """

    table: str
    row: int
    record_id: int
    key: str
    old: Mapping[str, Any]
    new: Mapping[str, Any]
    columns: tuple[str, ...]


@dataclass(frozen=True)
class TableComparison:
    """What importing one table would do.

    Parameters
    ----------
    table : str
        Table.
    added : DataFrame
        Rows the register does not hold, in the shared form of the readers.
    same : int
        Rows it holds already.
    conflicts : tuple of Conflict
        Rows about a record it holds with other values.
    """

    table: str
    added: pd.DataFrame
    same: int
    conflicts: tuple[Conflict, ...]


def identity_of(spec: Table) -> tuple[str, ...]:
    """Return the columns that say which record a row is about: the key, or what stands in for one."""
    return spec.key or IDENTITY.get(spec.name, spec.names)


def given_columns(frame: pd.DataFrame, spec: Table) -> tuple[str, ...]:
    """Return the columns with a value in any row; a column without any says nothing about a record."""
    return tuple(c.name for c in spec.columns if _filled(frame[c.name]).any())


def _filled(series: pd.Series) -> np.ndarray:
    return np.asarray(series.ne("") if series.dtype == object else series.notna(), dtype=bool)


def compared(spec: Table, old: pd.DataFrame, new: pd.DataFrame) -> TableComparison:
    """Sort the rows of a file into new, the same, and in conflict.

    Parameters
    ----------
    spec : Table
        The table.
    old : DataFrame
        Current records of the register, shared form; the index holds record numbers.
    new : DataFrame
        Rows of the file, shared form; the index holds row numbers.

    Returns
    -------
    TableComparison
        A row equal to a record in every column given is the same. Equal rows are counted: a file with three equal
        rows against one such record adds two.
    """
    if new.empty:
        return TableComparison(spec.name, new, 0, ())
    identity = identity_of(spec)
    new_keys = _joined_texts(new, spec, identity)
    if old.empty:
        return _with_twin_captures(TableComparison(spec.name, new, 0, ()), old)
    old_keys = _joined_texts(old, spec, identity)
    known = set(old_keys)
    meets = np.fromiter((k in known for k in new_keys), dtype=bool, count=len(new_keys))
    mine = set(new_keys)
    touched = np.fromiter((k in mine for k in old_keys), dtype=bool, count=len(old_keys))
    given = given_columns(new, spec)
    both_new, both_old = new[meets], old[touched]
    new_whole = _joined_texts(both_new, spec, given)
    old_whole = _joined_texts(both_old, spec, given)
    waiting: dict[str, list[int]] = defaultdict(list)
    for at, key in enumerate(old_keys[touched]):
        waiting[key].append(at)
    same, left = 0, []
    for at, (key, whole) in enumerate(zip(new_keys[meets], new_whole, strict=True)):
        twin = next((i for i in waiting[key] if old_whole[i] == whole), None)
        if twin is None:
            left.append((at, key))
        else:
            waiting[key].remove(twin)
            same += 1
    conflicts, more = [], []
    for at, key in left:
        if not waiting[key]:
            more.append(at)
            continue
        conflicts.append(_conflict(spec, both_old, waiting[key].pop(0), both_new, at, given))
    extra = both_new.index[more]
    added = new[~meets | np.isin(np.asarray(new.index), np.asarray(extra))]
    added.attrs.update(new.attrs)
    return _with_twin_captures(TableComparison(spec.name, added, same, tuple(conflicts)), old)


def _with_twin_captures(made: TableComparison, old: pd.DataFrame) -> TableComparison:
    """Take captures that another source has told already out of the new ones, as conflicts."""
    if made.table != "captures" or old.empty or made.added.empty:
        return made
    from broodstock.fields import table

    spec = table("captures")
    old_keys = _joined_texts(old, spec, ONE_CAPTURE)
    has_tag = _filled(old["tag"])
    at_key = {k: i for i, k in enumerate(old_keys) if has_tag[i]}
    new_keys = _joined_texts(made.added, spec, ONE_CAPTURE)
    twins = [(i, at_key[k]) for i, k in enumerate(new_keys) if k in at_key and _filled(made.added["tag"])[i]]
    if not twins:
        return made
    given = given_columns(made.added, spec)
    conflicts = [_conflict(spec, old, j, made.added, i, given) for i, j in twins]
    keep = np.ones(len(made.added), dtype=bool)
    keep[[i for i, _ in twins]] = False
    return TableComparison(made.table, made.added[keep], made.same, (*made.conflicts, *conflicts))


def _conflict(
    spec: Table, old: pd.DataFrame, i: int, new: pd.DataFrame, j: int, given: tuple[str, ...]
) -> Conflict:
    before, after = plain_row(old.iloc[i], spec), plain_row(new.iloc[j], spec)
    after |= {c: before[c] for c in before if c not in given}
    differ = tuple(c for c in given if before[c] != after[c])
    key = ", ".join(_shown(before[c]) for c in identity_of(spec) if before[c] is not None)
    return Conflict(spec.name, int(new.index[j]), int(old.index[i]), key, before, after, differ)


def plain_row(row: pd.Series, spec: Table) -> dict[str, Any]:
    """Return one row of a frame as plain values: text, int, float, bool, ISO dates; None for an empty cell."""
    return {c.name: plain_cell(row[c.name], c) for c in spec.columns}


def plain_cell(value: Any, column: Column) -> Any:
    """Return one cell as text, int, float, bool or ISO text; None when it is empty."""
    if value is None or value is pd.NA or value is pd.NaT or value == "" or value != value:
        return None
    if column.kind == "date":
        return pd.Timestamp(value).date().isoformat()
    if column.kind == "datetime":
        return pd.Timestamp(value).isoformat()
    kinds: dict[str, Any] = {"integer": int, "number": float, "flag": bool}
    return kinds.get(column.kind, str)(value)


def _shown(value: Any) -> str:
    return "" if value is None else str(value)


def _joined_texts(frame: pd.DataFrame, spec: Table, columns: tuple[str, ...]) -> np.ndarray:
    """Return one text per row that is equal for equal cells, shape (n_rows,), dtype object."""
    parts = [cell_words(frame[c], spec.column(c)) for c in columns]
    out = np.empty(len(frame), dtype=object)
    out[:] = [_APART.join(cells) for cells in zip(*parts, strict=True)] if parts else ""
    return out


def cell_words(series: pd.Series, column: Column) -> list[str]:
    """Return the cells of a column as text that is equal for equal values; empty text for an empty cell."""
    if column.kind in ("date", "datetime"):
        stamps = series.to_numpy(dtype="datetime64[us]")
        return ["" if t == "NaT" else t for t in np.datetime_as_string(stamps).tolist()]
    if column.kind == "number":
        return ["" if v != v else repr(v) for v in series.to_numpy(dtype=np.float64).tolist()]
    if column.kind in ("integer", "flag"):
        return ["" if v is pd.NA or v is None else str(v) for v in series.tolist()]
    return [str(v) for v in series.tolist()]
