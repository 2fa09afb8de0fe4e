"""Mating designs: equal diversity of factorial and pairs, published numbers, brute force, sterile males, bad input."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from broodstock.errors import ShapeError, UsageError, ValueRangeError
from broodstock.pedigree.kinship import kinship_matrix
from planner.optimise.season.compare import design_figures, sterile_loss
from planner.optimise.season.designs import Design, mating_designs
from planner.optimise.season.families import (
    cohort_kinship,
    effective_number,
    effective_parents,
    young_kinship,
)


def unrelated(n: int) -> np.ndarray:
    return np.eye(n) / 2


def related(seed: int, nf: int, nm: int) -> np.ndarray:
    """Kinship of fish with some full and half sibs among them."""
    rng = np.random.default_rng(seed)
    parents = np.full((8 + nf + nm, 2), -1)
    parents[8:, 0] = rng.integers(0, 4, nf + nm)
    parents[8:, 1] = rng.integers(4, 8, nf + nm)
    return kinship_matrix(parents)[8:, 8:]


def by_name(designs: list[Design]) -> dict[str, Design]:
    return {d.name: d for d in designs}


def young_by_pedigree(table: np.ndarray) -> float:
    """Mean kinship of young of unrelated parents, self pairs in, from the kinship of the whole pedigree."""
    nf, nm = table.shape
    parents = [(-1, -1)] * (nf + nm)
    parents += [(f, nf + m) for f in range(nf) for m in range(nm) for _ in range(int(table[f, m]))]
    return float(kinship_matrix(np.array(parents))[nf + nm :, nf + nm :].mean())


def test_two_by_two__factorial_and_pairs_have_the_same_diversity() -> None:
    # Kinship by hand: 4 young, self 1/2; pairs: 4 ordered full-sib pairs of 1/4; factorial: 8 ordered
    # half-sib pairs of 1/8. Both sums are 2 + 1 = 3 over 16.
    pairs, factorial = 2 * np.eye(2), np.ones((2, 2))
    for table in (pairs, factorial):
        assert young_kinship(table, unrelated(4)) == pytest.approx(0.1875, abs=1e-15)
        assert 1 - young_kinship(table, unrelated(4)) == pytest.approx(0.8125, abs=1e-15)
        assert young_by_pedigree(table) == pytest.approx(0.1875, abs=1e-15)


@pytest.mark.parametrize("seed", range(6))
def test_equal_contributions__no_design_gains_diversity(seed: int) -> None:
    n = 6
    K = related(seed, n, n)
    found = by_name(mating_designs(K[:n, n:]))
    figures = [design_figures(d.egg_shares(), K, draws=20) for d in found.values()]
    assert len(figures) == 7
    for f in figures:
        assert f.kinship == pytest.approx(figures[0].kinship, abs=1e-13)
        assert f.diversity == pytest.approx(figures[0].diversity, abs=1e-13)
        assert f.effective == pytest.approx(12)
        assert f.sterile.eggs == pytest.approx(1 / n), "the share of eggs at risk is the same too"


def test_guidelines__published_numbers() -> None:
    # Williamson and Wydoski (1994), genetics management guidelines for endangered fishes (from memory):
    # 5 x 5 has Ne 10 and 5 % inbreeding a generation, 25 x 25 pairs Ne 50 and 1 %.
    five = design_figures(np.ones((5, 5)), unrelated(10), draws=20)
    assert (five.effective, five.inbreeding_rate) == (pytest.approx(10), pytest.approx(0.05))
    assert five.dishes == 25
    pairs = design_figures(np.eye(25), unrelated(50), draws=20)
    assert (pairs.effective, pairs.inbreeding_rate) == (pytest.approx(50), pytest.approx(0.01))
    # Unrelated parents: gene diversity of very many young 1 - 1/8F - 1/8M.
    assert five.diversity == pytest.approx(0.95)
    assert pairs.diversity == pytest.approx(0.99)


def test_demo_season__24_females_and_26_males() -> None:
    designs = by_name(mating_designs(np.zeros((24, 26))))
    figures = {
        k: design_figures(d.egg_shares(), unrelated(50), draws=20) for k, d in designs.items() if d.possible
    }
    assert figures["full factorial"].effective == pytest.approx(49.92)
    # 72 dishes over 26 males: 20 males three times, 6 twice; 72^2 / (20 x 9 + 6 x 4) = 25.412 males.
    assert figures["each female x 3 males"].effective == pytest.approx(49.37, abs=0.005)
    assert figures["each female x 3 males"].dishes == 72
    assert designs["single pairs"].unused_males == 2
    assert figures["single pairs"].effective == pytest.approx(48)


@pytest.mark.parametrize(
    ("table", "diversity"),
    [(10 * np.eye(25), 0.989), (30 * np.eye(25), 0.989667), (10 * np.eye(5), 0.945)],
)
def test_young_kinship__finite_families(table: np.ndarray, diversity: float) -> None:
    # By hand for n pairs of k: (n k / 2 + n k (k - 1) / 4) / (n k)^2.
    assert 1 - young_kinship(table, unrelated(2 * len(table))) == pytest.approx(diversity, abs=5e-7)


@pytest.mark.parametrize("seed", range(5))
def test_young_kinship__is_the_pedigree_average(seed: int) -> None:
    rng = np.random.default_rng(seed)
    table = rng.integers(0, 4, (3, 4))
    table[0, 0] = 1
    assert young_kinship(table, unrelated(7)) == pytest.approx(young_by_pedigree(table))
    many = 100_000 * table
    assert young_kinship(many, unrelated(7)) == pytest.approx(cohort_kinship(table, unrelated(7)), abs=1e-5)


@pytest.mark.parametrize("seed", range(6))
def test_single_pairs__least_kinship_of_all_pairings(seed: int) -> None:
    K = related(seed, 4, 5)[:4, 4:]
    found = by_name(mating_designs(K))["single pairs"]
    assert found.pairs is not None
    best = min(sum(K[f, m] for f, m in enumerate(p)) for p in itertools.permutations(range(5), 4))
    assert K[found.pairs].sum() == pytest.approx(best, abs=1e-9)
    turned = by_name(mating_designs(K.T))["single pairs"]
    assert turned.pairs is not None
    assert K.T[turned.pairs].sum() == pytest.approx(best, abs=1e-9)


@pytest.mark.parametrize("seed", range(6))
def test_partial_factorial__least_kinship_of_all_balanced_choices(seed: int) -> None:
    K = related(seed, 4, 4)[:4, 4:]
    found = by_name(mating_designs(K))["each female x 2 males"]
    best = np.inf
    for choice in itertools.product(itertools.combinations(range(4), 2), repeat=4):
        if (np.bincount(np.ravel(choice), minlength=4) == 2).all():
            best = min(best, sum(K[f, list(pair)].sum() for f, pair in enumerate(choice)))
    assert found.pairs is not None
    assert K[found.pairs].sum() == pytest.approx(best, abs=1e-9)


@pytest.mark.parametrize(("nf", "nm"), [(24, 26), (7, 5), (5, 9), (9, 9), (1, 3)])
def test_designs__shapes(nf: int, nm: int) -> None:
    designs = by_name(mating_designs(related(1, nf, nm)[:nf, nf:]))
    for k in (2, 3, 4):
        d = designs[f"each female x {k} males"]
        if d.pairs is None:
            assert k > nm
            continue
        assert (d.pairs.sum(axis=1) == k).all()
        assert np.ptp(d.pairs.sum(axis=0)) <= 1
    for b in (2, 3):
        d = designs[f"blocks of {b} x {b}"]
        if d.pairs is None:
            assert min(nf, nm) < b
            continue
        of_f, of_m = d.pairs.sum(axis=1), d.pairs.sum(axis=0)
        assert max(of_f.max(), of_m.max()) == b
        assert d.unused_females == (of_f == 0).sum()
        linked = d.pairs.astype(int) @ d.pairs.T.astype(int)
        assert set(np.unique(linked)) <= set(range(b + 1))
        same = linked > 0
        assert np.array_equal(d.pairs[same.argmax(axis=1)][of_f > 0], d.pairs[of_f > 0]), "blocks are full"
    for d in designs.values():
        if d.possible:
            assert d.egg_shares().sum() == pytest.approx(1)


def test_designs__the_limit_is_kept_or_named() -> None:
    K = np.zeros((4, 4))
    K[0, :3] = 0.25
    designs = by_name(mating_designs(K, 0.125))
    assert designs["single pairs"].pairs is not None
    assert designs["single pairs"].pairs[0].tolist() == [False, False, False, True]
    assert not designs["each female x 2 males"].possible
    assert "leaves too few pairs" in designs["each female x 2 males"].why_not
    assert designs["full factorial"].above_limit == 3
    assert designs["blocks of 2 x 2"].above_limit == 1, "the best blocks keep one pair above the limit"


def test_blocks__swaps_find_the_block_without_sibs() -> None:
    # Sibs stand so that the first blocks tried join them.
    K = np.kron(np.eye(4), np.full((2, 2), 0.25))
    found = by_name(mating_designs(K, 0.125))["blocks of 2 x 2"]
    assert found.pairs is not None
    assert found.above_limit == 0
    assert K[found.pairs].sum() == 0


def test_sterile__closed_forms() -> None:
    n, p = 6, 0.1
    for k in (1, 2, 3, 6):
        table = np.array([[1.0 if (m - f) % n < k else 0.0 for m in range(n)] for f in range(n)])
        loss = sterile_loss(table, p)
        assert loss.eggs == pytest.approx(1 / n)
        assert loss.families == pytest.approx(k)
        assert loss.females_alone == (n if k == 1 else 0)
        assert loss.females_expected == pytest.approx(n * p**k)
        # k females lose 1/k of their young: Nf = (n-1)^2 / (n - k + k (1 - 1/k)^2), Nm = n - 1.
        nf = (n - 1) ** 2 / (n - k + k * (1 - 1 / k) ** 2)
        assert loss.effective_after == pytest.approx(4 * nf * (n - 1) / (nf + n - 1))
        assert loss.eggs_sd == pytest.approx(np.sqrt(p * (1 - p) / n))


def test_sterile__the_only_male_takes_all() -> None:
    loss = sterile_loss(np.ones((3, 1)), 0.05)
    assert loss.eggs == 1
    assert loss.effective_after == 0
    assert loss.females_alone == 3


def test_uneven__without_variation_is_the_exact_number() -> None:
    out = design_figures(np.ones((4, 4)), unrelated(8), cv_female=0, cv_dish=0, draws=20).uneven
    assert (out.value, out.low, out.high) == (pytest.approx(8), pytest.approx(8), pytest.approx(8))


def test_uneven__dishes_of_a_factorial_even_out() -> None:
    pairs = design_figures(np.eye(10), unrelated(20), cv_female=0, cv_dish=0.5, draws=800)
    full = design_figures(np.ones((10, 10)), unrelated(20), cv_female=0, cv_dish=0.5, draws=800)
    # Log-normal with CV 0.5 in n equal sources: n / (1 + 0.25) in expectation for large n.
    assert pairs.uneven.value == pytest.approx(20 / 1.25, rel=0.08)
    assert full.uneven.value == pytest.approx(20 / 1.025, rel=0.01)
    assert pairs.effective == pytest.approx(full.effective)


def test_uneven__same_seed_same_numbers() -> None:
    first = design_figures(np.eye(5), unrelated(10), seed=3)
    assert first == design_figures(np.eye(5), unrelated(10), seed=3)
    assert first.uneven != design_figures(np.eye(5), unrelated(10), seed=4).uneven


def test_effective_number__closed_form() -> None:
    assert effective_number([0.65, 0.20, 0.11, 0.04]) == pytest.approx(2.10, abs=0.005)
    # One female, four males with these shares of pooled milt: 2.71, with equal shares 3.2.
    assert effective_parents([[0.65, 0.20, 0.11, 0.04]]) == pytest.approx(2.71, abs=0.005)
    assert effective_parents([[1, 1, 1, 1]]) == pytest.approx(3.2)
    assert effective_parents(np.zeros((2, 2))) == 0


def test_designs__bad_input() -> None:
    with pytest.raises(UsageError, match=r"found shape \(0, 4\) of females by males"):
        mating_designs(np.zeros((0, 4)))
    with pytest.raises(ValueRangeError, match="males a female"):
        mating_designs(np.zeros((2, 2)), males_per_female=(0,))
    with pytest.raises(ValueRangeError, match="kinship of the pairs"):
        mating_designs(np.full((2, 2), np.nan))
    with pytest.raises(ValueRangeError, match="found no young at all"):
        design_figures(np.zeros((2, 2)), unrelated(4))
    with pytest.raises(ValueRangeError, match=r"family table \[0, 0\]: found -1"):
        design_figures(-np.ones((2, 2)), unrelated(4))
    with pytest.raises(ShapeError, match="kinship of the parents"):
        design_figures(np.ones((2, 2)), unrelated(3))
    with pytest.raises(ValueRangeError, match=r"sterile chance: found 1\.5"):
        sterile_loss(np.ones((2, 2)), 1.5)
    with pytest.raises(
        UsageError, match=r"found no pairs\. Expected a possible design: there are only 1 males"
    ):
        mating_designs(np.zeros((2, 1)))[1].egg_shares()
