"""Write the statements of the first revision anew from the register of columns: only before the first release.

    PYTHONPATH=. python tests/store/freeze_first_tables.py

After the release a new column or table is a revision of its own in `planner/store/migrations/versions`.
"""

from __future__ import annotations

from pathlib import Path

import sqlalchemy as sa
from sqlalchemy.dialects import postgresql, sqlite

from planner.store.making import REVISIONS
from planner.store.schema import current_schema

FOLDER = Path(__file__).resolve().parents[2] / "planner" / "store" / "migrations" / "versions"
DIALECTS = {"sqlite": sqlite.dialect, "postgresql": postgresql.dialect}


def statements(dialect: str) -> str:
    """All statements that make the current schema on one database, each ended by a semicolon."""
    made = DIALECTS[dialect]()
    out = []
    for table in current_schema().metadata.sorted_tables:
        out.append(str(sa.schema.CreateTable(table).compile(dialect=made)).strip())
        indexes = sorted(table.indexes, key=lambda i: str(i.name))
        out.extend(str(sa.schema.CreateIndex(i).compile(dialect=made)).strip() for i in indexes)
    return "".join("\n".join(line.rstrip() for line in text.splitlines()) + ";\n" for text in out)


def main() -> None:
    """Write the files."""
    assert REVISIONS == ("0001",), "the first revision was released: write a new one"
    for dialect in DIALECTS:
        path = FOLDER / f"r0001_first_tables.{dialect}.sql"
        path.write_text(statements(dialect), encoding="utf-8", newline="\n")
        print(path)


if __name__ == "__main__":
    main()
