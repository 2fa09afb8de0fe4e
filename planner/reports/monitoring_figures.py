"""Figures of monitoring: survival curves with bands, larvae by zone and week, growth, contributions."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pandas as pd

from broodstock.errors import ValueRangeError
from planner.reports.colours import KINDS, LIGHTS

STATES = ("fitted, 95 % band", "in use")


def _rows(table: pd.DataFrame, what: str) -> list[dict[str, Any]]:
    if table.empty:
        raise ValueRangeError(f"{what}: found no rows to draw. Expected at least one.")
    return [{str(k): v for k, v in r.items()} for r in table.to_dict("records")]


def survival_curves_figure(table: pd.DataFrame, title: str) -> Any:
    """Draw survival against length, one panel for each water and season.

    Parameters
    ----------
    table : DataFrame
        Columns ``panel`` (str), ``length_mm``, ``value``, ``low``, ``high``, ``in_use`` (float, None without a curve).
    title : str
        Heading.

    Raises
    ------
    ValueRangeError
        If the table is empty.
    """
    import altair as alt

    rows = _rows(table.astype(object).where(table.notna(), None), "survival curves")
    panels = list(dict.fromkeys(table["panel"]))
    x = alt.X(
        "length_mm:Q",
        title="total length at release, mm",
        scale=alt.Scale(zero=False, nice=False),
        axis=alt.Axis(values=[200, 300, 400, 500]),
    )
    words = "first-year survival"
    data = alt.Data(values=rows)
    base = alt.Chart(data)
    kinds = alt.Scale(domain=list(STATES), range=[KINDS[0], KINDS[1]])
    dashes = alt.Scale(domain=list(STATES), range=[[1, 0], [6, 3]])
    band = base.mark_area(opacity=0.25, color=KINDS[0]).encode(
        x=x, y=alt.Y("low:Q", title=words, scale=alt.Scale(domain=[0, 1])), y2="high:Q"
    )
    fitted = (
        base.transform_calculate(line=f"'{STATES[0]}'")
        .mark_line(strokeWidth=2)
        .encode(
            x=x,
            y="value:Q",
            color=alt.Color("line:N", scale=kinds, title=None),
            strokeDash=alt.StrokeDash("line:N", scale=dashes, title=None),
            tooltip=[
                alt.Tooltip("panel:N", title="water and season"),
                alt.Tooltip("length_mm:Q", title="mm"),
                alt.Tooltip("value:Q", format=".3f"),
                alt.Tooltip("low:Q", format=".3f"),
                alt.Tooltip("high:Q", format=".3f"),
            ],
        )
    )
    used = (
        base.transform_calculate(line=f"'{STATES[1]}'")
        .transform_filter("datum.in_use != null")
        .mark_line(strokeWidth=1.5)
        .encode(
            x=x,
            y="in_use:Q",
            color=alt.Color("line:N", scale=kinds, title=None),
            strokeDash=alt.StrokeDash("line:N", scale=dashes, title=None),
        )
    )
    return (
        alt.layer(band, fitted, used, data=data)
        .properties(width=170, height=120)
        .facet(facet=alt.Facet("panel:N", title=None, sort=panels), columns=min(4, max(1, len(panels))))
        .properties(
            title=title,
            description=f"First-year survival against length for {len(panels)} waters and seasons: fitted with its band, and "
            "the curve in use dashed.",
        )
    )


def quota_figure(table: pd.DataFrame, title: str) -> Any:
    """Draw larvae by zone and week, the light beside the number.

    Parameters
    ----------
    table : DataFrame
        Columns ``zone``, ``week`` (str), ``taken`` (int), ``wanted`` (int or None), ``light`` (str).
    title : str
        Heading.

    Raises
    ------
    ValueRangeError
        If the table is empty.
    """
    import altair as alt

    rows = _rows(table.astype(object).where(table.notna(), None), "larval quota")
    base = alt.Chart(alt.Data(values=rows)).encode(
        x=alt.X("week:O", title="week from", axis=alt.Axis(labelAngle=-60)), y=alt.Y("zone:N", title=None)
    )
    present = list(LIGHTS)
    circles = base.mark_point(filled=True, opacity=0.9).encode(
        size=alt.Size("taken:Q", title="larvae", scale=alt.Scale(range=[20, 700])),
        color=alt.Color(
            "light:N", title="light", scale=alt.Scale(domain=present, range=list(LIGHTS.values()))
        ),
        shape=alt.Shape(
            "light:N",
            title="light",
            scale=alt.Scale(domain=present, range=["circle", "square", "triangle-up"]),
        ),
        tooltip=["zone:N", "week:O", "taken:Q", "wanted:Q", "light:N"],
    )
    words = base.mark_text(fontSize=9, dy=22, color="#333").encode(text="taken:Q")
    zones = table["zone"].nunique()
    return alt.layer(circles, words).properties(
        title=title,
        width=max(320, 42 * table["week"].nunique()),
        height=70 * zones,
        description=f"Larvae taken from {zones} zones in {table['week'].nunique()} weeks; colour and shape show the light.",
    )


def growth_figure(pairs: pd.DataFrame, lines: pd.DataFrame, title: str) -> Any:
    """Draw growth a year against length, with the fitted line of each group.

    Parameters
    ----------
    pairs : DataFrame
        Columns ``first_mm``, ``per_year`` (float), ``kind`` (str).
    lines : DataFrame
        Columns ``first_mm``, ``per_year``, ``low``, ``high`` (float).
    title : str
        Heading.

    Raises
    ------
    ValueRangeError
        If there is no pair.
    """
    import altair as alt

    shown = pairs if len(pairs) <= 1500 else pairs.sample(1500, random_state=1)
    kinds = list(dict.fromkeys(pairs["kind"]))
    x = alt.X("first_mm:Q", title="first total length, mm", scale=alt.Scale(zero=False))
    y = alt.Y("per_year:Q", title="growth, mm a year")
    points = (
        alt.Chart(alt.Data(values=_rows(shown, "growth")))
        .mark_point(size=18, opacity=0.45)
        .encode(
            x=x,
            y=y,
            color=alt.Color(
                "kind:N",
                title=None,
                scale=alt.Scale(domain=kinds, range=[KINDS[k % len(KINDS)] for k in range(len(kinds))]),
            ),
            shape=alt.Shape("kind:N", title=None, scale=alt.Scale(domain=kinds)),
        )
    )
    layers = [points]
    if len(lines):
        data = alt.Chart(alt.Data(values=_rows(lines, "growth")))
        layers.append(data.mark_area(opacity=0.3, color="#555").encode(x=x, y="low:Q", y2="high:Q"))
        layers.append(data.mark_line(color="#000").encode(x=x, y=y))
    return alt.layer(*layers).properties(
        title=title,
        width=460,
        height=300,
        description=f"Growth of {len(pairs)} fish measured twice against their first length, with the fitted curve.",
    )


def contribution_figure(table: pd.DataFrame, title: str, order: Sequence[str]) -> Any:
    """Draw each group's share among the fish met against its share released, with intervals.

    Parameters
    ----------
    table : DataFrame
        Columns ``group`` (str), ``value``, ``low``, ``high``, ``released`` (float, shares).
    title : str
        Heading.
    order : sequence of str
        Groups from top to bottom.

    Raises
    ------
    ValueRangeError
        If the table is empty.
    """
    import altair as alt

    base = alt.Chart(alt.Data(values=_rows(table, "contribution"))).transform_calculate(
        met="'met, 95 % interval'", out="'released'"
    )
    y = alt.Y("group:N", sort=list(order), title=None)
    scale = alt.Scale(domain=["met, 95 % interval", "released"], range=[KINDS[0], KINDS[1]])
    shapes = alt.Scale(domain=["met, 95 % interval", "released"], range=["circle", "diamond"])
    spans = base.mark_rule(strokeWidth=2, color=KINDS[0]).encode(
        y=y, x=alt.X("low:Q", title="share", axis=alt.Axis(format="%")), x2="high:Q"
    )
    dots = base.mark_point(filled=True, size=60, opacity=1).encode(
        y=y,
        x="value:Q",
        color=alt.Color("met:N", scale=scale, title=None),
        shape=alt.Shape("met:N", scale=shapes, title=None),
    )
    out = base.mark_point(filled=True, size=60, opacity=1).encode(
        y=y,
        x="released:Q",
        color=alt.Color("out:N", scale=scale, title=None),
        shape=alt.Shape("out:N", scale=shapes, title=None),
    )
    return alt.layer(spans, dots, out).properties(
        title=title,
        width=420,
        height=max(120, 18 * len(order)),
        description=f"Shares of {len(order)} groups among the fish met, with intervals, beside their shares among the fish "
        "released.",
    )
