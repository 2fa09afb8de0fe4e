"""Kinship, inbreeding and mean kinship against published tables, sgkit, msprime and the slow definition."""

from __future__ import annotations

import numpy as np
import pytest

from broodstock.errors import PedigreeError, ShapeError, ValueRangeError
from broodstock.pedigree.inbreeding import pair_kinship
from broodstock.pedigree.kinship import (
    gene_diversity,
    group_kinship,
    inbreeding,
    kinship_between,
    kinship_between_pairs,
    kinship_matrix,
    mean_kinship,
    mendelian_variance,
)

# Mrode, Linear Models for the Prediction of Animal Breeding Values, 3rd ed., section 2.2 (pedigree read; the values
# of A from memory, equal to sgkit).
SIX_ANIMAL_A = np.array(
    [
        [1, 0, 0.5, 0.5, 0.5, 0.25],
        [0, 1, 0.5, 0, 0.25, 0.625],
        [0.5, 0.5, 1, 0.25, 0.625, 0.5625],
        [0.5, 0, 0.25, 1, 0.625, 0.3125],
        [0.5, 0.25, 0.625, 0.625, 1.125, 0.6875],
        [0.25, 0.625, 0.5625, 0.3125, 0.6875, 1.125],
    ]
)


def gene_flow(parents):
    """T: expected share of each ancestor in each fish."""
    n = len(parents)
    t = np.eye(n)
    for i in range(n):
        for p in parents[i]:
            if p >= 0:
                t[i] += 0.5 * t[p]
    return t


# --- six animals ---------------------------------------------------------------------------------------------------


def test_kinship_matrix__six_animals(six_animals):
    np.testing.assert_allclose(2 * kinship_matrix(six_animals), SIX_ANIMAL_A, atol=1e-12)


def test_inbreeding__six_animals(six_animals):
    np.testing.assert_allclose(inbreeding(six_animals), [0, 0, 0, 0, 0.125, 0.125], atol=1e-12)


def test_mendelian_variance__six_animals(six_animals):
    # Mrode section 2.3 tabulates D of A = T D T': 1, 1, 0.5, 0.75, 0.5, 0.46875; kinship halves it.
    np.testing.assert_allclose(
        2 * mendelian_variance(six_animals), [1, 1, 0.5, 0.75, 0.5, 0.46875], atol=1e-12
    )


def test_gene_flow__six_animals_rows_of_t(six_animals):
    t = gene_flow(six_animals)
    np.testing.assert_allclose(t[4], [0.5, 0.25, 0.5, 0.5, 1, 0], atol=1e-12)
    np.testing.assert_allclose(t[5], [0.25, 0.625, 0.25, 0.25, 0.5, 1], atol=1e-12)


def test_legarra_seventeen_animals():
    # Pedigree of Legarra, Aguilar & Misztal 2009, Journal of Dairy Science 92, 4656 (p. 4660); values computed.
    first = [0, 0, 0, 0, 0, 0, 0, 0, 1, 3, 5, 7, 9, 11, 4, 13, 13]
    second = [0, 0, 0, 0, 0, 0, 0, 0, 2, 4, 6, 8, 10, 12, 11, 15, 14]
    parents = np.array([first, second], np.int32).T - 1
    a = 2 * kinship_matrix(parents)
    expected_f = np.zeros(17)
    expected_f[15] = 0.0625
    np.testing.assert_allclose(inbreeding(parents), expected_f, atol=1e-12)
    for i, j, value in [
        (13, 15, 0.125),
        (13, 16, 0.5625),
        (15, 16, 0.5625),
        (14, 15, 0.25),
        (16, 17, 0.34375),
        (15, 17, 0.1875),
    ]:
        assert a[i - 1, j - 1] == pytest.approx(value, abs=1e-12)


# --- table of relationships (Wright 1922; Malecot 1948; from memory) --------------------------------------------------


