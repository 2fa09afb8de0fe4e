"""Figure of the trade-off between survivors and kinship: one sign per plan, its interval, its proven room below."""

from __future__ import annotations

from typing import Any

import pandas as pd

from broodstock.errors import ValueRangeError
from planner.reports.colours import KINDS

WORDS = ("on the trade-off", "another plan is better")
DRAWN = ("share", "survivors", "survivors_low", "survivors_high", "kinship", "kinship_bound", "dominated")
"""Columns of the table that the figure shows."""


def tradeoff_figure(table: pd.DataFrame, title: str) -> Any:
    """Draw weighted mean kinship against expected survivors, one point for each plan.

    Parameters
    ----------
    table : DataFrame
        Columns ``survivors``, ``survivors_low``, ``survivors_high``, ``kinship``, ``kinship_bound`` (float; the value
        divided by the plan's objective times its proven bound, NaN where none is proven), ``share`` (float) and ``dominated`` (bool).
    title : str
        Heading.

    Returns
    -------
    altair.LayerChart
        The chart. No point stands out as recommended.

    Raises
    ------
    ValueRangeError
        If the table is empty.
    """
    import altair as alt

    if table.empty:
        raise ValueRangeError("trade-off: found no rows. Expected at least one plan. Plan with fewer rules.")
    filled = table[list(DRAWN)].assign(state=[WORDS[int(d)] for d in table["dominated"]])
    rows = filled.astype(object).where(filled.notna(), None).to_dict("records")
    base = alt.Chart(alt.Data(values=rows))
    words = "expected first-year survivors, 95 % interval"
    x = alt.X("survivors:Q", title=words, scale=alt.Scale(zero=False))
    y = alt.Y("kinship:Q", title="weighted mean kinship", scale=alt.Scale(zero=False))
    colour = alt.Color(
        "state:N",
        scale=alt.Scale(domain=list(WORDS), range=list(KINDS[:2])),
        legend=alt.Legend(title="", orient="bottom"),
    )
    shape = alt.Shape(
        "state:N",
        scale=alt.Scale(domain=list(WORDS), range=["circle", "cross"]),
        legend=alt.Legend(title="", orient="bottom"),
    )
    tips = [
        alt.Tooltip("share:Q", title="share of the most survivors", format=".1%"),
        alt.Tooltip("survivors:Q", title="expected survivors", format=".0f"),
        alt.Tooltip("kinship:Q", title="weighted mean kinship", format=".5f"),
        alt.Tooltip("kinship_bound:Q", title="no lower than (proven)", format=".5f"),
    ]
    spans = base.mark_rule(strokeWidth=1.2, opacity=0.5).encode(
        x=alt.X("survivors_low:Q", title=words), x2="survivors_high:Q", y=y, color=colour
    )
    proven = alt.Chart(alt.Data(values=[r for r in rows if pd.notna(r["kinship_bound"])]))
    rooms = proven.mark_rule(strokeWidth=4, opacity=0.35, color="#000").encode(x=x, y=y, y2="kinship_bound:Q")
    points = base.mark_point(filled=True, size=90, opacity=1).encode(
        x=x, y=y, color=colour, shape=shape, tooltip=tips
    )
    names = base.mark_text(dy=-12, fontSize=9, color="#444").encode(
        x=x, y=y, text=alt.Text("share:Q", format=".1%")
    )
    kinships = table["kinship"]
    return alt.layer(spans, rooms, points, names).properties(
        title=title,
        width=520,
        height=320,
        description=f"{len(table)} plans from {table['survivors'].min():.0f} to {table['survivors'].max():.0f} expected "
        f"survivors and {kinships.min():.4f} to {kinships.max():.4f} weighted mean kinship; the number above each is "
        "the share of the most survivors that was demanded, the bar below it the room the proof leaves.",
    )
