"""Commands of the audit: quality, parents, audit."""

from __future__ import annotations

from pathlib import Path

import click

from planner.cli.output import Answer, answers, progress
from planner.cli.records import RECORDS

OUT = click.option("--out", type=click.Path(path_type=Path), help="Write the tables into this folder too.")


@click.command(epilog="Example: kinshoal quality practice/records --out practice/quality")
@click.argument("folder", type=RECORDS)
@click.option("--calls", default="snps", show_default=True, help="Call set: snps or microsatellites.")
@OUT
@answers
def quality(folder: Path | str, calls: str, out: Path | None) -> Answer:
    """Check the genotypes: what to leave out and why, and what a person must look at.

    Call rates, repeat typings, one genotype under two names, two fish in one vial, sex and species markers,
    recorded parents, plate shifts, Hardy-Weinberg proportions. Nothing is corrected.
    """
    from planner.tasks.programme import open_programme
    from planner.tasks.quality import check_quality, write_quality

    programme = open_programme(folder)
    progress(f"Checking {calls}")
    report = check_quality(programme, calls)
    written = write_quality(report, out) if out is not None else []
    text = "\n".join([report.text(), *(f"wrote {p}" for p in written)])
    return Answer(text, report.as_dict() | {"written": [str(p) for p in written]})


@click.command(epilog="Example: kinshoal parents practice/records --out practice/parents")
@click.argument("folder", type=RECORDS)
@OUT
@answers
def parents(folder: Path | str, out: Path | None) -> Answer:
    """Find the parents of hatchery young by DNA and hold them against the record.

    Names exchanged dishes, missing parents found, contradictions, and untagged captures that are fish of the
    programme. Records are never changed.
    """
    from planner.tasks.parents import find_parents, write_parents
    from planner.tasks.programme import open_programme
    from planner.tasks.quality import check_quality

    programme = open_programme(folder)
    progress("Checking the calls")
    checked = check_quality(programme)
    progress("Finding parents")
    report = find_parents(programme, checked)
    written = write_parents(report, out) if out is not None else []
    text = "\n".join([report.text(), *(f"wrote {p}" for p in written)])
    return Answer(text, report.as_dict() | {"written": [str(p) for p in written]})


@click.command(epilog="Example: kinshoal audit practice/records --year-class 2024 --out practice/audit")
@click.argument("folder", type=RECORDS)
@click.option("--year-class", type=int, help="Year class to audit; default the latest.")
@click.option(
    "--out", type=click.Path(path_type=Path), required=True, help="Folder for the report, figures and tables."
)
@answers
def audit(folder: Path | str, year_class: int | None, out: Path) -> Answer:
    """Audit a year class: is diversity kept, with what uncertainty, and where was it lost.

    Writes audit.html and audit.pdf, every figure, every table as CSV with a Table Schema, and audit.json.
    """
    from planner.tasks.audit import audit_programme, write_audit
    from planner.tasks.programme import open_programme

    progress(f"Reading {folder}")
    programme = open_programme(folder)
    report = audit_programme(programme, year_class, progress)
    progress("Drawing and writing")
    written = write_audit(report, out)
    text = "\n".join(
        [report.text(), "", f"wrote {len(written)} files into {out}: audit.html, audit.pdf and others"]
    )
    return Answer(text, report.as_dict() | {"written": [str(p) for p in written]})
