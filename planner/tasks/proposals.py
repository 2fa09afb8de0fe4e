"""Acts that a second person must confirm: a release, euthanasia, the merge of two fish, going beyond a permit."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from broodstock.errors import KinshoalError, UsageError
from planner.tasks.people import NotAllowedError, check_person

if TYPE_CHECKING:
    from planner.store.register import Register
    from planner.store.writer import Writer
    from planner.tasks.verbs import Entered

WORDS = {
    "release": "a release",
    "euthanasia": "euthanasia or a cull",
    "merge-fish": "the merge of two fish",
    "permit-exceeded": "an entry beyond a permit",
}
COUNTED = {
    "larval_takes": ("collect-larvae", "collected_on", "number"),
    "releases": ("release", "released_on", ""),
    "crosses": ("spawn", "made_on", ""),
    "fish": ("collect-adults", "entered_on", ""),
    "group_moves": ("", "happened_on", "number"),
}
"""Table to the activity its rows count to, the column of their day and of their number."""


MOST_SAID = 12
"""Steps of a proposal named in its subject; all of them are in its content."""


class PermitStopError(KinshoalError):
    """A permit leaves no room for an entry: stop and phone."""

    code = "permit-stop"


def hard_act(
    table: str, row: Mapping[str, Any] | None, values: Mapping[str, str], *, euthanasia: bool = False
) -> str:
    """Return the act that an entry would be, empty for one that needs no second person.

    Parameters
    ----------
    table : str
        Table.
    row : mapping, optional
        The record before the change; None for a new one.
    values : mapping
        Text by column.
    euthanasia : bool
        The person says that the fish is to be killed.
    """
    if table == "releases":
        return "release"
    if table == "group_moves":
        kind = values.get("kind", "" if row is None else str(row["kind"]))
        return {"release": "release", "cull": "euthanasia"}.get(kind, "")
    if table == "fish":
        status, before = values.get("status", ""), None if row is None else row["status"]
        if status == "released" and before != "released":
            return "release"
        if euthanasia:
            return "euthanasia"
    elif euthanasia:
        raise UsageError(
            f"--euthanasia: found table {table!r}. Expected fish, or a cull in group_moves. Leave it out."
        )
    return ""


def permit_stop(
    register: Register, table: str, values: Mapping[str, str], more: int = 0
) -> PermitStopError | None:
    """Return the hard stop when a permit leaves no room for a new record, None when it may be entered.

    Parameters
    ----------
    register : Register
        Open.
    table : str
        Table.
    values : mapping
        Text by column of the new record.
    more : int
        What other records of the same entry count.
    """
    if table not in COUNTED or not register.count("permits"):
        return None
    activity, day_column, number_column = COUNTED[table]
    if table == "group_moves":
        kind = values.get("kind", "")
        activity = {"release": "release", "cull": "sacrifice", "death": "sacrifice"}.get(kind, "")
    if table == "fish" and values.get("origin") != "wild-adult":
        return None
    number = values.get(number_column, "1") if number_column else "1"
    try:
        on = dt.date.fromisoformat(values.get(day_column, "").strip())
        wanted = int(number) + more
    except ValueError:
        return None  # the entry itself says what is wrong with the day or the number
    if not activity or not register.count("permits", {"activity": activity}) or kind_is_death(table, values):
        return None
    from planner.tasks.permits import permit_room
    from planner.tasks.register_view import view_of

    programme = view_of(register)
    if table == "crosses" and _spawned_already(register, values.get("dam", ""), on):
        return None
    room = permit_room(programme, activity, wanted, on)
    if room.may:
        return None
    texts = [t.stop_text() for t in room.tallies if t.stop_text()]
    return PermitStopError(
        f"{table}: found {wanted} more to {activity} on {on}; {room.why}. Expected {room.change}. "
        + (" ".join(texts) + " " if texts else "")
        + "If it has been done already, enter it with --beyond-permit: a second person then confirms."
    )


def permit_stops_of_rows(
    register: Register, table: str, rows: Sequence[Mapping[str, str]]
) -> list[tuple[list[int], PermitStopError]]:
    """Return the hard stops for several new records of one entry: what is of one kind and day counts together.

    Parameters
    ----------
    register, table
        As `permit_stop`.
    rows : sequence of mappings
        Text by column of each new record.

    Returns
    -------
    list of (list of int, PermitStopError)
        Positions of the records that there is no room for, and the stop.
    """
    if table not in COUNTED or not register.count("permits"):
        return []
    _, day_column, number_column = COUNTED[table]
    together: dict[tuple[str, str], list[int]] = {}
    for at, values in enumerate(rows):
        kind = values.get("origin" if table == "fish" else "kind", "")
        together.setdefault((values.get(day_column, ""), kind), []).append(at)
    out = []
    for (day, _), same in together.items():
        counts = {i: int(rows[i].get(number_column) or 0) if number_column else 1 for i in same}
        if table == "crosses":  # a female counts once in the span of a permit
            on = dt.date.fromisoformat(day)
            first = {rows[i].get("dam", ""): i for i in reversed(same)}
            counts = {i: 1 for dam, i in first.items() if not _spawned_already(register, dam, on)}
            same = [i for i in same if first[rows[i].get("dam", "")] in counts]
        counting = [i for i in same if counts.get(i)]
        if not counting:
            continue
        one = counting[0]
        stop = permit_stop(register, table, rows[one], sum(counts.values()) - counts[one])
        if stop is not None:
            out.append((same, stop))
    return out


def permit_stop_of_change(
    register: Register, table: str, row: Mapping[str, Any], values: Mapping[str, str]
) -> PermitStopError | None:
    """Return the hard stop when a permit leaves no room for what a change adds, None when it may be entered.

    Parameters
    ----------
    register : Register
        Open.
    table : str
        Table.
    row : mapping
        The record before the change.
    values : mapping
        Text by column of the change.

    Notes
    -----
    A larger number counts by what it adds; a group move of another kind, and a fish that becomes one from the wild, count
    whole. A change of the day alone adds nothing.
    """
    if table not in COUNTED:
        return None
    _, _, number_column = COUNTED[table]
    before = {n: "" if v is None else str(v) for n, v in row.items()}
    after = before | dict(values)
    whole = table in ("fish", "group_moves") and any(
        n in values and before[n] != after[n] for n in ("kind", "origin") if n in before
    )
    if not whole:
        if not number_column or not after[number_column].isdigit():
            return None
        more = int(after[number_column]) - int(before[number_column] or 0)
        if more <= 0:
            return None
        after[number_column] = str(more)
    return permit_stop(register, table, after)


def kind_is_death(table: str, values: Mapping[str, str]) -> bool:
    """Return whether a new record is a death: what has died is entered whatever a permit says."""
    return table == "group_moves" and values.get("kind") == "death"


def _spawned_already(register: Register, dam: str, on: dt.date) -> bool:
    """Return whether a female has a dish in the span of a spawning permit valid on a day."""
    spans = [
        (p["valid_from"], p["valid_until"])
        for p in register.rows("permits", {"activity": "spawn"})
        if p["valid_from"] <= on.isoformat() <= p["valid_until"]
    ]
    made = [r["made_on"] for r in register.rows("crosses", {"dam": dam}, columns=["made_on"])] if dam else []
    return bool(spans) and all(any(a <= day <= b for day in made) for a, b in spans)


def propose(
    register: Register,
    act: str,
    steps: Sequence[Mapping[str, Any]],
    who: str,
    reason: str,
    true_on: dt.date | None = None,
) -> Entered:
    """Enter a proposal; nothing else changes until a second person confirms.

    Parameters
    ----------
    register : Register
        Open for writing.
    act : str
        One of `WORDS`.
    steps : sequence of mappings
        What is to be entered: ``do`` (add, change, merge-fish) and what it needs, as plain values.
    who, reason : str
        Who proposes, a checked name, and why.
    true_on : date, optional
        Day on which the act becomes true.

    Raises
    ------
    UsageError
        If no reason is given.
    """
    from planner.tasks.verbs import Entered

    if not reason.strip():
        raise UsageError(
            f"--reason: found nothing. Expected why: {WORDS[act]} is confirmed by a second person who reads it."
        )
    with register.writing(who, f"proposes {WORDS[act]}: {reason}", kind="proposal") as writer:
        number = write_proposal(writer, register_day(register), act, steps, who, reason, true_on)
    words = (
        f"proposal {number} waits: {WORDS[act]} ({_subjects(steps)}). Nothing was changed yet. A second person "
        f"with role approve confirms it: kinshoal confirm {register.place} {number} --as NAME"
    )
    return Entered(words, writer.change_id, 0, number)


def write_proposal(
    writer: Writer,
    day: str,
    act: str,
    steps: Sequence[Mapping[str, Any]],
    who: str,
    reason: str,
    true_on: dt.date | None = None,
) -> str:
    """Write a proposal inside a change and return its number; two people proposing at once get two numbers.

    Parameters
    ----------
    writer : Writer
        Hand of the change.
    day : str
        The programme's day, as `register_day`.
    act, steps, who, reason, true_on
        As `propose`.
    """
    numbers = [int(r["proposal_id"]) for r in writer.rows("proposals") if r["proposal_id"].isdigit()]
    number = str(1 + max(numbers, default=0))
    content = {"steps": list(steps), "true_on": true_on.isoformat() if true_on else None}
    row = {
        "proposal_id": number,
        "act": act,
        "subject": _subjects(steps),
        "content": json.dumps(content, ensure_ascii=False, sort_keys=True),
        "reason": reason,
        "proposed_by": who,
        "proposed_on": day,
        "state": "open",
    }
    writer.add("proposals", [row])
    return number


def register_day(register: Register) -> str:
    """Return the programme's day of a register as text, empty when none is set."""
    row = register.get("settings", "today")
    return str(row["value"]) if row else ""


