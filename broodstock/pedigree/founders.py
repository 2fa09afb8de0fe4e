"""Founders: their shares in the living fish, and how many founders that is worth under each definition.

Numbers called "founder genome equivalents" in the literature follow definitions that are not equal; every function
here carries its definition in its name. An unknown parent of a fish whose other parent is known counts as one more
founder with that single offspring.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from statistics import NormalDist

import numpy as np
import numpy.typing as npt

from broodstock.arrays import MISSING, FloatArray, IntArray
from broodstock.errors import ValueRangeError
from broodstock.estimates import Estimate
from broodstock.pedigree.gene_drop import DropMeans, ancestors_only, check_drops, drop_chunks, entering_genes
from broodstock.pedigree.inbreeding import checked_parents
from broodstock.pedigree.kinship import checked_weights, group_kinship

_BATCHES = 50


@dataclass(frozen=True, slots=True)
class FounderShares:
    """Expected share of each founder in the genes of a group.

    Parameters
    ----------
    row : ndarray, int32, shape (n_founders,)
        Pedigree row of the founder; for an unknown parent the row of its offspring.
    unknown_side : ndarray, int8, shape (n_founders,)
        -1 for a founder in the pedigree; 0 (dam) or 1 (sire) for the unknown parent of the fish in `row`.
    share : ndarray, float64, shape (n_founders,)
        Shares, sum 1. Founders without descendants in the group have 0.
    """

    row: IntArray
    unknown_side: np.ndarray
    share: FloatArray


@dataclass(frozen=True, slots=True)
class EffectiveAncestors:
    """Ancestors taken one by one by the genes they add, and the number they are worth.

    Parameters
    ----------
    row : ndarray, int32, shape (n,)
        Pedigree row, greatest marginal contribution first; -1 for an unknown parent counted as founder.
    share : ndarray, float64, shape (n,)
        Marginal contributions, sum 1 (up to the tolerance asked for).
    number : float
        ``1 / sum(share ** 2)``.
    """

    row: IntArray
    share: FloatArray
    number: float


@dataclass(frozen=True)
class FounderSurvival:
    """What of the founders' genomes is still alive, by gene drop.

    Parameters
    ----------
    founders : FounderShares
        Founders and their expected shares.
    retention : DropMeans
        Share of each founder's own genes (two; one for an unknown parent, which is seen only through one gamete)
        of which a living fish carries a copy. Order of `founders`; ``retention.rows`` is ``founders.row``.
    uniqueness : DropMeans
        Share of each living fish's genes that no other living fish carries.
    square_sum : ndarray, float64, shape (n_drops,)
        Sum of squared gene frequencies among the living in each drop.
    batch_retention : ndarray, float64, shape (n_batches, n_founders)
        Retention in batches of drops, for Monte Carlo errors of functions of it.
    """

    founders: FounderShares
    retention: DropMeans
    uniqueness: DropMeans
    square_sum: FloatArray
    batch_retention: FloatArray

    @property
    def drops(self) -> int:
        """Number of drops."""
        return self.square_sum.size

    @cached_property
    def _genomes(self) -> FloatArray:
        """Genomes each founder could give: 1, or 1/2 for a parent seen through one gamete."""
        return np.where(self.founders.unknown_side == MISSING, 1.0, 0.5)

    def genomes_surviving(self, level: float = 0.95) -> Estimate:
        """Return the number of founder genomes of which copies are alive: the sum of retention over founders."""
        value = float(self._genomes @ self.retention.value)
        return self._estimate(
            value,
            self.batch_retention @ self._genomes,
            level,
            "sum over founders of the share of their genes still carried (gene drop)",
        )

    def genome_equivalents_contribution_retention(self, level: float = 0.95) -> Estimate:
        """Return founder genome equivalents after Lacy 1989: ``1 / sum(p ** 2 / r)``.

        p is the expected share of a founder, r its retention. For an unknown parent seen through one gamete r is
        taken of its two genes, so that it counts at most one half.
        """
        p, r = self.founders.share, self.retention.value * self._genomes
        counted = p > 0
        if (r[counted] <= 0).any():
            return Estimate.not_estimable(
                "a founder with descendants kept no gene in any drop; ask for more drops", n_used=self.drops
            )
        p, r = p[counted], r[counted]
        value = 1.0 / float((p**2 / r).sum())
        slope = value**2 * p**2 / r**2
        linear = (self.batch_retention[:, counted] * self._genomes[counted] - r) @ slope
        return self._estimate(value, value + linear, level, "1 / sum(p^2 / r), r by gene drop (Lacy 1989)")

    def genome_equivalents_mean_over_drops(self, level: float = 0.95) -> Estimate:
        """Return the mean over drops of ``1 / (2 sum f ** 2)``, f the gene frequencies of a drop.

        Effective number of founder genomes as used with gene drop (Boichard, Maignel & Verrier 1997). Larger than
        `genome_equivalents_expected_homozygosity`, because it averages the reciprocal.
        """
        each = 1.0 / (2.0 * self.square_sum)
        return self._estimate(
            float(each.mean()), _batch_means(each), level, "mean over drops of 1 / (2 sum f^2) (gene drop)"
        )

    def genome_equivalents_expected_homozygosity(self, level: float = 0.95) -> Estimate:
        """Return ``1 / (2 E[sum f ** 2])`` by gene drop; its exact value is 1 / (2 mean kinship)."""
        mean = float(self.square_sum.mean())
        linear = -(_batch_means(self.square_sum) - mean) / (2.0 * mean**2)
        value = 1.0 / (2.0 * mean)
        return self._estimate(value, value + linear, level, "1 / (2 mean over drops of sum f^2) (gene drop)")

    def _estimate(self, value: float, batches: FloatArray, level: float, method: str) -> Estimate:
        """Make an estimate whose interval is Monte Carlo error from batches of drops."""
        if batches.size < 2:
            return Estimate(
                value, method=method, n_used=self.drops, unit_used="drops", note="too few drops for an error"
            )
        error = float(batches.std(ddof=1)) / batches.size**0.5
        half = NormalDist().inv_cdf(0.5 + level / 2) * error
        return Estimate(
            value,
            max(0.0, value - half),
            value + half,
            method=method,
            n_used=self.drops,
            unit_used="drops",
            level=level,
            note="the interval shows simulation error only",
        )


def founder_shares(parents: npt.ArrayLike, weights: npt.ArrayLike) -> FounderShares:
    """Return the expected share of every founder in a group.

    Parameters
    ----------
    parents : array_like, integer, shape (n_fish, 2)
        Row numbers of the two parents, -1 unknown, parents first.
    weights : array_like, float64, shape (n_fish,)
        Weight of each fish in the group: 1 living, 0 not.

    Returns
    -------
    FounderShares

    Raises
    ------
    ShapeError
        If an array has another shape or type.
    ValueRangeError
        If a weight is negative or not finite, or none is positive.
    PedigreeError
        If a parent does not stand before its offspring.

    References
    ----------
    .. [1] Lacy, R. C. (1989), Zoo Biology 8, 111-123.

    Examples
    --------
    Two young of two founders and one young of one of these with a third:

    >>> shares = founder_shares([[-1, -1], [-1, -1], [-1, -1], [0, 1], [0, 2]], [0, 0, 0, 1, 1])
    >>> shares.share.tolist()
    [0.5, 0.25, 0.25]
    """
    from broodstock.pedigree.kernels import gather_up

    checked = checked_parents(parents)
    y = checked_weights(weights, len(checked), "weights") / float(np.sum(weights))
    gather_up(checked, y)
    row, side = _founder_places(checked)
    return FounderShares(row, side, np.where(side == MISSING, y[row], 0.5 * y[row]))


def founder_equivalents(shares: FounderShares | npt.ArrayLike) -> float:
    """Return founder equivalents ``1 / sum(p ** 2)``: equally used founders that would give as even a founder pool.

    Parameters
    ----------
    shares : FounderShares or array_like, float64
        Shares of founders, not negative, sum 1.

    Raises
    ------
    ValueRangeError
        If the shares are negative or do not sum to 1.

    Notes
    -----
    Ignores genes lost by drift on the way.

    References
    ----------
    .. [1] Lacy, R. C. (1989), Zoo Biology 8, 111-123.

    Examples
    --------
    >>> round(founder_equivalents([0.25, 0.25, 0.25, 0.25]), 6), round(founder_equivalents([0.5, 0.25, 0.25]), 6)
    (4.0, 2.666667)
    """
    p = shares.share if isinstance(shares, FounderShares) else np.asarray(shares, dtype=np.float64)
    if not (p >= 0).all() or not abs(float(p.sum()) - 1) < 1e-8:
        raise ValueRangeError(
            f"shares: found a sum of {p.sum():.6g}. Expected shares that are not negative, sum 1."
        )
    return 1.0 / float((p**2).sum())


def effective_ancestors(
    parents: npt.ArrayLike, weights: npt.ArrayLike, unexplained: float = 1e-9
) -> EffectiveAncestors:
    """Return the effective number of ancestors and the ancestors behind it.

    Parameters
    ----------
    parents : array_like, integer, shape (n_fish, 2)
        Row numbers of the two parents, -1 unknown, parents first.
    weights : array_like, float64, shape (n_fish,)
        Weight of each fish in the group.
    unexplained : float
        Stop when less than this share of the group's genes is left.

    Returns
    -------
    EffectiveAncestors

    Raises
    ------
    ShapeError
        If an array has another shape or type.
    ValueRangeError
        If a weight is negative or not finite, none is positive, or `unexplained` is not in 0 to 1.
    PedigreeError
        If a parent does not stand before its offspring.

    Notes
    -----
    The ancestor with the greatest contribution is taken, its parents are forgotten, contributions are corrected
    for what chosen ancestors already explain, and so on: a bottleneck after the founders shows. Fish of the group
    count as ancestors only through offspring that lead to the group; founders always count. Of equal contributions
    the fish of the lowest row is taken, which can change the number slightly. It usually, not always, lies
    below `founder_equivalents`. Work: fish x ancestors chosen.

    References
    ----------
    .. [1] Boichard, D., Maignel, L. & Verrier, E. (1997), Genetics Selection Evolution 29, 5-23.
    """
    from broodstock.pedigree.drop_kernels import marginal_ancestors

    checked = checked_parents(parents)
    w = checked_weights(weights, len(checked), "weights")
    if not 0 <= unexplained < 1:
        raise ValueRangeError(f"unexplained: found {unexplained}. Expected a share from 0 to below 1.")
    up, kept, _ = ancestors_only(checked, np.flatnonzero(w > 0))
    full, extra = with_phantom_founders(up)
    padded = np.concatenate([np.zeros(extra), w[kept] / w.sum()])
    row, share = marginal_ancestors(full, padded, max(unexplained, 1e-14))
    names = np.concatenate([np.full(extra, MISSING, np.int32), kept])
    return EffectiveAncestors(names[row], np.asarray(share), 1.0 / float((share**2).sum()))


def genome_equivalents_mean_kinship(
    parents: npt.ArrayLike, weights: npt.ArrayLike, F: npt.ArrayLike | None = None
) -> float:
    """Return founder genome equivalents ``1 / (2 mean kinship)``, self-kinship included.

    Parameters
    ----------
    parents : array_like, integer, shape (n_fish, 2)
        Row numbers of the two parents, -1 unknown, parents first.
    weights : array_like, float64, shape (n_fish,)
        Weight of each fish in the group.
    F : array_like, float64, shape (n_fish,), optional
        Inbreeding coefficients; computed when not given.

    Returns
    -------
    float
        Founders that would have the gene diversity of the group. Exact.

    Raises
    ------
    ShapeError
        If an array has another shape.
    ValueRangeError
        If a weight is negative or not finite, none is positive, or F is outside 0 to 1.
    PedigreeError
        If a parent does not stand before its offspring.

    References
    ----------
    .. [1] Lacy, R. C. (1995), Zoo Biology 14, 565-577.

    Examples
    --------
    Two unrelated founders are worth two; two of their young, with mean kinship 3/8, four thirds.

    >>> parents = [[-1, -1], [-1, -1], [0, 1], [0, 1]]
    >>> genome_equivalents_mean_kinship(parents, [1, 1, 0, 0])
    2.0
    >>> round(genome_equivalents_mean_kinship(parents, [0, 0, 1, 1]), 6)
    1.333333
    """
    return 1.0 / (2.0 * group_kinship(parents, weights, None, F, self_pairs=True))


def founder_survival(
    parents: npt.ArrayLike, weights: npt.ArrayLike, drops: int, rng: np.random.Generator | int
) -> FounderSurvival:
    """Follow founder genes to the living fish by gene drop.

    Parameters
    ----------
    parents : array_like, integer, shape (n_fish, 2)
        Row numbers of the two parents, -1 unknown, parents first.
    weights : array_like, float64, shape (n_fish,)
        Weight of each fish: all fish above 0 are living; the weights enter gene frequencies, not survival.
    drops : int
        Number of drops; 10 000 give retention to about 0.005.
    rng : numpy Generator or int
        Source of randomness, or a seed.

    Returns
    -------
    FounderSurvival

    Raises
    ------
    ShapeError
        If an array has another shape or type.
    ValueRangeError
        If a weight is negative or not finite, none is positive, or `drops` is below 1.
    PedigreeError
        If a parent does not stand before its offspring.

    Notes
    -----
    A row that stands for several sibs counts as one fish for survival: retention is then a lower limit.

    References
    ----------
    .. [1] MacCluer, J. W., VandeBerg, J. L., Read, B. & Ryder, O. A. (1986), Zoo Biology 5, 147-160.
    .. [2] Lacy, R. C. (1989), Zoo Biology 8, 111-123.
    """
    from broodstock.pedigree import drop_kernels as kernels

    checked = checked_parents(parents)
    w = checked_weights(weights, len(checked), "weights")
    check_drops(drops)
    random = np.random.default_rng(rng)
    living = np.flatnonzero(w > 0)
    up, kept, number = ancestors_only(checked, living)
    entering, gene_row, _ = entering_genes(up, kept)
    all_shares = founder_shares(checked, w)
    founders = _with_descendants(all_shares, kept)
    founder_of = _founder_of_gene(founders, checked, gene_row)
    genes_of = np.bincount(founder_of, minlength=founders.row.size).astype(np.float64)
    share = w[living] / w.sum()

    alive, unique, unique_squares, squares, sizes = [], np.zeros(living.size), np.zeros(living.size), [], []
    for size in drop_chunks(drops, 8 * len(up), least=_BATCHES):
        genes = kernels.drop(up, entering, size, int(random.integers(2**63)))
        carried = np.ascontiguousarray(genes[number[living]].transpose(2, 0, 1))
        kept_genes, uniques, uniques_squared, square = kernels.survival(
            carried, share, founder_of, founders.row.size
        )
        alive.append(kept_genes / (size * genes_of))
        unique += uniques
        unique_squares += uniques_squared
        squares.append(square)
        sizes.append(size)
    batches = np.array(alive)
    retention = np.average(batches, axis=0, weights=sizes)
    error = batches.std(axis=0, ddof=1) / len(sizes) ** 0.5 if len(sizes) > 1 else np.zeros_like(retention)
    mean = unique / drops
    unique_error = np.sqrt(np.maximum(unique_squares / drops - mean**2, 0) / drops)
    return FounderSurvival(
        founders,
        DropMeans(
            founders.row, retention, error, drops, "share of a founder's genes still carried (gene drop)"
        ),
        DropMeans(
            living.astype(np.int32), mean, unique_error, drops, "share of genes no other living fish carries"
        ),
        np.concatenate(squares),
        batches,
    )


def with_phantom_founders(parents: IntArray) -> tuple[IntArray, int]:
    """Write every unknown parent of a fish with one known parent as a founder of its own.

    Parameters
    ----------
    parents : ndarray, int32, shape (n_fish, 2)
        Checked parents.

    Returns
    -------
    full : ndarray, int32, shape (n_extra + n_fish, 2)
        The new founders first; row numbers of the fish grow by their number.
    n_extra : int
        Number of founders added.
    """
    half = np.flatnonzero((parents == MISSING).sum(axis=1) == 1)
    side = (parents[half] == MISSING).argmax(axis=1)
    full = np.where(parents == MISSING, MISSING, parents + half.size).astype(np.int32)
    full[half, side] = np.arange(half.size)
    return np.concatenate([np.full((half.size, 2), MISSING, np.int32), full]), int(half.size)


def _founder_places(parents: IntArray) -> tuple[IntArray, np.ndarray]:
    """Rows of founders and of fish with one unknown parent, in row order, with the unknown side (-1 founder)."""
    unknown = parents == MISSING
    row = np.flatnonzero(unknown.any(axis=1)).astype(np.int32)
    side = np.where(unknown[row].all(axis=1), MISSING, unknown[row].argmax(axis=1)).astype(np.int8)
    return row, side


def _with_descendants(shares: FounderShares, kept: IntArray) -> FounderShares:
    """Founders among the fish kept."""
    inside = np.isin(shares.row, kept)
    return FounderShares(shares.row[inside], shares.unknown_side[inside], shares.share[inside])


def _founder_of_gene(founders: FounderShares, parents: IntArray, gene_row: IntArray) -> IntArray:
    """Position in `founders` of the founder each entering gene belongs to."""
    at = np.full(len(parents), MISSING, np.int32)
    at[founders.row] = np.arange(founders.row.size)
    return at[gene_row]


def _batch_means(values: FloatArray) -> FloatArray:
    """Means of up to 50 batches of consecutive drops."""
    n = min(_BATCHES, values.size)
    return np.array([part.mean() for part in np.array_split(values, n)])
