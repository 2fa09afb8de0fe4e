"""Draw a sheet as PDF with typst: fonts and template from the package, nothing from the machine."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Mapping
from importlib.resources import as_file, files
from typing import Any

from planner.reports.codes import qr_svg
from planner.reports.sheet import Sheet


def sheet_pdf(sheet: Sheet, dated: dt.date) -> bytes:
    """Return the sheet as PDF bytes; the same sheet and date give the same bytes.

    Parameters
    ----------
    sheet : Sheet
        What to draw.
    dated : datetime.date
        Date written into the document (the programme's date, not the machine's clock).

    Returns
    -------
    bytes
        A tagged A4 PDF.
    """
    values = sheet.as_dict()
    sources: dict[str, bytes] = {}
    for number, block in enumerate(values["blocks"]):
        if block["kind"] == "figure":
            block["file"] = f"figure-{number}.svg"
            sources[block["file"]] = block.pop("svg").encode()
            del block["csv"]
    if sheet.code:
        sources["code.svg"] = qr_svg(sheet.code)
    return drawn_pdf("sheet.typ", values, sources, dated)


def drawn_pdf(
    template: str, values: Mapping[str, Any], sources: Mapping[str, bytes], dated: dt.date
) -> bytes:
    """Return what a template of the package draws from plain values, as PDF bytes.

    Parameters
    ----------
    template : str
        Name of its file in ``planner/reports/assets``.
    values : mapping
        Plain values, handed over as data, never as markup.
    sources : mapping of str to bytes
        Pictures by the name the values give them.
    dated : datetime.date
        As `sheet_pdf`.
    """
    import typst

    assets = files("planner.reports") / "assets"
    with as_file(assets) as folder:
        pdf: bytes = typst.compile(  # type: ignore[call-overload]
            {"main": (assets / template).read_bytes(), **sources},
            sys_inputs={"data": json.dumps(values)},
            font_paths=[str(folder)],
            ignore_system_fonts=True,
            timestamp=dt.datetime.combine(dated, dt.time(12), dt.UTC),
        )
    return pdf
