"""Full- and half-sib families among offspring of unknown parents, with posterior support.

The likelihood is that of the whole sample given a network of families: every family has two parents, a parent
may stand in several families of the other sex, the parents' genotypes are summed over their population
frequencies, and readings carry typing errors (group likelihoods after Thomas & Hill 2000, Smith, Herbinger &
Merry 2001 and Wang 2004). It is exact for families nested in half-sib groups, however deep, and loopy belief
propagation (Pearl 1988; Yedidia, Freeman & Weiss 2005) where several dams and sires are crossed with each
other. Families, and the dams and sires of families, follow Ewens' (1972) sampling formula, whose parameters
are estimated along.

Networks are sampled by moving single offspring and whole families (Gibbs sampling; Emery et al. 2001 and Neal
2000 for the scheme with parents summed out), from several random starts. Support is the share of samples that
agree; the answer shown is the sample nearest to the mean of all (least squares, Dahl 2006).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from broodstock.arrays import FloatArray, IntArray
from broodstock.errors import UsageError
from broodstock.estimates import Estimate
from broodstock.genotypes.genotype_set import GenotypeSet
from broodstock.parentage import _sibship_network as _network
from broodstock.parentage import _sibship_sampling as _sampling
from broodstock.parentage.error_model import ErrorModel
from broodstock.parentage.likelihood import positions
from broodstock.parentage.sibship_model import SibshipTables, sibship_tables

MATES = {"pairs": 0, "one sex": 1, "both sexes": 2}


@dataclass(frozen=True, slots=True)
class SibshipSettings:
    """How families are sampled.

    Parameters
    ----------
    mates : {'both sexes', 'one sex', 'pairs'}
        Whether a parent may have several mates: both sexes, only one of them, or neither.
    chains : int
        Random starts.
    burn_in, samples : int
        Sweeps thrown away and kept, in each chain.
    shortlist : int
        Parents tried in new combinations of two known parents.
    max_classes : int
        Alleles told apart at a locus; more are pooled into classes.
    min_loci : int
        Offspring with fewer typed loci are set aside.
    """

    mates: str = "both sexes"
    chains: int = 2
    burn_in: int = 20
    samples: int = 40
    shortlist: int = 12
    max_classes: int = 6
    min_loci: int = 10

    def check(self) -> None:
        """Check the settings.

        Raises
        ------
        UsageError
            Naming the first setting that cannot be used.
        """
        if self.mates not in MATES:
            raise UsageError(f"mates: found {self.mates!r}. Expected one of {', '.join(MATES)}.")
        for name, least in (
            ("chains", 1),
            ("burn_in", 0),
            ("samples", 1),
            ("shortlist", 2),
            ("max_classes", 2),
            ("min_loci", 1),
        ):
            if getattr(self, name) < least:
                raise UsageError(f"{name}: found {getattr(self, name)}. Expected {least} or more.")


@dataclass(frozen=True, slots=True)
class SibFamily:
    """One full-sib family.

    Parameters
    ----------
    name : str
        ``family 01``, largest first.
    members : tuple of str
        Sample names.
    parents : tuple of two str
        Names of its inferred parents.
    exact : float
        Share of the samples in which exactly these offspring form a family.
    together : float
        Mean posterior that two members are full sibs; 1 for a single offspring.
    nearest_other : float
        Largest mean posterior that an offspring outside is a full sib of the members; 0 if none is left.
    """

    name: str
    members: tuple[str, ...]
    parents: tuple[str, str]
    exact: float
    together: float
    nearest_other: float

    @property
    def word(self) -> str:
        """Return ``certain``, ``probable`` or ``uncertain``, by how far the members stand together and alone."""
        support = min(self.together, 1.0 - self.nearest_other)
        return "certain" if support >= 0.95 else "probable" if support >= 0.8 else "uncertain"


@dataclass(frozen=True, slots=True)
class InferredParent:
    """One parent nobody has seen.

    Parameters
    ----------
    name : str
        ``parent 01``, most offspring first.
    side : {0, 1}
        Parents of one family differ in it; which side is female is unknown, group by group.
    families : tuple of str
        Its families.
    offspring : tuple of str
        Its offspring.
    exact : float
        Share of the samples in which a parent has exactly these offspring.
    together : float
        Mean posterior that two of its offspring share a parent; 1 for a single offspring.
    """

    name: str
    side: int
    families: tuple[str, ...]
    offspring: tuple[str, ...]
    exact: float
    together: float


@dataclass(frozen=True)
class Sibships:
    """Families of a sample.

    Parameters
    ----------
    offspring : tuple of str
        Offspring placed, in the order of the arrays.
    set_aside : tuple of (str, str)
        Offspring not placed, with the reason.
    families : tuple of SibFamily
    parents : tuple of InferredParent
    full_sib, half_sib : ndarray, float64, shape (n, n)
        Posterior that two offspring are full sibs (half sibs); 0 on the diagonal.
    sampled_parents : ndarray, int32, shape (n_samples, n, 2)
        Parents of each offspring in every network sampled; numbers have meaning within a network only.
    n_families, n_parents : Estimate
        Posterior median with the central 95 % interval.
    chains_disagree : float
        Share of the pairs found full or half sibs by any chain on which the chains differ; 0 with one chain.
    log_likelihood : ndarray, float64, shape (n_chains, burn_in + samples)
        Log-likelihood after every sweep.
    settings : SibshipSettings
    seed : int
    """

    offspring: tuple[str, ...]
    set_aside: tuple[tuple[str, str], ...]
    families: tuple[SibFamily, ...]
    parents: tuple[InferredParent, ...]
    full_sib: FloatArray
    half_sib: FloatArray
    sampled_parents: IntArray
    n_families: Estimate
    n_parents: Estimate
    chains_disagree: float
    log_likelihood: FloatArray
    settings: SibshipSettings
    seed: int


def reconstruct_sibships(
    genotypes: GenotypeSet,
    offspring: Sequence[int] | np.ndarray | None = None,
    frequencies: FloatArray | None = None,
    error: ErrorModel | None = None,
    settings: SibshipSettings | None = None,
    seed: int = 1,
) -> Sibships:
    """Find the families of a sample of offspring.

    Parameters
    ----------
    genotypes : GenotypeSet
        Calls; only neutral loci are used.
    offspring : sequence of int, optional
        Positions of the offspring, of one year class. Default: all samples.
    frequencies : ndarray, float64, shape (n_neutral_loci, max_alleles), optional
        Population allele frequencies of the neutral loci. Default: counted in the whole set, which is
        somewhat wrong when a few large families dominate it.
    error : ErrorModel, optional
        Typing errors of the neutral loci. Default: substitution 0.005 per gene copy, no dropout.
    settings : SibshipSettings, optional
        Mating system and length of the sampling.
    seed : int
        Seed; the same seed gives the same answer.

    Returns
    -------
    Sibships

    Raises
    ------
    ShapeError
        If frequencies or error rates do not fit the loci.
    UsageError
        If a setting is unusable or an offspring is named twice.
    ValueRangeError
        If a position is outside the set or frequencies are unusable.

    Notes
    -----
    A half-sib link between two offspring without other sibs rests on little evidence (a few log units with
    150 SNPs): read the support. In simulations with nearly every offspring from parents of its own, such
    links made the number of parents about 5 % too small. Parents must be unrelated; related parents look
    like shared ones.

    References
    ----------
    .. [1] Thomas & Hill (2000), Genetics 155, 1961-1972.
    .. [2] Smith, Herbinger & Merry (2001), Genetics 158, 1329-1338.
    .. [3] Emery, Wilson, Craig, Boyle & Noble (2001), Molecular Ecology 10, 1265-1278.
    .. [4] Wang (2004), Genetics 166, 1963-1979.
    """
    settings = SibshipSettings() if settings is None else settings
    settings.check()
    neutral = genotypes.with_role("neutral")
    rows = (
        np.arange(neutral.n_samples)
        if offspring is None
        else positions(offspring, neutral.n_samples, "offspring")
    )
    if len(np.unique(rows)) != len(rows):
        raise UsageError("offspring: found a sample named twice. Expected each offspring once.")
    typed = neutral.typed[:, rows].sum(axis=0)
    good = typed >= settings.min_loci
    set_aside = tuple(
        (neutral.samples[i], f"only {n} loci are typed")
        for i, n in zip(rows[~good], typed[~good], strict=True)
    )
    rows = rows[good]
    tables = sibship_tables(neutral, rows, frequencies, error, settings.max_classes)
    children = np.random.SeedSequence(seed).spawn(settings.chains)
    runs = [_run_chain(tables, len(rows), settings, np.random.default_rng(child)) for child in children]
    sampled = np.concatenate([run[0] for run in runs])
    names = tuple(neutral.samples[i] for i in rows)
    full, half = sib_probabilities(sampled)
    best = _nearest_to_mean(sampled, full, half)
    families, parents = _describe(names, sampled[best], sampled, full, half)
    method = "median and central 95 % of the posterior sample"
    return Sibships(
        names,
        set_aside,
        families,
        parents,
        full,
        half,
        sampled,
        _posterior_count([len(np.unique(s, axis=0)) for s in sampled], "families", method, len(names)),
        _posterior_count([len(np.unique(s)) for s in sampled], "parents", method, len(names)),
        _disagreement([run[0] for run in runs]),
        np.array([run[1] for run in runs]),
        settings,
        seed,
    )


def sib_probabilities(sampled_parents: IntArray) -> tuple[FloatArray, FloatArray]:
    """Share of sampled networks in which two offspring are full sibs, and half sibs.

    Parameters
    ----------
    sampled_parents : ndarray, int32, shape (n_samples, n, 2)
        Parents of each offspring; numbers of the two columns do not overlap within a network.

    Returns
    -------
    full, half : ndarray, float64, shape (n, n)
        Symmetric, 0 on the diagonal; 0 everywhere without samples.
    """
    n_samples, n = sampled_parents.shape[:2]
    full, half = np.zeros((n, n)), np.zeros((n, n))
    for parents in sampled_parents:
        same = parents[:, None, :] == parents[None, :, :]
        full += same.all(axis=2)
        half += same[..., 0] != same[..., 1]
    np.fill_diagonal(full, 0.0)
    return full / max(n_samples, 1), half / max(n_samples, 1)


def _run_chain(
    tables: SibshipTables, n: int, settings: SibshipSettings, rng: np.random.Generator
) -> tuple[IntArray, FloatArray]:
    net = _network.empty_network(tables, n)
    mates = MATES[settings.mates]
    alpha, theta, tolerance = max(1.0, n / 4), max(1.0, n / 4), 1e-3
    for i in rng.permutation(n):
        _sampling.reassign(
            net, tables, np.array([i]), alpha, theta, 1.0, mates, settings.shortlist, True, tolerance, rng
        )
    trace, kept = [], []
    for step in range(settings.burn_in + settings.samples):
        n_families = int((net.size > 0).sum())
        alpha = _draw_parameter(n_families, n, 1, rng)
        theta = _draw_parameter(int((net.degree > 0).sum()), n_families, 2, rng)
        merging = step < settings.burn_in // 2
        _sampling.sweep(net, tables, alpha, theta, 1.0, mates, settings.shortlist, merging, tolerance, rng)
        trace.append(float(_network.log_likelihood(net, tables)))
        if step >= settings.burn_in:
            kept.append(parents_by_side(net))
    return np.array(kept, dtype=np.int32).reshape(len(kept), n, 2), np.array(trace)


def parents_by_side(net: _network.Network) -> IntArray:
    """Return the parents of each offspring, int32, shape (n, 2), parents of one colour in one column."""
    if len(net.family_of) == 0:
        return np.zeros((0, 2), dtype=np.int32)
    _, colour, _ = _network.colours(net)
    pair = net.parent[net.family_of]
    swap = colour[pair[:, 0]] == 1
    pair[swap] = pair[swap][:, ::-1]
    return pair.astype(np.int32)


def _draw_parameter(n_groups: int, n: int, sexes: int, rng: np.random.Generator) -> float:
    """Draw a parameter of Ewens' formula given the groups seen among n, flat in its logarithm, 0.5 to 100 n."""
    from scipy.special import gammaln

    grid = np.exp(np.linspace(math.log(0.5), math.log(100.0 * max(n, 1)), 100))
    log_weight = n_groups * np.log(grid) + sexes * (gammaln(grid) - gammaln(grid + n))
    weight = np.exp(log_weight - log_weight.max())
    return float(rng.choice(grid, p=weight / weight.sum()))


