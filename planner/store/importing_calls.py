"""Genotype calls of two versions of a call set, joined."""

from __future__ import annotations

import numpy as np

from broodstock.genotypes.genotype_set import GenotypeSet


def joined_calls(old: GenotypeSet, new: GenotypeSet) -> GenotypeSet:
    """Return the samples of both sets in the order of the old one, then of the new one.

    Loci and alleles are matched by name. A sample in both has the new calls at the loci of the new set; a locus that
    one set lacks is untyped in its samples.
    """
    loci = {locus.name: locus for locus in (*old.loci, *new.loci)}
    alleles: dict[str, list[str]] = {name: [] for name in loci}
    for one in (old, new):
        for locus, names in zip(one.loci, one.alleles, strict=True):
            mine = alleles[locus.name]
            mine += [a for a in names if a not in mine]
    place = {name: i for i, name in enumerate(loci)}
    samples = (*old.samples, *(s for s in new.samples if s not in old.index))
    column = {s: i for i, s in enumerate(samples)}
    calls = np.full((len(loci), len(samples), 2), -1, dtype=np.int16)
    for one in (old, new):
        at = np.array([column[s] for s in one.samples], dtype=np.int64)
        for i, (locus, names) in enumerate(zip(one.loci, one.alleles, strict=True)):
            numbers = np.array([alleles[locus.name].index(a) for a in names] + [-1], dtype=np.int16)
            calls[place[locus.name], at] = numbers[one.calls[i]]
    return GenotypeSet(samples, tuple(loci.values()), tuple(tuple(alleles[n]) for n in loci), calls)
