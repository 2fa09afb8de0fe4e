"""Genotype calls of many fish at many loci, as one array with its labels."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from broodstock.arrays import MISSING, BigIntArray, BoolArray, CallArray
from broodstock.errors import ShapeError, ValueRangeError


@dataclass(frozen=True, slots=True)
class Locus:
    """One locus and what it is used for.

    Parameters
    ----------
    name : str
        Name, unique in a set.
    kind : {'snp', 'microsatellite'}
        Kind of marker.
    role : {'neutral', 'diagnostic', 'sex'}
        Only neutral loci enter diversity, kinship and effective size.
    linkage_group : str
        Chromosome or linkage group, empty if unknown.
    position : int
        Position on it (base pairs); -1 if unknown.
    foreign_allele : str
        Allele of the other species at a diagnostic locus.
    male_allele : str
        Allele that only males carry at a sex-linked locus.
    """

    name: str
    kind: str = "snp"
    role: str = "neutral"
    linkage_group: str = ""
    position: int = -1
    foreign_allele: str = ""
    male_allele: str = ""


@dataclass(frozen=True)
class GenotypeSet:
    """Diploid genotype calls.

    Parameters
    ----------
    samples : tuple of str
        Sample names, unique.
    loci : tuple of Locus
        Loci, names unique.
    alleles : tuple of tuple of str
        For each locus the allele names (``A``, ``G``; ``142``, ``146``); a call is a position in it.
    calls : ndarray, int16, shape (n_loci, n_samples, 2)
        Allele numbers; -1 where untyped. A call is whole or missing: half-missing calls are set missing by
        the readers and counted there. The order of the two alleles has no meaning.

    Raises
    ------
    ShapeError
        If labels and calls do not fit together.
    ValueRangeError
        If an allele number is outside the list of alleles, or a call is half missing.

    Examples
    --------
    Two fish at one locus; the second is not typed.

    >>> calls = np.array([[[0, 1], [-1, -1]]], dtype=np.int16)
    >>> found = GenotypeSet(("F-01", "F-02"), (Locus("L1"),), (("A", "G"),), calls)
    >>> found.n_loci, found.n_samples, found.typed.tolist()
    (1, 2, [[True, False]])
    """

    samples: tuple[str, ...]
    loci: tuple[Locus, ...]
    alleles: tuple[tuple[str, ...], ...]
    calls: CallArray

    def __post_init__(self) -> None:
        expected = (len(self.loci), len(self.samples), 2)
        if self.calls.shape != expected or len(self.alleles) != len(self.loci):
            raise ShapeError(
                f"genotypes: found calls of shape {self.calls.shape} and {len(self.alleles)} allele lists. "
                f"Expected {expected} and {len(self.loci)}."
            )
        if self.calls.size == 0:
            return
        half = (self.calls[..., 0] == MISSING) != (self.calls[..., 1] == MISSING)
        if half.any():
            locus, sample = np.argwhere(half)[0]
            raise ValueRangeError(
                f"genotypes, locus {self.loci[locus].name!r}, sample {self.samples[sample]!r}: found a "
                "half-missing call. Expected two alleles or none. Set the call missing."
            )
        top = self.calls.reshape(len(self.loci), -1).max(axis=1)
        sizes = np.array([len(a) for a in self.alleles])
        if (top >= sizes).any() or self.calls.min() < MISSING:
            locus = int(np.argmax((top >= sizes) | (self.calls.min(axis=(1, 2)) < MISSING)))
            raise ValueRangeError(
                f"genotypes, locus {self.loci[locus].name!r}: found allele numbers from "
                f"{int(self.calls[locus].min())} to {int(top[locus])}. Expected -1 to {sizes[locus] - 1}."
            )

    @property
    def n_loci(self) -> int:
        """Number of loci."""
        return len(self.loci)

    @property
    def n_samples(self) -> int:
        """Number of samples."""
        return len(self.samples)

    @cached_property
    def index(self) -> dict[str, int]:
        """Column number by sample name."""
        return {s: i for i, s in enumerate(self.samples)}

    @cached_property
    def typed(self) -> BoolArray:
        """True where a call was made, shape (n_loci, n_samples)."""
        return self.calls[..., 0] != MISSING

    def take(
        self,
        samples: Sequence[int] | np.ndarray | None = None,
        loci: Sequence[int] | np.ndarray | None = None,
    ) -> GenotypeSet:
        """Return the set for some samples and loci, given by position, in that order."""
        si = np.arange(self.n_samples) if samples is None else np.asarray(samples, dtype=np.int64)
        li = np.arange(self.n_loci) if loci is None else np.asarray(loci, dtype=np.int64)
        return replace(
            self,
            samples=tuple(self.samples[i] for i in si),
            loci=tuple(self.loci[i] for i in li),
            alleles=tuple(self.alleles[i] for i in li),
            calls=np.ascontiguousarray(self.calls[np.ix_(li, si)]),
        )

    def with_role(self, role: str) -> GenotypeSet:
        """Return the set of the loci that have one role, for example ``neutral``."""
        return self.take(loci=[i for i, locus in enumerate(self.loci) if locus.role == role])

    def allele_counts(self, samples: Sequence[int] | np.ndarray | None = None) -> BigIntArray:
        """Count alleles per locus.

        Parameters
        ----------
        samples : sequence of int, optional
            Positions of the samples to count; default all.

        Returns
        -------
        ndarray, int64, shape (n_loci, max_alleles)
            Gene copies of each allele; 0 beyond a locus's own alleles.
        """
        calls = self.calls if samples is None else self.calls[:, np.asarray(samples, dtype=np.int64)]
        width = max((len(a) for a in self.alleles), default=0)
        flat = calls.reshape(self.n_loci, 2 * calls.shape[1]).astype(np.int64)
        offset = np.arange(self.n_loci)[:, None] * (width + 1)
        counts = np.bincount((flat + 1 + offset).ravel(), minlength=self.n_loci * (width + 1))
        return counts.reshape(self.n_loci, width + 1)[:, 1:].astype(np.int64)
