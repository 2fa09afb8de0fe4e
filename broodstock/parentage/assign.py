"""Assign both parents together, with parents that were never sampled as part of the answer.

Every offspring gets a posterior over all configurations of its parents: a candidate pair, one candidate and
one unsampled parent, or two unsampled parents. The likelihood of a configuration is that of Meagher (1986)
with typing errors; the prior says what share of the true parents stands among the candidates, the same for
every candidate of one sex (fractional parentage after Devlin, Roeder & Ellstrand 1988; unsampled parents
after Nielsen, Mattila, Clapham & Palsboll 2001).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from broodstock.arrays import MISSING, BoolArray, FloatArray
from broodstock.errors import ShapeError, UsageError
from broodstock.genotypes.genotype_set import GenotypeSet
from broodstock.parentage.configurations import (
    BOTH,
    CATEGORIES,
    Configurations,
    OffspringScores,
    Priors,
    configurations_of,
    estimate_shares,
)
from broodstock.parentage.error_model import ErrorModel
from broodstock.parentage.likelihood import PairScores, Scorer, positions
from broodstock.parentage.mismatch import allowed_mismatches, expected_mismatches, mismatches_of
from broodstock.parentage.results import (
    Assignment,
    AssignmentRun,
    AssignmentSettings,
    ParentConfiguration,
)

FEMALE, MALE, SEX_UNKNOWN = 0, 1, -1


def assign_parents(
    genotypes: GenotypeSet,
    offspring: Sequence[int] | np.ndarray,
    candidates: Sequence[int] | np.ndarray,
    sex: Sequence[int] | np.ndarray | None = None,
    eligible: BoolArray | None = None,
    crosses: BoolArray | None = None,
    frequencies: FloatArray | None = None,
    error: ErrorModel | None = None,
    settings: AssignmentSettings | None = None,
) -> AssignmentRun:
    """Assign both parents of every offspring.

    Parameters
    ----------
    genotypes : GenotypeSet
        Offspring and candidates. Only neutral loci are used.
    offspring, candidates : sequence of int
        Positions in the set. A fish may stand in both; it is never its own parent.
    sex : sequence of int, length n_candidates, optional
        0 female, 1 male, -1 unknown. Default: all unknown.
    eligible : ndarray, bool, shape (n_offspring, n_candidates), optional
        Candidates that could be a parent by age, dates, place (see `eligibility.eligible_by_age`). Default: all.
    crosses : ndarray, bool, shape (n_candidates, n_candidates), optional
        Pairs (dam row, sire column) that can have bred, for example the recorded crosses. Other pairs get no
        prior. Default: every pair of opposite sex.
    frequencies : ndarray, float64, shape (n_neutral_loci, max_alleles), optional
        Population allele frequencies of the neutral loci. Default: counted in the whole set; give the
        founders' frequencies when most samples are sibs.
    error : ErrorModel, optional
        Typing errors of the neutral loci. Default: substitution 0.005 per gene copy, no dropout.
    settings : AssignmentSettings, optional
        Priors, shortlist and words.

    Returns
    -------
    AssignmentRun
        One assignment per offspring and the posterior of every candidate.

    Raises
    ------
    ShapeError
        If a mask, sexes, frequencies or error rates do not fit.
    UsageError
        If a setting is unusable, a sex code unknown, or a candidate is named twice.
    ValueRangeError
        If a position is outside the set or the frequencies are unusable.

    Notes
    -----
    The pair posterior looks at the shortlisted candidates only; a candidate outside it has a lower score as
    single parent than every shortlisted one or more mismatches than true parents show. Close relatives of a
    true parent that was not sampled can attract an assignment when markers are few: look at mismatches and
    at the alternatives, and give the age mask.
    """
    settings = AssignmentSettings() if settings is None else settings
    settings.check()
    neutral = genotypes.with_role("neutral")
    rows = positions(offspring, genotypes.n_samples, "offspring")
    columns = positions(candidates, genotypes.n_samples, "candidates")
    sexes = _checked_sex(sex, columns)
    can_be = _checked_eligibility(eligible, rows, columns)
    pair_mask = _checked_crosses(crosses, len(columns))
    scorer = Scorer.of(neutral, frequencies, error)
    pairs = scorer.pairs(rows, columns, can_be)
    one_rate, both_rate = expected_mismatches(scorer.frequencies, scorer.error)
    names = neutral.samples
    n, m = len(rows), len(columns)
    typed = scorer.calls[rows, :, 0] != MISSING
    limits = _limits(typed, one_rate, both_rate, settings.mismatch_confidence)
    scores = [
        _score_offspring(scorer, int(row), columns, sexes, can_be[i], pairs, i, limits[i][0], settings)
        for i, row in enumerate(rows)
    ]
    priors = Priors(settings.dams_sampled, settings.sires_sampled, sexes, pair_mask)
    if settings.estimate_shares and n:
        priors = estimate_shares(scores[:: max(1, n // 300)], priors)
    dam_marginal, sire_marginal = np.zeros((n, m)), np.zeros((n, m))
    out = []
    for i, row in enumerate(rows):
        found = configurations_of(scores[i], priors)
        dam_marginal[i], sire_marginal[i] = found.dam_marginal, found.sire_marginal
        out.append(
            _worded(found, scorer, int(row), columns, names, int(typed[i].sum()), *limits[i], settings)
        )
    return AssignmentRun(
        tuple(out),
        tuple(names[c] for c in columns),
        dam_marginal,
        sire_marginal,
        pairs,
        can_be,
        sexes,
        priors.dams_sampled,
        priors.sires_sampled,
        neutral.n_loci,
        settings,
    )


def _limits(
    typed: BoolArray, one_rate: FloatArray, both_rate: FloatArray, confidence: float
) -> list[tuple[int, int]]:
    """Return the allowed mismatches of one parent and of both, for the loci typed in each offspring."""
    known: dict[bytes, tuple[int, int]] = {}
    out = []
    for row in typed:
        key = row.tobytes()
        if key not in known:
            known[key] = (
                allowed_mismatches(one_rate[row], confidence),
                allowed_mismatches(both_rate[row], confidence),
            )
        out.append(known[key])
    return out


def _score_offspring(
    scorer: Scorer,
    row: int,
    columns: np.ndarray,
    sexes: np.ndarray,
    can_be: BoolArray,
    pairs: PairScores,
    i: int,
    limit: int,
    settings: AssignmentSettings,
) -> OffspringScores:
    single = pairs.log_ratio[i]
    fits = can_be & (pairs.mismatches[i] <= limit)
    order = np.argsort(-single, kind="stable")
    ranked = order[fits[order]]
    dams = ranked[sexes[ranked] != MALE][: settings.shortlist]
    sires = ranked[sexes[ranked] != FEMALE][: settings.shortlist]
    trios = scorer.trios(np.array([row]), columns, dams[None, :], sires[None, :])[0]
    return OffspringScores(single, can_be, dams, sires, trios)


def _worded(
    found: Configurations,
    scorer: Scorer,
    row: int,
    columns: np.ndarray,
    names: tuple[str, ...],
    n_typed: int,
    one_limit: int,
    both_limit: int,
    settings: AssignmentSettings,
) -> Assignment:
    kept = [
        _named(found, k, scorer, row, columns, names) for k in range(settings.alternatives + 1)[: len(found)]
    ]
    best = kept[0]
    category = CATEGORIES[int(found.category[0])]
    limit = both_limit if found.category[0] == BOTH else one_limit
    word, reason = "unresolved", ""
    if n_typed < settings.min_loci:
        word, reason = "not testable", f"only {n_typed} loci are typed in the offspring"
    elif best.parents and best.compared < settings.min_loci:
        word, reason = "not testable", f"only {best.compared} loci are typed in offspring and parents"
    elif best.mismatches > limit:
        reason = f"{best.mismatches} loci are impossible where true parents show at most {limit}"
    elif best.posterior >= settings.certain_at:
        word = "certain"
    elif best.posterior >= settings.probable_at:
        word = "probable"
    else:
        reason = f"the best answer has posterior {best.posterior:.2f}; see the alternatives"
    dam, sire = int(found.dam[0]), int(found.sire[0])
    return Assignment(
        offspring=names[row],
        best=best,
        category=category,
        word=word,
        reason=reason,
        category_posterior=dict(zip(CATEGORIES, found.by_category.tolist(), strict=True)),
        dam_posterior=_role_posterior(found, dam, found.dam_marginal),
        sire_posterior=_role_posterior(found, sire, found.sire_marginal),
        n_typed=n_typed,
        margin=float(found.log_posterior[0] - found.log_posterior[1]) if len(found) > 1 else math.inf,
        allowed_mismatches=limit,
        alternatives=tuple(kept[1:]),
    )


def _role_posterior(found: Configurations, j: int, marginal: FloatArray) -> float:
    if j < 0:
        return max(0.0, 1.0 - float(marginal.sum()))
    if found.roles_unknown[0]:
        return float(found.dam_marginal[j] + found.sire_marginal[j])
    return float(marginal[j])


def _named(
    found: Configurations, k: int, scorer: Scorer, row: int, columns: np.ndarray, names: tuple[str, ...]
) -> ParentConfiguration:
    dam, sire = int(found.dam[k]), int(found.sire[k])
    at = [int(columns[j]) if j >= 0 else MISSING for j in (dam, sire)]
    missed, compared = mismatches_of(scorer.calls, row, at[0], at[1])
    labels = [names[j] if j >= 0 else None for j in at]
    either = tuple(x for x in labels if x is not None) if found.roles_unknown[k] else ()
    return ParentConfiguration(
        dam=None if either else labels[0],
        sire=None if either else labels[1],
        either=either,
        posterior=float(math.exp(found.log_posterior[k])),
        log_likelihood_ratio=float(found.log_ratio[k]),
        mismatches=missed,
        compared=compared,
    )


def _checked_sex(sex: Sequence[int] | np.ndarray | None, columns: np.ndarray) -> np.ndarray:
    if len(np.unique(columns)) != len(columns):
        raise UsageError("candidates: found a sample named twice. Expected each candidate once.")
    if sex is None:
        return np.full(len(columns), SEX_UNKNOWN, dtype=np.int64)
    sexes = np.asarray(sex, dtype=np.int64)
    if sexes.shape != columns.shape:
        raise ShapeError(f"sex: found {sexes.size} codes. Expected {columns.size}, one per candidate.")
    if not np.isin(sexes, (FEMALE, MALE, SEX_UNKNOWN)).all():
        raise UsageError(
            f"sex: found codes {sorted(set(sexes.tolist()))}. Expected 0 female, 1 male or -1 unknown."
        )
    return sexes


def _checked_eligibility(eligible: BoolArray | None, rows: np.ndarray, columns: np.ndarray) -> BoolArray:
    shape = (len(rows), len(columns))
    mask = np.ones(shape, dtype=np.bool_) if eligible is None else np.array(eligible, dtype=np.bool_)
    if mask.shape != shape:
        raise ShapeError(
            f"eligible: found shape {mask.shape}. Expected {shape}: one row per offspring, one column per candidate."
        )
    own: BoolArray = rows[:, None] != columns[None, :]
    return mask & own


def _checked_crosses(crosses: BoolArray | None, m: int) -> BoolArray | None:
    if crosses is None:
        return None
    mask = np.asarray(crosses, dtype=np.bool_)
    if mask.shape != (m, m):
        raise ShapeError(
            f"crosses: found shape {mask.shape}. Expected {(m, m)}: candidate dams in rows, candidate sires in columns."
        )
    return mask
