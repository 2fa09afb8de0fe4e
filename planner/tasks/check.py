"""Check a folder of records and report all findings together."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from broodstock.findings import LEVELS, Finding, Findings
from planner.tasks.outputs import atomic_text
from planner.tasks.programme import read_and_check, read_place, settings_in
from planner.tasks.settings import Settings, read_settings

if TYPE_CHECKING:
    from broodstock.intake.folder import Records

MOST_SHOWN = 200


@dataclass(frozen=True)
class CheckReport:
    """What a check of a folder found.

    Parameters
    ----------
    folder : Path or str
        What was read.
    findings : tuple of Finding
        Findings of the asked level and above, errors first.
    rows : dict of str to int
        Rows by table.
    calls : dict of str to str
        Genotype sets in words.
    fingerprint : str
        SHA-256 over all files.
    stops_import : bool
        Whether any finding is an error.
    has_doubts : bool
        Whether any finding is an error or a warning.
    """

    folder: Path | str
    findings: tuple[Finding, ...]
    rows: dict[str, int]
    calls: dict[str, str]
    fingerprint: str
    stops_import: bool
    has_doubts: bool

    def text(self) -> str:
        """Return the report as words."""
        lines = [f"{self.folder}: " + ", ".join(f"{n} {t}" for t, n in self.rows.items() if n)]
        lines += [f"{name}: {words}" for name, words in self.calls.items()]
        for level, title in zip(LEVELS, ("Errors (stop an import)", "Warnings", "Notes"), strict=True):
            chosen = [f for f in self.findings if f.level == level]
            if chosen:
                lines += ["", f"{title}: {len(chosen)}", *(f"- {f.text()}" for f in chosen[:MOST_SHOWN])]
                if len(chosen) > MOST_SHOWN:
                    lines.append(f"... and {len(chosen) - MOST_SHOWN} more; write all with --out FILE.csv")
        if not self.findings:
            lines.append("Nothing found.")
        lines += ["", f"fingerprint {self.fingerprint}"]
        return "\n".join(lines)

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {
            "folder": str(self.folder),
            "rows": self.rows,
            "genotypes": self.calls,
            "findings": [f.as_dict() for f in self.findings],
            "stops_import": self.stops_import,
            "has_doubts": self.has_doubts,
            "fingerprint": self.fingerprint,
        }

    def write(self, path: Path) -> None:
        """Write the findings as CSV, whole or not at all."""
        with atomic_text(path) as handle:
            out = csv.writer(handle)
            out.writerow(["level", "code", "file", "row", "column", "found", "expected", "remedy"])
            for f in self.findings:
                place = (f.where.file, f.where.row or "", f.where.column or "")
                out.writerow([f.level, f.code, *place, f.found, f.expected, f.remedy])


def check_folder(
    folder: Path | str, level: str = "note", against: Path | str | None = None, today: str | None = None
) -> CheckReport:
    """Read a folder, run every check and report.

    Parameters
    ----------
    folder : Path or str
        Records (a folder or a register), or files that wait to be accepted.
    level : {'error', 'warning', 'note'}
        Least level kept.
    against : Path or str, optional
        Accepted records (a folder or a register) that the files would join; only findings that concern the files are reported.
    today : str, optional
        ISO date to read the records for; default their own setting.

    Raises
    ------
    InputError
        If the accepted records themselves have hard faults.
    """
    overrides = {} if today is None else {"today": today}
    if against is None:
        findings, records, _ = read_and_check(folder, overrides)
    else:
        from planner.tasks.inbox import check_waiting_files

        known, accepted, settings = read_and_check(against, overrides, with_scans=False)
        known.raise_if_hard()
        findings, records = check_waiting_files(Path(folder), accepted, settings)
    return report_of(folder, findings, records, level)


def report_of(folder: Path | str, findings: Findings, records: Records, level: str = "note") -> CheckReport:
    """Report on a folder that `planner.tasks.programme.read_and_check` has read.

    Parameters
    ----------
    folder : Path or str
        What was read.
    findings, records
        As returned there.
    level : {'error', 'warning', 'note'}
        Least level kept.
    """
    shown = LEVELS[: LEVELS.index(level) + 1]  # type: ignore[arg-type]
    kept = [f for wanted in shown for f in findings if f.level == wanted]
    calls = {
        name: f"{g.n_samples} samples x {g.n_loci} loci, {g.typed.mean():.1%} of calls made"
        for name, g in records.genotypes.items()
    }
    doubts = findings.stops_import or bool(findings.of_level("warning"))
    rows = {name: len(table) for name, table in records.tables.items()}
    return CheckReport(folder, tuple(kept), rows, calls, records.fingerprint, findings.stops_import, doubts)


def settings_of(folder: Path | str | None) -> Settings:
    """Return the settings of a folder or a register, or the defaults.

    Raises
    ------
    InputError
        If the table of settings has faults.
    """
    if folder is None:
        return read_settings((), "settings.csv")[0]
    from broodstock.fields import TABLES

    others = [name for name in TABLES if name != "settings"]
    settings, findings = settings_in(read_place(folder, (*others, "snps", "microsatellites")))
    findings.raise_if_hard()
    return settings
