"""Use cases of the register as a whole, from its place: make, import, review, look, undo, verify, copy."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from broodstock.findings import LEVELS
from planner.store.mapping import Declared, pairs_of, values_of
from planner.store.register import Register
from planner.store.versions import utc_now
from planner.tasks.people import check_approver, check_person

if TYPE_CHECKING:
    from planner.tasks.register_import import ImportReport
    from planner.tasks.register_queue import QueueItem

Said = tuple[str, dict[str, Any]]
MOST_SHOWN = 100


def new_register(place: Path | str) -> Said:
    """Make an empty register.

    Raises
    ------
    RegisterExists, RegisterMissing
        If the place is taken, or cannot be reached.
    """
    with Register.create(place) as made:
        return f"Made the register {made.place}.", {"register": made.place, "dialect": made.dialect}


def import_into(
    place: Path | str,
    path: Path,
    *,
    who: str,
    reason: str = "",
    write: bool = False,
    table: str = "",
    maps: Sequence[str] = (),
    units: Sequence[str] = (),
    length_type: str = "",
    words: Sequence[str] = (),
    fill: Sequence[str] = (),
    dates: str = "",
    mapping: str = "",
    save_as: str = "",
    confirmed_by: str = "",
    newer: bool = False,
    overrides: Mapping[str, str] | None = None,
    say: Callable[[str], None] = lambda words: None,
) -> ImportReport:
    """Import files into a register, or say what that would do.

    Parameters
    ----------
    place : Path or str
        The register.
    path : Path
        Folder, CSV file or workbook.
    who, reason : str
        Who imports and why; `who` is needed to write.
    write : bool
        Write it, when there is no hard fault.
    table, maps, units, length_type : str or sequence of str
        What a foreign file holds: its table, ``HEADER=COLUMN``, ``COLUMN=UNIT``, ``TL``, ``FL`` or ``SL``.
    words, fill, dates : str or sequence of str
        Further ``COLUMN:THEIRS=OURS``, ``COLUMN=VALUE`` for empty cells, and ``day-first`` or ``month-first``.
    mapping, save_as : str
        Name of a saved mapping to use; name to save this one under.
    confirmed_by : str
        Second person, for an import that brings releases or culls.
    newer, overrides, say
        As `planner.tasks.register_import.plan_import`.

    Raises
    ------
    UsageError
        If something declared fits nothing.
    NotAllowedError
        As `planner.tasks.import_signers.signers`.
    RegisterError
        If the register cannot be opened or written.
    """
    from planner.tasks import register_import as importing
    from planner.tasks import register_mappings as mappings

    with Register.open(place, read_only=not write) as register:
        declared = Declared(
            pairs_of("--map", maps, "'Fish length=length_mm'"),
            pairs_of("--unit", units, "weight_g=kg"),
            length_type,
            values_of(words),
            pairs_of("--fill", fill, "status=brood"),
            dates,
        )
        if mapping:
            declared = mappings.joined_declared(mappings.saved_mapping(register, mapping), declared)
        plan = importing.plan_import(
            register, path, table=table, declared=declared, newer=newer, overrides=overrides, say=say
        )
        if not write or plan.refused:
            return importing.ImportReport(plan, register.place, False)
        say("Writing")
        report = importing.write_import(register, plan, who, reason, mapping or save_as, confirmed_by)
        if save_as:
            named = table or next(iter(plan.incoming.tables), "")
            mappings.save_mapping(register, save_as, named, declared, who)
        return report


def queue_of(place: Path | str) -> list[QueueItem]:
    """Return what waits in the merge queue."""
    from planner.tasks.register_queue import open_items

    with Register.open(place, read_only=True) as register:
        return open_items(register)


def take_from_queue(
    place: Path | str, item: str, keep: str, fields: Sequence[str], who: str, reason: str
) -> str:
    """Decide one difference; see `planner.tasks.register_queue.decide_item`."""
    from planner.tasks.register_queue import decide_item

    values = pairs_of("--keep fields", fields, "length_mm=new")
    with Register.open(place) as register:
        return decide_item(register, item, keep, values, who, reason, _today())


def _today() -> dt.date:
    """Return the day on which something is decided, in UTC as every entry."""
    return utc_now().date()


def findings_of(
    place: Path | str,
    level: str,
    accept: Sequence[str],
    reopen: Sequence[str],
    who: str,
    reason: str,
    today: str | None,
    review: Sequence[str] = (),
) -> Said:
    """Check a register, decide findings if asked, and list them with their states.

    Raises
    ------
    UsageError
        If a mark is unknown, or an error is to be accepted.
    NotAllowedError
        If the register has people and one without role approve accepts.
    """
    from planner.tasks.register_findings import counted, decide, with_states
    from planner.tasks.register_union import checked_register

    decides = bool(accept or reopen or review)
    with Register.open(place, read_only=not decides) as register:
        found = checked_register(register, {} if today is None else {"today": today}).everything
        if accept:
            name = check_approver(register, who)
            decide(register, found, accept, "accepted", name, reason, _today())
        for marks, state in ((reopen, "open"), (review, "reviewed")):
            if marks:
                decide(register, found, marks, state, check_person(register, who), reason, _today())
        reviews = with_states(found, register.rows("finding_reviews"))
        shown_place = register.place
    kept = LEVELS[: LEVELS.index(level) + 1]  # type: ignore[arg-type]
    chosen = [r for r in reviews if r.marked.finding.level in kept]
    lines = [f"{shown_place}: {len(chosen)} finding(s)"]
    for state, title in (("open", "Open"), ("reviewed", "Reviewed"), ("accepted", "Accepted")):
        mine = [r for r in chosen if r.state == state]
        if mine:
            lines += ["", f"{title}: {len(mine)}"]
            lines += [
                f"- {r.marked.finding.level}: {r.text()} ({r.marked.who_decides} decides)"
                for r in mine[:MOST_SHOWN]
            ]
            if len(mine) > MOST_SHOWN:
                lines.append(f"... and {len(mine) - MOST_SHOWN} more (all with --json)")
    data = {"register": shown_place, "counts": counted(chosen), "findings": [r.as_dict() for r in chosen]}
    return "\n".join(lines), data


def status_of(place: Path | str) -> Said:
    """Say what a register holds."""
    with Register.open(place, read_only=True) as register:
        counts = {name: n for name in register.schema.specs if (n := register.count(name))}
        version = register.data_version()
        waiting = register.count("merge_queue", {"state": "open"})
        states = {
            state: n
            for state in ("open", "reviewed", "accepted")
            if (n := register.count("finding_reviews", {"state": state}))
        }
        last = register.changes(since=max(0, version.change_id - 1))
        shown, dialect = register.place, register.dialect
    words = [f"{shown} ({dialect}), {version.text}"]
    if last:
        words.append(f"last change: {last[-1].entered_at[:16]} by {last[-1].entered_by}: {last[-1].reason}")
    words.append(f"open differences in the merge queue: {waiting}")
    words.append("findings: " + (", ".join(f"{n} {s}" for s, n in states.items()) or "none kept"))
    width = max((len(n) for n in counts), default=0)
    words += ["", *(f"{name.ljust(width)}  {n:>9}" for name, n in counts.items())]
    data = {
        "register": shown,
        "dialect": dialect,
        "version": version.as_dict(),
        "records": counts,
        "queue_open": waiting,
        "findings": states,
    }
    return "\n".join(words), data


def log_of(place: Path | str, last: int) -> tuple[list[list[str]], dict[str, Any]]:
    """Return the last changes as rows of text and as plain values, newest first."""
    with Register.open(place, read_only=True) as register:
        newest = register.data_version().change_id
        changes = register.changes(since=max(0, newest - last))[::-1]
    rows = [
        [
            str(c.change_id),
            c.entered_at[:19].replace("T", " "),
            c.entered_by,
            c.kind,
            c.true_on or "",
            c.reason[:60],
            c.source[:40],
        ]
        for c in changes
    ]
    return rows, {"changes": [c.as_dict() for c in changes]}


def undo_change(place: Path | str, change: int, who: str, reason: str) -> Said:
    """Undo a change by its counter-entry; errors as `planner.store.undo.undo` and `planner.tasks.people.check_approver`."""
    from planner.store.undo import undo

    with Register.open(place) as register:
        made = undo(register, change, check_approver(register, who), reason)
    return f"Change {change} undone by change {made.change_id}.", {"undone": change, "change": made.as_dict()}


def verify_register(place: Path | str) -> tuple[str, dict[str, Any], bool]:
    """Check a whole register; the last value says whether nothing was found."""
    with Register.open(place, read_only=True) as register:
        report = register.verify()
        shown = register.place
    words = f"{shown}: {report.changes} change(s), {report.rows} version(s) of records, {report.blobs} call set(s)"
    lines = [words, f"last: {report.version.text}"]
    lines += ["The chain is whole." if report.ok else "Faults:", *(f"- {p}" for p in report.problems)]
    return "\n".join(lines), {"register": shown} | report.as_dict(), report.ok


def upgrade_register(place: Path | str) -> Said:
    """Bring an older register to this version's tables."""
    from planner.store.upgrade import upgrade

    done = upgrade(place)
    if not done.backup:
        words = f"{done.place} has the tables of this version already ({done.after}); nothing to do."
    else:
        words = (
            f"{done.place}: tables of revision {done.before} are now {done.after}. As it was: {done.backup}"
        )
    data = {"register": done.place, "before": done.before, "after": done.after, "backup": done.backup}
    return words, data


def back_up(place: Path | str, target: Path) -> Said:
    """Copy a register into a new file; errors as `planner.store.backup.backup`."""
    from planner.store.backup import backup

    with Register.open(place, read_only=True) as register:
        made = backup(register, target)
    words = f"Backup {made.target} of {made.source}: {made.version.text}, {made.rows} version(s) of records, verified."
    return words, {"register": made.source, "backup": made.target, "version": made.version.as_dict()}


def restore_from(source: Path, target: Path | str) -> Said:
    """Copy a backup into a new register; errors as `planner.store.backup.restore`."""
    from planner.store.backup import restore

    made = restore(source, target)
    words = (
        f"Restored {made.target} from {made.source}: {made.version.text}, {made.rows} version(s), verified."
    )
    return words, {"register": made.target, "backup": made.source, "version": made.version.as_dict()}
