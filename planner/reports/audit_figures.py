"""Figures of the audit: trends, effective sizes, the loss of parents, principal components, shares.

Colours and shapes go together, so that no figure rests on colour alone. An interval without an upper limit
ends in an arrow at the edge of the figure.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from broodstock.errors import ValueRangeError
from planner.reports.colours import KINDS, OUTLINE, PALE, SHADES
from planner.reports.figures import sample_sizes

SHAPES = ("circle", "square", "triangle-up", "diamond", "cross", "triangle-down", "triangle-right")
LINES = ("wild-larvae", "hatchery", "backwater", "founders")
"""Supply lines keep their colour and shape in all figures."""
WIDTH = 620


def need_rows(table: pd.DataFrame, what: str) -> list[dict[str, Any]]:
    """Return the rows of a table to draw.

    Raises
    ------
    ValueRangeError
        If there are none.
    """
    if table.empty:
        raise ValueRangeError(f"{what}: found no rows. Expected at least one. Leave the figure out.")
    return table.to_dict("records")  # type: ignore[return-value]


def kinds(field: str, values: Sequence[str], title: str) -> tuple[Any, Any]:
    """Return the colour and shape encodings of a kind, with one legend."""
    import altair as alt

    known = [v for v in LINES if v in values]
    values = [*known, *(v for v in values if v not in LINES)]
    number = {v: LINES.index(v) if v in LINES else len(LINES) + k for k, v in enumerate(values)}
    color = alt.Scale(domain=values, range=[KINDS[number[v] % len(KINDS)] for v in values])
    shape = alt.Scale(domain=values, range=[SHAPES[number[v] % len(SHAPES)] for v in values])
    return (
        alt.Color(f"{field}:N", scale=color, title=title),
        alt.Shape(f"{field}:N", scale=shape, title=title),
    )


def trend_panels(table: pd.DataFrame, statistic: str) -> Any:
    """Draw a statistic over year classes, one panel per marker set, lines broken where loci changed.

    Parameters
    ----------
    table : DataFrame
        Columns ``call_set``, ``line``, ``run`` (str), ``year_class`` (int), ``value``, ``low``, ``high``
        (float), ``n`` (int). Points are joined within a call set, line and run only.
    statistic : str
        Axis title.

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

    need_rows(table, "trend")
    lines = list(dict.fromkeys(table["line"]))
    years = [int(y) for y in range(int(table["year_class"].min()), int(table["year_class"].max()) + 1)]
    color, shape = kinds("line", lines, "line")
    panels: list[Any] = []
    for name, part in table.groupby("call_set", sort=False):
        here = [line for line in lines if line in set(part["line"])]
        base = alt.Chart(alt.Data(values=need_rows(part, "trend")))
        scale = alt.Scale(domain=years)
        x = alt.X("year_class:O", title=None, scale=scale, axis=alt.Axis(labelAngle=0))
        offset = alt.XOffset("line:N", scale=alt.Scale(domain=lines, paddingOuter=0.4))
        y = alt.Y("value:Q", title=statistic, scale=alt.Scale(zero=False), axis=alt.Axis(tickCount=5))
        path = base.mark_line(strokeWidth=1.2, opacity=0.6).encode(
            x=x, xOffset=offset, y=y, color=color, detail="run:N"
        )
        bars = base.mark_rule(strokeWidth=2).encode(
            x=x, xOffset=offset, y=alt.Y("low:Q", title=statistic), y2="high:Q", color=color
        )
        points = base.mark_point(filled=True, size=60, opacity=1).encode(
            x=x, xOffset=offset, y=y, color=color, shape=shape
        )
        drawn = alt.layer(path, bars, points).properties(
            width=WIDTH, height=135 if len(here) > 1 else 95, title=str(name)
        )
        under = alt.X(
            "year_class:O",
            title="fish typed, by year class",
            scale=scale,
            axis=alt.Axis(labels=False, ticks=False, domain=False, titlePadding=2),
        )
        panels.append(alt.vconcat(drawn, sample_sizes(base, under, here, WIDTH), spacing=2))
    return alt.vconcat(*panels, spacing=12).properties(
        description=f"{statistic} by year class {years[0]} to {years[-1]} with intervals; the numbers under each panel are "
        "the fish typed."
    )