def test_relationships():
    rows = {name: k for k, name in enumerate("ABCDEFGH")}
    parents = [[-1, -1]] * 8

    def add(name, dam, sire):
        rows[name] = len(parents)
        parents.append([rows[dam] if dam else -1, rows[sire] if sire else -1])

    add("s1", "A", "B")
    add("s2", "A", "B")
    add("half", "A", "C")
    add("t1", "C", "D")
    add("t2", "C", "D")
    add("double1", "s1", "t1")
    add("double2", "s2", "t2")
    add("cousin1", "s1", "E")
    add("cousin2", "s2", "F")
    add("halfcousin", "half", "G")
    add("removed", "cousin2", "G")
    add("second1", "cousin1", "G")
    add("second2", "cousin2", "H")
    add("threequarter1", "s1", "H")
    add("threequarter2", "s2", "H")
    add("dam_half1", "s1", "G")
    add("dam_half2", "half", "G")
    k = kinship_matrix(np.array(parents, np.int32))

    def f(a, b):
        return k[rows[a], rows[b]]

    assert f("A", "A") == 1 / 2
    assert f("A", "s1") == f("s1", "s2") == 1 / 4
    assert f("s1", "half") == f("A", "cousin1") == f("s2", "cousin1") == f("double1", "double2") == 1 / 8
    assert f("threequarter1", "threequarter2") == 3 / 16
    assert f("dam_half1", "dam_half2") == 5 / 32
    assert f("cousin1", "cousin2") == f("s1", "second2") == 1 / 16
    assert f("cousin1", "halfcousin") == f("cousin1", "removed") == 1 / 32
    assert f("second1", "second2") == 1 / 64


def test_relationships__nth_cousins():
    parents = [[-1, -1], [-1, -1], [0, 1], [0, 1]]
    left, right = 2, 3
    for n in range(1, 6):
        parents += [[-1, -1], [-1, -1]]
        mates = len(parents) - 2
        parents += [[left, mates], [right, mates + 1]]
        left, right = len(parents) - 2, len(parents) - 1
        f = kinship_between_pairs(np.array(parents), [left], [right])[0]
        assert f == pytest.approx(0.25 ** (n + 1), abs=1e-15)


# --- regular systems of mating (Wright 1922; Falconer & Mackay ch. 5; from memory, full sibs equal to sgkit) ------------


def full_sib_line(generations):
    parents = [[-1, -1], [-1, -1]]
    for _ in range(generations):
        n = len(parents)
        parents += [[n - 2, n - 1], [n - 2, n - 1]]
    return np.array(parents, np.int32)


def test_inbreeding__selfing():
    parents = np.array([[-1, -1]] + [[i, i] for i in range(10)])
    np.testing.assert_allclose(inbreeding(parents), 1 - 0.5 ** np.arange(11), atol=1e-14)


def test_inbreeding__full_sib_line():
    f = inbreeding(full_sib_line(12))[::2]
    exact = [0, 0, 1 / 4, 3 / 8, 1 / 2, 19 / 32, 43 / 64, 47 / 64, 201 / 256, 423 / 512, 55 / 64]
    np.testing.assert_allclose(f[:11], exact, atol=1e-14)
    np.testing.assert_allclose(f[11:], [0.886230, 0.907959], atol=5e-7)
    # Rate of inbreeding tends to (3 - sqrt 5) / 4 (Crow & Kimura; from memory).
    long = inbreeding(full_sib_line(60))[::2]
    assert 1 - (1 - long[30]) / (1 - long[29]) == pytest.approx((3 - 5**0.5) / 4, abs=1e-6)


def test_inbreeding__parent_by_offspring_is_the_full_sib_series():
    parents = [[-1, -1], [-1, -1], [0, 1]]
    for _ in range(9):
        n = len(parents)
        parents.append([n - 2, n - 1])
    f = inbreeding(np.array(parents))
    np.testing.assert_allclose(f[2:], inbreeding(full_sib_line(10))[2::2], atol=1e-14)


def test_inbreeding__backcross_to_one_sire():
    parents = np.array([[-1, -1], [-1, -1], [0, 1]] + [[0, i] for i in range(2, 8)])
    np.testing.assert_allclose(inbreeding(parents)[2:8], [0, 1 / 4, 3 / 8, 7 / 16, 15 / 32, 31 / 64])


