"""Draw a sheet as one HTML file that needs nothing else: fonts and styles inside, no script."""

from __future__ import annotations

import base64
from collections.abc import Iterable
from functools import cache
from html import escape
from importlib.resources import files

from planner.reports.codes import qr_svg
from planner.reports.sheet import Block, CheckBlock, FigureBlock, Sheet, TableBlock, TextBlock


@cache
def _style() -> str:
    assets = files("planner.reports") / "assets"
    css = (assets / "sheet.css").read_text(encoding="utf-8")
    for word, name in (("@REGULAR@", "Regular"), ("@BOLD@", "Bold")):
        font = (assets / f"AtkinsonHyperlegible-{name}.woff2").read_bytes()
        css = css.replace(word, base64.b64encode(font).decode())
    return css


def sheet_html(sheet: Sheet) -> str:
    """Return the sheet as one HTML document; all text is escaped.

    Parameters
    ----------
    sheet : Sheet
        What to draw.
    """
    e = escape
    parts = [
        f'<!doctype html><html lang="{e(sheet.language)}"><head><meta charset="utf-8">',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        f"<title>{e(sheet.title)}, version {sheet.version}</title><style>{_style()}</style></head><body>",
        f"<header><div><h1>{e(sheet.title)}</h1><p>{e(sheet.subtitle)}</p></div>",
        f'<div class="mark">{_code(sheet.code)}version <b>{sheet.version}</b><br>mark <b>{e(sheet.mark)}</b></div>',
        "</header><main>",
        _facts(sheet.facts),
        *(_block(b) for b in sheet.blocks),
    ]
    if sheet.cautions:
        items = "".join(f"<li>{e(c)}</li>" for c in sheet.cautions)
        parts.append(f'<section class="cautions"><h2>Usual cautions</h2><ul>{items}</ul></section>')
    if sheet.provenance:
        lines = "".join(f"<p><b>{e(k)}</b>: {e(v)}</p>" for k, v in sheet.provenance)
        parts.append(f'<section class="provenance" aria-label="How this was made">{lines}</section>')
    parts.append("</main></body></html>\n")
    return "".join(parts)


def _code(text: str) -> str:
    """Return the QR code at the head as an SVG that a screen reader names."""
    if not text:
        return ""
    svg = qr_svg(text).decode()
    return svg.replace(
        "<svg ", f'<svg role="img" aria-label="{escape(text, quote=True)}" width="76" height="76" ', 1
    )


def _facts(facts: Iterable[tuple[str, str]]) -> str:
    items = "".join(f"<div><dt>{escape(k)}</dt><dd>{escape(v)}</dd></div>" for k, v in facts)
    return f'<dl class="facts">{items}</dl>' if items else ""


def _heading(title: str) -> str:
    return f"<h2>{escape(title)}</h2>" if title else ""


def _block(block: Block) -> str:
    if isinstance(block, TableBlock):
        return _table(block)
    if isinstance(block, TextBlock):
        lines = "".join(f"<p>{escape(line)}</p>" for line in block.lines)
        kind = ' class="boxed"' if block.boxed else ""
        return f"<section{kind}>{_heading(block.title)}{lines}</section>"
    if isinstance(block, CheckBlock):
        items = "".join(f"<li>{escape(i)}</li>" for i in block.items)
        return f'<section>{_heading(block.title)}<ul class="check">{items}</ul></section>'
    return _figure(block)


def _figure(block: FigureBlock) -> str:
    words = escape(block.caption) + _data_link(block)
    caption = f"<figcaption>{words}</figcaption>" if words else ""
    svg = block.svg.replace("<svg ", f'<svg role="img" aria-label="{escape(block.alt, quote=True)}" ', 1)
    return f"<section>{_heading(block.title)}<figure>{svg}{caption}</figure></section>"


def _data_link(block: FigureBlock) -> str:
    """Return a link that saves the table of a figure; the table is inside the page."""
    if not block.csv:
        return ""
    data = base64.b64encode(block.csv.encode()).decode()
    return (
        f' <a class="data" download="{escape(block.file, quote=True)}" href="data:text/csv;charset=utf-8;base64,{data}">'
        f"Data of this figure ({escape(block.file)})</a>"
    )


def _row_style(block: TableBlock) -> str:
    return f' style="--row:{block.row_mm:g}mm"' if block.row_mm else ""


def _table(block: TableBlock) -> str:
    head = "".join(
        f'<th scope="col" class="{c.align}" style="width:{100 * c.width / sum(k.width for k in block.columns):.1f}%">'
        f"{escape(c.label)}</th>"
        for c in block.columns
    )
    body = "".join(
        "<tr>"
        + "".join(
            f'<td class="{c.align}{" blank" if c.blank else ""}">{escape(cell)}</td>'
            for c, cell in zip(block.columns, row, strict=True)
        )
        + "</tr>"
        for row in block.rows
    )
    table = (
        f'<div class="scroll"><table{" class=small" if block.small else ""}{_row_style(block)}><thead><tr>{head}</tr></thead>'
        f"<tbody>{body}</tbody></table></div>"
        if block.rows
        else ""
    )
    note = f"<p>{escape(block.note)}</p>" if block.note else ""
    kind = ' class="strip"' if block.keep_together else ""
    return f"<section{kind}>{_heading(block.title)}{_facts(block.facts)}{table}{note}</section>"
