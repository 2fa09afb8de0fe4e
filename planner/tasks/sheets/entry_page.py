"""A paper as a page shows it to be keyed in: blocks, lines and blanks in its order, with what was typed and what is wrong."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from broodstock.fields import Column
from planner.tasks.sheets.entry import PERMIT
from planner.tasks.sheets.entry_report import EntryLine, EntryReport, Fault
from planner.tasks.sheets.forms import EntryForm
from planner.tasks.sheets.keyed_before import keyed_before
from planner.tasks.sheets.make import KeptSheet
from planner.tasks.sheets.typed import TICK, Spot, Typed, column_of, line_words, takes_more_lines

if TYPE_CHECKING:
    from planner.tasks.workplace import Workplace

MOST_KNOWN = 3000
"""Names offered for a blank that names a record."""
MOST_ADDED = 200
EXAMPLES = {"date": "as 2025-02-14", "datetime": "as 2025-02-14T07:30:00", "flag": "yes or no"}


@dataclass(frozen=True)
class Blank:
    """One blank of one line.

    Parameters
    ----------
    name, label : str
        Name of the field, and how the paper calls it.
    column : Column
        Column it fills.
    value, wrong : str
        What was typed, and what is wrong with it.
    """

    name: str
    label: str
    column: Column
    value: str
    wrong: str

    @property
    def hint(self) -> str:
        """Unit of the column, or the form of what is expected."""
        return self.column.unit or EXAMPLES.get(self.column.kind, "")

    @property
    def known(self) -> str:
        """Name of the list of names it offers, empty if none."""
        return f"known-{self.column.refers.replace('.', '-')}" if self.column.refers else ""


@dataclass(frozen=True)
class ShownLine:
    """One line of a block.

    Parameters
    ----------
    number : int
        From 1.
    words : str
        What is printed on it.
    blanks : tuple of Blank
        Blanks in order.
    tick : str
        Name of the field of its box, empty if it has none.
    ticked : bool
        Whether the box is ticked.
    wrong : str
        What is wrong with the line as a whole.
    judged : EntryLine or None
        What it would do.
    take : bool
        The record takes what was typed.
    """

    number: int
    words: str
    blanks: tuple[Blank, ...]
    tick: str
    ticked: bool
    wrong: str
    judged: EntryLine | None
    take: bool


@dataclass(frozen=True)
class ShownBlock:
    """One block of the paper.

    Parameters
    ----------
    number : int
        From 0.
    form : EntryForm
        Its form.
    headings : tuple of (str, str)
        Heading of each blank, and the unit of its column or the form of what is expected.
    lines : tuple of ShownLine
        Lines in the order of the paper, then those that were added.
    more : bool
        Whether lines may be added.
    added : int
        Lines added.
    """

    number: int
    form: EntryForm
    headings: tuple[tuple[str, str], ...]
    lines: tuple[ShownLine, ...]
    more: bool
    added: int


@dataclass(frozen=True)
class PaperPage:
    """Everything the page shows.

    Parameters
    ----------
    sheet : KeptSheet
        The paper.
    blocks : tuple of ShownBlock
        Its blocks.
    given : mapping of str to str
        What else was typed: version, mark, reasons.
    known : mapping of str to list of str
        Names offered, by list.
    before : list of str
        Who keyed it in before.
    report : EntryReport or None
        What it would do.
    faults : tuple of Fault
        What stops it.
    wrong : str
        What is wrong with the paper as a whole.
    """

    sheet: KeptSheet
    blocks: tuple[ShownBlock, ...]
    given: Mapping[str, str]
    known: Mapping[str, Sequence[str]]
    before: Sequence[str]
    report: EntryReport | None = None
    faults: tuple[Fault, ...] = field(default_factory=tuple)
    wrong: str = ""

    @property
    def stopped_by_permit(self) -> bool:
        """Whether a permit stops it."""
        return any(f.column == PERMIT for f in self.faults)


def paper_page(
    workplace: Workplace,
    sheet: KeptSheet,
    typed: Typed | None = None,
    more: Mapping[int, int] | None = None,
    *,
    given: Mapping[str, str] | None = None,
    report: EntryReport | None = None,
    faults: Sequence[Fault] = (),
    wrong: str = "",
) -> PaperPage:
    """Return a paper as a page shows it.

    Parameters
    ----------
    workplace : Workplace
        With a register.
    sheet : KeptSheet
        The paper.
    typed : Typed, optional
        What was typed so far.
    more : mapping of int to int, optional
        Lines added to each block.
    given : mapping of str to str, optional
        All fields of the form.
    report : EntryReport, optional
        What it would do.
    faults : sequence of Fault
        What stops it.
    wrong : str
        What is wrong with the paper as a whole.
    """
    from planner.tasks.verbs import open_register

    said = {(f.spot, f.column): f.said for f in faults}
    judged = {x.line.spot: x for x in report.plan.lines} if report else {}
    typed = typed or Typed("", "", {})
    blocks = tuple(
        _block(sheet, k, typed, (more or {}).get(k, 0), said, judged) for k in range(len(sheet.forms))
    )
    pointing = {
        b.known: b.column.refers
        for block in blocks
        for line in block.lines[:1]
        for b in line.blanks
        if b.known
    }
    with open_register(workplace.place, read_only=True) as register:
        before = keyed_before(register, sheet).words()
        known = {}
        for name, target in pointing.items():
            table, column = target.split(".")
            rows = register.rows(table, columns=[column], order_by=(column,), limit=MOST_KNOWN)
            known[name] = [str(r[column]) for r in rows]
    return PaperPage(sheet, blocks, given or {}, known, before, report, tuple(faults), wrong)


def _block(
    sheet: KeptSheet,
    number: int,
    typed: Typed,
    added: int,
    said: Mapping[tuple[Spot, str], str],
    judged: Mapping[Spot, EntryLine],
) -> ShownBlock:
    form = sheet.forms[number]
    columns = [column_of(form, f.column) for f in form.fields]
    headings = tuple(
        (f.label, c.unit or EXAMPLES.get(c.kind, "")) for f, c in zip(form.fields, columns, strict=True)
    )
    lines = []
    for n in range(1, len(form.lines) + added + 1):
        spot = (number, n)
        values = typed.lines.get(spot, {})
        blanks = tuple(
            Blank(
                f"t.{number}.{n}.{f.column}",
                f.label,
                c,
                values.get(f.column, ""),
                said.get((spot, f.column), ""),
            )
            for f, c in zip(form.fields, columns, strict=True)
        )
        own = {f.column for f in form.fields}
        whole = " ".join(w for (s, column), w in said.items() if s == spot and column not in own)
        tick = f"t.{number}.{n}.{TICK}" if form.tick else ""
        lines.append(
            ShownLine(
                n,
                line_words(form, n),
                blanks,
                tick,
                bool(values.get(TICK)),
                whole,
                judged.get(spot),
                spot in typed.take,
            )
        )
    return ShownBlock(number, form, headings, tuple(lines), takes_more_lines(form), added)


def typed_of_fields(sheet: KeptSheet, given: Mapping[str, str]) -> tuple[Typed, dict[int, int]]:
    """Return what was typed from the fields of the page, and how many lines were added to each block."""
    lines: dict[Spot, dict[str, str]] = {}
    take = set()
    more = {}
    for name, text in given.items():
        kind, *rest = name.split(".", 3)
        if kind == "t" and len(rest) == 3 and rest[0].isdigit() and rest[1].isdigit():
            lines.setdefault((int(rest[0]), int(rest[1])), {})[rest[2]] = text
        elif kind == "take" and len(rest) == 2 and all(r.isdigit() for r in rest):
            take.add((int(rest[0]), int(rest[1])))
        elif kind == "added" and len(rest) == 1 and rest[0].isdigit() and text.isdigit():
            more[int(rest[0])] = min(int(text), MOST_ADDED)
    although = given.get("although", "") if given.get("was_done") else ""
    typed = Typed(
        given.get("version", ""),
        given.get("mark", ""),
        lines,
        although,
        bool(given.get("beyond")),
        frozenset(take),
        given.get("reason", ""),
    )
    return typed, more


def cells_of(place: Path | str) -> dict[str, str]:
    """Return the names of the cells in a register by their letters and digits alone."""
    from planner.tasks.verbs import open_register

    with open_register(place, read_only=True) as register:
        names = [str(r["unit_id"]) for r in register.rows("units", {"kind": "cell"})]
    return {"".join(c for c in n.lower() if c.isascii() and c.isalnum()): n for n in names}
