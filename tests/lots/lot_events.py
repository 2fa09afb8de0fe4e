"""Short ways to write events in the tests of lots."""

from __future__ import annotations

import datetime as dt
from typing import Any

from broodstock.lots.moves import Move, Pool

START = dt.date(2024, 3, 1)


def event(
    day: int, kind: str, lot: str = "", number: int | None = None, to: Pool | None = None, **more: Any
) -> Move:
    """Return an event some days after the start; without error unless one is given."""
    more = {"error": 0.0, "family_error": 0.0, **more}
    return Move(f"E{day}", START + dt.timedelta(day), kind, lot, target=to, number=number, **more)  # type: ignore[arg-type]


def tank(lot: str, unit: str = "T1") -> Pool:
    return Pool(lot, "unit", unit)
