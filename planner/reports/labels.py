"""Labels as plain values and as PDF: words for the eye, a code for the scanner, exact places on the page.

Bars and squares are never stretched: each is a whole number of dots of the printer wide (ISO/IEC 18004 for QR,
ISO/IEC 15417 for Code 128). A label on which words or code do not fit is refused before anything is printed.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any, Literal

from broodstock.errors import UsageError
from planner.reports.codes import QUIET, qr_squares, qr_svg
from planner.reports.pdf import drawn_pdf
from planner.reports.sheet import CheckBlock, ColumnSpec, Sheet, TableBlock, TextBlock

CodeKind = Literal["qr", "code-128", "none"]
INCH = 25.4
BARS_QUIET = 10
LEAST_SQUARE, MOST_SQUARE = 0.33, 0.6
LEAST_BAR, MOST_BAR = 0.25, 0.4
"""Narrowest and widest square or bar in mm; narrower ones were not read back reliably at 300 dots per inch."""
LEAST_BARS_HEIGHT = 6.0


@dataclass(frozen=True)
class Label:
    """One label.

    Parameters
    ----------
    name : str
        What it names, in the largest type; also what Code 128 holds.
    lines : tuple of str
        Words under the name.
    code : str
        Plain text in the QR code.
    foot : str
        Smallest line; empty: mark and version of the label sheet.
    """

    name: str
    lines: tuple[str, ...]
    code: str
    foot: str = ""


@dataclass(frozen=True)
class LabelStock:
    """Where labels lie on a page, in mm, and how they are drawn.

    Parameters
    ----------
    page_width, page_height : float
        Page; of a roll the size of one label.
    columns, rows : int
        Labels across and down.
    width, height : float
        One label.
    margin_left, margin_top, gap_across, gap_down : float
        To the first label, and between labels.
    inset : float
        White edge of a label.
    text_least : float
        Smallest type, pt.
    dots_per_inch : int
        Of the printer.
    code : {'qr', 'code-128', 'none'}
        Code.
    frame : bool
        Draw a line around each label, to cut along.
    """

    page_width: float = 210
    page_height: float = 297
    columns: int = 3
    rows: int = 8
    width: float = 64
    height: float = 33.9
    margin_left: float = 6.5
    margin_top: float = 12.9
    gap_across: float = 2.5
    gap_down: float = 0
    inset: float = 1.8
    text_least: float = 7
    dots_per_inch: int = 300
    code: CodeKind = "qr"
    frame: bool = False

    def check(self) -> None:
        """Refuse labels that would leave the page or have no room inside.

        Raises
        ------
        UsageError
            With the setting, what it comes to and what there is room for.
        """
        for way, number, size, gap, margin, page in (
            ("width", self.columns, self.width, self.gap_across, self.margin_left, self.page_width),
            ("height", self.rows, self.height, self.gap_down, self.margin_top, self.page_height),
        ):
            need = margin + number * size + (number - 1) * gap
            if need > page + 0.01:
                count = "label_columns" if way == "width" else "label_rows"
                raise UsageError(
                    f"setting {count}: found {number} labels of {size:g} mm with margin {margin:g} mm and gaps of "
                    f"{gap:g} mm, {need:g} mm together. Expected at most the {way} of the page, {page:g} mm. "
                    f"Correct label_{way}, label_page_{way}, {count}, the margin or the gap."
                )
            if size - 2 * self.inset < 4:
                raise UsageError(
                    f"setting label_{way}: found {size:g} mm with a white edge of {self.inset:g} mm on both sides. "
                    f"Expected at least 4 mm between the edges. Choose larger labels or a smaller label_inset."
                )

    @property
    def per_page(self) -> int:
        """Labels on one page."""
        return self.columns * self.rows

    def places(self, number: int, skip: int = 0) -> list[tuple[int, float, float]]:
        """Return page, left and top in mm of each label, row by row, after the labels already used."""
        out = []
        for k in range(skip, skip + number):
            page, place = divmod(k, self.per_page)
            row, column = divmod(place, self.columns)
            left = self.margin_left + column * (self.width + self.gap_across)
            out.append((page, left, self.margin_top + row * (self.height + self.gap_down)))
        return out

    def dots(self, modules: int, room: float, least: float, most: float) -> float:
        """Return the width of one bar or square in mm, whole dots; 0 when the narrowest does not fit."""
        dot = INCH / self.dots_per_inch
        wide = int(min(room / modules, most) / dot + 1e-9)
        return wide * dot if wide * dot >= least - 1e-9 else 0.0


@dataclass(frozen=True)
class LabelSheet:
    """Labels to print in one go.

    Parameters
    ----------
    title, subtitle : str
        Of the list that goes with them.
    mark : str
        Mark of this printing, in the foot of labels that have no foot of their own.
    version : int
        Version; a newer one voids the older labels.
    stock : LabelStock
        Pages.
    labels : tuple of Label
        In the order of the walk.
    skip : int
        Labels of the first page that are used already.
    provenance : tuple of (str, str)
        Label and value pairs at the end of the list.
    note : str
        What the labels were made from.
    """

    title: str
    subtitle: str
    mark: str
    version: int
    stock: LabelStock
    labels: tuple[Label, ...]
    skip: int = 0
    provenance: tuple[tuple[str, str], ...] = ()
    note: str = ""

    def __post_init__(self) -> None:
        self.stock.check()
        if self.skip >= self.stock.per_page:
            raise UsageError(
                f"skip: found {self.skip}. Expected fewer than the {self.stock.per_page} labels of a page."
            )
        for label in self.labels:
            code_of(label, self.stock)

    @property
    def pages(self) -> int:
        """Pages with labels."""
        return -(-(self.skip + len(self.labels)) // self.stock.per_page)

    def as_dict(self) -> dict[str, Any]:
        """Return plain values."""
        return asdict(self)

    def as_list(self) -> Sheet:
        """Return the list that goes with the labels, to tick off what was stuck on."""
        s = self.stock
        rows = tuple(
            (str(k), x.name, " · ".join(x.lines), x.name if s.code == "code-128" else x.code, "")
            for k, x in enumerate(self.labels, start=1)
        )
        how = TextBlock(
            "How to print",
            (
                f"Print at actual size, never 'fit to page', at {s.dots_per_inch} dots per inch. Print one page first, hold "
                "it against the labels and read one code with your scanner.",
                "A newer version voids labels of an older one: take the old ones off before the new ones go on.",
            ),
            boxed=True,
        )
        table = TableBlock(
            "Labels",
            (
                ColumnSpec("No.", 0.4, "right"),
                ColumnSpec("Name", 1.2),
                ColumnSpec("Words", 3),
                ColumnSpec("Code holds", 3),
                ColumnSpec("Stuck on", 0.6, blank=True),
            ),
            rows,
            small=True,
            note=self.note,
        )
        facts = (
            ("Labels", str(len(self.labels))),
            ("Pages", str(self.pages)),
            (
                "Stock",
                f"{s.columns} x {s.rows} labels of {s.width:g} x {s.height:g} mm on {s.page_width:g} x {s.page_height:g} mm",
            ),
            ("Code", {"qr": "QR", "code-128": "Code 128", "none": "none"}[s.code]),
        )
        end = CheckBlock(
            "When the labels are on",
            (
                f"Labels stuck on: ________ of {len(self.labels)}",
                "Labels left over are torn up, so that nothing is named twice",
            ),
        )
        return Sheet(
            self.title,
            self.subtitle,
            self.mark,
            self.version,
            facts,
            (how, table, end),
            (),
            self.provenance,
        )


@dataclass(frozen=True)
class Code:
    """A code as SVG with its size in mm, and for QR how far its white edge stands from the left edge of the label."""

    svg: bytes
    width: float
    height: float
    left: float = 0.0


def code_of(label: Label, stock: LabelStock) -> Code | None:
    """Draw the code of a label at its natural size; None when labels carry no code.

    Raises
    ------
    UsageError
        If it does not fit, or Code 128 cannot hold the name.
    """
    if stock.code == "none":
        return None
    return _qr(label, stock) if stock.code == "qr" else _bars(label, stock)


def _qr(label: Label, stock: LabelStock) -> Code:
    squares = qr_squares(label.code)
    modules = squares + 2 * QUIET
    # The squares stay inside the white edge of the label; the code's own white edge may lie on it.
    inside = min(stock.height - 2 * stock.inset, (stock.width - 2 * stock.inset) / 2)
    least = LEAST_SQUARE
    side = min(
        stock.dots(squares, inside, least, MOST_SQUARE),
        stock.dots(modules, min(stock.height, stock.width), least, MOST_SQUARE),
    )
    if not side:
        need = max(squares * least + 2 * stock.inset, modules * least)
        raise UsageError(
            f"label {label.name}: found a label of {stock.width:g} x {stock.height:g} mm for a QR code of "
            f"{len(label.code)} letters, {modules} x {modules} squares with its white edge. Expected a label at least "
            f"{need:.1f} mm high and {2 * need:.1f} mm wide, so that a square is {least} mm. Choose larger labels "
            "(label_height, label_width), or set label_code to none or code-128."
        )
    return Code(qr_svg(label.code), modules * side, modules * side, max(0.0, stock.inset - QUIET * side))


def _bars(label: Label, stock: LabelStock) -> Code:
    import barcode

    if not label.name.isascii() or not label.name.isprintable():
        raise UsageError(
            f"label {label.name}: found a letter that Code 128 does not hold. Expected plain letters, digits and signs "
            "(ASCII). Set label_code to qr, which holds every letter."
        )
    bars: str = barcode.Code128(label.name).build()[0]
    modules = len(bars) + 2 * BARS_QUIET
    bar = stock.dots(modules, stock.width, LEAST_BAR, MOST_BAR)
    if not bar:
        raise UsageError(
            f"label {label.name}: found {stock.width:g} mm for a Code 128 of {modules} bars with its white edges. "
            f"Expected at least {modules * LEAST_BAR:.1f} mm, so that a bar is {LEAST_BAR} mm. Choose wider labels "
            "(label_width) or shorter names, or set label_code to qr or none."
        )
    height = min(12.0, (stock.height - 2 * stock.inset) * 0.4)
    if height < LEAST_BARS_HEIGHT:
        raise UsageError(
            f"label {label.name}: found {height:.1f} mm of height for a Code 128. Expected at least "
            f"{LEAST_BARS_HEIGHT:g} mm. Choose higher labels (label_height), or set label_code to qr or none."
        )
    x, rects = 0, []
    for run in re.finditer("1+|0+", bars):
        n = len(run.group())
        if run.group()[0] == "1":
            rects.append(f'<rect x="{x * bar:.4f}" y="0" width="{n * bar:.4f}" height="{height:.4f}"/>')
        x += n
    view = f'viewBox="0 0 {x * bar:.4f} {height:.4f}"'
    svg = f'<svg xmlns="http://www.w3.org/2000/svg" {view}>' + "".join(rects) + "</svg>"
    return Code(svg.encode(), x * bar, height)


def labels_pdf(sheet: LabelSheet, dated: dt.date) -> bytes:
    """Return the labels as PDF bytes; the same labels and date give the same bytes.

    Raises
    ------
    UsageError
        If the words of a label do not fit at the smallest type of the stock.
    """
    stock = sheet.stock
    foot = f"{sheet.mark} v{sheet.version}" if sheet.mark else ""
    sources: dict[str, bytes] = {}
    values: list[dict[str, Any]] = []
    drawn: dict[str, str] = {}
    for label, (page, x, y) in zip(sheet.labels, stock.places(len(sheet.labels), sheet.skip), strict=True):
        code = code_of(label, stock)
        item: dict[str, Any] = {
            "name": label.name, "lines": label.lines, "foot": label.foot or foot, "page": page, "x": x, "y": y
        }  # fmt: skip
        if code is not None:
            text = label.name if stock.code == "code-128" else label.code
            if text not in drawn:
                drawn[text] = f"code-{len(drawn)}.svg"
                sources[drawn[text]] = code.svg
            item |= {"file": drawn[text], "says": text, "across": code.width, "down": code.height}
            item["left"] = code.left - stock.inset
        values.append(item)
    data = {"title": sheet.title, "stock": asdict(stock), "pages": sheet.pages, "labels": values}
    try:
        return drawn_pdf("labels.typ", data, sources, dated)
    except Exception as error:
        raise _refused(error, sheet) from error


def _refused(error: Exception, sheet: LabelSheet) -> Exception:
    """Turn the template's own refusal into words; everything else stays as it is."""
    found = re.search(r"words-do-not-fit:(\d+):([\d.]+):([a-z]+)", str(error))
    if not found:
        return error
    label, size = sheet.labels[int(found.group(1))], float(found.group(2))
    longest = max((label.name, *label.lines), key=len)
    return UsageError(
        f"label {label.name}: found words that fit only at {size:.1f} pt ({longest!r}, label of "
        f"{sheet.stock.width:g} x {sheet.stock.height:g} mm). Expected at least {sheet.stock.text_least:g} pt, which an "
        f"eye reads wet. Choose a larger label_{found.group(3)} or shorter names, or set label_code to none."
    )


def label_of(name: str, lines: Sequence[str], kind: str, more: Sequence[str] = (), foot: str = "") -> Label:
    """Return a label whose code says by itself what it is: ``kind name | more | more``."""
    return Label(
        name, tuple(x for x in lines if x), " | ".join((f"{kind} {name}", *(m for m in more if m))), foot
    )
