"""The audit on paper: sections with tables and figures, plain words first, methods and provenance last."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from planner.provenance import Provenance
from planner.reports.cautions import cautions_for
from planner.reports.figure_data import figure_table
from planner.reports.figures import figure_svg
from planner.reports.provenance_lines import provenance_lines
from planner.reports.sheet import Block, ColumnSpec, FigureBlock, Sheet, TableBlock, TextBlock
from planner.reports.table_schema import csv_text


@dataclass(frozen=True)
class AuditFigure:
    """A figure of the audit.

    Parameters
    ----------
    name : str
        File name without ending.
    title : str
        Heading.
    chart : altair.Chart or HeatMap
        What to draw.
    alt : str
        The sentence that stands in for it.
    caption : str
        Text under it.
    """

    name: str
    title: str
    chart: Any
    alt: str
    caption: str = ""


@dataclass(frozen=True)
class AuditSection:
    """One section.

    Parameters
    ----------
    title : str
        Heading.
    lines : tuple of str
        What it says, in sentences.
    blocks : tuple of TableBlock or AuditFigure
        Tables and figures in order.
    not_made : tuple of str
        What could not be made, each with its reason.
    """

    title: str
    lines: tuple[str, ...] = ()
    blocks: tuple[TableBlock | AuditFigure, ...] = ()
    not_made: tuple[str, ...] = ()


@dataclass(frozen=True)
class DrawnFigure:
    """A figure as it is written and embedded.

    Parameters
    ----------
    file : str
        File name with ending.
    svg : str
        The figure.
    table : DataFrame
        What it was drawn from.
    """

    file: str
    svg: str
    table: pd.DataFrame


def draw(figure: AuditFigure) -> DrawnFigure:
    """Draw a figure as SVG, with the table it was drawn from."""
    return DrawnFigure(f"{figure.name}.svg", figure_svg(figure.chart), figure_table(figure.chart))


def table_block(
    title: str,
    columns: Sequence[tuple[str, float] | tuple[str, float, str]],
    rows: Sequence[Sequence[str]],
    note: str = "",
) -> TableBlock:
    """Return a small-print table; a column is (heading, width) or (heading, width, alignment)."""
    specs = tuple(ColumnSpec(c[0], c[1], c[2] if len(c) > 2 else "left") for c in columns)  # type: ignore[misc, arg-type]
    return TableBlock(
        title, specs, tuple(tuple(cell or "–" for cell in r) for r in rows), note=note, small=True
    )


def audit_sheet(
    programme: str,
    year_class: int,
    facts: Sequence[tuple[str, str]],
    plain_words: Sequence[str],
    to_do: Sequence[str],
    sections: Sequence[AuditSection],
    methods: Sequence[str],
    provenance: Provenance,
    drawn: Mapping[str, DrawnFigure],
) -> Sheet:
    """Lay out the audit.

    Parameters
    ----------
    programme : str
        Name of the programme.
    year_class : int
        Year class audited.
    facts : sequence of (str, str)
        Figures at the head.
    plain_words : sequence of str
        Paragraphs for readers who are no geneticists.
    to_do : sequence of str
        What to do now, most urgent first.
    sections : sequence of AuditSection
        Content.
    methods : sequence of str
        Methods text.
    provenance : Provenance
        What the audit was made from.
    drawn : mapping of str to DrawnFigure
        The figures of all sections by name, from `draw`.

    Returns
    -------
    Sheet
        Ready for `planner.reports.html` or `planner.reports.pdf`.

    Raises
    ------
    KeyError
        If a figure was not drawn.
    """
    blocks: list[Block] = [TextBlock("In plain words", tuple(plain_words), boxed=True)]
    if to_do:
        blocks.append(
            TextBlock("What to do", tuple(f"{k}. {line}" for k, line in enumerate(to_do, 1)), boxed=True)
        )
    for number, section in enumerate(sections, 1):
        blocks.append(TextBlock(f"{number}. {section.title}", tuple(_sentence(x) for x in section.lines)))
        blocks += [
            FigureBlock(
                b.title,
                drawn[b.name].svg,
                b.alt,
                b.caption,
                f"{b.name}.csv",
                csv_text(drawn[b.name].table),
            )
            if isinstance(b, AuditFigure)
            else b
            for b in section.blocks
        ]
        if section.not_made:
            blocks.append(TextBlock("", tuple(_sentence(f"Not made: {words}") for words in section.not_made)))
    blocks.append(TextBlock("Methods", tuple(methods)))
    return Sheet(
        "Genetic audit",
        f"{programme} · year class {year_class}",
        provenance.mark,
        provenance.version,
        tuple(facts),
        tuple(blocks),
        cautions_for(("names", "privacy", "decision")),
        provenance_lines(provenance),
    )


def _sentence(words: str) -> str:
    """Return words with a capital at the start and a stop at the end."""
    end = "" if words.endswith((".", "!", "?", ":")) else "."
    return f"{words[:1].upper()}{words[1:]}{end}"
