"""Markers of the demo and the allele frequencies of the hidden ancestors."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from broodstock.arrays import FloatArray
from broodstock.genotypes.genotype_set import Locus
from planner.demo.parameters import TRUTH
from planner.demo.scale import Scale

_BASES = ("A", "C", "G", "T")
_URN = 400
_URN_MUTATION = 25.0
_LONG_STEPS = 0.2


@dataclass(frozen=True)
class Panel:
    """All loci, ordered by linkage group and position; microsatellites last.

    Attributes
    ----------
    loci : tuple of Locus
        Loci.
    alleles : tuple of tuple of str
        Alleles of each locus.
    frequency : list of ndarray
        Allele frequencies of the ancestors, by locus.
    foreign : list of ndarray
        Allele frequencies of chalk chub, by locus.
    switch : ndarray, float64, shape (n_loci,)
        Chance that a gamete changes strand before a locus; one half at the start of a linkage group.
    n_snps : int
        How many of the loci are SNPs; they come first.
    """

    loci: tuple[Locus, ...]
    alleles: tuple[tuple[str, ...], ...]
    frequency: list[FloatArray]
    foreign: list[FloatArray]
    switch: FloatArray
    n_snps: int

    @property
    def roles(self) -> np.ndarray:
        """Role of each locus."""
        return np.array([locus.role for locus in self.loci])


def make_panel(scale: Scale, rng: np.random.Generator) -> Panel:
    """Lay loci on linkage groups and draw ancestral allele frequencies.

    Minor allele frequencies of the SNPs follow the neutral spectrum, density 1/x, cut at 0.05 as chosen panels
    are. Microsatellite alleles come from an urn in which a new gene copies an old one and sometimes differs
    from it by one repeat, seldom by more, which gives the stepwise spectra of such loci.

    References
    ----------
    .. [1] Hoppe 1984, Journal of Mathematical Biology 20:91 (urn; from memory).
    .. [2] Ohta & Kimura 1973, Genetical Research 22:201 (stepwise mutation; from memory).
    """
    n = scale.n_neutral + scale.n_diagnostic + scale.n_sex
    groups = rng.integers(1, scale.n_linkage_groups + 1, n)
    roles = np.array(
        ["neutral"] * scale.n_neutral + ["diagnostic"] * scale.n_diagnostic + ["sex"] * scale.n_sex,
        dtype=object,
    )
    groups[roles == "sex"] = max(1, scale.n_linkage_groups // 2)
    position = rng.integers(100_000, 40_000_000, n)
    order = np.lexsort((position, groups))
    counters = dict.fromkeys(("neutral", "diagnostic", "sex"), 0)
    letters = {"neutral": "", "diagnostic": "D", "sex": "S"}
    loci: list[Locus] = []
    alleles: list[tuple[str, ...]] = []
    frequency: list[FloatArray] = []
    foreign: list[FloatArray] = []
    for i in order:
        role = str(roles[i])
        counters[role] += 1
        a, b = rng.choice(4, size=2, replace=False)
        ref, alt = _BASES[a], _BASES[b]
        loci.append(
            Locus(
                f"LFC-{letters[role]}{counters[role]:03d}",
                "snp",
                role,
                f"LG{groups[i]:02d}",
                int(position[i]),
                alt if role == "diagnostic" else "",
                alt if role == "sex" else "",
            )
        )
        alleles.append((ref, alt))
        own, other = _snp_frequencies(role, rng)
        frequency.append(np.array([1.0 - own, own]))
        foreign.append(np.array([1.0 - other, other]))
    for k in range(scale.n_microsatellites):
        sizes, shares = _stepwise_alleles(rng)
        base = 100 + 4 * int(rng.integers(5, 40))
        loci.append(Locus(f"LPU-{k + 1:02d}", "microsatellite", "neutral"))
        alleles.append(tuple(str(base + 2 * s) for s in sizes))
        frequency.append(shares)
        foreign.append(shares[::-1].copy())
    group_of = np.array([locus.linkage_group or f"alone {i}" for i, locus in enumerate(loci)])
    place = np.array([max(locus.position, 0) for locus in loci], dtype=np.float64)
    morgan = np.diff(place, prepend=0.0) / 1e6 * TRUTH.morgan_per_megabase
    # Haldane's map function: crossovers fall independently.
    switch = 0.5 * (1.0 - np.exp(-2.0 * np.maximum(morgan, 0.0)))
    switch[np.concatenate([[True], group_of[1:] != group_of[:-1]])] = 0.5
    return Panel(tuple(loci), tuple(alleles), frequency, foreign, switch, n)


def _snp_frequencies(role: str, rng: np.random.Generator) -> tuple[float, float]:
    """Return the frequency of the second allele in lanternfin and in chalk chub."""
    if role == "diagnostic":
        return 0.0, 1.0
    if role == "sex":
        return 0.0, 0.0
    minor = 0.05 * 10.0 ** rng.random()
    own = minor if rng.random() < 0.5 else 1.0 - minor
    odds = np.log(own / (1.0 - own)) + rng.normal(0.0, 1.5)
    return float(own), float(1.0 / (1.0 + np.exp(-odds)))


def _stepwise_alleles(rng: np.random.Generator) -> tuple[list[int], FloatArray]:
    """Return repeat numbers, smallest first, and their shares."""
    genes = np.zeros(_URN, dtype=np.int64)
    for k in range(1, _URN):
        genes[k] = genes[rng.integers(0, k)]
        if rng.random() < _URN_MUTATION / (_URN_MUTATION + k):
            step = 1 + int(rng.geometric(0.5)) if rng.random() < _LONG_STEPS else 1
            genes[k] += step if rng.random() < 0.5 else -step
    sizes, counts = np.unique(genes, return_counts=True)
    return [int(s) for s in sizes - sizes.min()], counts / counts.sum()


def loci_table(panel: Panel) -> pd.DataFrame:
    """Return the table of loci."""
    return pd.DataFrame(
        {
            "locus": [x.name for x in panel.loci],
            "kind": [x.kind for x in panel.loci],
            "role": [x.role for x in panel.loci],
            "linkage_group": [x.linkage_group for x in panel.loci],
            "position": pd.array(
                [x.position if x.position >= 0 else pd.NA for x in panel.loci], dtype="Int64"
            ),
            "foreign_allele": [x.foreign_allele for x in panel.loci],
            "male_allele": [x.male_allele for x in panel.loci],
            "marker_set": ["SNP-192" if x.kind == "snp" else "MS-14" for x in panel.loci],
        }
    )
