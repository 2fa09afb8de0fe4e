"""Was this paper keyed in before: by whom, when, and which record came from which line."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from broodstock.fields import TABLES
from planner.store.importing import identity_of
from planner.tasks.sheets.make import KeptSheet

if TYPE_CHECKING:
    from planner.store.register import Register
    from planner.store.versions import Change

CLOSED = ("refused", "taken-back")


@dataclass(frozen=True)
class KeyedBefore:
    """What earlier keyings of the same paper left.

    Parameters
    ----------
    changes : tuple of Change
        Changes with this paper as their source, oldest first.
    records : mapping of (str, int) to int
        Record that a line of a table made.
    touched : frozenset of (str, int)
        Table and number of records that were changed.
    waiting : mapping of int to (str, mapping)
        Lines that wait for a second person: number of the proposal and its values.
    """

    changes: tuple[Change, ...] = ()
    records: Mapping[tuple[str, int], int] = field(default_factory=dict)
    touched: frozenset[tuple[str, int]] = frozenset()
    waiting: Mapping[int, tuple[str, Mapping[str, Any]]] = field(default_factory=dict)

    def words(self) -> list[str]:
        """Return who keyed it in and when, one sentence each."""
        return [f"Keyed in before by {c.entered_by} on {c.entered_at[:16].replace('T', ' at ')} UTC (change {c.change_id})."
                for c in self.changes]  # fmt: skip


def source_of(kept: KeptSheet) -> str:
    """Return the source that changes from a paper carry."""
    return f"sheet {kept.name} {kept.subject} version {kept.version} mark {kept.mark}"


def keyed_before(register: Register, kept: KeptSheet) -> KeyedBefore:
    """Look up the earlier keyings of a paper; what was undone or withdrawn does not count."""
    source = source_of(kept)
    changes = tuple(c for c in register.changes() if c.source == source)
    proposals = [p for p in register.rows("proposals") if source in str(p["content"])]
    if not changes and not proposals:
        return KeyedBefore()
    records: dict[tuple[str, int], int] = {}
    touched: set[tuple[str, int]] = set()
    tables = {form.table for form in kept.forms}
    for change in changes:
        for table in tables:
            at = change.change_id
            rows = {int(r["record_id"]): r for r in register.rows(table, {"change_id": at}, as_known_on=at)}
            old = register.rows(table, {"record_id": list(rows)}, columns=["record_id"], as_known_on=at - 1)
            changed = {int(r["record_id"]) for r in old}
            touched |= {(table, n) for n in changed}
            records |= {(table, int(rows[n]["source_row"])): n for n in set(rows) - changed}
    waiting = {}
    for proposal in proposals:
        for step in json.loads(proposal["content"])["steps"]:
            if step.get("sheet") != source or proposal["state"] in CLOSED:
                continue
            if proposal["state"] == "open":
                waiting[int(step["line"])] = (str(proposal["proposal_id"]), step["values"])
            elif (found := _record_of(register, step)) and step["do"] == "add":
                records[step["table"], int(step["line"])] = found
            elif found:
                touched.add((step["table"], found))
    here = {
        table: {r["record_id"] for r in register.rows(table, {"record_id": mine}, columns=["record_id"])}
        for table in tables
        if (mine := [n for (t, _), n in records.items() if t == table])
    }
    there = {k: n for k, n in records.items() if n in here[k[0]]}
    return KeyedBefore(changes, there, frozenset(touched), waiting)


def _record_of(register: Register, step: Mapping[str, Any]) -> int:
    """Return the record that a confirmed step made or changed, 0 when it is gone."""
    if step["do"] == "change":
        return int(step["record"])
    spec = TABLES[step["table"]]
    where = {n: step["values"].get(n) for n in identity_of(spec)}
    found = register.rows(spec.name, where, columns=["record_id"], limit=1)
    return int(found[0]["record_id"]) if found else 0