def confirm(
    register: Register,
    number: str,
    who: str,
    *,
    refuse: bool = False,
    take_back: bool = False,
    answer: str = "",
) -> Entered:
    """Confirm, refuse or take back a proposal; confirmed it is entered as one change that names both people.

    Parameters
    ----------
    register : Register
        Open for writing.
    number : str
        Name of the proposal.
    who : str
        The second person, with role approve; the proposer may only take back.
    refuse, take_back : bool
        Close it without doing it.
    answer : str
        What the person says.

    Raises
    ------
    UsageError
        If the proposal does not exist or is closed.
    NotAllowedError
        If it is the same person, or one without role approve.
    StaleRecord
        If a record was changed since the proposal; it stays open.
    RegisterError, InputError
        Whatever the register refuses; the proposal stays open.
    """
    from planner.tasks.verbs import Entered

    row = register.get("proposals", number)
    if row is None:
        waiting = (
            ", ".join(str(r["proposal_id"]) for r in register.rows("proposals", {"state": "open"})) or "none"
        )
        raise UsageError(
            f"proposal: found {number!r}. Expected one that is open: {waiting}. Correct the number."
        )
    if row["state"] != "open":
        raise UsageError(
            f"proposal {number}: found state {row['state']}, by {row['decided_by']}. Expected an open one. Propose it anew."
        )
    same = who.strip().casefold() == str(row["proposed_by"]).casefold()
    if take_back:
        name = check_person(register, who)
        if not same and name.casefold() != str(row["proposed_by"]).casefold():
            raise NotAllowedError(
                f"proposal {number}: found '{who}'. Expected {row['proposed_by']}, who proposed it. Refuse it instead."
            )
    else:
        if same:
            raise NotAllowedError(_two(number, who))
        name = check_person(register, who, "approve")
        if name.casefold() == str(row["proposed_by"]).casefold():
            raise NotAllowedError(_two(number, who))
    closed = {"decided_by": name, "decided_on": register_day(register), "answer": answer}
    if refuse or take_back:
        state = "taken-back" if take_back else "refused"
        with register.writing(name, answer or f"proposal {number} {state}", kind="proposal") as writer:
            writer.change(
                "proposals", row["record_id"], closed | {"state": state}, expected_entry=row["entry_id"]
            )
        return Entered(f"proposal {number} {state}; nothing was changed", writer.change_id, 0, number)
    content = json.loads(row["content"])
    both = f"{row['proposed_by']} and {name}"
    why = f"{row['reason']} (proposal {number}, confirmed{': ' + answer if answer else ''})"
    true_on = dt.date.fromisoformat(content["true_on"]) if content["true_on"] else None
    with register.writing(both, why, true_on=true_on, kind="confirmed") as writer:
        if row["act"] != "permit-exceeded":
            _check_room(register, content["steps"])
        done = [line for step in content["steps"] for line in _do(register, writer, step)]
        writer.change(
            "proposals", row["record_id"], closed | {"state": "confirmed"}, expected_entry=row["entry_id"]
        )
    words = "\n".join(
        [f"proposal {number} confirmed by {both}, change {writer.change_id}:", *(f"  {x}" for x in done)]
    )
    return Entered(words, writer.change_id, 0, number, {"steps": done})


