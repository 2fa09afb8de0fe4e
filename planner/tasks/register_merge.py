"""Merge two registers that were edited apart: laptop at the pond, file in the office."""

from __future__ import annotations

import hashlib
import json
import re
import tempfile
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from broodstock.errors import UsageError
from planner.store.backup import backup
from planner.store.merging import Here, Step, common_change, operations
from planner.store.register import Register
from planner.store.versions import Change, utc_now
from planner.tasks.people import check_approver
from planner.tasks.register_queue import ID_LENGTH

SOURCE = re.compile(r"^merge of change (\d+), ([0-9a-f]{64}),")
MOST_SHOWN = 50


@dataclass
class MergeReport:
    """What a merge did, or would do.

    Parameters
    ----------
    register, other : str
        Both registers, as shown to people.
    common : int
        Last change both have.
    steps : list of Step
        One for each change of the other that is not here yet.
    known : int
        Changes of the other that were merged before, or came from here.
    written : bool
        Whether it was written.
    version : str
        Data version after it.
    """

    register: str
    other: str
    common: int
    steps: list[Step] = field(default_factory=list)
    known: int = 0
    written: bool = False
    version: str = ""

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {
            "register": self.register,
            "other": self.other,
            "common_change": self.common,
            "known_changes": self.known,
            "written": self.written,
            "version": self.version,
            "changes": [
                {
                    "change": s.change.change_id,
                    "entered_by": s.change.entered_by,
                    "entered_at": s.change.entered_at,
                    "reason": s.change.reason,
                    "added": len(s.adds),
                    "changed": len(s.changes),
                    "withdrawn": len(s.withdrawals),
                    "same": s.same,
                    "conflicts": [
                        {"table": t, "record": key, "ours": ours, "theirs": theirs}
                        for t, _, key, ours, theirs in s.conflicts
                    ],
                }
                for s in self.steps
            ],
        }

    def text(self) -> str:
        """Return the report as words."""
        from planner.tasks.text_tables import aligned

        lines = [
            f"{self.other} into {self.register}: both have change {self.common}, {self.known} known already"
        ]
        head = ["change", "entered", "by", "reason", "added", "changed", "withdrawn", "same", "conflicts"]
        rows = [
            [
                str(s.change.change_id),
                s.change.entered_at[:16].replace("T", " "),
                s.change.entered_by,
                s.change.reason[:40],
                *(str(len(x)) for x in (s.adds, s.changes, s.withdrawals)),
                str(s.same),
                str(len(s.conflicts)),
            ]
            for s in self.steps
        ]
        lines += ["", aligned(head, rows, right=range(4, 9))] if rows else ["", "Nothing new."]
        found = [c for s in self.steps for c in s.conflicts]
        if found:
            lines += ["", f"For the merge queue: {len(found)}"]
            for table, _, key, ours, theirs in found[:MOST_SHOWN]:
                words = "; ".join(
                    f"{n}: {ours.get(n)} here, {v} there" for n, v in theirs.items() if ours.get(n) != v
                )
                lines.append(f"- {table} {key}: {words or 'withdrawn there, still needed or changed here'}")
            if len(found) > MOST_SHOWN:
                lines.append(f"... and {len(found) - MOST_SHOWN} more (all with --json)")
        if self.written:
            lines += ["", f"Written: {self.version}. Nothing of either side was lost."]
        elif rows:
            lines += ["", "A dry run: nothing was written. Add --write --as NAME to write it."]
        return "\n".join(lines)


def merge_registers(
    place: Path | str, other: Path | str, who: str, write: bool
) -> tuple[str, dict[str, Any]]:
    """Bring the changes of another register into this one; without `write` on a copy that is thrown away.

    Raises
    ------
    UsageError
        If the registers have no change in common.
    NotAllowedError
        If the register has people and who merges has not role approve.
    RegisterError
        If one cannot be opened, or a record was changed by someone else meanwhile.
    """
    with Register.open(place, read_only=not write) as ours, Register.open(other, read_only=True) as theirs:
        if write:
            report = merge(ours, theirs, check_approver(ours, who))
        else:
            with tempfile.TemporaryDirectory() as folder:
                copy = Path(folder) / "copy.kinshoal"
                backup(ours, copy)
                with Register.open(copy) as tried:
                    report = merge(tried, theirs, who or "dry run")
            report.register, report.written, report.version = ours.place, False, ""
    return report.text(), report.as_dict()