def size_rows(frame: pd.DataFrame, low: float = 1.0, high: float = 2000.0) -> pd.DataFrame:
    """Return rows ready to draw on a log scale: limits cut to the frame, open ends marked.

    Parameters
    ----------
    frame : DataFrame
        Columns ``value``, ``low``, ``high`` (float, may be infinite or missing).
    low, high : float
        Frame.

    Returns
    -------
    DataFrame
        Rows with a value; infinite numbers as the word ``INF``; with ``at``, ``from``, ``to`` inside the frame, ``open`` (bool) where the upper
        limit lies outside, ``finite`` (bool) where the value itself does not.
    """
    rows = frame[frame["value"].notna()].copy()
    top = float(high)
    value = rows["value"].astype(float)
    lower, upper = rows["low"].astype(float), rows["high"].astype(float)
    rows["at"] = value.clip(low, top)
    rows["from"] = lower.where(lower.notna(), value).clip(low, top)
    rows["to"] = upper.where(upper.notna(), value).clip(low, top)
    rows["open"] = upper.where(upper.notna(), value) > top
    rows["finite"] = value <= top
    # A chart takes no infinite numbers; the table of the figure writes them as Table Schema does.
    for name in ("value", "low", "high"):
        rows[name] = [
            "INF" if x == math.inf else None if x != x else float(x) for x in frame.loc[rows.index, name]
        ]
    return rows


def size_series(table: pd.DataFrame, title: str) -> Any:
    """Draw effective sizes by year class and line on a log scale.

    Parameters
    ----------
    table : DataFrame
        Columns ``year_class`` (int), ``line`` (str), ``value``, ``low``, ``high`` (float; infinite or
        missing limits are legal).
    title : str
        Axis title.

    Returns
    -------
    altair.LayerChart
        The chart.

    Raises
    ------
    ValueRangeError
        If no row has a value.
    """
    import altair as alt

    top = _top(table)
    rows = size_rows(table, high=top)
    values = need_rows(rows, "effective sizes")
    lines = list(dict.fromkeys(rows["line"]))
    color, shape = kinds("line", lines, "line")
    scale = alt.Scale(type="log", domain=[max(1.0, 0.8 * float(rows["from"].min())), top])
    base = alt.Chart(alt.Data(values=values))
    x = alt.X("year_class:O", title="year class", axis=alt.Axis(labelAngle=0))
    offset = alt.XOffset("line:N", scale=alt.Scale(domain=lines, paddingOuter=0.4))
    y = alt.Y("at:Q", title=title, scale=scale)
    bars = base.mark_rule(strokeWidth=2).encode(
        x=x, xOffset=offset, y=alt.Y("from:Q", title=title, scale=scale), y2="to:Q", color=color
    )
    points = (
        base.transform_filter("datum.finite")
        .mark_point(filled=True, size=60, opacity=1)
        .encode(x=x, xOffset=offset, y=y, color=color, shape=shape)
    )
    arrows = (
        base.transform_filter("datum.open")
        .mark_point(shape="triangle-up", filled=True, size=45, opacity=1)
        .encode(x=x, xOffset=offset, y=alt.Y("to:Q", title=title, scale=scale), color=color)
    )
    return alt.layer(bars, points, arrows).properties(
        width=WIDTH,
        height=240,
        description=f"{title} by year class with intervals on a log scale; an arrow means no upper limit.",
    )


def _top(table: pd.DataFrame) -> float:
    """Return a round number above all finite limits, at most 2 000."""
    numbers = pd.concat([table[c].dropna().astype(float) for c in ("value", "low", "high")])
    finite = numbers[np.isfinite(numbers)]
    highest = float(finite.max()) if len(finite) else 100.0
    return float(min(2000.0, 10 ** (math.ceil(4 * math.log10(max(highest, 10.0) * 1.05)) / 4)))


