"""Findings with a memory: the same facts have the same mark, and what a person decided about them stays decided."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import pandas as pd

from broodstock.checks.run import CHECKS
from broodstock.errors import UsageError
from broodstock.findings import LEVELS, Finding, Place
from broodstock.findings_catalogue import CATALOGUE
from broodstock.intake.raw_table import MORE_WORDS
from planner.store.importing import identity_of, plain_cell
from planner.tasks.register_reading import EVERY_TABLE

if TYPE_CHECKING:
    from planner.store.register import Register, Writer

WHO_DECIDES = {
    "Tags": "recovery coordinator",
    "Waters": "recovery coordinator",
    "Measures": "hatchery manager",
    "Station": "hatchery manager",
    "Parents and families": "geneticist",
    "Genotypes": "geneticist",
}
"""Who decides about a finding, by the topic of its code; whoever keeps the records decides about all others."""
KEEPER = "keeper of the records"
MARK_LENGTH = 12


@dataclass(frozen=True)
class Marked:
    """One finding with its mark.

    Parameters
    ----------
    mark : str
        Twelve hex digits: the same code about the same record with the same facts has the same mark, wherever the
        record stands in a file.
    finding : Finding
        The finding.
    table, key : str
        Table and key of the record it is about, as text; the key is empty when it is about no single record.
    """

    mark: str
    finding: Finding
    table: str
    key: str

    @property
    def who_decides(self) -> str:
        """Role that decides."""
        entry = CATALOGUE.get(self.finding.code)
        return KEEPER if entry is None else WHO_DECIDES.get(entry.topic, KEEPER)


def marked(findings: Iterable[Finding], tables: Mapping[str, pd.DataFrame]) -> list[Marked]:
    """Give every finding its mark.

    Parameters
    ----------
    findings : iterable of Finding
        Findings whose rows are labels of the frames.
    tables : mapping of str to DataFrame
        Tables by name, with ``attrs["file"]`` as the findings say it.

    Returns
    -------
    list of Marked
        In the same order; equal marks once.
    """
    by_file = {str(t.attrs.get("file") or f"{n}.csv"): n for n, t in tables.items()}
    out: dict[str, Marked] = {}
    for finding in findings:
        name, key = _record_of(finding.where, by_file, tables)
        others = sorted(":".join(_record_of(p, by_file, tables)) for p in finding.others)
        found = re.sub(r"\brows? \d+(, \d+)*( and \d+)?", "row", finding.found)
        text = json.dumps(
            [finding.code, name, key, finding.where.column or "", found, others], ensure_ascii=False
        )
        mark = hashlib.sha256(text.encode()).hexdigest()[:MARK_LENGTH]
        out.setdefault(mark, Marked(mark, finding, name, key))
    return list(out.values())


def _record_of(
    place: Place, by_file: Mapping[str, str], tables: Mapping[str, pd.DataFrame]
) -> tuple[str, str]:
    name = by_file.get(place.file, place.file)
    if name not in tables or place.row is None or place.row not in tables[name].index:
        return name, ""
    row = tables[name].loc[place.row]
    row = row.iloc[0] if isinstance(row, pd.DataFrame) else row
    spec = EVERY_TABLE[name]
    cells = [plain_cell(row[c], spec.column(c)) for c in identity_of(spec)]
    return name, ", ".join("" if c is None else str(c) for c in cells)


@dataclass(frozen=True)
class Reviewed:
    """A finding and what was decided about it.

    Parameters
    ----------
    marked : Marked
        The finding.
    state : str
        ``open``, ``reviewed``, ``accepted`` or ``corrected``.
    decided_by, decided_on, reason : str
        Who decided, when and why; empty while open.
    """

    marked: Marked
    state: str
    decided_by: str = ""
    decided_on: str = ""
    reason: str = ""

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        m = self.marked
        return m.finding.as_dict() | {
            "mark": m.mark,
            "table": m.table,
            "record": m.key,
            "who_decides": m.who_decides,
            "state": self.state,
            "decided_by": self.decided_by,
            "decided_on": self.decided_on,
            "reason": self.reason,
        }

    def text(self) -> str:
        """Return one line: mark, finding, and the decision when there is one."""
        why = f" {self.state} by {self.decided_by}: {self.reason}" if self.state != "open" else ""
        return f"{self.marked.mark} {self.marked.finding.text()}{why}"


def with_states(found: Sequence[Marked], reviews: Iterable[Mapping[str, Any]]) -> list[Reviewed]:
    """Join findings with what was decided about them; one that was decided ``corrected`` and is back is open."""
    known = {str(r["finding"]): r for r in reviews}
    out = []
    for m in found:
        r = known.get(m.mark)
        if r is None or r["state"] in ("open", "corrected"):
            out.append(Reviewed(m, "open"))
        else:
            out.append(
                Reviewed(
                    m, str(r["state"]), *(str(r[c] or "") for c in ("decided_by", "decided_on", "reason"))
                )
            )
    return out


def remember(
    writer: Writer, register: Register, found: Sequence[Marked], today: dt.date, who: str
) -> tuple[int, int]:
    """Write down findings not known yet as open, and those that are gone as corrected.

    Findings about the form of a file stay as they are, since no later check can see them again; so do those of a code
    of which there are more than are listed.

    Parameters
    ----------
    writer, register : Writer, Register
        The open change and its register.
    found : sequence of Marked
        Every finding of the register as it is after the change; notes are not kept.
    today : date
        Day of the decision ``corrected``.
    who : str
        Who makes the change.

    Returns
    -------
    tuple of int
        Findings added, and findings closed.
    """
    rows = {str(r["finding"]): r for r in register.rows("finding_reviews")}
    mine = {m.mark: m for m in found if m.finding.level != "note"}
    added = [review_row(m) for mark, m in mine.items() if mark not in rows]
    writer.add("finding_reviews", added) if added else None
    back = [m for mark, m in mine.items() if mark in rows and rows[mark]["state"] == "corrected"]
    for m in back:
        again = {"state": "open", "decided_by": None, "decided_on": None, "reason": None}
        writer.change("finding_reviews", int(rows[m.mark]["record_id"]), again)
    again_seen = {code for check in CHECKS for code in check.codes} | {"reference-unknown", "parent-unknown"}
    again_seen -= {m.finding.code for m in found if m.finding.found.endswith(MORE_WORDS)}
    gone = [
        r
        for mark, r in rows.items()
        if mark not in mine and r["state"] in ("open", "reviewed") and r["code"] in again_seen
    ]
    for r in gone:
        words = {
            "state": "corrected",
            "decided_by": who,
            "decided_on": today,
            "reason": "no check finds it now",
        }
        writer.change("finding_reviews", int(r["record_id"]), words)
    return len(added) + len(back), len(gone)


def review_row(m: Marked) -> dict[str, Any]:
    """Return a finding as a row of ``finding_reviews``, open."""
    return {
        "finding": m.mark,
        "code": m.finding.code,
        "table": m.table,
        "record_key": m.key or None,
        "column": m.finding.where.column,
        "evidence": f"{m.finding.level}: {m.finding.found}; expected {m.finding.expected}",
        "who_decides": m.who_decides,
        "state": "open",
    }


def decide(
    register: Register,
    found: Sequence[Marked],
    marks: Sequence[str],
    state: str,
    who: str,
    reason: str,
    day: dt.date,
) -> list[Marked]:
    """Write down that findings are accepted, reviewed or open again.

    Parameters
    ----------
    register : Register
        Open for writing.
    found : sequence of Marked
        Findings as they are now.
    marks : sequence of str
        Marks, or the beginning of one that no other has.
    state : {'accepted', 'reviewed', 'open'}
        The decision.
    who, reason : str
        Who decides and why.
    day : date
        Day of the decision.

    Returns
    -------
    list of Marked
        The findings decided.

    Raises
    ------
    UsageError
        If a mark is unknown or stands for more than one finding, or an error is to be accepted.
    """
    if not reason.strip():
        raise UsageError(
            "--reason: found nothing. Expected why the finding is accepted, reviewed or open again, for those who come "
            "later."
        )
    chosen = [_one(mark, found) for mark in marks]
    hard = [m for m in chosen if m.finding.level == "error" and state == "accepted"]
    if hard:
        raise UsageError(
            f"finding {hard[0].mark}: found an error, {hard[0].finding.code}. Expected a warning or a note. An error "
            "cannot be accepted; correct the record: kinshoal change."
        )
    rows = {str(r["finding"]): r for r in register.rows("finding_reviews")}
    decision = {"state": state, "decided_by": who, "decided_on": day, "reason": reason}
    with register.writing(who, reason, kind="review") as writer:
        for m in chosen:
            if m.mark in rows:
                writer.change("finding_reviews", int(rows[m.mark]["record_id"]), decision)
            else:
                writer.add("finding_reviews", [review_row(m) | decision])
    return chosen


def _one(mark: str, found: Sequence[Marked]) -> Marked:
    fit = [m for m in found if m.mark.startswith(mark)] if mark else []
    if len(fit) != 1:
        words = "no finding" if not fit else f"{len(fit)} findings"
        raise UsageError(
            f"finding {mark!r}: found {words} with a mark that begins so. Expected one. 'kinshoal register findings' "
            "lists the marks."
        )
    return fit[0]


def counted(found: Iterable[Reviewed]) -> dict[str, dict[str, int]]:
    """Return the number of findings by state and level."""
    out: dict[str, dict[str, int]] = {}
    for r in found:
        by_level = out.setdefault(r.state, dict.fromkeys(LEVELS, 0))
        by_level[r.marked.finding.level] += 1
    return out
