"""Values on their way into the register: checked by the register of columns, in one stored form.

Text, tags, choices, dates (``YYYY-MM-DD``) and times (``YYYY-MM-DDTHH:MM:SS``) are stored as text, whole
numbers and flags (0, 1) as whole numbers, numbers as 8-byte floats, empty cells as NULL.
"""

from __future__ import annotations

import datetime as dt
import math
import operator
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from broodstock.fields import Column, Table
from broodstock.findings import Findings, Place
from broodstock.intake.cells import (
    CellProblem,
    expected_words,
    range_words,
    read_choice,
    read_flag,
    read_number,
    read_text,
    without_blanks,
)
from broodstock.intake.dates import read_date, read_time
from broodstock.intake.near_words import did_you_mean, near_word
from broodstock.tags.codes import Tag, parse_tag
from planner.store.errors import TableUnknown

if TYPE_CHECKING:
    import pandas as pd

Stored = str | int | float | None
_MOST_LISTED = 50


class _ProblemError(Exception):
    def __init__(self, problem: CellProblem) -> None:
        self.problem = problem


def column_reader(column: Column, spec: Table, *, own: bool = False) -> Callable[[Any], Stored]:
    """Return the function that turns one value of a column into its stored form.

    Parameters
    ----------
    column, spec : Column, Table
        The column and its table.
    own : bool
        The table is one of the register's own: its text is kept as it is, blanks and all.

    Returns
    -------
    callable
        Takes text as in a file, or a typed value (date, datetime, int, float, bool, their numpy and pandas
        forms); raises a private error carrying a `CellProblem` for anything else.
    """
    identifier = bool(column.refers) or column.name in spec.key
    kind = column.kind
    if kind == "tag":
        return lambda v: _tag(v, column)
    if kind == "text":
        if own:
            return lambda v: _plain_text(v, column)
        return lambda v: _text(v, column, lambda t: read_text(t, column, identifier=identifier))
    if kind == "choice":
        return lambda v: _text(v, column, lambda t: read_choice(t, column))
    readers: dict[str, Callable[[Any, Column], Stored]] = {
        "integer": _integer,
        "number": _number,
        "date": _date,
        "datetime": _datetime,
        "flag": _flag,
    }
    read = readers[kind]
    return lambda v: read(v, column)


def is_empty(value: Any) -> bool:
    """Return whether a value stands for an empty cell: None, empty text, NaN, NaT or pandas' NA."""
    if value is None or value == "":
        return True
    if isinstance(value, float):
        return value != value
    return type(value).__name__ in ("NAType", "NaTType") or (
        type(value).__name__ == "datetime64" and str(value) == "NaT"
    )


def stored_rows(
    spec: Table,
    rows: Iterable[Mapping[str, Any]],
    *,
    own: bool = False,
    row_numbers: Sequence[int] | None = None,
) -> list[list[Stored]]:
    """Return rows as one list of stored values per column of a table, in the table's order.

    Raises
    ------
    InputError
        With a finding for every value that its column cannot hold and every required cell left empty.
    TableUnknown
        If a row names a column the table does not have.
    """
    rows = list(rows)
    names = set(spec.names)
    for names_of_row in {frozenset(r) for r in rows} if rows else ():
        unknown = sorted(names_of_row - names)
        if unknown:
            raise _no_column(unknown[0], spec)
    findings = Findings()
    out = []
    for column in spec.columns:
        read = column_reader(column, spec, own=own)
        known: dict[tuple[type, Any], Stored] = {}
        bad: dict[tuple[type, Any], CellProblem] = {}
        values: list[Stored] = []
        name = column.name
        for at, row in enumerate(rows):
            value = row.get(name)
            if value is None:
                values.append(None)
                continue
            mark = (value.__class__, value)
            if mark in known:
                values.append(known[mark])
                continue
            problem = bad.get(mark)
            if problem is None:
                try:
                    known[mark] = one = None if is_empty(value) else read(value)
                    values.append(one)
                    continue
                except _ProblemError as found:
                    problem = bad[mark] = found.problem
            values.append(None)
            _list(findings, problem, spec, column, at, row_numbers)
        _list_required(findings, values, spec, column, row_numbers, skip=bool(bad))
        _check_text(values, spec, column, findings)
        out.append(values)
    findings.raise_if_hard()
    return out


