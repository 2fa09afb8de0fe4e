"""Bytes of a CSV file to cells of text, with every fault of the file's form as a finding."""

from __future__ import annotations

import codecs
import csv
import gzip
import io
import re
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path

import numpy as np

from broodstock.findings import Findings, Level, Place

MAX_LISTED = 200
"""Most findings of one kind listed for one column; a last one says how many more there are."""
MORE_WORDS = "more of the same kind"
_MAX_RESTARTS = 50
_CHUNK = 50_000


@dataclass
class RawTable:
    """Cells of one table as text, before any meaning is given to them.

    Parameters
    ----------
    file : str
        File (and sheet) as the user knows it.
    header : list of str
        Column headers as written.
    columns : list of list of str
        Cells by column; empty text for an empty cell.
    rows : ndarray, int64, shape (n_rows,)
        Row number in the file of each row of cells; the header is row 1.
    typed : dict of int to ndarray, object, shape (n_rows,)
        For sheets: by column, the kind of each typed cell (``number``, ``date``, ``flag``), else empty text.
    """

    file: str
    header: list[str] = field(default_factory=list)
    columns: list[list[str]] = field(default_factory=list)
    rows: np.ndarray = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    typed: dict[int, np.ndarray] = field(default_factory=dict)


def read_bytes(path: Path, findings: Findings, file: str) -> bytes | None:
    """Return the content of a file, unpacked when its name ends in ``.gz``; None with a finding if it fails."""
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        findings.add(
            "file-missing",
            Place(file),
            "no such file",
            "a file",
            f"Check the name and the folder {path.parent}.",
        )
        return None
    except OSError as e:
        findings.add(
            "file-unreadable",
            Place(file),
            str(e.strerror),
            "a file that can be read",
            "Check the file and the rights to read it.",
        )
        return None
    if path.suffix != ".gz" and not data.startswith(b"\x1f\x8b"):
        return data
    try:
        return gzip.decompress(data)
    except (OSError, EOFError, zlib.error):
        findings.add(
            "gzip-broken",
            Place(file),
            "a compressed file that is cut short or damaged",
            "a whole gzip file",
            "Copy or export the file again.",
        )
        return None


def read_csv(data: bytes, file: str, findings: Findings) -> RawTable:
    """Split the content of a CSV file into cells.

    Parameters
    ----------
    data : bytes
        Content of the file.
    file : str
        Its name in findings.
    findings : Findings
        Receives the faults of form: encoding, NUL bytes, separators, quotes, ragged rows, empty file.

    Returns
    -------
    RawTable
        With the rows that could be split; rows at fault are left out.
    """
    text = _decode(data, file, findings)
    if not text.strip("\r\n\t ,;\ufeff"):
        findings.add(
            "file-empty",
            Place(file),
            "an empty file",
            "a header row and records",
            "Export the file again, or delete it.",
        )
        return RawTable(file)
    separator = _separator(text, file, findings)
    return split_plain(text, separator, file) or split_any(text, separator, file, findings)


def _decode(data: bytes, file: str, findings: Findings) -> str:
    """Decode UTF-8, with or without byte order mark; other encodings are faults, read as well as they can be."""
    for mark, name in ((codecs.BOM_UTF16_LE, "utf-16"), (codecs.BOM_UTF16_BE, "utf-16")):
        if data.startswith(mark):
            findings.add(
                "encoding", Place(file, 1), "text in UTF-16", "text in UTF-8", "Save it again as CSV UTF-8."
            )
            return data.decode(name, errors="replace").replace("\0", "")
    if b"\0" in data:
        row = data[: data.index(b"\0")].count(b"\n") + 1
        findings.add(
            "nul-byte",
            Place(file, row),
            f"{data.count(0)} NUL byte(s)",
            "text without NUL bytes",
            "The file is damaged or not text. Export it again.",
        )
        data = data.replace(b"\0", b"")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return _decode_lines(data.removeprefix(codecs.BOM_UTF8), file, findings)


def _decode_lines(data: bytes, file: str, findings: Findings) -> str:
    """Decode line by line; lines that are no UTF-8 are findings and read as Windows-1252."""
    lines, wrong, other_utf8 = [], [], False
    for number, line in enumerate(data.split(b"\n"), start=1):
        try:
            lines.append(line.decode("utf-8"))
            other_utf8 = other_utf8 or not line.isascii()
        except UnicodeDecodeError:
            lines.append(line.decode("cp1252", errors="replace"))
            wrong.append(number)
    code = "encoding-mixed" if other_utf8 else "encoding"
    for number in wrong[:MAX_LISTED]:
        found = lines[number - 1].strip()
        findings.add(
            code,
            Place(file, number),
            f"bytes that are not UTF-8, perhaps '{short(found)}'",
            "text in UTF-8" + (" like the other rows" if other_utf8 else ""),
            "Check the letters of this row and save the file again as CSV UTF-8.",
        )
    more(findings, code, file, None, len(wrong))
    return "\n".join(lines)