def test_inbreeding__half_sib_system():
    # One male with many half-sisters per generation: F = (1 + 6 F' + F'') / 8.
    dams, generations = 40, 7
    parents = [[-1, -1]] * (dams + 1)
    males, females = 0, np.arange(1, dams + 1)
    series = [0.0]
    for _ in range(generations):
        start = len(parents)
        parents += [[int(d), males] for d in females]
        parents.append([int(females[0]), males])
        series.append(inbreeding(np.array(parents))[start])
        females, males = np.arange(start + 1, start + 1 + dams), start
        females[-1] = start + dams - 1
    expected = [0, 0, 0.125, 0.21875, 0.304688, 0.380859, 0.448730, 0.509155]
    np.testing.assert_allclose(series, expected, atol=5e-7)


# --- oracles ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(20))
def test_kinship__equals_sgkit_with_half_founders(random_pedigree, sgkit_pedigree, seed):
    import sgkit

    parents = random_pedigree(seed, n=80, known=0.8)
    assert ((parents == -1).sum(axis=1) == 1).any()
    ds = sgkit_pedigree(parents)
    with pytest.raises(ValueError, match="half-founders"):
        sgkit.pedigree_kinship(ds, merge=False)["stat_pedigree_kinship"].compute()
    expected = sgkit.pedigree_kinship(ds, allow_half_founders=True, merge=False)[
        "stat_pedigree_kinship"
    ].values
    np.testing.assert_allclose(kinship_matrix(parents), expected, atol=1e-14)
    f = sgkit.pedigree_inbreeding(ds, allow_half_founders=True, merge=False)[
        "stat_pedigree_inbreeding"
    ].values
    np.testing.assert_allclose(inbreeding(parents), f, atol=1e-14)


@pytest.mark.parametrize("seed", range(12))
def test_every_form_of_kinship__equals_slow_definition(random_pedigree, slow_kinship, seed):
    n = 5 + 9 * seed
    parents = random_pedigree(seed + 100, n=n, known=0.9, reach=5 + 6 * seed)
    k = slow_kinship(parents)
    rng = np.random.default_rng(seed)
    a, b = rng.integers(0, n, (2, 40))
    near = {"atol": 1e-14, "rtol": 0}
    np.testing.assert_allclose(kinship_matrix(parents), k, **near)
    np.testing.assert_allclose(kinship_between(parents, a, b[:7]), k[np.ix_(a, b[:7])], **near)
    np.testing.assert_allclose(kinship_between(parents, b[:7], a), k[np.ix_(b[:7], a)], **near)
    np.testing.assert_allclose(kinship_between_pairs(parents, a, b), k[a, b], **near)
    np.testing.assert_allclose(pair_kinship(parents, a, b, "window"), k[a, b], **near)
    np.testing.assert_allclose(pair_kinship(parents, a, b, "tracing"), k[a, b], **near)
    np.testing.assert_allclose(inbreeding(parents), 2 * np.diag(k) - 1, **near)
    w = rng.random(n)
    np.testing.assert_allclose(mean_kinship(parents, w), k @ w / w.sum(), **near)
    v = rng.random(n)
    expected = w @ k @ v / (w.sum() * v.sum())
    assert group_kinship(parents, w, v, self_pairs=True) == pytest.approx(expected, abs=1e-14)
    t, d = gene_flow(parents), mendelian_variance(parents)
    np.testing.assert_allclose(t @ np.diag(d) @ t.T, k, **near)


