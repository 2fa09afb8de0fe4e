"""Quality of the calls: what was left out and why, and what a person must look at."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pandas as pd

from broodstock.genotypes.genotype_set import GenotypeSet
from broodstock.genotypes.quality.exclusions import SAMPLE, Exclusion
from broodstock.genotypes.quality.plates import well_position
from broodstock.genotypes.quality.report import QualityReport, quality_report
from broodstock.genotypes.quality.thresholds import QualityThresholds, SampleRecords
from planner.tasks.groups import call_set
from planner.tasks.outputs import write_text
from planner.tasks.programme import Programme
from planner.tasks.sample_records import sample_facts, sample_records

MOST_LISTED = 60


@dataclass(frozen=True)
class QualityOutcome:
    """The quality report of one call set and the calls that are left.

    Parameters
    ----------
    name : str
        Call set.
    before, after : GenotypeSet
        All calls, and those kept.
    report : QualityReport
        Tables, exclusions, notices.
    """

    name: str
    before: GenotypeSet
    after: GenotypeSet
    report: QualityReport

    def reasons(self) -> list[tuple[str, str, int]]:
        """Return kind, reason in a few words, and count of what was left out."""
        counted = Counter((e.kind, reason_kind(e.reason)) for e in self.report.exclusions)
        return [(kind, reason, n) for (kind, reason), n in counted.most_common()]

    def text(self) -> str:
        """Return the report as words."""
        r = self.report
        lines = [
            f"{self.name}: {self.before.n_samples} samples x {self.before.n_loci} loci read; "
            f"{self.after.n_samples} x {self.after.n_loci} kept",
            f"calls made: {self.before.typed.mean():.2%} before, {self.after.typed.mean():.2%} after",
            f"share of wrong calls from fish typed twice: {r.replicates.error_rate.text(4)}",
            "",
            f"Left out: {len(r.exclusions)}",
            *(f"- {e.kind} {e.name}: {e.reason}" for e in r.exclusions[:MOST_LISTED]),
            *_more(len(r.exclusions)),
            "",
            f"To look at: {len(r.notices)}",
            *(f"- {n.sentence} [{n.code}]" for n in r.notices[:MOST_LISTED]),
            *_more(len(r.notices)),
        ]
        return "\n".join(lines)

    def tables(self) -> dict[str, pd.DataFrame]:
        """Return the tables by name."""
        r = self.report
        return {
            "samples": r.samples,
            "loci": r.loci,
            "duplicates": r.duplicates,
            "linked_loci": r.linked,
            "parent_mismatches": r.parents,
            "wells": r.wells,
            "left_out": pd.DataFrame(
                [(e.kind, e.name, e.reason) for e in r.exclusions], columns=["kind", "name", "reason"]
            ),
            "to_look_at": pd.DataFrame(
                [(n.code, " ".join(n.names), n.sentence) for n in r.notices],
                columns=["code", "names", "sentence"],
            ),
        }

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        r = self.report
        return {
            "call_set": self.name,
            "samples_read": self.before.n_samples,
            "loci_read": self.before.n_loci,
            "samples_kept": self.after.n_samples,
            "loci_kept": self.after.n_loci,
            "call_error": r.replicates.error_rate.as_dict(),
            "left_out": [{"kind": e.kind, "name": e.name, "reason": e.reason} for e in r.exclusions],
            "to_look_at": [
                {"code": n.code, "names": list(n.names), "sentence": n.sentence} for n in r.notices
            ],
        }


def check_quality(programme: Programme, name: str = "snps") -> QualityOutcome:
    """Run every check of the calls of one set.

    Parameters
    ----------
    programme : Programme
        Open records; thresholds are settings.
    name : str
        Call set.

    Returns
    -------
    QualityOutcome
        The report and the calls kept.

    Raises
    ------
    UsageError
        If the call set is unknown or a well cannot be read.
    """
    genotypes = call_set(programme, name)
    facts = sample_facts(programme, genotypes)
    settings = programme.settings
    limits = QualityThresholds(
        min_sample_call_rate=settings["sample_call_rate_min"],
        min_locus_call_rate=settings["locus_call_rate_min"],
        flag_foreign_above=settings["hybrid_index_max"],
    )
    records = sample_records(programme, genotypes, facts)
    report = quality_report(genotypes, records, limits, seed=int(settings["seed"]))
    report = _without_shifted_wells(report, records)
    return QualityOutcome(name, genotypes, report.apply(genotypes), report)


def write_quality(outcome: QualityOutcome, folder: Path) -> list[Path]:
    """Write every table of a quality report as CSV.

    Raises
    ------
    OSError
        If the folder cannot be written.
    """
    out = []
    for name, table in outcome.tables().items():
        out.append(folder / f"{name}.csv")
        write_text(out[-1], table.to_csv(index=False, lineterminator="\n"))
    return out


def _without_shifted_wells(report: QualityReport, records: SampleRecords) -> QualityReport:
    """Leave out the samples of plate columns (rows) in which wells hold the fish of their neighbours.

    Not every well of a shifted column can be checked, so the whole column goes: its genotypes are good, but
    nobody knows whose they are until the plate map is checked. Of two exchanged wells only those two go.
    """
    gone = set(report.excluded(SAMPLE))
    more: list[Exclusion] = []
    for pattern in report.plates.patterns:
        if pattern.kind not in ("shift", "exchange"):
            continue
        wells = {well_position(w) for w in pattern.wells}
        rows, columns = {r for r, _ in wells}, {c for _, c in wells}
        by_column = len(columns) <= len(rows)
        for layout in records.layout:
            row, column = well_position(layout.well)
            inside = (column in columns) if by_column else (row in rows)
            if pattern.kind == "exchange":
                inside = (row, column) in wells
            if layout.plate != pattern.plate or not inside or layout.sample in gone:
                continue
            gone.add(layout.sample)
            lane = f"column {column + 1}" if by_column else f"row {layout.well[0].upper()}"
            lane = f"well {layout.well}" if pattern.kind == "exchange" else lane
            reason = (
                f"in {lane} of plate {layout.plate}, whose wells hold other fish than recorded ({pattern.kind}): "
                "left out until the plate map is checked"
            )
            more.append(Exclusion(SAMPLE, layout.sample, reason))
    if not more:
        return report
    why = {e.name: e.reason for e in more}
    hit = report.samples["sample"].isin(list(why))
    samples = report.samples.assign(
        kept=report.samples["kept"].where(~hit, False),
        reason=report.samples["reason"].where(~hit, report.samples["sample"].map(why)),
    )
    return replace(report, samples=samples, exclusions=(*report.exclusions, *more))


REASONS = (
    ("typed at", "too few calls"),
    ("typed in", "too few calls"),
    ("negative control", "negative control"),
    ("repeat of fish", "repeat typing of a fish, the most complete is kept"),
    ("in column", "wells of a plate hold other fish than recorded"),
    ("in row", "wells of a plate hold other fish than recorded"),
    ("in well", "wells of a plate hold other fish than recorded"),
    ("heterozygous at", "looks like two fish in one vial, or foreign DNA"),
    ("same genotype as", "one fish under two names"),
    ("fewer than two alleles", "does not vary"),
    ("departs from", "departs from Hardy-Weinberg proportions"),
)


def reason_kind(reason: str) -> str:
    """Return the reason of an exclusion in a few words, without its numbers and names."""
    for start, words in REASONS:
        if reason.startswith(start):
            return words
    return "genes of the other species" if "diagnostic genes" in reason else reason.split(",")[0]


def _more(total: int) -> list[str]:
    return [f"... and {total - MOST_LISTED} more, all in --json"] if total > MOST_LISTED else []
