"""Headers, units and kinds of length kept under a name, for files that come again and again."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

from broodstock.errors import UsageError
from planner.store.mapping import Declared

if TYPE_CHECKING:
    from planner.store.register import Register


def saved_mapping(register: Register, name: str) -> Declared:
    """Return the headers and units kept under a name.

    Raises
    ------
    UsageError
        If there is no such mapping.
    """
    rows = register.rows("mappings", {"mapping": name})
    if not rows:
        known = sorted({str(r["mapping"]) for r in register.rows("mappings")})
        raise UsageError(
            f"--mapping: found {name!r}. Expected a saved mapping: {', '.join(known) or 'there are none yet'}. "
            "Save one with --save-mapping NAME."
        )
    special = {str(r["header"]): r for r in rows if str(r["header"]).startswith(SPECIAL)}
    plain = [r for r in rows if str(r["header"]) not in special]
    columns = {str(r["header"]): str(r["column"]) for r in plain if r["column"]}
    units = {str(r["column"]): str(r["unit"]) for r in plain if r["column"] and r["unit"]}
    values: dict[str, dict[str, str]] = {}
    fill = {}
    for header, r in special.items():
        if header.startswith(WORD_HEADER):
            theirs = header.removeprefix(WORD_HEADER).split(") ", 1)[1]
            values.setdefault(str(r["column"]), {})[theirs] = str(r["note"])
        elif header.startswith(FILL_HEADER):
            fill[str(r["column"])] = str(r["note"])
    length, dates = (str(special[h]["note"]) if h in special else "" for h in (LENGTH_HEADER, DATES_HEADER))
    return Declared(columns, units, length, values, fill, dates)


LENGTH_HEADER, DATES_HEADER = "(length type)", "(dates)"
WORD_HEADER, FILL_HEADER = "(word of ", "(empty "
SPECIAL = (LENGTH_HEADER, DATES_HEADER, WORD_HEADER, FILL_HEADER)
"""Stand for a header in the rows of a mapping that keep what else was declared, in their note."""


def save_mapping(register: Register, name: str, table: str, declared: Declared, who: str) -> None:
    """Keep headers, units and kind of length under a name; rows kept before under it take the new values.

    Raises
    ------
    UsageError
        If nothing was declared.
    """
    if not declared.words():
        raise UsageError(
            "--save-mapping: found nothing declared. Expected --map, --unit, --word, --fill, --dates or --length-type."
        )
    headers = dict(declared.columns) | {c: c for c in declared.units if c not in declared.columns.values()}
    rows: list[dict[str, Any]] = [
        {"mapping": name, "table": table, "header": h, "column": c, "unit": declared.units.get(c)}
        for h, c in headers.items()
    ]
    if declared.length_type:
        rows.append({"mapping": name, "table": table, "header": LENGTH_HEADER, "note": declared.length_type})
    if declared.dates:
        rows.append({"mapping": name, "table": table, "header": DATES_HEADER, "note": declared.dates})
    more = [(f"{WORD_HEADER}{c}) {t}", c, o) for c, v in declared.values.items() for t, o in v.items()]
    more += [(f"{FILL_HEADER}{c})", c, v) for c, v in declared.fill.items()]
    rows += [{"mapping": name, "table": table, "header": h, "column": c, "note": n} for h, c, n in more]
    old = {str(r["header"]): r for r in register.rows("mappings", {"mapping": name, "table": table})}
    with register.writing(who, f"mapping {name}: {declared.words()}", kind="mapping") as writer:
        for row in rows:
            before = old.get(str(row["header"]))
            if before is None:
                writer.add("mappings", [row])
                continue
            changed = {k: v for k, v in row.items() if before.get(k) != v}
            if changed:
                writer.change("mappings", int(before["record_id"]), changed)


def joined_declared(base: Declared, more: Declared) -> Declared:
    """Return what both declare; the second has the last word."""
    return replace(
        base,
        columns={**base.columns, **more.columns},
        units={**base.units, **more.units},
        length_type=more.length_type or base.length_type,
        values={
            c: {**base.values.get(c, {}), **more.values.get(c, {})} for c in {**base.values, **more.values}
        },
        fill={**base.fill, **more.fill},
        dates=more.dates or base.dates,
    )
