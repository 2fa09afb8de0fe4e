"""The answer of a season command: figures, tables, warnings; as words, plain values and a printable sheet."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from broodstock.estimates import Estimate
from planner.provenance import Provenance
from planner.reports.cautions import cautions_for
from planner.reports.html import sheet_html
from planner.reports.pdf import sheet_pdf
from planner.reports.provenance_lines import provenance_lines
from planner.reports.sheet import Block, ColumnSpec, Sheet, TableBlock, TextBlock
from planner.tasks.outputs import write_bytes, write_text
from planner.tasks.plan_file import next_version, write_plan_file
from planner.tasks.programme import Programme
from planner.tasks.text_tables import aligned


@dataclass(frozen=True)
class AnswerTable:
    """One table of an answer.

    Parameters
    ----------
    title : str
    head : tuple of str
        Headings.
    rows : tuple of tuple of str
    right : tuple of int
        Columns of numbers.
    widths : tuple of float
        Shares of the width on paper; equal when empty.
    note : str
        Text under the table: method and assumptions.
    blank : tuple of str
        Further empty columns on paper, to be filled in by hand.
    """

    title: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    right: tuple[int, ...] = ()
    widths: tuple[float, ...] = ()
    note: str = ""
    blank: tuple[str, ...] = ()

    def text(self) -> str:
        """Return the table in words."""
        note = f"\n{self.note}" if self.note else ""
        return f"{self.title}\n{aligned(self.head, self.rows, self.right)}{note}"

    def block(self) -> TableBlock:
        """Return the table for a sheet."""
        widths = self.widths or (1.0,) * len(self.head)
        columns = tuple(
            ColumnSpec(label, width, "right" if k in self.right else "left")
            for k, (label, width) in enumerate(zip(self.head, widths, strict=True))
        )
        boxes = tuple(ColumnSpec(label, 0.8, blank=True) for label in self.blank)
        empty = ("",) * len(boxes)
        # A cell without text would be drawn as a box to fill in.
        lines = tuple((*(cell or "-" for cell in row), *empty) for row in self.rows)
        return TableBlock(self.title, (*columns, *boxes), lines, note=self.note, small=len(self.rows) > 30)


@dataclass(frozen=True)
class SeasonAnswer:
    """What a season command found.

    Parameters
    ----------
    name : str
        File name of the sheet, without ending.
    title, subtitle : str
        Headings.
    facts : tuple of (str, str)
        Figures.
    tables : tuple of AnswerTable
    warnings : tuple of str
        What a person must decide or check.
    notes : tuple of str
        Method and assumptions.
    values : dict
        The same as plain values.
    provenance : Provenance
    day : date
        Date of the sheet.
    cautions : tuple of str
        Names of the cautions that apply.
    landscape : bool
        Page orientation of the sheet.
    """

    name: str
    title: str
    subtitle: str
    facts: tuple[tuple[str, str], ...]
    tables: tuple[AnswerTable, ...]
    warnings: tuple[str, ...]
    notes: tuple[str, ...]
    values: dict[str, Any]
    provenance: Provenance
    day: dt.date
    cautions: tuple[str, ...] = ("decision",)
    landscape: bool = False

    def text(self) -> str:
        """Return the answer in words."""
        width = max((len(label) for label, _ in self.facts), default=0)
        parts = [
            "\n".join(f"{label.ljust(width)}  {value}" for label, value in self.facts),
            *(t.text() for t in self.tables),
        ]
        if self.warnings:
            parts.append("\n".join(f"Warning: {w}" for w in self.warnings))
        parts.append(
            "\n".join([*self.notes, f"version {self.provenance.version}, mark {self.provenance.mark}"])
        )
        return "\n\n".join(parts)

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {
            **self.values,
            "warnings": list(self.warnings),
            "notes": list(self.notes),
            "provenance": self.provenance.as_dict(),
        }

    def sheet(self) -> Sheet:
        """Return the answer as a printable sheet."""
        blocks: list[Block] = []
        if self.warnings:
            blocks.append(TextBlock("Warnings", self.warnings, boxed=True))
        blocks += [t.block() for t in self.tables]
        if self.notes:
            blocks.append(TextBlock("How to read this", self.notes))
        return Sheet(
            self.title,
            self.subtitle,
            self.provenance.mark,
            self.provenance.version,
            self.facts,
            tuple(blocks),
            cautions_for(self.cautions),
            provenance_lines(self.provenance),
            self.landscape,
        )

    def write(self, folder: Path) -> list[Path]:
        """Write sheet (HTML and PDF) and plain values; each file whole or not at all.

        Raises
        ------
        OSError
            If the folder cannot be written.
        """
        sheet = self.sheet()
        html, pdf = folder / f"{self.name}.html", folder / f"{self.name}.pdf"
        write_text(html, sheet_html(sheet))
        write_bytes(pdf, sheet_pdf(sheet, self.day))
        return [html, pdf, write_plan_file(folder / f"{self.name}.json", self.as_dict())]


def version_in(folder: Path | None, name: str) -> int:
    """Return the version after the answer in a folder, 1 when there is none.

    Raises
    ------
    UsageError
        If the file there is not one of ours.
    """
    return 1 if folder is None else next_version(folder / f"{name}.json")


def provenance_of(
    programme: Programme,
    kind: str,
    seed: int,
    settings: Sequence[str],
    asked: Mapping[str, str],
    version: int,
    proof: Mapping[str, Any] | None = None,
) -> Provenance:
    """Return what an answer was made from.

    Parameters
    ----------
    programme : Programme
    kind : str
        What was made.
    seed : int
    settings : sequence of str
        Names of the settings that took part.
    asked : mapping
        What was asked for on the command line.
    version : int
    proof : mapping, optional
    """
    return Provenance(
        kind=kind,
        inputs=programme.fingerprint,
        made_on=programme.today.isoformat(),
        seed=seed,
        settings=programme.settings.used(settings) | dict(asked),
        version=version,
        proof=dict(proof or {}),
    )


def seed_of(programme: Programme) -> int:
    """Return the programme's seed in the range every generator and solver takes."""
    return int(programme.settings["seed"]) % (2**31 - 1)


def range_words(e: Estimate, digits: int = 0) -> str:
    """Return an estimate in words, thousands apart: ``49 870 (20 100 to 95 400)``."""
    if e.value is None:
        return e.text()

    def one(x: float) -> str:
        return f"{x:,.{digits}f}".replace(",", " ")

    if e.low is None or e.high is None:
        return one(e.value)
    return f"{one(e.value)} ({one(e.low)} to {one(e.high)})"