def _separator(text: str, file: str, findings: Findings) -> str:
    """Return the separator of the header row; anything but the comma is a warning."""
    first = next((line for line in text.lstrip()[:100_000].splitlines() if line.strip()), "")
    first = re.sub(r'"[^"]*"', "", first)
    counts = {s: first.count(s) for s in (",", ";", "\t", "|")}
    best = max(counts, key=lambda s: counts[s])
    if counts[","] or not counts[best]:
        return ","
    word = {";": "semicolons", "\t": "tabs", "|": "vertical bars"}[best]
    findings.add(
        "separator",
        Place(file, 1),
        f"cells separated by {word}",
        "commas",
        "It was read all the same; check that numbers have decimal points, and save it as CSV with commas.",
        "warning",
    )
    return best


def split_plain(text: str, separator: str, file: str) -> RawTable | None:
    """Split text without quotation marks whose rows all have the width of the header.

    Most large files are so plain; they split many times faster than by the rules of quoting, with the same
    result as `split_any`.

    Parameters
    ----------
    text : str
        The decoded file.
    separator : str
        Separator of cells.
    file : str
        Its name in findings.

    Returns
    -------
    RawTable or None
        None when the text is not plain: a quotation mark, a lone carriage return, a blank or ragged row.
    """
    if '"' in text:
        return None
    plain = text.replace("\r\n", "\n") if "\r" in text else text
    if "\r" in plain:
        return None
    plain = plain.removesuffix("\n")
    codes = np.frombuffer(plain.encode("utf-8"), dtype=np.uint8)
    ends = np.append(np.flatnonzero(codes == 10), len(codes))
    at = np.flatnonzero(codes == ord(separator))
    per_row = np.diff(np.searchsorted(at, ends), prepend=0)
    width = int(per_row[0]) + 1
    lengths = np.diff(ends, prepend=-1) - 1
    # Rows so short that they may hold nothing are looked at one by one.
    short = np.flatnonzero(lengths <= 2 * width)
    starts = ends - lengths
    blank = any(
        not plain_bytes.strip(b" \t," + separator.encode())
        for plain_bytes in _slices(codes, starts, ends, short)
    )
    if width < 2 or (per_row != width - 1).any() or blank:
        return None
    cells = plain.replace("\n", separator).split(separator)
    header = [c.strip() for c in cells[:width]]
    if not header[-1]:
        return None
    table = RawTable(file, header)
    table.columns = [cells[width + j :: width] for j in range(width)]
    table.rows = np.arange(2, 2 + len(ends) - 1, dtype=np.int64)
    return table


def _slices(codes: np.ndarray, starts: np.ndarray, ends: np.ndarray, rows: np.ndarray) -> Iterator[bytes]:
    for i in rows:
        yield codes[starts[i] : ends[i]].tobytes()


def split_any(text: str, separator: str, file: str, findings: Findings) -> RawTable:
    """Split text into cells by the rules of quoting; a broken quote costs its own row only.

    Parameters
    ----------
    text : str
        The decoded file.
    separator : str
        Separator of cells.
    file : str
        Its name in findings.
    findings : Findings
        Receives broken quotes, ragged rows and blank rows.

    Returns
    -------
    RawTable
        With the rows that could be split.

    References
    ----------
    .. [1] RFC 4180, Common Format and MIME Type for Comma-Separated Values (CSV) Files.
    """
    table = RawTable(file)
    memo: dict[str, str] = {}
    row_numbers: list[np.ndarray] = []
    blank_rows: list[int] = []
    ragged = 0
    number = 0
    start = 0
    lines: list[str] | None = None
    source: io.StringIO | list[str] = io.StringIO(text, newline="")
    restarts = 0
    widths = (-1, -1)
    while True:
        reader = csv.reader(source, delimiter=separator, strict=True)
        broken = False
        good_lines = 0
        while True:
            chunk: list[list[str]] = []
            try:
                for record in islice(reader, _CHUNK):
                    chunk.append(record)
                    good_lines = reader.line_num
            except csv.Error as e:
                broken, reason = True, str(e)
            last = broken or len(chunk) < _CHUNK
            if chunk:
                if widths[0] < 0:
                    chunk, number, widths = _take_header(chunk, number, table)
                numbers, kept, n_ragged = _even_rows(
                    chunk, number, widths, file, findings, blank_rows, ragged
                )
                number += len(chunk)
                ragged += n_ragged
                for column, cells in zip(table.columns, zip(*kept, strict=True), strict=bool(kept)):
                    column.extend([memo.setdefault(c, c) for c in cells])
                row_numbers.append(numbers)
                if len(memo) > 2_000_000:
                    memo.clear()
            if last:
                break
        if not broken:
            break
        number += 1
        findings.add(
            "unclosed-quote",
            Place(file, number),
            f"a quotation mark without its partner ({reason})",
            "quotation marks in pairs around a cell, doubled inside it",
            "Correct the quotation mark in this row.",
        )
        if lines is None:
            lines = io.StringIO(text, newline="").readlines()
        start += good_lines + 1
        restarts += 1
        if restarts >= _MAX_RESTARTS or start >= len(lines):
            if start < len(lines):
                findings.add(
                    "unclosed-quote",
                    Place(file, number),
                    f"{restarts} rows with broken quotation marks; the rest was not read",
                    "quotation marks in pairs",
                    "Export the file again.",
                )
            break
        source = lines[start:]
    more(findings, "ragged-row", file, None, ragged)
    _report_blank_rows(blank_rows, number, file, findings)
    table.rows = np.concatenate(row_numbers) if row_numbers else np.zeros(0, dtype=np.int64)
    return table


