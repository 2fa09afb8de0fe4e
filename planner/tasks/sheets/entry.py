"""Key in filled paper: check all that was typed, compare with the records, and enter it as one change or not at all."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from broodstock.errors import UsageError
from broodstock.fields import TABLES
from broodstock.findings import Finding, Findings
from planner.store.importing import Conflict, TableComparison
from planner.tasks.people import NotAllowedError, check_person
from planner.tasks.proposals import (
    hard_act,
    permit_stop_of_change,
    permit_stops_of_rows,
    register_day,
    write_proposal,
)
from planner.tasks.register_reading import Incoming
from planner.tasks.sheets.entry_lines import judge_added, judge_changed, text_of, with_names
from planner.tasks.sheets.entry_report import (
    EntryLine,
    EntryPlan,
    EntryRefusedError,
    EntryReport,
    Fault,
    PaperVoidError,
)
from planner.tasks.sheets.keyed_before import keyed_before, source_of
from planner.tasks.sheets.make import KeptSheet
from planner.tasks.sheets.typed import MARK_LEAST, Typed, filled_lines, frame_of, line_words, spot_of

if TYPE_CHECKING:
    import pandas as pd

    from planner.store.register import Register
    from planner.store.writer import Writer

TRIES = 3
PERMIT = "permit"
"""Stands for the column of a fault that is the stop of a permit."""
WHOLE_PAPER = (-1, 0)
BY_DNA = "broodstock.checks.genetic_checks"
"""Checks left to imports and reports: they read genotypes, which no paper brings."""
NOT_READ = ("scans", "snps", "microsatellites")
"""Large parts of the records that say nothing about what a hand writes on paper."""


@dataclass(frozen=True)
class _Joining:
    """Rows of one table as they would be: new ones, changed ones, and what changes."""

    new: pd.DataFrame
    after: pd.DataFrame
    conflicts: list[Conflict]


def check_paper(kept: KeptSheet, typed: Typed) -> None:
    """Check that the paper in hand is the one on the form, and in force or used for a stated reason.

    Raises
    ------
    UsageError
        If version or mark are those of another paper, or it has nothing to key in.
    PaperVoidError
        If it is void and no reason is given.
    """
    if not kept.forms:
        raise UsageError(
            f"{kept.title}: found a sheet that is only read. Expected one with blanks to key in."
        )
    mark = typed.mark.strip().lower()
    if typed.version.strip().lower().removeprefix("v") != str(kept.version):
        raise UsageError(
            f"version: found {typed.version.strip()!r} on the paper. Expected {kept.version}, which this form is for. Open "
            "the form of the version that stands on the paper."
        )
    if len(mark) < MARK_LEAST or not kept.mark.startswith(mark):
        raise UsageError(
            f"mark: found {typed.mark.strip()!r} on the paper. Expected the first {MARK_LEAST} characters or more of the "
            "mark of this form. Look at the foot of the paper; it may be another sheet."
        )
    if kept.is_void and not typed.although.strip():
        raise PaperVoidError(
            f"{kept.title}: found version {kept.version}, which version {kept.newest} voids. Expected the newest paper. If "
            "this was done on this paper all the same, say so and why: what happened must not be lost."
        )


def plan_entry(register: Register, kept: KeptSheet, typed: Typed) -> EntryPlan:
    """Check everything that was typed and say what entering it would do.

    Parameters
    ----------
    register : Register
        Open.
    kept : KeptSheet
        The paper as printed.
    typed : Typed
        What was typed.

    Returns
    -------
    EntryPlan
        Every fault at once; nothing is written.

    Raises
    ------
    UsageError, PaperVoidError
        As `check_paper`, or if a line is not on the paper.
    """
    check_paper(kept, typed)
    lines = filled_lines(kept, typed)
    saw = register.data_version().change_id
    before = keyed_before(register, kept)
    named = with_names(register, lines, before)
    found = Findings()
    out: list[EntryLine] = []
    joining: dict[str, list[_Joining]] = {}
    for table in dict.fromkeys(x.form.table for x in named):
        for add in (True, False):
            mine = [x for x in named if x.form.table == table and (x.form.action == "add") == add]
            if not mine:
                continue
            frame = frame_of(table, mine, _file(kept), found, whole=add)
            judge = judge_added if add else judge_changed
            judged = judge(register, table, mine, frame, before, typed, found)
            out += judged
            joining.setdefault(table, []).append(_joining(register, table, judged, frame))
    out = sorted((_with_act(register, kept, x) for x in out), key=lambda x: x.line.spot)
    faults = [_fault(kept, f) for f in found.of_level("error")]
    doubts: list[Fault] = []
    if not faults and any(x.state in ("new", "change") for x in out):
        about = _checked(register, kept, joining)
        faults += [_fault(kept, f) for f in about if f.level == "error"]
        doubts += [_fault(kept, f) for f in about if f.level == "warning"]
    if not faults:
        out, stops = _permits(register, out, beyond=typed.beyond_permit)
        faults += stops
    entered = {row for _, row in before.records} | set(before.waiting)
    empty = entered - {x.line.row for x in out}
    return EntryPlan(kept, tuple(out), tuple(faults), tuple(doubts), before, len(empty), saw)


def enter(
    register: Register, kept: KeptSheet, typed: Typed, who: str, *, confirmed_by: str = ""
) -> EntryReport:
    """Enter what was typed as one change; what two people must agree on becomes a proposal in the same change.

    Parameters
    ----------
    register : Register
        Open for writing.
    kept, typed
        As `plan_entry`.
    who : str
        Who keys it in; role enter.
    confirmed_by : str
        A second person with role approve, who has looked at it: then everything is entered at once under both names.

    Raises
    ------
    EntryRefusedError
        With every fault; nothing is entered.
    NotAllowedError
        If a person may not.
    UsageError, PaperVoidError, RegisterError
        As `plan_entry`; whatever the register refuses.
    """
    name = check_person(register, who)
    signed = name
    if confirmed_by.strip():
        second = check_person(register, confirmed_by, "approve", "--confirmed-by")
        if second.casefold() == name.casefold():
            raise NotAllowedError(
                f"--confirmed-by: found '{confirmed_by}', who keys it in. Expected another person with role approve."
            )
        signed = f"{name} and {second}"
    for _ in range(TRIES):
        plan = plan_entry(register, kept, typed)
        if plan.faults:
            raise EntryRefusedError(plan.faults)
        if not plan.writes:
            return EntryReport(plan)
        alone = signed == name
        proposals: tuple[str, ...] = ()
        with register.writing(signed, _why(kept, typed), source=source_of(kept), kind="sheet") as writer:
            if writer.change_id == plan.saw + 1:  # nobody wrote since the plan was made
                _write(writer, [x for x in plan.writes if not (alone and x.act)])
                if alone:
                    proposals = _propose(writer, plan, name, register_day(register), _why(kept, typed))
        if writer.change_id == plan.saw + 1:
            return EntryReport(plan, writer.change_id, proposals)
    raise UsageError("register: found other people writing all the time. Expected a quiet moment. Try again.")


def _why(kept: KeptSheet, typed: Typed) -> str:
    said = typed.reason.strip() or f"{kept.title}, keyed in from paper"
    void = (
        f"; done on version {kept.version} although version {kept.newest} voids it: {typed.although.strip()}"
    )
    return said + (void if kept.is_void else "")


def _file(kept: KeptSheet) -> str:
    return f"{kept.title}, version {kept.version}"


def _with_act(register: Register, kept: KeptSheet, line: EntryLine) -> EntryLine:
    """Say which act, if any, two people must agree on for what a line would write."""
    if line.state not in ("new", "change"):
        return line
    table = line.line.form.table
    values = {n: text_of(v) for n, v in line.values.items()}
    held = register.rows(table, {"record_id": line.record}, limit=1)[0] if line.record else None
    # On a cull list a fish that is written down as dead was killed, or is to be.
    culled = kept.name == "cull" and table == "fish" and values.get("status") == "dead"
    return replace(line, act=hard_act(table, held, values, euthanasia=culled))


def _joining(register: Register, table: str, lines: Sequence[EntryLine], frame: pd.DataFrame) -> _Joining:
    """Return what the table would get: rows that are new, rows of changed records as they would be."""
    import pandas as pd

    new = frame.loc[[x.line.row for x in lines if x.state == "new"]]
    changes = [x for x in lines if x.state == "change"]
    if not changes:
        return _Joining(new, new.iloc[:0], [])
    there = register.frame(table).loc[[x.record for x in changes]]
    after = there.set_axis(pd.Index([x.line.row for x in changes], name="row"), axis=0)
    for name in (n for n in frame.columns if any(n in x.values for x in changes)):
        mine = [x.line.row for x in changes if name in x.values]
        after[name] = after[name].where(~after.index.isin(mine), frame[name].reindex(after.index))
    conflicts = [
        Conflict(table, x.line.row, x.record, x.line.words, dict(x.old), dict(x.values), tuple(x.values))
        for x in changes
    ]
    return _Joining(new, after, conflicts)


def _checked(register: Register, kept: KeptSheet, joining: Mapping[str, Sequence[_Joining]]) -> list[Finding]:
    """Check the records as they would be, and return what is found about the lines of the paper."""
    import pandas as pd

    from broodstock.checks.run import CHECKS
    from planner.tasks.register_union import checked_together

    tables, comparisons, changed = {}, {}, []
    for table, parts in joining.items():
        frame = pd.concat([*(p.new for p in parts), *(p.after for p in parts)])
        frame.attrs["file"] = _file(kept)
        conflicts = [c for p in parts for c in p.conflicts]
        tables[table] = frame
        comparisons[table] = TableComparison(
            table, frame.loc[[i for p in parts for i in p.new.index]], 0, tuple(conflicts)
        )
        changed += conflicts
    incoming = Incoming(_file(kept), tables, {}, (), "")
    only = [c.name for c in CHECKS if c.run.__module__ != BY_DNA]
    together = checked_together(register, incoming, comparisons, changed, {}, {}, skip=NOT_READ, only=only)
    return [m.finding for m in together.about_files]


def _fault(kept: KeptSheet, f: Finding) -> Fault:
    """Return a finding as the person at the paper sees it."""
    said = f"found {f.found}. Expected {f.expected}. {f.remedy} [{f.code}]"
    column = f.where.column or ""
    places = [p for p in (f.where, *f.others) if p.file == _file(kept) and p.row is not None and p.row > 1]
    if not places:
        return Fault(WHOLE_PAPER, column, column, "", f"{f.where.text()}: {said}" if f.where.row else said)
    spot = spot_of(int(places[0].row or 0))
    form = kept.forms[spot[0]]
    headings = {x.column: x.label for x in form.fields}
    if places[0] is not f.where:
        said = f"{f.where.text()}: {said}"
    heading = headings.get(column, column.replace("_", " "))
    return Fault(spot, column, heading, line_words(form, spot[1]), said)


def _permits(
    register: Register, lines: Sequence[EntryLine], *, beyond: bool
) -> tuple[list[EntryLine], list[Fault]]:
    """Hold the lines against the permits: a stop is a fault, or becomes an act for two people when asked for."""
    out, faults = list(lines), []
    new = [i for i, x in enumerate(out) if x.state == "new"]
    stops = []
    for table in dict.fromkeys(out[i].line.form.table for i in new):
        mine = [i for i in new if out[i].line.form.table == table]
        rows = [{n: text_of(v) for n, v in out[i].values.items()} for i in mine]
        stops += [([mine[k] for k in at], stop) for at, stop in permit_stops_of_rows(register, table, rows)]
    for i, x in enumerate(out):
        if x.state == "change":
            table = x.line.form.table
            held = register.rows(table, {"record_id": x.record}, limit=1)[0]
            values = {n: text_of(v) for n, v in x.values.items()}
            stop = permit_stop_of_change(register, table, held, values)
            if stop is not None:
                stops.append(([i], stop))
    for at, stop in stops:
        for i in at:
            if beyond:
                out[i] = replace(out[i], act="permit-exceeded")
        if not beyond:
            first = out[at[0]].line
            spot = first.spot if len(at) == 1 else WHOLE_PAPER
            faults.append(Fault(spot, PERMIT, "permit", first.words if len(at) == 1 else "", str(stop)))
    return out, faults


def _write(writer: Writer, lines: Sequence[EntryLine]) -> None:
    """Write lines inside one change: new records by table, then changes."""
    new = [x for x in lines if x.state == "new"]
    for table in dict.fromkeys(x.line.form.table for x in new):
        mine = [x for x in new if x.line.form.table == table]
        writer.add(table, [dict(x.values) for x in mine], source_rows=[x.line.row for x in mine])
    for x in lines:
        if x.state == "change":
            writer.change(x.line.form.table, x.record, x.values, expected_entry=x.entry)


def _propose(writer: Writer, plan: EntryPlan, name: str, day: str, why: str) -> tuple[str, ...]:
    """Write one proposal for each act that two people must agree on; return their numbers."""
    out = []
    source = source_of(plan.kept)
    for act in dict.fromkeys(x.act for x in plan.writes if x.act):
        steps = [_step(x) | {"sheet": source, "line": x.line.row} for x in plan.writes if x.act == act]
        out.append(write_proposal(writer, day, act, steps, name, f"{why} ({source})"))
    return tuple(out)


def _step(x: EntryLine) -> dict[str, Any]:
    table = x.line.form.table
    values = {n: text_of(v) for n, v in x.values.items()}
    if x.state == "new":
        return {"do": "add", "table": table, "values": values}
    return {
        "do": "change",
        "table": table,
        "record": x.record,
        "entry": x.entry,
        "values": values,
        "name": _name(x),
    }


def _name(x: EntryLine) -> str:
    return "/".join(x.line.given.get(k, "") for k in TABLES[x.line.form.table].key) or f"#{x.record}"
