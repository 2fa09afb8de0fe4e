"""How far an assignment can be trusted: simulate families from the data's own frequencies and errors.

After Marshall et al. (1998): offspring of known parents are drawn from the allele frequencies, mistyped and
made incomplete as in the data, and assigned by the same code; the margins reached by right and wrong answers
give the critical values.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from broodstock.arrays import BoolArray, FloatArray
from broodstock.errors import UsageError
from broodstock.estimates import Estimate
from broodstock.genotypes.quality.proportions import binomial_share
from broodstock.parentage.assign import FEMALE, MALE, SEX_UNKNOWN, assign_parents
from broodstock.parentage.error_model import ErrorModel
from broodstock.parentage.results import Assignment, AssignmentSettings
from broodstock.parentage.simulate import draw_offspring, draw_unrelated, genotype_set, read_with_errors


@dataclass(frozen=True, slots=True)
class CriticalValue:
    """Smallest value from which at least a share `level` of the simulated answers was right.

    Parameters
    ----------
    level : float
        Share of right answers asked for.
    margin : float or None
        Critical margin (natural log of posterior odds of best against second); None if no margin reaches it.
    posterior : float or None
        Critical posterior; None if no posterior reaches it.
    answered : float
        Share of all offspring at or above the critical margin.
    """

    level: float
    margin: float | None
    posterior: float | None
    answered: float


@dataclass(frozen=True, slots=True)
class CalibrationBin:
    """Simulated answers whose posterior lies in [low, high): how often they were right."""

    low: float
    high: float
    n: int
    mean_posterior: float
    right: float


@dataclass(frozen=True)
class ParentageConfidence:
    """What the marker set can do for parentage.

    Parameters
    ----------
    false_assignment_rate : Estimate
        Share of wrong answers among those called certain.
    certain_rate : Estimate
        Share of offspring called certain.
    dam_right, sire_right : Estimate
        Share of offspring whose best answer has the right dam (sire), an unsampled one included.
    critical : tuple of CriticalValue
        For each level asked for.
    calibration : tuple of CalibrationBin
        Posterior against truth.
    n_simulated : int
        Offspring simulated.
    seed : int
        Seed of the simulation.
    """

    false_assignment_rate: Estimate
    certain_rate: Estimate
    dam_right: Estimate
    sire_right: Estimate
    critical: tuple[CriticalValue, ...]
    calibration: tuple[CalibrationBin, ...]
    n_simulated: int
    seed: int


@dataclass(frozen=True, slots=True)
class SimulatedCandidates:
    """Candidate parents of a simulation.

    Parameters
    ----------
    n_dams, n_sires : int
        Candidates of either sex, at least 1 each.
    sexes_known : bool
        Whether the assignment may use their sex.
    sib_share : float
        Share of the candidates that are no parents but full sibs of a true parent, from 0 to 0.5: such
        relatives are what misleads parentage most.
    """

    n_dams: int
    n_sires: int
    sexes_known: bool = True
    sib_share: float = 0.0


def simulate_confidence(
    frequencies: FloatArray,
    candidates: SimulatedCandidates,
    error: ErrorModel | None = None,
    missing: float | FloatArray = 0.0,
    n_offspring: int = 1000,
    settings: AssignmentSettings | None = None,
    levels: tuple[float, ...] = (0.8, 0.95, 0.99),
    seed: int = 1,
) -> ParentageConfidence:
    """Simulate assignments with known truth.

    Parameters
    ----------
    frequencies : ndarray, float64, shape (n_loci, n_alleles)
        Allele frequencies of the population.
    candidates : SimulatedCandidates
        Number and kind of candidate parents.
    error : ErrorModel, optional
        Typing errors. Default: substitution 0.005 per gene copy.
    missing : float or ndarray, float64, shape (n_loci,)
        Share of missing calls.
    n_offspring : int
        Offspring to simulate.
    settings : AssignmentSettings, optional
        Their sampled shares also set how many true parents stand outside the candidates.
    levels : tuple of float
        Shares of right answers for the critical values.
    seed : int
        Seed.

    Returns
    -------
    ParentageConfidence

    Raises
    ------
    ShapeError
        If error rates do not fit the loci.
    UsageError
        If a number of fish is below 1, `sib_share` outside 0 to 0.5, or a setting unusable.
    ValueRangeError
        If a missing rate or a frequency is unusable.

    References
    ----------
    .. [1] Marshall, Slate, Kruuk & Pemberton (1998), Molecular Ecology 7, 639-655.
    """
    settings = AssignmentSettings() if settings is None else settings
    settings.check()
    if candidates.n_dams < 1 or candidates.n_sires < 1 or n_offspring < 1:
        raise UsageError(
            f"simulation: found {candidates.n_dams} dams, {candidates.n_sires} sires and {n_offspring} offspring. "
            "Expected at least one of each."
        )
    if not 0 <= candidates.sib_share <= 0.5:
        raise UsageError(f"sib_share: found {candidates.sib_share}. Expected a share from 0 to 0.5.")
    rng = np.random.default_rng(seed)
    model = (
        ErrorModel.uniform(
            len(frequencies),
        )
        if error is None
        else error
    )
    truth, true_pairs, pool, sex = _families(frequencies, candidates, n_offspring, settings, rng)
    calls = read_with_errors(truth, frequencies, model, missing, rng)
    genotypes = genotype_set(calls, frequencies.shape[1])
    used = np.maximum(frequencies, 1e-9)
    run = assign_parents(
        genotypes,
        np.arange(n_offspring),
        pool,
        sex if candidates.sexes_known else np.full(len(pool), SEX_UNKNOWN),
        frequencies=used / used.sum(axis=1, keepdims=True),
        error=model,
        settings=settings,
    )
    sampled = set(pool.tolist())
    true_names = [
        tuple(genotypes.samples[j] if j in sampled else None for j in pair) for pair in true_pairs.tolist()
    ]
    dam_ok = np.zeros(n_offspring, dtype=np.bool_)
    sire_ok = np.zeros(n_offspring, dtype=np.bool_)
    for i, (answer, (dam, sire)) in enumerate(zip(run.assignments, true_names, strict=True)):
        named = (answer.dam, answer.sire)
        if answer.best.either:
            either = answer.best.either
            full = {x for x in (dam, sire) if x is not None}
            dam_ok[i] = (dam in either) if dam is not None else set(either) <= full
            sire_ok[i] = (sire in either) if sire is not None else set(either) <= full
        else:
            dam_ok[i], sire_ok[i] = named[0] == dam, named[1] == sire
    return _summary(run.assignments, dam_ok, sire_ok, levels, seed)


def _families(
    frequencies: FloatArray,
    candidates: SimulatedCandidates,
    n_offspring: int,
    settings: AssignmentSettings,
    rng: np.random.Generator,
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Draw true genotypes (offspring, parents, sibs of parents); return pairs, candidates and sexes too."""
    true_count, sib_count, total = [], [], []
    for n, share in (
        (candidates.n_dams, settings.dams_sampled),
        (candidates.n_sires, settings.sires_sampled),
    ):
        sibs = round(n * candidates.sib_share)
        true_count.append(n - sibs)
        sib_count.append(sibs)
        total.append(max(n - sibs, round((n - sibs) / max(share, 1e-3))))
    n_parents = sum(total)
    grandparents = draw_unrelated(frequencies, 2 * n_parents, rng)
    litters = np.arange(2 * n_parents).reshape(n_parents, 2)
    parents = draw_offspring(grandparents, litters, rng)
    sib_of = np.concatenate(
        [rng.integers(0, total[0], sib_count[0]), total[0] + rng.integers(0, total[1], sib_count[1])]
    ).astype(np.int64)
    sibs_drawn = draw_offspring(grandparents, litters[sib_of], rng)
    pairs = np.stack(
        [rng.integers(0, total[0], n_offspring), total[0] + rng.integers(0, total[1], n_offspring)], axis=1
    )
    young = draw_offspring(parents, pairs, rng)
    first_parent = n_offspring
    dam_rows = np.concatenate([np.arange(true_count[0]), n_parents + np.arange(sib_count[0])])
    sire_rows = np.concatenate(
        [total[0] + np.arange(true_count[1]), n_parents + sib_count[0] + np.arange(sib_count[1])]
    )
    pool = np.concatenate([dam_rows, sire_rows]) + first_parent
    sex = np.concatenate([np.full(len(dam_rows), FEMALE), np.full(len(sire_rows), MALE)])
    return np.concatenate([young, parents, sibs_drawn], axis=1), pairs + first_parent, pool, sex


