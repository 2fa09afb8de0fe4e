"""Parents by DNA against recorded parents: agreement, contradictions, exchanged dishes, new parents found."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from broodstock.arrays import BoolArray, FloatArray
from broodstock.errors import UsageError
from broodstock.genotypes.genotype_set import GenotypeSet
from broodstock.parentage.assign import assign_parents
from broodstock.parentage.audit import ParentageAudit, ParentClaim, audit_parents
from broodstock.parentage.eligibility import eligible_by_age
from broodstock.parentage.error_model import reference_frequencies
from broodstock.parentage.results import AssignmentRun, AssignmentSettings
from planner.tasks.groups import sample_table
from planner.tasks.outputs import write_text
from planner.tasks.programme import Programme
from planner.tasks.quality import QualityOutcome
from planner.tasks.sample_records import SampleFacts, sample_facts

MOST_LISTED = 60
LEAST_SHARE_TYPED = 0.5
"""A possible parent with one poor sample is still compared when at least this share of the loci was typed."""
FEWEST_FOUNDERS = 10
NOT_OFFSPRING = ("founder", "control", "replicate")
HATCHERY, CAPTURE = "hatchery young", "untagged capture"


@dataclass(frozen=True)
class ParentsReport:
    """Parents found by DNA.

    Parameters
    ----------
    run : AssignmentRun
        Assignments, made without looking at the recorded parents.
    audit : ParentageAudit
        Verdicts on the recorded parents of hatchery young.
    table : DataFrame
        One row per offspring: sample, kind, fish, year_class, family, dam, sire, word, category, posterior,
        mismatches, compared, recorded_dam, recorded_sire, recorded_agrees (yes, no, or empty where DNA does
        not decide), reason.
    tested, candidates : int
        Offspring, and possible parents with a usable genotype.
    not_typed : tuple of str
        Broodfish recorded as parents that have no usable genotype: nothing can be assigned to them.
    poor : tuple of str
        Possible parents used although their sample is below the call rate asked of other samples.
    """

    run: AssignmentRun
    audit: ParentageAudit
    table: pd.DataFrame
    tested: int
    candidates: int
    not_typed: tuple[str, ...]
    poor: tuple[str, ...]

    @property
    def hatchery(self) -> pd.DataFrame:
        """Rows of the hatchery young."""
        return self.table[self.table["kind"] == HATCHERY]

    @property
    def strays(self) -> pd.DataFrame:
        """Untagged captures whose two parents are broodfish, so fish of ours that lost their tag."""
        table = self.table
        sure = table["word"].isin(["certain", "probable"]) & (table["category"] == "both sampled")
        return table[(table["kind"] == CAPTURE) & sure]

    def text(self) -> str:
        """Return the report as words."""
        words = self.hatchery["word"].value_counts()
        wrong = [v for v in self.audit.verdicts if v.result in ("contradicts", "found")]
        lines = [
            f"{self.tested} offspring against {self.candidates} possible parents, {self.run.n_loci} loci",
            "Answers for hatchery young: " + (", ".join(f"{n} {w}" for w, n in words.items()) or "none"),
            f"Expected wrong among the certain: {self.run.expected_wrong():.2f}",
            "Recorded parents: " + (", ".join(f"{n} {w}" for w, n in self.audit.counts().items()) or "none"),
            f"Untagged captures with both parents in the broodstock: {len(self.strays)}",
            *([f"Without a usable genotype: {', '.join(self.not_typed)}"] if self.not_typed else []),
            "",
            *(f"- {s.sentence}" for s in self.audit.swaps),
            *(f"- {v.reason}" for v in wrong[:MOST_LISTED]),
        ]
        if len(wrong) > MOST_LISTED:
            lines.append(f"... and {len(wrong) - MOST_LISTED} more, all in --json")
        return "\n".join(lines)

    def verdict_table(self) -> pd.DataFrame:
        """Return one row per recorded parent judged."""
        return pd.DataFrame(
            [
                {
                    "sample": v.offspring,
                    "family": v.dish,
                    "role": v.role,
                    "recorded": v.recorded or "",
                    "result": v.result,
                    "better": v.better or "",
                    "mismatches": v.mismatches,
                    "compared": v.compared,
                    "reason": v.reason,
                }
                for v in self.audit.verdicts
            ]
        )

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        table = self.table.astype(object).where(self.table.notna(), None)
        return {
            "tested": self.tested,
            "candidates": self.candidates,
            "loci": self.run.n_loci,
            "expected_wrong_among_certain": self.run.expected_wrong(),
            "recorded_parents": self.audit.counts(),
            "exchanged_dishes": [s.sentence for s in self.audit.swaps],
            "untagged_captures_of_ours": list(self.strays["sample"]),
            "parents_without_genotype": list(self.not_typed),
            "parents_poorly_typed": list(self.poor),
            "verdicts": [
                {
                    "offspring": v.offspring,
                    "role": v.role,
                    "recorded": v.recorded,
                    "result": v.result,
                    "better": v.better,
                    "reason": v.reason,
                }
                for v in self.audit.verdicts
                if v.result != "agrees"
            ],
            "offspring": table.to_dict("records"),
        }


def find_parents(programme: Programme, quality: QualityOutcome) -> ParentsReport:
    """Assign both parents of hatchery young and of untagged captures among the broodfish.

    Parameters
    ----------
    programme : Programme
        Open records.
    quality : QualityOutcome
        Calls before and after quality control. Possible parents whose only sample was left out for too few
        calls are still compared when at least half of their loci were typed.

    Returns
    -------
    ParentsReport
        Names of fish, not of samples, in all tables and verdicts.

    Raises
    ------
    UsageError
        If nothing can be tested.
    """
    genotypes, poor_samples = _with_poor_parents(programme, quality)
    facts = sample_facts(programme, genotypes)
    table = sample_table(programme, genotypes)
    candidates = _candidates(facts, table)
    position = genotypes.index
    kinds = _offspring(facts, table, set(poor_samples))
    if not kinds or not candidates:
        raise UsageError(
            f"parents: found {len(kinds)} samples of hatchery fish or untagged captures and {len(candidates)} "
            "genotyped possible parents. Expected some of both. Check line, group and fish_id in samples.csv."
        )
    named = _as_fish(genotypes, facts, [s for s, _ in candidates])
    run = assign_parents(
        named,
        [position[s] for s in kinds],
        [position[s] for s, _ in candidates],
        sex=_sexes(programme, quality, candidates),
        eligible=_eligible(programme, list(kinds), candidates, table),
        frequencies=_frequencies(genotypes, table),
        settings=AssignmentSettings(estimate_shares=True),
    )
    audit = audit_parents(run, _claims(kinds, facts, table))
    known = {f for _, f in candidates}
    used = programme.tables["crosses"]
    lacking = sorted((set(used["dam"]) | set(used["sire"])) - known - {""})
    poor = tuple(f for s, f in candidates if s in set(poor_samples))
    out = _table(run, kinds, facts, table, audit)
    return ParentsReport(run, audit, out, len(kinds), len(candidates), tuple(lacking), poor)


def write_parents(report: ParentsReport, folder: Path) -> list[Path]:
    """Write the parents found and the verdicts on recorded parents as CSV.

    Raises
    ------
    OSError
        If the folder cannot be written.
    """
    out = []
    for name, table in (("parents_by_dna", report.table), ("recorded_parents", report.verdict_table())):
        out.append(folder / f"{name}.csv")
        write_text(out[-1], table.to_csv(index=False, lineterminator="\n"))
    return out


def _with_poor_parents(programme: Programme, quality: QualityOutcome) -> tuple[GenotypeSet, list[str]]:
    """Add the poor samples of broodfish that have no better one to the calls kept."""
    before, kept = quality.before, set(quality.after.samples)
    loci = {locus.name for locus in quality.after.loci}
    rows = [k for k, locus in enumerate(before.loci) if locus.name in loci]
    facts = sample_facts(programme, before)
    table = sample_table(programme, before)
    have = {facts.fish[s] for s in kept if s in facts.fish}
    low = {
        e.name for e in quality.report.exclusions if e.kind == "sample" and e.reason.startswith("typed at")
    }
    poor = [
        sample
        for sample, fish in _candidates(facts, table)
        if fish not in have
        and sample in low
        and before.typed[rows, before.index[sample]].mean() >= LEAST_SHARE_TYPED
    ]
    chosen = [i for i, s in enumerate(before.samples) if s in kept or s in set(poor)]
    return before.take(samples=chosen, loci=rows), poor


def _candidates(facts: SampleFacts, table: pd.DataFrame) -> list[tuple[str, str]]:
    """Return (sample, fish) of every genotyped fish that may have been a parent: broodfish and founders."""
    recorded = {p for pair in facts.parents.values() for p in pair if p}
    return [
        (sample, fish)
        for fish, sample in facts.best_sample.items()
        if sample in table.index and (table["group"].get(sample) in ("founder", "brood") or fish in recorded)
    ]


def _offspring(facts: SampleFacts, table: pd.DataFrame, poor: set[str]) -> dict[str, str]:
    """Return the samples to test with what they are; one sample per fish."""
    out = {}
    for sample in table.index:
        group = table["group"].get(sample)
        best = facts.best_sample.get(facts.fish.get(sample, ""), sample) == sample
        if group in NOT_OFFSPRING or not best or sample in poor:
            continue
        if table["line"].get(sample) == "hatchery":
            out[sample] = HATCHERY
        elif group == "capture":
            out[sample] = CAPTURE
    return out


def _as_fish(genotypes: GenotypeSet, facts: SampleFacts, parents: list[str]) -> GenotypeSet:
    """Name the samples of possible parents by their fish, so that every answer names fish."""
    name = {s: facts.fish[s] for s in parents}
    return GenotypeSet(
        tuple(name.get(s, s) for s in genotypes.samples), genotypes.loci, genotypes.alleles, genotypes.calls
    )


def _sexes(programme: Programme, quality: QualityOutcome, candidates: list[tuple[str, str]]) -> list[int]:
    """Return 0 female, 1 male; -1 where the record says neither or DNA contradicts it."""
    fish = programme.tables["fish"]
    code = {"female": 0, "male": 1}
    recorded = {f: code.get(s, -1) for f, s in zip(fish["fish_id"], fish["sex"], strict=True)}
    checked = quality.report.samples
    odd = set(checked.loc[(checked["sex_agrees"] == False).fillna(False), "sample"])  # noqa: E712
    return [-1 if sample in odd else recorded.get(name, -1) for sample, name in candidates]


def _eligible(
    programme: Programme, offspring: list[str], candidates: list[tuple[str, str]], table: pd.DataFrame
) -> BoolArray:
    """Mark candidates old enough and already in care when the offspring was spawned.

    Death is no limit: frozen milt is used for years, and a crossing after the day entered for a death is one
    of the faults to be found.
    """
    fish = programme.tables["fish"].set_index("fish_id")
    ages = [
        int(programme.settings["min_age_female" if fish["sex"].get(f) == "female" else "min_age_male"])
        for _, f in candidates
    ]
    years = [_year(table["year_class"].get(s)) for s in offspring]
    mask = eligible_by_age(years, [_year(fish["year_class"].get(f)) for _, f in candidates], ages)
    entered = pd.to_datetime(fish["entered_on"], errors="coerce").dt.year
    since = np.array([_year(entered.get(f)) or 0 for _, f in candidates])
    born = np.array([y or 9999 for y in years])
    return np.asarray(mask & (since[None, :] <= born[:, None]), dtype=np.bool_)


def _year(value: object) -> int | None:
    return None if value is None or pd.isna(value) else int(value)  # type: ignore[call-overload, arg-type]


def _frequencies(genotypes: GenotypeSet, table: pd.DataFrame) -> FloatArray | None:
    """Return allele frequencies of the founders at the neutral loci; None if there are too few."""
    founders = [i for i, s in enumerate(genotypes.samples) if table["group"].get(s) == "founder"]
    if len(founders) < FEWEST_FOUNDERS:
        return None
    return reference_frequencies(genotypes.with_role("neutral"), founders)


def _claims(kinds: dict[str, str], facts: SampleFacts, table: pd.DataFrame) -> list[ParentClaim]:
    claims = []
    for sample, kind in kinds.items():
        dam, sire = facts.parents.get(sample, ("", ""))
        if kind == HATCHERY:
            claims.append(
                ParentClaim(
                    _name(sample, facts, table), dam or None, sire or None, facts.family.get(sample, "")
                )
            )
    return claims


def _name(sample: str, facts: SampleFacts, table: pd.DataFrame) -> str:
    """Return the name an offspring has in the run: that of the fish for a broodfish, else the sample's."""
    return facts.fish[sample] if table["group"].get(sample) == "brood" else sample