def _nearest_to_mean(sampled: IntArray, full: FloatArray, half: FloatArray) -> int:
    losses = []
    for parents in sampled:
        same = parents[:, None, :] == parents[None, :, :]
        is_full = same.all(axis=2).astype(np.float64)
        np.fill_diagonal(is_full, 0.0)
        is_half = (same[..., 0] != same[..., 1]).astype(np.float64)
        losses.append(float(((is_full - full) ** 2).sum() + ((is_half - half) ** 2).sum()))
    return int(np.argmin(losses))


def _describe(
    names: tuple[str, ...], parents: IntArray, sampled: IntArray, full: FloatArray, half: FloatArray
) -> tuple[tuple[SibFamily, ...], tuple[InferredParent, ...]]:
    groups: dict[tuple[int, int], list[int]] = {}
    young: dict[tuple[int, int], list[int]] = {}
    for i, (p, q) in enumerate(parents.tolist()):
        groups.setdefault((p, q), []).append(i)
        young.setdefault((0, p), []).append(i)
        young.setdefault((1, q), []).append(i)
    family_shares = _exact_shares(list(groups.values()), sampled, whole_family=True)
    parent_shares = _exact_shares(list(young.values()), sampled, whole_family=False)
    parent_order = sorted(young, key=lambda key: (-len(young[key]), young[key]))
    parent_name = {key: f"parent {k + 1:02d}" for k, key in enumerate(parent_order)}
    family_order = sorted(groups, key=lambda key: (-len(groups[key]), groups[key]))
    family_name = {key: f"family {k + 1:02d}" for k, key in enumerate(family_order)}
    families = tuple(
        SibFamily(
            family_name[key],
            tuple(names[i] for i in groups[key]),
            (parent_name[0, key[0]], parent_name[1, key[1]]),
            family_shares[tuple(groups[key])],
            _mean_of_pairs(full, groups[key]),
            _nearest_outside(full, groups[key]),
        )
        for key in family_order
    )
    related = full + half
    described = tuple(
        InferredParent(
            parent_name[key],
            key[0],
            tuple(family_name[pair] for pair in family_order if pair[key[0]] == key[1]),
            tuple(names[i] for i in young[key]),
            parent_shares[tuple(young[key])],
            _mean_of_pairs(related, young[key]),
        )
        for key in parent_order
    )
    return families, described


