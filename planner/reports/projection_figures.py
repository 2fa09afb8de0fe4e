"""Figures of a projection: courses with bands of replicates, adults by strategy, chances with intervals."""

from __future__ import annotations

from typing import Any

import pandas as pd

from broodstock.errors import ValueRangeError
from planner.reports.colours import KINDS

DASHES = ([1, 0], [6, 3], [2, 2], [8, 3, 2, 3], [12, 3], [3, 6], [1, 4])


def _signs(strategies: list[str]) -> tuple[Any, Any]:
    """Return colour and dashes of strategies; the dashes tell them apart without colour."""
    import altair as alt

    n = len(strategies)
    colours = [KINDS[k % len(KINDS)] for k in range(n)]
    dashes = [list(DASHES[k % len(DASHES)]) for k in range(n)]
    scale = alt.Scale(domain=strategies, range=colours)
    legend = alt.Legend(symbolType="stroke", symbolStrokeWidth=2.5, symbolSize=500, symbolOpacity=1)
    return (
        alt.Color("strategy:N", scale=scale, title="strategy", legend=legend),
        alt.StrokeDash(
            "strategy:N",
            scale=alt.Scale(domain=strategies, range=dashes),
            title="strategy",
            legend=legend,
        ),
    )


def course_figure(
    table: pd.DataFrame, title: str, what: str, expected: pd.DataFrame | None = None, zero: bool = False
) -> Any:
    """Draw one measure over the years: mean of each strategy and the band of 5 % to 95 % of replicates.

    Parameters
    ----------
    table : DataFrame
        Columns ``strategy`` (str), ``calendar_year`` (int), ``mean``, ``q05``, ``q95`` (float, none missing).
    title, what : str
        Heading, and title of the axis.
    expected : DataFrame, optional
        Columns ``strategy``, ``calendar_year``, ``value``: expectation by recursion, drawn as small crosses.
    zero : bool
        The axis begins at 0.

    Returns
    -------
    altair.LayerChart
        The chart.

    Raises
    ------
    ValueRangeError
        If the table is empty.
    """
    import altair as alt

    if table.empty:
        raise ValueRangeError(f"{title}: found no rows. Expected at least one year of one strategy.")
    strategies = list(dict.fromkeys(table["strategy"]))
    colour, dash = _signs(strategies)
    base = alt.Chart(alt.Data(values=table.to_dict("records")))
    x = alt.X(
        "calendar_year:Q",
        title="year (autumn)",
        axis=alt.Axis(format="d", tickMinStep=1),
        scale=alt.Scale(nice=False, zero=False),
    )
    scale = alt.Scale(zero=zero)
    band = base.mark_area(opacity=0.14).encode(
        x=x, y=alt.Y("q05:Q", title=what, scale=scale), y2="q95:Q", color=colour
    )
    tips = [
        alt.Tooltip("strategy:N"),
        alt.Tooltip("calendar_year:Q", title="year", format="d"),
        alt.Tooltip("mean:Q", format=".4f"),
        alt.Tooltip("q05:Q", title="5 %", format=".4f"),
        alt.Tooltip("q95:Q", title="95 %", format=".4f"),
    ]
    line = base.mark_line(strokeWidth=2.5).encode(
        x=x, y=alt.Y("mean:Q", title=what, scale=scale), color=colour, strokeDash=dash, tooltip=tips
    )
    layers = [band, line]
    if expected is not None and not expected.empty:
        crosses = alt.Chart(alt.Data(values=expected.to_dict("records")))
        layers.append(
            crosses.mark_point(shape="cross", size=28, strokeWidth=1.2, filled=False).encode(
                x=x, y=alt.Y("value:Q", title=what, scale=scale), color=colour
            )
        )
    last = table[table["calendar_year"] == table["calendar_year"].max()]
    ends = "; ".join(f"{r.strategy} {r.mean:.4g}" for r in last.itertuples())
    years = table["calendar_year"]
    return alt.layer(*layers).properties(
        title=title,
        width=520,
        height=300,
        description=f"{what} from {years.min()} to {years.max()}: means and 5 % to 95 % of replicates. At the end: {ends}.",
    )


def chance_figure(table: pd.DataFrame, title: str) -> Any:
    """Draw the chance to keep shares of the gene diversity as bars with Monte Carlo intervals.

    Parameters
    ----------
    table : DataFrame
        Columns ``strategy``, ``kept`` (str, such as '90 %'), ``value``, ``low``, ``high`` (float).
    title : str
        Heading.

    Returns
    -------
    altair.FacetChart
        The chart.

    Raises
    ------
    ValueRangeError
        If the table is empty.
    """
    import altair as alt

    if table.empty:
        raise ValueRangeError(f"{title}: found no rows. Expected at least one chance that can be estimated.")
    strategies = list(dict.fromkeys(table["strategy"]))
    colours = [KINDS[k % len(KINDS)] for k in range(len(strategies))]
    y = alt.Y("strategy:N", sort=strategies, title=None, axis=alt.Axis(labelLimit=220, labelFontSize=11))
    words = "chance, with Monte Carlo interval"
    scale = alt.Scale(domain=[0, 1])
    base = alt.Chart()
    colour = alt.Color("strategy:N", scale=alt.Scale(domain=strategies, range=colours), legend=None)
    axis = alt.Axis(format="%")
    bars = base.mark_bar(height=14).encode(
        y=y, x=alt.X("value:Q", title=words, scale=scale, axis=axis), color=colour
    )
    spans = base.mark_rule(strokeWidth=2, color="#000").encode(
        y=y, x=alt.X("low:Q", title=words), x2="high:Q"
    )
    text = " and ".join(f"{r.strategy} keeps {r.kept} with chance {r.value:.2f}" for r in table.itertuples())
    return (
        alt.layer(bars, spans, data=alt.Data(values=table.to_dict("records")))
        .properties(width=260, height=30 * len(strategies))
        .facet(
            column=alt.Column(
                "kept:N", title=None, header=alt.Header(labelFontSize=12, labelFontWeight="bold")
            )
        )
        .properties(title=title, description=f"{text}.")
    )
