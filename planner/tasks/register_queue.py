"""The merge queue: two versions of one record side by side, and what a person decides."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from broodstock.errors import UsageError
from planner.store.importing import Conflict
from planner.tasks.people import NotAllowedError, check_person

if TYPE_CHECKING:
    from planner.store.register import Register

ID_LENGTH = 8


def queue_id(conflict: Conflict, source: str) -> str:
    """Return the name of a difference: the same two versions from the same source have the same name."""
    facts = [
        conflict.table,
        conflict.key,
        {n: [conflict.old[n], conflict.new[n]] for n in conflict.columns},
        source,
    ]
    text = json.dumps(facts, sort_keys=True, ensure_ascii=False)
    return hashlib.sha256(text.encode()).hexdigest()[:ID_LENGTH]


def queue_row(conflict: Conflict, source: str, day: dt.date) -> dict[str, Any]:
    """Return a difference as a row of ``merge_queue``, open; both versions whole, as JSON."""
    return {
        "item_id": queue_id(conflict, source),
        "table": conflict.table,
        "our_record": conflict.record_id or None,
        "record_key": conflict.key,
        "column": ", ".join(conflict.columns) or None,
        "ours": json.dumps(dict(conflict.old), sort_keys=True, ensure_ascii=False),
        "theirs": json.dumps(dict(conflict.new), sort_keys=True, ensure_ascii=False),
        "theirs_source": f"{source}, row {conflict.row}" if conflict.row else source,
        "found_on": day,
        "state": "open",
    }


@dataclass(frozen=True)
class QueueItem:
    """One difference as it waits.

    Parameters
    ----------
    row : mapping
        The row of ``merge_queue``.
    ours_source : str
        Who entered the version of the register, when, and from where.
    """

    row: Mapping[str, Any]
    ours_source: str

    @property
    def item_id(self) -> str:
        """Name of the item."""
        return str(self.row["item_id"])

    @property
    def ours(self) -> dict[str, Any]:
        """Version of the register, by column."""
        values: dict[str, Any] = json.loads(self.row["ours"] or "{}")
        return values

    @property
    def theirs(self) -> dict[str, Any]:
        """Version of the other source, by column."""
        values: dict[str, Any] = json.loads(self.row["theirs"] or "{}")
        return values

    def differences(self) -> list[tuple[str, Any, Any]]:
        """Return the columns that differ, with both values."""
        ours, theirs = self.ours, self.theirs
        return [(n, ours.get(n), theirs.get(n)) for n in theirs if ours.get(n) != theirs.get(n)]

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {
            "item": self.item_id,
            "table": self.row["table"],
            "record": self.row["record_key"],
            "state": self.row["state"],
            "ours": self.ours,
            "ours_source": self.ours_source,
            "theirs": self.theirs,
            "theirs_source": self.row["theirs_source"],
            "differences": [n for n, _, _ in self.differences()],
        }

    def text(self) -> str:
        """Return both versions side by side."""
        from planner.tasks.text_tables import aligned

        shown = [
            [n, "" if a is None else str(a), "" if b is None else str(b)] for n, a, b in self.differences()
        ]
        head = f"{self.item_id}  {self.row['table']} {self.row['record_key']}"
        sources = f"old: {self.ours_source}; new: {self.row['theirs_source']}"
        return f"{head}\n{sources}\n{aligned(['column', 'old', 'new'], shown)}"


def open_items(register: Register) -> list[QueueItem]:
    """Return what waits for a decision, in the order in which it came."""
    rows = register.rows("merge_queue", {"state": "open"})
    return [QueueItem(r, _source_of(register, r)) for r in rows]


def _source_of(register: Register, row: Mapping[str, Any]) -> str:
    """Say where the version of the register comes from."""
    if row["our_record"] is None:
        return "no record"
    last = register.history(str(row["table"]), int(row["our_record"]))[-1]
    if last.ended is not None:
        return f"withdrawn by {last.ended.entered_by} on {last.ended.entered_at[:10]}"
    entered = last.entered
    where = f", {entered.source.split(' SHA-256')[0]}" if entered.source else ""
    return f"{entered.entered_by} on {entered.entered_at[:10]}{where}"


def decide_item(
    register: Register, item: str, keep: str, fields: Mapping[str, str], who: str, reason: str, day: dt.date
) -> str:
    """Decide one difference, in one change.

    Parameters
    ----------
    register : Register
        Open for writing.
    item : str
        Its name, or the beginning of it.
    keep : {'old', 'new', 'fields', 'both'}
        ``old`` leaves the record; ``new`` takes the other version; ``fields`` takes the values of `fields` alone;
        ``both`` adds the other version as a record of its own.
    fields : mapping of str to str
        Values by column for ``fields``: the words ``new`` or ``old``, or a value of its own.
    who, reason : str
        Who decides and why.
    day : date
        Day of the decision.

    Returns
    -------
    str
        What was done, in words.

    Raises
    ------
    UsageError
        If the item is unknown or decided, no reason is given, or nothing is said to take.
    NotAllowedError
        If the person may not enter, or what would be taken is a release or a cull, which two people confirm.
    StaleRecord
        If the record was changed since the difference was found.
    """
    if not reason.strip():
        raise UsageError(
            "--reason: found nothing. Expected why this version is right, for those who come later."
        )
    fit = [q for q in open_items(register) if q.item_id.startswith(item)] if item else []
    if len(fit) != 1:
        raise UsageError(
            f"queue item {item!r}: found {len(fit) or 'no'} open item(s) of that name. Expected one. "
            "'kinshoal register queue REGISTER' lists them."
        )
    chosen = fit[0]
    table, record = str(chosen.row["table"]), chosen.row["our_record"]
    values = _values_to_take(chosen, keep, fields, register)
    who = check_person(register, who, "approve" if table == "people" else "enter")
    _check_no_hard_act(register, chosen, keep, values)
    states = {"old": "ours-kept", "new": "theirs-taken", "fields": "theirs-taken", "both": "both-kept"}
    with register.writing(
        who, reason, source=f"queue {chosen.item_id}: {chosen.row['theirs_source']}", kind="decision"
    ) as writer:
        if keep == "both" or (keep == "new" and record is None):
            writer.add(table, [{n: v for n, v in chosen.theirs.items() if v is not None}])
        elif keep == "new" and not chosen.theirs:
            writer.withdraw(table, int(record))
        elif values:
            writer.change(table, int(record), values)
        done = {"state": states[keep], "decided_by": who, "decided_on": day, "reason": reason}
        writer.change("merge_queue", int(chosen.row["record_id"]), done)
    words = {
        "old": "the record stays as it is",
        "both": "both stand as records of their own",
        "new": "the other version was taken",
        "fields": "taken: " + ", ".join(f"{n} = {v}" for n, v in values.items()),
    }
    return f"{chosen.item_id} {table} {chosen.row['record_key']}: {words[keep]}"


def _check_no_hard_act(register: Register, chosen: QueueItem, keep: str, values: Mapping[str, Any]) -> None:
    """Refuse to take a release or a cull from the queue of a register with people: one person decides here.

    Raises
    ------
    NotAllowedError
        If it is one.
    """
    from planner.tasks.proposals import WORDS, hard_act

    if keep == "old" or not register.count("people"):
        return
    table, record = str(chosen.row["table"]), chosen.row["our_record"]
    new = keep == "both" or record is None
    taken = {n: str(v) for n, v in (chosen.theirs if new else values).items() if v is not None}
    act = hard_act(table, None if new else chosen.ours, taken) if taken else ""
    if act:
        verb = "add" if new else "change"
        raise NotAllowedError(
            f"queue item {chosen.item_id}: found {WORDS[act]}. Expected two people for it. Enter it with 'kinshoal {verb}', "
            "which a second person confirms, then close the item with --keep old."
        )


def _values_to_take(
    chosen: QueueItem, keep: str, fields: Mapping[str, str], register: Register
) -> dict[str, Any]:
    """Return the values the record gets; its key stays."""
    from planner.store.errors import StaleRecord
    from planner.store.schema import current_schema

    if keep not in ("new", "fields") or not chosen.theirs:
        return {}
    table, record = str(chosen.row["table"]), chosen.row["our_record"]
    spec = current_schema().spec(table)
    if keep == "new":
        values = {n: theirs for n, _, theirs in chosen.differences() if n not in spec.key}
    else:
        unknown = sorted(set(fields) - set(spec.names))
        if unknown or not fields:
            raise UsageError(
                f"--keep fields: found {', '.join(unknown) or 'no column'}. Expected COLUMN=new, COLUMN=old or "
                f"COLUMN=VALUE for columns of {table}: {', '.join(spec.names)}."
            )
        words = {"new": chosen.theirs, "old": chosen.ours}
        values = {n: words[v].get(n) if v in words else v for n, v in fields.items()}
    if record is None:
        return values
    now = register.history(table, int(record))[-1]
    if now.ended is not None or any(now.values.get(n) != v for n, v in chosen.ours.items()):
        raise StaleRecord(
            f"queue item {chosen.item_id}",
            f"{table} {chosen.row['record_key']} changed since the difference was found",
            "the version that was compared",
            "Look at the record, close the item with --keep old, and correct the record if needed.",
        )
    return {n: v for n, v in values.items() if now.values.get(n) != v}
