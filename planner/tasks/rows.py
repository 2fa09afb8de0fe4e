"""Walk over the rows of a table by column name."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pandas as pd


def rows(table: pd.DataFrame) -> Iterator[Any]:
    """Return named tuples, one per row; attribute ``Index`` is the row number in the file."""
    return iter(table.itertuples())