def stored_frame(
    spec: Table, frame: pd.DataFrame, *, own: bool = False, row_numbers: Sequence[int] | None = None
) -> list[list[Stored]]:
    """Return a frame as one list of stored values per column of a table; each different value is read once.

    Raises
    ------
    InputError, TableUnknown
        As `stored_rows`.
    """
    import numpy as np
    import pandas as pd

    unknown = [str(c) for c in frame.columns if c not in spec.names]
    if unknown:
        raise _no_column(unknown[0], spec)
    findings = Findings()
    out = []
    for column in spec.columns:
        if column.name not in frame.columns:
            values: list[Stored] = [None] * len(frame)
            _list_required(findings, values, spec, column, row_numbers)
            out.append(values)
            continue
        read = column_reader(column, spec, own=own)
        codes, different = pd.factorize(frame[column.name])
        pool = np.empty(len(different) + 1, dtype=object)
        pool[-1] = None
        bad: dict[int, CellProblem] = {}
        for i, value in enumerate(different):
            if is_empty(value):
                continue
            try:
                pool[i] = read(value)
            except _ProblemError as found:
                bad[i] = found.problem
        if bad:
            for at in np.flatnonzero(np.isin(codes, list(bad)))[:_MOST_LISTED].tolist():
                _list(findings, bad[int(codes[at])], spec, column, at, row_numbers)
        values = pool[codes].tolist()
        _list_required(findings, values, spec, column, row_numbers, skip=bool(bad))
        _check_text(pool.tolist(), spec, column, findings)
        out.append(values)
    findings.raise_if_hard()
    return out


def stored_values(spec: Table, values: Mapping[str, Any], *, own: bool = False) -> dict[str, Stored]:
    """Return some values of one row in stored form; columns left out are not checked.

    Raises
    ------
    InputError, TableUnknown
        As `stored_rows`.
    """
    part = Table(spec.name, spec.sentence, tuple(c for c in spec.columns if c.name in values), spec.key)
    unknown = [n for n in values if n not in spec.names]
    if unknown:
        raise _no_column(unknown[0], spec)
    columns = stored_rows(part, [values], own=own)
    return {c.name: v[0] for c, v in zip(part.columns, columns, strict=True)}


def _no_column(name: str, spec: Table) -> TableUnknown:
    return TableUnknown(
        f"table '{spec.name}'",
        f"a column '{name}'",
        f"one of {', '.join(spec.names)}",
        f"{did_you_mean(near_word(name, spec.names))}Correct the name; 'kinshoal columns' lists them all.",
    )


def _list(
    findings: Findings,
    problem: CellProblem,
    spec: Table,
    column: Column,
    at: int,
    row_numbers: Sequence[int] | None,
) -> None:
    if len(findings) < _MOST_LISTED:
        row = int(row_numbers[at]) if row_numbers is not None else at + 1
        findings.add(
            problem.code, Place(spec.name, row, column.name), problem.found, problem.expected, problem.remedy
        )


def _list_required(
    findings: Findings,
    values: Sequence[Stored],
    spec: Table,
    column: Column,
    row_numbers: Sequence[int] | None,
    *,
    skip: bool = False,
) -> None:
    """List required cells left empty, unless the column has values at fault already."""
    if not column.required or skip or None not in values:
        return
    problem = CellProblem(
        "missing-cell",
        "an empty cell",
        expected_words(column),
        "Fill the cell; without it the record cannot be used.",
    )
    for at, value in enumerate(values):
        if value is None:
            _list(findings, problem, spec, column, at, row_numbers)


def _check_text(values: Iterable[Stored], spec: Table, column: Column, findings: Findings) -> None:
    """Report text that a database cannot hold: the zero character and halves of characters."""
    if column.kind not in ("text", "tag", "choice"):
        return
    texts = [v for v in values if isinstance(v, str)]
    try:
        clean = b"\0" not in "".join(texts).encode()
    except UnicodeEncodeError:
        clean = False
    if not clean:
        findings.add(
            "control-character",
            Place(spec.name, None, column.name),
            "a zero character or half of a character",
            "text without control characters",
            "Type the cell anew; it was damaged on the way.",
        )


