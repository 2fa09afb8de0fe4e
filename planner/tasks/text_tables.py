"""Rows as an aligned text table."""

from __future__ import annotations

from collections.abc import Sequence


def aligned(head: Sequence[str], rows: Sequence[Sequence[str]], right: Sequence[int] = ()) -> str:
    """Return rows as an aligned text table.

    Parameters
    ----------
    head : sequence of str
        Headings.
    rows : sequence of sequence of str
        Cells.
    right : sequence of int
        Columns aligned to the right.
    """
    cells = [list(map(str, head)), *[list(map(str, r)) for r in rows]]
    widths = [max(len(r[k]) for r in cells) for k in range(len(head))]

    def line(row: Sequence[str]) -> str:
        return "  ".join(
            c.rjust(w) if k in right else c.ljust(w) for k, (c, w) in enumerate(zip(row, widths, strict=True))
        ).rstrip()

    return "\n".join([line(cells[0]), "  ".join("-" * w for w in widths), *(line(r) for r in cells[1:])])
