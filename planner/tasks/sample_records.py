"""What the records say about each sample: which fish, which sex, which parents, which well."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from broodstock.genotypes.genotype_set import GenotypeSet
from broodstock.genotypes.quality.plates import PlateLayout
from broodstock.genotypes.quality.thresholds import SampleRecords
from planner.tasks.groups import sample_table
from planner.tasks.programme import Programme
from planner.tasks.rows import rows


@dataclass(frozen=True)
class SampleFacts:
    """Facts by sample name.

    Parameters
    ----------
    fish : dict of str to str
        Fish (or stock fish) of each sample that has one; a repeat has that of the sample it repeats, and a
        repeated sample of no known fish stands for itself.
    parents : dict of str to (str, str)
        Recorded dam and sire (fish identifiers), empty text where unknown; only samples with one or both.
    best_sample : dict of str to str
        For each fish the sample of the call set typed at most loci.
    family : dict of str to str
        Recorded family of each sample that has one.
    blanks : tuple of str
        Negative controls: controls that repeat no sample and come from no fish.
    """

    fish: dict[str, str]
    parents: dict[str, tuple[str, str]]
    best_sample: dict[str, str]
    family: dict[str, str]
    blanks: tuple[str, ...]


def sample_facts(programme: Programme, genotypes: GenotypeSet) -> SampleFacts:
    """Gather the facts of the samples of one call set.

    Parameters
    ----------
    programme : Programme
        Open records.
    genotypes : GenotypeSet
        Call set, whole or after quality control.
    """
    table = sample_table(programme, genotypes)
    typed = dict(zip(genotypes.samples, genotypes.typed.sum(axis=0).tolist(), strict=True))
    fish: dict[str, str] = {}
    family: dict[str, str] = {}
    repeats: dict[str, str] = {}
    blanks: list[str] = []
    for row in rows(table):
        name = str(row.Index)
        original, identity = _word(row.replicate_of), _word(row.fish_id) or _word(row.stock_id)
        if original:
            repeats[name] = original
        if identity:
            fish[name] = identity
        if _word(row.family):
            family[name] = row.family
        if _word(row.group) == "control" and not (original or identity):
            blanks.append(name)
    for name, original in repeats.items():
        fish.setdefault(name, fish.get(original, original))
        if original in typed:
            fish.setdefault(original, fish[name])
    best: dict[str, str] = {}
    for name, identity in fish.items():
        if identity not in best or typed[name] > typed[best[identity]]:
            best[identity] = name
    return SampleFacts(fish, _recorded_parents(programme, fish, family), best, family, tuple(blanks))


def _word(value: object) -> str:
    return value if isinstance(value, str) else ""


def _recorded_parents(
    programme: Programme, fish: dict[str, str], family: dict[str, str]
) -> dict[str, tuple[str, str]]:
    """Return recorded parents by sample: those of the fish, a missing one filled from those of its family."""
    of_fish = recorded_pairs(programme.tables["fish"], "fish_id")
    of_family = recorded_pairs(programme.tables["families"], "family_id")
    out = {}
    for name in {**fish, **family}:
        pair = of_fish.get(fish.get(name, ""), ("", ""))
        if pair == ("", ""):
            pair = of_family.get(family.get(name, ""), ("", ""))
        if pair != ("", ""):
            out[name] = pair
    return out


def recorded_pairs(table: pd.DataFrame, key: str) -> dict[str, tuple[str, str]]:
    """Return recorded dam and sire by fish or family; empty text where unknown."""
    return {k: (d, s) for k, d, s in zip(table[key], table["dam"], table["sire"], strict=True)}


def sample_records(programme: Programme, genotypes: GenotypeSet, facts: SampleFacts) -> SampleRecords:
    """Put the facts into the form the quality checks read."""
    table = sample_table(programme, genotypes)
    sexes = dict(zip(programme.tables["fish"]["fish_id"], programme.tables["fish"]["sex"], strict=True))
    stock = programme.tables["stock"]
    sexes |= dict(zip(stock["stock_id"], stock["sex"], strict=True))
    by_fish: dict[str, list[str]] = {}
    for name, identity in facts.fish.items():
        by_fish.setdefault(identity, []).append(name)

    def sample_of(parent: str) -> str | None:
        return facts.best_sample.get(parent)

    trios = [
        (name, sample_of(dam), sample_of(sire))
        for name, (dam, sire) in facts.parents.items()
        if sample_of(dam) or sample_of(sire)
    ]
    parents_of = {name: (dam, sire) for name, dam, sire in trios}
    plates = [
        PlateLayout(
            str(row.Index),
            row.plate,
            row.well,
            tuple(x for x in by_fish.get(facts.fish.get(str(row.Index), ""), ()) if x != row.Index),
            *parents_of.get(str(row.Index), (None, None)),
        )
        for row in rows(table)
        if _word(row.plate) and _word(row.well)
    ]
    return SampleRecords(
        facts.fish,
        {n: sexes[f] for n, f in facts.fish.items() if sexes.get(f) in ("female", "male")},
        trios,
        plates,
        [str(n) for n in table.index[table["group"] == "founder"]],
        facts.blanks,
    )
