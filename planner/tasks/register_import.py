"""Import into a register: read, compare, check together with the records there, and write in one change or not at all."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from broodstock.fields import TABLES
from broodstock.findings import LEVELS, Findings
from planner.store.importing import Conflict, TableComparison, compared
from planner.store.mapping import Declared
from planner.tasks.import_signers import signers
from planner.tasks.register_findings import Marked, Reviewed, marked, remember, with_states
from planner.tasks.register_queue import queue_id, queue_row
from planner.tasks.register_reading import EVERY_TABLE, Incoming, read_incoming
from planner.tasks.register_union import checked_together, known_names, register_day

if TYPE_CHECKING:
    from broodstock.genotypes.genotype_set import GenotypeSet
    from planner.store.register import Register

MOST_SHOWN = 50
Say = Callable[[str], None]


def _silent(words: str) -> None:
    return None


@dataclass(frozen=True)
class ImportPlan:
    """What an import would do; nothing is written yet.

    Parameters
    ----------
    incoming : Incoming
        What was read.
    tables : dict of str to TableComparison
        By table of the register (contacts as ``detection_days``).
    changed : tuple of Conflict
        Records that take the values of a newer version of the file they came from.
    queued : tuple of Conflict
        Differences that a person decides.
    waiting : int
        Differences that are in the queue, or were decided, already.
    calls : dict of str to GenotypeSet
        Call sets that become the newest version.
    findings : Findings
        Everything found about the files, alone and together with the register.
    reviews : tuple of Reviewed
        The same with what people decided about them before.
    all_marked : tuple of Marked
        Every finding of the register as it would be, for the memory of findings.
    repeated : bool
        The same files, declared in the same way, were imported before.
    today : date
        Day the records are read for.
    """

    incoming: Incoming
    tables: Mapping[str, TableComparison]
    changed: tuple[Conflict, ...]
    queued: tuple[Conflict, ...]
    waiting: int
    calls: Mapping[str, GenotypeSet]
    findings: Findings
    reviews: tuple[Reviewed, ...]
    all_marked: tuple[Marked, ...]
    repeated: bool
    today: dt.date

    @property
    def refused(self) -> int:
        """Hard faults; with any of them nothing is written."""
        return len(self.findings.of_level("error"))

    @property
    def does_nothing(self) -> bool:
        """Whether the register holds everything already."""
        return not (
            self.queued or self.changed or self.calls or any(len(c.added) for c in self.tables.values())
        )

    def rows(self) -> list[dict[str, Any]]:
        """Return the counts by table: read, added, changed, left alone, queued."""
        out = []
        for name, c in self.tables.items():
            changed = sum(x.table == name for x in self.changed)
            queued = sum(x.table == name for x in self.queued)
            total = len(c.added) + c.same + len(c.conflicts)
            out.append(
                {
                    "table": name,
                    "rows": total,
                    "added": len(c.added),
                    "changed": changed,
                    "left_alone": c.same,
                    "queued": queued,
                    "waiting": len(c.conflicts) - changed - queued,
                }
            )
        return out


@dataclass(frozen=True)
class ImportReport:
    """What an import did, or would do.

    Parameters
    ----------
    plan : ImportPlan
        The plan.
    register : str
        The register as shown to people.
    written : bool
        Whether it was written.
    version : str
        Data version after it, empty for a dry run.
    closed : int
        Findings that are gone now.
    """

    plan: ImportPlan
    register: str
    written: bool
    version: str = ""
    closed: int = 0
    extra: tuple[str, ...] = field(default=())

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        p = self.plan
        return {
            "register": self.register,
            "file": p.incoming.name,
            "sha256": p.incoming.fingerprint,
            "written": self.written,
            "version": self.version,
            "imported_before": p.repeated,
            "tables": p.rows(),
            "call_sets": {n: g.n_samples for n, g in p.calls.items()},
            "converted": list(p.incoming.said),
            "refused": p.refused,
            "queue": [
                {"table": c.table, "row": c.row, "record": c.key, "columns": list(c.columns)}
                for c in p.queued
            ],
            "findings": [r.as_dict() for r in p.reviews],
            "findings_closed": self.closed,
        }

    def text(self) -> str:
        """Return the report as words."""
        from planner.tasks.text_tables import aligned

        p = self.plan
        head = ["table", "rows", "added", "changed", "left alone", "queued", "waiting"]
        lines = [f"{p.incoming.name} into {self.register}, SHA-256 {p.incoming.fingerprint[:12]}"]
        rows = [[str(v) for v in r.values()] for r in p.rows()]
        lines += ["", aligned(head, rows, right=range(1, 7))] if rows else ["", "No records."]
        lines += [
            f"call set {n}: {g.n_samples} samples x {g.n_loci} loci become current"
            for n, g in p.calls.items()
        ]
        lines += [f"converted: {s}" for s in p.incoming.said]
        lines += _conflict_lines(p)
        lines += _finding_lines(p.reviews)
        lines += ["", self._outcome(), *self.extra]
        return "\n".join(lines)

    def _outcome(self) -> str:
        p = self.plan
        if p.refused:
            return f"Refused: {p.refused} fault(s) stop this import; nothing was written."
        if p.repeated and p.does_nothing:
            return "The same file was imported before; nothing to do."
        if p.does_nothing:
            return "The register holds all of this already; nothing to do."
        if self.written:
            return f"Written as {self.version}; {self.closed} earlier finding(s) closed."
        return "A dry run: nothing was written. Add --write --as NAME to write it."


def _conflict_lines(p: ImportPlan) -> list[str]:
    lines = []
    for title, conflicts in (("Changed", p.changed), ("For the merge queue", p.queued)):
        if conflicts:
            lines += ["", f"{title}: {len(conflicts)}"]
            for c in conflicts[:MOST_SHOWN]:
                differ = "; ".join(f"{n}: {c.old[n]} -> {c.new[n]}" for n in c.columns) or "told twice"
                lines.append(f"- {c.table} {c.key} (row {c.row}): {differ}")
            if len(conflicts) > MOST_SHOWN:
                lines.append(f"... and {len(conflicts) - MOST_SHOWN} more")
    return lines


def _finding_lines(reviews: tuple[Reviewed, ...]) -> list[str]:
    lines = []
    open_ones = [r for r in reviews if r.state != "accepted"]
    for level, title in zip(LEVELS, ("Faults (stop an import)", "Warnings", "Notes"), strict=True):
        chosen = [r for r in open_ones if r.marked.finding.level == level]
        if chosen:
            lines += ["", f"{title}: {len(chosen)}", *(f"- {r.text()}" for r in chosen[:MOST_SHOWN])]
            if len(chosen) > MOST_SHOWN:
                lines.append(f"... and {len(chosen) - MOST_SHOWN} more (all with --json)")
    accepted = [r for r in reviews if r.state == "accepted"]
    if accepted:
        lines += ["", f"Accepted before: {len(accepted)}", *(f"- {r.text()}" for r in accepted[:MOST_SHOWN])]
    return lines


def plan_import(
    register: Register,
    path: Path,
    *,
    table: str = "",
    declared: Declared | None = None,
    newer: bool = False,
    overrides: Mapping[str, str] | None = None,
    say: Say = _silent,
) -> ImportPlan:
    """Read files and say what importing them would do.

    Parameters
    ----------
    register : Register
        An open register.
    path : Path
        Folder of records, CSV file or workbook.
    table : str
        Table of a single file not named like one.
    declared : Declared, optional
        Headers, units and kind of length.
    newer : bool
        The file is a newer version of one imported before: records that came from a file of this name take its values;
        all other differences still go to the queue.
    overrides : mapping, optional
        Settings as text for this check, for example ``today``.
    say : function
        Told what is being done.

    Returns
    -------
    ImportPlan
        Nothing is written.

    Raises
    ------
    UsageError
        As `planner.tasks.register_reading.read_incoming`.
    OSError
        If the file cannot be read.
    """
    say(f"Reading {path}")
    incoming = read_incoming(path, table, declared, known_names(register))
    say("Comparing with the register")
    comparisons = _comparisons(register, incoming)
    from_this = _records_of_file(register, incoming.name, comparisons) if newer else {}
    known_queue = {str(r["item_id"]): r for r in register.rows("merge_queue")}
    changed, queued, waiting = [], [], 0
    for c in comparisons.values():
        for conflict in c.conflicts:
            if conflict.record_id in from_this.get(conflict.table, ()):
                changed.append(conflict)
            elif queue_id(conflict, incoming.name) in known_queue:
                waiting += 1
            else:
                queued.append(conflict)
    calls = _new_calls(register, incoming)
    repeated = _repeated(register, incoming)
    idle = not (queued or changed or calls or any(len(c.added) for c in comparisons.values()))
    if repeated and idle:  # its findings are remembered; nothing would change
        return ImportPlan(
            incoming, comparisons, (), (), waiting, {}, Findings(), (), (), True, register_day(register)
        )
    say("Checking")
    union = checked_together(register, incoming, comparisons, changed, calls, overrides or {})
    of_files = marked(incoming.findings, incoming.tables)
    marks = [*of_files, *union.about_files]
    return ImportPlan(
        incoming,
        comparisons,
        tuple(changed),
        tuple(queued),
        waiting,
        calls,
        Findings([m.finding for m in marks]),
        tuple(with_states(marks, register.rows("finding_reviews"))),
        tuple({m.mark: m for m in (*of_files, *union.everything)}.values()),
        repeated,
        union.today,
    )


def _comparisons(register: Register, incoming: Incoming) -> dict[str, TableComparison]:
    from planner.store.detections import detection_days

    out = {}
    for name, new in incoming.tables.items():
        kept = "detection_days" if name == "scans" else name
        rows = detection_days(new) if name == "scans" else new
        out[kept] = compared(EVERY_TABLE[kept], register.frame(kept), rows)
    return out


def _records_of_file(
    register: Register, name: str, comparisons: Mapping[str, TableComparison]
) -> dict[str, set[int]]:
    """Return the records, by table, whose current version was imported from a file of this name."""
    mine = {c.change_id for c in register.changes() if c.kind == "import" and c.source.split(" ")[0] == name}
    out: dict[str, set[int]] = {}
    for table, c in comparisons.items():
        for conflict in c.conflicts:
            last = register.history(table, conflict.record_id)[-1]
            if last.entered.change_id in mine:
                out.setdefault(table, set()).add(conflict.record_id)
    return out


def _new_calls(register: Register, incoming: Incoming) -> dict[str, GenotypeSet]:
    """Return the call sets that would become current: what is there joined with what is new."""
    from planner.store.call_blobs import pack_calls
    from planner.store.importing_calls import joined_calls

    if not incoming.genotypes:
        return {}
    held = register.records(skip=TABLES).genotypes
    out = {}
    for name, new in incoming.genotypes.items():
        joined = joined_calls(held[name], new) if name in held else new
        if name not in held or pack_calls(joined) != pack_calls(held[name]):
            out[name] = joined
    return out


def _import_id(incoming: Incoming, table: str) -> str:
    declared = incoming.declared.words()
    tail = "-" + hashlib.sha256(declared.encode()).hexdigest()[:6] if declared else ""
    return f"{incoming.fingerprint[:12]}-{table}{tail}"


def _repeated(register: Register, incoming: Incoming) -> bool:
    names = [*incoming.tables, *incoming.genotypes]
    return bool(names) and all(
        (row := register.get("imports", _import_id(incoming, n))) is not None
        and row["sha256"] == incoming.fingerprint
        for n in names
    )


def write_import(
    register: Register, plan: ImportPlan, who: str, reason: str, mapping: str = "", confirmed_by: str = ""
) -> ImportReport:
    """Write an import as one change, or nothing of it.

    Parameters
    ----------
    register : Register
        Open for writing.
    plan : ImportPlan
        As `plan_import` made it.
    who, reason : str
        Who imports and why.
    mapping : str
        Name of the saved mapping that was used.
    confirmed_by : str
        Second person, for releases and culls; see `planner.tasks.import_signers.signers`.

    Returns
    -------
    ImportReport
        What was written; nothing when the register holds everything already.

    Raises
    ------
    InputError
        If the files have hard faults; it carries every finding.
    NotAllowedError
        If a person may not import this, or a second one is needed.
    UsageError
        If the register was changed since the plan was made.
    """
    plan.findings.raise_if_hard()
    who = signers(register, plan, who, confirmed_by)
    if plan.does_nothing and (plan.repeated or not plan.tables):
        return ImportReport(plan, register.place, False)
    incoming = plan.incoming
    said = "; ".join(incoming.said)
    source = f"{incoming.name} SHA-256 {incoming.fingerprint}" + (f"; {said}" if said else "")
    why = (reason or f"import of {incoming.name}") + (f" ({said})" if said else "")
    with register.writing(who, why, source=source, kind="import") as writer:
        for name, c in plan.tables.items():
            if len(c.added):
                writer.add(name, c.added, source_rows=[int(i) for i in c.added.index])
        for conflict in plan.changed:
            values = {n: conflict.new[n] for n in conflict.columns}
            writer.change(conflict.table, conflict.record_id, values)
        if plan.queued:
            rows = {r["item_id"]: r for r in (queue_row(c, incoming.name, plan.today) for c in plan.queued)}
            writer.add("merge_queue", list(rows.values()))
        _write_calls(writer, register, plan)
        _write_log(writer, register, plan, mapping)
        reviews = plan.tables.get("finding_reviews")
        brought = set() if reviews is None else set(reviews.added["finding"])
        found = [m for m in plan.all_marked if m.mark not in brought]
        _, closed = remember(writer, register, found, plan.today, who)
    return ImportReport(plan, register.place, True, register.data_version().text, closed)


def _write_calls(writer: Any, register: Register, plan: ImportPlan) -> None:
    from planner.store.call_blobs import pack_calls

    for name, calls in plan.calls.items():
        row = {
            "call_set": name,
            "kind": "snp" if name == "snps" else "microsatellite",
            "blob": writer.put_blob(pack_calls(calls)),
            "samples": calls.n_samples,
            "loci": calls.n_loci,
            "source": plan.incoming.name,
            "source_sha256": plan.incoming.fingerprint,
        }
        old = register.get("call_sets", name)
        if old is None:
            writer.add("call_sets", [row])
        else:
            changed = {k: v for k, v in row.items() if old.get(k) != v}
            writer.change("call_sets", int(old["record_id"]), changed)


def _write_log(writer: Any, register: Register, plan: ImportPlan, mapping: str) -> None:
    incoming = plan.incoming
    counts = {r["table"]: r for r in plan.rows()}
    rows = []
    for name in [*incoming.tables, *incoming.genotypes]:
        import_id = _import_id(incoming, name)
        if register.get("imports", import_id) is not None:
            continue
        c = counts.get("detection_days" if name == "scans" else name, {})
        frame = incoming.tables.get(name)
        rows.append(
            {
                "import_id": import_id,
                "file": incoming.name,
                "sha256": incoming.fingerprint,
                "table": "detection_days" if name == "scans" else name,
                "mapping": mapping or None,
                "declared": json.dumps(_declared(incoming.declared), sort_keys=True)
                if incoming.declared.words()
                else None,
                "rows": len(frame) if frame is not None else incoming.genotypes[name].n_samples,
                "added": c.get("added", 0),
                "changed": c.get("changed", 0),
                "same": c.get("left_alone", 0),
                "queued": c.get("queued", 0),
            }
        )
    if rows:
        writer.add("imports", rows)


def _declared(declared: Declared) -> dict[str, Any]:
    return {
        "columns": dict(declared.columns),
        "units": dict(declared.units),
        "length_type": declared.length_type,
    }
