"""Sheets of an XLSX workbook to cells of text, with the kinds that the spreadsheet gave them."""

from __future__ import annotations

import datetime as dt
import re
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar
from xml.etree import ElementTree

import numpy as np

from broodstock.findings import Findings, Place
from broodstock.intake.raw_table import RawTable

T = TypeVar("T")
_MAIN = "{http://schemas.openxmlformats.org/spreadsheetml/2006/main}"
_REL = "{http://schemas.openxmlformats.org/officeDocument/2006/relationships}"
_PACKAGE = "{http://schemas.openxmlformats.org/package/2006/relationships}"


def sheet_names(path: Path, findings: Findings) -> tuple[str, ...]:
    """Return the names of the sheets of a workbook; none, with a finding, when it cannot be opened."""
    book = _opened(path, findings, lambda b: tuple(b.sheet_names))
    return book or ()


def read_sheet(path: Path, name: str, findings: Findings) -> RawTable:
    """Read one sheet of a workbook.

    Parameters
    ----------
    path : Path
        An XLSX file.
    name : str
        Name of the table; the sheet of that name is read, or the only sheet there is.
    findings : Findings
        Receives a finding when the file cannot be opened or has no such sheet.

    Returns
    -------
    RawTable
        Empty when nothing could be read.
    """
    names = sheet_names(path, findings)
    if not names:
        return RawTable(path.name)
    if name not in names and len(names) > 1:
        findings.add(
            "sheet-missing",
            Place(path.name),
            f"sheets {', '.join(map(repr, names))}",
            f"a sheet '{name}'",
            "Rename the sheet that holds the table.",
        )
        return RawTable(path.name)
    chosen = name if name in names else names[0]

    def work(book: Any) -> tuple[list[list[Any]], dict[tuple[int, int], str]]:
        cells = book.get_sheet_by_name(chosen).to_python(skip_empty_area=False)
        return cells, _lost_cells(path, chosen)

    read = _opened(path, findings, work)
    return _sheet(f"{path.name}[{chosen}]", *read, findings) if read else RawTable(path.name)


def _opened(path: Path, findings: Findings, work: Callable[[Any], T]) -> T | None:
    """Open a workbook and do some work with it; None, with a finding, when that fails."""
    import python_calamine

    if not path.is_file():
        findings.add(
            "file-missing", Place(path.name), "no such file", "a workbook", f"Check the folder {path.parent}."
        )
        return None
    try:
        with python_calamine.CalamineWorkbook.from_path(str(path)) as book:
            return work(book)
    except BaseException as e:
        # The reader raises many kinds for a damaged file, a panic of its own among them.
        if not isinstance(e, Exception) and type(e).__name__ != "PanicException":
            raise
        findings.add(
            "workbook-broken",
            Place(path.name),
            f"a file that cannot be opened as a workbook ({type(e).__name__})",
            "an XLSX workbook without password",
            "Open it in a spreadsheet program and save it again as XLSX.",
        )
        return None