def test_inbreeding__window_closes_ranks_and_agrees_with_tracing():
    # Overlapping generations, far more breeders over time than places in the window.
    rng = np.random.default_rng(5)
    n = 6000
    parents = np.full((n, 2), -1, np.int32)
    for i in range(60, n):
        parents[i] = rng.choice(np.arange(i - 60, i - 5), 2, replace=False)
    known = (parents >= 0).all(axis=1)
    a, b = parents[known].astype(np.int64).T
    by_window = pair_kinship(parents, a, b, "window")
    np.testing.assert_allclose(by_window, pair_kinship(parents, a, b, "tracing"), atol=1e-13, rtol=0)
    np.testing.assert_allclose(by_window, inbreeding(parents)[known], atol=0, rtol=0)
    assert by_window[-1] > 0.3


def test_kinship_between__blocks_of_columns_agree_with_matrix(random_pedigree):
    parents = random_pedigree(3, n=400, reach=200, founders=20)
    rows, cols = np.arange(100, 400), np.arange(50, 250)
    k = kinship_matrix(parents)
    np.testing.assert_allclose(
        kinship_between(parents, rows, cols), k[np.ix_(rows, cols)], atol=1e-14, rtol=0
    )
    f = inbreeding(parents)
    given = kinship_between(parents, rows, cols, f)
    np.testing.assert_allclose(given, k[np.ix_(rows, cols)], atol=1e-14, rtol=0)


def test_kinship__equals_coalescence_in_a_fixed_pedigree():
    """Share of gene pairs with a common ancestor inside the pedigree (msprime) against kinship."""
    import msprime

    parents = np.array([[-1, -1]] * 3 + [[0, 1], [0, 1], [0, 2], [3, 5], [4, 5]])
    builder = msprime.PedigreeBuilder()
    times = [3, 3, 3, 2, 2, 2, 1, 1]
    for (dam, sire), time in zip(parents.tolist(), times, strict=True):
        if dam < 0:
            builder.add_individual(time=time)
        else:
            builder.add_individual(time=time, parents=[dam, sire])
    builder.add_individual(time=0, parents=[6, 7])
    tables = builder.finalise(sequence_length=1)
    full = np.vstack([parents, [6, 7]])
    replicates = 20_000
    together = 0
    for ts in msprime.sim_ancestry(
        initial_state=tables, model="fixed_pedigree", num_replicates=replicates, random_seed=7
    ):
        together += len(ts.first().roots) == 1
    share = together / replicates
    expected = inbreeding(full)[-1]
    assert 0.1 < expected < 0.3
    assert abs(share - expected) < 4 * np.sqrt(expected * (1 - expected) / replicates)


# --- metamorphic -----------------------------------------------------------------------------------------------------


def test_kinship__same_after_another_order_of_fish(random_pedigree):
    parents = random_pedigree(11)
    order = _parents_first_permutation(parents, np.random.default_rng(1).permutation(len(parents)))
    assert (order != np.arange(len(parents))).sum() > 20
    number = np.empty(len(parents), int)
    number[order] = np.arange(len(parents))
    moved = np.where(parents[order] >= 0, number[parents[order]], -1)
    np.testing.assert_allclose(
        kinship_matrix(moved), kinship_matrix(parents)[np.ix_(order, order)], atol=1e-14, rtol=0
    )
    np.testing.assert_allclose(inbreeding(moved), inbreeding(parents)[order], atol=1e-14, rtol=0)


def _parents_first_permutation(parents, preference):
    placed, out = set(), []
    while len(out) < len(parents):
        for i in preference:
            if i not in placed and all(p < 0 or p in placed for p in parents[i]):
                placed.add(i)
                out.append(i)
    return np.array(out)


def test_kinship__same_after_swapping_dam_and_sire(random_pedigree):
    parents = random_pedigree(12)
    np.testing.assert_array_equal(kinship_matrix(parents[:, ::-1].copy()), kinship_matrix(parents))
    np.testing.assert_array_equal(inbreeding(parents[:, ::-1].copy()), inbreeding(parents))


def test_kinship__unknown_parent_is_a_new_founder(random_pedigree):
    parents = random_pedigree(13, known=0.7)
    unknown = np.argwhere(parents == -1)
    unknown = unknown[(parents[unknown[:, 0]] >= 0).any(axis=1)]
    extra = len(unknown)
    written = np.vstack([np.full((extra, 2), -1), np.where(parents >= 0, parents + extra, -1)])
    written[unknown[:, 0] + extra, unknown[:, 1]] = np.arange(extra)
    np.testing.assert_allclose(
        kinship_matrix(written)[extra:, extra:], kinship_matrix(parents), atol=1e-14, rtol=0
    )