def _table(
    run: AssignmentRun,
    kinds: dict[str, str],
    facts: SampleFacts,
    table: pd.DataFrame,
    audit: ParentageAudit,
) -> pd.DataFrame:
    judged: dict[str, list[str]] = {}
    for verdict in audit.verdicts:
        if verdict.recorded is not None:
            judged.setdefault(verdict.offspring, []).append(verdict.result)
    records = []
    for a, (sample, kind) in zip(run.assignments, kinds.items(), strict=True):
        results = judged.get(a.offspring, [])
        agrees = "no" if "contradicts" in results else "yes" if set(results) == {"agrees"} else ""
        dam, sire = facts.parents.get(sample, ("", ""))
        records.append(
            {
                "sample": sample,
                "kind": kind,
                "fish": facts.fish.get(sample, ""),
                "year_class": _year(table["year_class"].get(sample)),
                "family": facts.family.get(sample, ""),
                "dam": a.dam or "",
                "sire": a.sire or "",
                "word": a.word,
                "category": a.category,
                "posterior": a.posterior,
                "mismatches": a.best.mismatches,
                "compared": a.best.compared,
                "recorded_dam": dam,
                "recorded_sire": sire,
                "recorded_agrees": agrees,
                "reason": a.reason,
            }
        )
    return pd.DataFrame(records).astype({"year_class": "Int64"})
