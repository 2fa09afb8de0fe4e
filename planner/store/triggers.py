"""Triggers that make the register append-only, made from the schema for both databases.

Rows are added by the change that is being written, and ended once by it. Nothing else: no value is rewritten,
nothing is deleted, and a sealed change takes no more rows.
"""

from __future__ import annotations

from collections.abc import Iterator

import sqlalchemy as sa

from planner.store.schema import Schema

_LAST = "(SELECT coalesce(max(change_id), 0) FROM change)"
_PREFIX = "keeps_"


def remake_triggers(connection: sa.Connection, schema: Schema) -> None:
    """Drop every trigger of ours and make them anew; to be done after every change of the schema."""
    drop_triggers(connection)
    statements = _sqlite(schema) if connection.dialect.name == "sqlite" else _postgresql(schema)
    for statement in statements:
        connection.exec_driver_sql(statement)


def drop_triggers(connection: sa.Connection) -> None:
    """Drop every trigger of ours, as a change of the schema needs."""
    if connection.dialect.name == "sqlite":
        query = (
            "SELECT name, '' FROM sqlite_master WHERE type = 'trigger' AND name LIKE 'keeps\\_%' ESCAPE '\\'"
        )
        for name, _ in connection.exec_driver_sql(query).all():
            connection.exec_driver_sql(f'DROP TRIGGER "{name}"')
        return
    query = (
        "SELECT t.tgname, c.relname FROM pg_trigger t JOIN pg_class c ON c.oid = t.tgrelid "
        "WHERE NOT t.tgisinternal AND left(t.tgname, 6) = 'keeps_' AND c.relnamespace = current_schema()::regnamespace"
    )
    for name, table in connection.execute(sa.text(query)).all():
        connection.exec_driver_sql(f'DROP TRIGGER "{name}" ON "{table}"')


def trigger_names(connection: sa.Connection) -> set[str]:
    """Return the names of all triggers of ours that are there."""
    if connection.dialect.name == "sqlite":
        query = "SELECT name FROM sqlite_master WHERE type = 'trigger'"
    else:
        query = (
            "SELECT t.tgname FROM pg_trigger t JOIN pg_class c ON c.oid = t.tgrelid WHERE NOT t.tgisinternal "
            "AND c.relnamespace = current_schema()::regnamespace"
        )
    found = connection.execute(sa.text(query)).scalars()
    return {n for n in found if n.startswith(_PREFIX)}


def expected_triggers(schema: Schema, dialect: str) -> set[str]:
    """Return the names that `remake_triggers` makes for a dialect (``sqlite`` or ``postgresql``)."""
    statements = _sqlite(schema) if dialect == "sqlite" else _postgresql(schema)
    return {s.split('"')[1] for s in statements if s.startswith("CREATE TRIGGER")}


def _sqlite(schema: Schema) -> Iterator[str]:
    for name, table in schema.tables.items():
        rest = ", ".join(f'"{c.name}"' for c in table.columns if c.name != "ended_by")
        yield _refusal(f"{name}_add", f'BEFORE INSERT ON "{name}"', _not_open("NEW"), f"row added to {name}")
        yield _refusal(
            f"{name}_end", f'BEFORE UPDATE OF ended_by ON "{name}"', _not_ending(), f"end of {name}"
        )
        yield _refusal(f"{name}_keep", f'BEFORE UPDATE OF {rest} ON "{name}"', "", f"rewriting of {name}")
        yield _refusal(f"{name}_stay", f'BEFORE DELETE ON "{name}"', "", f"deletion from {name}")
    for name in _sealed_tables(schema):
        yield _refusal(f"{name}_keep", f'BEFORE UPDATE ON "{name}"', "", f"rewriting of {name}")
        yield _refusal(f"{name}_stay", f'BEFORE DELETE ON "{name}"', "", f"deletion from {name}")
    yield _refusal("change_add", 'BEFORE INSERT ON "change"', _not_next(), "change out of turn")


def _refusal(name: str, when: str, condition: str, words: str) -> str:
    only = f" WHEN {condition}" if condition else ""
    return (
        f"CREATE TRIGGER \"{_PREFIX}{name}\" {when}{only} BEGIN SELECT RAISE(ABORT, 'kinshoal: {words}'); END"
    )


def _not_open(row: str) -> str:
    return f"{row}.ended_by IS NOT NULL OR {row}.change_id <> {_LAST} + 1"


def _not_ending() -> str:
    return f"OLD.ended_by IS NOT NULL OR NEW.ended_by IS NULL OR NEW.ended_by <> {_LAST} + 1"


def _not_next() -> str:
    last_hash = "(SELECT hash FROM change ORDER BY change_id DESC LIMIT 1)"
    return f"NEW.change_id <> {_LAST} + 1 OR NEW.previous_hash <> coalesce({last_hash}, NEW.previous_hash)"


def _sealed_tables(schema: Schema) -> list[str]:
    return ["change", "blobs", *(t.name for t in schema.names.values())]


def _postgresql(schema: Schema) -> Iterator[str]:
    yield _function("kinshoal_never", "", "", "TG_OP || ' on ' || TG_TABLE_NAME", always=True)
    yield _function("kinshoal_add", _not_open("NEW"), "NEW", "'row added to ' || TG_TABLE_NAME")
    rewritten = "to_jsonb(NEW) - 'ended_by' IS DISTINCT FROM to_jsonb(OLD) - 'ended_by'"
    yield _function(
        "kinshoal_end", f"{rewritten} OR {_not_ending()}", "NEW", "'rewriting of ' || TG_TABLE_NAME"
    )
    yield _function("kinshoal_next", _not_next(), "NEW", "'change out of turn'")
    for name in schema.tables:
        yield _on(f"{name}_add", f'BEFORE INSERT ON "{name}" FOR EACH ROW', "kinshoal_add")
        yield _on(f"{name}_end", f'BEFORE UPDATE ON "{name}" FOR EACH ROW', "kinshoal_end")
        yield _on(
            f"{name}_stay", f'BEFORE DELETE OR TRUNCATE ON "{name}" FOR EACH STATEMENT', "kinshoal_never"
        )
    for name in _sealed_tables(schema):
        yield _on(
            f"{name}_stay",
            f'BEFORE UPDATE OR DELETE OR TRUNCATE ON "{name}" FOR EACH STATEMENT',
            "kinshoal_never",
        )
    yield _on("change_add", 'BEFORE INSERT ON "change" FOR EACH ROW', "kinshoal_next")


def _function(name: str, condition: str, result: str, words: str, *, always: bool = False) -> str:
    refuse = f"RAISE EXCEPTION USING MESSAGE = 'kinshoal: ' || {words};"
    body = refuse if always else f"IF {condition} THEN {refuse} END IF; RETURN {result};"
    return f"CREATE OR REPLACE FUNCTION {name}() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN {body} END $$"


def _on(name: str, when: str, function: str) -> str:
    return f'CREATE TRIGGER "{_PREFIX}{name}" {when} EXECUTE FUNCTION {function}()'
