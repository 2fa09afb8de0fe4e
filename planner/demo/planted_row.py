"""What is written down about a planted error."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd


@dataclass(frozen=True, slots=True)
class Planted:
    """One row that a planted error spoilt.

    Parameters
    ----------
    number : int
        Number of the planted error, 1 to 29; several rows may share it.
    what : str
        What was planted, in words.
    file : str
        File relative to the folder.
    row : int
        Row in that file, the header being row 1; 0 when no single row is at fault.
    column : str
        Column.
    key : str
        Identifier of the record.
    expected : str
        Finding code that must be raised (``a or b``: one of them), or ``parentage`` where only a parentage run
        shows it.
    found_in : str
        File in which the finding is expected.
    """

    number: int
    what: str
    file: str
    row: int
    column: str
    key: str
    expected: str
    found_in: str


def row_of(frame: pd.DataFrame, column: str, value: str) -> int:
    """Return the file row of the first record with a value; the header is row 1."""
    return int(np.flatnonzero(frame[column].eq(value).to_numpy())[0]) + 2
