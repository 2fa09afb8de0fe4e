"""Find records by a piece of text in any column of text, in one question per table."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import sqlalchemy as sa

from broodstock.tags.codes import is_iso, is_legacy
from broodstock.tags.near import one_slip
from planner.store.register import Register

NOT_SEARCHED = frozenset({"detection_days", "scans", "settings", "finding_reviews", "mappings", "imports"})
"""Tables left out: contacts by the million, and what the program itself writes."""


@dataclass(frozen=True, slots=True)
class Hit:
    """One record that was found.

    Parameters
    ----------
    table : str
        Table.
    record_id : int
        Number of the record.
    name : str
        Its key as text, or its number.
    column, value : str
        Where the text stands.
    how : str
        ``exact``, ``holds the text``, or the slip that makes it near.
    """

    table: str
    record_id: int
    name: str
    column: str
    value: str
    how: str


def search(register: Register, text: str, limit: int = 50, tables: Sequence[str] | None = None) -> list[Hit]:
    """Return current records with a text in a name, a tag or a note, exact ones first.

    Parameters
    ----------
    register : Register
        Open.
    text : str
        Text looked for; capitals do not matter.
    limit : int
        Most hits.
    tables : sequence of str, optional
        Tables to look in.
    """
    wanted = text.strip().lower()
    pattern = "%" + wanted.replace("\\", "\\\\").replace("%", "\\%").replace("_", "\\_") + "%"
    found: list[Hit] = []
    schema = register.schema
    with register.reading() as connection:
        for name, spec in schema.specs.items():
            if (tables is None and name in NOT_SEARCHED) or (tables is not None and name not in tables):
                continue
            t = schema.tables[name]
            columns = [c.name for c in spec.columns if c.kind in ("text", "tag", "choice")]
            searched = [c.name for c in spec.columns if c.kind in ("text", "tag")]
            if not searched:
                continue
            query = (
                sa.select(t.c.record_id, *(t.c[k] for k in (*spec.key, *columns)))
                .where(t.c.ended_by.is_(None))
                .where(sa.or_(*(sa.func.lower(t.c[k]).like(pattern, escape="\\") for k in searched)))
                .order_by(t.c.record_id)
                .limit(limit)
            )
            for row in connection.execute(query):
                values = row._mapping
                hits = [k for k in searched if wanted in str(values[k] or "").lower()]
                exact = [k for k in hits if str(values[k]).lower() == wanted]
                at = (exact or hits)[0]
                title = ", ".join(str(values[k]) for k in spec.key) or f"#{row.record_id}"
                how = "exact" if exact else "holds the text"
                found.append(Hit(name, row.record_id, title, at, str(values[at]), how))
    found.sort(key=lambda h: h.how != "exact")
    return found[:limit]


def near(register: Register, text: str, limit: int = 20) -> list[Hit]:
    """Return records whose name or tag is one slip away from a text.

    Parameters
    ----------
    register : Register
        Open.
    text : str
        Text as typed.
    limit : int
        Most hits.
    """
    bare = text.strip().upper()
    slips: dict[str, str] = {}
    for variant, slip in one_slip(bare):
        slips.setdefault(variant, slip)
    for i, letter in enumerate(bare):
        if letter.isalpha():
            for new in "ABCDEFGHIJKLMNOPQRSTUVWXYZ":
                slips.setdefault(bare[:i] + new + bare[i + 1 :], "one letter wrong")
    slips.pop(bare, None)
    tags = [v for v in slips if is_iso(v) or is_legacy(v)]
    found: list[Hit] = []
    schema = register.schema
    with register.reading() as connection:
        for name, spec in schema.specs.items():
            if name in NOT_SEARCHED:
                continue
            t = schema.tables[name]
            own = [
                c for c in spec.columns if (len(spec.key) == 1 and c.name == spec.key[0] and c.kind == "text")
            ]
            for column in (*own, *(c for c in spec.columns if c.kind == "tag")):
                wanted = tags if column.kind == "tag" else list(slips)
                one = t.c[column.name]
                compare = one if column.kind == "tag" else sa.func.upper(one)
                for part in _parts(wanted):
                    query = (
                        sa.select(t.c.record_id, one, *(t.c[k] for k in spec.key if k != column.name))
                        .where(t.c.ended_by.is_(None), compare.in_(part))
                        .limit(limit)
                    )
                    for row in connection.execute(query):
                        value = str(row._mapping[column.name])
                        title = ", ".join(str(row._mapping[k]) for k in spec.key) or f"#{row.record_id}"
                        found.append(
                            Hit(name, row.record_id, title, column.name, value, slips[value.upper()])
                        )
    return found[:limit]


def _parts(values: Sequence[str], size: int = 400) -> Iterable[Sequence[str]]:
    return (values[i : i + size] for i in range(0, len(values), size))
