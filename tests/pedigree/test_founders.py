"""Founder statistics: every definition on one small pedigree, exact by enumeration of all drops."""

from __future__ import annotations

import numpy as np
import pytest

from broodstock.errors import ValueRangeError
from broodstock.pedigree.founders import (
    effective_ancestors,
    founder_equivalents,
    founder_shares,
    founder_survival,
    genome_equivalents_mean_kinship,
    with_phantom_founders,
)
from broodstock.pedigree.kinship import gene_diversity, group_kinship, kinship_matrix, mean_kinship

LIVING = np.r_[np.zeros(7), 1, 1, 1]


def exact_survival(parents, living, every_drop):
    """Retention by founder row, uniqueness by living fish, square sums: all drops, each equally likely."""
    retention, unique, squares, n = {}, np.zeros(len(living)), [], 0
    entering = {}
    for i, pair in enumerate(parents):
        for side in range(2):
            if pair[side] < 0:
                entering.setdefault(i, []).append(2 * i + side)
    for genes in every_drop(parents):
        n += 1
        carried = [set(genes[i].tolist()) for i in living]
        alive = set().union(*carried)
        for founder, own in entering.items():
            retention[founder] = retention.get(founder, 0.0) + sum(g in alive for g in own) / len(own)
        for k, i in enumerate(living):
            others = set().union(*(c for m, c in enumerate(carried) if m != k))
            unique[k] += np.mean([g not in others for g in genes[i].tolist()])
        _, count = np.unique(genes[living], return_counts=True)
        squares.append(((count / count.sum()) ** 2).sum())
    return {f: r / n for f, r in retention.items()}, unique / n, np.array(squares)


# --- one pedigree, all definitions (Lacy 1989; MacCluer et al. 1986; Boichard et al. 1997; values computed) ---------------


def test_founder_shares__three_living(three_living):
    shares = founder_shares(three_living, LIVING)
    assert shares.row.tolist() == [0, 1, 2, 3]
    np.testing.assert_allclose(shares.share, 0.25)
    assert founder_equivalents(shares) == pytest.approx(4)


def test_effective_ancestors__three_living(three_living):
    found = effective_ancestors(three_living, LIVING)
    assert found.row.tolist() == [6, 4, 5]
    np.testing.assert_allclose(found.share, [1 / 2, 1 / 3, 1 / 6], atol=1e-14)
    assert found.number == pytest.approx(18 / 7, abs=1e-12)


def test_kinship_definitions__three_living(three_living):
    np.testing.assert_allclose(mean_kinship(three_living, LIVING)[7:], [5 / 16, 5 / 16, 7 / 24], atol=1e-14)
    assert group_kinship(three_living, LIVING, self_pairs=True) == pytest.approx(11 / 36)
    assert gene_diversity(three_living, LIVING) == pytest.approx(25 / 36)
    assert genome_equivalents_mean_kinship(three_living, LIVING) == pytest.approx(18 / 11)
    # Without self-pairs the number is another one.
    off = group_kinship(three_living, LIVING, self_pairs=False)
    assert 1 / (2 * off) > 18 / 11 + 0.5


def test_founder_survival__three_living_exact_by_enumeration(three_living, every_drop):
    retention, _, squares = exact_survival(three_living, [7, 8, 9], every_drop)
    assert [retention[f] for f in range(4)] == pytest.approx([17 / 32, 17 / 32, 7 / 16, 7 / 16])
    assert squares.mean() == pytest.approx(11 / 36)
    assert (1 / (2 * squares)).mean() == pytest.approx(767 / 448)


def test_founder_survival__three_living(three_living, every_drop):
    _, unique, squares = exact_survival(three_living, [7, 8, 9], every_drop)
    found = founder_survival(three_living, LIVING, 100_000, 11)
    exact = np.array([17 / 32, 17 / 32, 7 / 16, 7 / 16])
    assert (np.abs(found.retention.value - exact) <= 4 * found.retention.standard_error).all()
    assert (np.abs(found.uniqueness.value - unique) <= 4 * found.uniqueness.standard_error).all()
    for estimate, value in [
        (found.genomes_surviving(0.9999), 31 / 16),
        (found.genome_equivalents_contribution_retention(0.9999), 119 / 62),
        (found.genome_equivalents_mean_over_drops(0.9999), (1 / (2 * squares)).mean()),
        (found.genome_equivalents_expected_homozygosity(0.9999), 18 / 11),
    ]:
        assert estimate.low <= value <= estimate.high
        assert estimate.high - estimate.low < 0.03
        assert estimate.unit_used == "drops"


