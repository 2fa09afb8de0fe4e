from __future__ import annotations

import math
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from broodstock.effective_size.demographic import contribution_ne, sex_ratio_ne
from broodstock.effective_size.offspring_counts import nb_from_offspring_counts
from broodstock.effective_size.waterfall import StepShares, Waterfall, diversity_loss_waterfall
from broodstock.errors import UsageError, ValueRangeError
from broodstock.estimates import Estimate

FEMALES, MALES = tuple(f"F{k}" for k in range(6)), tuple(f"M{k}" for k in range(7))


def waterfall(*steps: StepShares, **more: object) -> Waterfall:
    return diversity_loss_waterfall(steps, **more)


def shares(parents: tuple[str, ...]) -> st.SearchStrategy[dict[str, float]]:
    number = st.one_of(
        st.just(0), st.integers(1, 10**7), st.floats(1e-9, 1e9, allow_nan=False, allow_infinity=False)
    )
    return st.dictionaries(st.sampled_from(parents), number, min_size=1).filter(
        lambda d: any(x > 0 for x in d.values())
    )


def step_of(name: str, pair: tuple[dict[str, float], dict[str, float]]) -> StepShares:
    return StepShares(name, *pair)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(shares(FEMALES), shares(MALES)), min_size=1, max_size=9))
def test_waterfall__ratios_multiply_exactly_to_the_total(
    pairs: list[tuple[dict[str, float], dict[str, float]]],
) -> None:
    found = waterfall(*(step_of(f"step {k}", pair) for k, pair in enumerate(pairs)))
    product = math.prod((s.ratio for s in found.steps if s.ratio is not None), start=Fraction(1))
    assert product == found.total == found.steps[-1].both / found.steps[0].both
    differences = [b.both - a.both for a, b in zip(found.steps[:-1], found.steps[1:], strict=True)]
    assert sum(differences, Fraction(0)) == found.steps[-1].both - found.steps[0].both
    for step in found.steps:
        assert 1 <= step.females <= step.n_females
        assert 1 <= step.males <= step.n_males
        assert float(step.both) == pytest.approx(4 / (1 / float(step.females) + 1 / float(step.males)))


@settings(max_examples=30, deadline=None)
@given(shares(FEMALES), shares(MALES), st.permutations(range(6)), st.integers(1, 50))
def test_waterfall__order_of_parents_and_unit_of_counting_change_nothing(
    females: dict[str, float], males: dict[str, float], order: list[int], factor: int
) -> None:
    turned = {p: females[p] for p in (FEMALES[k] for k in order) if p in females}
    scaled = {p: Fraction(x) * factor for p, x in turned.items()}
    one = waterfall(StepShares("a", females, males)).steps[0]
    other = waterfall(StepShares("a", scaled, males)).steps[0]
    assert one.both == other.both


def test_waterfall__equals_the_published_forms() -> None:
    # Wright 1931: 24 females and 26 males with equal shares give 49.92.
    equal = waterfall(
        StepShares("equal", dict.fromkeys(map(str, range(24)), 900), dict.fromkeys(map(str, range(26)), 7))
    )
    assert equal.steps[0].both == Fraction(4 * 24 * 26, 50)
    assert float(equal.steps[0].both) == pytest.approx(sex_ratio_ne(24, 26).value)
    # 24 females, three dishes each, over 26 males of which 20 are used three times and 6 twice.
    males = {f"M{k}": 3 if k < 20 else 2 for k in range(26)}
    by_dish = waterfall(StepShares("dishes", {f"F{k}": 3 for k in range(24)}, males)).steps[0]
    assert float(by_dish.both) == pytest.approx(49.37, abs=0.005)
    unequal = waterfall(StepShares("x", {"a": 30, "b": 10, "c": 10}, {"d": 4, "e": 1})).steps[0]
    assert float(unequal.both) == pytest.approx(contribution_ne([30, 10, 10], [4, 1]).both.value)
    assert unequal.estimate.low is None
    assert "no sampling error" in unequal.estimate.note


def test_waterfall__a_sample_of_fish_uses_pairs_of_different_fish() -> None:
    # Waples & Waples 2011 (from memory): males 30, 10, 10 and five females of 10 give 6.533333.
    females, males = {f"F{k}": 10 for k in range(5)}, {"M0": 30, "M1": 10, "M2": 10}
    seen = waterfall(StepShares("seen again", females, males, sampled=True)).steps[0]
    assert float(seen.both) == pytest.approx(6.533333, abs=1e-6)
    other = nb_from_offspring_counts(list(females.values()), list(males.values())).both
    assert (seen.estimate.low, seen.estimate.high) == (other.low, other.high)
    assert seen.estimate.low < float(seen.both) < seen.estimate.high


def test_waterfall__leaves_out_a_step_without_data_and_says_so() -> None:
    found = waterfall(
        StepShares("used", {"a": 1, "b": 1}, {"c": 1, "d": 1}),
        StepShares("eggs", absent="no egg counts were entered"),
        StepShares("hatched", {"a": 5, "b": 0}, {}),
        StepShares("seen", {"a": 1}, {"c": 1}, sampled=True),
        StepShares("kept", {"a": 30, "b": 10}, {"c": 1}),
        realised=Estimate(2.5, 2.0, 3.0, "by hand"),
    )
    assert [s.name for s in found.steps] == ["used", "kept"]
    assert dict(found.left_out) == {
        "eggs": "no egg counts were entered",
        "hatched": "there is no father with a share",
        "seen": "no two of the fish seen share a parent of each sex, so no number can be given",
    }
    kept = found.steps[1]
    assert kept.both == 4 * Fraction(8, 5) / (Fraction(8, 5) + 1)
    assert kept.ratio == found.total == kept.both / 4
    assert kept.lost_males == ("d",)
    assert kept.lost_females == ()
    assert found.largest_loss() is kept
    assert found.realised is not None


def test_waterfall__nothing_lost_and_nothing_known() -> None:
    gain = waterfall(
        StepShares("first", {"a": 9, "b": 1}, {"c": 1}), StepShares("then", {"a": 1, "b": 1}, {"c": 1})
    )
    assert gain.largest_loss() is None
    assert gain.steps[1].ratio > 1
    empty = waterfall(StepShares("first", absent="no records"))
    assert empty.steps == ()
    assert empty.total is None
    assert empty.largest_loss() is None


def test_waterfall__refuses_what_it_cannot_use() -> None:
    with pytest.raises(ValueRangeError, match=r"step 'eggs', parent 'a': found -1.0. Expected a number of"):
        waterfall(StepShares("eggs", {"a": -1.0}, {"b": 1}))
    with pytest.raises(ValueRangeError, match="parent 'b': found nan"):
        waterfall(StepShares("eggs", {"a": 1}, {"b": float("nan")}))
    with pytest.raises(ValueRangeError, match=r"found 0.5 fish. Expected a whole number"):
        waterfall(StepShares("seen", {"a": 0.5}, {"b": 1}, sampled=True))
    with pytest.raises(UsageError, match="found step 'eggs' twice"):
        waterfall(StepShares("eggs", {"a": 1}, {"b": 1}), StepShares("eggs", {"a": 1}, {"b": 1}))
    with pytest.raises(UsageError, match="step 'eggs': found no data and no reason"):
        waterfall(StepShares("eggs"))
