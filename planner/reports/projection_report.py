"""The projection on paper: the answer goal by goal, figures, assumptions, every parameter with its source."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from planner.provenance import Provenance
from planner.reports.cautions import cautions_for
from planner.reports.figure_data import figure_table
from planner.reports.figures import figure_svg
from planner.reports.provenance_lines import provenance_lines
from planner.reports.sheet import Block, ColumnSpec, FigureBlock, Sheet, TableBlock, TextBlock
from planner.reports.table_schema import csv_text

Table = tuple[Sequence[str], Sequence[Sequence[str]]]


@dataclass(frozen=True)
class ProjectionFigure:
    """A figure of the report: file name without ending, heading, chart, and the text under it."""

    name: str
    title: str
    chart: Any
    caption: str


@dataclass(frozen=True)
class ProjectionTable:
    """A table of the report: heading, content, and the text under it."""

    title: str
    content: Table
    note: str = ""


def projection_sheet(
    programme: str,
    subtitle: str,
    facts: Sequence[tuple[str, str]],
    strategies: Sequence[str],
    tables: Sequence[ProjectionTable],
    figures: Sequence[ProjectionFigure],
    more: Sequence[tuple[str, Sequence[str]]],
    parameters: Sequence[Sequence[str]],
    provenance: Provenance,
) -> Sheet:
    """Lay out the report.

    Parameters
    ----------
    programme, subtitle : str
        Name of the programme, and what was projected.
    facts : sequence of (str, str)
        Figures at the head.
    strategies : sequence of str
        One sentence per strategy.
    tables : sequence of ProjectionTable
        Answer tables.
    figures : sequence of ProjectionFigure
        Figures.
    more : sequence of (str, sequence of str)
        Headings with sentences: what was assumed, what was found.
    parameters : sequence of (what, value, source)
        Every parameter.
    provenance : Provenance
        What the projection was made from.

    Returns
    -------
    Sheet
        Ready for `planner.reports.html`.
    """
    blocks: list[Block] = [TextBlock("Strategies", tuple(strategies))]
    blocks += [_table(t) for t in tables]
    blocks += [
        FigureBlock(
            f.title,
            figure_svg(f.chart),
            str(f.chart.description),
            f.caption,
            f"projection_{f.name}_data.csv",
            csv_text(figure_table(f.chart)),
        )
        for f in figures
    ]
    blocks += [TextBlock(title, tuple(lines), boxed=True) for title, lines in more if lines]
    blocks.append(_table(ProjectionTable("Parameters", (("what", "value", "source"), parameters))))
    return Sheet(
        "Projection",
        f"{programme} · {subtitle}",
        provenance.mark,
        provenance.version,
        tuple(facts),
        tuple(blocks),
        cautions_for(("names", "decision")),
        provenance_lines(provenance),
        landscape=True,
    )


def _table(table: ProjectionTable) -> TableBlock:
    head, rows = table.content
    columns = tuple(ColumnSpec(h, 1.6 if k == 0 else 1.0) for k, h in enumerate(head))
    return TableBlock(
        table.title, columns, tuple(tuple(c or "–" for c in r) for r in rows), note=table.note, small=True
    )
