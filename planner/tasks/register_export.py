"""Write a register as open files: a data package that imports again, Darwin Core tables, GeoJSON."""

from __future__ import annotations

import csv
import hashlib
import io
import json
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from broodstock.errors import UsageError
from broodstock.fields import TABLES, Table
from broodstock.intake.write import cell_texts, data_resource, write_bytes
from planner.store.own_tables import OWN_TABLES
from planner.store.register import Register
from planner.tasks.register_darwin import EVENT, MEASUREMENT, OCCURRENCE, darwin_core, sites_geojson
from planner.tasks.register_reading import OWN_FOLDER

if TYPE_CHECKING:
    from broodstock.genotypes.genotype_set import GenotypeSet

Said = tuple[str, dict[str, Any]]
NAMED = ("entered_by", "reason", "source")
"""Columns of the history that may name people."""


def export_register(
    place: Path | str,
    folder: Path,
    form: str = "package",
    history: bool = False,
    grid_km: float | None = None,
    without_names: bool = False,
) -> Said:
    """Write a register into a new or empty folder.

    Parameters
    ----------
    place : Path or str
        The register.
    folder : Path
        Target.
    form : {'package', 'darwin-core', 'geojson'}
        What to write.
    history : bool
        With the package: ``history.csv`` too, every field of every change.
    grid_km : float, optional
        Blur places to a grid of this width; with the package the coordinates of sites.
    without_names : bool
        Leave out people: who entered, who decided, and free text.

    Raises
    ------
    UsageError
        If the folder holds something.
    OSError
        If it cannot be written.
    RegisterError
        If the register cannot be read.
    """
    if folder.exists() and any(folder.iterdir()):
        raise UsageError(
            f"{folder}: found a folder that holds files. Expected a new or an empty one. Choose another."
        )
    with Register.open(place, read_only=True) as register:
        version = register.data_version()
        if form == "geojson":
            text = sites_geojson(register.frame("sites"), grid_km, without_names)
            written = [write_bytes(folder / "sites.geojson", text.encode())]
        elif form == "darwin-core":
            written = _write_darwin(register, folder, grid_km, without_names)
        else:
            written = _write_package(register, folder, history, grid_km, without_names)
    words = [f"{place}: {version.text}", *(f"wrote {p}" for p in written)]
    return "\n".join(words), {
        "register": str(place),
        "form": form,
        "version": version.as_dict(),
        "written": [str(p) for p in written],
    }


def _write_package(
    register: Register, folder: Path, history: bool, grid_km: float | None, without_names: bool
) -> list[Path]:
    from planner.store.backup_history import HISTORY_HEAD, history_rows

    written, resources = [], []
    records = register.records()
    for name, spec in {**TABLES, **OWN_TABLES}.items():
        frame = records.tables[name] if name in TABLES else register.frame(name)
        if frame.empty:
            continue
        frame = _shared(frame, spec, grid_km, without_names)
        path = f"{name}.csv" if name in TABLES else f"{OWN_FOLDER}/{name}.csv"
        data = table_bytes(frame, spec)
        written.append(write_bytes(folder / path, data))
        resources.append(data_resource(name, path, spec.sentence, spec.as_schema(), data))
    for name, calls in records.genotypes.items():
        path_written = _write_calls(calls, name, folder)
        written.append(path_written)
        data = path_written.read_bytes()
        resources.append(
            {
                "name": name,
                "path": path_written.relative_to(folder).as_posix(),
                "description": f"Genotype calls, {calls.n_samples} samples x {calls.n_loci} loci.",
                "bytes": len(data),
                "hash": f"sha256:{hashlib.sha256(data).hexdigest()}",
            }
        )
    if history:
        rows: Iterable[tuple[str, ...]] = history_rows(register)
        if without_names:
            blank = [HISTORY_HEAD.index(c) for c in NAMED]
            rows = (tuple("" if i in blank else v for i, v in enumerate(row)) for row in rows)
        data = csv_bytes(HISTORY_HEAD, rows)
        written.append(write_bytes(folder / OWN_FOLDER / "history.csv", data))
        schema = {"fields": [{"name": n, "type": "string"} for n in HISTORY_HEAD], "missingValues": [""]}
        sentence = "One field that one change added, changed or withdrew."
        resources.append(data_resource("history", f"{OWN_FOLDER}/history.csv", sentence, schema, data))
    written.append(_write_descriptor(folder, resources, register.data_version().as_dict()))
    return written