def _check_room(register: Register, steps: Sequence[Mapping[str, Any]]) -> None:
    """Stop when a permit that had room at the proposal has none now."""
    adds = [s for s in steps if s["do"] == "add"]
    for table in dict.fromkeys(s["table"] for s in adds):
        for _, stop in permit_stops_of_rows(
            register, table, [s["values"] for s in adds if s["table"] == table]
        ):
            raise stop
    for step in steps:
        if step["do"] == "change":
            found = register.rows(step["table"], {"record_id": step["record"]}, limit=1)
            stopped = (
                permit_stop_of_change(register, step["table"], found[0], step["values"]) if found else None
            )
            if stopped is not None:
                raise stopped


def _two(number: str, who: str) -> str:
    return (
        f"proposal {number}: found '{who}', who proposed it. Expected another person with role approve: two people look at a "
        "release, a merge, euthanasia or an entry beyond a permit. Ask a second person."
    )


def _do(register: Register, writer: Writer, step: Mapping[str, Any]) -> list[str]:
    """Enter one step of a confirmed proposal and say what it did."""
    if step["do"] == "add":
        record = writer.add(step["table"], [step["values"]])[0]
        return [f"added to {step['table']}: record #{record}"]
    if step["do"] == "change":
        writer.change(step["table"], step["record"], step["values"], expected_entry=step["entry"])
        return [
            f"changed {step['table']} {step['name']}: "
            + ", ".join(f"{k}={v}" for k, v in step["values"].items())
        ]
    from planner.tasks.merge_fish import merge_now

    return merge_now(register, writer, step["keep"], step["gone"])


def _subjects(steps: Sequence[Mapping[str, Any]]) -> str:
    more = f"; and {len(steps) - MOST_SAID} more" if len(steps) > MOST_SAID else ""
    return "; ".join(_subject(s) for s in steps[:MOST_SAID]) + more


def _subject(step: Mapping[str, Any]) -> str:
    if step["do"] == "merge-fish":
        return f"{step['gone']} into {step['keep']}"
    values = ", ".join(f"{k}={v}" for k, v in list(step["values"].items())[:6])
    return f"{step['table']} {step.get('name', 'new')}: {values}"