def _take_header(
    chunk: list[list[str]], number: int, table: RawTable
) -> tuple[list[list[str]], int, tuple[int, int]]:
    """Take leading blank rows and the header off the first chunk; also return its widths (see `_even_rows`)."""
    at = next((i for i, r in enumerate(chunk) if any(c.strip() for c in r)), len(chunk) - 1)
    header = [c.strip() for c in chunk[at]]
    while header and not header[-1]:
        header.pop()
    table.header = header
    table.columns = [[] for _ in header]
    return chunk[at + 1 :], number + at + 1, (len(header), len(chunk[at]))


def _even_rows(
    chunk: list[list[str]],
    number: int,
    widths: tuple[int, int],
    file: str,
    findings: Findings,
    blank_rows: list[int],
    listed: int,
) -> tuple[np.ndarray, list[list[str]], int]:
    """Return row numbers and rows of the header's width; blank rows are skipped, ragged rows are findings.

    `widths` are the cells of the header without and with the empty ones at its end.
    """
    width, full = widths
    sizes = np.fromiter(map(len, chunk), dtype=np.int64, count=len(chunk))
    numbers = np.arange(number + 1, number + 1 + len(chunk), dtype=np.int64)
    if width > 1 and (sizes == width).all():
        blank = [i for i, r in enumerate(chunk) if not r[0].strip() and not any(c.strip() for c in r)]
        if not blank:
            return numbers, chunk, 0
    kept: list[list[str]] = []
    keep = np.zeros(len(chunk), dtype=bool)
    ragged = 0
    for i, record in enumerate(chunk):
        if not any(c.strip() for c in record):
            blank_rows.append(int(numbers[i]))
            continue
        if len(record) != width:
            if len(record) == full and not any(c.strip() for c in record[width:]):
                record = record[:width]
            else:
                ragged += 1
                if listed + ragged <= MAX_LISTED:
                    findings.add(
                        "ragged-row",
                        Place(file, int(numbers[i])),
                        f"{len(record)} cells",
                        f"{width} cells, as in the header",
                        "A separator is missing or too many; put text that holds one in quotation marks.",
                    )
                continue
        keep[i] = True
        kept.append(record)
    return numbers[keep], kept, ragged


def _report_blank_rows(blank_rows: list[int], last: int, file: str, findings: Findings) -> None:
    """Note blank rows inside the table; those after its end are nothing to speak of."""
    trailing = set()
    at = last
    blank = set(blank_rows)
    while at in blank:
        trailing.add(at)
        at -= 1
    inside = [r for r in blank_rows if r not in trailing]
    if inside:
        findings.add(
            "blank-row",
            Place(file, inside[0]),
            f"{len(inside)} blank row(s)",
            "no blank rows between records",
            "They were passed over. Check that no record was lost there.",
            "note",
        )


def more(
    findings: Findings, code: str, file: str, column: str | None, total: int, level: Level = "error"
) -> None:
    """Add the finding that says how many more of a kind there are than were listed."""
    if total > MAX_LISTED:
        findings.add(
            code,
            Place(file, None, column),
            f"{total - MAX_LISTED} {MORE_WORDS}",
            "none",
            f"Only the first {MAX_LISTED} are listed; correct them and read the file again.",
            level,
        )


def short(text: str, most: int = 60) -> str:
    """Return a text cut to a length fit for a message."""
    return text if len(text) <= most else text[: most - 3] + "..."
