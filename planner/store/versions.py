"""What the register tells about its history, as plain values."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass
from typing import Any

Clock = Callable[[], dt.datetime]
"""Returns the present moment with its time zone."""


def utc_now() -> dt.datetime:
    """Return the present moment by the machine's clock, in UTC."""
    return dt.datetime.now(dt.UTC)


def moment_text(moment: dt.datetime) -> str:
    """Return a moment as UTC text that sorts in order of time: ``2026-11-25T07:30:00.000000Z``.

    A moment without time zone counts as UTC.
    """
    if moment.tzinfo is not None:
        moment = moment.astimezone(dt.UTC).replace(tzinfo=None)
    return moment.isoformat(timespec="microseconds") + "Z"


@dataclass(frozen=True, slots=True)
class DataVersion:
    """Which state of the register something was made from.

    Parameters
    ----------
    change_id : int
        Last change; 0 for a register without changes.
    hash : str
        Its hash, 64 hex digits.
    entered_at : str
        When it was entered, UTC text; empty without changes.
    """

    change_id: int
    hash: str
    entered_at: str

    @property
    def text(self) -> str:
        """Short form for sheets: ``change 41, 3f9c0a12``."""
        return f"change {self.change_id}, {self.hash[:8]}"

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return asdict(self)


@dataclass(frozen=True, slots=True)
class Change:
    """One change: everything that was entered at once.

    Parameters
    ----------
    change_id : int
        Number, from 1 without gaps.
    entered_at : str
        When it was entered, UTC text.
    entered_by, reason, source : str
        Who, why, and from what.
    true_on : str or None
        Day on which it became true, ISO date.
    kind : str
        ``entry``, ``import``, ``merge``, ``undo`` and so on.
    previous_hash, content_hash, hash : str
        The chain.
    """

    change_id: int
    entered_at: str
    entered_by: str
    reason: str
    source: str
    true_on: str | None
    kind: str
    previous_hash: str
    content_hash: str
    hash: str

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return asdict(self)


@dataclass(frozen=True, slots=True)
class Version:
    """One version of one record.

    Parameters
    ----------
    table : str
        Table.
    record_id, entry_id : int
        The record across its versions; this version.
    values : mapping
        The table's own columns; None for an empty cell.
    source_row : int or None
        Row of the imported file.
    entered : Change
        The change that entered it.
    ended : Change or None
        The change that superseded or withdrew it; None while current.
    """

    table: str
    record_id: int
    entry_id: int
    values: Mapping[str, Any]
    source_row: int | None
    entered: Change
    ended: Change | None

    @property
    def is_current(self) -> bool:
        """True while no change ended it."""
        return self.ended is None

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return asdict(self)


@dataclass(frozen=True, slots=True)
class VerifyReport:
    """What a check of the whole register found.

    Parameters
    ----------
    ok : bool
        Nothing was found.
    changes, rows, blobs : int
        How many were looked at.
    first_broken : int or None
        First change whose hash does not fit what is stored.
    problems : tuple of str
        Whole sentences.
    version : DataVersion
        Last change as stored.
    """

    ok: bool
    changes: int
    rows: int
    blobs: int
    first_broken: int | None
    problems: tuple[str, ...]
    version: DataVersion

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return asdict(self)
