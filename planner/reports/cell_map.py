"""A picture of incubator cells in rows and columns, black on white, as SVG with the same content in words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

from planner.reports.sheet import FigureBlock

WIDE, HIGH, MARGIN, LABEL = 124, 104, 2, 16
FONT = "Atkinson Hyperlegible, sans-serif"
LETTER_WIDE = 0.56
"""Mean width of a letter of the font in em, from its own widths; names are set smaller so that they fit."""


@dataclass(frozen=True)
class Cell:
    """One cell.

    Parameters
    ----------
    name : str
        Cell.
    letter : str
        Letter of the female; empty for an empty cell.
    lines : tuple of str
        Words in the cell.
    """

    name: str
    letter: str
    lines: tuple[str, ...]


def cell_map(
    title: str, rows: Sequence[tuple[str, Sequence[Cell]]], columns: int, rounds: int
) -> FigureBlock:
    """Draw rows of cells.

    Parameters
    ----------
    title : str
        Heading.
    rows : sequence of (str, sequence of Cell)
        Name of each tray and its cells.
    columns : int
        Cells of a full row.
    rounds : int
        Small boxes in each cell, one for each round.
    """
    wide, high = columns * WIDE + 2 * MARGIN, len(rows) * (HIGH + LABEL) + 2 * MARGIN
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{wide}" height="{high}" viewBox="0 0 {wide} {high}" '
        f'font-family="{FONT}">'
    ]
    words = []
    for k, (tray, cells) in enumerate(rows):
        top = MARGIN + k * (HIGH + LABEL)
        parts.append(_text(MARGIN, top + 12, tray, 12, bold=True))
        for n, cell in enumerate(cells):
            parts.append(_cell(MARGIN + n * WIDE, top + LABEL, cell, rounds))
        held = "; ".join(f"{c.name} {', '.join(c.lines) or 'empty'}" for c in cells)
        words.append(f"{tray}: {held}.")
    parts.append("</svg>")
    return FigureBlock(title, "".join(parts), " ".join(words))


def _cell(x: float, y: float, cell: Cell, rounds: int) -> str:
    heavy = 1.6 if cell.letter else 0.6
    out = [
        f'<rect x="{x}" y="{y}" width="{WIDE - 4}" height="{HIGH - 4}" fill="none" stroke="#000" stroke-width="{heavy}"/>',
        _text(x + 6, y + 18, cell.name, _fit(cell.name, 15, WIDE - 48), bold=True),
    ]
    if cell.letter:
        side = 10 + 11 * len(cell.letter)
        out.append(
            f'<rect x="{x + WIDE - 9 - side}" y="{y + 4}" width="{side}" height="22" fill="none" stroke="#000" '
            'stroke-width="1.4"/>'
        )
        out.append(_text(x + WIDE - 9 - side / 2, y + 21, cell.letter, 17, bold=True, middle=True))
    lines = cell.lines or ("empty",)
    step = 15 if len(lines) <= 3 else 45 / len(lines)
    for k, line in enumerate(lines):
        out.append(_text(x + 6, y + 41 + k * step, line, _fit(line, min(13, step - 1), WIDE - 16)))
    if rounds:
        box = min(14.0, (WIDE - 14) / rounds - 2)
        for k in range(rounds):
            left = x + 6 + k * (box + 2)
            out.append(
                f'<rect x="{left:.1f}" y="{y + HIGH - 10 - box:.1f}" width="{box:.1f}" height="{box:.1f}" fill="none" '
                'stroke="#000" stroke-width="0.6"/>'
            )
    return "".join(out)


def _fit(text: str, size: float, room: float) -> float:
    return min(size, room / max(1.0, LETTER_WIDE * len(text)))


def _text(x: float, y: float, text: str, size: float, bold: bool = False, middle: bool = False) -> str:
    more = (' font-weight="700"' if bold else "") + (' text-anchor="middle"' if middle else "")
    return f'<text x="{x:g}" y="{y:g}" font-size="{size:.2f}"{more}>{escape(text)}</text>'
