"""Genes dropped down the hidden pedigree: linked nuclear loci, the sex locus, mitochondria."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from broodstock.arrays import MISSING, BigIntArray
from planner.demo.loci import Panel
from planner.demo.scale import Scale
from planner.demo.true_fish import CHALK, FEMALE, MALE, TrueFish


@dataclass(frozen=True)
class TrueGenes:
    """Error-free genes of some fish.

    Attributes
    ----------
    rows : ndarray, int64, shape (n_fish,)
        Rows in the hidden register, increasing; parents of every fish but the ancestors are among them.
    strands : ndarray, int16, shape (n_fish, 2, n_loci)
        Allele numbers; strand 0 from the dam, strand 1 from the sire.
    haplotype : ndarray, int16, shape (n_fish,)
        Mitochondrial haplotype, -1 for chalk chub.
    """

    rows: BigIntArray
    strands: np.ndarray
    haplotype: np.ndarray

    def place(self, rows: np.ndarray) -> BigIntArray:
        """Return the positions of fish given by row of the hidden register."""
        at: BigIntArray = np.searchsorted(self.rows, rows)
        if not np.array_equal(self.rows[at], rows):
            raise KeyError("demo: found a fish whose genes were not dropped. Expected one of the closed set.")
        return at


def drop_genes(
    fish: TrueFish, wanted: np.ndarray, panel: Panel, scale: Scale, rng: np.random.Generator
) -> TrueGenes:
    """Drop genes from the ancestors to all wanted fish.

    Parameters
    ----------
    fish : TrueFish
        Hidden register.
    wanted : ndarray, int64
        Rows of the fish needed; their ancestors are added.
    panel : Panel
        Loci and ancestral frequencies.
    scale : Scale
        Number of haplotypes.
    rng : Generator
        Random numbers.

    Returns
    -------
    TrueGenes
        Of the wanted fish and all their ancestors. At sex-linked loci sons get the male allele from the sire
        and daughters the other one; nothing recombines there.
    """
    rows = fish.with_ancestors(wanted)
    n_loci = len(panel.loci)
    strands = np.zeros((len(rows), 2, n_loci), dtype=np.int16)
    haplotype = np.full(len(rows), -1, dtype=np.int16)
    oldest = np.flatnonzero(fish.dam[rows] == MISSING)
    for chalk in (False, True):
        who = oldest[(fish.origin[rows[oldest]] == CHALK) == chalk]
        for j, share in enumerate(panel.foreign if chalk else panel.frequency):
            strands[who, :, j] = rng.choice(len(share), size=(len(who), 2), p=share)
    own = oldest[fish.origin[rows[oldest]] != CHALK]
    haplotype[own] = _ancestral_haplotypes(len(own), fish.sex[rows[own]], scale.n_haplotypes, rng)
    drop_strands(fish, rows, strands, haplotype, panel.switch, rng)
    sexed = np.flatnonzero(panel.roles == "sex")
    strands[:, :, sexed] = 0
    males = np.flatnonzero(fish.sex[rows] == MALE)
    strands[males[:, None], 1, sexed] = 1
    return TrueGenes(rows, strands, haplotype)


def drop_strands(
    fish: TrueFish,
    rows: BigIntArray,
    strands: np.ndarray,
    haplotype: np.ndarray,
    switch: np.ndarray,
    rng: np.random.Generator,
) -> None:
    """Fill the genes of all fish that have parents, generation by generation.

    Parameters
    ----------
    fish : TrueFish
        Hidden register.
    rows : ndarray, int64, shape (n_fish,)
        A closed set of fish, increasing.
    strands : ndarray, int16, shape (n_fish, 2, n_loci)
        Filled for the ancestors; the others are written.
    haplotype : ndarray, int16, shape (n_fish,)
        Likewise; handed on by mothers.
    switch : ndarray, float64, shape (n_loci,)
        Chance to change strand before each locus.
    rng : Generator
        Random numbers.
    """
    level = fish.levels(rows)
    place = np.full(len(fish), -1, dtype=np.int64)
    place[rows] = np.arange(len(rows))
    for depth in range(1, int(level.max()) + 1 if len(level) else 0):
        who = np.flatnonzero(level == depth)
        for side, parent in ((0, fish.dam[rows[who]]), (1, fish.sire[rows[who]])):
            strands[who, side] = gametes(strands[place[parent]], switch, rng)
        haplotype[who] = haplotype[place[fish.dam[rows[who]]]]


def gametes(strands: np.ndarray, switch: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Return one gamete of each parent.

    Parameters
    ----------
    strands : ndarray, int16, shape (n_parents, 2, n_loci)
        Genes of the parents.
    switch : ndarray, float64, shape (n_loci,)
        Chance to change strand before each locus.
    rng : Generator
        Random numbers.

    Returns
    -------
    ndarray, int16, shape (n_parents, n_loci)
        Crossovers without interference.
    """
    n, _, n_loci = strands.shape
    strand = np.logical_xor.accumulate(rng.random((n, n_loci)) < switch, axis=1)
    return np.where(strand, strands[:, 1], strands[:, 0])


def _ancestral_haplotypes(n: int, sex: np.ndarray, number: int, rng: np.random.Generator) -> np.ndarray:
    """Give ancestors haplotypes of skewed frequency, each haplotype to at least three females."""
    out = np.full(n, MISSING, dtype=np.int16)
    females = rng.permutation(np.flatnonzero(sex == FEMALE))
    sure = np.repeat(np.arange(number), 3)[: len(females)]
    share = np.sort(rng.gamma(0.9, size=number) + 0.05)[::-1]
    rest = rng.choice(number, size=len(females) - len(sure), p=share / share.sum())
    out[females] = np.concatenate([sure, rest])
    others = np.flatnonzero(sex != FEMALE)
    out[others] = rng.choice(number, size=len(others), p=share / share.sum())
    return out
