"""More figures of the audit: fish on their axes, pairs of groups, shares, founder lines, accumulation of parents."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pandas as pd

from planner.reports.audit_figures import WIDTH, kinds, need_rows
from planner.reports.colours import KINDS, OUTLINE, PALE, RAMP, SHADES

FOUNDERS_A_ROW = 50
"""Founder lines side by side whose names can be read."""


def component_scatter(table: pd.DataFrame, x_title: str, y_title: str) -> Any:
    """Draw fish on their first two principal components, by group.

    Parameters
    ----------
    table : DataFrame
        Columns ``x``, ``y`` (float), ``group``, ``sample`` (str).
    x_title, y_title : str
        Axis titles.

    Returns
    -------
    altair.Chart
        The chart.

    Raises
    ------
    ValueRangeError
        If the table is empty.
    """
    import altair as alt

    rounded = table.assign(x=table["x"].round(3), y=table["y"].round(3))
    values = need_rows(rounded, "principal components")
    groups = list(dict.fromkeys(table["group"]))
    color, shape = kinds("group", groups, "group")
    return (
        alt.Chart(alt.Data(values=values))
        .mark_point(filled=True, size=26, opacity=0.65)
        .encode(
            x=alt.X("x:Q", title=x_title, axis=alt.Axis(tickCount=6)),
            y=alt.Y("y:Q", title=y_title, axis=alt.Axis(tickCount=6)),
            color=color,
            shape=shape,
            tooltip=["sample:N", "group:N"],
        )
        .properties(
            width=400,
            height=290,
            description=f"{len(values)} fish of {len(groups)} groups on their first two principal components.",
        )
    )


def pair_map(table: pd.DataFrame, order: Sequence[str], title: str) -> Any:
    """Draw a number between every two groups as a map of squares with the number in each.

    Parameters
    ----------
    table : DataFrame
        Columns ``first``, ``second`` (str), ``value`` (float), both directions.
    order : sequence of str
        Groups in the order drawn.
    title : str
        Name of the number.

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

    values = need_rows(table, "pairs of groups")
    highest = max(float(table["value"].max()), 1e-6)
    base = alt.Chart(alt.Data(values=values)).encode(
        x=alt.X(
            "first:N", sort=list(order), title=None, axis=alt.Axis(labelAngle=-40, domain=False, ticks=False)
        ),
        y=alt.Y("second:N", sort=list(order), title=None, axis=alt.Axis(domain=False, ticks=False)),
    )
    squares = base.mark_rect(stroke="white").encode(
        color=alt.Color(
            "value:Q", scale=alt.Scale(range=list(RAMP), domain=[0, highest], clamp=True), title=title
        )
    )
    bright = f"datum.value < {0.45 * highest}"
    numbers = base.mark_text(fontSize=9).encode(
        text=alt.Text("value:Q", format=".3f"),
        color=alt.condition(bright, alt.value("black"), alt.value("white")),
    )
    side = max(30, min(46, 520 // max(len(order), 1)))
    return alt.layer(squares, numbers).properties(
        width=side * len(order),
        height=26 * len(order),
        description=f"{title} between every two of {len(order)} groups; highest {highest:.3f}.",
    )


def share_bars(table: pd.DataFrame, title: str) -> Any:
    """Draw shares of a whole as stacked bars, one bar per row name.

    Parameters
    ----------
    table : DataFrame
        Columns ``row``, ``part`` (str), ``share`` (float), ``rank`` (int, the order of the parts).
    title : str
        Axis title.

    Returns
    -------
    altair.Chart
        The chart; the darkest part is the first.

    Raises
    ------
    ValueRangeError
        If the table is empty.
    """
    import altair as alt

    values = need_rows(table, "shares")
    parts = list(table.sort_values("rank")["part"].drop_duplicates())
    scale = alt.Scale(domain=parts, range=[SHADES[min(k, len(SHADES) - 1)] for k in range(len(parts))])
    rows = list(dict.fromkeys(table["row"]))
    return (
        alt.Chart(alt.Data(values=values))
        .mark_bar(stroke=OUTLINE, strokeWidth=0.6)
        .encode(
            y=alt.Y("row:N", sort=rows, title=None, axis=alt.Axis(labelLimit=230, domain=False)),
            x=alt.X("share:Q", title=title, axis=alt.Axis(format="%"), scale=alt.Scale(domain=[0, 1])),
            color=alt.Color("part:N", scale=scale, title=None),
            order=alt.Order("rank:Q"),
            tooltip=["row:N", "part:N", alt.Tooltip("share:Q", format=".1%")],
        )
        .properties(
            width=WIDTH - 150,
            height=21 * len(rows),
            description=f"{title} of {len(rows)} rows as stacked bars.",
        )
    )


def founder_bars(table: pd.DataFrame) -> Any:
    """Draw the living copies of each founder line by place.

    Parameters
    ----------
    table : DataFrame
        Columns ``founder``, ``place`` (str), ``copies`` (float), in the order drawn.

    Returns
    -------
    altair.VConcatChart
        The chart.

    Raises
    ------
    ValueRangeError
        If the table is empty.
    """
    import altair as alt

    need_rows(table, "founder board")
    founders = list(dict.fromkeys(table["founder"]))
    row_of = {f: k // FOUNDERS_A_ROW for k, f in enumerate(founders)}
    table = table.assign(rank_row=table["founder"].map(row_of))
    places = list(dict.fromkeys(table["place"]))
    scale = alt.Scale(domain=places, range=[KINDS[k % len(KINDS)] for k in range(len(places))])
    most = float(table.groupby("founder")["copies"].sum().max())
    rows = []
    for k, part in table.groupby("rank_row", sort=True):
        names = [f for f in founders if row_of[f] == k]
        rows.append(
            alt.Chart(alt.Data(values=need_rows(part, "founder board")))
            .mark_bar(stroke=OUTLINE, strokeWidth=0.5)
            .encode(
                x=alt.X(
                    "founder:N",
                    sort=names,
                    title=None,
                    axis=alt.Axis(labelAngle=-90, labelFontSize=8, labelLimit=60),
                ),
                y=alt.Y(
                    "copies:Q",
                    title="living copies",
                    scale=alt.Scale(domain=[0, most]),
                    axis=alt.Axis(tickCount=4),
                ),
                color=alt.Color("place:N", scale=scale, title="place"),
                tooltip=["founder:N", "place:N", alt.Tooltip("copies:Q", format=".2f")],
            )
            .properties(width=max(120, WIDTH * len(names) / FOUNDERS_A_ROW), height=90)
        )
    return alt.vconcat(*rows, spacing=6).properties(
        description=f"Expected living gene copies of {len(founders)} founder lines by place, most copies first."
    )


def accumulation_curve(table: pd.DataFrame, x_title: str, y_title: str) -> Any:
    """Draw how many parents are found as more young are sampled, with intervals.

    Parameters
    ----------
    table : DataFrame
        Columns ``n`` (int), ``value``, ``low``, ``high`` (float), ``part`` (str: counted or extrapolated).
    x_title, y_title : str
        Axis titles.

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

    values = need_rows(table, "accumulation of parents")
    base = alt.Chart(alt.Data(values=values))
    x = alt.X("n:Q", title=x_title)
    parts = list(dict.fromkeys(table["part"]))
    dash = alt.StrokeDash(
        "part:N", scale=alt.Scale(domain=parts, range=[[1, 0], [6, 4]][: len(parts)]), title=None
    )
    band = base.mark_area(color=PALE).encode(x=x, y=alt.Y("low:Q", title=y_title), y2="high:Q")
    line = base.mark_line(color=KINDS[0], strokeWidth=2.5).encode(
        x=x, y=alt.Y("value:Q", title=y_title), strokeDash=dash
    )
    return alt.layer(band, line).properties(
        width=480,
        height=240,
        description=f"{y_title} against {x_title}, with intervals; dashed beyond the young sampled.",
    )
