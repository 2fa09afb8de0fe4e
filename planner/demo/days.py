"""Days as whole numbers counted from 1970-01-01, the form the generator computes with."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from broodstock.arrays import IntArray

NEVER = 2_000_000
"""A day that never comes: the fish still lives, the tag still sits."""


def day(iso: str) -> int:
    """Return the number of an ISO day."""
    return int(np.datetime64(iso, "D").astype(np.int64))


def days(isos: Iterable[str]) -> IntArray:
    """Return the numbers of ISO days."""
    return np.array(list(isos), dtype="datetime64[D]").astype(np.int64).astype(np.int32)


def iso(number: int) -> str:
    """Return a day as ISO text."""
    return str(np.datetime64(int(number), "D"))


def year_of(numbers: np.ndarray) -> IntArray:
    """Return the calendar year of each day."""
    return (numbers.astype("datetime64[D]").astype("datetime64[Y]").astype(np.int64) + 1970).astype(np.int32)


def stamps(numbers: np.ndarray) -> np.ndarray:
    """Return days as datetime64[s], not-a-time where the day never comes or is negative."""
    out = np.asarray(numbers, dtype=np.int64).astype("datetime64[D]").astype("datetime64[s]")
    out[(np.asarray(numbers) >= NEVER) | (np.asarray(numbers) < -30000)] = np.datetime64("NaT")
    return out