def _shared(frame: pd.DataFrame, spec: Table, grid_km: float | None, without_names: bool) -> pd.DataFrame:
    """Return a table as it may be shared: places blurred, people and free text left out, as asked."""
    from planner.tasks.register_darwin import blurred

    if spec.name == "sites" and grid_km is not None:
        frame = frame.copy()
        has = frame["latitude"].notna() & frame["longitude"].notna()
        pairs = zip(frame.loc[has, "latitude"], frame.loc[has, "longitude"], strict=True)
        moved = [blurred(float(a), float(b), grid_km)[:2] for a, b in pairs]
        frame.loc[has, "latitude"] = [a for a, _ in moved]
        frame.loc[has, "longitude"] = [b for _, b in moved]
        frame["name"] = frame["site_id"]
        frame["river_km"] = float("nan")
    if without_names:
        frame = frame.copy()
        people = ("note", "decided_by", "made_by", "proposed_by", "partner", "phone_note")
        required = {c.name for c in spec.columns if c.required}
        for column in frame.columns:
            if column in people and column not in required:
                frame[column] = ""
        if spec.name == "people":
            frame["name"] = ""
        for column in ("decided_by", "proposed_by", "made_by"):
            if column in required:
                frame[column] = "left out"
    return frame


def _write_calls(calls: GenotypeSet, name: str, folder: Path) -> Path:
    from broodstock.intake.genotype_tables import write_genotype_table
    from broodstock.intake.vcf import write_vcf

    if name == "snps" and all(len(a) <= 2 for a in calls.alleles):
        return write_vcf(calls, folder / "genotypes" / "snps.vcf.gz")
    return write_genotype_table(calls, folder / "genotypes" / f"{name}.csv")


def _write_darwin(register: Register, folder: Path, grid_km: float | None, without_names: bool) -> list[Path]:
    tables = register.records(skip=("snps", "microsatellites")).tables
    entered = {c.change_id: c.entered_by for c in register.changes()}
    recorded = {
        (name, int(r["record_id"])): entered[int(r["change_id"])]
        for name in ("captures", "releases", "detection_days")
        for r in register.rows(name, columns=["record_id", "change_id"])
    }
    species = ""
    for row in register.rows("settings", {"name": "species"}, columns=["value"]):
        species = str(row["value"] or "")
    made = darwin_core(tables, register.frame("detection_days"), species, grid_km, recorded, without_names)
    written, resources = [], []
    keys = {"event": EVENT, "occurrence": OCCURRENCE, "measurementorfact": MEASUREMENT}
    for name, frame in made.items():
        data = csv_bytes(keys[name], frame.itertuples(index=False, name=None))
        written.append(write_bytes(folder / f"{name}.csv", data))
        schema: dict[str, Any] = {
            "fields": [{"name": t, "type": "string", "rdfType": f"{_DWC}{t}"} for t in keys[name]],
            "primaryKey": [keys[name][0]],
        }
        if name != "event":
            other = "event" if name == "occurrence" else "occurrence"
            schema["foreignKeys"] = [
                {"fields": f"{other}ID", "reference": {"resource": other, "fields": f"{other}ID"}}
            ]
        resources.append(data_resource(name, f"{name}.csv", f"Darwin Core {name}.", schema, data))
    written.append(_write_descriptor(folder, resources, register.data_version().as_dict()))
    return written


_DWC = "http://rs.tdwg.org/dwc/terms/"


def table_bytes(frame: pd.DataFrame, spec: Table) -> bytes:
    """Return a table as CSV, columns in register order; the same frame always gives the same bytes."""
    columns = [cell_texts(frame[c.name], c, spec.name) for c in spec.columns]
    return csv_bytes(spec.names, zip(*columns, strict=True))


def csv_bytes(head: Iterable[str], rows: Iterable[Iterable[str]]) -> bytes:
    """Return rows of text as CSV (RFC 4180 quoting, UTF-8, one line feed a row)."""
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(head)
    writer.writerows(rows)
    return out.getvalue().encode()


def _write_descriptor(folder: Path, resources: list[dict[str, Any]], version: Mapping[str, Any]) -> Path:
    """Write ``datapackage.json`` (Frictionless Data Package and Table Schema, version 1)."""
    package = {
        "profile": "tabular-data-package",
        "name": "programme-register",
        "title": "Register of a programme",
        "data_version": dict(version),
        "resources": resources,
    }
    text = json.dumps(package, indent=2, ensure_ascii=False) + "\n"
    return write_bytes(folder / "datapackage.json", text.encode())
