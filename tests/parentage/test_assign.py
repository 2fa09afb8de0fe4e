"""Two-parent assignment: against enumeration of all configurations, and on families with known truth."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest

from broodstock.errors import ShapeError, UsageError, ValueRangeError
from broodstock.genotypes.genotype_set import Locus
from broodstock.parentage.assign import assign_parents
from broodstock.parentage.eligibility import eligible_by_age
from broodstock.parentage.error_model import ErrorModel
from broodstock.parentage.likelihood import trio_log_ratios
from broodstock.parentage.results import AssignmentSettings
from broodstock.parentage.simulate import genotype_set

WIDE = AssignmentSettings(0.7, 0.6, shortlist=50, mismatch_confidence=1 - 1e-12, min_loci=1)


def _assign(f, settings=None, **changes):
    arguments = {
        "sex": f.sex,
        "frequencies": f.frequencies,
        "error": f.error,
        "settings": settings,
        **changes,
    }
    return assign_parents(f.genotypes, f.offspring, f.candidates, **arguments)


def _share_right(f, run, only_certain=False):
    right = [
        (a.dam, a.sire) == f.true_names(i)
        for i, a in enumerate(run.assignments)
        if not only_certain or a.word == "certain"
    ]
    return sum(right) / len(right)


def _enumerated_posterior(f, i, settings, crosses=None):
    """Every configuration scored one by one."""
    females = [int(c) for c, s in zip(f.candidates, f.sex, strict=True) if s != 1]
    males = [int(c) for c, s in zip(f.candidates, f.sex, strict=True) if s != 0]
    weight = {
        role: {
            int(c): (1.0 if s == role else 0.5)
            for c, s in zip(f.candidates, f.sex, strict=True)
            if s in (role, -1)
        }
        for role in (0, 1)
    }
    total = {role: sum(weight[role].values()) for role in (0, 1)}
    out = {}
    child = int(f.offspring[i])
    for dam, sire in itertools.product([*females, -1], [*males, -1]):
        if dam == sire and dam != -1:
            continue
        prior = 1.0
        prior *= settings.dams_sampled * weight[0][dam] / total[0] if dam >= 0 else 1 - settings.dams_sampled
        prior *= (
            settings.sires_sampled * weight[1][sire] / total[1] if sire >= 0 else 1 - settings.sires_sampled
        )
        ratio = trio_log_ratios(f.genotypes, [(child, dam, sire)], f.frequencies, f.error)[0]
        out[dam, sire] = prior * math.exp(ratio)
    scale = sum(out.values())
    return {k: v / scale for k, v in out.items()}


@pytest.mark.parametrize("n_alleles", [2, 6])
@pytest.mark.parametrize("sexes", ["known", "mixed"])
def test_assign_parents__posterior_equals_enumeration(make_families, n_alleles, sexes):
    f = make_families(
        4, 4, 6, 6 if n_alleles == 2 else 3, n_alleles, 0.75, substitution=0.02, dropout=0.02, seed=4
    )
    if sexes == "mixed":
        f = replace(f, sex=np.array([0, -1, 0, 1, -1, -1]))
    run = _assign(f, WIDE)
    for i, answer in enumerate(run.assignments):
        expected = _enumerated_posterior(f, i, WIDE)
        for j, candidate in enumerate(f.candidates):
            dam = sum(v for (d, _), v in expected.items() if d == candidate)
            sire = sum(v for (_, s), v in expected.items() if s == candidate)
            assert run.dam_marginal[i, j] == pytest.approx(dam, abs=1e-9)
            assert run.sire_marginal[i, j] == pytest.approx(sire, abs=1e-9)
        none = expected[-1, -1]
        assert answer.category_posterior["none"] == pytest.approx(none, abs=1e-9)
        assert sum(answer.category_posterior.values()) == pytest.approx(1.0, abs=1e-9)
        sex_of = dict(zip(f.candidates.tolist(), f.sex.tolist(), strict=True))
        merged: dict = {}
        for (d, s), v in expected.items():
            free = sex_of.get(d, -1) == -1 and sex_of.get(s, -1) == -1 and (d, s) != (-1, -1)
            merged[frozenset((d, s)) if free else (d, s)] = (
                merged.get(frozenset((d, s)) if free else (d, s), 0) + v
            )
        assert answer.posterior == pytest.approx(max(merged.values()), abs=1e-9)
        assert answer.alternatives[0].posterior == pytest.approx(sorted(merged.values())[-2], abs=1e-9)
        assert answer.margin == pytest.approx(
            math.log(answer.posterior / answer.alternatives[0].posterior), abs=1e-6
        )


def test_assign_parents__finds_nearly_all_true_parents_with_200_snps(make_families):
    f = make_families(60, 60, 300, 200, sampled=0.8)
    run = _assign(f, AssignmentSettings(0.8, 0.8))
    assert _share_right(f, run) >= 0.98
    assert _share_right(f, run, only_certain=True) >= 0.995
    for i, answer in enumerate(run.assignments):
        if (answer.dam, answer.sire) == f.true_names(i) and answer.word == "certain":
            assert answer.mismatches <= answer.allowed_mismatches
            assert (answer.log_likelihood_ratio > 5) == bool(answer.best.parents)
            assert answer.compared > 150


def test_assign_parents__finds_nearly_all_true_parents_with_14_microsatellites(make_families):
    f = make_families(40, 40, 200, 14, 12, sampled=0.9, substitution=0.005, dropout=0.02, seed=2)
    assert _share_right(f, _assign(f)) >= 0.98


def test_assign_parents__unknown_sexes_lose_little_and_name_pairs_without_roles(make_families):
    f = make_families(30, 30, 100, 200, seed=5)
    run = _assign(f, sex=None)
    right = [set(a.best.parents) == set(f.true_names(i)) for i, a in enumerate(run.assignments)]
    assert np.mean(right) >= 0.98
    assert all(len(a.best.either) == 2 and a.dam is None for a in run.assignments if a.word == "certain")
    half = f.sex.copy()
    half[f.sex == 1] = -1
    run = _assign(f, sex=half)
    named = [(a.dam, a.sire) == f.true_names(i) for i, a in enumerate(run.assignments)]
    assert np.mean(named) >= 0.98


def test_assign_parents__one_parent_of_unknown_sex(make_families):
    f = make_families(20, 20, 40, 200, seed=6)
    only_dams = f.candidates[f.sex == 0]
    run = assign_parents(f.genotypes, f.offspring, only_dams, None, frequencies=f.frequencies, error=f.error)
    right = [a.best.either == (f.true_names(i)[0],) for i, a in enumerate(run.assignments)]
    assert np.mean(right) >= 0.95
    assert {a.category for a, ok in zip(run.assignments, right, strict=True) if ok} == {"one of unknown sex"}


def test_assign_parents__nobody_sampled_gives_none(make_families):
    f = make_families(20, 20, 30, 150, seed=7)
    strangers = make_families(20, 20, 30, 150, seed=8)
    mixed = genotype_set(
        np.concatenate([strangers.genotypes.calls[:, :40], f.genotypes.calls[:, 40:]], axis=1), 2
    )
    run = assign_parents(mixed, np.arange(40, 70), np.arange(40), f.sex, error=f.error)
    assert {a.category for a in run.assignments} == {"none"}
    assert all(a.dam is None and a.best.log_likelihood_ratio == 0.0 for a in run.assignments)


def test_assign_parents__no_candidates_at_all(make_families):
    f = make_families(3, 3, 2, 30)
    run = assign_parents(f.genotypes, f.offspring, [], [])
    assert [a.category for a in run.assignments] == ["none", "none"]
    assert run.assignments[0].posterior == 1.0
    assert run.assignments[0].margin == math.inf


def test_assign_parents__posterior_means_what_it_says(make_families):
    """With few loci the mean posterior equals the share of right answers within each bin (4 standard errors)."""
    f = make_families(100, 100, 500, 55, sampled=0.75, seed=12)
    run = _assign(f, AssignmentSettings(0.75, 0.75))
    posterior = np.array([a.posterior for a in run.assignments])
    right = np.array([(a.dam, a.sire) == f.true_names(i) for i, a in enumerate(run.assignments)])
    for low, high in ((0.0, 0.6), (0.6, 0.9), (0.9, 1.01)):
        inside = (posterior >= low) & (posterior < high)
        assert inside.sum() > 20
        expected = posterior[inside].mean()
        standard_error = math.sqrt((posterior[inside] * (1 - posterior[inside])).sum()) / inside.sum()
        assert abs(right[inside].mean() - expected) < 4 * standard_error


def test_assign_parents__estimated_shares_are_near_the_truth(make_families):
    f = make_families(60, 60, 200, 150, sampled=0.6, seed=13)
    truth = [[name is not None for name in f.true_names(i)] for i in range(200)]
    run = _assign(f, AssignmentSettings(estimate_shares=True))
    dams, sires = np.mean(truth, axis=0)
    assert run.dams_sampled == pytest.approx(dams, abs=0.03)
    assert run.sires_sampled == pytest.approx(sires, abs=0.03)


def test_assign_parents__unchanged_when_candidates_are_shuffled(make_families):
    f = make_families(15, 15, 20, 60, sampled=0.8, seed=14)
    run = _assign(f)
    order = np.random.default_rng(1).permutation(len(f.candidates))
    again = assign_parents(
        f.genotypes,
        f.offspring[::-1],
        f.candidates[order],
        f.sex[order],
        frequencies=f.frequencies,
        error=f.error,
    )
    for a, b in zip(run.assignments, again.assignments[::-1], strict=True):
        assert (a.offspring, a.dam, a.sire) == (b.offspring, b.dam, b.sire)
        assert a.posterior == pytest.approx(b.posterior, abs=1e-9)
    np.testing.assert_allclose(run.dam_marginal[:, order], again.dam_marginal[::-1], atol=1e-9)


def test_assign_parents__mask_excludes_the_true_dam(make_families):
    f = make_families(15, 15, 30, 200, seed=15)
    free = _assign(f)
    eligible = np.ones((30, 30), dtype=bool)
    eligible[np.arange(30), f.pairs[:, 0]] = False
    run = _assign(f, eligible=eligible)
    for i, answer in enumerate(run.assignments):
        assert free.assignments[i].dam == f.true_names(i)[0]
        assert answer.dam != f.true_names(i)[0]
        assert run.dam_marginal[i, f.pairs[i, 0]] == 0.0
        assert run.pairs.compared[i, f.pairs[i, 0]] == 0


def test_assign_parents__crosses_restrict_the_pairs(make_families):
    f = make_families(10, 10, 40, 25, seed=16)
    made = np.zeros((20, 20), dtype=bool)
    made[f.pairs[:, 0], f.pairs[:, 1]] = True
    free, tied = _assign(f, WIDE), _assign(f, WIDE, crosses=made)
    assert _share_right(f, tied) >= _share_right(f, free)
    index = {name: j for j, name in enumerate(tied.candidates)}
    for answer in tied.assignments:
        if answer.category == "both sampled":
            assert made[index[answer.dam], index[answer.sire]]


def test_assign_parents__a_fish_is_never_its_own_parent(make_families):
    f = make_families(6, 6, 0, 100, seed=17)
    run = assign_parents(f.genotypes, f.candidates, f.candidates, f.sex)
    for answer in run.assignments:
        assert answer.offspring not in answer.best.parents
        assert all(answer.offspring not in alternative.parents for alternative in answer.alternatives)


def test_assign_parents__identical_twins_share_the_posterior(make_families):
    f = make_families(8, 8, 12, 200, seed=18)
    calls = f.genotypes.calls.copy()
    calls[:, 1] = calls[:, 0]
    run = assign_parents(genotype_set(calls, 2), f.offspring, f.candidates, f.sex, error=f.error)
    np.testing.assert_allclose(run.dam_marginal[:, 0], run.dam_marginal[:, 1], atol=1e-12)
    children = [i for i in range(12) if f.pairs[i, 0] == 0]
    assert children
    for i in children:
        assert run.assignments[i].word == "unresolved"
        assert run.dam_marginal[i, 0] == pytest.approx(0.5, abs=0.01)


def test_assign_parents__untyped_offspring_is_not_testable(make_families):
    f = make_families(5, 5, 4, 60, seed=19)
    calls = f.genotypes.calls.copy()
    calls[:, f.offspring[0]] = -1
    calls[5:, f.offspring[1]] = -1
    calls[:, f.candidates[0]] = -1
    run = assign_parents(genotype_set(calls, 2), f.offspring, f.candidates, f.sex)
    assert run.assignments[0].word == "not testable"
    assert run.assignments[0].reason == "only 0 loci are typed in the offspring"
    assert run.assignments[1].word == "not testable"
    assert np.isfinite(run.dam_marginal).all()


def test_assign_parents__many_impossible_loci_are_not_certain(make_families):
    """Errors far above the model: the pair still wins, but the word says that something is wrong."""
    f = make_families(10, 10, 10, 300, substitution=0.08, seed=20)
    run = _assign(
        f, error=ErrorModel.uniform(300, 0.005), settings=AssignmentSettings(mismatch_confidence=0.999)
    )
    doubtful = [a for a in run.assignments if "impossible where true parents show at most" in a.reason]
    assert doubtful
    assert all(a.word == "unresolved" for a in doubtful)


def test_assign_parents__error_rate_zero_excludes_and_keeps_finite(make_families):
    f = make_families(10, 10, 20, 100, substitution=0.0, seed=21)
    run = _assign(f, AssignmentSettings(1.0, 1.0), error=ErrorModel.uniform(100, 0.0))
    assert _share_right(f, run) == 1.0
    assert np.isfinite(run.dam_marginal).all()
    strangers = assign_parents(
        f.genotypes,
        f.candidates[:5],
        f.candidates[5:],
        f.sex[5:],
        error=ErrorModel.uniform(100, 0.0),
        settings=AssignmentSettings(1.0, 1.0),
    )
    assert {a.category for a in strangers.assignments} == {"none"}


def test_assign_parents__uses_neutral_loci_only(make_families):
    f = make_families(6, 6, 8, 80, seed=22)
    loci = tuple(
        Locus(x.name, role="diagnostic" if k < 10 else "neutral") for k, x in enumerate(f.genotypes.loci)
    )
    marked = replace(f.genotypes, loci=loci)
    run = assign_parents(marked, f.offspring, f.candidates, f.sex)
    plain = assign_parents(f.genotypes.take(loci=np.arange(10, 80)), f.offspring, f.candidates, f.sex)
    assert run.n_loci == 70
    np.testing.assert_allclose(run.dam_marginal, plain.dam_marginal, atol=1e-12)


def test_assign_parents__expected_wrong_sums_the_doubt(make_families):
    f = make_families(10, 10, 30, 60, seed=23)
    run = _assign(f)
    certain = [a for a in run.assignments if a.word == "certain"]
    assert run.expected_wrong() == pytest.approx(sum(1 - a.posterior for a in certain))


def test_assign_parents__raises_on_bad_input(make_families):
    f = make_families(3, 3, 2, 20)
    with pytest.raises(UsageError, match=r"sample named twice"):
        assign_parents(f.genotypes, f.offspring, [0, 0])
    with pytest.raises(UsageError, match=r"Expected 0 female, 1 male or -1 unknown"):
        assign_parents(f.genotypes, f.offspring, [0, 1], [0, 2])
    with pytest.raises(ShapeError, match=r"one per candidate"):
        assign_parents(f.genotypes, f.offspring, [0, 1], [0])
    with pytest.raises(ShapeError, match=r"one row per offspring"):
        _assign(f, eligible=np.ones((1, 6), dtype=bool))
    with pytest.raises(ShapeError, match=r"candidate dams in rows"):
        _assign(f, crosses=np.ones((2, 6), dtype=bool))
    with pytest.raises(ValueRangeError, match=r"offspring: found positions"):
        assign_parents(f.genotypes, [99], [0])
    with pytest.raises(UsageError, match=r"dams_sampled: found 1.2"):
        _assign(f, AssignmentSettings(dams_sampled=1.2))
    with pytest.raises(UsageError, match=r"shortlist: found 0. Expected 1 or more"):
        _assign(f, AssignmentSettings(shortlist=0))


def test_eligible_by_age__applies_youngest_age_and_last_year():
    mask = eligible_by_age([2020, None], [2016, 2018, None, 2010], [3, 3, 3, 3], [None, None, None, 2019])
    assert mask.tolist() == [[True, False, True, False], [True, True, True, True]]
    with pytest.raises(ShapeError, match=r"Expected equal lists"):
        eligible_by_age([2020], [2016, 2018], [3])
