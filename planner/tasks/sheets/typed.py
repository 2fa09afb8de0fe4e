"""What a person typed from paper: lines and blanks by their place on it, from a page or a CSV file, as typed tables."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from broodstock.errors import UsageError
from broodstock.fields import TABLES, Column, Table
from broodstock.findings import Findings
from broodstock.intake.near_words import did_you_mean, near_word
from planner.tasks.sheets.forms import EntryForm, FormField
from planner.tasks.sheets.make import KeptSheet

TICK = "tick"
"""Stands for the box of a line, beside the columns of its blanks."""
MARK_LEAST = 4
FORM_STEP = 10_000
"""Lines of block k have the row numbers from k times this, so that a row says which line of the paper it is."""
YES = ("yes", "y", "x", "1", "✓", "✗", "on", "true")
Spot = tuple[int, int]
"""Block from 0 and line from 1: a place on the paper."""


@dataclass(frozen=True)
class Typed:
    """What was typed from one paper.

    Parameters
    ----------
    version, mark : str
        Read from the paper; the first four characters of the mark are enough.
    lines : mapping of Spot to mapping of str to str
        Text by column for each line; ``tick`` for its box.
    although : str
        Why it was done on this paper although a newer version voids it; empty if it is in force.
    beyond_permit : bool
        Propose what a permit leaves no room for.
    take : frozenset of Spot
        Lines whose record takes the typed values although it holds others.
    reason : str
        Remark for the history.
    """

    version: str
    mark: str
    lines: Mapping[Spot, Mapping[str, str]]
    although: str = ""
    beyond_permit: bool = False
    take: frozenset[Spot] = field(default_factory=frozenset)
    reason: str = ""


@dataclass(frozen=True)
class Line:
    """One line that was filled in.

    Parameters
    ----------
    spot : Spot
        Its place.
    form : EntryForm
        Its block.
    words : str
        What is printed on it.
    given : mapping of str to str
        Text by column: fixed, printed and typed.
    blanks : mapping of str to str
        What was typed, every blank of the line, empty ones too.
    """

    spot: Spot
    form: EntryForm
    words: str
    given: Mapping[str, str]
    blanks: Mapping[str, str]

    @property
    def row(self) -> int:
        """Row number under which findings and the register know it."""
        return row_of(self.spot)


def row_of(spot: Spot) -> int:
    """Return the row number of a place; 1 is left to headers."""
    return spot[0] * FORM_STEP + spot[1] + 1


def spot_of(row: int) -> Spot:
    """Return the place of a row number."""
    return (row - 1) // FORM_STEP, (row - 1) % FORM_STEP


def takes_more_lines(form: EntryForm) -> bool:
    """Return whether lines may be added: the paper has lines with nothing printed on them."""
    return form.action == "add" and any(not line.known for line in form.lines)


def line_words(form: EntryForm, number: int) -> str:
    """Return what is printed on a line."""
    if number <= len(form.lines):
        return form.lines[number - 1].words or f"line {number}"
    return f"added line {number - len(form.lines)}"


def column_of(form: EntryForm, name: str) -> Column:
    """Return the column a blank fills."""
    return TABLES[form.table].column(name)


def filled_lines(kept: KeptSheet, typed: Typed) -> list[Line]:
    """Return the lines on which something was typed or ticked, in the order of the paper.

    Raises
    ------
    UsageError
        If a line or a blank is not on the paper.
    """
    out = []
    for spot in sorted(typed.lines):
        values = {k: v.strip() for k, v in typed.lines[spot].items()}
        form = _form_at(kept, spot)
        names = [f.column for f in form.fields]
        for name in values:
            if name not in names and not (name == TICK and form.tick):
                raise UsageError(
                    f"{form.title}, line {spot[1]}: found {name!r}. Expected one of {', '.join(names)}."
                )
        blanks = {n: _plain(column_of(form, n), values.get(n, "")) for n in names}
        if not any(blanks.values()) and values.get(TICK, "").lower() not in YES:
            continue
        known = dict(form.lines[spot[1] - 1].known) if spot[1] <= len(form.lines) else {}
        filled = {n: v for n, v in blanks.items() if v}
        out.append(
            Line(spot, form, line_words(form, spot[1]), {**form.fixed, **known, **filled}, blanks)
        )  # what was typed has the last word
    return out


def _form_at(kept: KeptSheet, spot: Spot) -> EntryForm:
    block, number = spot
    if not 0 <= block < len(kept.forms):
        raise UsageError(f"block: found {block + 1}. Expected 1 to {len(kept.forms)}, as on the paper.")
    form = kept.forms[block]
    most = FORM_STEP - 2 if takes_more_lines(form) else len(form.lines)
    if not 1 <= number <= most:
        raise UsageError(
            f"{form.title}: found line {number}. Expected 1 to {len(form.lines)}, as on the paper."
        )
    return form


def _plain(column: Column, text: str) -> str:
    """Return a word as the column spells it: ``Not ripe`` for not-ripe, a tick for yes."""
    if column.kind == "choice":
        word = "-".join(text.lower().split())
        return word if word in column.choices else text
    if column.kind == "flag" and text.lower() in YES:
        return "yes"
    return "no" if column.kind == "flag" and text.lower() == "n" else text


def frame_of(table: str, lines: Sequence[Line], file: str, found: Findings, *, whole: bool) -> pd.DataFrame:
    """Return lines as a typed table, every cell checked as in a file.

    Parameters
    ----------
    table : str
        Table.
    lines : sequence of Line
        Lines of it.
    file : str
        How findings call the paper.
    found : Findings
        Receives every fault; its rows are `Line.row`.
    whole : bool
        New records: cells that every record needs must be there.
    """
    from broodstock.intake.raw_table import RawTable
    from broodstock.intake.tables import check_table

    spec = TABLES[table]
    named = {n for line in lines for n in (*line.given, *line.blanks)}
    if whole:
        named |= {c.name for c in spec.columns if c.required}
    header = [n for n in spec.names if n in named]
    if not whole:  # the record has the other columns already
        kept = tuple(c for c in spec.columns if c.name in named)
        spec = Table(spec.name, spec.sentence, kept, spec.key if set(spec.key) <= named else ())
    cells = [[line.given.get(n, "") for line in lines] for n in header]
    rows = np.array([line.row for line in lines], dtype=np.int64)
    return check_table(RawTable(file, header, cells, rows), spec, found)


def blank_csv(kept: KeptSheet) -> str:
    """Return an empty CSV file with the lines of the paper, to fill in."""
    columns = csv_columns(kept)
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(["block", "line", "printed", *columns])
    for block, form in enumerate(kept.forms, start=1):
        for number in range(1, len(form.lines) + 1):
            writer.writerow([block, number, line_words(form, number), *([""] * len(columns))])
    return out.getvalue()


def csv_columns(kept: KeptSheet) -> list[str]:
    """Return the columns of all blanks of a paper, boxes first, in its order."""
    ticks = [TICK] if any(f.tick for f in kept.forms) else []
    return ticks + list(dict.fromkeys(f.column for form in kept.forms for f in form.fields))


def typed_of_csv(kept: KeptSheet, data: bytes, file: str) -> dict[Spot, dict[str, str]]:
    """Return the lines of a CSV file as `blank_csv` makes it.

    ``block`` may be left out when the paper has one; ``line`` is the number of the line or its name; a blank is named by
    its column or its heading on the paper.

    Raises
    ------
    UsageError
        If the file has a fault of form (encoding, quotes, rows of another width), a heading or a line is not on the paper,
        or a line stands twice.
    """
    from broodstock.intake.raw_table import read_csv

    found = Findings()
    raw = read_csv(data, file, found)
    if not raw.header:
        raise UsageError(f"{file}: found nothing. Expected the columns line, {', '.join(csv_columns(kept))}.")
    if faults := found.of_level("error"):
        raise UsageError("\n".join(f.text() for f in faults))
    head = [_column_meant(kept, h.strip(), file) for h in raw.header]
    out: dict[Spot, dict[str, str]] = {}
    for at, row in zip(raw.rows, zip(*raw.columns, strict=True), strict=True):
        cells = dict(zip(head, row, strict=True))
        block = cells.pop("block", "").strip() or "1"
        number = cells.pop("line", "").strip()
        cells.pop("printed", None)
        values = {k: v for k, v in cells.items() if v.strip()}
        if not block.isdigit() or not 1 <= int(block) <= len(kept.forms):
            raise UsageError(f"{file}, row {at}, block: found {block!r}. Expected 1 to {len(kept.forms)}.")
        spot = (int(block) - 1, _line_meant(kept.forms[int(block) - 1], number, f"{file}, row {at}"))
        if spot in out:
            raise UsageError(
                f"{file}, row {at}: found line {number} of the paper twice. Expected each line once."
            )
        out[spot] = values
    return out


def _column_meant(kept: KeptSheet, heading: str, file: str) -> str:
    columns = ["block", "line", "printed", *csv_columns(kept)]
    labels = {_bare(f.label): f.column for f in _fields(kept)} | {
        _bare(f.tick): TICK for f in kept.forms if f.tick
    }
    if heading in columns:
        return heading
    if _bare(heading) in labels:
        return labels[_bare(heading)]
    raise UsageError(
        f"{file}, row 1: found {heading!r}. {did_you_mean(near_word(heading, columns))}Expected {', '.join(columns)}."
    )


def _line_meant(form: EntryForm, text: str, where: str) -> int:
    keys = {line.key: n for n, line in enumerate(form.lines, start=1)}
    if text in keys:
        return keys[text]
    most = FORM_STEP - 2 if takes_more_lines(form) else len(form.lines)
    if text.isdigit() and 1 <= int(text) <= most:
        return int(text)
    raise UsageError(
        f"{where}, line: found {text!r}. {did_you_mean(near_word(text, list(keys)))}Expected the number of a line from "
        f"1 to {len(form.lines)} of {form.title!r}, or its name."
    )


def _fields(kept: KeptSheet) -> Iterator[FormField]:
    for form in kept.forms:
        yield from form.fields


def _bare(text: str) -> str:
    return "".join(text.lower().split())
