"""Parents by DNA against recorded parents: agreement, contradictions, exchanged dishes, new parents found."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from broodstock.genotypes.genotype_set import GenotypeSet
from broodstock.parentage.assign import assign_parents
from broodstock.parentage.audit import ParentageAudit, ParentClaim, audit_parents
from broodstock.parentage.results import AssignmentRun, AssignmentSettings
from planner.tasks.groups import sample_table
from planner.tasks.programme import Programme
from planner.tasks.sample_records import SampleFacts, sample_facts

MOST_LISTED = 60
NOT_OFFSPRING = ("founder", "control", "replicate")


@dataclass(frozen=True)
class ParentsReport:
    """Parents found by DNA.

    Parameters
    ----------
    run : AssignmentRun
        Assignments.
    audit : ParentageAudit
        Verdicts on the recorded parents.
    table : DataFrame
        One row per offspring: sample, fish, dam, sire, word, posterior, mismatches, recorded dam and sire.
    tested : int
        Offspring.
    candidates : int
        Possible parents with a genotype.
    """

    run: AssignmentRun
    audit: ParentageAudit
    table: pd.DataFrame
    tested: int
    candidates: int

    def text(self) -> str:
        """Return the report as words."""
        words = self.table["word"].value_counts()
        wrong = [v for v in self.audit.verdicts if v.result in ("contradicts", "found")]
        lines = [
            f"{self.tested} offspring against {self.candidates} possible parents, {self.run.n_loci} loci",
            "Answers: " + ", ".join(f"{n} {w}" for w, n in words.items()),
            f"Expected wrong among the certain: {self.run.expected_wrong():.2f}",
            "Recorded parents: " + ", ".join(f"{n} {w}" for w, n in self.audit.counts().items()),
            "",
            *(f"- {s.sentence}" for s in self.audit.swaps),
            *(f"- {v.reason}" for v in wrong[:MOST_LISTED]),
        ]
        if len(wrong) > MOST_LISTED:
            lines.append(f"... and {len(wrong) - MOST_LISTED} more, all in --json")
        return "\n".join(lines)

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {
            "tested": self.tested,
            "candidates": self.candidates,
            "loci": self.run.n_loci,
            "expected_wrong_among_certain": self.run.expected_wrong(),
            "recorded_parents": self.audit.counts(),
            "exchanged_dishes": [s.sentence for s in self.audit.swaps],
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
            "offspring": self.table.to_dict("records"),
        }


def find_parents(programme: Programme, genotypes: GenotypeSet) -> ParentsReport:
    """Assign both parents of every sampled fish that can have sampled parents.

    Parameters
    ----------
    programme : Programme
        Open records.
    genotypes : GenotypeSet
        Calls after quality control.

    Returns
    -------
    ParentsReport
        Assignments made without looking at the recorded parents, and the audit of those.

    Raises
    ------
    UsageError
        If nothing can be tested.
    """
    from broodstock.errors import UsageError

    facts = sample_facts(programme, genotypes)
    table = sample_table(programme, genotypes)
    candidates = _candidates(programme, genotypes, facts)
    position = {s: i for i, s in enumerate(genotypes.samples)}
    offspring = [
        position[s]
        for s in genotypes.samples
        if table["group"].get(s) not in NOT_OFFSPRING
        and facts.best_sample.get(facts.fish.get(s, ""), s) == s
        and table["line"].get(s) in ("hatchery", "backwater")
    ]
    if not offspring or not candidates:
        raise UsageError(
            f"parents: found {len(offspring)} samples of hatchery or backwater fish and {len(candidates)} genotyped "
            "possible parents. Expected some of both. Check line, group and fish_id in samples.csv."
        )
    columns = [position[s] for s, _ in candidates]
    fish = programme.tables["fish"].set_index("fish_id")
    code = {"female": 0, "male": 1}
    sex = [code.get(fish["sex"].get(f, ""), -1) for _, f in candidates]
    founders = [position[s] for s in genotypes.samples if table["group"].get(s) == "founder"]
    neutral = genotypes.with_role("neutral")
    run = assign_parents(
        genotypes,
        offspring,
        columns,
        sex=sex,
        eligible=_eligible(programme, genotypes, offspring, candidates, table),
        frequencies=_frequencies(neutral, founders),
        settings=AssignmentSettings(estimate_shares=True),
    )
    identity = {s: facts.fish.get(s, s) for s in genotypes.samples}
    claims = [
        ParentClaim(
            genotypes.samples[i],
            facts.best_sample.get(dam, dam or None) if dam else None,
            facts.best_sample.get(sire, sire or None) if sire else None,
            facts.family.get(genotypes.samples[i], ""),
        )
        for i in offspring
        for dam, sire in (facts.parents.get(genotypes.samples[i], ("", "")),)
        if dam or sire or table["line"].get(genotypes.samples[i]) == "hatchery"
    ]
    audit = audit_parents(run, claims)
    out = pd.DataFrame(
        [
            {
                "sample": a.offspring,
                "fish": identity[a.offspring],
                "dam": identity.get(a.dam or "", a.dam or ""),
                "sire": identity.get(a.sire or "", a.sire or ""),
                "word": a.word,
                "category": a.category,
                "posterior": a.posterior,
                "recorded_dam": facts.parents.get(a.offspring, ("", ""))[0],
                "recorded_sire": facts.parents.get(a.offspring, ("", ""))[1],
            }
            for a in run.assignments
        ]
    )
    return ParentsReport(run, audit, out, len(offspring), len(candidates))


def _candidates(programme: Programme, genotypes: GenotypeSet, facts: SampleFacts) -> list[tuple[str, str]]:
    """Return (sample, fish) of every genotyped fish that may have been a parent: the broodfish and founders."""
    table = sample_table(programme, genotypes)
    parents = {p for pair in facts.parents.values() for p in pair if p}
    out = []
    for fish, sample in facts.best_sample.items():
        if sample in table.index and (table["group"].get(sample) in ("founder", "brood") or fish in parents):
            out.append((sample, fish))
    return out


def _eligible(
    programme: Programme,
    genotypes: GenotypeSet,
    offspring: list[int],
    candidates: list[tuple[str, str]],
    table: pd.DataFrame,
) -> np.ndarray:
    """Mark candidates old enough, of another year class, and not the fish itself."""
    fish = programme.tables["fish"].set_index("fish_id")
    youngest = int(programme.settings["min_age_male"])
    born = np.array([_year(fish["year_class"].get(f)) for _, f in candidates])
    year = np.array([_year(table["year_class"].get(genotypes.samples[i])) for i in offspring])
    known = (born[None, :] > 0) & (year[:, None] > 0)
    return np.asarray(~known | (year[:, None] - born[None, :] >= youngest), dtype=np.bool_)


def _year(value: object) -> int:
    return 0 if value is None or pd.isna(value) else int(value)  # type: ignore[call-overload, arg-type]


def _frequencies(neutral: GenotypeSet, founders: list[int]) -> np.ndarray | None:
    """Return allele frequencies of the founders, each allele of the set kept above zero; None if too few."""
    if len(founders) < 10:
        return None
    counts = neutral.allele_counts(founders).astype(float)
    width = np.arange(counts.shape[1])[None, :] < np.array([len(a) for a in neutral.alleles])[:, None]
    counts = np.where(width, counts + 0.5, 0.0)
    return np.asarray(counts / counts.sum(axis=1, keepdims=True))
