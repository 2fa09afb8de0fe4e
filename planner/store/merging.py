"""What one register did since it parted from another, and what of it fits the other as it is now."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa

from broodstock.fields import Table
from planner.store.importing import ONE_CAPTURE, identity_of
from planner.store.reading import shown

if TYPE_CHECKING:
    from planner.store.register import Register
    from planner.store.versions import Change

KEPT_AS_OURS = ("imports", "merge_queue")
"""Tables about the work on one register: a row of the same name in both is no difference to decide."""
Row = dict[str, Any]


@dataclass(frozen=True)
class Operation:
    """What one change did to one record.

    Parameters
    ----------
    table : str
        Table.
    record_id : int
        Number of the record in the register that changed it.
    before, after : mapping or None
        Values before and after; no `before`: added, no `after`: withdrawn.
    """

    table: str
    record_id: int
    before: Mapping[str, Any] | None
    after: Mapping[str, Any] | None


def common_change(ours: Iterable[Change], theirs: Iterable[Change]) -> int:
    """Return the last change that both registers have, 0 when there is none."""
    last = 0
    for a, b in zip(ours, theirs, strict=False):
        if a.hash != b.hash:
            break
        last = a.change_id
    return last


def operations(register: Register, change_id: int) -> list[Operation]:
    """Return what a change did, by table and record, in order of entry.

    Parameters
    ----------
    register : Register
        Open register.
    change_id : int
        The change.
    """
    out = []
    schema = register.schema
    with register.reading() as connection:
        for name, t in schema.tables.items():
            spec = schema.specs[name]
            new = _by_record(
                connection, t, spec, sa.and_(t.c.change_id == change_id, _not_ended_by(t, change_id))
            )
            old = _by_record(
                connection, t, spec, sa.and_(t.c.ended_by == change_id, t.c.change_id != change_id)
            )
            out += [Operation(name, r, old.get(r), values) for r, values in new.items()]
            out += [Operation(name, r, values, None) for r, values in old.items() if r not in new]
    return out


def _not_ended_by(t: sa.Table, change_id: int) -> sa.ColumnElement[bool]:
    return sa.or_(t.c.ended_by.is_(None), t.c.ended_by != change_id)


def _by_record(
    connection: sa.Connection, t: sa.Table, spec: Table, where: sa.ColumnElement[bool]
) -> dict[int, Row]:
    query = sa.select(t.c.record_id, *(t.c[n] for n in spec.names)).where(where).order_by(t.c.entry_id)
    out = {}
    for row in connection.execute(query):
        out[int(row[0])] = {c.name: shown(c, v) for c, v in zip(spec.columns, row[1:], strict=True)}
    return out


@dataclass
class _Held:
    """Current records of one table, by number and by what they are about."""

    spec: Table
    rows: dict[int, Row]
    entries: dict[int, int | None]
    about: dict[tuple[Any, ...], list[int]] = field(default_factory=dict)
    captured: dict[tuple[Any, ...], int] = field(default_factory=dict)

    def place(self, record: int, row: Row, entry: int | None) -> None:
        self.remove(record)
        self.rows[record], self.entries[record] = row, entry
        self.about.setdefault(_about(self.spec, row), []).append(record)
        if self.spec.name == "captures" and row["tag"]:
            self.captured[tuple(row[c] for c in ONE_CAPTURE)] = record

    def remove(self, record: int) -> None:
        row = self.rows.pop(record, None)
        self.entries.pop(record, None)
        if row is not None:
            self.about[_about(self.spec, row)].remove(record)
            if self.spec.name == "captures":
                self.captured.pop(tuple(row[c] for c in ONE_CAPTURE), None)


def _about(spec: Table, row: Mapping[str, Any]) -> tuple[Any, ...]:
    return tuple(row[c] for c in identity_of(spec))


@dataclass
class Step:
    """What one change of the other register does here.

    Parameters
    ----------
    change : Change
        The change of the other register.
    adds : list of (table, their record, values)
        Records to add.
    changes : list of (table, our record, values, entry)
        Values to correct; `entry` is the version they were compared with.
    withdrawals : list of (table, our record)
        Records to withdraw.
    conflicts : list of (table, our record or None, key, ours, theirs)
        Differences a person decides; no `theirs` means that the other side withdrew the record.
    same : int
        Records that are so already.
    """

    change: Change
    adds: list[tuple[str, int, Row]] = field(default_factory=list)
    changes: list[tuple[str, int, Row, int | None]] = field(default_factory=list)
    withdrawals: list[tuple[str, int]] = field(default_factory=list)
    conflicts: list[tuple[str, int | None, str, Row, Row]] = field(default_factory=list)
    same: int = 0

    @property
    def is_empty(self) -> bool:
        """Whether nothing is to be written for it."""
        return not (self.adds or self.changes or self.withdrawals or self.conflicts)


class Here:
    """The register as it is while changes of another are fitted in.

    Parameters
    ----------
    register : Register
        This register.
    common : int
        Last change both registers have: records entered until then have the same numbers in both.
    """

    def __init__(self, register: Register, common: int) -> None:
        self._register = register
        self._common = common
        self._held: dict[str, _Held] = {}
        self._mine: dict[tuple[str, int], int] = {}
        self._matched: set[tuple[str, int]] = set()
        self._old: dict[str, set[int]] = {}

    def held(self, table: str) -> _Held:
        """Return the current records of a table."""
        if table not in self._held:
            spec = self._register.schema.specs[table]
            held = _Held(spec, {}, {})
            for row in self._register.rows(table):
                held.place(int(row["record_id"]), {n: row[n] for n in spec.names}, int(row["entry_id"]))
            self._held[table] = held
        return self._held[table]

    def step(self, change: Change, done: Iterable[Operation]) -> Step:
        """Say what a change of the other register does here.

        Parameters
        ----------
        change : Change
            The change.
        done : iterable of Operation
            What it did there.
        """
        out = Step(change)
        todo = list(done)
        going = {(o.table, o.record_id) for o in todo if o.after is None}
        names = {
            (o.table, o.after[self._spec(o.table).key[0]])
            for o in todo
            if o.after is not None and len(self._spec(o.table).key) == 1
        }
        for operation in todo:
            if operation.after is None:
                self._withdraw(operation, out, going)
            elif not self._names_exist(operation, names):
                self._queue(out, operation.table, self._ours(operation), operation)
            elif operation.before is None:
                self._add(operation, out)
            else:
                self._change(operation, out)
        return out

    def written(self, step: Step, added: Mapping[tuple[str, int], int]) -> None:
        """Take note that a step was written; `added` gives our number by table and theirs."""
        for table, theirs, values in step.adds:
            ours = added[table, theirs]
            self._mine[table, theirs] = ours
            self.held(table).place(ours, dict(values), None)
        for table, ours, values, _ in step.changes:
            held = self.held(table)
            held.place(ours, {**held.rows[ours], **values}, None)
        for table, ours in step.withdrawals:
            self.held(table).remove(ours)

    def replayed(self, done: Iterable[Operation]) -> None:
        """Find our records for those a change added that was merged before."""
        for o in done:
            if o.before is None and o.after is not None and (o.table, o.record_id) not in self._mine:
                ours = self._twin(o.table, o.after)
                if ours is not None:
                    self._mine[o.table, o.record_id] = ours
                    self._matched.add((o.table, ours))

    def _spec(self, table: str) -> Table:
        return self._register.schema.specs[table]

    def _ours(self, o: Operation) -> int | None:
        """Return our number of a record, None when we have none."""
        number = self._number(o.table, o.record_id)
        if number is not None or o.before is None:
            return number
        return self._twin(o.table, o.before)

    def _number(self, table: str, theirs: int) -> int | None:
        """Return our number of a record of theirs: the same for those entered before both parted."""
        if (table, theirs) in self._mine:
            return self._mine[table, theirs]
        if table not in self._old:
            rows = self._register.rows(table, columns=["record_id"], as_known_on=self._common)
            self._old[table] = {int(r["record_id"]) for r in rows}
        return theirs if theirs in self._old[table] else None

    def _twin(self, table: str, values: Mapping[str, Any]) -> int | None:
        """Return a record that is about the same and not matched yet, an equal one first."""
        held = self.held(table)
        same = held.about.get(_about(held.spec, values), [])
        if held.spec.key:
            return same[0] if same else None
        free = [r for r in same if (table, r) not in self._matched]
        return next((r for r in free if held.rows[r] == values), None)

    def _add(self, o: Operation, out: Step) -> None:
        assert o.after is not None
        held = self.held(o.table)
        ours = self._twin(o.table, o.after)
        if ours is None and o.table == "captures" and o.after["tag"]:
            ours = held.captured.get(tuple(o.after[c] for c in ONE_CAPTURE))
        if ours is None:
            values = dict(o.after)
            if o.table == "merge_queue" and values["our_record"] is not None:
                values["our_record"] = self._number(str(values["table"]), int(values["our_record"]))
            out.adds.append((o.table, o.record_id, values))
            return
        self._mine[o.table, o.record_id] = ours
        self._matched.add((o.table, ours))
        mine = held.rows[ours]
        if mine == o.after or o.table in KEPT_AS_OURS:
            out.same += 1
        elif o.table == "finding_reviews":
            self._review(ours, mine, o.after, out)
        else:
            self._queue(out, o.table, ours, o)

    def _review(self, ours: int, mine: Row, theirs: Mapping[str, Any], out: Step) -> None:
        """Take a decision about a finding that is open here; a decision made here stands."""
        if mine["state"] == "open" and theirs["state"] != "open":
            new = {
                n: theirs[n] for n in ("state", "decided_by", "decided_on", "reason") if mine[n] != theirs[n]
            }
            out.changes.append(("finding_reviews", ours, new, self.held("finding_reviews").entries[ours]))
        else:
            out.same += 1

    def _change(self, o: Operation, out: Step) -> None:
        assert o.before is not None
        assert o.after is not None
        held = self.held(o.table)
        ours = self._ours(o)
        if ours is None or ours not in held.rows:
            self._queue(out, o.table, ours, o)
            return
        mine = held.rows[ours]
        differ = [n for n in o.after if o.after[n] != o.before[n]]
        fits = {n: o.after[n] for n in differ if mine[n] == o.before[n]}
        apart = [n for n in differ if n not in fits and mine[n] != o.after[n]]
        if fits:
            out.changes.append((o.table, ours, fits, held.entries[ours]))
        if apart and o.table not in KEPT_AS_OURS:
            merged = {**mine, **fits}
            theirs = {**merged, **{n: o.after[n] for n in apart}}
            out.conflicts.append((o.table, ours, _key_words(held.spec, mine), merged, theirs))
        if not fits and not apart:
            out.same += 1

    def _withdraw(self, o: Operation, out: Step, going: set[tuple[str, int]]) -> None:
        assert o.before is not None
        held = self.held(o.table)
        ours = self._ours(o)
        if ours is None or ours not in held.rows:
            out.same += 1
        elif held.rows[ours] == o.before and not self._still_named(o.table, held.rows[ours], going):
            out.withdrawals.append((o.table, ours))
        else:
            out.conflicts.append((o.table, ours, _key_words(held.spec, held.rows[ours]), held.rows[ours], {}))

    def _queue(self, out: Step, table: str, ours: int | None, o: Operation) -> None:
        held = self.held(table)
        there = ours if ours is not None and ours in held.rows else None
        mine = held.rows[there] if there is not None else {}
        theirs = dict(o.after or {})
        out.conflicts.append((table, there, _key_words(held.spec, theirs or mine), mine, theirs))

    def _names_exist(self, o: Operation, with_it: set[tuple[str, Any]]) -> bool:
        """Whether every record that a row names is here, or comes with the same change."""
        assert o.after is not None
        for column in self._spec(o.table).columns:
            value = o.after[column.name]
            if value is None or not column.refers or column.refers == "blobs.sha256":
                continue
            if o.before is not None and o.before[column.name] == value:
                continue
            target = column.refers.split(".")[0]
            if (target, value) not in with_it and not self.held(target).about.get((value,)):
                return False
        return True

    def _still_named(self, table: str, row: Mapping[str, Any], going: set[tuple[str, int]]) -> bool:
        """Whether a record of ours that does not go with it names a record."""
        spec = self._spec(table)
        for name, column in self._register.schema.pointing.get(table, ()):
            key = row[spec.key[0]]
            for record, other in self.held(name).rows.items():
                if other[column.name] == key and (name, record) not in going:
                    return True
        return False


def _key_words(spec: Table, row: Mapping[str, Any]) -> str:
    return ", ".join(str(row[c]) for c in identity_of(spec) if row.get(c) is not None)
