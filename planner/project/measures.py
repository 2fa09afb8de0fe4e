"""What is measured at the end of each year of a replicate."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from broodstock.arrays import BigIntArray, BoolArray, FloatArray
from planner.project.gene_kernels import count_genes, kinship_sums
from planner.project.model import MALE, STATION, Model
from planner.project.population import Population

MEASURES: dict[str, str] = {
    "gene_diversity": "gene diversity of all living fish, 1 - mean kinship with self pairs, by pedigree",
    "gene_diversity_waters": "the same of the fish in the waters",
    "gene_diversity_station": "the same of the broodfish",
    "gene_diversity_within": "mean over waters with fish of the gene diversity within each",
    "gene_diversity_loci": "gene diversity of all living fish by the founder genes dropped at the loci",
    "expected_heterozygosity": "expected heterozygosity of the marker alleles, unbiased",
    "observed_heterozygosity": "observed heterozygosity of the marker alleles",
    "inbreeding": "mean inbreeding coefficient of all living fish",
    "inbreeding_young": "mean inbreeding coefficient of the fish that reached age 1 this year",
    "alleles_kept": "share of the marker alleles at the start that are still there",
    "founder_genomes": "founder genomes surviving: distinct founder genes at a locus, halved, mean over loci",
    "genome_equivalents": "founder genome equivalents, 1 / (2 mean kinship)",
    "fish": "living fish of age 1 and older",
    "adults": "mature fish in the waters",
    "brood": "fish at the station",
    "young": "fish that reached age 1 this year",
    "captive_share": "share of the fish that reached age 1 in the waters this year with parents at the station",
    "families": "pairs of parents of the fish that reached age 1 this year",
    "dams": "mothers of them",
    "sires": "fathers of them",
    "sharing": "1 / Nb of the year class by the variance of family sizes",
    "sharing_station": "the same for parents at the station",
    "sharing_natural": "the same for parents in the waters",
    "parent_age": "mean age of the parents at the birth of the fish that reached age 1 this year, years",
    "crosses": "crosses laid this year",
    "released": "fish released this year",
    "natural": "fish born in the waters that reached age 1 this year",
    "moved": "fish moved between waters this year",
    "cost": "cost of this year",
}
"""Measures of every year by name; adults of each water follow them."""

NAMES = tuple(MEASURES)


def measure_names(model: Model) -> tuple[str, ...]:
    """Return the names of the columns of `Replicate.values`."""
    return (*NAMES, *(f"adults: {w.name}" for w in model.waters))


@dataclass(frozen=True)
class Born:
    """Fish that reached age 1 in a year: slots, ages and sexes of parents, place and origin (0 station)."""

    dam: BigIntArray
    sire: BigIntArray
    place: npt.NDArray[np.int32]
    origin: npt.NDArray[np.int32]
    dam_age: npt.NDArray[np.int16]
    sire_age: npt.NDArray[np.int16]


@dataclass(frozen=True)
class YearCounts:
    """What was done in a year."""

    born: Born
    released: float
    natural: float
    crosses: float
    moved: float


def shared_parents(parent: BigIntArray) -> float:
    """Chance that two young drawn without replacement share this parent; NaN for fewer than two young."""
    k = np.bincount(parent)
    total = k.sum()
    return float((k * (k - 1)).sum() / (total * (total - 1))) if total > 1 else np.nan


def sharing(dam: BigIntArray, sire: BigIntArray) -> float:
    """Return 1 / Nb of a year class by the variance of family sizes of both sexes.

    Parameters
    ----------
    dam, sire : ndarray, int64, shape (n_young,)
        Parents of each young.

    Returns
    -------
    float
        ``(Q_f + Q_m) / 4``, Q the chance that two young share a mother or a father; NaN for fewer than two young.
        With ``Nb = (sum k - 1) / (sum k^2 / sum k - 1)`` in each sex this is ``(Nb_f + Nb_m) / (4 Nb_f Nb_m)``.

    References
    ----------
    .. [1] Crow & Denniston (1988), Evolution 42:482-495; Waples & Waples (2011), Molecular Ecology Resources 11
       (Suppl. 1):162-171 (from memory).
    """
    return 0.25 * (shared_parents(dam) + shared_parents(sire))


class Measures:
    """Table of one replicate under way, shape (years + 1, n_measures)."""

    def __init__(self, model: Model, herd: Population, years: int, opened: BoolArray) -> None:
        self.model, self.opened = model, opened
        self.names = measure_names(model)
        self.values: FloatArray = np.full((years + 1, len(self.names)), np.nan)
        n_loci = len(model.genome.recombination)
        self.counts = np.zeros((n_loci, herd.allele.shape[1]), np.int32)
        self.allele_counts = np.zeros((n_loci, int(herd.allele.max(initial=0)) + 1), np.int32)
        self.alleles_at_start = np.nan

    def record(self, year: int, herd: Population, counts: YearCounts | None) -> None:
        """Fill the row of a year."""
        out: dict[str, float] = {}
        self._living(herd, out)
        self._numbers(herd, out)
        if counts is not None:
            self._year(herd, counts, out)
            self._cost(year, counts, out)
        for column, name in enumerate(self.names):
            if name in out:
                self.values[year, column] = out[name]

    def _living(self, herd: Population, out: dict[str, float]) -> None:
        """Kinship, genes and inbreeding; without fish nothing is kept."""
        slots = herd.slots
        n_places = self.model.n_places
        n = np.bincount(herd.place[slots], minlength=n_places).astype(np.float64)
        out["fish"] = float(len(slots))
        out["gene_diversity"] = out["gene_diversity_loci"] = out["founder_genomes"] = out["alleles_kept"] = (
            0.0
        )
        out["gene_diversity_waters"] = out["gene_diversity_station"] = out["gene_diversity_within"] = 0.0
        out["genome_equivalents"] = out["expected_heterozygosity"] = 0.0
        if not len(slots):
            return
        sums = kinship_sums(herd.kin, slots, herd.place, n_places)
        mean = sums.sum() / len(slots) ** 2
        out["gene_diversity"] = 1 - mean
        out["genome_equivalents"] = 1 / (2 * mean)
        if n[1:].sum():
            out["gene_diversity_waters"] = 1 - sums[1:, 1:].sum() / n[1:].sum() ** 2
            held = np.flatnonzero(n[1:]) + 1
            out["gene_diversity_within"] = float((1 - np.diag(sums)[held] / n[held] ** 2).mean())
        if n[STATION]:
            out["gene_diversity_station"] = 1 - sums[STATION, STATION] / n[STATION] ** 2
        out["inbreeding"] = float(2 * herd.kin[slots, slots].mean() - 1)
        diversity, expected, observed, genes, alleles = count_genes(
            herd.genes, slots, herd.allele, self.counts, self.allele_counts
        )
        if np.isnan(self.alleles_at_start):
            self.alleles_at_start = alleles
        out["gene_diversity_loci"] = diversity
        out["expected_heterozygosity"], out["observed_heterozygosity"] = expected, observed
        out["founder_genomes"] = genes / 2
        out["alleles_kept"] = min(alleles / self.alleles_at_start, 1.0)

    def _numbers(self, herd: Population, out: dict[str, float]) -> None:
        life = self.model.life
        mature = np.where(herd.sex == MALE, life.mature_male, life.mature_female)
        adult = herd.alive & (herd.age >= mature)
        by_place = np.bincount(herd.place[adult], minlength=self.model.n_places)
        out["adults"] = float(by_place[1:].sum())
        out["brood"] = float((herd.alive & (herd.place == STATION)).sum())
        for water, number in zip(self.model.waters, by_place[1:], strict=True):
            out[f"adults: {water.name}"] = float(number)

    def _year(self, herd: Population, counts: YearCounts, out: dict[str, float]) -> None:
        born = counts.born
        n = len(born.dam)
        out["young"] = float(n)
        out["crosses"], out["released"] = counts.crosses, counts.released
        out["natural"], out["moved"] = counts.natural, counts.moved
        out["families"] = float(len(np.unique(born.dam * len(herd.alive) + born.sire)))
        out["dams"], out["sires"] = float(len(np.unique(born.dam))), float(len(np.unique(born.sire)))
        if n == 0:
            return
        young = herd.alive & (herd.age == 1)
        out["inbreeding_young"] = float(2 * herd.kin[young, young].mean() - 1)
        in_waters = born.place > 0
        captive = born.origin == 0
        if in_waters.any():
            out["captive_share"] = float(captive[in_waters].mean())
        out["sharing"] = sharing(born.dam, born.sire)
        out["sharing_station"] = sharing(born.dam[captive], born.sire[captive])
        out["sharing_natural"] = sharing(born.dam[~captive], born.sire[~captive])
        known = (born.dam_age > 0) & (born.sire_age > 0)
        if known.any():
            out["parent_age"] = float(0.5 * (born.dam_age[known].mean() + born.sire_age[known].mean()))

    def _cost(self, year: int, counts: YearCounts, out: dict[str, float]) -> None:
        costs = self.model.costs
        new = sum(w.extra for w in self.model.waters) if year == 1 and self._extra_open() else 0
        keep = float(self.opened.sum()) if counts.released or counts.moved else 0.0
        out["cost"] = (
            costs.cross * counts.crosses
            + costs.released * counts.released
            + costs.brood_year * out["brood"]
            + costs.water_year * keep
            + costs.new_water * new
            + costs.moved * counts.moved
        )

    def _extra_open(self) -> bool:
        return any(o and w.extra for o, w in zip(self.opened, self.model.waters, strict=True))