def _sheet(
    file: str, cells: list[list[Any]], lost: dict[tuple[int, int], str], findings: Findings
) -> RawTable:
    """Turn the typed cells of one sheet into text and kinds."""
    table = RawTable(file)
    for (row, column), text in lost.items():
        if row < len(cells) and column < len(cells[row]) and cells[row][column] == "":
            cells[row][column] = text
    header_at = next((i for i, r in enumerate(cells) if any(_text(c)[0].strip() for c in r)), None)
    if header_at is None:
        findings.add(
            "file-empty",
            Place(file),
            "an empty sheet",
            "a header row and records",
            "Fill the sheet, or delete it.",
        )
        return table
    header = [_text(c)[0].strip() for c in cells[header_at]]
    while header and not header[-1]:
        header.pop()
    table.header = header
    body = cells[header_at + 1 :]
    texts = [[_text(c) for c in r] for r in body]
    keep = [i for i, r in enumerate(texts) if any(t.strip() for t, _ in r)]
    table.rows = np.array([header_at + 2 + i for i in keep], dtype=np.int64)
    beyond = [i for i in keep if any(t.strip() for t, _ in texts[i][len(header) :])]
    for i in beyond[:20]:
        findings.add(
            "ragged-row",
            Place(file, header_at + 2 + i),
            "a cell beyond the last header",
            f"{len(header)} columns, as in the header",
            "Give the column a header or move the cell.",
        )
    for j in range(len(header)):
        table.columns.append([texts[i][j][0] for i in keep])
        kinds = np.array([texts[i][j][1] for i in keep], dtype=object)
        if any(kinds):
            table.typed[j] = kinds
    inside = keep[-1] + 1 - len(keep) if keep else 0
    if inside:
        findings.add(
            "blank-row",
            Place(file),
            f"{inside} blank row(s)",
            "no blank rows between records",
            "They were passed over. Check that no record was lost there.",
            "note",
        )
    return table


def _text(cell: Any) -> tuple[str, str]:
    """Return a cell as text and the kind that the spreadsheet gave it, empty for text."""
    if isinstance(cell, str):
        return cell, ""
    if isinstance(cell, bool):
        return ("yes" if cell else "no"), "flag"
    if isinstance(cell, int):
        return str(cell), "number"
    if isinstance(cell, float):
        if cell.is_integer() and abs(cell) < 1e15:
            return str(int(cell)), "number"
        return repr(cell), "number"
    if isinstance(cell, dt.datetime):
        return cell.isoformat(sep="T", timespec="auto"), "date"
    if isinstance(cell, dt.date):
        return cell.isoformat(), "date"
    if isinstance(cell, dt.time):
        return cell.isoformat(timespec="auto"), "time"
    return str(cell), "other"


def _lost_cells(path: Path, wanted: str) -> dict[tuple[int, int], str]:
    """Find the cells that the reader gives as empty though they are not: errors, formulas without value.

    Returns
    -------
    dict
        By row and column counted from 0: the error word, or the formula after ``=``.
    """
    with zipfile.ZipFile(path) as archive:
        names = set(archive.namelist())
        if "xl/workbook.xml" not in names or "xl/_rels/workbook.xml.rels" not in names:
            return {}
        relations = ElementTree.fromstring(archive.read("xl/_rels/workbook.xml.rels"))
        targets = {r.get("Id"): r.get("Target", "") for r in relations.iter(f"{_PACKAGE}Relationship")}
        for sheet in ElementTree.fromstring(archive.read("xl/workbook.xml")).iter(f"{_MAIN}sheet"):
            target = targets.get(sheet.get(f"{_REL}id"), "")
            member = target.lstrip("/") if target.startswith("/") else f"xl/{target}"
            if sheet.get("name", "") != wanted or member not in names:
                continue
            content = archive.read(member)
            if b't="e"' in content or b"<f" in content:
                return _scan_sheet(content)
    return {}


def _scan_sheet(content: bytes) -> dict[tuple[int, int], str]:
    found = {}
    for cell in ElementTree.fromstring(content).iter(f"{_MAIN}c"):
        at = re.fullmatch(r"([A-Z]+)([0-9]+)", cell.get("r", ""))
        if at is None:
            continue
        value, formula = cell.find(f"{_MAIN}v"), cell.find(f"{_MAIN}f")
        shown = value.text if value is not None and value.text else ""
        if cell.get("t") == "e":
            found[int(at[2]) - 1, _column_number(at[1])] = shown or "#ERROR!"
        elif formula is not None and not shown and cell.get("t") != "str":
            found[int(at[2]) - 1, _column_number(at[1])] = f"={formula.text or ''}"
    return found


def _column_number(letters: str) -> int:
    n = 0
    for letter in letters:
        n = n * 26 + ord(letter) - 64
    return n - 1
