"""Which samples the audit uses for what: one fish once, one design per line, foreign fish set apart."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace

import pandas as pd

from broodstock.genotypes.genotype_set import GenotypeSet
from broodstock.genotypes.quality.exclusions import Exclusion
from planner.tasks.groups import one_sample_per_fish, sample_table
from planner.tasks.programme import Programme
from planner.tasks.quality import QualityOutcome

SAME_DESIGN = {"wild-larvae": ("larva",), "hatchery": ("release",), "backwater": ("backwater-young",)}
"""Sample groups that were taken the same way every year, by line: only these are compared over years."""
FEWEST_FISH = 10
"""Fish of a year class below which its own design is given up and all its samples are used."""


def set_words(name: str) -> str:
    """Return the name of a call set as it is printed."""
    return "SNPs" if name == "snps" else name


def same_design(table: pd.DataFrame, usable: pd.Series) -> pd.Series:
    """Mark the samples of each year class and line that were taken by the line's regular design.

    Parameters
    ----------
    table : DataFrame
        From `planner.tasks.groups.sample_table`.
    usable : Series of bool
        Samples that may be used at all.

    Returns
    -------
    Series of bool
        A year class with fewer than ten fish in the regular design keeps all its usable samples.
    """
    out = pd.Series(False, index=table.index)
    rows = table[usable & table["year_class"].notna() & table["line"].fillna("").ne("")]
    for (_, line), part in rows.groupby(["year_class", "line"]):
        regular = part["group"].isin(SAME_DESIGN.get(str(line), ()))
        chosen = part.index[regular] if regular.sum() >= FEWEST_FISH else part.index
        out[chosen] = True
    return out


@dataclass(frozen=True)
class AuditCalls:
    """Calls of one set, ready for group statistics.

    Parameters
    ----------
    name : str
        Call set.
    quality : QualityOutcome
        Quality control.
    genotypes : GenotypeSet
        One sample per fish, controls and second samples gone.
    table : DataFrame
        Rows of ``samples`` in the same order.
    left_out : tuple of Exclusion
        Samples left out here, after quality control.
    foreign : frozenset of str
        Samples that surely carry genes of the other species.
    """

    name: str
    quality: QualityOutcome
    genotypes: GenotypeSet
    table: pd.DataFrame
    left_out: tuple[Exclusion, ...]
    foreign: frozenset[str]

    def labels(self, of: pd.Series, without_foreign: bool = True) -> list[str | None]:
        """Return a label per sample: None where it is empty, or where the fish is foreign."""
        return [
            str(x) if isinstance(x, str) and x and not (without_foreign and s in self.foreign) else None
            for s, x in zip(self.genotypes.samples, of, strict=True)
        ]

    def programme(self, programme: Programme) -> Programme:
        """Return the programme with these calls in place of the raw ones."""
        return replace(programme, genotypes={self.name: self.genotypes})


def audit_calls(programme: Programme, quality: QualityOutcome) -> AuditCalls:
    """Choose one sample per fish from the calls that passed quality control.

    Parameters
    ----------
    programme : Programme
        Open records.
    quality : QualityOutcome
        Quality control of one call set.

    Returns
    -------
    AuditCalls
        Of a genotype that stands under two names, whoever they are, one sample stays: that of a fish in the
        table of fish before others, then the one with most calls.
    """
    after = quality.after
    table = sample_table(programme, after)
    typed = pd.Series(after.typed.sum(axis=0), index=table.index)
    single = one_sample_per_fish(table, typed)
    known = set(programme.tables["fish"]["fish_id"])
    left_out: list[Exclusion] = []
    gone: set[str] = set()
    for pair in quality.report.notices:
        if pair.code != "same-genotype" or not all(n in table.index and single.get(n) for n in pair.names):
            continue
        if gone & set(pair.names):
            continue
        keep, drop = sorted(pair.names, key=lambda n: (table["fish_id"].get(n) not in known, -typed[n], n))
        if table["fish_id"].get(drop) in known:
            continue  # two broodfish on record: a person decides
        gone.add(drop)
        reason = f"same genotype as {keep}: one fish under two names counts once"
        left_out.append(Exclusion("sample", drop, reason))
    keep_rows = [i for i, n in enumerate(after.samples) if single.iloc[i] and n not in gone]
    genotypes = after.take(samples=keep_rows)
    return AuditCalls(
        quality.name,
        quality,
        genotypes,
        table.iloc[keep_rows],
        tuple(left_out),
        surely_foreign(programme, quality),
    )


def surely_foreign(programme: Programme, quality: QualityOutcome) -> frozenset[str]:
    """Return samples whose share of foreign genes exceeds the limit with its whole interval."""
    samples = quality.report.samples
    sure = (samples["hybrid_low"] > programme.settings["hybrid_index_max"]).fillna(False)
    return frozenset(samples.loc[sure, "sample"])


def year_and_line(table: pd.DataFrame) -> pd.Series:
    """Return ``2024 hatchery`` per sample, ``founders`` for founders, empty where either word is missing."""
    year = table["year_class"].astype("Int64").astype("string").fillna("")
    line = table["line"].fillna("").astype("string")
    both = (year + " " + line).where((year != "") & (line != ""), "")
    return both.where(table["group"] != "founder", "founders")


def site_names(programme: Programme, sites: pd.Series) -> pd.Series:
    """Return the names of sites by their codes, without the water they all lie in; empty where none is given."""
    table = programme.tables["sites"]
    names = {str(s): str(n).rsplit(": ", 1)[-1] for s, n in zip(table["site_id"], table["name"], strict=True)}
    return pd.Series([names.get(str(s), str(s)) for s in sites.fillna("")], sites.index, dtype="string")


def unused_samples(calls: AuditCalls) -> Counter[str]:
    """Count samples that passed quality control and were set aside here, by reason."""
    after = sample_count_by_group(calls)
    out: Counter[str] = Counter({"replicates, controls and second samples of a fish": after})
    out["one genotype under two names"] = len(calls.left_out)
    out["genes of the other species (left out of diversity and differentiation only)"] = sum(
        s in calls.foreign for s in calls.genotypes.samples
    )
    return out


def sample_count_by_group(calls: AuditCalls) -> int:
    """Return how many samples that passed quality control are no fish of their own."""
    return calls.quality.after.n_samples - calls.genotypes.n_samples - len(calls.left_out)
