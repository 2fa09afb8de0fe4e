"""Every broken example raises the finding it must raise, and nothing else."""

from __future__ import annotations

import csv
import sys
from collections import defaultdict
from pathlib import Path

import pytest

from broodstock.checks.run import run_checks
from broodstock.findings import Finding
from broodstock.findings_catalogue import CATALOGUE
from broodstock.intake.folder import read_folder
from broodstock.intake.genotype_tables import read_genotype_table
from broodstock.intake.tables import read_table
from broodstock.intake.vcf import read_vcf

sys.path.insert(0, str(Path(__file__).resolve().parent))
from make_broken import TARGET, TODAY, make

SHIPPED = {
    p.relative_to(TARGET).as_posix(): p
    for p in sorted(TARGET.rglob("*"))
    if p.is_file() and p.name != "README.md"
}


def expected_by_case() -> dict[str, list[tuple[str, str, str, str, str]]]:
    """Read ``expected.csv`` as a person would: by first part of the path."""
    out = defaultdict(list)
    with (TARGET / "expected.csv").open(encoding="utf-8", newline="") as f:
        for row in csv.DictReader(f):
            out[row["file"].split("/")[0]].append(
                (row["file"], row["table"], row["code"], row["row"], row["column"])
            )
    return out


EXPECTED = expected_by_case()


def test_broken__shipped_files_are_what_the_script_makes() -> None:
    made = make().files
    assert sorted(SHIPPED) == sorted(made)
    different = [name for name, data in made.items() if SHIPPED[name].read_bytes() != data]
    assert different == []


def test_broken__every_case_has_an_expected_finding() -> None:
    assert {name.split("/")[0] for name in SHIPPED} - {"expected.csv"} == set(EXPECTED)


def findings_of(case: str, table: str) -> list[Finding]:
    path = TARGET / case
    if path.is_dir():
        records = read_folder(path)
        return [*records.findings, *run_checks(records.tables, records.genotypes, {}, TODAY)]
    if ".vcf" in case:
        return read_vcf(path)[1]
    return read_genotype_table(path)[1] if table == "genotypes" else read_table(path, table)[1]


@pytest.mark.parametrize("case", sorted(EXPECTED))
def test_broken__raises_exactly_the_expected_findings(case: str) -> None:
    found = findings_of(case, EXPECTED[case][0][1])
    prefix = f"{case}/" if (TARGET / case).is_dir() else ""
    places = sorted(
        (
            case if f.where.file == case else prefix + f.where.file,
            f.code,
            "" if f.where.row is None else str(f.where.row),
            f.where.column or "",
        )
        for f in found
    )
    assert places == sorted((file, code, row, column) for file, _, code, row, column in EXPECTED[case])
    for f in found:
        assert f.text().endswith(f"[{f.code}]")
        assert "nan" not in f.text().lower().split()
        assert f.level in CATALOGUE[f.code].levels
        assert f.remedy.endswith(".")
        assert not f.expected.endswith(".")
