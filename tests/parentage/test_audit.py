"""Recorded parents against DNA, and dishes whose parents were exchanged."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from broodstock.errors import UsageError
from broodstock.parentage.assign import assign_parents
from broodstock.parentage.audit import ParentClaim, audit_parents
from broodstock.parentage.simulate import genotype_set


@pytest.fixture(scope="module")
def station(make_families):
    """Twelve dishes of six young: dams D0..D3 with three sires each; dish k holds offspring 6k to 6k + 5."""
    f = make_families(4, 6, 1, 150, seed=40)
    rng = np.random.default_rng(41)
    from broodstock.parentage.simulate import draw_offspring, draw_unrelated, read_with_errors

    parents = draw_unrelated(f.frequencies, 12, rng)
    crosses = [(d, 4 + (d + s) % 6) for d in range(4) for s in range(3)]
    pairs = np.repeat(crosses, 6, axis=0)
    young = draw_offspring(parents, pairs, rng)
    calls = read_with_errors(np.concatenate([parents, young], axis=1), f.frequencies, f.error, 0.02, rng)
    genotypes = genotype_set(calls, 2)
    run = assign_parents(
        genotypes,
        12 + np.arange(72),
        np.arange(10),
        [0] * 4 + [1] * 6,
        frequencies=f.frequencies,
        error=f.error,
    )
    names = genotypes.samples
    claims = [
        ParentClaim(names[12 + i], names[pairs[i, 0]], names[pairs[i, 1]], f"dish {i // 6:02d}")
        for i in range(72)
    ]
    return genotypes, run, claims


def _with_parents(claims, dish, dam=None, sire=None):
    return [replace(c, dam=dam or c.dam, sire=sire or c.sire) if c.dish == dish else c for c in claims]


def _recorded(claims, dish):
    claim = next(c for c in claims if c.dish == dish)
    return claim.dam, claim.sire


def test_audit__right_records_agree_without_false_alarm(station):
    _, run, claims = station
    audit = audit_parents(run, claims)
    assert audit.counts() == {"agrees": 144}
    assert audit.swaps == ()
    assert all(d.supported == d.recorded and d.n_supporting == d.n_tested == 6 for d in audit.dishes)


def test_audit__mothers_exchanged_between_two_dishes(station):
    _, run, claims = station
    (dam_a, _), (dam_b, _) = _recorded(claims, "dish 01"), _recorded(claims, "dish 07")
    wrong = _with_parents(_with_parents(claims, "dish 01", dam=dam_b), "dish 07", dam=dam_a)
    audit = audit_parents(run, wrong)
    assert [(s.what, s.dishes, s.parents) for s in audit.swaps] == [
        ("dams", ("dish 01", "dish 07"), (dam_b, dam_a))
    ]
    assert audit.swaps[0].n_supporting == 12
    assert f"its offspring come from {dam_a}" in audit.swaps[0].sentence
    odd = [v for v in audit.verdicts if v.result == "contradicts"]
    assert len(odd) == 12
    assert {v.role for v in odd} == {"dam"}
    assert all(v.better == (dam_a if v.dish == "dish 01" else dam_b) for v in odd)


def test_audit__whole_dishes_exchanged(station):
    _, run, claims = station
    one, two = _recorded(claims, "dish 00"), _recorded(claims, "dish 11")
    wrong = _with_parents(_with_parents(claims, "dish 00", *two), "dish 11", *one)
    audit = audit_parents(run, wrong)
    assert [(s.what, s.dishes) for s in audit.swaps] == [("whole dishes", ("dish 00", "dish 11"))]


def test_audit__exchange_between_dishes_of_one_dam_shows_in_sires(station):
    _, run, claims = station
    one, two = _recorded(claims, "dish 03"), _recorded(claims, "dish 04")
    assert one[0] == two[0]
    wrong = _with_parents(_with_parents(claims, "dish 03", sire=two[1]), "dish 04", sire=one[1])
    audit = audit_parents(run, wrong)
    assert [(s.what, s.dishes) for s in audit.swaps] == [("sires", ("dish 03", "dish 04"))]
    assert "same dam on record, so whole dishes may have been exchanged" in audit.swaps[0].sentence


def test_audit__one_wrong_dish_is_no_exchange_but_names_the_better_dam(station):
    _, run, claims = station
    dam_b, _ = _recorded(claims, "dish 09")
    dam_a, _ = _recorded(claims, "dish 02")
    audit = audit_parents(run, _with_parents(claims, "dish 02", dam=dam_b))
    assert audit.swaps == ()
    dish = next(d for d in audit.dishes if d.dish == "dish 02" and d.role == "dam")
    assert (dish.recorded, dish.supported, dish.n_supporting) == (dam_b, dam_a, 6)


def test_audit__mixed_dish(station):
    _, run, claims = station
    mixed = [replace(c, dish="dish 00") if c.dish == "dish 06" else c for c in claims]
    dish = next(d for d in audit_parents(run, mixed).dishes if d.dish == "dish 00" and d.role == "dam")
    assert dish.mixed
    assert dish.supported is None
    assert dish.n_clear == 12


def test_audit__missing_sire_is_found(station):
    _, run, claims = station
    audit = audit_parents(run, [replace(claims[0], sire=None)])
    found = audit.verdicts[1]
    assert (found.result, found.better) == ("found", claims[0].sire)
    assert found.reason == f"no sire is recorded; DNA names {claims[0].sire}"


def test_audit__says_why_a_claim_is_not_testable(station):
    genotypes, run, claims = station
    stranger = replace(claims[0], offspring="never sampled")
    assert audit_parents(run, [stranger]).verdicts[0].reason == (
        "not testable because there is no DNA of the offspring in this run"
    )
    no_dna = audit_parents(run, [replace(claims[0], dam="F-99")]).verdicts[0]
    assert no_dna.result == "contradicts"
    assert no_dna.better == claims[0].dam
    assert no_dna.reason == f"F-99 has no DNA, but DNA names {claims[0].dam} as dam"
    calls = genotypes.calls.copy()
    calls[:, 12] = -1
    calls[3:, 0] = -1
    again = assign_parents(genotype_set(calls, 2), [12, 13], np.arange(10), [0] * 4 + [1] * 6)
    audit = audit_parents(again, claims[:2])
    assert audit.verdicts[0].reason == "not testable because only 0 loci are typed in the offspring"
    assert audit.verdicts[2].reason == "not testable because only 3 loci are typed in both"
    assert audit.verdicts[3].result == "agrees"
    without = assign_parents(genotypes, [12], np.arange(1, 10), [0] * 3 + [1] * 6)
    verdict = audit_parents(without, claims[:1]).verdicts[0]
    assert verdict.reason == f"not testable because {claims[0].dam} has no DNA among the candidates"


def test_audit__recorded_parent_too_young(station):
    genotypes, _, claims = station
    eligible = np.ones((6, 10), dtype=bool)
    eligible[:, 0] = False
    run = assign_parents(genotypes, np.arange(12, 18), np.arange(10), [0] * 4 + [1] * 6, eligible=eligible)
    verdict = audit_parents(run, claims[:1]).verdicts[0]
    assert verdict.result == "not testable"
    assert "cannot be a parent by age, dates or place" in verdict.reason


def test_audit__unchanged_when_claims_are_shuffled(station):
    _, run, claims = station
    (dam_a, _), (dam_b, _) = _recorded(claims, "dish 01"), _recorded(claims, "dish 07")
    wrong = _with_parents(_with_parents(claims, "dish 01", dam=dam_b), "dish 07", dam=dam_a)
    order = np.random.default_rng(3).permutation(len(wrong))
    audit = audit_parents(run, [wrong[i] for i in order])
    assert {frozenset(s.dishes) for s in audit.swaps} == {frozenset(("dish 01", "dish 07"))}
    assert audit.counts() == audit_parents(run, wrong).counts()


def test_audit__raises_on_two_claims_for_one_offspring(station):
    _, run, claims = station
    with pytest.raises(UsageError, match=r"more than once. Expected one claim per offspring"):
        audit_parents(run, [claims[0], claims[0]])
    with pytest.raises(UsageError, match=r"min_offspring: found 0"):
        audit_parents(run, claims, 0)
