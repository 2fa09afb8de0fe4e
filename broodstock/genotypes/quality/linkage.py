"""Association between locus pairs: composite correlation of alleles, any number of alleles.

For two alleles each, the statistic is n times the squared correlation of allele doses (composite
disequilibrium, Weir 1979); for more alleles it sums over all pairs of alleles (Zaykin, Pudovkin & Weir 2008):

    T = (k - 1)(l - 1) / (k l) * sum over alleles of n r^2,   chi-square with (k - 1)(l - 1) degrees of freedom.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from broodstock.arrays import BoolArray, FloatArray, IntArray
from broodstock.genotypes.genotype_set import GenotypeSet
from broodstock.genotypes.quality.false_discovery import benjamini_hochberg


@dataclass(frozen=True)
class LinkageTests:
    """Tests of all pairs of variable loci; arrays of shape (n_pairs,).

    Parameters
    ----------
    first, second : ndarray, int32
        Positions of the two loci in the set.
    n_fish : ndarray, int32
        Fish typed at both.
    r_squared : ndarray, float64
        Mean over pairs of alleles of the squared correlation of doses.
    statistic : ndarray, float64
        T.
    degrees : ndarray, int32
        Degrees of freedom.
    p_value, adjusted : ndarray, float64
        Chi-square probability, and after Benjamini & Hochberg.
    n_untestable : int
        Pairs left out because a locus does not vary among fish typed at both, or fewer than `min_fish` are.
    """

    first: IntArray
    second: IntArray
    n_fish: IntArray
    r_squared: FloatArray
    statistic: FloatArray
    degrees: IntArray
    p_value: FloatArray
    adjusted: FloatArray
    n_untestable: int

    def associated(self, level: float = 0.05) -> BoolArray:
        """Return the pairs associated at a false discovery rate."""
        found: BoolArray = self.adjusted <= level
        return found


def linkage_tests(
    genotypes: GenotypeSet, samples: Sequence[int] | np.ndarray | None = None, min_fish: int = 10
) -> LinkageTests:
    """Test every pair of loci for association.

    Parameters
    ----------
    genotypes : GenotypeSet
        Calls.
    samples : sequence of int, optional
        Positions of the fish to use. Choose one population without close relatives: families and mixtures of
        populations make unlinked loci look associated. Default: all.
    min_fish : int
        Pairs with fewer fish typed at both loci are left out.

    Returns
    -------
    LinkageTests

    References
    ----------
    .. [1] Weir (1979), Biometrics 35, 235-254.
    .. [2] Zaykin, Pudovkin & Weir (2008), Genetics 180, 533-545.
    """
    from scipy.special import chdtrc

    part = genotypes if samples is None else genotypes.take(samples=samples)
    seen = part.allele_counts() > 0
    loci = np.flatnonzero(seen.sum(axis=1) >= 2)
    columns = [(k, a) for k in loci for a in np.flatnonzero(seen[k])]
    n_alleles = seen[loci].sum(axis=1).astype(np.int64)
    starts = np.concatenate([[0], np.cumsum(n_alleles)])[:-1]
    n_pairs = len(loci) * (len(loci) - 1) // 2
    if n_pairs == 0 or part.n_samples == 0:
        none = np.zeros(0)
        whole = np.zeros(0, np.int32)
        return LinkageTests(whole, whole, whole, none, none, whole, none, none, n_pairs)
    doses = np.stack([(part.calls[k] == a).sum(axis=1) for k, a in columns], axis=1).astype(np.float64)
    typed = part.typed[loci].T.astype(np.float64)
    owner = np.repeat(np.arange(len(loci)), n_alleles)
    n = (typed.T @ typed)[np.ix_(owner, owner)]
    sums = doses.T @ typed[:, owner]
    squares = (doses**2).T @ typed[:, owner]
    products = doses.T @ doses
    # Row: allele of the first locus summed over fish typed at both; column: the other locus's allele.
    covariance = products - sums * sums.T / np.maximum(n, 1)
    spread = squares - sums**2 / np.maximum(n, 1)
    both = spread * spread.T
    squared = np.where(both > 1e-9, covariance**2 / np.where(both > 1e-9, both, 1.0), 0.0)
    total = np.add.reduceat(np.add.reduceat(squared, starts, axis=0), starts, axis=1)
    varies = np.add.reduceat(
        np.add.reduceat((spread > 1e-9).astype(np.float64), starts, axis=0), starts, axis=1
    )
    # Alleles of a locus that vary among the fish typed at the other one; every column block repeats them.
    k_alleles = np.rint(varies / n_alleles[None, :]).astype(np.int64)
    i, j = np.triu_indices(len(loci), 1)
    k, m = k_alleles[i, j], k_alleles[j, i]
    fish = n[starts[i], starts[j]].astype(np.int32)
    good = (k >= 2) & (m >= 2) & (fish >= min_fish)
    i, j, k, m, fish = i[good], j[good], k[good], m[good], fish[good]
    degrees = ((k - 1) * (m - 1)).astype(np.int32)
    share = total[i, j] / (k * m)
    statistic = fish * degrees * share
    p_value = np.clip(chdtrc(degrees, statistic), 0.0, 1.0)
    return LinkageTests(
        loci[i].astype(np.int32),
        loci[j].astype(np.int32),
        fish,
        share,
        statistic,
        degrees,
        p_value,
        benjamini_hochberg(p_value),
        int((~good).sum()),
    )
