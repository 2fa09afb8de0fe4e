"""Write tables of records: CSV, compressed CSV, workbooks, empty templates and the data package."""

from __future__ import annotations

import csv
import datetime as dt
import gzip
import hashlib
import io
import json
import os
import tempfile
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from broodstock.errors import UsageError
from broodstock.fields import TABLES, Column, table


def write_bytes(path: str | Path, data: bytes) -> Path:
    """Write a file whole or not at all: to a temporary file beside it, then by renaming.

    Parameters
    ----------
    path : str or Path
        Target; its folder is made when it does not exist.
    data : bytes
        Content.

    Returns
    -------
    Path
        The target.

    Raises
    ------
    OSError
        If the folder cannot be written; the old file then stands unchanged.
    """
    path = Path(path)
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, temporary = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as out:
            out.write(data)
            out.flush()
            os.fsync(out.fileno())
        os.chmod(temporary, 0o644)
        os.replace(temporary, path)
    except BaseException:
        os.unlink(temporary)
        raise
    return path


def gzip_bytes(data: bytes) -> bytes:
    """Return data compressed with gzip, without time or name, so that the same data give the same bytes."""
    out = io.BytesIO()
    with gzip.GzipFile(filename="", mode="wb", compresslevel=9, fileobj=out, mtime=0) as z:
        z.write(data)
    return out.getvalue()


def write_table(frame: pd.DataFrame, path: str | Path, table_name: str) -> Path:
    """Write a table as CSV (UTF-8, commas, header row, ISO 8601), compressed when the name ends in ``.gz``.

    Parameters
    ----------
    frame : DataFrame
        Registered columns of the table in any order; columns left out are written empty.
    path : str or Path
        Target ending in ``.csv`` or ``.csv.gz``.
    table_name : str
        Name of a registered table.

    Returns
    -------
    Path
        The target. The same frame always gives the same bytes.

    Raises
    ------
    KeyError
        If no table of that name is registered.
    UsageError
        If the frame has a column that is not registered, or a value does not fit its column.
    OSError
        If the folder cannot be written.
    """
    path = Path(path)
    data = table_bytes(frame, table_name)
    return write_bytes(path, gzip_bytes(data) if path.suffix == ".gz" else data)


def table_bytes(frame: pd.DataFrame, table_name: str) -> bytes:
    """Return the CSV content of a table; arguments and errors are those of `write_table`."""
    spec = table(table_name)
    unknown = [c for c in frame.columns if c not in spec.names]
    if unknown:
        raise UsageError(
            f"table {table_name!r}: found column(s) {', '.join(map(repr, unknown))}. Expected the registered "
            f"columns {', '.join(spec.names)}. Rename or drop them."
        )
    columns = [
        cell_texts(frame[c.name], c, table_name) if c.name in frame.columns else [""] * len(frame)
        for c in spec.columns
    ]
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(spec.names)
    writer.writerows(zip(*columns, strict=True))
    return out.getvalue().encode("utf-8")


def cell_texts(series: pd.Series, column: Column, table_name: str) -> list[str]:
    """Return the cells of a column as text.

    Parameters
    ----------
    series : Series, shape (n_rows,)
        Values.
    column : Column
        The registered column.
    table_name : str
        For the message.

    Returns
    -------
    list of str
        Empty text for a missing value; numbers in the shortest form that reads back the same.

    Raises
    ------
    UsageError
        If a value cannot be written as the kind of its column.
    """
    try:
        return _TEXTS[column.kind](series)
    except (TypeError, ValueError, AttributeError, OverflowError) as e:
        raise UsageError(
            f"table {table_name!r}, column {column.name!r}: found a value that is no {column.kind} ({e}). "
            f"Expected {column.kind} values. Correct them before writing."
        ) from e


def _plain_texts(series: pd.Series) -> list[str]:
    out = []
    for value in series.astype(object).where(series.notna(), None):
        if value is None or value == "":
            out.append("")
        elif isinstance(value, str):
            out.append(value)
        else:
            raise TypeError(f"{value!r} is not text")
    return out


def _number_texts(series: pd.Series) -> list[str]:
    values = series.to_numpy(dtype=np.float64, na_value=np.nan)
    if np.isinf(values).any():
        raise ValueError("infinity")
    return ["" if v != v else _shortest(v) for v in values.tolist()]


def _shortest(value: float) -> str:
    return str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)


def _integer_texts(series: pd.Series) -> list[str]:
    whole = series.astype("Int64")
    return ["" if pd.isna(v) else str(v) for v in whole.tolist()]


def _date_texts(series: pd.Series) -> list[str]:
    stamps = pd.to_datetime(series).to_numpy(dtype="datetime64[ns]")
    days = stamps.astype("datetime64[D]")
    if (stamps[~np.isnat(stamps)] != days[~np.isnat(stamps)]).any():
        raise ValueError("a date with a time of day")
    return ["" if t == "NaT" else t for t in np.datetime_as_string(days).tolist()]


def _time_texts(series: pd.Series) -> list[str]:
    stamps = pd.to_datetime(series).to_numpy(dtype="datetime64[us]")
    return ["" if t == "NaT" else t.removesuffix(".000000") for t in np.datetime_as_string(stamps).tolist()]


def _flag_texts(series: pd.Series) -> list[str]:
    flags = series.astype("boolean")
    return ["" if pd.isna(v) else "yes" if v else "no" for v in flags.tolist()]


