"""Fill a form as a hand would and read it back with the readers of the records."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import replace

import pandas as pd

from broodstock.fields import TABLES
from broodstock.findings import Findings
from planner.reports.sheet import Sheet, TableBlock
from planner.tasks.sheets.forms import EntryForm
from planner.tasks.sheets.kinds import Printed
from planner.tasks.sheets.make import KeptSheet
from planner.tasks.sheets.typed import TICK, Line, Typed, filled_lines, frame_of


def kept_of(printed: Printed) -> KeptSheet:
    """Return a kept sheet with the forms of a printed one."""
    return KeptSheet("sheet", "t", "s", "subject", 1, "0123456789", 1, (), printed.forms, {})


def read_back(printed: Printed, block: int, lines: Mapping[int, Mapping[str, str]]) -> pd.DataFrame:
    """Return the records that filled lines of a block become; fail when a cell is refused."""
    kept = kept_of(printed)
    typed = Typed("1", "0123", {(block, n): dict(v) for n, v in lines.items()})
    filled = filled_lines(kept, typed)
    form = printed.forms[block]
    named = [line if not form.named else _named(line, form, k) for k, line in enumerate(filled, start=1)]
    found = Findings()
    frame = frame_of(form.table, named, "paper", found, whole=form.action == "add")
    assert not list(found), [f.text() for f in found]
    return frame


def _named(line: Line, form: EntryForm, k: int) -> Line:
    return replace(line, given={**line.given, form.named: f"{form.prefix}-{k}"})


def check_form(form: EntryForm) -> None:
    """Fail unless every column is one of the table and a new record can have all it needs."""
    spec = TABLES[form.table]
    blanks = {f.column for f in form.fields}
    assert blanks or form.tick
    for line in form.lines:
        given = blanks | set(form.fixed) | set(line.known) | ({form.named} if form.named else set())
        assert given <= set(spec.names)
        if form.action == "add":
            assert {c.name for c in spec.columns if c.required} <= given
        else:
            assert set(spec.key) <= given


def columns_of(sheet: Sheet, title: str) -> dict[str, list[str]]:
    """Return the cells of the block whose title begins so, by heading."""
    block = next(b for b in sheet.blocks if isinstance(b, TableBlock) and b.title.startswith(title))
    return {c.label: [row[i] for row in block.rows] for i, c in enumerate(block.columns)}


def words_of(sheet: Sheet) -> str:
    """Return everything that stands on a sheet as one text."""
    return json.dumps(sheet.as_dict(), ensure_ascii=False)


__all__ = ["TICK", "check_form", "columns_of", "kept_of", "read_back", "words_of"]
