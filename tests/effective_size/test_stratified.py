from __future__ import annotations

from itertools import combinations, product

import numpy as np
import pytest

from broodstock.effective_size.offspring_counts import sharing_probability
from broodstock.effective_size.sibship import sibship_nb
from broodstock.effective_size.stratified import _sharing, proportional_draw, stratified_nb
from broodstock.errors import ShapeError, ValueRangeError

# A cohort of three lots; young of one lot need not share their parents.
LOT = np.array(["a"] * 4 + ["b"] * 3 + ["c"] * 2)
DAM = np.array([0, 0, 1, 1, 0, 2, 2, 3, 3])
SIRE = np.array([5, 6, 5, 6, 5, 5, 7, 7, 8])
SIZES = {"a": 4, "b": 3, "c": 2}


def true_chance(parent: np.ndarray) -> float:
    chance = sharing_probability(np.unique(parent, return_counts=True)[1])
    assert chance is not None
    return chance


@pytest.mark.parametrize("parent", [DAM, SIRE], ids=["dam", "sire"])
def test_sharing__is_unbiased_over_every_possible_sample(parent: np.ndarray) -> None:
    """The oracle: all samples of two or three of lot a, two of b and two of c; their mean is the truth."""
    for take in ((2, 2, 2), (3, 2, 2), (4, 3, 2)):
        found = []
        lots = [np.flatnonzero(x == LOT) for x in "abc"]
        for chosen in product(*(combinations(lot, k) for lot, k in zip(lots, take, strict=True))):
            rows = np.concatenate([np.array(c) for c in chosen])
            _, at = np.unique(LOT[rows], return_inverse=True)
            chance = _sharing(parent[rows], at, np.bincount(at), np.array([4, 3, 2]))
            assert chance is not None
            found.append(chance)
        assert np.mean(found) == pytest.approx(true_chance(parent), abs=1e-12)


def test_stratified__a_census_equals_the_plain_estimate() -> None:
    found = stratified_nb(DAM, SIRE, LOT, SIZES)
    assert found.value == pytest.approx(sibship_nb(DAM, SIRE).value)
    assert found.value == pytest.approx(4 / (true_chance(DAM) + true_chance(SIRE)))


def test_stratified__corrects_what_equal_samples_of_unequal_families_distort() -> None:
    rng = np.random.default_rng(7)
    dams, sires, size = rng.integers(0, 12, 40), rng.integers(20, 32, 40), rng.integers(1, 120, 40)
    size[:3] = (400, 300, 250)
    cohort = np.repeat(np.arange(40), size)
    truth = 4 / (true_chance(dams[cohort]) + true_chance(sires[cohort]))
    family = np.concatenate([np.full(min(6, n), k) for k, n in enumerate(size)])
    sizes = {str(k): int(n) for k, n in enumerate(size)}
    found = stratified_nb(dams[family], sires[family], family.astype(str), sizes)
    assert found.value == pytest.approx(truth, rel=1e-9)
    assert found.low < truth < found.high
    assert sibship_nb(dams[family], sires[family]).low > truth
    # Labels of parents and the order of young mean nothing.
    order = rng.permutation(len(family))
    again = stratified_nb(
        99 - dams[family][order], 99 - sires[family][order], family[order].astype(str), sizes
    )
    assert again.value == pytest.approx(found.value)


def test_stratified__interval_holds_the_truth_of_lots_of_mixed_parents() -> None:
    rng = np.random.default_rng(11)
    covered = 0
    for _ in range(60):
        lot = np.repeat(np.arange(8), rng.integers(10, 150, 8))
        dam = (lot * 3 + rng.integers(0, 9, len(lot))) % 25
        sire = 30 + (lot * 2 + rng.integers(0, 8, len(lot))) % 20
        rows = np.concatenate(
            [rng.choice(np.flatnonzero(lot == k), 10, replace=False) for k in np.unique(lot)]
        )
        sizes = {str(k): int((lot == k).sum()) for k in np.unique(lot)}
        found = stratified_nb(dam[rows], sire[rows], lot[rows].astype(str), sizes, n_bootstrap=400, seed=rng)
        truth = 4 / (true_chance(dam) + true_chance(sire))
        covered += found.low <= truth <= found.high
    assert covered >= 54


def test_stratified__says_what_it_left_out_and_when_it_cannot() -> None:
    dam, sire = np.array([0, 0, 1, -1]), np.array([2, 2, 3, 3])
    found = stratified_nb(dam, sire, ["a", "a", "b", "b"], {"a": 5, "b": 1, "z": 4}, group="year class 9")
    assert "year class 9" in found.note
    assert "1 young without both parents were left out" in found.note
    assert "4 of 10 young are in families without a sample" in found.note
    none = stratified_nb(np.array([0, 1]), np.array([2, 3]), ["a", "b"], {"a": 5, "b": 5})
    assert none.text() == (
        "not estimable because no family has two young sampled, so sibs within families cannot be judged"
    )
    few = stratified_nb(np.array([0, -1]), np.array([2, 3]), ["a", "b"], {"a": 5, "b": 5})
    assert "fewer than two young have both parents assigned (1 of 2 lack one)" in few.text()
    with pytest.raises(ShapeError, match="Expected one of each per young"):
        stratified_nb(dam, sire, ["a"], {"a": 5})
    with pytest.raises(ValueRangeError, match="stratum 'a': found 2 young sampled of 1"):
        stratified_nb(dam[:3], sire[:3], ["a", "a", "b"], {"a": 1, "b": 1})
    with pytest.raises(ValueRangeError, match="parent number below -1"):
        stratified_nb(np.array([-2, 0]), np.array([1, 1]), ["a", "a"], {"a": 2})


def test_proportional_draw__gives_every_family_its_share() -> None:
    rng = np.random.default_rng(3)
    size = rng.integers(1, 130, 60)
    family = np.concatenate([np.full(min(n, 10), k) for k, n in enumerate(size)])
    sizes = {str(k): int(n) for k, n in enumerate(size)}
    drawn = proportional_draw(family.astype(str), sizes, seed=5)
    assert len(set(drawn.tolist())) == len(drawn)
    share = size / size.sum()
    got = np.bincount(family[drawn], minlength=60)
    assert (np.abs(got - len(drawn) * share) <= 1.5 + 0.02 * len(drawn)).all()
    assert np.abs(got - len(drawn) * share).mean() < 0.6
    assert drawn.tolist() == proportional_draw(family.astype(str), sizes, seed=5).tolist()
    # A sample that is proportional already is taken whole.
    even = np.repeat(["a", "b"], [4, 8])
    assert proportional_draw(even, {"a": 40, "b": 80}).tolist() == list(range(12))
    with pytest.raises(ValueRangeError, match="found no young in the families sampled"):
        proportional_draw(["a"], {"b": 3})
