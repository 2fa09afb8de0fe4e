"""Draw a sheet as PDF with typst: fonts and template from the package, nothing from the machine."""

from __future__ import annotations

import datetime as dt
import json
from importlib.resources import as_file, files

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
    import typst

    values = sheet.as_dict()
    assets = files("planner.reports") / "assets"
    sources: dict[str, bytes] = {"main": (assets / "sheet.typ").read_bytes()}
    for number, block in enumerate(values["blocks"]):
        if block["kind"] == "figure":
            block["file"] = f"figure-{number}.svg"
            sources[block["file"]] = block.pop("svg").encode()
            del block["csv"]
    if sheet.code:
        sources["code.svg"] = qr_svg(sheet.code)
    when = dt.datetime.combine(dated, dt.time(12), dt.UTC)
    with as_file(assets) as folder:
        pdf: bytes = typst.compile(  # type: ignore[call-overload]
            sources,
            sys_inputs={"data": json.dumps(values)},
            font_paths=[str(folder)],
            ignore_system_fonts=True,
            timestamp=when,
        )
    return pdf