def _refuse(value: Any, column: Column) -> _ProblemError:
    return _ProblemError(
        CellProblem("wrong-kind", f"{value!r}"[:80], expected_words(column), "Give a value of that kind.")
    )


def _read(outcome: Any) -> Any:
    if isinstance(outcome, CellProblem):
        raise _ProblemError(outcome)
    return outcome


def _plain_text(value: Any, column: Column) -> Stored:
    if not isinstance(value, str):
        raise _refuse(value, column)
    return str(value)


def _text(value: Any, column: Column, read: Callable[[str], str | CellProblem]) -> Stored:
    if not isinstance(value, str):
        raise _refuse(value, column)
    bare = without_blanks(value)
    return str(_read(read(bare))) if bare else None


def _tag(value: Any, column: Column) -> Stored:
    if not isinstance(value, str):
        raise _refuse(value, column)
    if not without_blanks(value):
        return None
    tag = parse_tag(value)
    if isinstance(tag, Tag):
        return tag.code
    raise _ProblemError(CellProblem(tag.code, tag.found, tag.expected, tag.remedy))


def _integer(value: Any, column: Column) -> Stored:
    if isinstance(value, str):
        bare = without_blanks(value)
        return int(_read(read_number(bare, column))) if bare else None
    if isinstance(value, bool) or type(value).__name__ in ("bool", "bool_"):
        raise _refuse(value, column)
    try:
        whole = operator.index(value)
    except TypeError:
        if not isinstance(value, float) or not value.is_integer():
            raise _refuse(value, column) from None
        whole = int(value)
    return int(_in_range(whole, column))


def _number(value: Any, column: Column) -> Stored:
    if isinstance(value, str):
        bare = without_blanks(value)
        return float(_read(read_number(bare, column))) + 0.0 if bare else None
    if isinstance(value, bool) or type(value).__name__ in ("bool", "bool_"):
        raise _refuse(value, column)
    try:
        number = float(value)
    except (TypeError, ValueError):
        raise _refuse(value, column) from None
    if not math.isfinite(number):
        raise _refuse(value, column)
    return float(_in_range(number, column)) + 0.0  # no negative zero: the two databases keep it differently


def _in_range(number: float, column: Column) -> float:
    below = column.low is not None and number < column.low
    above = column.high is not None and number > column.high
    if below or above or abs(number) > 1e300 or (column.kind == "integer" and abs(number) > 2**53):
        unit = f" Check the unit: it is {column.unit}." if column.unit else ""
        words = expected_words(column) if range_words(column) else "a number that can be kept"
        raise _ProblemError(CellProblem("out-of-range", f"'{number}'", words, f"Correct the number.{unit}"))
    return number


def _date(value: Any, column: Column) -> Stored:
    if isinstance(value, str):
        bare = without_blanks(value)
        return _read(read_date(bare, column)).isoformat() if bare else None
    if type(value).__name__ == "datetime64":
        value = value.astype("datetime64[us]").item()
    if isinstance(value, dt.datetime):
        if value.tzinfo is not None or value.time() != dt.time():
            raise _refuse(value, column)
        value = value.date()
    if not isinstance(value, dt.date):
        raise _refuse(value, column)
    return str(_read(read_date(value.isoformat(), column)).isoformat())


def _datetime(value: Any, column: Column) -> Stored:
    if isinstance(value, str):
        bare = without_blanks(value)
        return _read(read_time(bare, column)).isoformat() if bare else None
    if type(value).__name__ == "datetime64":
        value = value.astype("datetime64[us]").item()
    if type(value).__name__ == "Timestamp":
        value = value.to_pydatetime(warn=False)
    if not isinstance(value, dt.datetime):
        raise _refuse(value, column)
    return str(_read(read_time(value.isoformat(), column)).isoformat())


def _flag(value: Any, column: Column) -> Stored:
    if isinstance(value, str):
        bare = without_blanks(value)
        return int(_read(read_flag(bare, column))) if bare else None
    if type(value).__name__ in ("bool", "bool_"):
        return int(bool(value))
    raise _refuse(value, column)
