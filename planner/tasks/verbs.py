"""The verbs of the register: add, change, withdraw, list, show, find, history, for every table."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from broodstock.errors import UsageError
from planner.tasks.own_pages import check_own_page
from planner.tasks.people import check_first_person

if TYPE_CHECKING:
    from planner.store.register import Register

BY_HAND = "entered by hand"
MARKS = ("entry_id", "record_id", "change_id", "ended_by", "source_row")


@dataclass(frozen=True)
class Entered:
    """What an entry did.

    Parameters
    ----------
    words : str
        In one sentence.
    change_id : int
        Number of the change; 0 when nothing was entered.
    record_id : int
        Number of the record; 0 for a proposal.
    proposal : str
        Name of the proposal that waits for a second person, empty if none.
    more : dict
        Further plain values.
    """

    words: str
    change_id: int = 0
    record_id: int = 0
    proposal: str = ""
    more: dict[str, Any] = field(default_factory=dict)

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {
            "done": self.words,
            "change": self.change_id or None,
            "record": self.record_id or None,
            "proposal": self.proposal or None,
        } | self.more


def pairs(words: Sequence[str], *, needed: bool = True) -> dict[str, str]:
    """Return ``column=value`` words as a mapping; an empty value empties the cell.

    Raises
    ------
    UsageError
        If a word has no ``=``, a column stands twice, or there is none and one is needed.
    """
    out: dict[str, str] = {}
    for word in words:
        name, sign, value = word.partition("=")
        if not sign or not name.strip():
            raise UsageError(
                f"values: found {word!r}. Expected COLUMN=VALUE, for example sex=female. Put quotation marks around a "
                "value with blanks."
            )
        if name.strip() in out:
            raise UsageError(
                f"values: found '{name.strip()}' twice. Expected each column once. Leave one out."
            )
        out[name.strip()] = value
    if needed and not out:
        raise UsageError("values: found none. Expected at least one COLUMN=VALUE. Add what is to be entered.")
    return out


def open_register(place: str | Path, *, read_only: bool = False) -> Register:
    """Open a register for a verb.

    Raises
    ------
    UsageError
        If the place is a folder of plain tables.
    RegisterError
        If it cannot be opened.
    """
    from planner.store.register import Register

    if "://" not in str(place) and Path(place).is_dir():
        raise UsageError(
            f"register: found the folder {place}. Expected a register file or its address: a folder of tables has no "
            "history. Make one with 'kinshoal register new FILE' and 'kinshoal register import FILE FOLDER'."
        )
    return Register.open(place, read_only=read_only)


def record_of(register: Register, table: str, key: str) -> dict[str, Any]:
    """Return the current record with a key, or with a number written ``#12``.

    Parameters
    ----------
    register : Register
        Open.
    table : str
        Table.
    key : str
        Value of the key; the parts of a key of several columns with ``/`` between; or ``#`` and the record's number.

    Raises
    ------
    RecordMissing
        If there is none; near names are offered.
    UsageError
        If the table has no key and no number was given.
    """
    from broodstock.intake.near_words import did_you_mean, near_word
    from planner.store.errors import RecordMissing

    spec = register.schema.spec(table)
    if key.startswith("#") and key[1:].isdigit():
        found = register.rows(table, {"record_id": int(key[1:])}, limit=1)
        if found:
            return found[0]
        raise RecordMissing(f"table '{table}'", f"no current record {key}", "the number of a record",
                            f"'kinshoal list REGISTER {table}' shows the numbers.")  # fmt: skip
    if not spec.key:
        raise UsageError(
            f"table '{table}': found the key {key!r}. Expected the number of the record, for example #12: its rows have no "
            f"name of their own. 'kinshoal list REGISTER {table}' shows the numbers."
        )
    parts = [key] if len(spec.key) == 1 else key.split("/")
    if len(parts) != len(spec.key):
        raise UsageError(
            f"table '{table}': found the key {key!r}. Expected {' / '.join(spec.key)} with / between, or #NUMBER."
        )
    row = register.get(table, parts if len(parts) > 1 else parts[0])
    if row is None:
        names = [str(r[spec.key[0]]) for r in register.rows(table, columns=[spec.key[0]], limit=5000)]
        raise RecordMissing(f"table '{table}'", f"no record '{key}'", f"a {spec.key[0]} of the register",
                            f"{did_you_mean(near_word(parts[0], set(names)))}Look it up with 'kinshoal find'.")  # fmt: skip
    return row


def add(
    register: Register,
    table: str,
    values: Mapping[str, str],
    who: str,
    reason: str = "",
    true_on: dt.date | None = None,
    *,
    beyond_permit: bool = False,
) -> Entered:
    """Add one record; a release or a cull waits for a second person, and a permit's limit is a hard stop.

    Parameters
    ----------
    register : Register
        Open for writing.
    table : str
        Table.
    values : mapping
        Text by column, read as in files.
    who, reason : str
        Who enters it and why.
    true_on : date, optional
        Day on which it became true.
    beyond_permit : bool
        Propose it although a permit leaves no room.

    Raises
    ------
    InputError
        If a value cannot be read or a required one is missing.
    NotAllowedError, PermitStopError
        If the person may not enter, or a permit leaves no room.
    RegisterError, UsageError
        Whatever the register refuses: a key that is taken, a name that does not exist; and as `check_own_page`.
    """
    from planner.tasks.proposals import hard_act, permit_stop, propose

    check_own_page(table)
    name = check_first_person(register, table, values.get("role", ""), who)
    register.schema.spec(table)
    act = hard_act(table, None, values)
    step = {"do": "add", "table": table, "values": dict(values)}
    if act or beyond_permit:
        check_values(register, table, values)
        stop = permit_stop(register, table, values)
        if stop is not None and not beyond_permit:
            raise stop
        if act or stop is not None:
            return propose(register, "permit-exceeded" if stop else act, [step], name, reason, true_on)
    with register.writing(name, reason or BY_HAND, true_on=true_on) as writer:
        # Inside the change nobody else can write: two people cannot use up the same last room.
        stop = permit_stop(register, table, values)
        if stop is not None:
            raise stop
        record = writer.add(table, [values])[0]
    return Entered(f"added to {table}: record #{record}, change {writer.change_id}", writer.change_id, record)


def check_values(register: Register, table: str, values: Mapping[str, str]) -> None:
    """Check the values of a new record as an entry would, without entering them.

    Raises
    ------
    InputError
        With a finding for every value at fault.
    """
    from planner.store.values import stored_rows

    stored_rows(register.schema.spec(table), [values], own=table in register.schema.own)


def change(
    register: Register,
    table: str,
    key: str,
    values: Mapping[str, str],
    who: str,
    reason: str = "",
    true_on: dt.date | None = None,
    *,
    euthanasia: bool = False,
    beyond_permit: bool = False,
    entry: int = 0,
) -> Entered:
    """Correct one record by a new version; the old one stays in the history, and a permit's limit is a hard stop.

    Parameters
    ----------
    register, table, who, reason, true_on
        As `add`.
    key : str
        As `record_of`.
    values : mapping
        Text by column; empty text empties the cell.
    euthanasia : bool
        The fish is to be killed: a second person must confirm.
    beyond_permit : bool
        Propose it although a permit leaves no room for what it adds.
    entry : int
        Version that was looked at: a newer one refuses the change (`StaleRecord`). 0 takes the newest.

    Raises
    ------
    InputError, NotAllowedError, PermitStopError, RegisterError, UsageError
        As `add` and `record_of`.
    """
    from planner.store.values import stored_values
    from planner.tasks.proposals import hard_act, permit_stop_of_change, propose

    check_own_page(table)
    name = check_first_person(register, table, "approve", who)
    row = record_of(register, table, key)
    act = hard_act(table, row, values, euthanasia=euthanasia)
    if act or beyond_permit:
        stored_values(register.schema.spec(table), values, own=table in register.schema.own)
        stop = permit_stop_of_change(register, table, row, values)
        if stop is not None and not beyond_permit:
            raise stop
        act = "permit-exceeded" if stop is not None else act
    if act:
        step = {
            "do": "change",
            "table": table,
            "record": row["record_id"],
            "entry": entry or row["entry_id"],
            "values": dict(values),
            "name": key,
        }
        return propose(register, act, [step], name, reason, true_on)
    with register.writing(name, reason or BY_HAND, true_on=true_on) as writer:
        stop = permit_stop_of_change(register, table, row, values)
        if stop is not None:
            raise stop
        writer.change(table, row["record_id"], values, expected_entry=entry or row["entry_id"])
    number, shown = (
        row["record_id"],
        "; ".join(f"{k}: {in_words(row[k])} -> {v or '(empty)'}" for k, v in values.items()),
    )
    return Entered(f"changed {table} {key}: {shown} (change {writer.change_id})", writer.change_id, number)


def withdraw(register: Register, table: str, key: str, who: str, reason: str) -> Entered:
    """Withdraw one record: it is ended, nothing is deleted.

    Raises
    ------
    UsageError
        If no reason is given.
    NotAllowedError, RegisterError
        As `change`; a record that others name is refused.
    """
    if not reason.strip():
        raise UsageError(
            "--reason: found nothing. Expected why the record is withdrawn. It stays in the history."
        )
    name = check_first_person(register, table, "approve", who)
    row = record_of(register, table, key)
    with register.writing(name, reason) as writer:
        writer.withdraw(table, row["record_id"], expected_entry=row["entry_id"])
    return Entered(f"withdrawn: {table} {key} (change {writer.change_id}); its history stays", writer.change_id,
                   row["record_id"])  # fmt: skip


def moment(text: str) -> dt.datetime | int | None:
    """Return a moment written as a day, a day and time, or the number of a change; None for empty text.

    A day means its end.

    Raises
    ------
    UsageError
        If it is none of these.
    """
    if not text:
        return None
    if text.isdigit() and len(text) < 9:
        return int(text)
    try:
        if len(text) == 10:
            return dt.datetime.combine(dt.date.fromisoformat(text), dt.time(23, 59, 59, 999999))
        return dt.datetime.fromisoformat(text)
    except ValueError:
        raise UsageError(
            f"--known-on: found {text!r}. Expected a date as YYYY-MM-DD, a time as YYYY-MM-DDTHH:MM:SS in UTC, or the "
            "number of a change. Correct it."
        ) from None


def list_records(
    register: Register,
    table: str,
    where: Mapping[str, str] | None = None,
    *,
    columns: Sequence[str] = (),
    sort: Sequence[str] = (),
    limit: int | None = 50,
    known_on: str = "",
) -> tuple[list[dict[str, Any]], int]:
    """Return records of a table, and how many there are in all.

    Parameters
    ----------
    register, table
        Where.
    where : mapping
        Value by column; an empty value for an empty cell.
    columns : sequence of str
        Columns; default all of the table's own.
    sort : sequence of str
        Columns to sort by; a minus in front for falling order.
    limit : int, optional
        Most records.
    known_on : str
        As `moment`.

    Raises
    ------
    TableUnknown, UsageError
        If a table or column does not exist, or the moment cannot be read.
    """
    at = moment(known_on)
    spec = register.schema.spec(table)
    filters: dict[str, Any] = {k: v if v else None for k, v in (where or {}).items()}
    wanted = ["record_id", *(columns or spec.names)]
    found = register.rows(table, filters, columns=wanted, order_by=tuple(sort), limit=limit, as_known_on=at)
    return found, register.count(table, filters, as_known_on=at)


def list_table(
    found: Sequence[Mapping[str, Any]], columns: Sequence[str] = ()
) -> tuple[list[str], list[list[str]]]:
    """Return headings and rows of records; columns that are empty throughout are left out unless asked for."""
    if not found:
        return ["record"], []
    names = [n for n in found[0] if n != "record_id"]
    shown = [n for n in names if columns or any(r[n] not in (None, "") for r in found)]
    body = [[f"#{r['record_id']}", *(in_words(r[n], empty="") for n in shown)] for r in found]
    return ["record", *shown], body


def show(register: Register, table: str, key: str) -> tuple[list[str], dict[str, Any]]:
    """Return one record as lines of column and value, and as plain values.

    Raises
    ------
    RecordMissing, TableUnknown, UsageError
        As `record_of`.
    """
    row = record_of(register, table, key)
    spec = register.schema.spec(table)
    width = max(len(n) for n in spec.names)
    units = {c.name: c.unit for c in spec.columns}
    lines = [
        f"{n.ljust(width)}  {in_words(row[n])}{f' {units[n]}' if units[n] and row[n] is not None else ''}"
        for n in spec.names
        if row[n] is not None
    ]
    last = register.history(table, row["record_id"])[-1].entered
    said = f"record #{row['record_id']}, change {last.change_id}: {last.entered_by}, {last.entered_at[:16]}, {last.reason}"
    return [*lines, "", said], {k: v for k, v in row.items() if k not in MARKS} | {
        "record": row["record_id"],
        "entered": last.as_dict(),
    }


def find(register: Register, text: str, limit: int = 50) -> tuple[list[str], list[list[str]], dict[str, Any]]:
    """Find a text in names, tags and notes of every table; near names and tags when nothing is exactly that.

    Raises
    ------
    UsageError
        If the text is empty.
    """
    from dataclasses import asdict

    from planner.store.searching import near, search

    if not text.strip():
        raise UsageError("text: found nothing. Expected a name, a tag or a word. Give what to look for.")
    hits = search(register, text, limit)
    close = [] if any(h.how == "exact" for h in hits) else near(register, text)
    found = [*hits, *close]
    body = [[h.table, h.name, f"#{h.record_id}", h.column, _short(h.value), h.how] for h in found]
    head = ["table", "name", "record", "column", "value", "how"]
    return head, body, {"found": [asdict(h) for h in found]}


def history_of(register: Register, table: str, key: str) -> tuple[list[str], dict[str, Any]]:
    """Return every version of a record as words: who, when, why, old and new values.

    Parameters
    ----------
    register, table, key
        As `record_of`; ``#NUMBER`` finds withdrawn records too.

    Raises
    ------
    RecordMissing, TableUnknown, UsageError
        As `record_of`.
    """
    number = int(key[1:]) if key.startswith("#") and key[1:].isdigit() else None
    if number is None:
        number = _record_number(register, table, key)
    versions = register.history(table, number)
    lines = [f"{table} {key}, record #{number}"]
    events: list[dict[str, Any]] = []
    for i, v in enumerate(versions):
        before = versions[i - 1] if i else None
        came_back = (
            before is not None and before.ended is not None and before.ended.change_id != v.entered.change_id
        )
        old = {} if before is None or came_back else before.values
        diff = {k: (old.get(k), new) for k, new in v.values.items() if new != old.get(k)}
        lines += _change_lines(v.entered, "entered" if not old else "changed", diff, first=not old)
        events.append({"change": v.entered.as_dict(), "values": {k: list(d) for k, d in diff.items()}})
        gone = v.ended is not None and (
            i + 1 == len(versions) or versions[i + 1].entered.change_id != v.ended.change_id
        )
        if gone and v.ended is not None:
            lines += _change_lines(v.ended, "withdrawn", {}, first=False)
            events.append({"change": v.ended.as_dict(), "values": {}, "withdrawn": True})
    return lines, {"table": table, "record": number, "history": events}


def _record_number(register: Register, table: str, key: str) -> int:
    """Return the number of a record by its key, also of one that was withdrawn or had another name."""
    from planner.store.errors import RecordMissing

    try:
        return int(record_of(register, table, key)["record_id"])
    except RecordMissing:
        spec = register.schema.spec(table)
        if len(spec.key) == 1:
            version = register.data_version()
            for at in _earlier(register, version.change_id):
                old = register.rows(table, {spec.key[0]: key}, columns=["record_id"], limit=1, as_known_on=at)
                if old:
                    return int(old[0]["record_id"])
        raise


def _earlier(register: Register, last: int) -> Sequence[int]:
    """Return numbers of changes to look back at, latest first."""
    return range(last - 1, max(-1, last - 500), -1)


def _change_lines(change: Any, what: str, diff: Mapping[str, tuple[Any, Any]], *, first: bool) -> list[str]:
    true_on = f", true on {change.true_on}" if change.true_on else ""
    source = f", from {change.source}" if change.source else ""
    lines = ["", f"change {change.change_id}, {change.entered_at[:16]}, {change.entered_by}: {what}{true_on}{source}",
             f"  why: {change.reason}"]  # fmt: skip
    for name, (old, new) in diff.items():
        if first and new is None:
            continue
        lines.append(
            f"  {name}: {in_words(new)}" if first else f"  {name}: {in_words(old)} -> {in_words(new)}"
        )
    return lines


def in_words(value: Any, empty: str = "(empty)") -> str:
    """Return a plain value of a record as people read it."""
    if value is None or value == "":
        return empty
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:g}" if isinstance(value, float) else str(value)


def _short(text: str, most: int = 60) -> str:
    return text if len(text) <= most else text[: most - 3] + "..."
