"""Allele doses and frequencies in the form every marker estimator starts from."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from itertools import combinations, pairwise

import numpy as np

from broodstock.arrays import BigIntArray, BoolArray, CallArray, FloatArray
from broodstock.effective_size.allele_columns import neutral_calls
from broodstock.errors import ShapeError, ValueRangeError
from broodstock.genotypes.genotype_set import GenotypeSet


@dataclass(frozen=True)
class LocusTable:
    """Doses of every allele in every fish.

    Parameters
    ----------
    dose : ndarray, float64, shape (n_fish, n_columns)
        Copies of the allele; 0 where untyped (see `typed`). One column per allele of each locus.
    typed : ndarray, float64, shape (n_fish, n_loci)
        1 where a call was made, else 0.
    locus : ndarray, int64, shape (n_columns,)
        Locus of each column, rising.
    frequency : ndarray, float64, shape (n_columns,)
        Frequency of each allele, above 0; 1 in all over a locus.
    names : tuple of str
        Names of the fish, for messages.
    observed : bool
        True when the frequencies are those of these fish.
    """

    dose: FloatArray
    typed: FloatArray
    locus: BigIntArray
    frequency: FloatArray
    names: tuple[str, ...]
    observed: bool

    @property
    def n_fish(self) -> int:
        """Number of fish."""
        return self.dose.shape[0]

    @property
    def n_loci(self) -> int:
        """Number of loci with at least one typed fish."""
        return self.typed.shape[1]

    @cached_property
    def complete(self) -> bool:
        """True when every fish is typed at every locus."""
        return bool(self.typed.all())

    @cached_property
    def typed_columns(self) -> FloatArray:
        """Value of `typed` for each column, shape (n_fish, n_columns)."""
        return self.typed[:, self.locus]

    @property
    def n_alleles(self) -> BigIntArray:
        """Alleles per locus, shape (n_loci,)."""
        return np.bincount(self.locus, minlength=self.n_loci).astype(np.int64)

    @cached_property
    def heterozygote_kinds(self) -> tuple[FloatArray, BigIntArray]:
        """Which heterozygote each fish is: 1 in the column of its pair of alleles, and that column's locus.

        Returns
        -------
        kinds : ndarray, float64, shape (n_fish, n_kinds)
            Only pairs of alleles that some fish carries.
        locus : ndarray, int64, shape (n_kinds,)
        """
        het = self.dose == 1
        starts = np.append(np.flatnonzero(np.diff(self.locus, prepend=-1)), len(self.locus))
        kinds, loci = [], []
        for number, (first, end) in enumerate(pairwise(starts.tolist())):
            for a, b in combinations(range(first, end), 2):
                carried = het[:, a] & het[:, b]
                if carried.any():
                    kinds.append(carried)
                    loci.append(number)
        table = np.array(kinds, dtype=np.float64).reshape(len(kinds), self.n_fish).T
        return table, np.array(loci, dtype=np.int64)

    def per_locus(self, values: FloatArray) -> FloatArray:
        """Add a value per column up over the columns of each locus; last axis columns to loci."""
        starts = np.flatnonzero(np.diff(self.locus, prepend=-1))
        return np.asarray(np.add.reduceat(values, starts, axis=-1), dtype=np.float64)

    def power_sum(self, power: int) -> FloatArray:
        """Return the sum over alleles of frequency to a power, shape (n_loci,)."""
        return self.per_locus(self.frequency**power)

    def shared_weight(self, weight: FloatArray) -> FloatArray:
        """Sum a weight per locus over the loci typed in both fish of each pair.

        Parameters
        ----------
        weight : ndarray, float64, shape (n_loci,) or (k, n_loci)
            One or several weights per locus; several at once are faster.

        Returns
        -------
        ndarray, float64, shape (n_fish, n_fish) or (k, n_fish, n_fish)
        """
        if self.complete:
            shape = (*weight.shape[:-1], self.n_fish, self.n_fish)
            return np.broadcast_to(weight.sum(axis=-1)[..., None, None], shape).copy()
        weighted = (weight[..., None, :] * self.typed).reshape(-1, self.n_loci)
        return np.asarray(
            (weighted @ self.typed.T).reshape(*weight.shape[:-1], self.n_fish, self.n_fish), dtype=np.float64
        )


def locus_table(genotypes: GenotypeSet | CallArray, frequency: FloatArray | None = None) -> LocusTable:
    """Bring genotypes into the form that the estimators use.

    Parameters
    ----------
    genotypes : GenotypeSet or ndarray of int, shape (n_loci, n_fish, 2)
        Calls, -1 where untyped; only neutral loci of a set are used. Loci without any call are left out.
    frequency : ndarray, float64, shape (n_loci, n_alleles), optional
        Frequency of each allele number in the reference population, 1 in all per locus; 0 beyond a locus's
        alleles. Rows are those of `genotypes` after loci of other roles are dropped. Default: observed
        among these fish.

    Returns
    -------
    LocusTable

    Raises
    ------
    ShapeError
        If the calls or the frequencies have another shape.
    ValueRangeError
        If frequencies are negative, do not add to 1, or are 0 for an allele that a fish carries; if there
        is no typed locus; or if two fish have no typed locus in common.
    """
    calls, _ = neutral_calls(genotypes)
    n_loci, n_fish = calls.shape[:2]
    names = genotypes.samples if isinstance(genotypes, GenotypeSet) else tuple(str(i) for i in range(n_fish))
    typed = calls[..., 0] >= 0
    kept = typed.any(axis=1)
    if n_fish == 0 or not kept.any():
        raise ValueRangeError(
            "marker kinship: found no typed neutral locus. Expected at least one locus with calls."
        )
    width = int(calls.max()) + 1
    dose = np.array([(calls == a).sum(axis=2) for a in range(width)], dtype=np.float64).transpose(1, 0, 2)
    p = _observed(dose, typed) if frequency is None else _given(frequency, dose, n_loci)
    if p.shape[1] > width:
        dose = np.concatenate([dose, np.zeros((n_loci, p.shape[1] - width, n_fish))], axis=1)
    dose, p, typed = dose[kept], p[kept], typed[kept]
    column = p > 0
    table = LocusTable(
        dose=np.ascontiguousarray(dose[column].T),
        typed=np.ascontiguousarray(typed.T, dtype=np.float64),
        locus=np.nonzero(column)[0].astype(np.int64),
        frequency=p[column],
        names=names,
        observed=frequency is None,
    )
    _check_overlap(table)
    return table


def _observed(dose: FloatArray, typed: BoolArray) -> FloatArray:
    genes = 2 * np.maximum(typed.sum(axis=1), 1)
    return np.asarray(dose.sum(axis=2) / genes[:, None], dtype=np.float64)


def _given(frequency: FloatArray, dose: FloatArray, n_loci: int) -> FloatArray:
    p = np.asarray(frequency, dtype=np.float64)
    width = dose.shape[1]
    if p.ndim != 2 or p.shape[0] != n_loci or p.shape[1] < width:
        raise ShapeError(
            f"allele frequencies: found shape {p.shape}. Expected ({n_loci}, at least {width}): one row per "
            "locus, one column per allele number."
        )
    if not (p >= 0).all() or not np.allclose(p.sum(axis=1), 1, atol=1e-6):
        row = int(np.argmax(~(p >= 0).all(axis=1) | (np.abs(p.sum(axis=1) - 1) > 1e-6)))
        raise ValueRangeError(
            f"allele frequencies, locus {row}: found {p[row].tolist()}. Expected numbers of at least 0 that "
            "add to 1."
        )
    carried = dose.sum(axis=2) > 0
    missing = carried & (p[:, :width] == 0)
    if missing.any():
        row, allele = (int(i) for i in np.argwhere(missing)[0])
        raise ValueRangeError(
            f"allele frequencies, locus {row}: found frequency 0 for allele {allele}, which a fish carries. "
            "Expected a positive frequency. Add the fish to the reference or give the allele a small one."
        )
    return p


def _check_overlap(table: LocusTable) -> None:
    shared = table.shared_weight(np.ones(table.n_loci))
    if (shared <= 0).any():
        i, j = (int(k) for k in np.argwhere(shared <= 0)[0])
        raise ValueRangeError(
            f"marker kinship: found no locus typed in both {table.names[i]!r} and {table.names[j]!r}. "
            "Expected at least one. Leave fish with failed genotypes out."
        )


def checked_ratio(top: FloatArray, bottom: FloatArray, names: tuple[str, ...]) -> FloatArray:
    """Divide two tables of pairs, refusing pairs without information.

    Raises
    ------
    ValueRangeError
        Naming the first pair whose typed loci don't vary.
    """
    empty = np.abs(bottom) <= 1e-12
    if empty.any():
        i, j = (int(k) for k in np.argwhere(empty)[0])
        raise ValueRangeError(
            f"marker kinship: found no informative locus typed in both {names[i]!r} and {names[j]!r}. "
            "Expected a locus with at least two alleles. Type more loci or leave the fish out."
        )
    return np.asarray(top / bottom, dtype=np.float64)
