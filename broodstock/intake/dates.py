"""Cells of dates and times: ISO 8601 only, and what a cell in another form may mean."""

from __future__ import annotations

import datetime as dt
import re

import numpy as np

from broodstock.fields import Column
from broodstock.intake.cells import CellProblem, expected_words, spreadsheet_damage

FIRST_YEAR, LAST_YEAR = 1900, 2100
"""Years that records of living fish can bear."""

_DATE = re.compile(r"([0-9]{4})-([0-9]{2})-([0-9]{2})")
_TIME = re.compile(
    r"([0-9]{4})-([0-9]{2})-([0-9]{2})[T ]([0-9]{2}):([0-9]{2})(?::([0-9]{2})(?:[.,]([0-9]{1,9}))?)?"
    r"(Z|z|[+-][0-9]{2}:?[0-9]{2})?"
)
_OTHER = re.compile(r"([0-9]{1,4})[./\- ]([0-9]{1,2})[./\- ]([0-9]{1,4})(?:[T ].*)?")
_BASIC = re.compile(r"([0-9]{4})([0-9]{2})([0-9]{2})")
_SERIAL = re.compile(r"[0-9]{5}(?:\.[0-9]+)?")
_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_NAMED = re.compile(
    r"([0-9]{1,2})[ .\-/]*([A-Za-z]{3,9})[ .,\-/]*([0-9]{2,4})|([A-Za-z]{3,9})[ .\-/]*([0-9]{1,2})[ ,.\-/]+([0-9]{2,4})"
)
_KEEP_EMPTY = "Look up the day; leave the cell empty if it is not known."


def read_date(text: str, column: Column) -> dt.date | CellProblem:
    """Read a date.

    Parameters
    ----------
    text : str
        Cell without blanks around it, not empty.
    column : Column
        The column.

    Returns
    -------
    datetime.date or CellProblem
        The day. A time of midnight after the day is passed over; any other time is a problem.
    """
    plain = _DATE.fullmatch(text)
    if plain:
        return _day(int(plain[1]), int(plain[2]), int(plain[3]), text, column)
    timed = _TIME.fullmatch(text)
    if timed:
        day = _day(int(timed[1]), int(timed[2]), int(timed[3]), text, column)
        if isinstance(day, CellProblem):
            return day
        if any(int(timed[i] or 0) for i in (4, 5, 6, 7)) or timed[8]:
            return CellProblem(
                "date-with-time",
                f"'{text}'",
                expected_words(column),
                f"Write the day alone: {day.isoformat()}.",
            )
        return day
    return _other_form(text, column)


def read_time(text: str, column: Column) -> dt.datetime | CellProblem:
    """Read a local time; a time with an offset or without hours is a problem.

    Parameters
    ----------
    text : str
        Cell without blanks around it, not empty.
    column : Column
        The column.

    Returns
    -------
    datetime.datetime or CellProblem
        Without time zone, to the microsecond.
    """
    timed = _TIME.fullmatch(text)
    if timed is None:
        if _DATE.fullmatch(text):
            return CellProblem(
                "time-missing",
                f"'{text}'",
                expected_words(column),
                "Add the hour and minute; a day alone is not midnight.",
            )
        return _other_form(text, column)
    day = _day(int(timed[1]), int(timed[2]), int(timed[3]), text, column)
    if isinstance(day, CellProblem):
        return day
    hour, minute, second = int(timed[4]), int(timed[5]), int(timed[6] or 0)
    if hour > 23 or minute > 59 or second > 59:
        return CellProblem(
            "impossible-time", f"'{text}'", expected_words(column), "Correct the hour, minute or second."
        )
    if timed[8]:
        return CellProblem(
            "time-with-offset",
            f"'{text}'",
            expected_words(column),
            "Write the local time without offset; the offset of a clock belongs in its own column.",
        )
    micro = int((timed[7] or "0").ljust(6, "0")[:6])
    return dt.datetime.combine(day, dt.time(hour, minute, second, micro))