def test_definitions_differ(three_living):
    # "Founder genome equivalents" under four definitions: 1.6364, 1.7121, 1.9194; founder equivalents 4, ancestors 2.5714.
    found = founder_survival(three_living, LIVING, 50_000, 4)
    numbers = [
        genome_equivalents_mean_kinship(three_living, LIVING),
        found.genome_equivalents_mean_over_drops().value,
        found.genome_equivalents_contribution_retention().value,
        effective_ancestors(three_living, LIVING).number,
        founder_equivalents(founder_shares(three_living, LIVING)),
    ]
    np.testing.assert_allclose(numbers, [1.6364, 1.7121, 1.9194, 2.5714, 4], atol=0.01)
    assert (np.diff(numbers) > 0.05).all()


@pytest.mark.parametrize("young", [1, 2, 3, 4, 5, 7, 10])
def test_founder_survival__founder_with_independent_offspring(young):
    # 1 - (1/2)^k of a founder's genome survives in k offspring (MacCluer et al. 1986; computed).
    parents = np.array([[-1, -1]] + [[0, -1]] * young)
    found = founder_survival(parents, np.r_[0, np.ones(young)], 40_000, young)
    assert found.founders.row[0] == 0
    assert abs(found.retention.value[0] - (1 - 0.5**young)) <= 4 * found.retention.standard_error[0] + 1e-12
    # each unknown parent is one more founder of which the one gamete that was seen is kept
    np.testing.assert_array_equal(found.retention.value[1:], 1.0)
    assert found.genomes_surviving().value == pytest.approx(found.retention.value[0] + young / 2)


# --- properties on other pedigrees -----------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(4))
def test_founder_survival__equals_enumeration(seed, every_drop):
    rng = np.random.default_rng(seed)
    parents = np.full((10, 2), -1)
    for i in range(4, 10):
        parents[i] = rng.choice(i, 2, replace=False)
    parents[5 + seed % 3, seed % 2] = -1
    living = np.flatnonzero(rng.random(10) < 0.6)
    living = living if living.size > 1 else np.array([8, 9])
    w = np.zeros(10)
    w[living] = 1
    retention, unique, squares = exact_survival(parents, living, every_drop)
    found = founder_survival(parents, w, 40_000, seed)
    expected = np.array([retention[int(r)] for r in found.founders.row])
    assert (np.abs(found.retention.value - expected) <= 4.5 * found.retention.standard_error + 1e-12).all()
    assert (np.abs(found.uniqueness.value - unique) <= 4.5 * found.uniqueness.standard_error + 1e-12).all()
    error = squares.std() / found.drops**0.5
    assert abs(found.square_sum.mean() - squares.mean()) <= 4.5 * error + 1e-12
    assert squares.mean() == pytest.approx(group_kinship(parents, w, self_pairs=True))


@pytest.mark.parametrize("seed", range(3))
def test_founder_shares__unknown_parent_is_a_founder_of_its_own(random_pedigree, seed):
    parents = random_pedigree(seed, known=0.75)
    full, extra = with_phantom_founders(parents)
    w = np.r_[np.zeros(40), np.random.default_rng(seed).random(20)]
    one, two = founder_shares(parents, w), founder_shares(full, np.r_[np.zeros(extra), w])
    assert extra == (one.unknown_side >= 0).sum() > 0
    assert one.share.sum() == pytest.approx(1)
    np.testing.assert_allclose(np.sort(one.share), np.sort(two.share), atol=1e-14)
    assert founder_equivalents(one) == pytest.approx(founder_equivalents(two))
    np.testing.assert_allclose(kinship_matrix(full)[extra:, extra:], kinship_matrix(parents), atol=1e-14)
    assert effective_ancestors(parents, w).number == pytest.approx(
        effective_ancestors(full, np.r_[np.zeros(extra), w]).number
    )


