"""Tables of a sibship likelihood: readings of an offspring given the true genotypes of its two parents."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from broodstock.arrays import BigIntArray, FloatArray
from broodstock.errors import UsageError
from broodstock.genotypes.genotype_set import GenotypeSet
from broodstock.parentage.error_model import ErrorModel, check_frequencies, reference_frequencies


class SibshipTables(NamedTuple):
    """Likelihood tables of all loci, laid end to end.

    Parameters
    ----------
    states : ndarray, int64, shape (n_loci,)
        Parental genotypes told apart at each locus.
    state_at, cell_at, table_at : ndarray, int64, shape (n_loci + 1,)
        Where each locus starts among states, among cells (states squared), and in `table`.
    prior : ndarray, float64, shape (sum of states,)
        Hardy-Weinberg probability of each parental genotype.
    table : ndarray, float64, shape (sum of states cubed,)
        For each reading, the probability of it under each pair of parental genotypes.
    log_table : ndarray, float64, same shape
        Its natural log, at least -690 where impossible.
    readings : ndarray, int64, shape (n_offspring, n_loci)
        Reading of each offspring; -1 missing.
    """

    states: BigIntArray
    state_at: BigIntArray
    cell_at: BigIntArray
    table_at: BigIntArray
    prior: FloatArray
    table: FloatArray
    log_table: FloatArray
    readings: BigIntArray


def sibship_tables(
    genotypes: GenotypeSet,
    offspring: Sequence[int] | np.ndarray,
    frequencies: FloatArray | None = None,
    error: ErrorModel | None = None,
    max_classes: int = 6,
) -> SibshipTables:
    """Prepare the tables.

    Parameters
    ----------
    genotypes : GenotypeSet
        Calls; every locus of the set that varies is used.
    offspring : sequence of int
        Positions of the offspring.
    frequencies : ndarray, float64, shape (n_loci, max_alleles), optional
        Population allele frequencies. Default: counted in the whole set.
    error : ErrorModel, optional
        Default: substitution 0.005 per gene copy.
    max_classes : int
        Alleles told apart at a locus. With more alleles, they are pooled into this many classes of nearly
        equal frequency; a class is inherited like an allele, so the likelihood stays exact for the classes.

    Returns
    -------
    SibshipTables

    Raises
    ------
    ShapeError
        If frequencies or error rates do not fit the loci.
    UsageError
        If `max_classes` is below 2.
    ValueRangeError
        If frequencies are unusable.
    """
    if max_classes < 2:
        raise UsageError(f"max_classes: found {max_classes}. Expected 2 or more.")
    p = check_frequencies(reference_frequencies(genotypes) if frequencies is None else frequencies, genotypes)
    model = ErrorModel.uniform(genotypes.n_loci) if error is None else error
    model.check_fits(genotypes.n_loci)
    rows = np.asarray(offspring, dtype=np.int64)
    used = [k for k in range(genotypes.n_loci) if (p[k] > 0).sum() >= 2 and genotypes.typed[k, rows].any()]
    states, priors, tables, readings = [], [], [], []
    for k in used:
        class_of, q = allele_classes(p[k], max_classes)
        n = len(q)
        calls = genotypes.calls[k, rows].astype(np.int64)
        typed = calls[:, 0] >= 0
        classes = np.where(typed[:, None], class_of[np.where(typed[:, None], calls, 0)], -1)
        low, high = classes.min(axis=1), classes.max(axis=1)
        readings.append(np.where(typed, high * (high + 1) // 2 + low, -1))
        prior, table = _locus_tables(q, float(model.substitution[k]), float(model.dropout[k]))
        states.append(n * (n + 1) // 2)
        priors.append(prior)
        tables.append(table.ravel())
    counts = np.array(states, dtype=np.int64)

    flat = np.concatenate(tables) if tables else np.zeros(0)

    def starts(sizes: BigIntArray) -> BigIntArray:
        return np.concatenate([[0], np.cumsum(sizes)]).astype(np.int64)

    return SibshipTables(
        counts,
        starts(counts),
        starts(counts**2),
        starts(counts**3),
        np.concatenate(priors) if priors else np.zeros(0),
        flat,
        np.log(np.maximum(flat, 1e-300)),
        np.ascontiguousarray(np.stack(readings, axis=1))
        if readings
        else np.zeros((len(rows), 0), dtype=np.int64),
    )


def allele_classes(frequencies: FloatArray, max_classes: int) -> tuple[BigIntArray, FloatArray]:
    """Pool alleles into classes of nearly equal frequency.

    Parameters
    ----------
    frequencies : ndarray, float64, shape (n_alleles,)
        Allele frequencies of one locus.
    max_classes : int
        Most classes.

    Returns
    -------
    class_of : ndarray, int64, shape (n_alleles,)
        Class of each allele (0 for absent ones).
    totals : ndarray, float64, shape (n_classes,)
        Frequency of each class.
    """
    present = np.flatnonzero(frequencies > 0)
    class_of = np.zeros(len(frequencies), dtype=np.int64)
    if len(present) <= max_classes:
        class_of[present] = np.arange(len(present))
        return class_of, frequencies[present].astype(np.float64)
    totals = np.zeros(max_classes)
    # The commonest allele still unplaced joins the rarest class so far.
    for allele in present[np.argsort(-frequencies[present], kind="stable")]:
        rarest = int(np.argmin(totals))
        class_of[allele] = rarest
        totals[rarest] += frequencies[allele]
    return class_of, totals


def _locus_tables(q: FloatArray, substitution: float, dropout: float) -> tuple[FloatArray, FloatArray]:
    """Prior of parental genotypes, and readings given pairs of them; genotype (a, b) has number b(b+1)/2 + a."""
    n = len(q)
    pairs = [(a, b) for b in range(n) for a in range(b + 1)]
    prior = np.array([q[a] * q[b] * (1 if a == b else 2) for a, b in pairs])
    # Probability that a gene handed on by each genotype is read as each allele.
    handed = np.zeros((len(pairs), n))
    for s, (a, b) in enumerate(pairs):
        handed[s, a] += 0.5
        handed[s, b] += 0.5
    read = (1 - substitution) * handed + substitution * q
    table = np.zeros((len(pairs), len(pairs), len(pairs)))
    for r, (a, b) in enumerate(pairs):
        if a == b:
            both = np.outer(read[:, a], read[:, a])
            one = read[:, a][:, None] + read[:, a][None, :]
            table[r] = ((1 - dropout) * both + dropout * one) / (1 + dropout)
        else:
            both = np.outer(read[:, a], read[:, b])
            table[r] = (1 - dropout) * (both + both.T) / (1 + dropout)
    return prior, table