def quick_stamps(texts: np.ndarray, *, with_time: bool) -> np.ndarray:
    """Read the texts that are exactly ``YYYY-MM-DD``, or ``YYYY-MM-DDTHH:MM:SS``, all at once.

    Parameters
    ----------
    texts : ndarray, object, shape (n_texts,)
        Cells as text.
    with_time : bool
        Read times instead of days.

    Returns
    -------
    ndarray, datetime64[us], shape (n_texts,)
        NaT for texts of any other form, and for all when one of them is no day of the calendar: those are to
        be read one by one.
    """
    out = np.full(len(texts), np.datetime64("NaT", "us"), dtype="datetime64[us]")
    form = "0000-00-00T00:00:00" if with_time else "0000-00-00"
    lengths = np.fromiter(map(len, texts), dtype=np.int64, count=len(texts))
    at = np.flatnonzero(lengths == len(form))
    letters = np.array(texts[at].tolist(), dtype=f"U{len(form)}").view(np.uint32).reshape(len(at), len(form))
    fits = np.ones(len(at), dtype=bool)
    for k, mark in enumerate(form):
        fits &= (letters[:, k] - 48 < 10) if mark == "0" else letters[:, k] == ord(mark)
    chosen = at[fits]
    try:
        found = np.array(texts[chosen].tolist(), dtype="datetime64[s]")
    except ValueError:
        return out
    years = found.astype("datetime64[Y]").astype(np.int64) + 1970
    good = (years >= FIRST_YEAR) & (years <= LAST_YEAR)
    out[chosen[good]] = found[good]
    return out


def _day(year: int, month: int, day: int, text: str, column: Column) -> dt.date | CellProblem:
    try:
        found = dt.date(year, month, day)
    except ValueError:
        swapped = ""
        if month > 12 >= day >= 1:
            swapped = f"Day and month may be swapped ({year:04d}-{day:02d}-{month:02d}). "
        return CellProblem(
            "impossible-date",
            f"'{text}'",
            "a day of the calendar",
            f"No such day exists. {swapped}{_KEEP_EMPTY}",
        )
    if not FIRST_YEAR <= year <= LAST_YEAR:
        return CellProblem(
            "implausible-year", f"'{text}'", f"a year from {FIRST_YEAR} to {LAST_YEAR}", "Correct the year."
        )
    return found


def _other_form(text: str, column: Column) -> CellProblem:
    """Say what a cell that is not in ISO form may mean; never pick a meaning."""
    shown, expected = f"'{text[:60]}'", expected_words(column)
    damage = spreadsheet_damage(text, column)
    if damage:
        return damage
    parts = _OTHER.fullmatch(text)
    if parts:
        return _numbers_only(parts[1], parts[2], parts[3], shown, expected)
    named = _NAMED.fullmatch(text)
    if named:
        word = (named[2] or named[4]).lower()[:3]
        if word in _MONTHS:
            year, day = named[3] or named[6], int(named[1] or named[5])
            return _one_reading([(year, _MONTHS.index(word) + 1, day)], shown, expected, len(year) == 2)
    basic = _BASIC.fullmatch(text)
    if basic:
        return _one_reading([(basic[1], int(basic[2]), int(basic[3]))], shown, expected, False)
    if _SERIAL.fullmatch(text):
        counted = dt.date(1899, 12, 30) + dt.timedelta(days=int(float(text)))
        return CellProblem(
            "date-serial",
            f"{shown}, perhaps the day number of a spreadsheet",
            expected,
            f"As a day number counted from 1900 it would be {counted.isoformat()}. Check it and write the date.",
        )
    return CellProblem("not-a-date", shown, expected, _KEEP_EMPTY)


def _numbers_only(a: str, b: str, c: str, shown: str, expected: str) -> CellProblem:
    if len(a) == 4:
        return _one_reading([(a, int(b), int(c))], shown, expected, False)
    if len(c) == 4:
        readings = [(c, int(b), int(a))] + ([(c, int(a), int(b))] if a != b else [])
        return _one_reading(readings, shown, expected, False)
    return CellProblem(
        "two-digit-year",
        shown,
        expected,
        f"Neither the century nor the order of day, month and year is certain. {_KEEP_EMPTY}",
    )


def _one_reading(readings: list[tuple[str, int, int]], shown: str, expected: str, short: bool) -> CellProblem:
    if short:
        return CellProblem("two-digit-year", shown, expected, f"The century is not certain. {_KEEP_EMPTY}")
    days = []
    for year, month, day in readings:
        try:
            days.append(dt.date(int(year), month, day).isoformat())
        except ValueError:
            continue
    if not days:
        return CellProblem(
            "impossible-date", shown, "a day of the calendar", f"No such day exists. {_KEEP_EMPTY}"
        )
    if len(days) > 1:
        return CellProblem(
            "ambiguous-date",
            shown,
            expected,
            f"It may be {days[0]} or {days[1]}. Look up the day and write it as YYYY-MM-DD.",
        )
    return CellProblem("date-form", shown, expected, f"If it means {days[0]}, write it so.")
