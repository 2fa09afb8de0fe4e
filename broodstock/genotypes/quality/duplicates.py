"""Samples with the same genotype: replicates, one fish under two names, the same clip twice."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from broodstock.arrays import FloatArray
from broodstock.errors import UsageError
from broodstock.genotypes.genotype_set import GenotypeSet
from broodstock.genotypes.quality import _duplicate_kernels as _kernels

SAME_FISH, TWO_NAMES, DIFFERENT, POOR, UNNAMED = (
    "same fish, as recorded",
    "one genotype, two fish on record",
    "one fish on record, two genotypes",
    "same fish, poorly typed",
    "one genotype, identity not on record",
)


@dataclass(frozen=True, slots=True)
class SamplePair:
    """Two samples that match, or that should and do not.

    Parameters
    ----------
    first, second : str
        Sample names.
    mismatches, compared : int
        Loci with different genotypes, and loci typed in both.
    verdict : str
        ``same fish, as recorded``, ``one genotype, two fish on record``, ``one fish on record, two
        genotypes``, ``same fish, poorly typed`` (one fish on record, differing more than allowed but less
        than half as much as full sibs would) or ``one genotype, identity not on record``.
    sib_chance : float
        Probability that two full sibs match by chance at every locus compared (Waits et al. 2001).
    """

    first: str
    second: str
    mismatches: int
    compared: int
    verdict: str
    sib_chance: float


def genotype_codes(genotypes: GenotypeSet) -> np.ndarray:
    """Return one number per genotype regardless of allele order, int32, shape (n_samples, n_loci); -1 missing."""
    calls = genotypes.calls.astype(np.int32)
    low, high = calls.min(axis=2), calls.max(axis=2)
    codes = np.where(low < 0, -1, high * (high + 1) // 2 + low)
    return np.ascontiguousarray(codes.T, dtype=np.int32)


def identity_chance_of_sibs(genotypes: GenotypeSet) -> FloatArray:
    """Probability per locus that two full sibs have the same genotype.

    Returns
    -------
    ndarray, float64, shape (n_loci,)
        1/4 + a/2 + a^2/2 - b/4 with a and b the sums of second and fourth powers of the allele frequencies;
        1 where nobody is typed.

    References
    ----------
    .. [1] Waits, Luikart & Taberlet (2001), Molecular Ecology 10, 249-256.
    """
    counts = genotypes.allele_counts().astype(np.float64)
    n = counts.sum(axis=1)
    p = counts / np.maximum(n, 1)[:, None]
    a, b = (p**2).sum(axis=1), (p**4).sum(axis=1)
    return np.where(n > 0, 0.25 + 0.5 * a + 0.5 * a**2 - 0.25 * b, 1.0)


def matching_pairs(
    genotypes: GenotypeSet, max_mismatch: float = 0.03, min_compared: int = 10
) -> tuple[np.ndarray, np.ndarray]:
    """Find all pairs of samples whose genotypes differ at few loci.

    Parameters
    ----------
    genotypes : GenotypeSet
        Calls.
    max_mismatch : float
        Largest share of compared loci that may differ, 0 to 1.
    min_compared : int
        Loci that must be typed in both.

    Returns
    -------
    pairs : ndarray, int64, shape (n_pairs, 2)
        Positions, first below second, in order.
    counts : ndarray, int64, shape (n_pairs, 2)
        Mismatches and loci compared.

    Raises
    ------
    UsageError
        If `max_mismatch` is outside 0 to 1 or `min_compared` below 1.
    """
    if not 0 <= max_mismatch <= 1 or min_compared < 1:
        raise UsageError(
            f"duplicates: found max_mismatch {max_mismatch} and min_compared {min_compared}. Expected a share from 0 "
            "to 1 and at least 1 locus."
        )
    found = _kernels.matching(genotype_codes(genotypes), max_mismatch, min_compared)
    table = np.asarray(found, dtype=np.int64).reshape(-1, 4)
    return table[:, :2], table[:, 2:]


def duplicate_samples(
    genotypes: GenotypeSet,
    fish_of: Mapping[str, str] | None = None,
    max_mismatch: float = 0.03,
    min_compared: int = 10,
) -> tuple[SamplePair, ...]:
    """Compare matching genotypes with the identities on record.

    Parameters
    ----------
    genotypes : GenotypeSet
        Calls.
    fish_of : mapping of str to str, optional
        Fish by sample name. Samples of one fish should match; samples of two fish should not.
    max_mismatch, min_compared
        See `matching_pairs`.

    Returns
    -------
    tuple of SamplePair
        Matching pairs, then pairs of one fish that do not match (of those with enough loci), each in the
        order of the samples.

    Raises
    ------
    UsageError
        See `matching_pairs`.
    """
    known = fish_of or {}
    pairs, counts = matching_pairs(genotypes, max_mismatch, min_compared)
    sib_identity = identity_chance_of_sibs(genotypes)
    log_chance = np.log(np.maximum(sib_identity, 1e-300))
    typed = genotypes.typed
    names = genotypes.samples

    def describe(i: int, j: int, missed: int, compared: int, verdict: str) -> SamplePair:
        chance = float(np.exp(log_chance[typed[:, i] & typed[:, j]].sum()))
        return SamplePair(names[i], names[j], missed, compared, verdict, chance)

    out = []
    matched = set()
    for (i, j), (missed, compared) in zip(pairs.tolist(), counts.tolist(), strict=True):
        one, two = known.get(names[i]), known.get(names[j])
        verdict = UNNAMED if one is None or two is None else SAME_FISH if one == two else TWO_NAMES
        matched.add((i, j))
        out.append(describe(i, j, missed, compared, verdict))
    codes = genotype_codes(genotypes)
    for i, j in same_fish_pairs(genotypes, known):
        if (i, j) in matched:
            continue
        both = (codes[i] >= 0) & (codes[j] >= 0)
        compared = int(both.sum())
        if compared >= min_compared:
            missed = int((codes[i] != codes[j])[both].sum())
            sibs_would = float((1 - sib_identity[both]).sum())
            verdict = POOR if missed < 0.5 * sibs_would else DIFFERENT
            out.append(describe(i, j, missed, compared, verdict))
    return tuple(out)


def same_fish_pairs(genotypes: GenotypeSet, fish_of: Mapping[str, str]) -> list[tuple[int, int]]:
    """Return the pairs of sample positions that the records give to one fish, first below second, in order."""
    groups: dict[str, list[int]] = {}
    for i, name in enumerate(genotypes.samples):
        fish = fish_of.get(name)
        if fish is not None:
            groups.setdefault(fish, []).append(i)
    return sorted((a, b) for group in groups.values() for k, a in enumerate(group) for b in group[k + 1 :])