def _exact_shares(
    groups: list[list[int]], sampled: IntArray, whole_family: bool
) -> dict[tuple[int, ...], float]:
    """Share of the samples in which a group of offspring is exactly one family, or one parent's offspring."""
    hits: dict[tuple[int, ...], int] = {tuple(g): 0 for g in groups}
    for parents in sampled:
        seen: dict[tuple[int, ...], list[int]] = {}
        for i, pair in enumerate(parents.tolist()):
            keys = [tuple(pair)] if whole_family else [(0, pair[0]), (1, pair[1])]
            for key in keys:
                seen.setdefault(key, []).append(i)
        for group in {tuple(g) for g in seen.values()}:
            if group in hits:
                hits[group] += 1
    return {group: n / len(sampled) for group, n in hits.items()}


def _mean_of_pairs(probability: FloatArray, members: list[int]) -> float:
    n = len(members)
    if n < 2:
        return 1.0
    block = probability[np.ix_(members, members)]
    return float((block.sum() - np.trace(block)) / (n * (n - 1)))


def _nearest_outside(full: FloatArray, members: list[int]) -> float:
    outside = np.ones(len(full), dtype=np.bool_)
    outside[members] = False
    return float(full[outside][:, members].mean(axis=1).max()) if outside.any() else 0.0


def _posterior_count(counts: list[int], unit: str, method: str, n: int) -> Estimate:
    if n == 0:
        return Estimate.not_estimable("no offspring has enough typed loci", method, 0, "offspring")
    low, middle, high = np.quantile(counts, [0.025, 0.5, 0.975])
    return Estimate(float(middle), float(low), float(high), f"{unit}: {method}", n, "offspring")


def _disagreement(chains: list[IntArray]) -> float:
    if len(chains) < 2 or chains[0].shape[1] < 2:
        return 0.0
    calls = []
    for chain in chains:
        full, half = sib_probabilities(chain)
        calls.append(np.where(full >= 0.5, 2, np.where(full + half >= 0.5, 1, 0)))
    stack = np.stack(calls)
    related = (stack > 0).any(axis=0)
    differ = (stack != stack[0]).any(axis=0)
    return float((differ & related).sum() / related.sum()) if related.any() else 0.0
