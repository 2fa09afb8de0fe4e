"""Draw genotypes of parents and offspring, and what the laboratory would read of them.

Loci are unlinked. Truth carries no missing calls; `read_with_errors` turns truth into readings.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from broodstock.arrays import MISSING, CallArray, FloatArray
from broodstock.errors import ShapeError, ValueRangeError
from broodstock.genotypes.genotype_set import GenotypeSet, Locus
from broodstock.parentage.error_model import ErrorModel


def draw_unrelated(frequencies: FloatArray, n_fish: int, rng: np.random.Generator) -> CallArray:
    """Draw fish in Hardy-Weinberg proportions.

    Parameters
    ----------
    frequencies : ndarray, float64, shape (n_loci, n_alleles)
        Allele frequencies, rows summing to 1.
    n_fish : int
        Number of fish.
    rng : numpy.random.Generator
        Source of randomness.

    Returns
    -------
    ndarray, int16, shape (n_loci, n_fish, 2)
        True genotypes.
    """
    return _draw_genes(frequencies, (n_fish, 2), rng)


def draw_offspring(parents: CallArray, pairs: np.ndarray, rng: np.random.Generator) -> CallArray:
    """Draw one offspring per pair of parents by Mendel's rules.

    Parameters
    ----------
    parents : ndarray, int16, shape (n_loci, n_parents, 2)
        True genotypes, none missing.
    pairs : ndarray, int, shape (n_offspring, 2)
        Positions of the two parents.
    rng : numpy.random.Generator
        Source of randomness.

    Returns
    -------
    ndarray, int16, shape (n_loci, n_offspring, 2)
        True genotypes; first gene from the first parent.
    """
    pairs = np.asarray(pairs, dtype=np.int64)
    which = rng.integers(0, 2, size=(parents.shape[0], len(pairs), 2))
    genes = parents[:, pairs]
    drawn: CallArray = np.take_along_axis(genes, which[..., None], axis=3)[..., 0]
    return drawn


def read_with_errors(
    truth: CallArray,
    frequencies: FloatArray,
    error: ErrorModel,
    missing: float | FloatArray,
    rng: np.random.Generator,
) -> CallArray:
    """Turn true genotypes into readings: substitution, dropout, missing calls.

    Parameters
    ----------
    truth : ndarray, int16, shape (n_loci, n_fish, 2)
        True genotypes.
    frequencies : ndarray, float64, shape (n_loci, n_alleles)
        Frequencies from which substituted genes are drawn.
    error : ErrorModel
        Error rates.
    missing : float or ndarray, float64, shape (n_loci,)
        Probability that a call is missing for other reasons than dropout of both copies.
    rng : numpy.random.Generator
        Source of randomness.

    Returns
    -------
    ndarray, int16, shape (n_loci, n_fish, 2)
        Readings; -1 missing.

    Raises
    ------
    ShapeError
        If error rates or frequencies do not fit the loci.
    ValueRangeError
        If a missing rate is outside [0, 1].
    """
    n_loci, n_fish = truth.shape[:2]
    error.check_fits(n_loci)
    if len(frequencies) != n_loci:
        raise ShapeError(
            f"allele frequencies: found {len(frequencies)} rows. Expected {n_loci}, one per locus."
        )
    lost = np.broadcast_to(np.asarray(missing, dtype=np.float64), (n_loci,))
    if not ((lost >= 0) & (lost <= 1)).all():
        raise ValueRangeError("missing rate: found a value outside 0 to 1. Expected a share of the calls.")
    replaced = rng.random(truth.shape) < error.substitution[:, None, None]
    read = np.where(replaced, _draw_genes(frequencies, (n_fish, 2), rng), truth)
    dropped = rng.random(truth.shape) < error.dropout[:, None, None]
    read = np.where(dropped, read[..., ::-1], read)
    gone = dropped.all(axis=2) | (rng.random((n_loci, n_fish)) < lost[:, None])
    read[gone] = MISSING
    return np.ascontiguousarray(read, dtype=np.int16)


def genotype_set(
    calls: CallArray, n_alleles: int | None = None, names: Sequence[str] | None = None
) -> GenotypeSet:
    """Wrap simulated calls with plain labels: fish ``S0001`` and so on, loci ``L001``, alleles ``1``, ``2``.

    Parameters
    ----------
    calls : ndarray, int16, shape (n_loci, n_fish, 2)
        Readings; -1 missing.
    n_alleles : int, optional
        Length of the allele lists. Default: the largest allele number plus one.
    names : sequence of str, optional
        Sample names.
    """
    n_loci, n_fish = calls.shape[:2]
    width = n_alleles if n_alleles is not None else int(calls.max(initial=0)) + 1
    kind = "snp" if width <= 2 else "microsatellite"
    return GenotypeSet(
        samples=tuple(names) if names is not None else tuple(f"S{i:04d}" for i in range(n_fish)),
        loci=tuple(Locus(f"L{i:03d}", kind) for i in range(n_loci)),
        alleles=tuple(tuple(str(a + 1) for a in range(width)) for _ in range(n_loci)),
        calls=np.ascontiguousarray(calls, dtype=np.int16),
    )


def _draw_genes(frequencies: FloatArray, shape: tuple[int, ...], rng: np.random.Generator) -> CallArray:
    steps = np.cumsum(frequencies, axis=1)
    last = (np.asarray(frequencies) > 0).shape[1] - 1 - np.argmax((frequencies > 0)[:, ::-1], axis=1)
    u = rng.random((len(frequencies), *shape))
    genes = np.zeros(u.shape, dtype=np.int16)
    for locus, row in enumerate(steps):
        genes[locus] = np.minimum(np.searchsorted(row, u[locus], side="right"), last[locus])
    return genes
