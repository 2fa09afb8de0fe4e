"""The planted errors of the practice programme, found by importing it: accepted records first, then the field files."""

from __future__ import annotations

from pathlib import Path

import pytest

from broodstock.findings import Finding
from planner.demo.make import DemoReport, make_demo
from planner.demo.planted_row import Planted
from planner.store.register import Register
from planner.tasks.register_import import plan_import, write_import


def sees(finding: Finding, planted: Planted) -> bool:
    """Whether a finding is about a planted row, by its row or by the name of its record."""
    if finding.code not in planted.expected.split(" or "):
        return False
    rows = [p.row for p in (finding.where, *finding.others)]
    return (planted.row > 0 and planted.row in rows) or planted.key in finding.found


def found_by_import(report: DemoReport, folder: Path) -> tuple[set[int], list[Finding], int]:
    """Import a practice programme; return numbers of planted errors found, hard findings without cause, rows read."""
    with Register.create(folder / "r.db") as register:
        first = plan_import(register, report.folder)
        assert first.refused == 0
        write_import(register, first, "tess", "first")
        field = plan_import(register, report.folder / "inbox")
        assert register.verify().ok
    found = {
        p.number
        for p in report.planted
        for f in (field if p.file.startswith("inbox/") else first).findings
        if sees(f, p)
    }
    waiting = [p for p in report.planted if p.file.startswith("inbox/")]
    alarms = [
        f
        for f in field.findings.of_level("error")
        if not any(p.row in [x.row for x in (f.where, *f.others)] for p in waiting)
    ]
    return found, alarms, first.incoming.rows + field.incoming.rows


def test_planted__tiny_programme(tmp_path: Path) -> None:
    report = make_demo(tmp_path / "tiny", "tiny")
    found, alarms, rows = found_by_import(report, tmp_path)
    planted = {p.number for p in report.planted if p.expected != "parentage"}
    # A panel of sixteen loci cannot show every exchange of mothers.
    assert planted - found <= {15}
    assert len(alarms) < 0.005 * rows


@pytest.mark.slow
def test_planted__full_programme(tmp_path: Path) -> None:
    """At least 95 % of the 29 planted errors, and hard alarms without cause on less than 0.5 % of the rows."""
    report = make_demo(tmp_path / "full", "full")
    found, alarms, rows = found_by_import(report, tmp_path)
    assert {p.number for p in report.planted} == set(range(1, 30))
    assert len(found) >= 0.95 * 29, set(range(1, 30)) - found
    assert len(alarms) < 0.005 * rows, alarms
