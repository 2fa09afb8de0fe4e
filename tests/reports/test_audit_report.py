from __future__ import annotations

import base64
import datetime as dt
import math
import re

import numpy as np
import pandas as pd
import pytest

from broodstock.errors import ValueRangeError
from planner.provenance import Provenance
from planner.reports.audit_figures import (
    loss_bars,
    size_rows,
    size_series,
    sizes_side_by_side,
    trend_panels,
)
from planner.reports.audit_report import AuditFigure, AuditSection, audit_sheet, draw, table_block
from planner.reports.audit_share_figures import (
    accumulation_curve,
    component_scatter,
    founder_bars,
    pair_map,
    share_bars,
)
from planner.reports.figure_data import COLUMNS
from planner.reports.html import sheet_html
from planner.reports.pdf import sheet_pdf
from planner.reports.sheet import FigureBlock, Sheet, TableBlock, TextBlock

SIZES = pd.DataFrame(
    {
        "group": ["a", "a", "b"],
        "method": ["linkage", "sibs", "linkage"],
        "year_class": [2023, 2024, 2024],
        "line": ["wild-larvae", "hatchery", "hatchery"],
        "value": [40.0, np.inf, 12.0],
        "low": [30.0, 25.0, np.nan],
        "high": [np.inf, np.inf, np.nan],
    }
)
TREND = pd.DataFrame(
    {
        "call_set": ["SNPs, 176 loci"] * 3 + ["microsatellites, 14 loci"],
        "line": ["wild-larvae", "wild-larvae", "hatchery", "wild-larvae"],
        "run": ["s w 0", "s w 0", "s h 0", "m w 0"],
        "year_class": [2012, 2014, 2014, 2012],
        "value": [0.29, 0.28, 0.27, 0.8],
        "low": [0.28, 0.27, 0.25, 0.78],
        "high": [0.3, 0.29, 0.29, 0.82],
        "n": [120, 118, 20, 60],
    }
)


def charts() -> dict[str, object]:
    square = pd.DataFrame({"first": ["a", "b"], "second": ["b", "a"], "value": [0.02, 0.02]})
    return {
        "trend": trend_panels(TREND, "expected heterozygosity"),
        "series": size_series(SIZES, "effective number of breeders"),
        "sizes": sizes_side_by_side(SIZES),
        "loss": loss_bars(
            pd.DataFrame(
                {"step": ["used", "kept"], "both": [50.0, 31.0], "words": ["50.0", "31.0  (-19.0)"]}
            ),
            (31.6, 26.0, math.inf),
        ),
        "axes": component_scatter(
            pd.DataFrame(
                {"x": [0.1, -0.2], "y": [1.0, 0.5], "group": ["founders", "zz"], "sample": ["s", "t"]}
            ),
            "axis 1",
            "axis 2",
        ),
        "pairs": pair_map(square, ["a", "b"], "theta"),
        "shares": share_bars(
            pd.DataFrame(
                {"row": ["site", "site"], "part": ["1. family", "rest"], "share": [0.6, 0.4], "rank": [0, 3]}
            ),
            "share",
        ),
        "founders": founder_bars(
            pd.DataFrame({"founder": ["F-1"], "place": ["Brood house"], "copies": [2.0]})
        ),
        "accumulation": accumulation_curve(
            pd.DataFrame(
                {
                    "n": [1, 10, 10, 20],
                    "value": [2, 15, 15, 22],
                    "low": [2, 12, 12, 15],
                    "high": [2, 18, 18, 30],
                }
            ).assign(part=["larvae sampled"] * 2 + ["extrapolated"] * 2),
            "larvae",
            "parents",
        ),
    }


@pytest.mark.parametrize("name", list(charts()))
def test_figures__are_drawn_with_a_sentence_that_stands_in_for_them(name: str) -> None:
    chart = charts()[name]
    drawn = draw(AuditFigure(name, "title", chart, "alt"))
    assert drawn.file == f"{name}.svg"
    assert drawn.svg.startswith("<svg ")
    assert len(drawn.table)
    assert set(drawn.table.columns) <= set(COLUMNS)
    assert "<desc>" in drawn.svg
    assert "NaN" not in drawn.svg
    assert "undefined" not in drawn.svg
    assert len(chart.to_dict()["description"]) > 20  # type: ignore[attr-defined]


