"""Write the practice programme as a folder of files."""

from __future__ import annotations

import json
from pathlib import Path

import pandas as pd

from broodstock.genotypes.genotype_set import GenotypeSet
from broodstock.intake.genotype_tables import write_genotype_table
from broodstock.intake.vcf import write_vcf
from broodstock.intake.write import gzip_bytes, write_bytes, write_datapackage, write_table
from planner.demo.inbox import Rows, inbox_csv
from planner.demo.records import Demo
from planner.demo.scans import contacts_csv

LONG_TRUTH = {"pedigree", "released", "parents"}
"""Tables of the truth that are compressed in the full set."""
_TITLE = "Practice programme (invented): lanternfin chub of the Pardrun River"


def write_demo(
    demo: Demo,
    truth: dict[str, pd.DataFrame],
    inbox: dict[str, Rows],
    folder: Path,
    compress: bool,
) -> list[str]:
    """Write all files and return their names relative to the folder, in order.

    Parameters
    ----------
    demo : Demo
        Records.
    truth : dict of str to DataFrame
        Hidden truth.
    inbox : dict of str to rows
        Field files.
    folder : Path
        Target.
    compress : bool
        Write every table and the calls with gzip.

    Raises
    ------
    OSError
        If the folder cannot be written.
    """
    ending = ".csv.gz" if compress else ".csv"
    for name, frame in demo.tables.items():
        write_table(frame, folder / f"{name}{ending}", name)
    packed = compress or demo.scale.name == "full"
    if demo.contacts is not None:
        data = contacts_csv(demo.contacts, demo.spells)
        write_bytes(
            folder / ("scans.csv.gz" if packed else "scans.csv"), _fast_gzip(data) if packed else data
        )
    write_vcf(demo.snps, folder / "genotypes" / ("snps.vcf.gz" if packed else "snps.vcf"))
    if demo.microsatellites is not None:
        write_genotype_table(demo.microsatellites, folder / "genotypes" / f"microsatellites{ending}")
    _write_true_calls(demo.true_snps, folder / "truth", packed)
    for name, frame in truth.items():
        data = frame.to_csv(index=False, lineterminator="\n").encode("utf-8")
        small = not (compress or (packed and name in LONG_TRUTH))
        write_bytes(
            folder / "truth" / f"{name}.csv{'' if small else '.gz'}", data if small else gzip_bytes(data)
        )
    for name, rows in inbox.items():
        write_bytes(folder / "inbox" / f"{name}.csv", inbox_csv(name, rows).encode("utf-8"))
    write_bytes(folder / "sites.geojson", sites_geojson(demo.tables["sites"]).encode("utf-8"))
    write_bytes(folder / "README.md", _readme(demo).encode("utf-8"))
    write_datapackage(folder, _TITLE)
    return sorted(p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file())


def _fast_gzip(data: bytes) -> bytes:
    """Return data compressed fast and without a time, so that the same data give the same bytes."""
    import gzip
    import io

    out = io.BytesIO()
    with gzip.GzipFile(filename="", mode="wb", compresslevel=4, fileobj=out, mtime=0) as z:
        z.write(data)
    return out.getvalue()


def _write_true_calls(calls: GenotypeSet, folder: Path, packed: bool) -> None:
    write_vcf(calls, folder / ("snps_true.vcf.gz" if packed else "snps_true.vcf"))


def sites_geojson(sites: pd.DataFrame) -> str:
    """Return the sites as points of an impossible place: a line of dots in the open mid-Atlantic.

    GeoJSON gives longitude before latitude (RFC 7946). Nobody stocks chub there.
    """
    features = [
        {
            "type": "Feature",
            "geometry": {"type": "Point", "coordinates": [row["longitude"], row["latitude"]]},
            "properties": {"site_id": row["site_id"], "name": row["name"], "kind": row["kind"]},
        }
        for row in sites.to_dict("records")
    ]
    return json.dumps({"type": "FeatureCollection", "features": features}, indent=1) + "\n"


def _readme(demo: Demo) -> str:
    size = "full practice programme" if demo.scale.name == "full" else "tiny practice set"
    return f"""# {size.capitalize()}, made with seed {demo.seed}

Everything here is invented: river, dam, station, species, fish, numbers. Tags carry the ISO test code 999, which
no fish in the world has, and the points of `sites.geojson` lie in the open mid-Atlantic.

- tables `*.csv`, described by `datapackage.json`, and `genotypes/`: the accepted records, with softer errors in them;
- `inbox/`: field files that wait to be accepted, some of them with faults that must stop an import;
- `truth/`: what the records cannot know, and `planted.csv` with every planted error. No command reads it.
"""