def _summary(
    assignments: tuple[Assignment, ...],
    dam_ok: BoolArray,
    sire_ok: BoolArray,
    levels: tuple[float, ...],
    seed: int,
) -> ParentageConfidence:
    right = dam_ok & sire_ok
    n = len(right)
    certain = np.array([a.word == "certain" for a in assignments])
    posterior = np.array([a.posterior for a in assignments])
    margin = np.array([a.margin for a in assignments])
    wrong = int((certain & ~right).sum())
    return ParentageConfidence(
        binomial_share(wrong, int(certain.sum()), "wrong among simulated answers called certain", "answers"),
        binomial_share(int(certain.sum()), n, "simulated offspring called certain", "offspring"),
        binomial_share(int(dam_ok.sum()), n, "simulated offspring with the right dam", "offspring"),
        binomial_share(int(sire_ok.sum()), n, "simulated offspring with the right sire", "offspring"),
        tuple(_critical(level, margin, posterior, right) for level in levels),
        _calibration(posterior, right),
        n,
        seed,
    )


def _critical(level: float, margin: FloatArray, posterior: FloatArray, right: BoolArray) -> CriticalValue:
    at_margin, answered = _smallest(level, margin, right)
    at_posterior, _ = _smallest(level, posterior, right)
    return CriticalValue(level, at_margin, at_posterior, answered)


def _smallest(level: float, score: FloatArray, right: BoolArray) -> tuple[float | None, float]:
    order = np.argsort(-score, kind="stable")
    ranked, hits = score[order], np.cumsum(right[order])
    rate = hits / np.arange(1, len(score) + 1)
    last_of_tie = np.append(ranked[1:] != ranked[:-1], True)
    good = np.flatnonzero((rate >= level) & last_of_tie)
    if good.size == 0:
        return None, 0.0
    value = float(ranked[good[-1]])
    return (value if not math.isinf(value) else math.inf), float((good[-1] + 1) / len(score))


def _calibration(posterior: FloatArray, right: BoolArray) -> tuple[CalibrationBin, ...]:
    edges = (0.0, 0.2, 0.4, 0.6, 0.8, 0.9, 0.95, 0.99, 1.0 + 1e-9)
    out = []
    for low, high in pairwise(edges):
        inside = (posterior >= low) & (posterior < high)
        if inside.any():
            out.append(
                CalibrationBin(
                    low,
                    min(high, 1.0),
                    int(inside.sum()),
                    float(posterior[inside].mean()),
                    float(right[inside].mean()),
                )
            )
    return tuple(out)
