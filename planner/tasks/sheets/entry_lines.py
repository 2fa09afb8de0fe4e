"""Judge filled lines against the records: new, more of a record, the same, different, or waiting for a second person."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from broodstock.fields import TABLES
from broodstock.findings import Findings, Place
from planner.store.importing import compared, plain_cell, plain_row
from planner.tasks.sheets.entry_report import EntryLine, State
from planner.tasks.sheets.keyed_before import KeyedBefore
from planner.tasks.sheets.typed import Line, Typed

if TYPE_CHECKING:
    import pandas as pd

    from planner.store.register import Register


def with_names(register: Register, lines: Sequence[Line], before: KeyedBefore) -> list[Line]:
    """Give fresh names to new records whose form asks for them; a line keyed before keeps its name."""
    out = []
    used: dict[tuple[str, str, str], int] = {}
    for line in lines:
        form = line.form
        if not form.named or line.given.get(form.named):
            out.append(line)
            continue
        record = before.records.get((form.table, line.row))
        if record is not None:
            name = str(register.rows(form.table, {"record_id": record}, limit=1)[0][form.named])
        elif line.row in before.waiting:
            name = str(before.waiting[line.row][1].get(form.named))
        else:
            key = (form.table, form.named, form.prefix)
            if key not in used:
                used[key] = _last_number(register, *key)
            used[key] += 1
            name = f"{form.prefix}-{used[key]}"
        out.append(replace(line, given={**line.given, form.named: name}))
    return out


def _last_number(register: Register, table: str, column: str, prefix: str) -> int:
    """Return the highest number used after a prefix: in the records, withdrawn ones too, and in open proposals."""
    names = [str(r[column]) for r in register.rows(table, columns=[column])]
    steps = [json.loads(p["content"])["steps"] for p in register.rows("proposals", {"state": "open"})]
    names += [str(x["values"].get(column, "")) for some in steps for x in some if x.get("table") == table]
    tails = [n.removeprefix(f"{prefix}-") for n in names if n.startswith(f"{prefix}-")]
    return max((int(t) for t in tails if t.isdigit()), default=0)


def judge_added(
    register: Register,
    table: str,
    lines: Sequence[Line],
    frame: pd.DataFrame,
    before: KeyedBefore,
    typed: Typed,
    found: Findings,
) -> list[EntryLine]:
    """Judge lines that are records of their own.

    Parameters
    ----------
    register : Register
        Open.
    table : str
        Table.
    lines : sequence of Line
        Lines of it, with their names.
    frame : DataFrame
        The same, typed; the index is `Line.row`.
    before : KeyedBefore
        Earlier keyings of the paper.
    typed : Typed
        Says which lines are to take what was typed.
    found : Findings
        Receives faults; none here, the cells were checked.
    """
    spec = TABLES[table]
    known = [x.row for x in lines if x.row in before.waiting or (table, x.row) in before.records]
    fresh = [x.row for x in lines if x.row not in known and not x.form.named]
    there: dict[int, int] = {}  # row to record, for what the register holds from elsewhere
    same: set[int] = set()
    if fresh:
        told = compared(spec, register.frame(table), frame.loc[fresh])
        there = {c.row: c.record_id for c in told.conflicts}
        same = set(fresh) - set(told.added.index) - set(there)
    out = []
    for line in lines:
        row = plain_row(frame.loc[[line.row]].iloc[0], spec)
        values = {n: v for n, v in row.items() if v is not None}
        if line.row in before.waiting:
            number, waiting = before.waiting[line.row]
            old = {n: waiting.get(n) for n in line.given if str(waiting.get(n) or "") != text_of(row[n])}
            out.append(EntryLine(line, "waits", values, old, proposal=number))
        elif line.row in same:
            out.append(EntryLine(line, "same", values))
        elif (record := before.records.get((table, line.row), there.get(line.row, 0))) != 0:
            columns = [n for n, text in line.given.items() if text]
            if (table, line.row) in before.records:
                columns += line.blanks  # of this paper: a blank left empty now was read otherwise before
            out.append(_against(register, line, row, record, columns, typed))
        else:
            out.append(EntryLine(line, "new", values))
    return out


def judge_changed(
    register: Register,
    table: str,
    lines: Sequence[Line],
    frame: pd.DataFrame,
    before: KeyedBefore,
    typed: Typed,
    found: Findings,
) -> list[EntryLine]:
    """Judge lines that say more about a record that is there; arguments as `judge_added`."""
    spec = TABLES[table]
    out = []
    for line in lines:
        keys = [line.given.get(k, "") for k in spec.key]
        held = register.get(table, keys) if keys and all(keys) else None
        if held is None:
            found.add(
                "reference-unknown",
                Place(str(frame.attrs["file"]), line.row, spec.key[0] if spec.key else None),
                f"'{', '.join(keys) or line.words}'",
                f"a record of {table} in the register",
                "Enter the record first, or correct its name.",
            )
            continue
        row = {n: plain_cell(frame.loc[line.row][n], spec.column(n)) for n in frame.columns}
        record = int(held["record_id"])
        if line.row in before.waiting:
            number, waiting = before.waiting[line.row]
            old = {n: v for n, v in waiting.items() if n in row and str(v) != text_of(row[n])}
            out.append(EntryLine(line, "waits", row, old, record, proposal=number))
            continue
        again = (table, record) in before.touched
        columns = [n for n in line.given if n not in spec.key] + (list(line.blanks) if again else [])
        judged = _against(register, line, row, record, columns, typed)
        out.append(judged if again or judged.state == "same" else replace(judged, state="change"))
    return out


def _against(
    register: Register, line: Line, row: Mapping[str, Any], record: int, columns: Sequence[str], typed: Typed
) -> EntryLine:
    """Compare a line with its record: the same, or different until someone says to take what was typed."""
    held = register.rows(line.form.table, {"record_id": record}, limit=1)[0]
    key = TABLES[line.form.table].key
    differ = [n for n in dict.fromkeys(columns) if row.get(n) != held[n] and n not in key]
    values, old = {n: row.get(n) for n in differ}, {n: held[n] for n in differ}
    state: State = "same" if not differ else "change" if line.spot in typed.take else "differs"
    return EntryLine(line, state, values, old, record, int(held["entry_id"]))


def text_of(value: Any) -> str:
    """Return a plain value as text in the form of files."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    return repr(value) if isinstance(value, float) else str(value)
