"""Tables as CSV with a Table Schema, so that any program can read them.

References
----------
.. [1] Frictionless Data, Data Resource, Data Package and Table Schema specifications, version 1.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import pandas as pd

from broodstock.intake.write import data_resource

INFINITE = {"infinite": "INF", "minus infinite": "-INF"}
"""Table Schema writes infinite numbers so."""


def cells(frame: pd.DataFrame) -> pd.DataFrame:
    """Return a table ready for CSV: infinite numbers as Table Schema writes them, booleans in lower case."""
    out = {}
    for name in frame.columns:
        column = frame[name]
        if pd.api.types.is_bool_dtype(column):
            out[name] = column.map({True: "true", False: "false"}).astype(object)
        elif column.dtype == object or (
            pd.api.types.is_float_dtype(column) and column.isin([math.inf, -math.inf]).any()
        ):
            out[name] = column.astype(object).map(_written)
        else:
            out[name] = column
    return pd.DataFrame(out, columns=frame.columns)


def csv_text(frame: pd.DataFrame) -> str:
    """Return a table as CSV text, its cells as in `cells`."""
    return cells(frame).to_csv(index=False, lineterminator="\n")


def _written(value: Any) -> Any:
    if isinstance(value, float) and math.isinf(value):
        return "INF" if value > 0 else "-INF"
    return INFINITE.get(value, value) if isinstance(value, str) else value


def schema(frame: pd.DataFrame, source: pd.DataFrame, sentences: Mapping[str, str]) -> dict[str, Any]:
    """Return the Table Schema of a table; the type of a column follows from its cells.

    Parameters
    ----------
    frame : DataFrame
        The table as it is written, from `cells`.
    source : DataFrame
        The table it was made from.
    sentences : mapping of str to str
        A sentence for every column.
    """
    fields = [
        {"name": str(c), "type": _kind(frame[c], source[c]), "description": sentences[str(c)]}
        for c in frame.columns
    ]
    return {"fields": fields, "missingValues": [""]}


def resource(
    name: str, path: str, sentence: str, source: pd.DataFrame, sentences: Mapping[str, str]
) -> tuple[str, dict[str, Any]]:
    """Return a table as CSV text, and the description of it as a tabular data resource.

    Parameters
    ----------
    name, path : str
        Name of the resource, and of its file.
    sentence : str
        What one row is.
    source : DataFrame
        The table.
    sentences : mapping of str to str
        A sentence for every column.
    """
    frame = cells(source)
    text = frame.to_csv(index=False, lineterminator="\n")
    about = schema(frame, source, sentences)
    return text, data_resource(name.replace("_", "-"), path, sentence, about, text.encode())


def _kind(column: pd.Series, source: pd.Series) -> str:
    if pd.api.types.is_bool_dtype(source):
        return "boolean"
    if pd.api.types.is_integer_dtype(column):
        return "integer"
    if pd.api.types.is_float_dtype(column):
        return "number"
    values = [x for x in column if not (x is None or x is pd.NA or (isinstance(x, float) and x != x))]
    numbers = [x for x in values if not isinstance(x, str) or x in INFINITE.values()]
    return "number" if values and len(numbers) == len(values) else "string"
