"""What keying in a paper would do or did, as plain values and words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

from broodstock.errors import KinshoalError
from planner.tasks.proposals import WORDS
from planner.tasks.sheets.keyed_before import KeyedBefore
from planner.tasks.sheets.make import KeptSheet
from planner.tasks.sheets.typed import Line, Spot

State = Literal["new", "change", "same", "differs", "waits"]
STATE_WORDS = {
    "new": "new",
    "change": "changes a record",
    "same": "in the records already",
    "differs": "differs from the records: tick it to take what was typed",
    "waits": "waits for a second person",
}


class PaperVoidError(KinshoalError):
    """The paper is void: a newer version was printed."""

    code = "paper-void"


class EntryRefusedError(KinshoalError):
    """Something typed cannot be entered; nothing was."""

    code = "entry-refused"

    def __init__(self, faults: Sequence[Fault]) -> None:
        self.faults = tuple(faults)
        shown = "\n".join(f"- {f.text()}" for f in self.faults)
        super().__init__(
            f"{len(self.faults)} fault(s); nothing was entered, what was typed is kept.\n{shown}"
        )


@dataclass(frozen=True)
class Fault:
    """One fault or doubt about what was typed.

    Parameters
    ----------
    spot : Spot
        Place on the paper; (-1, 0) when it is about the whole paper.
    column, heading : str
        Column, and how the paper calls it.
    words : str
        Line in words.
    said : str
        What is wrong and what to do.
    """

    spot: Spot
    column: str
    heading: str
    words: str
    said: str

    def text(self) -> str:
        """Return the fault with its place."""
        where = [f"line {self.spot[1]} ({self.words})" if self.spot[1] else "", self.heading]
        return f"{', '.join(w for w in where if w) or 'the paper'}: {self.said}"

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {"block": self.spot[0] + 1, "line": self.spot[1], "column": self.column, "heading": self.heading,
                "words": self.words, "fault": self.said}  # fmt: skip


def together(found: Sequence[Fault]) -> list[str]:
    """Return faults as text, those that say the same of several lines as one."""
    groups: dict[tuple[str, str], list[Fault]] = {}
    for f in found:
        groups.setdefault((f.heading, f.said), []).append(f)
    return [
        same[0].text() if len(same) == 1 else f"{len(same)} lines, {heading}: {said}"
        for (heading, said), same in groups.items()
    ]


@dataclass(frozen=True)
class EntryLine:
    """What one line would do.

    Parameters
    ----------
    line : Line
        The line.
    state : State
        What it would do.
    values : mapping
        Plain values by column that would be entered.
    old : mapping
        Values of the record in the columns that differ.
    record, entry : int
        Record and its version; 0 for a new one.
    act : str
        What two people must agree on; empty otherwise.
    proposal : str
        Proposal it waits in.
    """

    line: Line
    state: State
    values: Mapping[str, Any]
    old: Mapping[str, Any] = field(default_factory=dict)
    record: int = 0
    entry: int = 0
    act: str = ""
    proposal: str = ""

    def text(self) -> str:
        """Return what it would do in words."""
        called = {f.column: f.label for f in self.line.form.fields}
        names = {n: called.get(n, n.replace("_", " ")) for n in (*self.old, *self.line.blanks)}
        told = ", ".join(
            f"{names[n]}: {_shown(self.old[n])} -> {_shown(self.values.get(n))}" for n in self.old
        )
        typed = [n for n, text in self.line.blanks.items() if text and self.values.get(n) is not None]
        told = told or ", ".join(f"{names[n]}: {_shown(self.values[n])}" for n in typed)
        waits = f" (proposal {self.proposal})" if self.proposal else ""
        second = (
            f"; {WORDS[self.act]}, which a second person confirms"
            if self.act and self.state != "same"
            else ""
        )
        return f"{self.line.words}: {STATE_WORDS[self.state]}{waits}{second}{f'; {told}' if told else ''}"


@dataclass(frozen=True)
class EntryPlan:
    """What keying in a paper would do; nothing is written yet.

    Parameters
    ----------
    kept : KeptSheet
        The paper.
    lines : tuple of EntryLine
        Lines that were filled in, in the order of the paper.
    faults, doubts : tuple of Fault
        What stops it, and what should be looked at.
    before : KeyedBefore
        Earlier keyings of the same paper.
    left_empty : int
        Lines entered earlier that are empty now; they stay.
    saw : int
        Last change of the register that was seen.
    """

    kept: KeptSheet
    lines: tuple[EntryLine, ...]
    faults: tuple[Fault, ...]
    doubts: tuple[Fault, ...]
    before: KeyedBefore
    left_empty: int
    saw: int

    def of(self, *states: State) -> list[EntryLine]:
        """Return the lines in some states."""
        return [x for x in self.lines if x.state in states]

    @property
    def doubts_told(self) -> list[str]:
        """What should be looked at, in words."""
        return together(self.doubts)

    @property
    def writes(self) -> list[EntryLine]:
        """Lines that would be entered or proposed."""
        return self.of("new", "change")


@dataclass(frozen=True)
class EntryReport:
    """What keying in a paper did, or would do.

    Parameters
    ----------
    plan : EntryPlan
        The plan.
    change_id : int
        Number of the change; 0 when nothing was written.
    proposals : tuple of str
        Proposals that wait for a second person.
    """

    plan: EntryPlan
    change_id: int = 0
    proposals: tuple[str, ...] = ()

    def outcome(self) -> str:
        """Return in one sentence what was done."""
        ready = self.plan.writes
        if self.plan.faults:
            return f"Refused: {len(self.plan.faults)} fault(s); nothing was entered."
        if self.change_id:
            direct = sum(not x.act for x in ready) if self.proposals else len(ready)
            waits = (
                f"; {len(ready) - direct} wait for a second person in proposal {', '.join(self.proposals)}"
            )
            return f"{direct} line(s) entered as change {self.change_id}{waits if self.proposals else ''}."
        differ = len(self.plan.of("differs"))
        if not ready and differ:
            return f"{differ} line(s) differ from the records; tick those that are to take what was typed."
        if not ready:
            return "Nothing to enter: no line was filled in, or the records hold all of it already."
        return f"{len(ready)} line(s) ready; nothing was entered yet."

    def text(self) -> str:
        """Return the report as words."""
        p = self.plan
        lines = [
            f"{p.kept.title}, {p.kept.subtitle}: version {p.kept.version}, mark {p.kept.mark}",
            *p.before.words(),
        ]
        lines += [f"- {x.text()}" for x in p.lines]
        if p.left_empty:
            lines.append(f"{p.left_empty} line(s) entered before were left empty now; their records stay.")
        for title, found in (("Faults", p.faults), ("Look at these", p.doubts)):
            if found:
                lines += ["", f"{title}: {len(found)}", *(f"- {t}" for t in together(found))]
        return "\n".join([*lines, "", self.outcome()])

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        p = self.plan
        return {
            "sheet": p.kept.name,
            "version": p.kept.version,
            "mark": p.kept.mark,
            "change": self.change_id or None,
            "proposals": list(self.proposals),
            "keyed_before": p.before.words(),
            "lines": [
                {"block": x.line.spot[0] + 1, "line": x.line.spot[1], "words": x.line.words, "table": x.line.form.table,
                 "state": x.state, "values": dict(x.values), "old": dict(x.old), "needs_second": x.act or None}
                for x in p.lines
            ],
            "faults": [f.as_dict() for f in p.faults],
            "doubts": [f.as_dict() for f in p.doubts],
            "done": self.outcome(),
        }  # fmt: skip


def _shown(value: Any) -> str:
    if value is None or value == "":
        return "(empty)"
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:g}" if isinstance(value, float) else str(value)
