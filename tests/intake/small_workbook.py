"""The smallest XLSX workbook, written by hand so that it has the same bytes with every library version.

Cells are text, numbers, ``("date", day number)`` or ``("error", "#REF!")`` or ``("formula", "A1+1")``.
"""

from __future__ import annotations

import io
import zipfile
from typing import Any
from xml.sax.saxutils import escape

_NS = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
_REL = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
_PKG = "http://schemas.openxmlformats.org/package/2006"
_HEAD = '<?xml version="1.0" encoding="UTF-8" standalone="yes"?>\n'


def _cell(column: int, row: int, value: Any) -> str:
    at = f'r="{chr(65 + column)}{row}"'
    if isinstance(value, tuple):
        kind, content = value
        return {
            "date": f'<c {at} s="1"><v>{content}</v></c>',
            "error": f'<c {at} t="e"><f>Z1</f><v>{content}</v></c>',
            "formula": f"<c {at}><f>{content}</f></c>",
        }[kind]
    if isinstance(value, str):
        return f'<c {at} t="inlineStr"><is><t>{escape(value)}</t></is></c>' if value else ""
    return f"<c {at}><v>{value!r}</v></c>"


def workbook(name: str, rows: list[list[Any]]) -> bytes:
    """Return a workbook with one sheet."""
    body = "".join(
        f'<row r="{i}">{"".join(_cell(j, i, v) for j, v in enumerate(row))}</row>'
        for i, row in enumerate(rows, start=1)
    )
    parts = {
        "[Content_Types].xml": f'{_HEAD}<Types xmlns="{_PKG}/content-types">'
        '<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
        '<Default Extension="xml" ContentType="application/xml"/>'
        '<Override PartName="/xl/workbook.xml" ContentType="application/vnd.openxmlformats-officedocument.spreadsheetml.sheet.main+xml"/>'
        '<Override PartName="/xl/worksheets/sheet1.xml" ContentType="application/vnd.openxmlformats-officedocument.spreadsheetml.worksheet+xml"/>'
        '<Override PartName="/xl/styles.xml" ContentType="application/vnd.openxmlformats-officedocument.spreadsheetml.styles+xml"/></Types>',
        "_rels/.rels": f'{_HEAD}<Relationships xmlns="{_PKG}/relationships"><Relationship Id="rId1" Type="{_REL}/officeDocument" Target="xl/workbook.xml"/></Relationships>',
        "xl/workbook.xml": f'{_HEAD}<workbook xmlns="{_NS}" xmlns:r="{_REL}"><sheets><sheet name="{name}" sheetId="1" r:id="rId1"/></sheets></workbook>',
        "xl/_rels/workbook.xml.rels": f'{_HEAD}<Relationships xmlns="{_PKG}/relationships"><Relationship Id="rId1" Type="{_REL}/worksheet" Target="worksheets/sheet1.xml"/>'
        f'<Relationship Id="rId2" Type="{_REL}/styles" Target="styles.xml"/></Relationships>',
        "xl/styles.xml": f'{_HEAD}<styleSheet xmlns="{_NS}"><fonts count="1"><font/></fonts><fills count="1"><fill/></fills><borders count="1"><border/></borders>'
        '<cellStyleXfs count="1"><xf/></cellStyleXfs><cellXfs count="2"><xf numFmtId="0"/><xf numFmtId="14" applyNumberFormat="1"/></cellXfs></styleSheet>',
        "xl/worksheets/sheet1.xml": f'{_HEAD}<worksheet xmlns="{_NS}"><sheetData>{body}</sheetData></worksheet>',
    }
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_STORED) as archive:
        for path, text in parts.items():
            archive.writestr(zipfile.ZipInfo(path), text)
    return out.getvalue()
