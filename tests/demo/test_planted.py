"""Every planted error stands where the list says, and the checks of the tool see it."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pandas as pd
import pytest

from broodstock.checks.run import run_checks
from broodstock.fields import TABLES
from broodstock.findings import Finding
from broodstock.findings_catalogue import CATALOGUE
from broodstock.intake.folder import read_folder
from broodstock.intake.tables import read_table
from planner.demo.planted_row import Planted
from planner.demo.scale import FULL, TINY
from planner.tasks.settings import read_settings

INBOX = 1_000_000
"""Added to the row numbers of field files so that they stay apart from the accepted records."""


def sees(finding: Finding, planted: Planted, row: int) -> bool:
    if finding.code not in planted.expected.split(" or "):
        return False
    rows = [finding.where.row, *(p.row for p in finding.others)]
    return (row > 0 and row in rows) or planted.key in finding.found


def checked(folder: Path) -> list[Finding]:
    records = read_folder(folder)
    settings = records.tables["settings"]
    rows = zip(settings.index, settings["name"], settings["value"], settings["source"], strict=True)
    found, _ = read_settings(rows, "settings.csv")
    return [
        *records.findings,
        *run_checks(records.tables, records.genotypes, found.values, found.day("today")),
    ]


def checked_with_inbox(folder: Path) -> list[Finding]:
    """Findings of the accepted records with the field files added to them."""
    records = read_folder(folder)
    tables = dict(records.tables)
    found: list[Finding] = []
    for path in sorted((folder / "inbox").glob("*.csv")):
        frame, faults = read_table(path, path.stem)
        for fault in faults:
            where = dataclasses.replace(fault.where, row=(fault.where.row or 0) + INBOX)
            found.append(dataclasses.replace(fault, where=where))
        frame.index = frame.index + INBOX
        joined = pd.concat([tables[path.stem], frame])
        joined.attrs["file"] = path.name
        joined.index.name = "row"
        tables[path.stem] = joined
    settings = tables["settings"]
    rows = zip(settings.index, settings["name"], settings["value"], settings["source"], strict=True)
    values, _ = read_settings(rows, "settings.csv")
    only = [
        "one-fish-per-tag",
        "tag-before-fish",
        "days-to-come",
        "release-after-hatch",
        "pedigree-of-fish",
        "parents-of-crosses",
    ]
    found += run_checks(tables, {}, values.values, values.day("today"), only=only)
    return found


@pytest.mark.parametrize(("size", "scale"), [("tiny", TINY), ("full", FULL)])
def test_planted__all_numbers_are_there(size, scale, request):
    planted = request.getfixturevalue(size)[3]
    assert {p.number for p in planted} == set(scale.planted)
    if size == "full":
        assert set(scale.planted) == set(range(1, 30))
    for p in planted:
        codes = set(p.expected.split(" or "))
        assert codes <= set(CATALOGUE) | {"parentage"}, p
        assert p.what
        assert p.key


@pytest.mark.parametrize("size", ["tiny", "full"])
def test_planted__rows_hold_the_records_named(size, request):
    demo, _, inbox, planted = request.getfixturevalue(size)
    for p in planted:
        if p.row == 0:
            continue
        if p.file.startswith("inbox/"):
            row = inbox[p.file.removeprefix("inbox/").removesuffix(".csv")][p.row - 2]
            assert p.key in row.values(), p
        elif not p.file.startswith("scans"):
            frame = demo.tables[p.file.removesuffix(".csv")]
            assert p.key in [str(v) for v in frame.iloc[p.row - 2]], p
            assert p.column in frame.columns, p


def test_tiny__accepted_records_have_no_hard_fault_and_show_what_is_planted(tiny_report):
    found = checked(tiny_report.folder)
    assert [f.text() for f in found if f.level == "error"] == []
    accepted = [
        p for p in tiny_report.planted if not p.file.startswith("inbox/") and p.expected != "parentage"
    ]
    missed = [p for p in accepted if not any(sees(f, p, p.row) for f in found)]
    # A panel of sixteen loci cannot show every exchange of mothers.
    assert {p.number for p in missed} <= {15}
    assert len({p.number for p in accepted} - {p.number for p in missed}) >= 15


def test_tiny__field_files_raise_what_is_planted(tiny_report):
    found = checked_with_inbox(tiny_report.folder)
    waiting = [p for p in tiny_report.planted if p.file.startswith("inbox/")]
    assert {p.number for p in waiting} == {1, 3, 4, 6, 7, 8, 9, 12}
    missed = [p for p in waiting if not any(sees(f, p, p.row + INBOX) for f in found)]
    assert missed == []
    hard = {f.code for f in found if f.level == "error"}
    assert {"tag-two-fish", "tag-number-too-large", "tag-damaged-number", "impossible-date"} <= hard
    # Sound rows of the field files are not accused.
    spoilt = {p.row + INBOX for p in waiting}
    accused = {f.where.row for f in found if f.level == "error" and (f.where.row or 0) > INBOX}
    assert accused <= spoilt


def test_tiny__sound_records_are_not_accused(tiny_report):
    """Warnings without a planted cause: a handful, each with a real reason in the scenario."""
    found = checked(tiny_report.folder)
    rows = sum(tiny_report.rows.values())
    loud = [f for f in found if f.level != "note"]
    loud = [f for f in loud if not any(sees(f, p, p.row) for p in tiny_report.planted)]
    assert len(loud) < 0.01 * rows
    assert all(TABLES)


@pytest.mark.slow
def test_full__planted_errors_are_found_and_few_rows_accused(tmp_path):
    from planner.demo.make import make_demo

    report = make_demo(tmp_path / "full", "full")
    found = checked(report.folder)
    assert [f.text() for f in found if f.level == "error"] == []
    accepted = [p for p in report.planted if not p.file.startswith("inbox/") and p.expected != "parentage"]
    missed = [p for p in accepted if not any(sees(f, p, p.row) for f in found)]
    assert len(missed) <= 0.05 * len(accepted), missed
    found = checked_with_inbox(report.folder)
    waiting = [p for p in report.planted if p.file.startswith("inbox/")]
    assert [p for p in waiting if not any(sees(f, p, p.row + INBOX) for f in found)] == []
