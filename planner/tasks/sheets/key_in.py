"""Key in a filled paper from a CSV file; or write the empty file."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from broodstock.errors import UsageError
from planner.tasks.outputs import write_text
from planner.tasks.registers import is_register
from planner.tasks.sheets.entry import enter, plan_entry
from planner.tasks.sheets.entry_page import cells_of
from planner.tasks.sheets.entry_report import EntryRefusedError, EntryReport
from planner.tasks.sheets.make import KeptSheet
from planner.tasks.sheets.plan_forms import sheet_at
from planner.tasks.sheets.typed import Spot, Typed, blank_csv, typed_of_csv
from planner.tasks.verbs import open_register


def write_blank(place: Path | str, paper: Path, out: Path) -> tuple[str, dict[str, Any]]:
    """Write the lines of a paper as an empty CSV file; return words and plain values.

    Raises
    ------
    UsageError
        If the paper has nothing to key in, or the file is there already.
    """
    kept = _paper(place, paper)
    if out.exists():
        raise UsageError(
            f"--blank: found {out}, which is there already. Expected a new file. Give another name."
        )
    write_text(out, blank_csv(kept))
    lines = sum(len(f.lines) for f in kept.forms)
    return f"{out}: {lines} line(s) of {kept.title}, version {kept.version}.", {
        "written": str(out),
        "lines": lines,
    }


def key_in_file(
    place: Path | str,
    paper: Path,
    values: Path | None,
    *,
    version: str,
    mark: str,
    although: str = "",
    take: Sequence[str] = (),
    beyond_permit: bool = False,
    write: bool = False,
    who: str = "",
    confirmed_by: str = "",
    reason: str = "",
) -> EntryReport:
    """Check what a CSV file says that stands on a paper, and enter it when asked to.

    Parameters
    ----------
    place : Path or str
        Register.
    paper : Path
        As `planner.tasks.sheets.plan_forms.sheet_at`.
    values : Path, optional
        CSV file as `planner.tasks.sheets.typed.typed_of_csv`.
    version, mark : str
        As they stand on the paper.
    although, beyond_permit, reason
        As `planner.tasks.sheets.typed.Typed`.
    take : sequence of str
        Lines, ``LINE`` or ``BLOCK.LINE``, whose record takes what was typed.
    write : bool
        Enter it.
    who, confirmed_by : str
        Who keys it in, and a second person.

    Raises
    ------
    UsageError
        If the records are a folder, no file is given, or something in it is not on the paper.
    PaperVoidError, NotAllowedError, RegisterError
        As `planner.tasks.sheets.entry.enter`.
    """
    kept = _paper(place, paper)
    if values is None:
        raise UsageError(
            "--values: found no file. Expected a CSV file; --blank writes an empty one with the lines."
        )
    lines = typed_of_csv(kept, values.read_bytes(), values.name)
    taken = frozenset(_spot(kept, t) for t in take)
    typed = Typed(version, mark, lines, although, beyond_permit, taken, reason)
    with open_register(place, read_only=not write) as register:
        if not write:
            return EntryReport(plan_entry(register, kept, typed))
        try:
            return enter(register, kept, typed, who, confirmed_by=confirmed_by)
        except EntryRefusedError:  # said with all its faults as a report
            return EntryReport(plan_entry(register, kept, typed))


def _paper(place: Path | str, paper: Path) -> KeptSheet:
    if not is_register(place):
        raise UsageError(
            f"records: found the folder {place}, which can only be read. Expected a register. Make one with 'kinshoal "
            "register new FILE' and 'kinshoal register import FILE FOLDER --write --as NAME'."
        )
    kept = sheet_at(paper, cells_of(place))
    if not kept.forms:
        raise UsageError(
            f"{kept.title}: found a sheet that is only read. Expected one with blanks to key in."
        )
    return kept


def _spot(kept: KeptSheet, text: str) -> Spot:
    block, dot, line = text.partition(".")
    if not dot:
        block, line = "1", text
    if not (block.isdigit() and line.isdigit() and 1 <= int(block) <= len(kept.forms)):
        raise UsageError(
            f"--take: found {text!r}. Expected LINE or BLOCK.LINE as on the paper, for example 2.7."
        )
    return int(block) - 1, int(line)
