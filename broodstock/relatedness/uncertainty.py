"""How sure marker kinship is: spread over loci, as tables ready for a plan that works with intervals."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np

from broodstock.arrays import BigIntArray, CallArray, FloatArray
from broodstock.errors import UsageError
from broodstock.genotypes.genotype_set import GenotypeSet
from broodstock.relatedness import allele_sharing, genomic, moments, robust, similarity_classes
from broodstock.relatedness.locus_table import LocusTable, locus_table

Estimator: TypeAlias = Literal[
    "allele sharing", "genomic", "lynch-ritland", "queller-goodnight", "wang", "robust", "loiselle"
]

_KINSHIP: dict[str, Callable[[LocusTable, FloatArray], FloatArray]] = {
    "allele sharing": allele_sharing.kinship_from_table,
    "genomic": lambda t, w: genomic.relationship_from_table(t, w) / 2,
    "lynch-ritland": lambda t, w: moments.lynch_ritland_from_table(t, w) / 2,
    "queller-goodnight": lambda t, w: moments.queller_goodnight_from_table(t, w) / 2,
    "wang": lambda t, w: similarity_classes.shared_genes_from_table(t, w).relatedness / 2,
    "robust": robust.robust_from_table,
    "loiselle": moments.loiselle_from_table,
}
_MOST_KEPT = 50_000_000
"""Numbers kept for percentile limits (200 MB); above it limits come from the standard error."""


@dataclass(frozen=True)
class KinshipUncertainty:
    """Kinship of all pairs with its sampling error over loci.

    Parameters
    ----------
    kinship, standard_error, lower, upper : ndarray, float64, shape (n_fish, n_fish)
        Symmetric, on the estimator's own base; self-kinship on the diagonal.
    level : float
        Coverage the limits aim at, pair by pair.
    method : str
        Estimator and kind of limits in plain words.
    n_loci : int
        Loci behind the numbers.
    """

    kinship: FloatArray
    standard_error: FloatArray
    lower: FloatArray
    upper: FloatArray
    level: float
    method: str
    n_loci: int

    def as_probabilities(self) -> KinshipUncertainty:
        """Return the tables cut to 0 to 1, self-kinship to at least 1/2, for a plan.

        The cut kinship is what a plan reads as the probability of identity by descent; a pair whose lower
        limit is 0 may be unrelated.
        """
        kinship, lower, upper = (_cut(t) for t in (self.kinship, self.lower, self.upper))
        return KinshipUncertainty(
            kinship,
            self.standard_error,
            lower,
            upper,
            self.level,
            f"{self.method}; cut to 0 to 1, self-kinship to at least 1/2",
            self.n_loci,
        )


def _cut(table: FloatArray) -> FloatArray:
    out = np.clip(table, 0, 1)
    diagonal = np.arange(len(out))
    out[diagonal, diagonal] = np.maximum(out[diagonal, diagonal], 0.5)
    return out


def kinship_with_uncertainty(
    genotypes: GenotypeSet | CallArray,
    estimator: Estimator = "allele sharing",
    *,
    frequency: FloatArray | None = None,
    n_bootstrap: int = 400,
    level: float = 0.95,
    seed: int | np.random.Generator = 1,
    by_linkage_group: bool = False,
    then: Callable[[FloatArray], FloatArray] | None = None,
) -> KinshipUncertainty:
    """Estimate marker kinship of all pairs with standard errors and limits over loci.

    Parameters
    ----------
    genotypes : GenotypeSet or ndarray of int, shape (n_loci, n_fish, 2)
        Calls, -1 where untyped; only neutral loci of a set are used.
    estimator : str
        One of ``allele sharing``, ``genomic``, ``lynch-ritland``, ``queller-goodnight``, ``wang``,
        ``robust``, ``loiselle``. Estimates of relatedness are halved to kinship.
    frequency : ndarray, float64, shape (n_loci, n_alleles), optional
        Reference frequencies (see `locus_table`). Default: observed. Not used by ``allele sharing`` and
        ``robust``.
    n_bootstrap : int
        Bootstrap draws, at least 50.
    level : float
        Coverage aimed at.
    seed : int or Generator
        Source of random numbers.
    by_linkage_group : bool
        Draw whole linkage groups instead of loci (loci without a group each count as one), which is right
        when loci are dense.
    then : callable, optional
        A step from the kinship of these fish to a table of any fish, applied to the estimate and to every
        draw, for example the blend with the pedigree.

    Returns
    -------
    KinshipUncertainty

    Raises
    ------
    UsageError
        If the estimator is not known, `level` is not between 0 and 1, or there are fewer than 50 draws.
    ShapeError, ValueRangeError
        As the estimator.

    Notes
    -----
    Each draw weights the loci with independent exponential numbers of mean 1 (the Bayesian bootstrap [1]_),
    so no pair ever loses all its loci. Limits are percentiles of the draws, or the estimate plus and minus
    the normal multiple of the standard error when the draws would not fit in memory. They cover the
    sampling of loci, not errors in reference frequencies from the sample.

    References
    ----------
    .. [1] Rubin (1981), Annals of Statistics 9:130-134.
    """
    if estimator not in _KINSHIP:
        raise UsageError(f"estimator: found {estimator!r}. Expected one of {', '.join(map(repr, _KINSHIP))}.")
    if not 0 < level < 1 or n_bootstrap < 50:
        raise UsageError(
            f"kinship uncertainty: found level {level} and {n_bootstrap} draws. Expected a level between 0 and "
            "1 and at least 50 draws."
        )
    table = locus_table(genotypes, frequency)
    blocks = _blocks(genotypes, table, by_linkage_group)
    step = then or (lambda kinship: kinship)
    of = _KINSHIP[estimator]
    estimate = step(of(table, np.ones(table.n_loci)))
    draws = _draws(table, of, step, blocks, n_bootstrap, np.random.default_rng(seed))
    error, lower, upper, how = _summarise(estimate, draws, n_bootstrap, level)
    unit = "linkage groups" if by_linkage_group else "loci"
    return KinshipUncertainty(
        estimate, error, lower, upper, level, f"{estimator}; {how} over {unit}", table.n_loci
    )


def kinship_draws(
    genotypes: GenotypeSet | CallArray,
    estimator: Estimator = "allele sharing",
    *,
    n_draws: int = 12,
    frequency: FloatArray | None = None,
    seed: int | np.random.Generator = 1,
    by_linkage_group: bool = False,
    then: Callable[[FloatArray], FloatArray] | None = None,
) -> Iterator[FloatArray]:
    """Return marker kinship of all pairs as it may be, one table a draw, for plans that mind its uncertainty.

    Parameters
    ----------
    genotypes, estimator, frequency, seed, by_linkage_group, then
        As in `kinship_with_uncertainty`, whose draws these are.
    n_draws : int
        Tables to draw, at least 1.

    Returns
    -------
    iterator of ndarray, float64, shape (n_fish, n_fish)
        One table at a time, so that large ones need not all be kept.

    Raises
    ------
    UsageError
        If the estimator is not known or `n_draws` is below 1.
    ShapeError, ValueRangeError
        As the estimator.
    """
    if estimator not in _KINSHIP:
        raise UsageError(f"estimator: found {estimator!r}. Expected one of {', '.join(map(repr, _KINSHIP))}.")
    if n_draws < 1:
        raise UsageError(f"kinship draws: found {n_draws}. Expected 1 or more.")
    table = locus_table(genotypes, frequency)
    blocks = _blocks(genotypes, table, by_linkage_group)
    step = then or (lambda kinship: kinship)
    return _draws(table, _KINSHIP[estimator], step, blocks, n_draws, np.random.default_rng(seed))


def _blocks(genotypes: GenotypeSet | CallArray, table: LocusTable, by_linkage_group: bool) -> BigIntArray:
    """Return the number of the block that each locus of the table is drawn with."""
    if not by_linkage_group:
        return np.arange(table.n_loci)
    if not isinstance(genotypes, GenotypeSet):
        raise UsageError(
            "kinship uncertainty: found a bare array and draws by linkage group. Expected a genotype set, "
            "which records the groups."
        )
    neutral = [i for i, locus in enumerate(genotypes.loci) if locus.role == "neutral"]
    kept = [i for i in neutral if genotypes.typed[i].any()]
    names = [genotypes.loci[i].linkage_group or f"alone {i}" for i in kept]
    return np.unique(names, return_inverse=True)[1].ravel().astype(np.int64)


def _draws(
    table: LocusTable,
    of: Callable[[LocusTable, FloatArray], FloatArray],
    step: Callable[[FloatArray], FloatArray],
    blocks: BigIntArray,
    n: int,
    rng: np.random.Generator,
) -> Iterator[FloatArray]:
    n_blocks = int(blocks.max()) + 1
    for _ in range(n):
        yield step(of(table, rng.exponential(size=n_blocks)[blocks]))


def _summarise(
    estimate: FloatArray, draws: Iterator[FloatArray], n: int, level: float
) -> tuple[FloatArray, FloatArray, FloatArray, str]:
    """Gather standard errors and limits from draws that pass by once."""
    rows, columns = np.triu_indices(len(estimate))
    keep = n * len(rows) <= _MOST_KEPT
    kept = np.empty((n, len(rows)), dtype=np.float32) if keep else None
    mean, squares = np.zeros(len(rows)), np.zeros(len(rows))
    for k, draw in enumerate(draws):
        values = draw[rows, columns]
        delta = values - mean
        mean += delta / (k + 1)
        squares += delta * (values - mean)
        if kept is not None:
            kept[k] = values
    error = np.sqrt(squares / (n - 1))
    if kept is not None:
        tail = (1 - level) / 2
        low, high = np.quantile(kept, [tail, 1 - tail], axis=0).astype(np.float64)
        how = "percentiles of a bootstrap"
    else:
        from scipy.special import ndtri

        reach = float(ndtri((1 + level) / 2)) * error
        point = estimate[rows, columns]
        low, high = point - reach, point + reach
        how = "normal limits from a bootstrap"
    size = len(estimate)
    return (
        _square(error, rows, columns, size),
        _square(low, rows, columns, size),
        _square(high, rows, columns, size),
        how,
    )


def _square(values: FloatArray, rows: BigIntArray, columns: BigIntArray, n: int) -> FloatArray:
    out = np.empty((n, n))
    out[rows, columns] = values
    out[columns, rows] = values
    return out
