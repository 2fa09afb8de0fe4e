"""Labels: every code is read back from the printed page, nothing overlaps or leaves its label, what does not fit is refused.

The reader is zxing-cpp, a general library for QR (ISO/IEC 18004) and Code 128 (ISO/IEC 15417).
"""

from __future__ import annotations

import datetime as dt
import itertools
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import segno

from broodstock.errors import UsageError
from planner.reports.html import sheet_html
from planner.reports.labels import INCH, Label, LabelSheet, LabelStock, code_of, label_of, labels_pdf
from planner.reports.pdf import sheet_pdf
from planner.reports.sheet import Sheet

DAY = dt.date(2025, 2, 14)
DPI = 300
ROLL = LabelStock(62, 29, 1, 1, 62, 29, 0, 0, 0, 0)
SMALL = LabelStock(210, 297, 4, 12, 48.5, 22.5, 8, 13, 0, 0, inset=1.5, text_least=5)
LARGE = LabelStock(210, 297, 2, 5, 99, 55, 5, 10, 2, 1, inset=3)
STOCKS = {
    "A4, QR": LabelStock(),
    "A4, bars": LabelStock(code="code-128"),
    "A4 with frames": LabelStock(frame=True),
    "roll": ROLL,
    "roll, bars": replace(ROLL, code="code-128"),
    "small": SMALL,
    "large": LARGE,
    "large, bars": replace(LARGE, code="code-128"),
}


def labels(number: int, long: bool = False, pairs: bool = False) -> tuple[Label, ...]:
    end = "-QUERN-LAGOON" if long else ""
    out = []
    for k in range(1, number + 1):
        female, male = f"F-{k:02d}{end}", f"M-{k + 7:03d}{end}"
        lines: tuple[str, ...] = (f"female {female}", f"male {male}", f"cell C-{k:02d}", "14 Feb 2025")
        if pairs:
            lines = (" · ".join(lines[:2]), " · ".join(lines[2:]))
        out.append(
            label_of(
                f"D250214-{k:02d}", lines, "dish", (f"{female} x {male}", "2025-02-14", "plan 0123456789 v1")
            )
        )
    return tuple(out)


def sheet(stock: LabelStock, number: int = 30, skip: int = 0) -> LabelSheet:
    return LabelSheet(
        "Labels for dishes",
        "practice",
        "0123456789",
        1,
        stock,
        labels(number, pairs=stock.code == "code-128"),
        skip,
    )


def pages(made: LabelSheet, folder: Path) -> list[np.ndarray]:
    if shutil.which("pdftoppm") is None:
        pytest.skip("pdftoppm (Debian's poppler-utils) is not installed")
    (folder / "l.pdf").write_bytes(labels_pdf(made, DAY))
    return seen_pages(folder)


def seen_pages(folder: Path) -> list[np.ndarray]:
    subprocess.run(["pdftoppm", "-r", str(DPI), "-gray", folder / "l.pdf", folder / "l"], check=True)
    out = []
    for file in sorted(folder.glob("l-*.pgm")):
        head, rest = file.read_bytes().split(b"255\n", 1)
        wide, high = (int(x) for x in head.split()[1:3])
        out.append(np.frombuffer(rest, dtype=np.uint8).reshape(high, wide))
    return out


@pytest.mark.parametrize("name", STOCKS)
def test_labels__every_code_is_read_back_at_its_own_label(name: str, tmp_path: Path) -> None:
    zxing = pytest.importorskip("zxingcpp")
    stock = STOCKS[name]
    made = sheet(stock, 4 if stock.per_page == 1 else 30)
    places = stock.places(len(made.labels))
    seen = pages(made, tmp_path)
    assert len(seen) == made.pages
    read: dict[str, tuple[int, float, float]] = {}
    for number, page in enumerate(seen):
        for found in zxing.read_barcodes(page):
            corners = [found.position.top_left, found.position.bottom_right]
            middle = [sum(getattr(c, way) for c in corners) / 2 * INCH / DPI for way in "xy"]
            assert found.text not in read
            read[found.text] = (number, *middle)
    texts = [x.name if stock.code == "code-128" else x.code for x in made.labels]
    assert sorted(read) == sorted(texts)
    for text, (page_number, left, top) in zip(texts, places, strict=True):
        where, x, y = read[text]
        assert where == page_number
        assert left < x < left + stock.width
        assert top < y < top + stock.height


