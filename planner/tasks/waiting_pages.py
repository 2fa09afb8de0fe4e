"""What waits for a person: proposals that a second one confirms, and rows of imports that disagree with the register."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from broodstock.errors import UsageError
from planner.tasks.proposals import WORDS
from planner.tasks.record_pages import cell_text
from planner.tasks.workplace import Workplace

if TYPE_CHECKING:
    from planner.store.register import Register

CLOSED_SHOWN = 30
QUEUE_SHOWN = 25


@dataclass(frozen=True)
class Step:
    """One step of a proposal: what is done, and every value before and after.

    Parameters
    ----------
    title : str
        What is done, in words.
    head : tuple of str
        Headings of the values: column and the two sides.
    rows : list of (str, str, str)
        Column, value on the left, value on the right.
    stale : str
        Why it cannot be done as it stands; empty when it can.
    address : str
        Page of the record, empty for a new one.
    """

    title: str
    head: tuple[str, str, str]
    rows: list[tuple[str, str, str]]
    stale: str = ""
    address: str = ""


@dataclass(frozen=True)
class Proposal:
    """One act that a second person confirms.

    Parameters
    ----------
    number, act, subject, reason : str
        Name; what it is, in words; what it is about; why.
    proposed_by, proposed_on, true_on : str
        Who proposed it, when, and the day on which it becomes true.
    state : str
        ``open``, ``confirmed``, ``refused`` or ``taken-back``.
    decided_by, decided_on, answer : str
        The second person, when, and what was said.
    """

    number: str
    act: str
    subject: str
    reason: str
    proposed_by: str
    proposed_on: str
    true_on: str
    state: str
    decided_by: str
    decided_on: str
    answer: str


def waiting_counts(workplace: Workplace) -> dict[str, int]:
    """Return how many proposals and differences wait; nothing waits in a folder of records."""
    if not workplace.is_register:
        return {"proposals": 0, "queue": 0}
    from planner.tasks.verbs import open_register

    with open_register(workplace.place, read_only=True) as register:
        return {
            "proposals": register.count("proposals", {"state": "open"}),
            "queue": register.count("merge_queue", {"state": "open"}),
        }


def proposals_shown(workplace: Workplace) -> tuple[list[Proposal], list[Proposal]]:
    """Return the open proposals, oldest first, and the last closed ones, newest first."""
    from planner.tasks.verbs import open_register

    with open_register(workplace.place, read_only=True) as register:
        rows = register.rows("proposals")
    everything = sorted((_proposal(r) for r in rows), key=lambda p: (len(p.number), p.number))
    closed = [p for p in everything if p.state != "open"]
    return [p for p in everything if p.state == "open"], closed[::-1][:CLOSED_SHOWN]


def proposal_shown(workplace: Workplace, number: str) -> tuple[Proposal, list[Step]]:
    """Return a proposal and its steps with both values of every cell.

    Raises
    ------
    UsageError
        If there is no such proposal.
    """
    from planner.tasks.verbs import open_register

    with open_register(workplace.place, read_only=True) as register:
        row = register.get("proposals", number)
        if row is None:
            raise UsageError(f"proposal: found {number!r}. There is no such proposal. Look at the list.")
        content = json.loads(row["content"] or '{"steps": []}')
        shown = _proposal(row)
        return shown, [_step(register, s, is_open=shown.state == "open") for s in content["steps"]]


def _proposal(row: Mapping[str, Any]) -> Proposal:
    def text(name: str) -> str:
        return cell_text(row[name])

    true_on = json.loads(row["content"] or "{}").get("true_on") or ""
    return Proposal(
        text("proposal_id"),
        WORDS.get(text("act"), text("act")),
        text("subject"),
        text("reason"),
        text("proposed_by"),
        text("proposed_on"),
        str(true_on),
        text("state"),
        text("decided_by"),
        text("decided_on"),
        text("answer"),
    )


def _step(register: Register, step: Mapping[str, Any], *, is_open: bool) -> Step:
    if step["do"] == "merge-fish":
        return _merge_step(register, step)
    values = {k: str(v) for k, v in step["values"].items()}
    if step["do"] == "add":
        rows = [(k, "", v) for k, v in values.items()]
        return Step(f"A new record in {step['table']}", ("column", "now", "would be"), rows)
    table, number = str(step["table"]), int(step["record"])
    versions = register.history(table, number)
    # What the proposer saw; once it is closed that is still the left side.
    seen = next((v for v in versions if v.entry_id == step["entry"]), versions[-1])
    rows = [(k, cell_text(seen.values.get(k)), v) for k, v in values.items()]
    stale = ""
    if is_open and versions[-1].entry_id != step["entry"]:
        by = versions[-1].entered
        stale = (
            f"The record was changed since, by {by.entered_by} on {by.entered_at[:10]}: this proposal cannot be confirmed. "
            "Refuse it and propose it anew."
        )
    title = f"A change of {table} {step['name']}"
    return Step(title, ("column", "now", "would be"), rows, stale, f"/records/table/{table}/{number}")


def _merge_step(register: Register, step: Mapping[str, Any]) -> Step:
    keep, gone = register.get("fish", step["keep"]), register.get("fish", step["gone"])
    spec = register.schema.spec("fish")
    sides = [{n: cell_text(row[n]) if row else "" for n in spec.names} for row in (keep, gone)]
    rows = [(n, sides[0][n], sides[1][n]) for n in spec.names if sides[0][n] or sides[1][n]]
    title = f"{step['gone']} and {step['keep']} are one fish; {step['keep']} stays"
    return Step(title, ("column", f"stays: {step['keep']}", f"goes: {step['gone']}"), rows)


def decide_proposal(workplace: Workplace, number: str, who: str, decision: str, answer: str) -> str:
    """Confirm, refuse or take back a proposal; return what was done in words.

    Parameters
    ----------
    workplace : Workplace
        The register.
    number : str
        Name of the proposal.
    who : str
        The second person; the proposer to take it back.
    decision : {'confirm', 'refuse', 'take-back'}
        What is decided.
    answer : str
        A word about it; needed to confirm and to refuse.

    Raises
    ------
    UsageError
        If the decision is none of these, or nothing is said.
    NotAllowedError, RegisterError, InputError, PermitStopError
        As `planner.tasks.proposals.confirm`; the proposal stays open.
    """
    from planner.tasks.proposals import confirm
    from planner.tasks.verbs import open_register

    if decision not in ("confirm", "refuse", "take-back"):
        raise UsageError(f"decision: found {decision!r}. Expected confirm, refuse or take-back.")
    if decision != "take-back" and not answer.strip():
        raise UsageError("answer: found nothing. Expected a word on why, for those who come later.")
    with open_register(workplace.place) as register:
        return confirm(
            register,
            number,
            who,
            refuse=decision == "refuse",
            take_back=decision == "take-back",
            answer=answer.strip(),
        ).words


def propose_one_fish(workplace: Workplace, keep: str, gone: str, who: str, reason: str) -> str:
    """Propose that two names are one fish; return the number of the proposal. Errors as `propose_merge`."""
    from planner.tasks.merge_fish import propose_merge
    from planner.tasks.verbs import open_register

    with open_register(workplace.place) as register:
        return propose_merge(register, keep.strip(), gone.strip(), who, reason).proposal


def queue_shown(workplace: Workplace, number: int = 1) -> tuple[list[dict[str, Any]], int, int]:
    """Return a page of the differences that wait, how many there are, and the number of pages.

    Each is a dict of item, table, record, sources of both versions, and rows of column, old and new, and what is the same.
    """
    from planner.tasks.register_state import queue_of

    items = queue_of(workplace.place)
    start = QUEUE_SHOWN * (max(number, 1) - 1)
    shown = []
    for i in items[start : start + QUEUE_SHOWN]:
        ours, theirs = i.ours, i.theirs
        differ = {n for n, _, _ in i.differences()}
        names = [n for n in (ours or theirs) if cell_text(ours.get(n)) or cell_text(theirs.get(n))]
        shown.append(
            {
                "item": i.item_id,
                "table": i.row["table"],
                "record": i.row["record_key"],
                "number": i.row["our_record"],
                "ours_source": i.ours_source,
                "theirs_source": i.row["theirs_source"],
                "withdraws": not theirs,
                "is_new": i.row["our_record"] is None,
                "rows": [
                    (n, cell_text(ours.get(n)), cell_text(theirs.get(n)) if n in theirs else None)
                    for n in names
                    if n in differ or not theirs
                ],
                "same": [
                    (n.replace("_", " "), cell_text(ours.get(n))) for n in names if n not in differ and theirs
                ],
            }
        )
    return shown, len(items), max(-(-len(items) // QUEUE_SHOWN), 1)


def decide_queue(workplace: Workplace, item: str, keep: str, who: str, reason: str) -> str:
    """Decide one difference; return what was done in words; errors as `planner.tasks.register_queue.decide_item`.

    Raises
    ------
    UsageError
        If what to keep is none of old, new and both.
    """
    from planner.tasks.register_state import take_from_queue

    if keep not in ("old", "new", "both"):
        raise UsageError(f"keep: found {keep!r}. Expected old, new or both.")
    return take_from_queue(workplace.place, item, keep, (), who, reason)