def merge(ours: Register, theirs: Register, who: str) -> MergeReport:
    """Replay what the other register did since both parted, one change of ours for each of its changes.

    Parameters
    ----------
    ours : Register
        Open for writing.
    theirs : Register
        The other; it is only read.
    who : str
        Who merges. Who made each change, and when, stands in its source.

    Returns
    -------
    MergeReport
        When it is stopped half-way, changes are here whole or not at all; merging again goes on where it stopped.

    Raises
    ------
    UsageError
        If the registers have no change in common.
    StaleRecord
        If someone changed a record here meanwhile; merge again.
    """
    mine, other = ours.changes(), theirs.changes()
    common = common_change(mine, other)
    if not common:
        raise UsageError(
            f"merge of {theirs.place} into {ours.place}: found no change that both have. Expected two copies of one "
            "register, each edited after the copy was made. Export the other and import it instead."
        )
    here = Here(ours, common)
    merged = {m.group(2) for c in mine if (m := SOURCE.match(c.source))} | {c.hash for c in mine}
    report = MergeReport(ours.place, theirs.place, common, written=True)
    for change in other[common:]:
        came_from = SOURCE.match(change.source)
        done = operations(theirs, change.change_id)
        if change.hash in merged or (came_from and came_from.group(2) in merged):
            report.known += 1
            here.replayed(done)
            continue
        step = here.step(change, done)
        report.steps.append(step)
        if not step.is_empty:
            _write(ours, theirs, here, step, who)
    report.version = ours.data_version().text
    return report


def _write(ours: Register, theirs: Register, here: Here, step: Step, who: str) -> None:
    change = step.change
    known_queue = {str(r["item_id"]) for r in ours.rows("merge_queue", columns=["item_id"])}
    rows = {r["item_id"]: r for r in _queue_rows(step, theirs.place)}
    added: dict[tuple[str, int], int] = {}
    with ours.writing(
        who, change.reason, source=source_of(change), true_on=_day(change), kind="merge"
    ) as writer:
        for sha in _blobs(step):
            writer.put_blob(theirs.blob(sha))
        by_table: dict[str, list[tuple[int, dict[str, Any]]]] = {}
        for table, number, values in step.adds:
            by_table.setdefault(table, []).append((number, values))
        for table, items in by_table.items():
            numbers = writer.add(
                table, [{n: v for n, v in values.items() if v is not None} for _, values in items]
            )
            added |= {(table, their): our for (their, _), our in zip(items, numbers, strict=True)}
        for table, record, values, entry in step.changes:
            writer.change(table, record, values, expected_entry=entry)
        for table, record in step.withdrawals:
            writer.withdraw(table, record)
        new = [r for item, r in rows.items() if item not in known_queue]
        if new:
            writer.add("merge_queue", new)
    here.written(step, added)


def source_of(change: Change) -> str:
    """Return the source of a replayed change: number, hash, who and when of the original, and its own source."""
    words = f"merge of change {change.change_id}, {change.hash}, entered by {change.entered_by} at {change.entered_at}"
    return f"{words}; {change.source}" if change.source else words


def _day(change: Change) -> Any:
    import datetime as dt

    return dt.date.fromisoformat(change.true_on) if change.true_on else None


def _blobs(step: Step) -> list[str]:
    """Return the bytes kept whole that rows of a step name."""
    rows = [(t, v) for t, _, v in step.adds] + [(t, v) for t, _, v, _ in step.changes]
    rows += [(t, theirs) for t, _, _, _, theirs in step.conflicts]
    return sorted({str(v["blob"]) for t, v in rows if t == "call_sets" and v.get("blob")})


def _queue_rows(step: Step, place: str) -> list[dict[str, Any]]:
    day = utc_now().date()
    out = []
    for table, ours, key, mine, theirs in step.conflicts:
        facts = json.dumps([table, key, mine, theirs, step.change.hash], sort_keys=True, ensure_ascii=False)
        differ = [n for n in theirs if mine.get(n) != theirs[n]]
        out.append(
            {
                "item_id": hashlib.sha256(facts.encode()).hexdigest()[:ID_LENGTH],
                "table": table,
                "our_record": ours,
                "record_key": key,
                "column": ", ".join(differ) or None,
                "ours": json.dumps(mine, sort_keys=True, ensure_ascii=False),
                "theirs": json.dumps(theirs, sort_keys=True, ensure_ascii=False),
                "theirs_source": f"{step.change.entered_by} on {step.change.entered_at[:10]}, {place}",
                "found_on": day,
                "state": "open",
            }
        )
    return out