_TEXTS: dict[str, Any] = {
    "text": _plain_texts,
    "tag": _plain_texts,
    "choice": _plain_texts,
    "number": _number_texts,
    "integer": _integer_texts,
    "date": _date_texts,
    "datetime": _time_texts,
    "flag": _flag_texts,
}


def write_workbook(tables: Mapping[str, pd.DataFrame], path: str | Path) -> Path:
    """Write tables as the sheets of one XLSX workbook; tags and names stay text.

    Parameters
    ----------
    tables : dict of str to DataFrame
        By table name; sheets come in this order.
    path : str or Path
        Target.

    Returns
    -------
    Path
        The target. The same tables always give the same bytes.

    Raises
    ------
    KeyError
        If a table is not registered.
    UsageError
        As in `write_table`; also when a table has more rows than a sheet can hold.
    OSError
        If the folder cannot be written.
    """
    import xlsxwriter

    out = io.BytesIO()
    book = xlsxwriter.Workbook(
        out, {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False}
    )
    book.set_properties({"created": dt.datetime(2000, 1, 1)})
    formats = {
        "date": book.add_format({"num_format": "yyyy-mm-dd"}),
        "datetime": book.add_format({"num_format": "yyyy-mm-dd hh:mm:ss"}),
        "text": book.add_format({"num_format": "@"}),
        "head": book.add_format({"bold": True}),
    }
    for name, frame in tables.items():
        spec = table(name)
        if len(frame) > 1_048_575:
            raise UsageError(
                f"table {name!r}: found {len(frame)} rows. Expected at most 1048575 in a sheet. Write it as CSV."
            )
        sheet = book.add_worksheet(name)
        sheet.freeze_panes(1, 0)
        for j, column in enumerate(spec.columns):
            shape = formats.get(column.kind if column.kind in ("date", "datetime") else "text")
            plain = column.kind in ("number", "integer", "flag")
            sheet.set_column(j, j, max(10, len(column.name) + 2), None if plain else shape)
            sheet.write_string(0, j, column.name, formats["head"])
            sheet.write_comment(0, j, column.sentence + (f" Unit: {column.unit}." if column.unit else ""))
            texts = cell_texts(frame[column.name], column, name) if column.name in frame.columns else []
            for i, text in enumerate(texts, start=1):
                if not text:
                    continue
                if column.kind in ("number", "integer"):
                    sheet.write_number(i, j, float(text))
                elif column.kind in ("date", "datetime"):
                    sheet.write_datetime(i, j, dt.datetime.fromisoformat(text), shape)
                else:
                    sheet.write_string(i, j, text, None if plain else shape)
    book.close()
    return write_bytes(path, out.getvalue())


def write_template(folder: str | Path, names: Iterable[str] | None = None) -> list[Path]:
    """Write empty tables, header row only, with the data package that explains their columns.

    Parameters
    ----------
    folder : str or Path
        Target folder; made when it does not exist.
    names : iterable of str, optional
        Tables; default all.

    Returns
    -------
    list of Path
        Files written.

    Raises
    ------
    KeyError
        If a table is not registered.
    UsageError
        If a file of that name exists with records in it; it is not overwritten.
    OSError
        If the folder cannot be written.
    """
    folder = Path(folder)
    out = []
    for name in names if names is not None else TABLES:
        data = (",".join(table(name).names) + "\n").encode("utf-8")
        path = folder / f"{name}.csv"
        if path.exists() and path.read_bytes() != data:
            raise UsageError(
                f"{path}: found a file with other content. Expected none, or an empty template. "
                "Choose another folder or move the file."
            )
        out.append(write_bytes(path, data))
    return [*out, write_datapackage(folder)]


def data_resource(
    name: str, path: str, sentence: str, schema: Mapping[str, Any], data: bytes
) -> dict[str, Any]:
    """Return the description of a CSV file as a tabular data resource (Frictionless Data, version 1).

    Parameters
    ----------
    name, path : str
        Name of the resource, and of its file in the package.
    sentence : str
        What one row is.
    schema : mapping
        Its Table Schema.
    data : bytes
        The file, for its size and hash.
    """
    return {
        "name": name,
        "path": path,
        "profile": "tabular-data-resource",
        "description": sentence,
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "bytes": len(data),
        "hash": f"sha256:{hashlib.sha256(data).hexdigest()}",
        "schema": dict(schema),
    }


def write_datapackage(folder: str | Path, title: str = "Programme records") -> Path:
    """Write ``datapackage.json``: a Table Schema for every table that lies in a folder.

    Parameters
    ----------
    folder : str or Path
        Folder with ``<table>.csv`` or ``<table>.csv.gz``.
    title : str
        Title of the package.

    Returns
    -------
    Path
        The file. It holds sizes and SHA-256 hashes, no time, so the same files give the same bytes.

    Raises
    ------
    OSError
        If the folder cannot be read or written.

    References
    ----------
    .. [1] Frictionless Data, Data Package and Table Schema specifications, version 1.
    """
    folder = Path(folder)
    resources = []
    for name, spec in TABLES.items():
        for ending in (".csv", ".csv.gz"):
            path = folder / f"{name}{ending}"
            if not path.is_file():
                continue
            data = path.read_bytes()
            resource = data_resource(name, path.name, spec.sentence, spec.as_schema(), data)
            if ending == ".csv.gz":
                resource["compression"] = "gz"
            resources.append(resource)
    package = {
        "profile": "tabular-data-package",
        "name": "programme-records",
        "title": title,
        "resources": resources,
    }
    text = json.dumps(package, indent=2, ensure_ascii=False) + "\n"
    return write_bytes(folder / "datapackage.json", text.encode("utf-8"))
