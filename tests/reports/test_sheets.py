"""Sheets and figures: same content in HTML and PDF, nothing injected, nothing fetched, looked at as pictures."""

from __future__ import annotations

import datetime as dt
import json
import re
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from broodstock.errors import ShapeError, ValueRangeError
from planner.provenance import Provenance, canonical_json, fingerprint_of
from planner.reports.cautions import CAUTIONS, CLOSING, cautions_for
from planner.reports.figures import (
    diversity_trend,
    family_by_site,
    figure_svg,
    kinship_heat_map,
    write_figure,
)
from planner.reports.heat_figure import HeatMap
from planner.reports.html import sheet_html
from planner.reports.pdf import sheet_pdf
from planner.reports.sheet import CheckBlock, ColumnSpec, FigureBlock, Sheet, TableBlock, TextBlock

DAY = dt.date(2025, 2, 14)


def sheet(name: str = "F-07", version: int = 3) -> Sheet:
    return Sheet(
        "Spawning sheet",
        "practice",
        "0123456789",
        version,
        (("Crosses", "72"),),
        (
            TableBlock(
                f"Female {name}",
                (ColumnSpec("Male"), ColumnSpec("Kinship", align="right"), ColumnSpec("Time", blank=True)),
                (("M-01", "0.012", ""), ("M-02", "0.000", "")),
                facts=(("Tank", "B-03"),),
                keep_together=True,
            ),
            TextBlock("Why", ("least kinship",), boxed=True),
            CheckBlock("Before anyone goes home", ("Dishes counted",)),
            FigureBlock(
                "Picture",
                "<svg xmlns='http://www.w3.org/2000/svg' width='9' height='9'></svg>".replace(
                    "<svg ", "<svg "
                ),
                "a square",
            ),
        ),
        cautions_for(("names",)),
        (("Seed", "1"),),
    )


def test_html__escapes_text_from_records() -> None:
    html = sheet_html(sheet("<script>alert(1)</script>&"))
    assert "<script>" not in html
    assert "&lt;script&gt;alert(1)&lt;/script&gt;&amp;" in html


def test_html__fetches_nothing() -> None:
    html = re.sub(r"data:font/woff2;base64,[A-Za-z0-9+/=]+", "", sheet_html(sheet()))
    assert not re.search(r"(src|href)\s*=|url\((?!\))", html.replace("url()", ""))
    assert "<script" not in html


def test_html_and_pdf__show_the_same_words(tmp_path: Path) -> None:
    if shutil.which("pdftotext") is None:
        pytest.skip("pdftotext (Debian's poppler-utils) is not installed")
    path = tmp_path / "sheet.pdf"
    path.write_bytes(sheet_pdf(sheet(), DAY))
    text = subprocess.run(
        ["pdftotext", "-layout", path, "-"], capture_output=True, text=True, check=True
    ).stdout
    html = sheet_html(sheet())
    for words in (
        "Female F-07",
        "M-01",
        "0.012",
        "B-03",
        "Dishes counted",
        "least kinship",
        "0123456789",
        CLOSING,
    ):
        assert words in html
        assert " ".join(words.split()) in " ".join(text.split()), words


def test_pdf__same_sheet_gives_the_same_bytes_and_user_text_is_no_markup() -> None:
    assert sheet_pdf(sheet(), DAY) == sheet_pdf(sheet(), DAY)
    assert sheet_pdf(sheet('#panic("x") *bold* $x$ @y'), DAY).startswith(b"%PDF")


def test_pdf__prints_ink_on_the_page(tmp_path: Path) -> None:
    if shutil.which("pdftoppm") is None:
        pytest.skip("pdftoppm (Debian's poppler-utils) is not installed")
    (tmp_path / "s.pdf").write_bytes(sheet_pdf(sheet(), DAY))
    subprocess.run(["pdftoppm", "-r", "40", "-gray", tmp_path / "s.pdf", tmp_path / "s"], check=True)
    page = next(tmp_path.glob("s*.pgm")).read_bytes()
    pixels = np.frombuffer(page[-331 * 468 :], dtype=np.uint8)
    dark = (pixels < 128).mean()
    assert 0.005 < dark < 0.3