def sizes_side_by_side(table: pd.DataFrame, truth_words: str = "") -> Any:
    """Draw the estimates of every method under each other, one panel per group.

    Parameters
    ----------
    table : DataFrame
        Columns ``group``, ``method`` (str), ``value``, ``low``, ``high`` (float, may be infinite or missing).
    truth_words : str
        Extra words for the description.

    Returns
    -------
    altair.VConcatChart
        The chart.

    Raises
    ------
    ValueRangeError
        If no row has a value.
    """
    import altair as alt

    top = _top(table)
    rows = size_rows(table, high=top)
    need_rows(rows, "effective sizes")
    scale = alt.Scale(type="log", domain=[max(1.0, 0.8 * float(rows["from"].min())), top])
    panels = []
    for name, part in rows.groupby("group", sort=False):
        base = alt.Chart(alt.Data(values=need_rows(part, "effective sizes")))
        y = alt.Y(
            "method:N", sort=list(part["method"]), title=None, axis=alt.Axis(labelLimit=330, domain=False)
        )
        x = alt.X("at:Q", scale=scale, title="effective number (log scale)")
        bars = base.mark_rule(strokeWidth=2.5, color=KINDS[0]).encode(
            y=y, x=alt.X("from:Q", scale=scale, title="effective number (log scale)"), x2="to:Q"
        )
        points = (
            base.transform_filter("datum.finite")
            .mark_point(filled=True, size=70, opacity=1, color=KINDS[1])
            .encode(y=y, x=x)
        )
        arrows = (
            base.transform_filter("datum.open")
            .mark_point(shape="triangle-right", filled=True, size=55, opacity=1, color=KINDS[0])
            .encode(y=y, x=alt.X("to:Q", scale=scale))
        )
        panels.append(
            alt.layer(bars, points, arrows).properties(
                width=WIDTH - 230, height=20 * len(part), title=str(name)
            )
        )
    return alt.vconcat(*panels, spacing=10).properties(
        description="Effective numbers by method with intervals on a log scale; an arrow means no upper limit. "
        + truth_words
    )


def loss_bars(table: pd.DataFrame, realised: tuple[float, float | None, float | None] | None) -> Any:
    """Draw the effective number of parents left at each step, with the number by DNA as a band.

    Parameters
    ----------
    table : DataFrame
        Columns ``step``, ``words`` (str), ``both`` (float), in order; ``low`` and ``high`` (float, missing where every
        fish was counted) may follow.
    realised : (value, low, high), optional
        Effective number by DNA.

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

    need_rows(table, "loss of parents")
    frame = table.assign(before=table["both"].shift()).astype(object)
    values = need_rows(frame.where(frame.notna(), None), "loss of parents")
    base = alt.Chart(alt.Data(values=values))
    order = list(table["step"])
    y = alt.Y("step:N", sort=order, title=None, axis=alt.Axis(labelLimit=240, domain=False, ticks=False))
    x = alt.X("both:Q", title="effective number of parents", scale=alt.Scale(zero=True))
    bars = base.mark_bar(color=SHADES[1], stroke=OUTLINE, strokeWidth=0.6, height=16).encode(y=y, x=x)
    lost = (
        base.transform_filter("datum.before > datum.both")
        .mark_bar(color=PALE, stroke=OUTLINE, strokeWidth=0.6, strokeDash=[3, 2], height=16)
        .encode(y=y, x=x, x2="before:Q")
    )
    spans = (
        base.transform_filter("isValid(datum.low) && isValid(datum.high)")
        .mark_rule(color=OUTLINE, strokeWidth=2)
        .encode(y=y, x="low:Q", x2="high:Q")
    )
    words = (
        base.transform_calculate(
            end="max(datum.both, isValid(datum.before) ? datum.before : 0, isValid(datum.high) ? datum.high : 0)"
        )
        .mark_text(align="left", dx=5, fontSize=11)
        .encode(y=y, x="end:Q", text="words:N")
    )
    layers = [lost, bars, spans, words]
    if realised is not None and math.isfinite(realised[0]):
        value, low, high = realised
        band = [{"low": low, "high": high, "value": value}]
        data = alt.Chart(alt.Data(values=band))
        if low is not None and high is not None and math.isfinite(high):
            layers.insert(0, data.mark_rect(color=KINDS[1], opacity=0.16).encode(x="low:Q", x2="high:Q"))
        layers.append(data.mark_rule(color=KINDS[1], strokeWidth=2, strokeDash=[6, 3]).encode(x="value:Q"))
    return alt.layer(*layers).properties(
        width=WIDTH - 120,
        height=24 * len(values) + 10,
        description="Effective number of parents left at each step, the part lost since the step before in a dashed outline; "
        "the dashed line with its band is the number found by DNA.",
    )
