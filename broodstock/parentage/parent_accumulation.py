"""Have we caught enough parents? Accumulation of the parents behind a sample of larvae.

A parent is "caught" when at least one of its young is in the sample. Sampling units are single larvae, or
nights (all larvae of a night together); a parent's count is the number of units with young of it.

Fewer units: expected number of parents when units are left out at random (rarefaction, Hurlbert 1971). More
units, and all parents: the estimators of Chao (1984, 1987) and Chao et al. (2014) from the parents found in one
and in two units only. Coverage is the share of the next larva's (unit's) parents that is already known
(Good 1953; Chao & Jost 2012).
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Sequence
from dataclasses import dataclass

import numpy as np

from broodstock.arrays import BigIntArray
from broodstock.errors import ShapeError, UsageError
from broodstock.estimates import Estimate

Z95 = 1.959963984540054


@dataclass(frozen=True, slots=True)
class CurvePoint:
    """Parents expected from a number of units.

    Parameters
    ----------
    units : int
        Larvae or nights.
    kind : {'fewer', 'as sampled', 'more'}
        Rarefied, observed or extrapolated.
    parents : Estimate
        Expected number of parents.
    """

    units: int
    kind: str
    parents: Estimate


@dataclass(frozen=True)
class ParentAccumulation:
    """Accumulation of parents and what more sampling would bring.

    Parameters
    ----------
    unit : str
        ``larvae`` or ``nights``, or the word given.
    n_units : int
        Units sampled.
    observed : Estimate
        Parents behind the sample; with several sibship networks their mean and spread.
    curve : tuple of CurvePoint
        Few units first.
    richness : Estimate
        Parents that took part in all, a lower bound (Chao 1987, incidence form).
    coverage : Estimate
        Share of the parents of a further unit that is already known.
    next_unit : Estimate
        New parents expected from one more unit.
    needed : Estimate
        Units in all needed to reach the coverage asked for; the number sampled if it is reached.
    goal : float
        Coverage asked for.
    enough : {'yes', 'no', 'not clear'}
        Whether the interval of the coverage lies above the goal, below it, or on both sides.
    sentence : str
        Words for a person.
    """

    unit: str
    n_units: int
    observed: Estimate
    curve: tuple[CurvePoint, ...]
    richness: Estimate
    coverage: Estimate
    next_unit: Estimate
    needed: Estimate
    goal: float
    enough: str
    sentence: str


def rarefied_parents(counts: BigIntArray | np.ndarray, n_units: int, units: int) -> float:
    """Return the expected number of parents in some units drawn from those sampled.

    Parameters
    ----------
    counts : ndarray, int, shape (n_parents,)
        Units with young of each parent, 1 to `n_units`.
    n_units : int
        Units sampled.
    units : int
        Units drawn, 0 to `n_units`.

    Returns
    -------
    float
        Sum over parents of one minus the chance to be missed.

    Raises
    ------
    UsageError
        If `units` is outside 0 to `n_units`.

    References
    ----------
    .. [1] Hurlbert (1971), Ecology 52, 577-586.
    """
    from scipy.special import gammaln

    if not 0 <= units <= n_units:
        raise UsageError(f"units: found {units}. Expected 0 to {n_units}, the units sampled.")
    y = np.asarray(counts, dtype=np.float64)
    y = y[y > 0]
    can_miss = n_units - y >= units
    left = np.where(can_miss, n_units - y, units)
    log_missed = (
        gammaln(left + 1) - gammaln(left - units + 1) - gammaln(n_units + 1) + gammaln(n_units - units + 1)
    )
    return float((1.0 - np.where(can_miss, np.exp(log_missed), 0.0)).sum())


def unseen_parents(counts: BigIntArray | np.ndarray, n_units: int) -> float:
    """Least number of parents that were not caught.

    Parameters
    ----------
    counts, n_units
        See `rarefied_parents`.

    Returns
    -------
    float
        (T - 1)/T Q1^2 / (2 Q2) with Q1 and Q2 the parents found in one and in two units and T the units; with
        Q2 = 0 the form (T - 1)/T Q1 (Q1 - 1) / 2.

    References
    ----------
    .. [1] Chao (1984), Scandinavian Journal of Statistics 11, 265-270.
    .. [2] Chao (1987), Biometrics 43, 783-791.
    """
    q1, q2 = _once_and_twice(counts)
    factor = (n_units - 1) / n_units if n_units > 0 else 0.0
    return factor * (q1 * q1 / (2 * q2) if q2 > 0 else q1 * (q1 - 1) / 2)


def sample_coverage(counts: BigIntArray | np.ndarray, n_units: int, more_units: int = 0) -> float:
    """Share of the parents of a further unit that is known after the units sampled and some more.

    Parameters
    ----------
    counts, n_units
        See `rarefied_parents`.
    more_units : int
        Further units, 0 or more.

    Returns
    -------
    float
        1 - Q1/U ((T - 1) Q1 / ((T - 1) Q1 + 2 Q2)) to the power of `more_units` + 1, U the sum of the counts; 0
        without parents.

    References
    ----------
    .. [1] Good (1953), Biometrika 40, 237-264.
    .. [2] Chao & Jost (2012), Ecology 93, 2533-2547.
    .. [3] Chao et al. (2014), Ecological Monographs 84, 45-67.
    """
    q1, q2 = _once_and_twice(counts)
    total = float(np.asarray(counts).sum())
    if total == 0:
        return 0.0
    if q1 == 0:
        return 1.0
    return 1.0 - q1 / total * _miss_factor(q1, q2, n_units) ** (more_units + 1)


def extrapolated_parents(counts: BigIntArray | np.ndarray, n_units: int, more_units: int) -> float:
    """Return the expected number of parents after more units.

    Parameters
    ----------
    counts, n_units
        See `rarefied_parents`.
    more_units : int
        Further units. Beyond about as many again as sampled the value leans on the lower bound of
        `unseen_parents`.

    References
    ----------
    .. [1] Chao et al. (2014), Ecological Monographs 84, 45-67.
    """
    y = np.asarray(counts)
    seen = float((y > 0).sum())
    unseen = unseen_parents(y, n_units)
    q1, _ = _once_and_twice(y)
    if unseen <= 0 or q1 == 0:
        return seen
    return seen + unseen * (1.0 - (1.0 - q1 / (n_units * unseen + q1)) ** more_units)


def parent_accumulation(
    sampled_parents: np.ndarray | Sequence[Sequence[Hashable | None]],
    units: Sequence[Hashable] | None = None,
    unit_word: str = "",
    goal: float = 0.9,
    n_points: int = 20,
    bootstraps: int = 200,
    seed: int = 1,
) -> ParentAccumulation:
    """Build the accumulation curve.

    Parameters
    ----------
    sampled_parents : ndarray, int32, shape (n_networks, n_larvae, 2), or sequence of (dam, sire)
        Networks from `sibship.reconstruct_sibships`, or one pair of parents per larva from an assignment, any
        names; None (or -1) for a parent not known.
    units : sequence, length n_larvae, optional
        Sampling unit of each larva, for example the night. Default: each larva is a unit.
    unit_word : str
        Word for the units, plural. Default ``larvae``, or ``nights`` if `units` are given.
    goal : float
        Coverage asked for, between 0 and 1.
    n_points : int
        Points of the curve up to the sample, and about half as many beyond, up to twice the units.
    bootstraps : int
        Bootstrap samples for the intervals, shared among the networks.
    seed : int
        Seed.

    Returns
    -------
    ParentAccumulation

    Raises
    ------
    ShapeError
        If `sampled_parents` or `units` have the wrong shape.
    UsageError
        If `goal` is not between 0 and 1, or a number is below 1.

    Notes
    -----
    Intervals join the spread between networks with the bootstrap of Chao et al. (2014): every parent seen gets
    its detection probability shrunk by the coverage, the unseen ones share the rest. For coverage and the next
    unit the bootstrap measures the distance between estimate and truth of each drawn sample. Parents count
    alike whatever their sex.
    """
    if not 0 < goal < 1 or n_points < 2 or bootstraps < 2:
        raise UsageError(
            f"accumulation: found goal {goal}, {n_points} points, {bootstraps} bootstraps. Expected a goal between 0 "
            "and 1 and at least 2 of each."
        )
    networks = _networks(sampled_parents)
    n_larvae = networks.shape[1]
    labels = np.arange(n_larvae) if units is None else _numbered(units)
    if len(labels) != n_larvae:
        raise ShapeError(f"units: found {len(labels)} labels. Expected {n_larvae}, one per larva.")
    word = unit_word or ("larvae" if units is None else "nights")
    n_units = len(np.unique(labels))
    counts = [unit_counts(parents, labels) for parents in networks]
    if n_units < 2 or all(len(c) == 0 for c in counts):
        return _too_few(word, n_units, goal, "fewer than two units were sampled or no parent is known")
    steps = sorted({max(1, round(n_units * k / n_points)) for k in range(1, n_points + 1)})
    further = sorted({max(1, round(n_units * k / n_points)) for k in range(2, n_points + 1, 2)})
    values = np.array([_statistics(c, n_units, steps, further, goal) for c in counts])
    rng = np.random.default_rng(seed)
    draws = []
    for k in range(bootstraps):
        drawn, known, new = _bootstrap(counts[k % len(counts)], n_units, rng)
        row = _statistics(drawn, n_units, steps, further, goal)
        # Coverage and gain are about this very sample, so their error is the distance from its own truth.
        row[2] -= known
        row[3] -= new
        draws.append(row)
    within = np.array(draws).var(axis=0, ddof=1)
    between = values.var(axis=0, ddof=1) if len(values) > 1 else np.zeros(values.shape[1])
    mean, error = values.mean(axis=0), np.sqrt(within + between)
    how = f"bootstrap of {bootstraps} samples over {len(values)} network{'s' if len(values) > 1 else ''}"
    seen = mean[0]

    def estimate(k: int, what: str, low: float = 0.0, high: float = math.inf) -> Estimate:
        return Estimate(
            float(mean[k]),
            float(max(low, mean[k] - Z95 * error[k])),
            float(min(high, mean[k] + Z95 * error[k])),
            f"{what}; normal interval, {how}",
            n_units,
            word,
        )

    observed = Estimate(
        float(seen),
        float(values[:, 0].min()),
        float(values[:, 0].max()),
        "parents behind the sample, mean and range over the networks",
        n_units,
        word,
    )
    richness = _log_normal(float(mean[1]), float(seen), float(error[1]), how, n_units, word)
    coverage = estimate(2, "coverage (Chao & Jost 2012)", 0.0, 1.0)
    needed = estimate(4, "extrapolated coverage (Chao et al. 2014)", float(n_units))
    curve = [
        CurvePoint(
            t,
            "as sampled" if t == n_units else "fewer",
            estimate(5 + k, "rarefaction (Hurlbert 1971)"),
        )
        for k, t in enumerate(steps)
    ]
    curve += [
        CurvePoint(
            n_units + t, "more", estimate(5 + len(steps) + k, "extrapolation (Chao et al. 2014)", float(seen))
        )
        for k, t in enumerate(further)
    ]
    next_unit = estimate(3, "extrapolation (Chao et al. 2014)")
    assert coverage.low is not None
    assert coverage.high is not None
    enough = "yes" if coverage.low >= goal else "no" if coverage.high < goal else "not clear"
    return ParentAccumulation(
        word,
        n_units,
        observed,
        tuple(curve),
        richness,
        coverage,
        next_unit,
        needed,
        goal,
        enough,
        _sentence(word, n_units, observed, richness, coverage, next_unit, needed, goal, enough),
    )


def unit_counts(parents: np.ndarray, labels: np.ndarray) -> BigIntArray:
    """Count the units in which each parent has young.

    Parameters
    ----------
    parents : ndarray, int, shape (n_larvae, 2)
        Parents of each larva; negative where unknown.
    labels : ndarray, int, shape (n_larvae,)
        Unit of each larva.

    Returns
    -------
    ndarray, int64, shape (n_parents,)
        Counts of the known parents, each 1 or more.
    """
    pairs = np.stack([parents.ravel(), np.repeat(labels, 2)], axis=1)
    pairs = np.unique(pairs[pairs[:, 0] >= 0], axis=0)
    _, counts = np.unique(pairs[:, 0], return_counts=True)
    return counts.astype(np.int64)


def _networks(sampled_parents: np.ndarray | Sequence[Sequence[Hashable | None]]) -> np.ndarray:
    if isinstance(sampled_parents, np.ndarray):
        if sampled_parents.ndim != 3 or sampled_parents.shape[2] != 2 or len(sampled_parents) == 0:
            raise ShapeError(
                f"sampled parents: found shape {sampled_parents.shape}. Expected (n_networks, n_larvae, 2) with at "
                "least one network."
            )
        return sampled_parents
    number: dict[Hashable, int] = {}
    table = np.full((1, len(sampled_parents), 2), -1)
    for i, pair in enumerate(sampled_parents):
        if len(pair) != 2:
            raise ShapeError(f"parents of larva {i}: found {len(pair)} entries. Expected dam and sire.")
        for slot, name in enumerate(pair):
            if name is not None and name != -1:
                table[0, i, slot] = number.setdefault(name, len(number))
    return table


def _numbered(units: Sequence[Hashable]) -> BigIntArray:
    number: dict[Hashable, int] = {}
    return np.array([number.setdefault(u, len(number)) for u in units], dtype=np.int64)


def _once_and_twice(counts: BigIntArray | np.ndarray) -> tuple[float, float]:
    y = np.asarray(counts)
    return float((y == 1).sum()), float((y == 2).sum())


def _miss_factor(q1: float, q2: float, n_units: int) -> float:
    """Shrink factor of coverage; with nobody found twice, the form that keeps it below 1."""
    if q2 > 0:
        return (n_units - 1) * q1 / ((n_units - 1) * q1 + 2 * q2)
    return (n_units - 1) * (q1 - 1) / ((n_units - 1) * (q1 - 1) + 2) if q1 > 1 else 0.0


def _statistics(
    counts: BigIntArray, n_units: int, steps: list[int], further: list[int], goal: float
) -> list[float]:
    seen = float(len(counts))
    return [
        seen,
        seen + unseen_parents(counts, n_units),
        sample_coverage(counts, n_units),
        extrapolated_parents(counts, n_units, 1) - seen,
        float(n_units + _units_to_goal(counts, n_units, goal)),
        *(rarefied_parents(counts, n_units, t) for t in steps),
        *(extrapolated_parents(counts, n_units, t) for t in further),
    ]


def _units_to_goal(counts: BigIntArray, n_units: int, goal: float) -> float:
    """Further units until the extrapolated coverage reaches the goal, at most a thousand times the sample."""
    q1, q2 = _once_and_twice(counts)
    gap = 1.0 - sample_coverage(counts, n_units)
    factor = _miss_factor(q1, q2, n_units) if q1 else 0.0
    if gap <= 1.0 - goal or factor == 0.0:
        return 0.0
    return min(1000.0 * n_units, math.ceil(math.log((1.0 - goal) / gap) / math.log(factor)))


def _bootstrap(
    counts: BigIntArray, n_units: int, rng: np.random.Generator
) -> tuple[BigIntArray, float, float]:
    """Draw counts from the parents seen, their probabilities shrunk, and the unseen ones.

    Also returns the true coverage of the drawn sample, and the new parents one more unit would bring.
    """
    y = counts.astype(np.float64)
    share = y / n_units
    deficit = float(y.sum()) / n_units * (1.0 - sample_coverage(counts, n_units))
    weights = share * (1.0 - share) ** n_units
    scale = deficit / float(weights.sum()) if weights.sum() > 0 else 0.0
    n_unseen = math.ceil(unseen_parents(counts, n_units))
    hidden = np.full(n_unseen, min(1.0, deficit / n_unseen) if n_unseen else 0.0)
    p = np.concatenate([np.clip(share * (1.0 - scale * (1.0 - share) ** n_units), 0.0, 1.0), hidden])
    drawn = rng.binomial(n_units, p)
    new = float(p[drawn == 0].sum())
    total = float(p.sum())
    return drawn[drawn > 0].astype(np.int64), 1.0 - new / total if total > 0 else 0.0, new


def _log_normal(value: float, seen: float, error: float, how: str, n: int, word: str) -> Estimate:
    """Interval of Chao (1987): log-normal for the parents not seen, never below those seen."""
    unseen = value - seen
    method = f"Chao (1984, 1987) lower bound, incidence form; log-normal interval, {how}"
    note = "a lower bound: parents with very few young stay invisible"
    if unseen <= 0:
        return Estimate(value, seen, value + Z95 * error, method, n, word, note=note)
    spread = math.exp(Z95 * math.sqrt(math.log(1.0 + (error / unseen) ** 2)))
    return Estimate(value, seen + unseen / spread, seen + unseen * spread, method, n, word, note=note)


def _too_few(word: str, n_units: int, goal: float, reason: str) -> ParentAccumulation:
    nothing = Estimate.not_estimable(reason, n_used=n_units, unit_used=word)
    return ParentAccumulation(
        word,
        n_units,
        nothing,
        (),
        nothing,
        nothing,
        nothing,
        nothing,
        goal,
        "not clear",
        f"Not estimable because {reason}.",
    )


def _sentence(
    word: str,
    n_units: int,
    observed: Estimate,
    richness: Estimate,
    coverage: Estimate,
    next_unit: Estimate,
    needed: Estimate,
    goal: float,
    enough: str,
) -> str:
    one = {"larvae": "larva", "nights": "night"}.get(word, f"of the {word}")
    head = (
        f"{n_units} {word} come from about {observed.value or 0.0:.0f} parents; at least {richness.text(0)} took part. "
        f"{coverage.text(2)} of the parents of further young are already known; one more {one} adds "
        f"{next_unit.text(2)} parents."
    )
    if enough == "yes":
        return f"{head} The goal of {goal:.0%} is reached."
    if enough == "no":
        return f"{head} The goal of {goal:.0%} needs about {needed.text(0)} {word} in all."
    return f"{head} Whether the goal of {goal:.0%} is reached is not clear yet."
