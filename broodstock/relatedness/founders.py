"""Kinship among founders from markers, ready to be handed down the pedigree."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from broodstock.arrays import BoolArray, CallArray, FloatArray
from broodstock.errors import ValueRangeError
from broodstock.genotypes.genotype_set import GenotypeSet
from broodstock.relatedness.allele_sharing import set_unrelated
from broodstock.relatedness.blend import founder_block
from broodstock.relatedness.uncertainty import KinshipUncertainty, kinship_with_uncertainty


@dataclass(frozen=True)
class FounderKinship:
    """Kinship among typed founders.

    Parameters
    ----------
    block : ndarray, float64, shape (n_founders, n_founders)
        Positive semidefinite, 0 for pairs counted as unrelated, self-kinship at least 1/2. For `blend.kinship_with_related_founders`.
    related : ndarray, bool, shape (n_founders, n_founders)
        Pairs that the markers show to be kin.
    raw : KinshipUncertainty
        Estimates with limits before any pair was set to 0, zero at the pairs taken as unrelated.
    lifted : float
        How far the lowest eigenvalue was below 0 before kinship between founders was lowered.
    """

    block: FloatArray
    related: BoolArray
    raw: KinshipUncertainty
    lifted: float


def founder_kinship(
    genotypes: GenotypeSet | CallArray,
    *,
    unrelated: float = 0.0,
    least: float = 0.0625,
    n_bootstrap: int = 400,
    level: float = 0.95,
    seed: int | np.random.Generator = 1,
    by_linkage_group: bool = False,
) -> FounderKinship:
    """Estimate which founders are kin, and how much.

    Parameters
    ----------
    genotypes : GenotypeSet or ndarray of int, shape (n_loci, n_founders, 2)
        Calls of the founders, -1 where untyped; only neutral loci of a set are used.
    unrelated : float
        Kinship, relative to the average pair of founders, of pairs that count as unrelated. 0 takes the
        average pair as unrelated, which suits founders of whom most are; lower (negative) when many are kin.
    least : float
        Pairs below this count as unrelated, at least 0. The default is first cousins.
    n_bootstrap, level, seed, by_linkage_group
        As `kinship_with_uncertainty`. A pair also counts as unrelated when its lower limit is not above 0.

    Returns
    -------
    FounderKinship

    Raises
    ------
    UsageError, ShapeError, ValueRangeError
        As `kinship_with_uncertainty`; also if `least` is not between 0 and 1 or `unrelated` is not below 1.

    Notes
    -----
    With few loci chance makes many pairs look related; limits of one pair at a time let about one
    unrelated pair in forty through, which is why small values are dropped as well.

    References
    ----------
    .. [1] Weir & Goudet (2017), Genetics 206:2085-2103 (the allele-sharing kinship used).
    """
    if not 0 <= least < 1:
        raise ValueRangeError(
            f"founders: found a least kinship of {least}. Expected a number from 0 to below 1."
        )
    raw = kinship_with_uncertainty(
        genotypes,
        "allele sharing",
        n_bootstrap=n_bootstrap,
        level=level,
        seed=seed,
        by_linkage_group=by_linkage_group,
        then=lambda k: set_unrelated(k, unrelated),
    )
    related = (raw.kinship >= least) & (raw.lower > 0)
    np.fill_diagonal(related, False)
    block, lifted = founder_block(raw.kinship, ~related)
    return FounderKinship(np.minimum(block, 1.0), related, raw, lifted)
