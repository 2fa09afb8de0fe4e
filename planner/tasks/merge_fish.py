"""Two names turn out to be one fish: everything recorded under one moves to the other, by new versions."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from broodstock.errors import UsageError
from planner.tasks.people import check_person

if TYPE_CHECKING:
    from planner.store.register import Register
    from planner.store.writer import Writer
    from planner.tasks.verbs import Entered

BY_KIND = (("holds", "subject_kind", "subject"), ("measurements", "subject_kind", "subject"),
           ("treatments", "subject_kind", "subject"))  # fmt: skip
"""Tables that name a fish by a pair of columns: table, column of the kind, column of the name."""
FILLED = ("species", "year_class", "hatched_on", "dam", "sire", "family", "sex_basis")
"""Cells that are taken over when the kept record has none."""


def propose_merge(register: Register, keep: str, gone: str, who: str, reason: str) -> Entered:
    """Propose to merge two fish; a second person confirms.

    Parameters
    ----------
    register : Register
        Open for writing.
    keep, gone : str
        The name that stays, and the name that goes.
    who, reason : str
        Who proposes and why.

    Raises
    ------
    UsageError
        If a fish is unknown, both are one, they are of two sexes, or one is an ancestor of the other.
    NotAllowedError
        If the person may not enter.
    """
    from planner.tasks.proposals import propose

    name = check_person(register, who)
    check_merge(register, keep, gone)
    step = {"do": "merge-fish", "keep": keep, "gone": gone}
    return propose(register, "merge-fish", [step], name, reason)


def check_merge(register: Register | Writer, keep: str, gone: str) -> None:
    """Refuse a merge that cannot be: unknown or equal names, two sexes, parent and young, or two different parents.

    Raises
    ------
    UsageError
        With the reason.
    """
    one, two = register.get("fish", keep), register.get("fish", gone)
    for name, row in ((keep, one), (gone, two)):
        if row is None:
            raise UsageError(
                f"merge: found '{name}', which is no fish of the register. Expected two fish. Correct the name."
            )
    assert one is not None
    assert two is not None
    place = f"merge of '{gone}' into '{keep}'"
    if keep == gone:
        raise UsageError(f"{place}: found one fish. Expected two names of one fish. Correct one of them.")
    sexes = {one["sex"], two["sex"]} - {"unknown"}
    if len(sexes) > 1:
        raise UsageError(
            f"{place}: found a {one['sex']} and a {two['sex']}. Expected one sex. Look at the fish, correct it first."
        )
    for column in ("dam", "sire"):
        if one[column] == gone or two[column] == keep:
            raise UsageError(
                f"{place}: found one as {column} of the other. Expected one fish. They cannot be the same."
            )
        if one[column] and two[column] and one[column] != two[column]:
            raise UsageError(
                f"{place}: found the {column}s '{one[column]}' and '{two[column]}'. Expected one {column}. Settle it first."
            )


def merge_now(register: Register, writer: Writer, keep: str, gone: str) -> list[str]:
    """Move every reference to the name that stays and withdraw the other record; inside a change.

    Parameters
    ----------
    register : Register
        For its tables.
    writer : Writer
        The open change.
    keep, gone : str
        The two names.

    Returns
    -------
    list of str
        What was done, by table.

    Raises
    ------
    UsageError
        As `check_merge`.
    """
    check_merge(writer, keep, gone)
    kept, left = writer.get("fish", keep), writer.get("fish", gone)
    assert kept is not None
    assert left is not None
    done: list[str] = []
    by_table: dict[str, list[str]] = {}
    for table, column in register.schema.pointing.get("fish", ()):
        by_table.setdefault(table, []).append(column.name)
    for table, columns in by_table.items():
        rows = {r["record_id"]: r for c in columns for r in writer.rows(table, {c: gone})}
        moved, double = 0, 0
        for row in rows.values():
            if table == "fish" and row["fish_id"] == gone:
                continue
            values = {c: keep for c in columns if row[c] == gone}
            if _taken(register, writer, table, row, values):
                writer.withdraw(table, row["record_id"])
                double += 1
            else:
                writer.change(table, row["record_id"], values)
                moved += 1
        if moved or double:
            more = f", {double} withdrawn because '{keep}' has one of the same key" if double else ""
            done.append(f"{table}: {moved} record(s) moved to '{keep}'{more}")
    for table, kind, subject in BY_KIND:
        rows_of = writer.rows(table, {kind: "fish", subject: gone})
        for row in rows_of:
            writer.change(table, row["record_id"], {subject: keep})
        if rows_of:
            done.append(f"{table}: {len(rows_of)} record(s) moved to '{keep}'")
    done += _identifiers(writer, kept, left, keep, gone)
    fill: dict[str, Any] = {c: left[c] for c in FILLED if kept[c] in (None, "") and left[c] not in (None, "")}
    if kept["sex"] == "unknown" and left["sex"] != "unknown":
        fill |= {"sex": left["sex"], "sex_basis": left["sex_basis"]}
    fill = {k: v for k, v in fill.items() if v != keep}
    if fill:
        writer.change("fish", kept["record_id"], fill)
        done.append(f"fish '{keep}': {', '.join(fill)} taken over from '{gone}'")
    writer.withdraw("fish", left["record_id"])
    done.append(f"fish '{gone}' withdrawn; its history stays")
    return done


def _taken(
    register: Register, writer: Writer, table: str, row: dict[str, Any], values: dict[str, Any]
) -> bool:
    """Return whether another record has the key that a record would get."""
    key = register.schema.spec(table).key
    if not set(key) & set(values):
        return False
    others = writer.rows(table, {k: values.get(k, row[k]) for k in key})
    return any(o["record_id"] != row["record_id"] for o in others)


def _identifiers(
    writer: Writer, kept: dict[str, Any], left: dict[str, Any], keep: str, gone: str
) -> list[str]:
    """Keep the other name, and its tag, as identifiers of the fish that stays."""
    from broodstock.tags.codes import is_iso

    known = {r["code"] for r in writer.rows("identifiers", {"fish_id": keep})}
    done = []
    tag = left["tag"]
    if tag and tag != kept["tag"] and tag not in known:
        kind = "pit-iso" if is_iso(tag) else "pit-legacy"
        dead = left["status_on"] if left["status"] in ("dead", "lost") else None
        row = {"fish_id": keep, "kind": kind, "code": tag, "from_date": left["entered_on"], "to_date": dead,
               "note": f"was recorded as {gone}"}  # fmt: skip
        writer.add("identifiers", [row])
        done.append(f"identifiers: tag {tag} of '{gone}' added to '{keep}'")
    return done
