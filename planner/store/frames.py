"""Tables of the register as the frames that readers and checks share."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import sqlalchemy as sa

from broodstock.fields import TABLES, Column
from broodstock.intake.folder import Records
from broodstock.intake.tables import empty_frame, typed_frame
from planner.store.call_blobs import unpack_calls
from planner.store.engines import Place
from planner.store.reading import Moment, blob, change_at, changes, data_version, known
from planner.store.schema import Schema

if TYPE_CHECKING:
    from broodstock.genotypes.genotype_set import GenotypeSet

CALL_SETS = ("snps", "microsatellites")
"""Call sets that belong to the records."""


def frame(connection: sa.Connection, schema: Schema, table: str, as_known_on: Moment = None) -> pd.DataFrame:
    """Return one table; see `planner.store.register.Register.frame`."""
    spec = schema.spec(table)
    t = schema.tables[table]
    query = sa.select(t.c.record_id, *(t.c[n] for n in spec.names)).where(
        known(t, change_at(connection, schema, as_known_on))
    )
    text = query.compile(connection.engine, compile_kwargs={"literal_binds": True}).string
    cursor = connection.connection.cursor()
    try:
        cursor.execute(text)
        found = cursor.fetchall()
    finally:
        cursor.close()
    if not found:
        return empty_frame(spec, table)
    columns = list(zip(*found, strict=True))
    numbers = np.array(columns[0], dtype=np.int64)
    order = np.argsort(numbers, kind="stable")
    values = {c.name: _values(v, c)[order] for c, v in zip(spec.columns, columns[1:], strict=True)}
    return typed_frame(spec, values, numbers[order], table)


def _values(cells: tuple[Any, ...], column: Column) -> Any:
    """Return stored cells as an array of the kind the shared form has."""
    array = np.array((*cells, None), dtype=object)[:-1]
    empty = array == None  # noqa: E711  elementwise
    if column.kind in ("text", "tag", "choice"):
        array[empty] = ""
        return array
    if column.kind == "number":
        array[empty] = np.nan
        return array.astype(np.float64)
    if column.kind in ("date", "datetime"):
        array[empty] = "NaT"
        return array.astype("datetime64[us]").astype("datetime64[ns]")
    array[empty] = 0
    if column.kind == "integer":
        return pd.arrays.IntegerArray(array.astype(np.int64), empty.astype(bool))
    return pd.arrays.BooleanArray(array.astype(bool), empty.astype(bool))


def records(
    connection: sa.Connection, schema: Schema, place: Place, skip: Iterable[str], as_known_on: Moment
) -> Records:
    """Return all records; see `planner.store.register.Register.records`."""
    skip = tuple(skip)
    at = change_at(connection, schema, as_known_on)
    tables = {
        name: empty_frame(spec, name) if name in skip else frame(connection, schema, name, at)
        for name, spec in TABLES.items()
    }
    genotypes = call_sets(connection, schema, [n for n in CALL_SETS if n not in skip], at)
    version = data_version(connection, schema)
    fingerprint = version.hash
    if at is not None and at != version.change_id:
        before = changes(connection, schema, at - 1, 1) if at else []
        fingerprint = before[0].hash if before else "0" * 64
    size = place.path.stat().st_size if place.path is not None and place.path.exists() else 0
    return Records(tables, genotypes, (), fingerprint, {place.shown: size}, skip)


def call_sets(
    connection: sa.Connection, schema: Schema, names: Iterable[str], at: int | None
) -> dict[str, GenotypeSet]:
    """Return the genotype calls kept under some names."""
    t = schema.tables["call_sets"]
    out = {}
    for name in names:
        query = sa.select(t.c.blob).where(t.c.call_set == name, known(t, at))
        kept = connection.execute(query).scalar()
        if kept is not None:
            out[name] = unpack_calls(blob(connection, schema, kept))
    return out
