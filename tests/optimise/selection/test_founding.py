"""What a founder group is worth, against published numbers, closed forms and simulation."""

from __future__ import annotations

import numpy as np
import pytest

from broodstock.effective_size.decay import chance_to_carry as chance_unrelated
from broodstock.errors import ShapeError, ValueRangeError
from broodstock.pedigree.gene_drop import drop_genes
from planner.optimise.selection.founding import chance_to_carry, distinct_genes, expected_adults, ne_of_sexes


@pytest.mark.parametrize(
    ("females", "males", "ne"),
    # 4 F M / (F + M), Wright 1931; 28 females and 60 males of a published cove stocking give 76.
    [(28, 60, 76.36), (20, 40, 53.33), (15, 45, 45.0), (30, 30, 60.0), (7, 0, 0.0)],
)
def test_ne_of_sexes__closed_form(females: int, males: int, ne: float) -> None:
    made = ne_of_sexes(females, males, 0)
    assert made.value == pytest.approx(ne, abs=0.005)
    assert made.low is None


def test_ne_of_sexes__unknown_sexes_by_simulation() -> None:
    made = ne_of_sexes(5, 8, 17)
    rng = np.random.default_rng(1)
    f = 5 + rng.binomial(17, 0.5, 200_000)
    ne = 4 * f * (30 - f) / 30
    assert made.value == pytest.approx(ne.mean(), abs=4 * ne.std() / len(ne) ** 0.5)
    assert made.low == pytest.approx(np.quantile(ne, 0.025), abs=0.3)
    assert made.high == pytest.approx(np.quantile(ne, 0.975), abs=0.01)


def test_ne_of_sexes__all_unknown_closed_form() -> None:
    # F ~ binomial(n, 1/2): mean of 4 F (n - F) / n is n - 1.
    assert ne_of_sexes(0, 0, 60).value == pytest.approx(59.0)


def test_ne_of_sexes__bad_input() -> None:
    with pytest.raises(ValueRangeError, match="Expected numbers of at least 0"):
        ne_of_sexes(-1, 3, 0)
    with pytest.raises(ValueRangeError, match="found 0 females, 0 males, 0 unknown"):
        ne_of_sexes(0, 0, 0)


@pytest.mark.parametrize(
    ("p", "n", "chance"),
    [(0.05, 30, 0.953930), (0.05, 10, 0.641514), (0.01, 50, 0.633968), (0.01, 150, 0.950959)],
)
def test_chance_to_carry__unrelated_fish_give_the_textbook(p: float, n: int, chance: float) -> None:
    # 1 - (1 - p)^(2N), conservation genetics textbooks (from memory).
    genes = drop_genes(np.full((n, 2), -1), np.arange(n), 3, 1).genes
    made = chance_to_carry(genes, p)
    assert made.value == pytest.approx(chance, abs=1e-6)
    assert made.value == pytest.approx(chance_unrelated(p, n))
    assert made.low == pytest.approx(made.high)


def test_chance_to_carry__full_sibs_closed_form() -> None:
    # n full sibs carry each of the four parental genes unless every sib got the other one of that parent, chance
    # 2^-n: the mean of (1 - p)^A with one or both genes of each parent is ((1-p)^2 (1 - 2^(1-n)) + (1-p) 2^(1-n))^2.
    n, p = 3, 0.1
    parents = [[-1, -1], [-1, -1], *[[0, 1]] * n]
    genes = drop_genes(parents, np.arange(2, 2 + n), 20_000, 5).genes
    one = 2.0 ** (1 - n)
    q = 1 - p
    made = chance_to_carry(genes, p)
    assert made.low is not None
    assert made.high is not None
    assert made.value == pytest.approx(1 - (q**2 * (1 - one) + q * one) ** 2, abs=2 * (made.high - made.low))


def test_chance_to_carry__alleles_drawn_one_by_one() -> None:
    # Slow version: give every founder gene the allele with chance p and look whether any fish carries it.
    parents = np.array([[-1, -1]] * 3 + [[0, 1], [0, 1], [1, 2], [3, 5]])
    genes = drop_genes(parents, [4, 5, 6], 20_000, 2).genes
    has = np.random.default_rng(3).random((len(genes), 6)) < 0.15
    carried = np.array([row[g.ravel()].any() for row, g in zip(has, genes, strict=True)])
    made = chance_to_carry(genes, 0.15)
    assert made.value == pytest.approx(carried.mean(), abs=4 * carried.std() / len(carried) ** 0.5)


def test_distinct_genes__agrees_with_sets() -> None:
    genes = np.random.default_rng(4).integers(0, 6, (50, 4, 2))
    assert distinct_genes(genes).tolist() == [len(set(g.ravel().tolist())) for g in genes]


def test_chance_to_carry__bad_input() -> None:
    with pytest.raises(ValueRangeError, match="allele frequency: found 1"):
        chance_to_carry(np.zeros((1, 1, 2), int), 1.0)
    with pytest.raises(ShapeError, match="n_drops, n_fish, 2"):
        chance_to_carry(np.zeros((0, 1, 2), int), 0.1)


def test_expected_adults__interval_covers_simulated_survivors() -> None:
    # One shared shift of the logit, then each fish lives or dies; 95 % of the outcomes lie inside, or a little more.
    rng = np.random.default_rng(6)
    eta = rng.normal(0.3, 0.5, 60)
    p = 1 / (1 + np.exp(-eta))
    made = expected_adults(p, p * (1 - p) * 0.35)
    shift = rng.normal(0, 0.35, 20_000)
    lived = (rng.random((20_000, 60)) < 1 / (1 + np.exp(-(eta + shift[:, None])))).sum(axis=1)
    assert made.value == pytest.approx(lived.mean(), abs=0.8)
    assert made.low is not None
    assert made.high is not None
    assert 0.93 <= ((lived >= made.low) & (lived <= made.high)).mean() <= 0.98


def test_expected_adults__bad_input() -> None:
    with pytest.raises(ShapeError, match="one of each per fish"):
        expected_adults([], [])
    with pytest.raises(ValueRangeError, match="outside 0 to 1"):
        expected_adults([1.2], [0.1])