@pytest.mark.parametrize("name", [n for n in STOCKS if "frames" not in n])
def test_labels__print_nothing_outside_their_white_edge(name: str, tmp_path: Path) -> None:
    stock = STOCKS[name]
    made = sheet(stock, 2 if stock.per_page == 1 else 30)
    places = stock.places(len(made.labels))
    for number, page in enumerate(pages(made, tmp_path)):
        dark = page < 128
        inside = np.zeros_like(dark)
        for k, (on, left, top) in enumerate(places):
            if on == number:
                x0, y0, x1, y1 = (
                    round(v * DPI / INCH)
                    for v in (
                        left + stock.inset,
                        top + stock.inset,
                        left + stock.width - stock.inset,
                        top + stock.height - stock.inset,
                    )
                )
                assert not inside[y0:y1, x0:x1].any(), "labels overlap"
                inside[y0 - 1 : y1 + 1, x0 - 1 : x1 + 1] = True
                assert dark[y0:y1, x0:x1].mean() > 0.02, f"label {k} is empty"
        assert not (dark & ~inside).any()


@pytest.mark.parametrize("name", STOCKS)
def test_places__stay_on_the_page_and_apart(name: str) -> None:
    stock = STOCKS[name]
    boxes = stock.places(2 * stock.per_page + 1, skip=stock.per_page - 1)
    assert boxes[0][0] == 0
    assert len({b[0] for b in boxes}) == 3
    for page, x, y in boxes:
        assert x >= 0
        assert x + stock.width <= stock.page_width + 0.01
        assert y + stock.height <= stock.page_height + 0.01
        assert 0 <= page <= 2
    for (p, x, y), (q, u, v) in itertools.combinations(boxes, 2):
        apart = abs(x - u) >= stock.width - 0.01 or abs(y - v) >= stock.height - 0.01
        assert p != q or apart


@pytest.mark.parametrize("code", ["qr", "code-128"])
def test_code__is_whole_dots_wide(code: str) -> None:
    stock = LabelStock(code=code)  # type: ignore[arg-type]
    drawn = code_of(labels(1)[0], stock)
    assert drawn is not None
    dots = drawn.width * stock.dots_per_inch / INCH
    assert dots == pytest.approx(round(dots), abs=1e-6)
    # Code 128: 10 letters with pairs of digits packed, 134 bars; QR: squares with 4 white ones on both sides.
    modules = 134 if code == "code-128" else int(segno.make_qr(labels(1)[0].code, error="m").symbol_size()[0])
    assert round(dots) % modules == 0
    assert round(dots) // modules >= 3


def test_pdf__same_labels_give_the_same_bytes_and_text_is_no_markup() -> None:
    made = sheet(LabelStock(), 3)
    assert labels_pdf(made, DAY) == labels_pdf(made, DAY)
    sly = replace(made, labels=(label_of('#panic("x")', ("*bold* $x$ @y", "<b>"), "dish"),))
    assert labels_pdf(sly, DAY).startswith(b"%PDF")
    assert "<b>" not in sheet_html(sly.as_list()).split("<main>")[1].split("Words")[1].split("<td")[3]


def test_list__names_every_label_once_in_order() -> None:
    made = sheet(LabelStock(), 30, skip=2)
    table = made.as_list().blocks[1]
    assert [r[1] for r in table.rows] == [x.name for x in made.labels]  # type: ignore[union-attr]
    assert dict(made.as_list().facts)["Pages"] == "2"


