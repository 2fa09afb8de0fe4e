"""Share of calls made, by sample and by locus, and loci without variation."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from broodstock.arrays import BigIntArray, BoolArray, FloatArray
from broodstock.genotypes.genotype_set import GenotypeSet


@dataclass(frozen=True)
class CallRates:
    """Share of calls made.

    Parameters
    ----------
    by_sample : ndarray, float64, shape (n_samples,)
        Share of the loci typed; 0 when the set has no loci.
    by_locus : ndarray, float64, shape (n_loci,)
        Share of the samples typed; 0 when the set has no samples.
    """

    by_sample: FloatArray
    by_locus: FloatArray


def call_rates(genotypes: GenotypeSet) -> CallRates:
    """Return the share of calls made by sample and by locus."""
    typed = genotypes.typed
    return CallRates(
        typed.sum(axis=0) / max(genotypes.n_loci, 1), typed.sum(axis=1) / max(genotypes.n_samples, 1)
    )


def alleles_seen(genotypes: GenotypeSet) -> BigIntArray:
    """Return the number of alleles anybody carries at each locus, int64, shape (n_loci,)."""
    return (genotypes.allele_counts() > 0).sum(axis=1).astype(np.int64)


def monomorphic(genotypes: GenotypeSet) -> BoolArray:
    """Return True at loci where fewer than two alleles are seen, shape (n_loci,)."""
    return alleles_seen(genotypes) < 2
