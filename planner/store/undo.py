"""Undo a change by its counter-entry: a new change that brings back what was before; nothing is taken away."""

from __future__ import annotations

from collections import defaultdict
from typing import TYPE_CHECKING, Any

from broodstock.errors import UsageError
from planner.store.errors import NothingChanged, UndoRefused

if TYPE_CHECKING:
    from planner.store.register import Register
    from planner.store.versions import Change

_NAMED = 5


def undo(register: Register, change_id: int, who: str, reason: str) -> Change:
    """Undo one change: records it added go, records it corrected or withdrew are as before.

    Parameters
    ----------
    register : Register
        Open for writing.
    change_id : int
        The change.
    who, reason : str
        Who undoes it and why.

    Returns
    -------
    Change
        The counter-entry, of kind ``undo``; it can be undone in turn.

    Raises
    ------
    UndoRefused
        If records of the change were changed again since; the later changes are named.
    UsageError
        If there is no such change.
    RecordInUse
        If later records name one that would go.
    NothingChanged
        If the change left nothing behind, such as a record added and withdrawn again.
    KeyTaken
        If another record has by now the key of one that would come back.
    """
    with register.writing(who, reason, source=f"change {change_id}", kind="undo") as writer:
        if not 1 <= change_id < writer.change_id:
            raise UsageError(
                f"undo: found change {change_id}. Expected a number from 1 to {writer.change_id - 1}. "
                "'kinshoal register log' lists the changes."
            )
        touched = list(writer.versions_touched(change_id))
        later = {c for _, found in touched for v in found for c in (v["change_id"], v["ended_by"] or 0)}
        later = {c for c in later if c > change_id}
        if later:
            raise _refusal(register.place, change_id, sorted(later))
        for table, found in touched:
            writer.put_back(table, *_counter(found, change_id))
        if writer.is_empty:
            raise NothingChanged(
                f"register {register.place}, change {change_id}",
                "nothing left of it to undo",
                "records that it added, corrected or withdrew",
                "Nothing needs doing.",
            )
        number = writer.change_id
    return register.changes(since=number - 1, limit=1)[0]


def _counter(found: list[dict[str, Any]], change_id: int) -> tuple[list[int], list[dict[str, Any]]]:
    """Return the entries to end and the older versions to bring back."""
    ended: list[int] = []
    back: list[dict[str, Any]] = []
    records: dict[int, list[dict[str, Any]]] = defaultdict(list)
    for version in found:
        records[version["record_id"]].append(version)
    for versions in records.values():
        now = [v for v in versions if v["ended_by"] is None]
        before = [v for v in versions if v["change_id"] < change_id and v["ended_by"] == change_id]
        ended.extend(v["entry_id"] for v in now)
        back.extend(before)
    return ended, back


def _refusal(place: str, change_id: int, later: list[int]) -> UndoRefused:
    words = ", ".join(str(c) for c in later[:_NAMED]) + (" and more" if len(later) > _NAMED else "")
    return UndoRefused(
        f"register {place}, change {change_id}",
        f"that its records were changed again, by change {words}",
        "records as the change left them",
        "Undo the later changes first, the last one before the others.",
        tuple(later),
    )
