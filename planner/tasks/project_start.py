"""Fish at the start of a projection: broodfish, residents and the stock in hand, joined by one pedigree."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from broodstock.arrays import FloatArray
from broodstock.genotypes.genotype_set import GenotypeSet
from planner.project.model import Genome, Start
from planner.tasks.programme import Programme
from planner.tasks.rows import rows

MOST_POOL = 400
SEX = {"female": 0, "male": 1}


@dataclass(frozen=True)
class StartFacts:
    """What the start was made of, for the table of parameters.

    Parameters
    ----------
    start : Start
    genome : Genome
    brood, residents, earlier, wild, stock : int
        Broodfish, residents of known family, residents taken as released earlier, residents taken as unrelated wild
        fish, and young in stock.
    larval_share : float
        Share of the stock that grew from wild larvae.
    typed : int
        Founders with genotype.
    linked : int
        Loci linked to the one before.
    notes : tuple of str
    """

    start: Start
    genome: Genome
    brood: int
    residents: int
    earlier: int
    wild: int
    stock: int
    larval_share: float
    typed: int
    linked: int
    notes: tuple[str, ...]


@dataclass
class _Tree:
    """Pedigree under construction: unknown founders first, then the recorded fish, then residents."""

    programme: Programme
    unknown: int = 0
    single: dict[str, int] = field(default_factory=dict)
    pools: dict[str, tuple[int, int]] = field(default_factory=dict)
    turn: dict[str, int] = field(default_factory=dict)

    def __post_init__(self) -> None:
        families = self.programme.tables["families"]
        crossed = families[families["kind"] == "cross"]
        self.parents_of = {
            f: (d, s) for f, d, s in zip(crossed["family_id"], crossed["dam"], crossed["sire"], strict=True)
        }
        self.year_class = dict(zip(families["family_id"], families["year_class"], strict=True))

    def founder(self) -> tuple[bool, int]:
        """Return a new unrelated founder."""
        self.unknown += 1
        return False, self.unknown - 1

    def pair(self, family: str) -> tuple[tuple[bool, int], tuple[bool, int]]:
        """Return the parents of the next fish of a family, each as (recorded, row)."""
        known = self.parents_of.get(family)
        if known is None:
            return self._of_group(family)
        index = self.programme.pedigree.index
        out = []
        for parent in known:
            if parent in index:
                out.append((True, index[parent]))
                continue
            if family not in self.single:
                self.single[family] = self.founder()[1]
            out.append((False, self.single[family]))
        if out[0] == out[1]:  # both parents unknown
            out[1] = self.founder()
        return out[0], out[1]

    def _of_group(self, group: str) -> tuple[tuple[bool, int], tuple[bool, int]]:
        """Return unknown parents of the next fish of a larval group: 1 / (2k) parents, k the group's kinship."""
        if group not in self.pools:
            k = float(self.programme.settings["larval_group_kinship"])
            size = min(max(2, round(1 / (2 * k))), MOST_POOL) if k > 0 else MOST_POOL
            self.pools[group] = (self.unknown, size)
            self.unknown += size
        first, size = self.pools[group]
        n = self.turn[group] = self.turn.get(group, -1) + 1
        dams = size // 2
        sires = size - dams
        return (False, first + n % dams), (False, first + dams + (n + n // (dams * sires)) % sires)

    def age(self, family: str, longest: int) -> int:
        """Return the age of a fish of a family this autumn, at least 1; -1 where the year class is not known."""
        return _age(self.programme, self.year_class.get(family), longest)


def start_of(programme: Programme, place_of: dict[str, int]) -> StartFacts:
    """Put the living fish of the records into one start.

    Parameters
    ----------
    programme : Programme
        Open records.
    place_of : dict of str to int
        Place number of each site that is part of the projection.

    Returns
    -------
    StartFacts
    """
    settings = programme.settings
    longest = int(settings["project_longevity"]) - 1
    tree = _Tree(programme)
    pedigree = programme.pedigree
    Token = tuple[bool, int]
    young: list[tuple[Token, Token] | None] = []
    fish: list[
        tuple[int, int, int, Token | int]
    ] = []  # sex, age, place, row: a token or a position in `young`
    counts = dict.fromkeys(("brood", "residents", "earlier", "wild"), 0)

    table = programme.tables["fish"]
    for row in rows(table[table["status"].isin(["brood", "hold"])]):
        age = _age(programme, row.year_class, longest)
        fish.append((SEX.get(row.sex, -1), age, 0, (True, pedigree.index[row.fish_id])))
        counts["brood"] += 1
    released = programme.tables["releases"]
    for row in rows(programme.residents_now):
        place = place_of.get(row.site_id)
        if place is None:
            continue
        number = int(row.number)
        if row.family:
            families = [row.family] * number
            counts["residents"] += number
        else:
            families = _earlier(
                released, row.site_id, round(number * float(settings["project_unknown_released"]))
            )
            counts["earlier"] += len(families)
            counts["wild"] += number - len(families)
            fish += [(-1, -1, place, tree.founder()) for _ in range(number - len(families))]
        for family in families:
            fish.append((-1, tree.age(family, longest), place, len(young)))
            young.append(tree.pair(family))
    broods: dict[tuple[Token, Token], int] = {}
    stock = programme.stock_here
    larval = 0
    for family in stock["family"]:
        pair = tree.pair(family)
        larval += family not in tree.parents_of
        broods[pair] = broods.get(pair, 0) + 1
    offset = tree.unknown
    base = offset + len(pedigree)

    def at(token: Token | int) -> int:
        return base + token if isinstance(token, int) else token[1] + offset * token[0]

    recorded = np.where(pedigree.parents < 0, -1, pedigree.parents + offset)
    residents = np.array([[at(p) for p in pair] for pair in young if pair], np.int32).reshape(-1, 2)
    parents = np.concatenate([np.full((offset, 2), -1), recorded, residents]).astype(np.int32)
    genome, calls, typed, linked, notes = _genome(programme, len(parents), offset)
    start = Start(
        parents,
        np.array([at(f[3]) for f in fish], np.int32),
        np.array([f[0] for f in fish], np.int8),
        np.array([f[1] for f in fish], np.int16),
        np.array([f[2] for f in fish], np.int16),
        np.array([at(d) for d, _ in broods], np.int32),
        np.array([at(s) for _, s in broods], np.int32),
        np.array(list(broods.values()), np.int32),
        calls,
    )
    share = larval / len(stock) if len(stock) else 0.0
    return StartFacts(
        start, genome, counts["brood"], counts["residents"], counts["earlier"], counts["wild"], len(stock), share,
        typed, linked, tuple(notes),
    )  # fmt: skip


def _age(programme: Programme, year: Any, longest: int) -> int:
    """Return the age this autumn of a year class, at least 1; -1 where it is not known."""
    if pd.isna(year):
        return -1
    return int(np.clip(programme.today.year - int(year), 1, longest))


def _earlier(released: pd.DataFrame, site: str, number: int) -> list[str]:
    """Return families of fish released earlier, in proportion to the releases into the site, or into all sites."""
    known = released[released["family"] != ""]
    here = known[known["site_id"] == site]
    counts = (here if len(here) else known)["family"].value_counts().sort_index()
    if counts.empty or number <= 0:
        return []
    share = counts.to_numpy(dtype=np.float64) * number / counts.sum()
    whole = np.floor(share).astype(int)
    extra = np.argsort(whole - share, kind="stable")[: number - whole.sum()]
    whole[extra] += 1
    return [f for f, n in zip(counts.index, whole, strict=True) for _ in range(n)]


def _genome(
    programme: Programme, n_rows: int, offset: int
) -> tuple[Genome, np.ndarray | None, int, int, list[str]]:
    """Return loci with linkage and frequencies, genotypes of founders, how many are typed, linked loci, notes."""
    settings = programme.settings
    most = int(settings["project_loci"])
    calls = programme.genotypes.get("snps")
    neutral = [] if calls is None else [k for k, x in enumerate(calls.loci) if x.role == "neutral"]
    if calls is None or not neutral:
        note = (
            f"No neutral SNPs: {most} unlinked loci of two alleles, the rarer from 5 % to 50 %, were made up."
        )
        return Genome.free(most), None, 0, 0, [note]
    order = sorted(neutral, key=lambda k: (calls.loci[k].linkage_group, calls.loci[k].position, k))
    if len(order) > most:
        order = [order[int(i)] for i in np.linspace(0, len(order) - 1, most).round()]
    recombination = _recombination(calls, order, float(settings["project_cm_per_mb"]))
    rows_of = _founder_columns(programme, calls)
    chosen = calls.calls[order]
    columns = list(rows_of.values())
    frequencies = _frequencies(chosen, columns, max(len(calls.alleles[k]) for k in order))
    typed = np.full((n_rows, len(order), 2), -1, np.int16)
    for row, column in rows_of.items():
        typed[offset + row] = chosen[:, column]
    linked = int((recombination[1:] < 0.5).sum())
    notes = [] if columns else ["No founder has a genotype: frequencies are those of all samples."]
    return Genome(recombination, frequencies), typed, len(columns), linked, notes


def _recombination(calls: GenotypeSet, order: list[int], cm_per_mb: float) -> FloatArray:
    """Return the chance of a crossover before each locus (Haldane 1919, from memory); 0.5 between groups."""
    out = np.full(len(order), 0.5)
    for i in range(1, len(order)):
        a, b = calls.loci[order[i - 1]], calls.loci[order[i]]
        if a.linkage_group and a.linkage_group == b.linkage_group and min(a.position, b.position) >= 0:
            out[i] = 0.5 * (1 - np.exp(-2 * (b.position - a.position) / 1e6 * cm_per_mb / 100))
    return out


def _founder_columns(programme: Programme, calls: GenotypeSet) -> dict[int, int]:
    """Return the best sample's column of each genotyped founder, by pedigree row."""
    samples = programme.tables["samples"]
    typed = calls.typed.sum(axis=0)
    pedigree = programme.pedigree
    founder = (pedigree.parents < 0).all(axis=1)
    best: dict[int, int] = {}
    for sample, fish in zip(samples["sample_id"], samples["fish_id"], strict=True):
        row, column = pedigree.index.get(fish), calls.index.get(sample)
        if row is None or column is None or not founder[row]:
            continue
        if row not in best or typed[column] > typed[best[row]]:
            best[row] = column
    return best


def _frequencies(chosen: np.ndarray, columns: list[int], n_alleles: int) -> FloatArray:
    """Return allele frequencies of the founders; of all samples at loci where no founder is typed."""
    out = np.zeros((len(chosen), n_alleles))
    for k, all_calls in enumerate(chosen):
        for part in (all_calls[columns] if columns else all_calls, all_calls):
            seen = part[part >= 0]
            if seen.size:
                counts = np.bincount(seen.ravel(), minlength=n_alleles)
                out[k] = counts / counts.sum()
                break
        else:
            out[k] = 1 / n_alleles
    return out