@pytest.mark.parametrize("seed", range(5))
def test_founder_numbers__are_ordered(random_pedigree, seed):
    # Drift and uneven use only lower the number: genome equivalents <= founder equivalents <= founders (Lacy 1989).
    # Effective ancestors have no such place when generations overlap: more ancestors than founders may be taken.
    parents = random_pedigree(seed, known=1.0, founders=8)
    w = np.r_[np.zeros(45), np.ones(15)]
    ancestors = effective_ancestors(parents, w)
    assert ancestors.share.sum() == pytest.approx(1, abs=1e-8)
    assert (np.diff(ancestors.share) <= 1e-12).all()
    numbers = [
        genome_equivalents_mean_kinship(parents, w),
        founder_equivalents(founder_shares(parents, w)),
        8,
    ]
    assert (np.diff(numbers) >= -1e-9).all()


def slow_marginal_ancestors(parents, w):
    """Boichard's steps written out with the full gene-flow matrix, members of the group left out."""
    n = len(parents)
    links = parents.copy()
    chosen, shares = [], []
    members = {int(i) for i in np.flatnonzero(w)}
    while sum(shares) < 1 - 1e-9:
        t = np.eye(n)
        for i in range(n):
            for p in links[i]:
                if p >= 0:
                    t[i] += 0.5 * t[p]
        raw = w @ t / w.sum()
        explained = t[:, chosen].sum(axis=1) if chosen else np.zeros(n)
        marginal = raw * (1 - explained)
        marginal[[*members, *chosen]] = 0
        best = int(np.argmax(np.round(marginal, 12)))
        chosen.append(best)
        shares.append(marginal[best])
        links[best] = -1
    return chosen, shares


@pytest.mark.parametrize("seed", range(6))
def test_effective_ancestors__equals_slow_steps(random_pedigree, seed):
    parents = random_pedigree(seed, n=40, known=1.0, founders=6)
    used = np.zeros(40, bool)
    used[parents[parents >= 0]] = True
    w = np.where(used, 0.0, 1.0)
    w[:6] = 0
    chosen, shares = slow_marginal_ancestors(parents, w)
    found = effective_ancestors(parents, w)
    np.testing.assert_allclose(found.share[: len(shares)], shares, atol=1e-10)
    assert found.row[0] == chosen[0]


def test_effective_ancestors__living_founders_count_for_themselves():
    parents = np.full((3, 2), -1)
    assert effective_ancestors(parents, [1, 1, 1]).number == pytest.approx(3)


def test_founder_survival__equal_seeds_equal_results(three_living):
    a, b = (founder_survival(three_living, LIVING, 500, s) for s in (3, np.random.default_rng(3)))
    np.testing.assert_array_equal(a.square_sum, b.square_sum)
    np.testing.assert_array_equal(a.retention.value, b.retention.value)


def test_founder_survival__one_drop_has_no_error(three_living):
    found = founder_survival(three_living, LIVING, 1, 3)
    e = found.genomes_surviving()
    assert e.low is None
    assert e.note == "too few drops for an error"
    never = founder_survival(three_living, LIVING, 2, 8)
    lost = never.genome_equivalents_contribution_retention()
    assert lost.estimable == bool((never.retention.value > 0).all())


def test_founders__raise(three_living):
    with pytest.raises(ValueRangeError, match=r"found a sum of 0\.9"):
        founder_equivalents([0.5, 0.4])
    with pytest.raises(ValueRangeError, match="no fish with a weight above 0"):
        founder_shares(three_living, np.zeros(10))
    with pytest.raises(ValueRangeError, match="unexplained: found 1"):
        effective_ancestors(three_living, LIVING, 1)
    with pytest.raises(ValueRangeError, match="drops: found 0"):
        founder_survival(three_living, LIVING, 0, 1)


@pytest.mark.slow
def test_founder_shares__equal_sgkit_contributions(random_pedigree, sgkit_pedigree):
    import sgkit

    for seed in range(3):
        parents = random_pedigree(seed, n=40, known=1.0)
        ds = sgkit.pedigree_contribution(sgkit_pedigree(parents), chunks=-1)
        contribution = ds.stat_pedigree_contribution.values  # ancestor by descendant
        living = np.arange(30, 40)
        w = np.zeros(40)
        w[living] = 1
        shares = founder_shares(parents, w)
        np.testing.assert_allclose(
            shares.share, contribution[np.ix_(shares.row, living)].mean(axis=1), atol=1e-12
        )