def test_figures__refuse_empty_tables() -> None:
    for function, message in (
        (lambda t: trend_panels(t, "x"), "trend: found no rows"),
        (lambda t: size_series(t, "x"), "effective sizes: found no rows"),
        (lambda t: founder_bars(t), "founder board: found no rows"),
        (lambda t: loss_bars(t, None), "loss of parents: found no rows"),
    ):
        empty = pd.DataFrame(columns=["value", "low", "high", "year_class", "line", "call_set"])
        with pytest.raises(ValueRangeError, match=message):
            function(empty)


def test_size_rows__open_ends_reach_the_frame_and_are_marked() -> None:
    rows = size_rows(SIZES, high=500.0)
    assert rows["to"].tolist() == [500.0, 500.0, 12.0]
    assert rows["open"].tolist() == [True, True, False]
    assert rows["finite"].tolist() == [True, False, True]
    assert rows["from"].tolist() == [30.0, 25.0, 12.0]
    assert rows["value"].tolist() == [40.0, "INF", 12.0]
    assert size_rows(SIZES.assign(value=np.nan)).empty


def sheet() -> Sheet:
    figure = AuditFigure("loss", "Loss", charts()["loss"], "Bars <of> parents", "caption")
    dots = AuditFigure("axes", "Axes", charts()["axes"], "dots")
    sections = [
        AuditSection(
            "Losses & gains",
            ("One line.",),
            (
                table_block("Steps", [("Step", 2), ("Left", 1, "right")], [("used", "50"), ("kept", "")]),
                figure,
            ),
        ),
        AuditSection("Axes", (), (dots,), ("temporal Ne: no generation length",)),
    ]
    return audit_sheet(
        "Invented programme",
        2024,
        [("Nb", "31.6 (26.0 to 37.6)")],
        ["What changed <b>."],
        ["Do this.", "Do that."],
        sections,
        ["Method one."],
        Provenance("audit of year class 2024", "ab" * 32, "2024-10-20", 7, libraries={"numpy": "2"}),
        {f.name: draw(f) for f in (figure, dots)},
    )


def test_sheet__plain_words_first_methods_and_provenance_last() -> None:
    made = sheet()
    kinds = [type(b) for b in made.blocks]
    assert kinds == [
        TextBlock,
        TextBlock,
        TextBlock,
        TableBlock,
        FigureBlock,
        TextBlock,
        FigureBlock,
        TextBlock,
        TextBlock,
    ]
    titles = [b.title for b in made.blocks]
    assert titles[:3] == ["In plain words", "What to do", "1. Losses & gains"]
    assert titles[-1] == "Methods"
    assert made.blocks[1].lines == ("1. Do this.", "2. Do that.")  # type: ignore[union-attr]
    assert made.blocks[3].rows[1] == ("kept", "–")  # type: ignore[union-attr]
    assert made.blocks[7].lines == ("Not made: temporal Ne: no generation length.",)  # type: ignore[union-attr]
    assert made.cautions[-1].startswith("This sheet is a planning aid")
    assert dict(made.provenance)["Records"].endswith("ab" * 32)


def test_sheet__renders_as_html_with_escaped_words_and_as_the_same_pdf_twice() -> None:
    made = sheet()
    html = sheet_html(made)
    assert "What changed &lt;b&gt;." in html
    assert 'aria-label="Bars &lt;of&gt; parents"' in html
    assert 'download="loss.csv"' in html
    data = re.search(r'download="loss.csv" href="data:text/csv;charset=utf-8;base64,([^"]+)"', html)
    assert data is not None
    assert base64.b64decode(data[1]).decode().splitlines()[2:] == [
        "bar,kept,31.0,31.0  (-19.0),50.0,,,",
        "rule,,,,,26.0,INF,31.6",
    ]
    day = dt.date(2024, 10, 20)
    pdf = sheet_pdf(made, day)
    assert pdf[:5] == b"%PDF-"
    assert pdf == sheet_pdf(made, day)
