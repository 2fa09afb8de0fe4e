"""What is left out and why, and what only a person can decide."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from broodstock.genotypes.genotype_set import GenotypeSet
from broodstock.genotypes.quality.call_rate import alleles_seen
from broodstock.genotypes.quality.checks import Checks
from broodstock.genotypes.quality.duplicates import DIFFERENT, POOR, SAME_FISH, TWO_NAMES, UNNAMED
from broodstock.genotypes.quality.thresholds import QualityThresholds, SampleRecords

SAMPLE, LOCUS = "sample", "locus"


@dataclass(frozen=True, slots=True)
class Exclusion:
    """One sample or locus left out.

    Parameters
    ----------
    kind : {'sample', 'locus'}
        What was left out.
    name : str
        Which.
    reason : str
        Sentence with the value found and the limit.
    """

    kind: str
    name: str
    reason: str


@dataclass(frozen=True, slots=True)
class Notice:
    """Something a person must decide; nothing was left out because of it.

    Parameters
    ----------
    code : str
        Short stable name.
    names : tuple of str
        Samples or loci concerned.
    sentence : str
        Words for a person.
    """

    code: str
    names: tuple[str, ...]
    sentence: str


def call_rate_exclusions(
    genotypes: GenotypeSet,
    records: SampleRecords,
    limits: QualityThresholds,
    sample_rate: np.ndarray,
    locus_rate: np.ndarray,
) -> list[Exclusion]:
    """Leave out negative controls, and loci and samples with too few calls.

    Parameters
    ----------
    genotypes, records, limits
        Set, records and thresholds.
    sample_rate, locus_rate : ndarray, float64
        Call rates as in `checks.Checks`.
    """
    blanks = set(records.blanks)
    out = [
        Exclusion(
            LOCUS,
            locus.name,
            f"typed in {rate:.1%} of the samples; at least {limits.min_locus_call_rate:.0%} asked for",
        )
        for locus, rate in zip(genotypes.loci, locus_rate.tolist(), strict=True)
        if rate < limits.min_locus_call_rate
    ]
    for name, rate in zip(genotypes.samples, sample_rate.tolist(), strict=True):
        if name in blanks:
            out.append(Exclusion(SAMPLE, name, "negative control"))
        elif rate < limits.min_sample_call_rate:
            reason = (
                f"typed at {rate:.1%} of the loci kept; at least {limits.min_sample_call_rate:.0%} asked for"
            )
            out.append(Exclusion(SAMPLE, name, reason))
    return out


def sample_exclusions(
    checks: Checks,
    records: SampleRecords,
    limits: QualityThresholds,
    genotypes: GenotypeSet,
    already: set[str],
) -> list[Exclusion]:
    """Leave out samples that the checks speak against; see the switches of `QualityThresholds`.

    Parameters
    ----------
    checks, records, limits, genotypes
        Results, records, thresholds and the whole set.
    already : set of str
        Samples left out before.
    """
    out = []
    gone = set(already)
    het = checks.heterozygosity
    if limits.exclude_two_fish:
        for i in np.flatnonzero(checks.two_fish):
            name = checks.neutral_samples[i]
            gone.add(name)
            out.append(
                Exclusion(
                    SAMPLE,
                    name,
                    f"heterozygous at {het.heterozygous[i]} of {het.typed[i]} loci where {het.expected[i]:.0f} are "
                    "expected: looks like two fish in one vial or foreign DNA",
                )
            )
    if limits.exclude_hybrids:
        for call in checks.hybrids:
            if call.flagged and call.sample not in gone:
                gone.add(call.sample)
                out.append(
                    Exclusion(
                        SAMPLE,
                        call.sample,
                        f"{call.index.text(2)} of its diagnostic genes are foreign ({call.word}); at most "
                        f"{limits.flag_foreign_above:.0%} allowed",
                    )
                )
    if limits.exclude_replicates:
        groups: dict[str, list[str]] = {}
        for pair in checks.duplicates:
            if pair.verdict == SAME_FISH:
                groups.setdefault(records.fish_of[pair.first], []).extend((pair.first, pair.second))
        for fish, members in groups.items():
            names = [n for n in dict.fromkeys(members) if n not in gone]
            if len(names) < 2:
                continue
            best = max(names, key=lambda n: (checks.sample_rate[genotypes.index[n]], -genotypes.index[n]))
            out += [
                Exclusion(SAMPLE, n, f"repeat of fish {fish}, of which {best} is kept")
                for n in names
                if n != best
            ]
    return out


def locus_exclusions(
    checks: Checks, limits: QualityThresholds, genotypes: GenotypeSet, kept: list[int]
) -> list[Exclusion]:
    """Leave out neutral loci that the checks speak against; see the switches of `QualityThresholds`.

    Parameters
    ----------
    checks, limits, genotypes
        Results, thresholds and the whole set.
    kept : list of int
        Positions of the samples with enough calls.
    """
    out = []
    n_alleles = alleles_seen(genotypes.take(samples=kept))
    for k, locus in enumerate(genotypes.loci):
        if checks.locus_rate[k] < limits.min_locus_call_rate or locus.role != "neutral":
            continue
        test = checks.hardy_weinberg.get(locus.name)
        if limits.exclude_monomorphic and n_alleles[k] < 2:
            out.append(Exclusion(LOCUS, locus.name, "fewer than two alleles are seen in the samples kept"))
        elif (
            limits.exclude_hardy_weinberg
            and test is not None
            and test.adjusted is not None
            and test.adjusted <= limits.hardy_weinberg_level
        ):
            out.append(
                Exclusion(
                    LOCUS,
                    locus.name,
                    f"departs from Hardy-Weinberg proportions (adjusted p {test.adjusted:.2g}, deficit {test.deficit:.2f})",
                )
            )
    return out


def notices_of(
    checks: Checks, records: SampleRecords, limits: QualityThresholds, raw_rate: dict[str, float]
) -> list[Notice]:
    """List what a person must decide.

    Parameters
    ----------
    checks, records, limits
        Results, records and thresholds.
    raw_rate : dict of str to float
        Share of all loci typed, by sample.
    """
    return [
        *_blank_notices(records, limits, raw_rate),
        *_identity_notices(checks, limits),
        *_sample_notices(checks),
        *_parent_notices(checks),
        *(Notice("plate-pattern", p.wells, p.sentence) for p in checks.plates.patterns),
        *_locus_notices(checks, limits),
    ]


def _blank_notices(
    records: SampleRecords, limits: QualityThresholds, raw_rate: dict[str, float]
) -> list[Notice]:
    return [
        Notice(
            "blank-typed",
            (name,),
            f"Negative control {name} shows genotypes at {raw_rate[name]:.0%} of the loci: look for foreign DNA in its "
            "row, its column and the reagents.",
        )
        for name in records.blanks
        if raw_rate.get(name, 0.0) > limits.max_blank_call_rate
    ]


def _identity_notices(checks: Checks, limits: QualityThresholds) -> list[Notice]:
    out = []
    for pair in checks.duplicates:
        where = f"{pair.first} and {pair.second} ({pair.mismatches} of {pair.compared} loci differ)"
        names = (pair.first, pair.second)
        if pair.verdict == DIFFERENT:
            out.append(
                Notice(
                    "replicate-differs",
                    names,
                    f"{where} are one fish on record but have two genotypes: one of them is another fish, or a vial "
                    "or well was exchanged.",
                )
            )
        elif pair.verdict == POOR:
            out.append(
                Notice(
                    "replicate-poor",
                    names,
                    f"{where} are one fish on record and far more alike than sibs, but differ more often than two "
                    "typings should: one of them is typed poorly.",
                )
            )
        elif pair.verdict in (TWO_NAMES, UNNAMED):
            if pair.sib_chance > limits.max_sib_chance:
                continue
            on_record = (
                "are two fish on record" if pair.verdict == TWO_NAMES else "are not both named on record"
            )
            out.append(
                Notice(
                    "same-genotype",
                    names,
                    f"{where} have the same genotype but {on_record}: one fish with two tags, or the same clip "
                    "twice.",
                )
            )
    return out


def _sample_notices(checks: Checks) -> list[Notice]:
    out = []
    for i in np.flatnonzero(checks.two_fish):
        name = checks.neutral_samples[i]
        out.append(
            Notice(
                "two-fish",
                (name,),
                f"{name} has far more heterozygous loci than one fish should: two fish in one vial, or foreign DNA. "
                "Clip the fish again.",
            )
        )
    out += [
        Notice(
            "sex-differs",
            (sex.sample,),
            f"{sex.sample} is recorded as {sex.recorded}, but the male allele is seen at {sex.n_male_allele} of "
            f"{sex.n_typed} sex loci ({sex.dna_sex}).",
        )
        for sex in checks.sexes
        if sex.agrees is False
    ]
    out += [
        Notice(
            "foreign-species",
            (call.sample,),
            f"{call.sample}: {call.index.text(2)} of its genes at {call.n_typed} diagnostic loci are of the other "
            f"species ({call.word}).",
        )
        for call in checks.hybrids
        if call.flagged
    ]
    return out


def _parent_notices(checks: Checks) -> list[Notice]:
    out = []
    for row in checks.parents:
        if row.verdict in ("fits", "not testable"):
            continue
        parents = " and ".join(name for name in (row.dam, row.sire) if name)
        names = tuple(name for name in (row.offspring, row.dam, row.sire) if name)
        out.append(
            Notice(
                "parents-mismatch",
                names,
                f"{row.offspring} with {parents}: {row.mismatches} of {row.compared} loci are impossible, at most "
                f"{row.allowed} expected ({row.verdict}).",
            )
        )
    return out


def _locus_notices(checks: Checks, limits: QualityThresholds) -> list[Notice]:
    out = []
    for test in checks.hardy_weinberg.values():
        null = checks.nulls[test.locus].likelihood
        departs = test.adjusted is not None and test.adjusted <= limits.hardy_weinberg_level
        if departs and null.low is not None and null.low > limits.max_null_frequency:
            out.append(
                Notice(
                    "null-alleles",
                    (test.locus,),
                    f"Locus {test.locus} lacks heterozygotes as a null allele of frequency {null.text(2)} would make it.",
                )
            )
        elif departs:
            out.append(
                Notice(
                    "hardy-weinberg",
                    (test.locus,),
                    f"Locus {test.locus} departs from Hardy-Weinberg proportions (adjusted p {test.adjusted:.2g}, "
                    f"heterozygote deficit {test.deficit:.2f}).",
                )
            )
    return out
