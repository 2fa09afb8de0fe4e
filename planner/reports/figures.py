"""Figures as Altair charts: one code for SVG, PNG and one-file HTML, offline.

Colours are those of `planner.reports.colours`, with a second sign beside colour. Every figure carries a sentence that
stands in for it, and can be had with the table it was drawn from.
"""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from html import escape
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from broodstock.arrays import FloatArray
from broodstock.errors import ValueRangeError
from planner.reports.colours import KINDS, OUTLINE, RAMP, SHADES, SOFT
from planner.reports.figure_data import COLUMNS, figure_table
from planner.reports.heat_figure import HeatMap
from planner.reports.table_schema import resource

FONT = "Atkinson Hyperlegible"


def kinship_heat_map(kinship: FloatArray, labels: Sequence[str], title: str) -> Any:
    """Draw pairwise kinship as a heat map with hover; `HeatMap` draws the same without.

    Parameters
    ----------
    kinship : ndarray, float64, shape (n, n)
        Kinship, 0 to 1.
    labels : sequence of str, length n
        Fish identifiers, in the order drawn.
    title : str
        Heading.

    Returns
    -------
    altair.Chart
        The chart.

    Raises
    ------
    ShapeError
        If the matrix is not square or the labels do not fit.
    ValueRangeError
        If there are more than 400 rows: group fish by family first.
    """
    import altair as alt

    still = HeatMap(kinship, tuple(labels), title)
    n = len(labels)
    flat = [round(float(x), 4) for x in kinship.ravel()]
    # One flat list is eight times smaller than rows of records; the names are looked up in the chart.
    names = "[" + ",".join('"' + s.replace("\\", "").replace('"', "") + '"' for s in labels) + "]"
    size = int(np.clip(640 // max(n, 1), 2, 28))
    shade = alt.Scale(range=list(RAMP), domain=[0, still.top], clamp=True)
    return (
        alt.Chart(alt.Data(values=flat), title=title)
        .transform_window(k="row_number()")
        .transform_calculate(i=f"floor((datum.k-1)/{n})", j=f"(datum.k-1)%{n}", kinship="datum.data")
        .transform_calculate(row=f"{names}[datum.i]", column=f"{names}[datum.j]")
        .mark_rect(strokeWidth=0.5)
        .encode(
            x=alt.X("j:O", axis=_name_axis(names, n, -90 if n > 12 else 0), title=None),
            y=alt.Y("i:O", axis=_name_axis(names, n, 0), title=None),
            color=alt.Color("kinship:Q", scale=shade, title="kinship"),
            tooltip=[
                alt.Tooltip("row:N", title="fish"),
                alt.Tooltip("column:N", title="with"),
                alt.Tooltip("kinship:Q", format=".4f"),
            ],
        )
        .properties(width=size * n, height=size * n, description=still.description)
    )


def _name_axis(names: str, n: int, angle: int) -> Any:
    import altair as alt

    every = max(1, n // 60)
    return alt.Axis(
        labelExpr=f"datum.value % {every} == 0 ? {names}[datum.value] : ''",
        labelFontSize=7,
        ticks=False,
        domain=False,
        labelOverlap=False,
        labelAngle=angle,
    )


def sample_sizes(base: Any, x: Any, groups: Sequence[str], width: float) -> Any:
    """Draw the number of fish under the axis of a trend: one row for each group, one column for each year class.

    Parameters
    ----------
    base : altair.Chart
        Chart with the rows of the trend: ``line``, ``n``.
    x : altair.X
        Axis of the trend above.
    groups : sequence of str
        Lines in the order of the rows.
    width : float
        Width of the trend above.
    """
    import altair as alt

    y = alt.Y(
        "line:N",
        sort=list(groups),
        title=None,
        axis=alt.Axis(domain=False, ticks=False, labelFontSize=9, labelColor=SOFT, labelPadding=2),
    )
    return (
        base.mark_text(fontSize=9, color=OUTLINE)
        .encode(x=x, y=y, text="n:Q")
        .properties(width=width, height=12 * len(groups))
    )


def diversity_trend(table: pd.DataFrame, statistic: str, limit: float | None = None) -> Any:
    """Draw one statistic by year class and line, with intervals and sample sizes.

    Parameters
    ----------
    table : DataFrame
        Columns ``year_class`` (int), ``line`` (str), ``value``, ``low``, ``high`` (float), ``n`` (int).
    statistic : str
        Axis title.
    limit : float, optional
        Reference line of the programme's policy.

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
        raise ValueRangeError(
            "diversity trend: found no rows. Expected at least one year class with a value."
        )
    lines = list(dict.fromkeys(table["line"]))
    scale = alt.Scale(domain=lines, range=[KINDS[k % len(KINDS)] for k in range(len(lines))])
    years = sorted(int(y) for y in table["year_class"].unique())
    axis = alt.Scale(domain=list(range(years[0], years[-1] + 1)))
    x = alt.X("year_class:O", title=None, scale=axis, axis=alt.Axis(labelAngle=0))
    offset = alt.XOffset("line:N", scale=alt.Scale(domain=lines, paddingOuter=0.6))
    color = alt.Color("line:N", scale=scale, title="line")
    shape = alt.Shape("line:N", scale=alt.Scale(domain=lines), title="line")
    y = alt.Y("value:Q", title=statistic, scale=alt.Scale(zero=False))
    base = alt.Chart(alt.Data(values=table.to_dict("records")))
    tips = [
        alt.Tooltip("year_class:O", title="year class"),
        alt.Tooltip("line:N"),
        alt.Tooltip("value:Q", format=".4f"),
        alt.Tooltip("low:Q", format=".4f"),
        alt.Tooltip("high:Q", format=".4f"),
        alt.Tooltip("n:Q", title="fish"),
    ]
    bars = base.mark_rule(strokeWidth=2.5).encode(
        x=x, xOffset=offset, y=alt.Y("low:Q", title=statistic), y2="high:Q", color=color
    )
    points = base.mark_point(filled=True, size=70, opacity=1).encode(
        x=x, xOffset=offset, y=y, color=color, shape=shape, tooltip=tips
    )
    layers = [bars, points]
    if limit is not None:
        rule = alt.Chart(alt.Data(values=[{"limit": limit}]))
        layers.append(rule.mark_rule(strokeDash=[6, 4], color="#000").encode(y="limit:Q"))
    width = max(420, 60 * len(years))
    under = alt.X(
        "year_class:O",
        title="fish typed, by year class",
        scale=axis,
        axis=alt.Axis(labels=False, ticks=False, domain=False),
    )
    return alt.vconcat(
        alt.layer(*layers).properties(width=width, height=300),
        sample_sizes(base, under, lines, width),
        spacing=4,
    ).properties(
        description=f"{statistic} by year class {years[0]} to {years[-1]} with 95 % intervals; the numbers under the axis "
        "are the fish typed.",
    )


def family_by_site(table: pd.DataFrame, title: str) -> Any:
    """Draw how many fish of each family each site has, before and after.

    Parameters
    ----------
    table : DataFrame
        Columns ``family``, ``site`` (str), ``number`` (int), ``when`` ('resident' or 'arriving').
    title : str
        Heading.

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

    if table.empty:
        raise ValueRangeError("family by site: found no rows. Expected at least one family at one site.")
    families = table["family"].nunique()
    return (
        alt.Chart(alt.Data(values=table.to_dict("records")), title=title)
        .mark_bar(stroke=OUTLINE, strokeWidth=0.5)
        .encode(
            x=alt.X("family:N", title="family", axis=alt.Axis(labelAngle=-90, labelFontSize=8)),
            y=alt.Y("number:Q", title="fish"),
            color=alt.Color(
                "when:N",
                scale=alt.Scale(domain=["resident", "arriving"], range=[SHADES[2], SHADES[0]]),
                title=None,
            ),
            row=alt.Row(
                "site:N", title=None, header=alt.Header(labelAngle=0, labelAlign="left", labelFontSize=11)
            ),
            tooltip=["family:N", "site:N", "when:N", "number:Q"],
        )
        .resolve_scale(y="independent")
        .properties(
            width=max(360, 11 * families),
            height=70,
            description=f"Fish of {families} families at {table['site'].nunique()} sites, residents and arrivals.",
        )
    )


def _configured(chart: Any) -> Any:
    return chart.configure(font=FONT, background="white").configure_view(stroke=None)


def figure_svg(chart: Any) -> str:
    """Return a chart as SVG text, with the sentence that stands in for it inside."""
    import vl_convert as vlc

    if isinstance(chart, HeatMap):
        return chart.svg()
    _register_font()
    svg: str = vlc.vegalite_to_svg(_configured(chart).to_dict())
    # Marks of a still figure need no names of their own: the sentence speaks for all of them.
    svg = re.sub(r' (?:aria-label|aria-roledescription|role)="[^"]*"', "", svg)
    said = getattr(chart, "description", "")
    words = f"<desc>{escape(said)}</desc>" if isinstance(said, str) and said else ""
    return re.sub(r"(<svg [^>]*>)", lambda m: m.group(1) + words, svg, count=1)


def figure_png(chart: Any, scale: float = 1.5) -> bytes:
    """Return a chart as PNG bytes, `scale` pixels to a unit of the chart."""
    import vl_convert as vlc

    _register_font()
    if isinstance(chart, HeatMap):
        drawn: bytes = vlc.svg_to_png(chart.svg(), scale=scale)
        return drawn
    png: bytes = vlc.vegalite_to_png(_configured(chart).to_dict(), scale=scale)
    return png


def write_figure(chart: Any, stem: Path, kinds: Sequence[str] = ("svg", "png", "html", "data")) -> list[Path]:
    """Write a chart as ``stem.svg``, ``stem.png``, ``stem.html`` (one file, with hover, offline), and what it was drawn from.

    Parameters
    ----------
    chart : altair.Chart or HeatMap
        What to draw.
    stem : Path
        File name without ending.
    kinds : sequence of {'svg', 'png', 'html', 'data'}
        Which files to write; ``data`` is ``stem_data.csv`` with its Table Schema in ``stem_data.json``. A `HeatMap`
        has no ``html``.

    Returns
    -------
    list of Path
        The files written.
    """
    import vl_convert as vlc

    _register_font()
    draw = {
        "svg": lambda: figure_svg(chart).encode(),
        "png": lambda: figure_png(chart),
        "html": lambda: vlc.vegalite_to_html(_configured(chart).to_dict(), bundle=True).encode(),
    }
    out = []
    for kind in kinds:
        if kind == "data":
            out += _write_data(chart, stem)
            continue
        path = stem.with_name(f"{stem.name}.{kind}")
        path.write_bytes(draw[kind]())
        out.append(path)
    return out


def _write_data(chart: Any, stem: Path) -> list[Path]:
    csv, about = (stem.with_name(f"{stem.name}_data.{ending}") for ending in ("csv", "json"))
    text, described = resource(
        f"{stem.name}_data", csv.name, f"What {stem.name} was drawn from.", figure_table(chart), COLUMNS
    )
    csv.write_text(text, encoding="utf-8")
    about.write_text(json.dumps(described, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
    return [csv, about]


def _register_font() -> None:
    from importlib.resources import as_file, files

    import vl_convert as vlc

    with as_file(files("planner.reports") / "assets") as folder:
        vlc.register_font_directory(str(folder))
