"""A printable sheet as plain values: what stands on it, not how it looks.

`planner.reports.html` and `planner.reports.pdf` draw the same sheet; neither adds content.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from typing import Any, Literal

Align = Literal["left", "right", "center"]


@dataclass(frozen=True)
class ColumnSpec:
    """One column of a sheet table.

    Parameters
    ----------
    label : str
        Heading.
    width : float
        Share of the table width.
    align : {'left', 'right', 'center'}
        Alignment.
    blank : bool
        True draws an empty box to be filled in by hand.
    """

    label: str
    width: float = 1.0
    align: Align = "left"
    blank: bool = False


@dataclass(frozen=True)
class TableBlock:
    """A table; a strip (one per female, one per truck) is a table with a heading and facts.

    Parameters
    ----------
    title : str
        Heading of the block.
    columns : tuple of ColumnSpec
        Columns.
    rows : tuple of tuple of str
        Cells as text; blank columns hold an empty text.
    facts : tuple of (str, str)
        Label and value pairs under the heading.
    note : str
        Text under the table.
    keep_together : bool
        Do not break this block over pages (strips that are cut apart).
    small : bool
        Use the smaller type (long lists).
    row_mm : float
        Least height of a row in mm, for boxes that wet hands write in; 0: as the type needs.
    """

    title: str
    columns: tuple[ColumnSpec, ...]
    rows: tuple[tuple[str, ...], ...]
    facts: tuple[tuple[str, str], ...] = ()
    note: str = ""
    keep_together: bool = False
    small: bool = False
    row_mm: float = 0.0
    kind: str = "table"

    def __post_init__(self) -> None:
        for row in self.rows:
            if len(row) != len(self.columns):
                raise ValueError(
                    f"table {self.title!r}: found {len(row)} cells. Expected {len(self.columns)}."
                )


@dataclass(frozen=True)
class TextBlock:
    """A heading with lines of text."""

    title: str
    lines: tuple[str, ...]
    boxed: bool = False
    kind: str = "text"


@dataclass(frozen=True)
class CheckBlock:
    """Boxes to tick or fill in."""

    title: str
    items: tuple[str, ...]
    kind: str = "check"


@dataclass(frozen=True)
class FigureBlock:
    """A figure as SVG text with the sentence that stands in for it, and the table it was drawn from as CSV."""

    title: str
    svg: str
    alt: str
    caption: str = ""
    file: str = ""
    csv: str = ""
    kind: str = "figure"


Block = TableBlock | TextBlock | CheckBlock | FigureBlock


@dataclass(frozen=True)
class Sheet:
    """One printable document.

    Parameters
    ----------
    title, subtitle : str
        Headings.
    mark : str
        Mark of the plan (see `planner.provenance.Provenance.mark`), printed on every page.
    version : int
        Version that voids older sheets.
    facts : tuple of (str, str)
        Label and value pairs at the head.
    blocks : tuple of blocks
        Content in order.
    cautions : tuple of str
        Only those that apply; the closing line is added by `planner.reports.cautions`.
    provenance : tuple of (str, str)
        Label and value pairs printed small at the end.
    landscape : bool
        Page orientation.
    code : str
        Text of a small QR code at the head, which finds the sheet again when the paper comes back; empty: none.
    """

    title: str
    subtitle: str
    mark: str
    version: int
    facts: tuple[tuple[str, str], ...]
    blocks: tuple[Block, ...]
    cautions: tuple[str, ...] = ()
    provenance: tuple[tuple[str, str], ...] = ()
    landscape: bool = False
    code: str = ""
    language: str = field(default="en")

    def as_dict(self) -> dict[str, Any]:
        """Return plain values."""
        return asdict(self)
