"""What the pages show of records: tables page by page, one record with its history, forms from the columns."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from broodstock.errors import UsageError
from broodstock.fields import TABLES
from broodstock.fields.columns import Column
from planner.tasks.own_pages import check_own_page
from planner.tasks.workplace import Workplace

if TYPE_CHECKING:
    from planner.tasks.verbs import Entered

PAGE = 50
EMPTY = ("nan", "NaT", "<NA>")
"""How empty cells of frames read as text."""

FIRST_TABLES = (
    "fish",
    "stock",
    "crosses",
    "families",
    "releases",
    "captures",
    "sites",
    "holds",
    "ripeness",
    "lots",
)


@dataclass(frozen=True)
class TablePage:
    """One page of a table.

    Parameters
    ----------
    table, sentence : str
        Name, and what one row is.
    columns : tuple of Column
        Columns.
    rows : list of (int, list of str)
        Number of the record and its cells as text.
    total, page, pages : int
        Records found, this page from 1, number of pages.
    filters : list of (str, tuple of str)
        Columns of choice and their words.
    """

    table: str
    sentence: str
    columns: tuple[Column, ...]
    rows: list[tuple[int, list[str]]]
    total: int
    page: int
    pages: int
    filters: list[tuple[str, tuple[str, ...]]]


def table_list(workplace: Workplace) -> list[tuple[str, str, int]]:
    """Return every table with its sentence and number of records: those used most first, empty ones last."""
    if workplace.is_register:
        from planner.tasks.verbs import open_register

        with open_register(workplace.place, read_only=True) as register:
            specs = register.schema.specs
            counts = {name: register.count(name) for name in specs}
    else:
        specs = TABLES
        counts = {name: len(table) for name, table in workplace.programme().tables.items()}
    rank = {name: k for k, name in enumerate(FIRST_TABLES)}
    order = sorted(specs, key=lambda n: (not counts[n], rank.get(n, len(rank)), n))
    return [(n, specs[n].sentence, counts[n]) for n in order]


def table_page(
    workplace: Workplace,
    table: str,
    text: str = "",
    where: Mapping[str, str] | None = None,
    sort: str = "",
    page: int = 1,
) -> TablePage:
    """Return one page of a table, searched, filtered and sorted.

    Raises
    ------
    UsageError
        If the table or a column does not exist.
    """
    start = (max(page, 1) - 1) * PAGE
    if workplace.is_register:
        from planner.store.browsing import browse
        from planner.tasks.verbs import open_register

        with open_register(workplace.place, read_only=True) as register:
            spec = register.schema.spec(table)
            found, total = browse(register, table, text, where, sort, PAGE, start)
        rows = [(int(r["record_id"]), [cell_text(r[n]) for n in spec.names]) for r in found]
    else:
        if table not in TABLES:
            raise UsageError(f"table: found {table!r}. Expected one of {', '.join(TABLES)}.")
        spec = TABLES[table]
        rows, total = _rows_of_folder(workplace, table, text, where or {}, sort, start)
    filters = [(c.name, c.choices) for c in spec.columns if c.choices]
    return TablePage(
        table, spec.sentence, spec.columns, rows, total, max(page, 1), max(-(-total // PAGE), 1), filters
    )


def _rows_of_folder(
    workplace: Workplace, table: str, text: str, where: Mapping[str, str], sort: str, start: int
) -> tuple[list[tuple[int, list[str]]], int]:
    frame = workplace.programme().tables[table]
    for name in (*(k for k, v in where.items() if v), *([sort.removeprefix("-")] if sort else [])):
        if name not in frame.columns:
            raise UsageError(
                f"table {table!r}: found column {name!r}. Expected one of {', '.join(frame.columns)}."
            )
    for name, value in where.items():
        if value:
            frame = frame[frame[name].astype(str) == value]
    if sort:
        frame = frame.sort_values(sort.removeprefix("-"), ascending=not sort.startswith("-"), kind="stable")
    shown = [
        (int(i), [cell_text(v) for v in row])
        for i, row in zip(frame.index, frame.itertuples(index=False), strict=True)
    ]
    if text.strip():
        wanted = text.strip().lower()
        shown = [r for r in shown if any(wanted in c.lower() for c in r[1])]
    return shown[start : start + PAGE], len(shown)


def cell_text(value: Any) -> str:
    """Return a cell as people read it."""
    if value is None or str(value) in EMPTY:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if hasattr(value, "isoformat"):
        text: str = value.isoformat()
        return text.removesuffix("T00:00:00")
    if isinstance(value, float):
        return f"{value:.10g}"
    return str(value)


@dataclass(frozen=True)
class Field:
    """One field of a form: the column, its value as text, and the kind of input."""

    column: Column
    value: str
    kind: str


KINDS = {"integer": "number", "number": "number", "date": "date", "datetime": "datetime-local"}


def fields_of(columns: tuple[Column, ...], values: Mapping[str, str] | None = None) -> list[Field]:
    """Return the fields of a form for a record."""
    return [Field(c, (values or {}).get(c.name, ""), KINDS.get(c.kind, "text")) for c in columns]


@dataclass(frozen=True)
class RecordPage:
    """One record with its history.

    Parameters
    ----------
    table : str
        Table.
    number : int
        Number of the record.
    name : str
        Its key as text.
    fields : list of Field
        Values now.
    history : list of dict
        Changes, newest first: who, when, why, and old and new values.
    entry : int
        This version; a change made from it is refused when there is a newer one.
    """

    table: str
    number: int
    name: str
    fields: list[Field]
    history: list[dict[str, Any]]
    entry: int


def record_page(workplace: Workplace, table: str, number: int) -> RecordPage:
    """Return one record of a register.

    Raises
    ------
    RecordMissing, TableUnknown, UsageError
        If there is no such record.
    """
    from planner.tasks.verbs import history_of, open_register, record_of

    with open_register(workplace.place, read_only=True) as register:
        spec = register.schema.spec(table)
        row = record_of(register, table, f"#{number}")
        _, said = history_of(register, table, f"#{number}")
    values = {n: cell_text(row[n]) for n in spec.names}
    name = " ".join(values[k] for k in spec.key) or f"#{number}"
    fields = fields_of(spec.columns, values)
    return RecordPage(table, number, name, fields, said["history"][::-1], int(row["entry_id"]))


def columns_of(workplace: Workplace, table: str) -> tuple[Column, ...]:
    """Return the columns of a table of the register.

    Raises
    ------
    TableUnknown
        If there is no such table.
    """
    from planner.tasks.verbs import open_register

    with open_register(workplace.place, read_only=True) as register:
        return register.schema.spec(table).columns


def add_record(
    workplace: Workplace,
    table: str,
    values: Mapping[str, str],
    who: str,
    reason: str,
    true_on: dt.date | None = None,
    *,
    beyond_permit: bool = False,
) -> Entered:
    """Add a record from the cells that are not empty; arguments and errors as `planner.tasks.verbs.add`."""
    from planner.tasks.verbs import add, open_register

    given = {k: v for k, v in values.items() if v.strip()}
    with open_register(workplace.place) as register:
        return add(register, table, given, who, reason, true_on, beyond_permit=beyond_permit)


def change_record(
    workplace: Workplace,
    table: str,
    number: int,
    values: Mapping[str, str],
    who: str,
    reason: str,
    true_on: dt.date | None = None,
    *,
    entry: int = 0,
    euthanasia: bool = False,
    beyond_permit: bool = False,
) -> Entered:
    """Change the cells that differ.

    Parameters
    ----------
    workplace, table, number, values, who, reason, true_on
        Where, which record, text by column, who says so and why, and since when it is true.
    entry : int
        Version that was looked at; 0 takes the newest.
    euthanasia, beyond_permit : bool
        As `planner.tasks.verbs.change`; a second person confirms.

    Raises
    ------
    StaleRecord
        If there is a newer version than the one looked at.
    KinshoalError
        As `planner.tasks.verbs.change`.
    """
    from planner.tasks.verbs import Entered, change, open_register

    check_own_page(table)
    now = {f.column.name: f.value for f in record_page(workplace, table, number).fields}
    differing = {k: v for k, v in values.items() if v.strip() != now.get(k, "")}
    if not differing:
        return Entered("Nothing differs; nothing was entered.")
    with open_register(workplace.place) as register:
        return change(
            register,
            table,
            f"#{number}",
            differing,
            who,
            reason,
            true_on,
            euthanasia=euthanasia,
            beyond_permit=beyond_permit,
            entry=entry,
        )


@dataclass(frozen=True)
class Meanwhile:
    """What someone else changed while a form was open.

    Parameters
    ----------
    who, when, why : str
        The last change.
    rows : list of (str, str, str, str)
        Column, value when the form was opened, value now, what was typed.
    fields : list of Field
        The form anew: what was typed where it was typed, the values of now elsewhere.
    entry : int
        The newest version.
    """

    who: str
    when: str
    why: str
    rows: list[tuple[str, str, str, str]]
    fields: list[Field]
    entry: int


def meanwhile(
    workplace: Workplace, table: str, number: int, entry: int, values: Mapping[str, str]
) -> Meanwhile | None:
    """Return what was changed since a version was looked at; None when it is still the newest.

    Raises
    ------
    RecordMissing, TableUnknown
        If there is no such record, or it was withdrawn.
    """
    from planner.tasks.verbs import open_register, record_of

    with open_register(workplace.place, read_only=True) as register:
        spec = register.schema.spec(table)
        row = record_of(register, table, f"#{number}")
        if int(row["entry_id"]) == entry:
            return None
        versions = register.history(table, int(row["record_id"]))
    seen = next((v.values for v in versions if v.entry_id == entry), versions[0].values)
    last = versions[-1].entered
    before = {n: cell_text(seen.get(n)) for n in spec.names}
    now = {n: cell_text(row[n]) for n in spec.names}
    given = {n: values.get(n, before[n]).strip() for n in spec.names}
    typed = {n: given[n] for n in spec.names if given[n] != before[n]}
    rows = [(n, before[n], now[n], typed.get(n, "")) for n in spec.names if before[n] != now[n] or n in typed]
    return Meanwhile(
        last.entered_by,
        last.entered_at[:16].replace("T", " "),
        last.reason,
        rows,
        fields_of(spec.columns, now | typed),
        int(row["entry_id"]),
    )


def found_records(workplace: Workplace, text: str) -> tuple[list[str], list[list[str]]]:
    """Find a text anywhere; return headings and rows."""
    if workplace.is_register:
        from planner.tasks.verbs import find, open_register

        with open_register(workplace.place, read_only=True) as register:
            head, rows, _ = find(register, text)
        return head, rows
    wanted = text.strip().lower()
    rows = []
    for name, frame in workplace.programme().tables.items():
        if name == "scans" or not wanted:
            continue
        for column in [c.name for c in TABLES[name].columns if c.kind in ("text", "tag")]:
            hit = frame[frame[column].astype(str).str.lower().str.contains(wanted, regex=False)]
            key = TABLES[name].key
            for i, row in hit.head(20).iterrows():
                rows.append(
                    [
                        name,
                        str(row[key[0]]) if key else f"row {i}",
                        f"#{i}",
                        column,
                        str(row[column]),
                        "holds the text",
                    ]
                )
    return ["table", "name", "record", "column", "value", "how"], rows[:50]


def changes_page(workplace: Workplace, last: int = 100) -> list[list[str]]:
    """Return the last changes of a register, newest first: number, time, who, kind, true on, why, source."""
    from planner.tasks.register_state import log_of

    return log_of(workplace.place, last)[0]


def decide_on(workplace: Workplace, values: Mapping[str, str], who: str) -> str:
    """Enter a decision under the next free name; return what was done in words."""
    from planner.tasks.verbs import add, open_register

    with open_register(workplace.place) as register:
        number = register.count("decisions") + 1
        today = dt.datetime.now(dt.UTC).date().isoformat()
        given = {"decision_id": f"D-{number:04d}", "decided_on": today, "decided_by": who} | {
            k: v for k, v in values.items() if v.strip()
        }
        return add(register, "decisions", given, who, given.get("reason", "")).words
