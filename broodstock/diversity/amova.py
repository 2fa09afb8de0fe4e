"""Analysis of molecular variance: how much of the variation lies among groups, populations and fish."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from broodstock.arrays import MISSING, BigIntArray, FloatArray
from broodstock.diversity.groups import Label
from broodstock.errors import ShapeError, UsageError, ValueRangeError
from broodstock.estimates import Estimate
from broodstock.genotypes.genotype_set import GenotypeSet


@dataclass(frozen=True, slots=True)
class VarianceLevel:
    """One level of the hierarchy.

    Parameters
    ----------
    name : {'among groups', 'among populations within groups', 'among populations', 'within populations'}
        Level.
    degrees_of_freedom : int
        Degrees of freedom.
    sum_of_squares : float
        Sum of squared deviations.
    variance : float
        Variance component; may be negative, which means none was found.
    percent : float or None
        Share of the total variance, per cent; None when the total is 0.
    """

    name: str
    degrees_of_freedom: int
    sum_of_squares: float
    variance: float
    percent: float | None


@dataclass(frozen=True, slots=True)
class FixationIndex:
    """One fixation index with the permutation test of its variance component.

    Parameters
    ----------
    estimate : Estimate
        Value; without interval, since units are permuted and not resampled.
    p_value : float or None
        Share of permutations that reach the variance component, the observed one counted; None when none
        was made or only one arrangement exists.
    permuted : str
        What was permuted.
    """

    estimate: Estimate
    p_value: float | None
    permuted: str


@dataclass(frozen=True, slots=True)
class Amova:
    """Table of an analysis of molecular variance.

    Parameters
    ----------
    levels : tuple of VarianceLevel
        From the widest to the narrowest.
    total_sum_of_squares : float
        Sum over levels.
    phi_st : FixationIndex
        Share of the variance that lies between populations, in groups or not.
    phi_sc, phi_ct : FixationIndex or None
        Share between populations within groups, and between groups; None without groups.
    coefficients : tuple of float
        Average sample sizes n (or n, n', n'') of the expected mean squares.
    n_permutations : int
        Permutations made.
    """

    levels: tuple[VarianceLevel, ...]
    total_sum_of_squares: float
    phi_st: FixationIndex
    phi_sc: FixationIndex | None
    phi_ct: FixationIndex | None
    coefficients: tuple[float, ...]
    n_permutations: int


def amova(
    squared_distances: np.ndarray,
    kinds: Sequence[int] | np.ndarray,
    populations: Sequence[Label],
    groups: Mapping[Label, Label] | None = None,
    *,
    n_permutations: int = 999,
    seed: int | np.random.Generator = 1,
) -> Amova:
    """Partition molecular variance over populations, and over groups of populations if given.

    Parameters
    ----------
    squared_distances : array_like, float64, shape (n_kinds, n_kinds)
        Squared distances between kinds of units (haplotypes, or fish, each its own kind); symmetric, 0 on
        the diagonal, 0 or more. For haplotypes usually the number of differences.
    kinds : sequence of int, shape (n_units,)
        Kind of each unit, a row of `squared_distances`.
    populations : sequence of str or int, shape (n_units,)
        Population of each unit.
    groups : mapping of str or int to str or int, optional
        Group of each population, for three levels.
    n_permutations : int
        Permutations for each P value; 0 for none.
    seed : int or numpy.random.Generator
        Source of random numbers.

    Returns
    -------
    Amova

    Raises
    ------
    ShapeError
        If the arrays do not fit together.
    UsageError
        If a population has no group, there are fewer than two populations (with groups: fewer than two
        groups, or no group of two populations), or `n_permutations` is negative.
    ValueRangeError
        If distances are not finite, symmetric and 0 or more with a diagonal of 0, or a kind is not a row.

    Notes
    -----
    For the test among groups whole populations are moved between groups; within groups units are moved
    between populations of the same group; over all, units are moved anywhere.

    References
    ----------
    .. [1] Excoffier, Smouse & Quattro (1992), Genetics 131:479-491.
    """
    d = _checked_distances(squared_distances)
    k = np.asarray(kinds, dtype=np.int64)
    if k.ndim != 1 or len(k) != len(populations):
        raise ShapeError(
            f"molecular variance: found {k.size} units and {len(populations)} populations. Expected one "
            "population per unit. Leave out units of unknown population."
        )
    if k.size and (k.min() < 0 or k.max() >= len(d)):
        raise ValueRangeError(
            f"molecular variance: found kind {int(k.max())}. Expected 0 to {len(d) - 1}, rows of the distances. "
            "Number the kinds from 0."
        )
    if n_permutations < 0:
        raise UsageError(
            f"molecular variance: found {n_permutations} permutations. Expected 0 or more. Give 0 for no P value."
        )
    names = list(dict.fromkeys(populations))
    population = np.array([names.index(p) for p in populations], dtype=np.int64)
    rng = np.random.default_rng(seed)
    if groups is None:
        if len(names) < 2 or len(k) <= len(names):
            raise UsageError(
                f"molecular variance: found {len(names)} populations with {len(k)} units. Expected two "
                "populations or more, and more units than populations. Add samples."
            )
        return _two_levels(d, k, population, len(names), n_permutations, rng)
    return _three_levels(d, k, population, _group_numbers(names, groups, len(k)), n_permutations, rng)


def _checked_distances(squared_distances: np.ndarray) -> FloatArray:
    d = np.asarray(squared_distances, dtype=np.float64)
    if d.ndim != 2 or d.shape[0] != d.shape[1]:
        raise ShapeError(
            f"squared distances: found shape {d.shape}. Expected a square matrix. Give one row per kind."
        )
    if not np.isfinite(d).all() or (d < 0).any() or (np.diag(d) != 0).any() or not np.allclose(d, d.T):
        raise ValueRangeError(
            "squared distances: found values that are negative, not symmetric, not finite, or not 0 on the "
            "diagonal. Expected distances of each pair both ways. Compute them again."
        )
    return d


def _group_numbers(names: list[Label], groups: Mapping[Label, Label], n_units: int) -> BigIntArray:
    lost = [str(n) for n in names if n not in groups]
    if lost:
        raise UsageError(
            f"molecular variance: found no group for population {', '.join(lost)}. Expected a group for every "
            "population. Add it, or leave the groups out."
        )
    group_names = list(dict.fromkeys(groups[n] for n in names))
    group_of = np.array([group_names.index(groups[n]) for n in names], dtype=np.int64)
    if len(group_names) < 2 or len(names) <= len(group_names) or n_units <= len(names):
        raise UsageError(
            f"molecular variance: found {len(group_names)} groups of {len(names)} populations with {n_units} "
            "units. Expected two groups or more, one of them with two populations or more, and more units "
            "than populations. Leave the groups out or add samples."
        )
    return group_of


def _population_sums(d: FloatArray, counts: FloatArray) -> FloatArray:
    """Return sums of squared distances between units of each pair of populations, shape (..., P, P)."""
    return np.asarray((counts @ d) @ np.swapaxes(counts, -1, -2))


def _counts(kinds: BigIntArray, population: np.ndarray, n_populations: int, n_kinds: int) -> FloatArray:
    """Units of each kind in each population, shape (..., P, K); `population` may have leading axes."""
    rows = population.reshape(-1, len(kinds))
    cell = np.arange(len(rows))[:, None] * (n_populations * n_kinds) + rows * n_kinds + kinds
    flat = np.bincount(cell.ravel(), minlength=len(rows) * n_populations * n_kinds).astype(np.float64)
    return flat.reshape(*population.shape[:-1], n_populations, n_kinds)


def _two_levels(
    d: FloatArray,
    kinds: BigIntArray,
    population: BigIntArray,
    n_populations: int,
    n_permutations: int,
    rng: np.random.Generator,
) -> Amova:
    n = np.bincount(population, minlength=n_populations).astype(np.float64)
    total = n.sum()
    n0 = (total - (n**2).sum() / total) / (n_populations - 1)
    df = (n_populations - 1, int(total) - n_populations)

    def components(counts: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        sums = _population_sums(d, counts)
        within = (np.diagonal(sums, axis1=-2, axis2=-1) / (2 * n)).sum(axis=-1)
        among = sums.sum(axis=(-2, -1)) / (2 * total) - within
        v_within = within / df[1]
        return among, within, (among / df[0] - v_within) / n0, v_within

    among, within, v_among, v_within = (
        float(x) for x in components(_counts(kinds, population, n_populations, len(d)))
    )
    p_value = None
    if n_permutations:
        reached = 0
        for shuffled in _shuffles(population, n_permutations, n_populations * len(d), rng):
            permuted = components(_counts(kinds, shuffled, n_populations, len(d)))[2]
            reached += int((permuted >= v_among - 1e-12).sum())
        p_value = (1 + reached) / (1 + n_permutations)
    levels = _levels(("among populations", "within populations"), df, (among, within), (v_among, v_within))
    phi_st = _index("Phi st", v_among, v_among + v_within, p_value, "units among populations", int(total))
    return Amova(levels, among + within, phi_st, None, None, (float(n0),), n_permutations)


def _three_levels(
    d: FloatArray,
    kinds: BigIntArray,
    population: BigIntArray,
    group_of: BigIntArray,
    n_permutations: int,
    rng: np.random.Generator,
) -> Amova:
    n_populations = len(group_of)
    own = _counts(kinds, population, n_populations, len(d))
    n = own.sum(axis=1)
    sizes = _group_sizes(n, group_of)
    design = _Design(n, group_of, sizes)
    squares, variances = design.components(_population_sums(d, own))
    p_values: list[float | None] = [None, None, None]
    if n_permutations:
        p_values = [
            _p_over_units(d, kinds, population, design, variances, n_permutations, rng),
            _p_within_groups(d, kinds, population, design, variances, n_permutations, rng),
            _p_of_populations(_population_sums(d, own), design, variances, n_permutations, rng),
        ]
    a, b, c = variances
    levels = _levels(
        ("among groups", "among populations within groups", "within populations"),
        design.degrees_of_freedom,
        squares,
        variances,
    )
    n_units = int(n.sum())
    return Amova(
        levels,
        float(sum(squares)),
        _index("Phi st", a + b, a + b + c, p_values[0], "units among all populations", n_units),
        _index("Phi sc", b, b + c, p_values[1], "units among populations of a group", n_units),
        _index("Phi ct", a, a + b + c, p_values[2], "whole populations among groups", n_units),
        design.coefficients,
        n_permutations,
    )


def _group_sizes(n: FloatArray, group_of: BigIntArray) -> FloatArray:
    return np.bincount(group_of, weights=n).astype(np.float64)


@dataclass(frozen=True)
class _Design:
    """Sample sizes of a three-level analysis and what follows from them."""

    n: FloatArray
    group_of: BigIntArray
    sizes: FloatArray

    @property
    def degrees_of_freedom(self) -> tuple[int, int, int]:
        n_groups, n_populations = len(self.sizes), len(self.n)
        return n_groups - 1, n_populations - n_groups, int(self.n.sum()) - n_populations

    @property
    def coefficients(self) -> tuple[float, float, float]:
        total = self.n.sum()
        by_group = (self.n**2 / self.sizes[self.group_of]).sum()
        df = self.degrees_of_freedom
        return (
            float((total - by_group) / df[1]),
            float((by_group - (self.n**2).sum() / total) / df[0]),
            float((total - (self.sizes**2).sum() / total) / df[0]),
        )

    def components(self, sums: FloatArray) -> tuple[tuple[float, float, float], tuple[float, float, float]]:
        """Return sums of squares and variance components, widest level first."""
        squares, variances = self.many(sums[None])
        return tuple(float(x[0]) for x in squares), tuple(float(x[0]) for x in variances)  # type: ignore[return-value]

    def many(
        self, sums: FloatArray
    ) -> tuple[tuple[FloatArray, FloatArray, FloatArray], tuple[FloatArray, FloatArray, FloatArray]]:
        """Return the same for many matrices of sums, shape (R, P, P)."""
        same_group = self.group_of[:, None] == self.group_of
        share = same_group / (2 * self.sizes[self.group_of])
        within = (np.diagonal(sums, axis1=1, axis2=2) / (2 * self.n)).sum(axis=1)
        in_groups = (sums * share).sum(axis=(1, 2))
        total = sums.sum(axis=(1, 2)) / (2 * self.n.sum())
        squares = (total - in_groups, in_groups - within, within)
        df, (n0, n1, n2) = self.degrees_of_freedom, self.coefficients
        c = within / df[2]
        b = (squares[1] / df[1] - c) / n0
        a = (squares[0] / df[0] - c - n1 * b) / n2
        return squares, (a, b, c)


def _shuffles(labels: np.ndarray, n: int, cells: int, rng: np.random.Generator) -> list[np.ndarray]:
    """Permuted copies of a label vector, in chunks that keep the count arrays small."""
    chunk = max(1, 1_000_000 // max(1, cells))
    sizes = [min(chunk, n - start) for start in range(0, n, chunk)]
    return [rng.permuted(np.broadcast_to(labels, (rows, len(labels))), axis=1) for rows in sizes]


def _p_over_units(
    d: FloatArray,
    kinds: BigIntArray,
    population: BigIntArray,
    design: _Design,
    observed: tuple[float, float, float],
    n_permutations: int,
    rng: np.random.Generator,
) -> float:
    reached = 0
    n_populations = len(design.n)
    for shuffled in _shuffles(population, n_permutations, n_populations * len(d), rng):
        _, (a, b, _) = design.many(_population_sums(d, _counts(kinds, shuffled, n_populations, len(d))))
        reached += int((a + b >= observed[0] + observed[1] - 1e-12).sum())
    return (1 + reached) / (1 + n_permutations)


def _p_within_groups(
    d: FloatArray,
    kinds: BigIntArray,
    population: BigIntArray,
    design: _Design,
    observed: tuple[float, float, float],
    n_permutations: int,
    rng: np.random.Generator,
) -> float:
    reached = 0
    n_populations = len(design.n)
    unit_group = design.group_of[population]
    for start in _shuffles(population, n_permutations, n_populations * len(d), rng):
        shuffled = np.empty_like(start)
        for g in range(len(design.sizes)):
            inside = np.flatnonzero(unit_group == g)
            labels = np.broadcast_to(population[inside], (len(start), len(inside)))
            shuffled[:, inside] = rng.permuted(labels, axis=1)
        _, (_, b, _) = design.many(_population_sums(d, _counts(kinds, shuffled, n_populations, len(d))))
        reached += int((b >= observed[1] - 1e-12).sum())
    return (1 + reached) / (1 + n_permutations)


def _p_of_populations(
    sums: FloatArray,
    design: _Design,
    observed: tuple[float, float, float],
    n_permutations: int,
    rng: np.random.Generator,
) -> float:
    reached = 0
    for _ in range(n_permutations):
        group_of = rng.permutation(design.group_of)
        moved = _Design(design.n, group_of, _group_sizes(design.n, group_of))
        reached += moved.components(sums)[1][0] >= observed[0] - 1e-12
    return (1 + int(reached)) / (1 + n_permutations)


def _levels(
    names: tuple[str, ...],
    df: tuple[int, ...],
    squares: tuple[float, ...],
    variances: tuple[float, ...],
) -> tuple[VarianceLevel, ...]:
    total = sum(variances)
    return tuple(
        VarianceLevel(name, f, s, v, 100.0 * v / total if total > 0 else None)
        for name, f, s, v in zip(names, df, squares, variances, strict=True)
    )


def _index(
    name: str, part: float, whole: float, p_value: float | None, permuted: str, n_units: int
) -> FixationIndex:
    words = f"{name} (Excoffier, Smouse & Quattro 1992)"
    if whole <= 0:
        none = Estimate.not_estimable("there is no variation among the units", words, n_units, "units")
        return FixationIndex(none, None, permuted)
    note = "Tested by permutation; no interval."
    return FixationIndex(
        Estimate(part / whole, method=words, n_used=n_units, unit_used="units", note=note), p_value, permuted
    )


def genotype_squared_distances(genotypes: GenotypeSet) -> FloatArray:
    """Squared distances between fish from allele copies, for an analysis with fish as units.

    Parameters
    ----------
    genotypes : GenotypeSet
        Calls; only neutral loci are used.

    Returns
    -------
    ndarray, float64, shape (n_samples, n_samples)
        Half the sum over alleles of squared differences in copies, averaged over the loci typed in both
        fish and multiplied by the number of loci.

    Raises
    ------
    ValueRangeError
        If two fish share no typed locus, or the set has no neutral loci.

    References
    ----------
    .. [1] Smouse & Peakall (1999), Heredity 82:561-573.
    """
    neutral = genotypes.with_role("neutral")
    if neutral.n_loci == 0:
        raise ValueRangeError(
            "distances between fish: found no neutral loci. Expected one or more. Check the roles of the loci."
        )
    n = neutral.n_samples
    typed = neutral.typed.T.astype(np.float64)
    squares = np.zeros((n, n))
    for calls, names in zip(neutral.calls, neutral.alleles, strict=True):
        x = (calls[:, :, None] == np.arange(len(names))).sum(axis=1).astype(np.float64)
        known = (calls[:, 0] != MISSING).astype(np.float64)
        own = (x**2).sum(axis=1) * known
        both = known[:, None] * own
        squares += both + both.T - 2 * (x @ x.T)
    shared = typed @ typed.T
    if (shared == 0).any():
        i, j = np.argwhere(shared == 0)[0]
        raise ValueRangeError(
            f"distances between fish: found samples {neutral.samples[i]!r} and {neutral.samples[j]!r} without a "
            "locus typed in both. Expected one or more. Leave out fish with few calls."
        )
    distances = squares / 2 / shared * neutral.n_loci
    np.fill_diagonal(distances, 0.0)
    return np.asarray(np.maximum((distances + distances.T) / 2, 0.0))
