"""Figures as Altair charts: one code for SVG, PNG and one-file HTML, offline.

Colours: the Okabe-Ito set for kinds (safe for colour-blind readers, with a second sign beside colour) and
cividis for amounts. Every figure carries a sentence that stands in for it.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from broodstock.arrays import FloatArray
from broodstock.errors import ShapeError, ValueRangeError

KINDS = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#56B4E9", "#E69F00", "#000000")
FONT = "Atkinson Hyperlegible"
MOST_HEAT_ROWS = 400


def kinship_heat_map(kinship: FloatArray, labels: Sequence[str], title: str) -> Any:
    """Draw pairwise kinship as a heat map with hover.

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

    n = len(labels)
    if kinship.shape != (n, n):
        raise ShapeError(f"kinship: found shape {kinship.shape}. Expected ({n}, {n}).")
    if n > MOST_HEAT_ROWS:
        raise ValueRangeError(
            f"kinship heat map: found {n} fish. Expected at most {MOST_HEAT_ROWS}. Group fish by family first."
        )
    flat = [round(float(x), 4) for x in kinship.ravel()]
    # One flat list is eight times smaller than rows of records; the names are looked up in the chart.
    names = "[" + ",".join('"' + s.replace("\\", "").replace('"', "") + '"' for s in labels) + "]"
    size = int(np.clip(640 // max(n, 1), 2, 28))
    shade = alt.Scale(scheme="cividis", domain=[0, max(0.25, _highest_off_diagonal(kinship))], clamp=True)
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
            stroke=alt.Stroke("kinship:Q", scale=shade, legend=None),
            tooltip=[
                alt.Tooltip("row:N", title="fish"),
                alt.Tooltip("column:N", title="with"),
                alt.Tooltip("kinship:Q", format=".4f"),
            ],
        )
        .properties(
            width=size * n,
            height=size * n,
            description=f"Heat map of kinship between {n} fish, highest off the diagonal "
            f"{_highest_off_diagonal(kinship):.3f}.",
        )
    )


def _highest_off_diagonal(kinship: FloatArray) -> float:
    if len(kinship) < 2:
        return 0.0
    off = kinship[~np.eye(len(kinship), dtype=bool)]
    return float(off.max())


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
    scale = alt.Scale(domain=lines, range=list(KINDS[: len(lines)]))
    x = alt.X("year_class:O", title="year class", axis=alt.Axis(labelAngle=0))
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
    sizes = base.mark_text(dy=14, fontSize=9, color="#444").encode(
        x=x, xOffset=offset, y=alt.Y("low:Q"), text="n:Q"
    )
    layers = [bars, points, sizes]
    if limit is not None:
        rule = alt.Chart(alt.Data(values=[{"limit": limit}]))
        layers.append(rule.mark_rule(strokeDash=[6, 4], color="#000").encode(y="limit:Q"))
    years = table["year_class"]
    return alt.layer(*layers).properties(
        width=max(420, 60 * years.nunique()),
        height=300,
        description=f"{statistic} by year class {years.min()} to {years.max()} with 95 % intervals; the small "
        "number under each interval is the number of fish.",
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
        .mark_bar(stroke="white", strokeWidth=0.4)
        .encode(
            x=alt.X("family:N", title="family", axis=alt.Axis(labelAngle=-90, labelFontSize=8)),
            y=alt.Y("number:Q", title="fish"),
            color=alt.Color(
                "when:N",
                scale=alt.Scale(domain=["resident", "arriving"], range=[KINDS[4], KINDS[1]]),
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
    """Return a chart as SVG text."""
    import vl_convert as vlc

    _register_font()
    svg: str = vlc.vegalite_to_svg(_configured(chart).to_dict())
    return svg


def figure_png(chart: Any, scale: float = 1.5) -> bytes:
    """Return a chart as PNG bytes, `scale` pixels to a unit of the chart."""
    import vl_convert as vlc

    _register_font()
    png: bytes = vlc.vegalite_to_png(_configured(chart).to_dict(), scale=scale)
    return png


def write_figure(chart: Any, stem: Path, kinds: Sequence[str] = ("svg", "png", "html")) -> list[Path]:
    """Write a chart as ``stem.svg``, ``stem.png`` and ``stem.html`` (one file, with hover, offline).

    Parameters
    ----------
    chart : altair.Chart
        What to draw.
    stem : Path
        File name without ending.
    kinds : sequence of {'svg', 'png', 'html'}
        Which files to write; leave ``svg`` out for large heat maps (one mark a cell).

    Returns
    -------
    list of Path
        The files written.
    """
    import vl_convert as vlc

    _register_font()
    spec = _configured(chart).to_dict()
    draw = {
        "svg": lambda: vlc.vegalite_to_svg(spec).encode(),
        "png": lambda: vlc.vegalite_to_png(spec, scale=1.5),
        "html": lambda: vlc.vegalite_to_html(spec, bundle=True).encode(),
    }
    out = []
    for kind in kinds:
        path = stem.with_name(f"{stem.name}.{kind}")
        path.write_bytes(draw[kind]())
        out.append(path)
    return out


def _register_font() -> None:
    from importlib.resources import as_file, files

    import vl_convert as vlc

    with as_file(files("planner.reports") / "assets") as folder:
        vlc.register_font_directory(str(folder))