def test_mean_kinship__unrelated_founder_dilutes(random_pedigree):
    parents = random_pedigree(14)
    w = np.ones(len(parents))
    before = group_kinship(parents, w, self_pairs=False)
    more = np.vstack([parents, [[-1, -1]]])
    n = len(parents)
    after = group_kinship(more, np.append(w, 1.0), self_pairs=False)
    assert after == pytest.approx(before * (n - 1) / (n + 1), rel=1e-12)


def test_mean_kinship__same_for_scaled_weights(random_pedigree):
    parents = random_pedigree(15)
    w = np.random.default_rng(2).random(len(parents))
    np.testing.assert_allclose(mean_kinship(parents, 7 * w), mean_kinship(parents, w), rtol=1e-13)


# --- mean kinship and gene diversity (Lacy 1995, Zoo Biology 14, 565; Ballou & Lacy 1995; computed) ----------------------


@pytest.mark.parametrize(
    ("sibs", "mean", "diversity"),
    [(1, 0.5, 0.5), (2, 0.375, 0.625), (3, 1 / 3, 2 / 3), (5, 0.3, 0.7), (10, 0.275, 0.725)],
)
def test_gene_diversity__full_sibs_of_an_unrelated_pair(sibs, mean, diversity):
    parents = np.array([[-1, -1], [-1, -1]] + [[0, 1]] * sibs)
    w = np.r_[0, 0, np.ones(sibs)]
    assert group_kinship(parents, w, self_pairs=True) == pytest.approx(mean, abs=1e-14)
    assert mean == pytest.approx((sibs + 1) / (4 * sibs))
    assert gene_diversity(parents, w) == pytest.approx(diversity, abs=1e-14)
    np.testing.assert_allclose(mean_kinship(parents, w)[2:], mean, atol=1e-14)


def test_gene_diversity__unrelated_founders():
    for n in (1, 5, 30):
        parents = np.full((n, 2), -1)
        assert gene_diversity(parents, np.ones(n)) == pytest.approx(1 - 1 / (2 * n), abs=1e-14)


def test_mean_kinship__six_candidates():
    # founders A-F; m1=AxB m2=AxC m3=DxE w1=AxB w2=DxF w3=BxC (computed)
    parents = np.array([[-1, -1]] * 6 + [[0, 1], [0, 2], [3, 4], [0, 1], [3, 5], [1, 2]])
    w = np.r_[np.zeros(6), np.ones(6)]
    expected = [1 / 6, 7 / 48, 5 / 48, 1 / 6, 5 / 48, 7 / 48]
    np.testing.assert_allclose(mean_kinship(parents, w)[6:], expected, atol=1e-14)
    assert gene_diversity(parents, w) == pytest.approx(31 / 36, abs=1e-14)
    np.testing.assert_allclose(
        kinship_between(parents, [6, 7, 8], [9, 10, 11]),
        [[0.25, 0, 0.125], [0.125, 0, 0.125], [0, 0.125, 0]],
    )


def test_gene_diversity__factorial_crossing_adds_none_by_itself():
    # Equal contributions of unrelated parents: two pairs x 2 young and a 2 x 2 factorial x 1 are alike.
    founders = [[-1, -1]] * 4
    pairs = np.array([*founders, [0, 2], [0, 2], [1, 3], [1, 3]])
    factorial = np.array([*founders, [0, 2], [0, 3], [1, 2], [1, 3]])
    w = np.r_[np.zeros(4), np.ones(4)]
    for parents in (pairs, factorial):
        assert gene_diversity(parents, w) == pytest.approx(0.8125, abs=1e-14)
        # without self-pairs another number comes out: never to be compared with the first
        assert gene_diversity(parents, w, self_pairs=False) == pytest.approx(0.916667, abs=5e-7)


