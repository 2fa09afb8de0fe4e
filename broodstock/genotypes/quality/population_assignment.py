"""The group of reference samples from which a genotype most likely comes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from broodstock.arrays import BigIntArray, FloatArray
from broodstock.errors import UsageError
from broodstock.genotypes.genotype_set import GenotypeSet


@dataclass(frozen=True)
class GroupAssignment:
    """Probability of genotypes in several groups.

    Parameters
    ----------
    groups : tuple of str
        Names.
    log_probability : ndarray, float64, shape (n_samples, n_groups)
        Natural log of the probability of each sample's genotype in each group, itself left out.
    posterior : ndarray, float64, same shape
        With every group equally likely before; rows sum to 1.
    n_typed : ndarray, int64, shape (n_samples,)
        Loci used.
    """

    groups: tuple[str, ...]
    log_probability: FloatArray
    posterior: FloatArray
    n_typed: BigIntArray


def genotype_probability(
    first: FloatArray | float,
    second: FloatArray | float,
    total: FloatArray | float,
    homozygous: np.ndarray | bool,
    n_alleles: np.ndarray | int,
) -> FloatArray:
    """Probability of a genotype given the alleles counted in a group.

    Parameters
    ----------
    first, second : float or ndarray
        Gene copies in the group of the two alleles of the genotype (the same number if it is homozygous).
    total : float or ndarray
        All gene copies counted in the group.
    homozygous : bool or ndarray
        Whether the two alleles are the same.
    n_alleles : int or ndarray
        Alleles seen in all groups together; each gets a prior weight of 1 / n_alleles.

    Returns
    -------
    ndarray, float64
        Probabilities; over all genotypes of the alleles they sum to 1.

    References
    ----------
    .. [1] Rannala & Mountain (1997), PNAS 94, 9197-9201.
    """
    prior = 1.0 / np.asarray(n_alleles, dtype=np.float64)
    a, b, n = np.asarray(first) + prior, np.asarray(second) + prior, np.asarray(total, dtype=np.float64)
    return np.asarray(np.where(homozygous, a * (a + 1), 2 * a * b) / ((n + 1) * (n + 2)), dtype=np.float64)


def assign_to_groups(
    genotypes: GenotypeSet,
    members: Mapping[str, Sequence[int]],
    samples: Sequence[int] | np.ndarray | None = None,
) -> GroupAssignment:
    """Assign samples to reference groups.

    Parameters
    ----------
    genotypes : GenotypeSet
        Calls; every locus is used.
    members : mapping of str to sequence of int
        Reference samples of each group, by position. A sample that is itself a member of a group is left
        out of that group's counts.
    samples : sequence of int, optional
        Samples to assign. Default: all.

    Returns
    -------
    GroupAssignment

    Raises
    ------
    UsageError
        If there are no groups or one is empty.
    """
    empty = [name for name, rows in members.items() if len(rows) == 0]
    if not members or empty:
        found = f"group {empty[0]!r} without samples" if empty else "no groups"
        raise UsageError(f"reference groups: found {found}. Expected at least one group, each with samples.")
    rows = np.arange(genotypes.n_samples) if samples is None else np.asarray(samples, dtype=np.int64)
    groups = tuple(members)
    out = np.zeros((len(rows), len(groups)))
    counts = {name: genotypes.allele_counts(members[name]).astype(np.float64) for name in groups}
    pooled = np.stack(list(counts.values())).sum(axis=0) + genotypes.allele_counts(rows)
    n_alleles = np.maximum((pooled > 0).sum(axis=1), 1)
    for g, name in enumerate(groups):
        inside = set(np.asarray(members[name], dtype=np.int64).tolist())
        for r, i in enumerate(rows.tolist()):
            used = np.flatnonzero(genotypes.typed[:, i])
            a, b = genotypes.calls[used, i].astype(np.int64).T
            c = counts[name][used].copy()
            if i in inside:
                np.subtract.at(c, (np.arange(len(used)), a), 1)
                np.subtract.at(c, (np.arange(len(used)), b), 1)
            at = np.arange(len(used))
            p = genotype_probability(c[at, a], c[at, b], c.sum(axis=1), a == b, n_alleles[used])
            out[r, g] = float(np.log(p).sum())
    weight = np.exp(out - out.max(axis=1, keepdims=True))
    return GroupAssignment(
        groups,
        out,
        weight / weight.sum(axis=1, keepdims=True),
        genotypes.typed[:, rows].sum(axis=0).astype(np.int64),
    )