@pytest.mark.parametrize(
    ("stock", "words"),
    [
        (replace(ROLL, columns=2), r"setting label_columns: found 2 labels of 62 mm .* 124 mm together\. Expected at most the width of the page, 62 mm"),
        (LabelStock(rows=9), r"setting label_rows: found 9 labels of 33\.9 mm .* Expected at most the height of the page, 297 mm"),
        (replace(ROLL, inset=13), r"setting label_height: found 29 mm with a white edge of 13 mm .* Expected at least 4 mm"),
        (replace(ROLL, page_height=14, height=14), r"label D250214-01: found a label of 62 x 14 mm for a QR code of \d+ letters.* Expected a label at least [\d.]+ mm high"),
        (replace(ROLL, page_width=30, width=30, code="code-128"), r"label D250214-01: found 30 mm for a Code 128 of 154 bars.* Expected at least 38\.5 mm"),
        (replace(ROLL, page_height=16, height=16, code="code-128"), r"label D250214-01: found [\d.]+ mm of height for a Code 128\. Expected at least 6 mm"),
    ],
)  # fmt: skip
def test_stock__that_does_not_fit_is_refused(stock: LabelStock, words: str) -> None:
    with pytest.raises(UsageError, match=words):
        sheet(stock, 2)


def test_sheet__refuses_more_used_labels_than_a_page_holds() -> None:
    with pytest.raises(UsageError, match=r"skip: found 24\. Expected fewer than the 24 labels"):
        sheet(LabelStock(), 2, skip=24)


def test_code_128__refuses_letters_it_does_not_hold() -> None:
    with pytest.raises(UsageError, match=r"label Büschel-1: found a letter that Code 128 does not hold"):
        code_of(Label("Büschel-1", (), "x"), LabelStock(code="code-128"))


def test_qr__holds_letters_of_any_language(tmp_path: Path) -> None:
    zxing = pytest.importorskip("zxingcpp")
    made = replace(sheet(LabelStock(), 1), labels=(label_of("Büschel-1", ("żółw",), "dish", ("żółw x 魚",)),))
    assert [f.text for f in zxing.read_barcodes(pages(made, tmp_path)[0])] == ["dish Büschel-1 | żółw x 魚"]


def test_words__too_long_for_the_label_are_refused_with_the_size_they_would_need() -> None:
    wide = replace(sheet(SMALL, 1), labels=(replace(labels(1, long=True)[0], lines=("x" * 80,)),))
    with pytest.raises(
        UsageError,
        match=r"label D250214-01: found words that fit only at [\d.]+ pt .* Expected at least 5 pt.* larger label_width",
    ):
        labels_pdf(wide, DAY)  # fmt: skip
    tall = replace(sheet(SMALL, 1), labels=(replace(labels(1)[0], lines=("x",) * 20),))
    with pytest.raises(UsageError, match="larger label_height"):
        labels_pdf(tall, DAY)


def test_words__long_names_are_printed_on_labels_that_hold_them(tmp_path: Path) -> None:
    zxing = pytest.importorskip("zxingcpp")
    made = replace(sheet(LARGE, 1), labels=labels(10, long=True))
    read = {f.text for page in pages(made, tmp_path) for f in zxing.read_barcodes(page)}
    assert read == {x.code for x in made.labels}


def test_sheet__code_at_the_head_names_the_paper(tmp_path: Path) -> None:
    zxing = pytest.importorskip("zxingcpp")
    if shutil.which("pdftoppm") is None:
        pytest.skip("pdftoppm (Debian's poppler-utils) is not installed")
    head = Sheet(
        "Egg counts", "practice", "0123456789", 2, (), (), code="kinshoal eggs sheet | 0123456789 v2"
    )
    (tmp_path / "l.pdf").write_bytes(sheet_pdf(head, DAY))
    assert [f.text for f in zxing.read_barcodes(seen_pages(tmp_path)[0])] == [head.code]
    (tmp_path / "l.pdf").write_bytes(sheet_pdf(replace(head, code=""), DAY))
    assert not zxing.read_barcodes(seen_pages(tmp_path)[0])
    assert 'aria-label="kinshoal eggs sheet | 0123456789 v2"' in sheet_html(head)
