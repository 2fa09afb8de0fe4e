"""The quality report: what was checked, what was left out and why, what a person must look at."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from broodstock.errors import UsageError
from broodstock.genotypes.genotype_set import GenotypeSet
from broodstock.genotypes.quality import report_tables as tables
from broodstock.genotypes.quality.call_rate import call_rates
from broodstock.genotypes.quality.checks import run_checks
from broodstock.genotypes.quality.exclusions import (
    LOCUS,
    SAMPLE,
    Exclusion,
    Notice,
    call_rate_exclusions,
    locus_exclusions,
    notices_of,
    sample_exclusions,
)
from broodstock.genotypes.quality.plates import PlateCheck
from broodstock.genotypes.quality.replicates import ReplicateErrors
from broodstock.genotypes.quality.thresholds import QualityThresholds, SampleRecords

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True)
class QualityReport:
    """Result of all checks.

    Parameters
    ----------
    samples, loci, duplicates, linked, parents, wells : DataFrame
        Tables; empty cells are missing values, never NaN.
    exclusions : tuple of Exclusion
        Samples and loci left out.
    notices : tuple of Notice
        What a person must look at.
    replicates : ReplicateErrors
        Error rates from fish typed twice.
    plates : PlateCheck
        Misplaced wells and their patterns.
    thresholds : QualityThresholds
        Limits used.
    """

    samples: pd.DataFrame
    loci: pd.DataFrame
    duplicates: pd.DataFrame
    linked: pd.DataFrame
    parents: pd.DataFrame
    wells: pd.DataFrame
    exclusions: tuple[Exclusion, ...]
    notices: tuple[Notice, ...]
    replicates: ReplicateErrors
    plates: PlateCheck
    thresholds: QualityThresholds

    def excluded(self, kind: str) -> tuple[str, ...]:
        """Return the names left out of one kind, ``sample`` or ``locus``, each once, in order."""
        return tuple(dict.fromkeys(e.name for e in self.exclusions if e.kind == kind))

    def apply(self, genotypes: GenotypeSet) -> GenotypeSet:
        """Return the genotypes without the samples and loci left out.

        Raises
        ------
        UsageError
            If the set holds samples or loci this report knows nothing about.
        """
        for what, names, known in (
            (SAMPLE, genotypes.samples, set(self.samples["sample"])),
            (LOCUS, tuple(x.name for x in genotypes.loci), set(self.loci["locus"])),
        ):
            new = [name for name in names if name not in known]
            if new:
                raise UsageError(
                    f"quality report: found {what} {new[0]!r}, which was not checked. Expected the samples and loci "
                    "of the report. Run the checks on this set."
                )
        no_sample, no_locus = set(self.excluded(SAMPLE)), set(self.excluded(LOCUS))
        return genotypes.take(
            samples=[i for i, name in enumerate(genotypes.samples) if name not in no_sample],
            loci=[k for k, locus in enumerate(genotypes.loci) if locus.name not in no_locus],
        )

    def summary(self) -> str:
        """Return a paragraph: numbers checked, left out and open."""
        n_samples, n_loci = len(self.excluded(SAMPLE)), len(self.excluded(LOCUS))
        return (
            f"{len(self.samples)} samples and {len(self.loci)} loci checked; {n_samples} samples and {n_loci} loci left "
            f"out; {len(self.notices)} points need a person. Genotype error rate from replicates: "
            f"{self.replicates.error_rate.text(4)}."
        )


def quality_report(
    genotypes: GenotypeSet,
    records: SampleRecords | None = None,
    thresholds: QualityThresholds | None = None,
    seed: int = 1,
) -> QualityReport:
    """Run every check.

    Parameters
    ----------
    genotypes : GenotypeSet
        Calls of all samples and loci; alleles need no order.
    records : SampleRecords, optional
        Identities, sexes, parents, plates.
    thresholds : QualityThresholds, optional
        Limits and what to leave out.
    seed : int
        Seed of the Monte Carlo tests.

    Returns
    -------
    QualityReport

    Raises
    ------
    UsageError
        If a well name cannot be read, two samples sit in one well, or a threshold is unusable.

    Notes
    -----
    Order: negative controls are set aside; loci are judged on samples with at least half the call rate
    asked for; samples are judged on the loci kept; all other checks use kept samples and loci. Samples
    with too few calls are still compared for duplicates and wells.
    """
    records = SampleRecords() if records is None else records
    limits = QualityThresholds() if thresholds is None else thresholds
    limits.check()
    blanks = set(records.blanks)
    raw = call_rates(genotypes).by_sample
    raw_rate = dict(zip(genotypes.samples, raw.tolist(), strict=True))
    fair = np.array(
        [n not in blanks and r >= limits.min_sample_call_rate / 2 for n, r in raw_rate.items()],
        dtype=np.bool_,
    )
    locus_rate = genotypes.typed[:, fair].sum(axis=1) / max(int(fair.sum()), 1)
    good_loci = locus_rate >= limits.min_locus_call_rate
    sample_rate = genotypes.typed[good_loci].sum(axis=0) / max(int(good_loci.sum()), 1)
    exclusions = call_rate_exclusions(genotypes, records, limits, sample_rate, locus_rate)
    out = {e.name for e in exclusions if e.kind == SAMPLE}
    kept = [i for i, name in enumerate(genotypes.samples) if name not in out]
    checks = run_checks(genotypes, records, limits, kept, good_loci, sample_rate, locus_rate, seed)
    exclusions += sample_exclusions(checks, records, limits, genotypes, out)
    exclusions += locus_exclusions(checks, limits, genotypes, kept)
    return QualityReport(
        tables.sample_table(genotypes, checks, raw_rate, exclusions),
        tables.locus_table(genotypes, checks, exclusions),
        tables.duplicate_table(checks.duplicates),
        tables.linkage_table(checks.linkage, checks.linkage_loci, limits.linkage_level),
        tables.parent_table(checks.parents),
        tables.well_table(checks.plates),
        tuple(exclusions),
        tuple(notices_of(checks, records, limits, raw_rate)),
        checks.replicates,
        checks.plates,
        limits,
    )
