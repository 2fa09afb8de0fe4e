"""Changes of the schema: revisions and metadata agree, an upgrade keeps a backup and every entry, triggers return."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

import planner.store.upgrade as upgrading
from broodstock.fields import Column, Table
from planner.store.engines import make_engine, read_place
from planner.store.errors import AppendOnly, RegisterDamaged, RegisterMissing, SchemaNewer, SchemaOlder
from planner.store.making import REVISIONS, build
from planner.store.register import Register
from planner.store.schema import build_schema, current_schema
from planner.store.triggers import expected_triggers, trigger_names
from planner.store.upgrade import Target, upgrade
from planner.store.versions import utc_now

SECOND = """
import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    op.add_column("fish", sa.Column("condition", sa.Text()))
    with op.batch_alter_table("units") as batch:
        batch.add_column(sa.Column("depth_m", sa.Double().with_variant(sa.REAL(), "sqlite")))
        batch.create_index("ix_units_building", ["building"])
"""


@pytest.fixture
def second(tmp_path: Path) -> Target:
    """An upgrade to a second revision: a column added to fish, and units made anew with one more."""
    scripts = tmp_path / "migrations"
    shutil.copytree(upgrading.SCRIPTS, scripts)
    (scripts / "versions" / "r0002_condition.py").write_text(SECOND, encoding="utf-8")
    specs = dict(current_schema().specs)
    more = {"fish": Column("condition", "text", "Condition."), "units": Column("depth_m", "number", "Depth.")}
    for name, column in more.items():
        specs[name] = replace(specs[name], columns=(*specs[name].columns, column))
    return Target(scripts, ("0001", "0002"), build_schema(specs, current_schema().own))


def what_there_is(connection: sa.Connection) -> dict[str, Any]:
    """Tables, columns, references, checks and indexes of a database, in a form to compare."""
    look = sa.inspect(connection)
    out: dict[str, Any] = {}
    for name in look.get_table_names():
        if name == "alembic_version":
            continue
        out[name] = {
            "columns": {c["name"]: (str(c["type"]), c["nullable"]) for c in look.get_columns(name)},
            "key": look.get_pk_constraint(name)["constrained_columns"],
            "references": sorted(
                (
                    f["constrained_columns"],
                    f["referred_table"],
                    f["referred_columns"],
                    sorted(f["options"].items()),
                )
                for f in look.get_foreign_keys(name)
            ),
            "checks": sorted(c["sqltext"] for c in look.get_check_constraints(name)),
        }
    if connection.dialect.name == "sqlite":
        out["indexes"] = set(
            connection.exec_driver_sql("SELECT sql FROM sqlite_master WHERE type = 'index'").scalars()
        )
        out["strict"] = dict(
            connection.exec_driver_sql(
                "SELECT name, strict FROM pragma_table_list WHERE schema = 'main'"
            ).all()
        )
    else:
        query = "SELECT indexdef FROM pg_indexes WHERE schemaname = current_schema()"
        out["indexes"] = set(connection.exec_driver_sql(query).scalars())
    return out


def start(place: str, target: Target) -> sa.Engine:
    """Make the tables of a target by its revisions alone."""
    engine = make_engine(read_place(place))
    with engine.begin() as connection:
        upgrading._run(connection, target)
    return engine


def test_revisions__are_those_of_the_scripts() -> None:
    from alembic.config import Config
    from alembic.script import ScriptDirectory

    config = Config()
    config.set_main_option("script_location", str(upgrading.SCRIPTS))
    config.set_main_option("path_separator", "os")
    found = [s.revision for s in ScriptDirectory.from_config(config).walk_revisions()]
    assert tuple(reversed(found)) == REVISIONS


def test_revisions__make_the_tables_that_the_columns_ask_for(new_place: Callable[..., str]) -> None:
    migrated = start(new_place(), Target(upgrading.SCRIPTS, REVISIONS, current_schema()))
    with Register.create(new_place()) as made, made.reading() as fresh, migrated.connect() as connection:
        expected, found = what_there_is(fresh), what_there_is(connection)
    migrated.dispose()
    hint = (
        "the columns changed: before the first release run tests/store/freeze_first_tables.py, "
        "after it write a revision"
    )
    assert set(found) == set(expected), hint
    for name in expected:
        assert found[name] == expected[name], f"{name}: {hint}"


def test_upgrade__keeps_a_backup_every_entry_and_the_triggers(
    register: Register, second: Target, new_place: Callable[..., str]
) -> None:
    with register.writing("ann", "start") as w:
        w.add("units", [{"unit_id": f"T{i}", "kind": "tank", "volume_l": 100 + i} for i in range(300)])
        w.add(
            "fish", [{"fish_id": "F1", "sex": "male", "origin": "hatchery", "status": "brood", "unit": "T1"}]
        )
    with register.writing("bob", "larger") as w:
        w.change("units", 2, {"volume_l": 5000})
    version, place = register.data_version(), register.place
    register.close()
    done = upgrade(place, target=second)
    assert (done.before, done.after) == ("0001", "0002")
    with pytest.raises(SchemaNewer, match="revision 0002, which this version does not know"):
        Register.open(place)
    again = Register(
        read_place(place), make_engine(read_place(place)), second.schema, read_only=False, clock=utc_now
    )
    with again:
        assert again.data_version() == version
        report = again.verify()
        assert report.ok, report.problems
        assert again.get("fish", "F1")["condition"] is None  # type: ignore[index]
        with again.writing("cy", "deep") as w:
            w.change("units", 2, {"depth_m": 1.5})
            w.add(
                "fish",
                [
                    {
                        "fish_id": "F2",
                        "sex": "male",
                        "origin": "hatchery",
                        "status": "brood",
                        "condition": "fat",
                    }
                ],
            )
        assert [v.values["depth_m"] for v in again.history("units", 2)] == [None, None, 1.5]
        assert again.verify().ok
        with again.reading() as connection:
            assert trigger_names(connection) == expected_triggers(second.schema, again.dialect)
        with pytest.raises(AppendOnly, match="units"), again.writing("dan", "x") as w:
            w._connection.exec_driver_sql("DELETE FROM units")
        with again.reading() as connection:
            if again.dialect == "sqlite":
                strict = "SELECT min(strict) FROM pragma_table_list WHERE name IN ('units', 'fish')"
                assert connection.exec_driver_sql(strict).scalar() == 1
            else:
                schema = done.backup.removeprefix("schema ")
                kept = connection.exec_driver_sql(f'SELECT count(*) FROM "{schema}".units').scalar()
                assert kept == 301
    assert upgrade(place, target=second).backup == ""
    if again.dialect == "sqlite":
        with Register.open(done.backup) as kept_register:
            assert kept_register.data_version() == version
            assert kept_register.verify().ok


def test_upgrade__that_fails_changes_nothing(register: Register, second: Target) -> None:
    with register.writing("ann", "start") as w:
        w.add("units", [{"unit_id": "T1", "kind": "tank"}])
    broken = second.scripts / "versions" / "r0002_condition.py"
    broken.write_text(SECOND + '    op.execute("INSERT INTO nowhere VALUES (1)")\n', encoding="utf-8")
    with register.reading() as connection:
        before = what_there_is(connection)
    with pytest.raises(Exception, match="nowhere"):
        upgrade(register.place, target=second)
    with Register.open(register.place) as again, again.reading() as connection:
        assert what_there_is(connection) == before
        assert trigger_names(connection) == expected_triggers(current_schema(), again.dialect)
        assert again.verify().ok


def test_upgrade__refuses_what_was_tampered_with(file_register: Register, second: Target) -> None:
    import sqlite3

    with file_register.writing("ann", "start") as w:
        w.add("units", [{"unit_id": "T1", "kind": "tank"}])
    file_register.close()
    raw = sqlite3.connect(file_register.place)
    raw.execute('DROP TRIGGER "keeps_units_keep"')
    raw.execute("UPDATE units SET kind = 'pond'")
    raw.commit()
    raw.close()
    with pytest.raises(RegisterDamaged, match="Change 1: its rows are not those that were entered"):
        upgrade(file_register.place, target=second)
    with pytest.raises(SchemaOlder, match=r"revision 0001.*kinshoal register upgrade"):
        _open_as_second(file_register.place)


def _open_as_second(place: str) -> None:
    """Open as a program would that knows one more revision."""
    import planner.store.making as making

    known = making.REVISIONS
    making.REVISIONS = (*known, "0002")
    try:
        Register.open(place)
    finally:
        making.REVISIONS = known


def test_upgrade__of_what_is_no_register(tmp_path: Path) -> None:
    with pytest.raises(RegisterMissing, match="no such file"):
        upgrade(tmp_path / "nothing.kinshoal")


def test_schema__refuses_columns_it_cannot_hold() -> None:
    name = Column("entry_id", "text", "A name that is taken.")
    with pytest.raises(ValueError, match="every table of the register has this column itself"):
        build_schema({"one": Table("one", "One.", (name,))})
    points = Column("a", "text", "Points nowhere.", refers="two.b")
    with pytest.raises(ValueError, match=r"refers to two\.b, which is no single key"):
        build_schema({"one": Table("one", "One.", (points,))})


def test_build__makes_every_trigger(place: str) -> None:
    engine = make_engine(read_place(place))
    with engine.begin() as connection:
        build(connection)
        assert trigger_names(connection) == expected_triggers(current_schema(), connection.dialect.name)
    engine.dispose()