def test_mean_kinship__self_pairs_out(random_pedigree):
    parents = random_pedigree(16)
    k = kinship_matrix(parents)
    w = np.zeros(len(parents))
    group = np.arange(20, 50)
    w[group] = 1
    got = mean_kinship(parents, w, self_pairs=False)
    for i in (3, 25, 49):
        others = [j for j in group if j != i]
        assert got[i] == pytest.approx(k[i, others].mean(), abs=1e-14)
    inside = k[np.ix_(group, group)]
    off = inside[~np.eye(group.size, dtype=bool)].mean()
    assert group_kinship(parents, w, self_pairs=False) == pytest.approx(off, abs=1e-14)


def test_group_kinship__overlapping_groups_without_self_pairs(random_pedigree):
    parents = random_pedigree(17)
    k = kinship_matrix(parents)
    a, b = np.zeros(len(parents)), np.zeros(len(parents))
    a[10:30], b[25:40] = 1, 1
    pairs = [k[i, j] for i in range(10, 30) for j in range(25, 40) if i != j]
    got = group_kinship(parents, a, b, self_pairs=False)
    assert got == pytest.approx(np.mean(pairs), abs=1e-14)


# --- refusals --------------------------------------------------------------------------------------------------------


def test_inbreeding__raises_when_offspring_stand_first():
    with pytest.raises(PedigreeError, match=r"fish '0': found parents \[1, -1\].*parents come first"):
        inbreeding([[1, -1], [-1, -1]])


def test_inbreeding__raises_on_shape_and_type():
    with pytest.raises(ShapeError, match=r"shape \(3,\).*Pass Pedigree.parents"):
        inbreeding([0, 1, 2])
    with pytest.raises(ShapeError, match="type float64"):
        inbreeding([[-1.0, -1.0]])


def test_inbreeding__empty_pedigree():
    assert inbreeding(np.zeros((0, 2), int)).shape == (0,)
    assert kinship_matrix(np.zeros((0, 2), int)).shape == (0, 0)


def test_mean_kinship__raises_on_bad_weights(six_animals):
    with pytest.raises(ValueRangeError, match="found nan for the fish in row 2"):
        mean_kinship(six_animals, [1, 1, np.nan, 0, 0, 0])
    with pytest.raises(ValueRangeError, match=r"found -1\.0 for the fish in row 1"):
        mean_kinship(six_animals, [1, -1, 0, 0, 0, 0])
    with pytest.raises(ValueRangeError, match="no fish with a weight above 0"):
        mean_kinship(six_animals, np.zeros(6))
    with pytest.raises(ShapeError, match=r"shape \(5,\). Expected one weight per fish, \(6,\)"):
        mean_kinship(six_animals, np.ones(5))
    with pytest.raises(ValueRangeError, match="one fish with all the weight"):
        mean_kinship(six_animals, [0, 0, 1, 0, 0, 0], self_pairs=False)
    with pytest.raises(ValueRangeError, match="found a single fish"):
        group_kinship(six_animals, [0, 0, 1, 0, 0, 0], self_pairs=False)


def test_kinship_between__raises_on_unknown_rows(six_animals):
    with pytest.raises(ValueRangeError, match=r"rows: found row number 6\. Expected 0 to 5"):
        kinship_between(six_animals, [0, 6], [1])
    with pytest.raises(ValueRangeError, match="b: found row number -1"):
        kinship_between_pairs(six_animals, [0], [-1])
    with pytest.raises(ShapeError, match="b: found 1 fish for 2 in a"):
        kinship_between_pairs(six_animals, [0, 1], [2])


def test_mendelian_variance__raises_on_impossible_inbreeding(six_animals):
    with pytest.raises(ValueRangeError, match="not between 0 and 1"):
        mendelian_variance(six_animals, [0, 0, 0, 0, 2, 0])
    with pytest.raises(ShapeError, match=r"F: found shape \(2,\)"):
        mendelian_variance(six_animals, [0, 0])