def test_table_block__refuses_a_row_of_another_length() -> None:
    with pytest.raises(ValueError, match=r"found 1 cells\. Expected 2"):
        TableBlock("x", (ColumnSpec("a"), ColumnSpec("b")), (("only one",),))


def test_cautions__end_with_the_closing_line_and_give_no_dose() -> None:
    everything = cautions_for(CAUTIONS)
    assert everything[-1] == CLOSING
    assert not re.search(r"\d\s*(mg|ml|mL|g/kg|ppm|IU|µg|%)", " ".join(everything))
    with pytest.raises(KeyError):
        cautions_for(["juggling"])


def test_provenance__mark_changes_with_what_matters_only() -> None:
    base = Provenance("plan", "ab" * 32, "2024-10-20", 1, {"gap": 0.001}, 1)
    assert base.mark == Provenance("plan", "ab" * 32, "2024-10-21", 1, {"gap": 0.001}, 1).mark
    changed = [
        Provenance("plan", "cd" * 32, "2024-10-20", 1, {"gap": 0.001}, 1),
        Provenance("plan", "ab" * 32, "2024-10-20", 2, {"gap": 0.001}, 1),
        Provenance("plan", "ab" * 32, "2024-10-20", 1, {"gap": 0.002}, 1),
        Provenance("plan", "ab" * 32, "2024-10-20", 1, {"gap": 0.001}, 2),
    ]
    assert len({base.mark, *(p.mark for p in changed)}) == 5


def test_canonical_json__order_does_not_matter_and_nan_is_refused() -> None:
    assert fingerprint_of({"a": 1, "b": [2, 3]}) == fingerprint_of({"b": [2, 3], "a": 1})
    with pytest.raises(ValueError, match="not JSON compliant"):
        canonical_json({"x": float("nan")})


def test_kinship_heat_map__draws_names_and_refuses_bad_shapes(tmp_path: Path) -> None:
    kinship = np.array([[0.5, 0.25], [0.25, 0.5]])
    svg = figure_svg(kinship_heat_map(kinship, ["F-01", 'M-"2"'], "Kinship"))
    assert "F-01" in svg
    files = write_figure(
        kinship_heat_map(kinship, ["F-01", "M-02"], "Kinship"), tmp_path / "map", ("png", "html")
    )
    still = HeatMap(kinship, ("F-01", 'M-"<2>"'), "Kinship")
    assert "M-&quot;&lt;2&gt;&quot;" in still.svg()
    drawn = write_figure(still, tmp_path / "still", ("svg", "png", "data"))
    assert pd.read_csv(drawn[2])["kinship"].tolist() == [0.5, 0.25, 0.5]
    schema = json.loads(drawn[3].read_text(encoding="utf-8"))["schema"]
    assert [f["type"] for f in schema["fields"]] == ["string", "string", "number"]
    assert files[0].read_bytes().startswith(b"\x89PNG")
    assert "cdn" not in re.sub(r"[\w/+]{200,}", "", files[1].read_text(encoding="utf-8")[:3000])
    with pytest.raises(ShapeError, match="found shape"):
        kinship_heat_map(kinship, ["F-01"], "Kinship")
    with pytest.raises(ValueRangeError, match="at most 400"):
        kinship_heat_map(np.zeros((401, 401)), [str(i) for i in range(401)], "Kinship")


def test_trend_and_family_figures__refuse_empty_tables() -> None:
    with pytest.raises(ValueRangeError, match="no rows"):
        diversity_trend(pd.DataFrame(), "He")
    with pytest.raises(ValueRangeError, match="no rows"):
        family_by_site(pd.DataFrame(), "x")


def test_trend_figure__prints_sample_sizes() -> None:
    table = pd.DataFrame(
        {
            "year_class": [2020, 2021],
            "line": ["wild", "wild"],
            "value": [0.3, 0.31],
            "low": [0.29, 0.3],
            "high": [0.31, 0.32],
            "n": [117, 93],
        }
    )
    svg = figure_svg(diversity_trend(table, "expected heterozygosity", limit=0.28))
    assert ">117<" in svg
    assert ">93<" in svg
