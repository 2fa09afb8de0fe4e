"""The founder board as a figure."""

from __future__ import annotations

import pandas as pd

from planner.reports.audit_report import AuditFigure, DrawnFigure, draw
from planner.reports.audit_share_figures import founder_bars
from planner.tasks.founders import FounderBoard


def board_figure(board: FounderBoard) -> AuditFigure:
    """Return the living copies of each founder line by place, as a figure of the audit."""
    living = board.table[board.table["copies"] > 0]
    rows = [
        {"founder": r["founder"], "place": p, "copies": float(r[f"copies at {p}"])}
        for r in living.to_dict("records")
        for p in board.places
        if r[f"copies at {p}"] > 0
    ]
    return AuditFigure(
        "founder_lines",
        "Living copies of each founder line by place",
        founder_bars(pd.DataFrame(rows)),
        f"Expected living gene copies of {len(living)} founder lines, by place.",
    )


def founder_figure(board: FounderBoard) -> DrawnFigure:
    """Draw the founder board."""
    return draw(board_figure(board))
