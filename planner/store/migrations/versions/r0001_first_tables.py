"""The first tables, as frozen statements for each database."""

from __future__ import annotations

from pathlib import Path

from alembic import op

revision = "0001"
down_revision = None


def upgrade() -> None:
    """Make every table and index of the first release."""
    connection = op.get_bind()
    path = Path(__file__).with_name(f"r0001_first_tables.{connection.dialect.name}.sql")
    for statement in path.read_text(encoding="utf-8").split(";\n"):
        if statement.strip():
            connection.exec_driver_sql(statement)
