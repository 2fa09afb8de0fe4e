"""Files sent to a browser: shown where that is safe, and tables without cells that a spreadsheet would run."""

from __future__ import annotations

import csv
import io
import re
from pathlib import Path

from fastapi.responses import FileResponse, Response

SHOWN = (".pdf", ".svg")
NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?%?")
RUNS = ("=", "+", "-", "@", "\t", "\r", "\n")
"""First signs of a cell that a spreadsheet takes for a formula (common practice, from memory)."""


def safe_cell(text: str) -> str:
    """Return a cell as it is, with an apostrophe in front when a spreadsheet would run it as a formula."""
    if not text.startswith(RUNS) or NUMBER.fullmatch(text):
        return text
    return text if text == "-" else f"'{text}"


def safe_table(text: str) -> str:
    """Return the text of a CSV file with every cell made safe; a file without such a cell comes back unchanged."""
    rows = list(csv.reader(io.StringIO(text, newline="")))
    safe = [[safe_cell(c) for c in row] for row in rows]
    if safe == rows:
        return text
    out = io.StringIO(newline="")
    csv.writer(out, lineterminator="\n").writerows(safe)
    return out.getvalue()


def download(path: Path, name: str) -> Response:
    """Send a file: sheets and pictures are shown, everything else is saved; tables are made safe for spreadsheets.

    Parameters
    ----------
    path : Path
        A file that may be sent; see `planner.web.desk.safe_file`.
    name : str
        Name it is saved under.
    """
    kind = "inline" if path.suffix in SHOWN else "attachment"
    if path.suffix != ".csv":
        return FileResponse(path, filename=name, content_disposition_type=kind)
    made = FileResponse(path, filename=name, content_disposition_type=kind).headers["content-disposition"]
    text = safe_table(path.read_text(encoding="utf-8"))
    return Response(text, media_type="text/csv; charset=utf-8", headers={"Content-Disposition": made})
