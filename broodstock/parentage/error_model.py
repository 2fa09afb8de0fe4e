"""How a true genotype becomes the genotype in the file, and the allele frequencies that go with it.

Two things go wrong independently at every typing:

*substitution*, rate ``e`` per gene copy: the copy is read as a gene drawn at random from the population
instead of as itself (the per-allele form of the random-replacement error of Marshall et al. 1998 and
Kalinowski et al. 2007, close to the second error class of Wang 2004);

*dropout*, rate ``d`` per gene copy: the copy is not read at all. A typing in which one copy dropped out is
read as a homozygote of the other (first error class of Wang 2004); one in which both dropped out is missing.

Because replacement draws from the same allele frequencies as the genes themselves, truth and reading can
change places: given a reading, the true gene is that allele with probability ``1 - e`` and a random gene with
probability ``e``. A gene read in a parent and read again in the offspring therefore agrees by descent with
probability ``(1 - e)**2``, and every likelihood stays a closed formula for any number of alleles.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from broodstock.arrays import FloatArray
from broodstock.errors import ShapeError, ValueRangeError
from broodstock.genotypes.genotype_set import GenotypeSet

DEFAULT_SUBSTITUTION = 0.005
"""Substitution rate per gene copy assumed when none is given (0.5 %; common practice, no source)."""


@dataclass(frozen=True)
class ErrorModel:
    """Typing error rates of each locus.

    Parameters
    ----------
    substitution : ndarray, float64, shape (n_loci,)
        Probability per gene copy that it is read as a random gene, in [0, 1).
    dropout : ndarray, float64, shape (n_loci,)
        Probability per gene copy that it is not read, in [0, 1).

    Raises
    ------
    ShapeError
        If the two arrays are not one-dimensional and equally long.
    ValueRangeError
        If a rate is NaN or outside [0, 1).
    """

    substitution: FloatArray
    dropout: FloatArray

    def __post_init__(self) -> None:
        if self.substitution.ndim != 1 or self.substitution.shape != self.dropout.shape:
            raise ShapeError(
                f"error model: found rates of shapes {self.substitution.shape} and {self.dropout.shape}. "
                "Expected two equal one-dimensional arrays, one rate per locus."
            )
        for name in ("substitution", "dropout"):
            rates = getattr(self, name)
            bad = ~((rates >= 0) & (rates < 1))
            if bad.any():
                raise ValueRangeError(
                    f"error model, {name}, locus number {int(np.argmax(bad))}: found {rates[bad][0]}. "
                    "Expected a rate from 0 to below 1. Give it as a fraction, not in per cent."
                )

    @classmethod
    def uniform(
        cls, n_loci: int, substitution: float = DEFAULT_SUBSTITUTION, dropout: float = 0.0
    ) -> ErrorModel:
        """Return the model with the same two rates at every locus.

        Raises
        ------
        ValueRangeError
            If a rate is NaN or outside [0, 1).
        """
        return cls(np.full(n_loci, float(substitution)), np.full(n_loci, float(dropout)))

    @property
    def n_loci(self) -> int:
        """Number of loci."""
        return len(self.substitution)

    @property
    def broken_descent(self) -> FloatArray:
        """Probability per locus that a gene read in parent and in offspring was replaced in one or both."""
        return 1.0 - (1.0 - self.substitution) ** 2

    def take(self, loci: Sequence[int] | np.ndarray) -> ErrorModel:
        """Return the model of some loci, given by position, in that order."""
        rows = np.asarray(loci, dtype=np.int64)
        return ErrorModel(self.substitution[rows], self.dropout[rows])

    def check_fits(self, n_loci: int) -> None:
        """Check that there is one rate per locus.

        Raises
        ------
        ShapeError
            If the number of loci differs.
        """
        if self.n_loci != n_loci:
            raise ShapeError(
                f"error model: found rates of {self.n_loci} loci. Expected {n_loci}, one per locus typed."
            )


def reference_frequencies(
    genotypes: GenotypeSet, reference: Sequence[int] | np.ndarray | None = None
) -> FloatArray:
    """Estimate allele frequencies by counting genes in reference samples.

    Parameters
    ----------
    genotypes : GenotypeSet
        All samples that will be compared.
    reference : sequence of int, optional
        Positions of the samples to count, for example the wild founders. Default: all samples.

    Returns
    -------
    ndarray, float64, shape (n_loci, max_alleles)
        Frequencies; each row sums to 1. An allele seen in the set but not in the reference samples counts as
        one gene copy, so that no sample carries an allele of frequency 0. A locus typed in nobody has its
        first allele at 1.
    """
    seen = genotypes.allele_counts()
    counts = seen if reference is None else genotypes.allele_counts(reference)
    counts = np.where((counts == 0) & (seen > 0), 1, counts).astype(np.float64)
    if counts.shape[1] == 0:
        return np.ones((genotypes.n_loci, 1))
    untyped = counts.sum(axis=1) == 0
    counts[untyped, 0] = 1.0
    return counts / counts.sum(axis=1, keepdims=True)


def check_frequencies(frequencies: FloatArray, genotypes: GenotypeSet) -> FloatArray:
    """Return frequencies as a contiguous array after checking that they fit the genotypes.

    Raises
    ------
    ShapeError
        If there is not one row per locus, or a row is too short for the alleles.
    ValueRangeError
        If a frequency is NaN or negative, a row does not sum to 1, or an allele somebody carries has
        frequency 0.
    """
    p = np.ascontiguousarray(frequencies, dtype=np.float64)
    counts = genotypes.allele_counts()
    if p.ndim != 2 or p.shape[0] != genotypes.n_loci or p.shape[1] < counts.shape[1]:
        raise ShapeError(
            f"allele frequencies: found shape {p.shape}. Expected {genotypes.n_loci} rows, one per locus, and at "
            f"least {counts.shape[1]} columns, one per allele."
        )
    bad = ~((p >= 0).all(axis=1) & (np.abs(p.sum(axis=1) - 1) < 1e-6))
    if bad.any():
        locus = int(np.argmax(bad))
        raise ValueRangeError(
            f"allele frequencies, locus {genotypes.loci[locus].name!r}: found {p[locus].tolist()}. Expected numbers "
            "from 0 to 1 that sum to 1."
        )
    lost = (counts > 0) & (p[:, : counts.shape[1]] == 0)
    if lost.any():
        locus, allele = (int(v) for v in np.argwhere(lost)[0])
        raise ValueRangeError(
            f"allele frequencies, locus {genotypes.loci[locus].name!r}: found frequency 0 for allele "
            f"{genotypes.alleles[locus][allele]!r}, which a sample carries. Expected a positive frequency. Use "
            "reference_frequencies, which counts such an allele once."
        )
    return p
