"""Read one table of records and check every cell by the register of columns."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from broodstock.fields import Column, Table, table
from broodstock.findings import Finding, Findings, Place
from broodstock.intake.cells import (
    CellProblem,
    expected_words,
    read_choice,
    read_flag,
    read_number,
    read_text,
    without_blanks,
)
from broodstock.intake.dates import quick_stamps, read_date, read_time
from broodstock.intake.near_words import did_you_mean, near_word
from broodstock.intake.raw_table import MAX_LISTED, MORE_WORDS, RawTable, more, read_bytes, read_csv
from broodstock.tags.codes import Tag, has_hidden_blank, parse_tag
from broodstock.tags.damage import damaged_number, rounded_digits


def read_table(path: str | Path, table_name: str) -> tuple[pd.DataFrame, list[Finding]]:
    """Read one table from CSV, compressed CSV or a workbook.

    Parameters
    ----------
    path : str or Path
        ``.csv``, ``.csv.gz`` or ``.xlsx``; in a workbook the sheet named like the table, or the only sheet.
    table_name : str
        Name of a registered table.

    Returns
    -------
    frame : DataFrame
        All registered columns in register order, in the form of `typed_frame`.
    findings : list of Finding
        Every fault of the file, in order of row and column.

    Raises
    ------
    KeyError
        If no table of that name is registered.
    """
    path = Path(path)
    spec = table(table_name)
    findings = Findings()
    if path.suffix.lower() == ".xlsx":
        from broodstock.intake.sheets import read_sheet

        raw = read_sheet(path, table_name, findings)
    else:
        data = read_bytes(path, findings, path.name)
        raw = read_csv(data, path.name, findings) if data is not None else RawTable(path.name)
    frame = check_table(raw, spec, findings)
    return frame, in_order(findings)


def in_order(findings: Findings) -> list[Finding]:
    """Return findings by file, row and first appearance.

    Those without a row come first in their file, except those that count what was not listed: they come last.
    """
    files = {f.where.file: i for i, f in reversed(list(enumerate(findings)))}

    def place(f: Finding) -> tuple[int, bool, int]:
        return files[f.where.file], f.found.endswith(MORE_WORDS), f.where.row or 0

    return sorted(findings, key=place)


def empty_frame(spec: Table, file: str = "") -> pd.DataFrame:
    """Return a table without rows, all columns typed."""
    return typed_frame(spec, {}, np.zeros(0, dtype=np.int64), file)


def typed_frame(spec: Table, columns: dict[str, Any], rows: np.ndarray, file: str) -> pd.DataFrame:
    """Return a frame in the form that every reader and check shares.

    Parameters
    ----------
    spec : Table
        The registered table.
    columns : dict of str to array
        Values by column; columns left out are empty.
    rows : ndarray, int64, shape (n_rows,)
        Row numbers in the file, the header being row 1.
    file : str
        File name, kept in ``frame.attrs["file"]``.

    Returns
    -------
    DataFrame
        Index named ``row``. Text, tag and choice columns are of dtype object with empty text for an empty
        cell; integer columns Int64; number columns float64 with NaN; date and datetime columns
        datetime64[ns] with NaT; flag columns boolean.
    """
    index = pd.Index(np.asarray(rows, dtype=np.int64), name="row")
    n = len(index)
    out = {}
    for column in spec.columns:
        dtype = _DTYPES[column.kind]
        values = columns.get(column.name)
        if values is None:
            values = _missing(n, dtype)
        out[column.name] = pd.Series(values, index=index, dtype=dtype)
    frame = pd.DataFrame(out, index=index, columns=pd.Index(spec.names, dtype=object))
    frame.attrs["file"] = file
    return frame


_DTYPES = {
    "text": "object",
    "tag": "object",
    "choice": "object",
    "integer": "Int64",
    "number": "float64",
    "date": "datetime64[ns]",
    "datetime": "datetime64[ns]",
    "flag": "boolean",
}


def _missing(n: int, dtype: str) -> Any:
    if dtype == "object":
        return np.full(n, "", dtype=object)
    if dtype == "float64":
        return np.full(n, np.nan)
    if dtype == "datetime64[ns]":
        return np.full(n, np.datetime64("NaT"), dtype="datetime64[ns]")
    return pd.Series([pd.NA] * n, dtype=dtype).array


def check_table(raw: RawTable, spec: Table, findings: Findings) -> pd.DataFrame:
    """Check cells of text by the register and return them as values.

    Parameters
    ----------
    raw : RawTable
        Cells as text.
    spec : Table
        The registered table.
    findings : Findings
        Receives every fault.

    Returns
    -------
    DataFrame
        In the form of `typed_frame`; cells at fault are empty.
    """
    where = _match_header(raw, spec, findings)
    if raw.header and not len(raw.rows) and not findings.stops_import:
        findings.add(
            "no-records",
            Place(raw.file),
            "a header without records",
            "records",
            "Fill the table, or leave it so.",
            "note",
        )
    columns = {}
    for column in spec.columns:
        at = where.get(column.name)
        if at is None:
            continue
        cells = np.array(raw.columns[at], dtype=object)
        columns[column.name] = _read_column(cells, raw.typed.get(at), column, spec, raw, findings)
    frame = typed_frame(spec, columns, raw.rows, raw.file)
    if spec.key and all(k in where for k in spec.key):
        _check_key(frame, spec, findings)
    return frame


def _match_header(raw: RawTable, spec: Table, findings: Findings) -> dict[str, int]:
    """Match the headers of a file to the registered columns."""
    by_header = {c.name: c.name for c in spec.columns} | {a: c.name for c in spec.columns for a in c.aliases}
    where: dict[str, int] = {}
    unknown: list[tuple[int, str]] = []
    for i, header in enumerate(raw.header):
        name = by_header.get(header) or by_header.get("_".join(header.lower().split()))
        if name is None:
            unknown.append((i, header))
        elif name in where:
            findings.add(
                "duplicate-header",
                Place(raw.file, 1, header),
                f"column '{name}' a second time, in columns {where[name] + 1} and {i + 1}",
                "each column once",
                "Delete or rename one of them.",
            )
        else:
            where[name] = i
    free = [n for n in spec.names if n not in where]
    for i, header in unknown:
        near = near_word(header, free)
        shown = f"'{header}'" if header else f"no header above column {i + 1}"
        findings.add(
            "unknown-column",
            Place(raw.file, 1, header or None),
            shown,
            f"a column of the table '{spec.name}'",
            f"{did_you_mean(near)}Rename the column or delete it; it was not read.",
            "error" if near else "warning",
        )
    for column in spec.columns:
        if column.required and column.name not in where and raw.header:
            findings.add(
                "missing-column",
                Place(raw.file, 1, column.name),
                "no such column",
                f"a column '{column.name}': {column.sentence[0].lower()}{column.sentence[1:].rstrip('.')}",
                "Add the column.",
            )
    return where


def _read_column(
    cells: np.ndarray,
    kinds: np.ndarray | None,
    column: Column,
    spec: Table,
    raw: RawTable,
    findings: Findings,
) -> Any:
    """Read a column by its different texts and list the problems by row."""
    if kinds is not None:
        # A typed cell is told from the same characters typed as text by a mark no text can hold.
        cells = np.array(
            [c if not k else (c, k) for c, k in zip(cells, kinds, strict=True)] + [None], dtype=object
        )[:-1]
    position, values = pd.factorize(cells)
    read = _reader(column, spec)
    results: list[Any] = [None] * len(values)
    problems: dict[int, CellProblem] = {}
    trimmed: list[int] = []
    converted: list[int] = []
    stamps = None
    if column.kind in ("date", "datetime") and kinds is None:
        stamps = quick_stamps(values, with_time=column.kind == "datetime")
    todo = range(len(values)) if stamps is None else np.flatnonzero(np.isnat(stamps)).tolist()
    for i in todo:
        value = values[i]
        text, kind = value if isinstance(value, tuple) else (value, "")
        bare = text.strip() if text.isascii() else without_blanks(text)
        if not bare:
            continue
        if column.kind != "tag" and bare != text:
            trimmed.append(i)
        if kind == "date" and column.kind == "datetime" and len(bare) == 10:
            bare += "T00:00:00"  # a sheet gives midnight as the day alone
        outcome = _typed_damage(bare, kind, column) or read(text if column.kind == "tag" else bare)
        if isinstance(outcome, Tag):
            if outcome.code != text:
                (trimmed if has_hidden_blank(text) else converted).append(i)
            outcome = outcome.code
        if isinstance(outcome, CellProblem):
            problems[i] = outcome
        else:
            results[i] = outcome
    _list_problems(problems, position, column, raw, findings)
    _list_trimmed(trimmed, converted, values, position, column, raw, findings)
    if column.required:
        empty = [i for i in todo if results[i] is None and i not in problems]
        _list_missing(empty, position, column, raw, findings)
    if column.kind == "tag" and spec.name != "tags_bought":
        _list_rounded(results, position, column, raw, findings)
    return _as_array(results, stamps, position, column)


def _reader(column: Column, spec: Table) -> Callable[[str], Any]:
    """Return the function that reads one text of a column."""
    identifier = bool(column.refers) or column.name in spec.key
    readers: dict[str, Callable[[str], Any]] = {
        "text": lambda t: read_text(t, column, identifier=identifier),
        "choice": lambda t: read_choice(t, column),
        "flag": lambda t: read_flag(t, column),
        "number": lambda t: read_number(t, column),
        "integer": lambda t: read_number(t, column),
        "date": lambda t: read_date(t, column),
        "datetime": lambda t: read_time(t, column),
        "tag": _read_tag,
    }
    return readers[column.kind]


def _read_tag(text: str) -> Tag | CellProblem:
    tag = parse_tag(text)
    if isinstance(tag, Tag):
        return tag
    return CellProblem(tag.code, tag.found, tag.expected, tag.remedy, tag.level)


def _typed_damage(text: str, kind: str, column: Column) -> CellProblem | None:
    """Return the problem of a cell that the spreadsheet stored with a kind its column cannot have."""
    if not kind:
        return None
    if column.kind == "tag":
        if kind == "number":
            from decimal import Decimal

            damage = damaged_number(Decimal(text), text)
            return CellProblem(damage.code, damage.found, damage.expected, damage.remedy)
        return CellProblem(
            "text-became-date",
            f"a {kind} shown as '{text}'",
            "a PIT code as text",
            "Set the column to text and type it again.",
        )
    if column.kind in ("text", "choice") and kind in ("date", "time"):
        return CellProblem(
            "text-became-date",
            f"a {kind}, {text}",
            expected_words(column),
            "The spreadsheet turned the text into a date. Set the column to text and type it again.",
        )
    if column.kind in ("number", "integer") and kind in ("date", "time", "flag"):
        return CellProblem(
            "number-became-date",
            f"a {kind}, {text}",
            expected_words(column),
            "Set the column to numbers and type it again.",
        )
    return None


def _as_array(results: list[Any], stamps: np.ndarray | None, position: np.ndarray, column: Column) -> Any:
    """Spread the values of the different texts over the rows."""
    if column.kind in ("text", "tag", "choice"):
        pool = np.array(["" if r is None else r for r in results] + [""], dtype=object)
        return pool[position]
    if column.kind == "number":
        return np.array([np.nan if r is None else r for r in results] + [np.nan], dtype=np.float64)[position]
    if column.kind in ("date", "datetime"):
        pool = np.full(len(results) + 1, np.datetime64("NaT", "us"), dtype="datetime64[us]")
        if stamps is not None:
            pool[:-1] = stamps
        for i, found in enumerate(results):
            if found is not None:
                pool[i] = np.datetime64(found, "us")
        return pool.astype("datetime64[ns]")[position]
    empty = np.array([r is None for r in results] + [True])[position]
    if column.kind == "integer":
        whole = np.array([0 if r is None else int(r) for r in results] + [0], dtype=np.int64)[position]
        return pd.arrays.IntegerArray(whole, empty)
    flags = np.array([bool(r) for r in results] + [False], dtype=bool)[position]
    return pd.arrays.BooleanArray(flags, empty)


def _list_problems(
    problems: dict[int, CellProblem], position: np.ndarray, column: Column, raw: RawTable, findings: Findings
) -> None:
    if not problems:
        return
    seen: Counter[str] = Counter()
    for at in np.flatnonzero(np.isin(position, np.fromiter(problems, dtype=np.int64))):
        p = problems[int(position[at])]
        seen[p.code] += 1
        if seen[p.code] <= MAX_LISTED:
            findings.add(
                p.code,
                Place(raw.file, int(raw.rows[at]), column.name),
                p.found,
                p.expected,
                p.remedy,
                p.level,
            )
    levels = {p.code: p.level for p in problems.values()}
    for code, total in seen.items():
        more(findings, code, raw.file, column.name, total, levels[code])


def _list_trimmed(
    trimmed: list[int],
    converted: list[int],
    values: np.ndarray,
    position: np.ndarray,
    column: Column,
    raw: RawTable,
    findings: Findings,
) -> None:
    """Say which cells were read without the blanks in them, and which tags were turned into digits."""
    if trimmed:
        rows = np.flatnonzero(np.isin(position, trimmed))
        value = values[position[rows[0]]]
        text = value[0] if isinstance(value, tuple) else value
        findings.add(
            "hidden-blank",
            Place(raw.file, int(raw.rows[rows[0]]), column.name),
            f"{text!r}" + (f" and {len(rows) - 1} more cell(s) with blanks" if len(rows) > 1 else ""),
            "no blanks in or around the text",
            "It was read without them; remove them where the records are kept.",
            "warning" if column.kind == "tag" else "note",
        )
    if converted:
        rows = np.flatnonzero(np.isin(position, converted))
        text = values[position[rows[0]]]
        findings.add(
            "tag-converted",
            Place(raw.file, int(raw.rows[rows[0]]), column.name),
            f"'{text}'" + (f" and {len(rows) - 1} more code(s) in another form" if len(rows) > 1 else ""),
            "fifteen digits",
            f"It was read as {parse_tag(text).code}; nothing needs doing.",
            "note",
        )


def _list_missing(
    empty: list[int], position: np.ndarray, column: Column, raw: RawTable, findings: Findings
) -> None:
    if not empty:
        return
    rows = np.flatnonzero(np.isin(position, empty))
    for at in rows[:MAX_LISTED]:
        findings.add(
            "missing-cell",
            Place(raw.file, int(raw.rows[at]), column.name),
            "an empty cell",
            expected_words(column),
            "Fill the cell; without it the record cannot be used.",
        )
    more(findings, "missing-cell", raw.file, column.name, len(rows))


def _list_rounded(
    results: list[Any], position: np.ndarray, column: Column, raw: RawTable, findings: Findings
) -> None:
    suspicious = rounded_digits([r for r in results if r])
    if not suspicious:
        return
    place = {r: i for i, r in enumerate(results) if r}
    for code in suspicious[:MAX_LISTED]:
        rows = np.flatnonzero(position == place[code])
        findings.add(
            "tag-rounded",
            Place(raw.file, int(raw.rows[rows[0]]), column.name),
            f"'{code}', ending in noughts" + (f", in {len(rows)} rows" if len(rows) > 1 else ""),
            "a PIT code as scanned",
            "A spreadsheet may have rounded it. Compare it with the reader's own list.",
            "warning",
        )
    more(findings, "tag-rounded", raw.file, column.name, len(suspicious), "warning")


def _check_key(frame: pd.DataFrame, spec: Table, findings: Findings) -> None:
    """Report rows whose key another row has."""
    key = list(spec.key)
    whole = pd.Series(True, index=frame.index)
    for k in key:
        whole &= frame[k].ne("") if frame[k].dtype == object else frame[k].notna()
    rows = frame.loc[whole, key]
    again = rows.duplicated(keep="first")
    if not again.any():
        return
    first = {tuple(values[1:]): int(values[0]) for values in rows[~again].itertuples()}
    listed = rows[again]
    file = frame.attrs["file"]
    for values in listed.head(MAX_LISTED).itertuples():
        shown = ", ".join(_shown(v) for v in values[1:])
        findings.add(
            "duplicate-key",
            Place(file, int(values[0]), key[0] if len(key) == 1 else ", ".join(key)),
            f"'{shown}' again, first in row {first[values[1:]]}",
            f"each {' and '.join(key)} once",
            "Delete the row that is wrong, or give the record its own name.",
            others=[Place(file, first[values[1:]], key[0])],
        )
    more(findings, "duplicate-key", file, key[0], len(listed))


def _shown(value: Any) -> str:
    return value.date().isoformat() if isinstance(value, pd.Timestamp) else str(value)
