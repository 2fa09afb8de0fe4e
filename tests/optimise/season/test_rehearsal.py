"""The rehearsal: rules kept on every morning, the obvious version beside the fast one, closed forms, bad input."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from broodstock.errors import ShapeError, UsageError, ValueRangeError
from planner.optimise.season._play_kernel import N_COUNTS, play
from planner.optimise.season.rehearsal import (
    MorningRisks,
    Mornings,
    _permits_left,
    _planned_order,
    rehearse,
    to_prepare,
    working_chance,
)
from planner.optimise.spawning.build import draft_rules
from planner.optimise.spawning.coefficients import coefficients
from planner.optimise.spawning.data import MANY, SpawningData, changed, spawning_data
from planner.optimise.spawning.measures import cohort_measures
from tests.optimise.season.slow_play import broken, slow_play

CaseMaker = Callable[..., tuple[SpawningData, np.ndarray]]
NO_RISK = MorningRisks(0, 0, 0, 0, 0, 2, 0)


def fast_play(data: SpawningData, plan: np.ndarray, works: np.ndarray, egg_dishes: np.ndarray) -> np.ndarray:
    co = coefficients(data)
    draft = draft_rules(data, co)
    new, counts = np.zeros_like(plan), np.zeros(N_COUNTS, np.int64)
    play(
        plan,
        _planned_order(plan, co.pair_kinship),
        works,
        egg_dishes,
        data.made_pairs.astype(np.int64),
        draft.base,
        draft.pair_room,
        draft.most,
        draft.least_if_new,
        draft.least_mates,
        draft.most_mates,
        np.where(draft.base > 0, -1, data.permit).astype(np.int64),
        _permits_left(data),
        np.ascontiguousarray(co.K),
        co.square,
        co.linear,
        new,
        counts,
    )
    return new


@pytest.mark.parametrize("seed", range(40))
def test_play__is_the_obvious_version(seed: int, plan_case: CaseMaker) -> None:
    data, plan = plan_case(seed)
    rng = np.random.default_rng(1000 + seed)
    for _ in range(3):
        works = rng.random(data.n_candidates) < 0.6
        egg_dishes = np.where(rng.random(data.n_females) < 0.3, 2, MANY).astype(np.int64)
        fast = fast_play(data, plan, works, egg_dishes)
        assert np.array_equal(fast, slow_play(data, coefficients(data), plan, works, egg_dishes))


@pytest.mark.parametrize("seed", range(60))
def test_play__keeps_every_rule(seed: int, plan_case: CaseMaker) -> None:
    data, plan = plan_case(seed, nf=6, nm=7)
    assert broken(data, plan) == []
    rng = np.random.default_rng(seed)
    for _ in range(5):
        works = rng.random(data.n_candidates) < rng.random()
        egg_dishes = np.where(rng.random(data.n_females) < 0.3, 1, MANY).astype(np.int64)
        new = fast_play(data, plan, works, egg_dishes)
        assert broken(data, new) == []
        assert new.sum() <= plan.sum()
        assert (new.sum(axis=1) <= egg_dishes).all()
        used = np.concatenate([new.sum(axis=1), new.sum(axis=0)]) > 0
        assert not (used & ~works).any(), "no fish that fails is used"


def test_rehearse__nothing_fails_gives_the_plan(plan_case: CaseMaker) -> None:
    data, plan = plan_case(3, nf=6, nm=7)
    co = coefficients(data)
    measures = cohort_measures(data, co, plan)
    out = rehearse(data, plan, np.ones((1, data.n_candidates)), NO_RISK, times=30)
    assert (out.laid == plan.sum()).all()
    assert (out.kept == plan.sum()).all()
    assert out.kinship == pytest.approx(measures.cohort_kinship)
    assert out.effective_parents == pytest.approx(measures.effective_parents)
    assert (out.families == measures.families).all()
    assert not out.asked_females.any()
    assert not out.failed_males.any()
    assert to_prepare(out).cells == plan.sum()


def test_rehearse__nothing_works_gives_nothing(plan_case: CaseMaker) -> None:
    data, plan = plan_case(4)
    data = changed(data, made=np.zeros((0, 3), np.int32))
    out = rehearse(data, plan, np.zeros((1, data.n_candidates)), NO_RISK, times=30)
    assert not out.laid.any()
    assert not out.effective_parents.any()
    assert not out.spread("kinship").estimable
    assert to_prepare(out).dishes_short == plan.sum()


def test_rehearse__single_pairs_without_spares_is_binomial() -> None:
    # Ten unrelated pairs, each its own permit of mates: a dish is laid when both fish work, chance p squared.
    n = 10
    data = spawning_data(
        np.arange(n),
        np.arange(n, 2 * n),
        n,
        parents=np.full((2 * n, 2), -1),
        most_uses=1,
        forbidden=~np.eye(n, dtype=bool),
    )
    out = rehearse(data, np.eye(n, dtype=int), np.full((1, 2 * n), 0.8), NO_RISK, times=8000, seed=5)
    p = 0.8**2
    assert out.laid.mean() == pytest.approx(n * p, abs=4 * np.sqrt(n * p * (1 - p) / 8000))
    assert out.laid.var() == pytest.approx(n * p * (1 - p), rel=0.08)
    assert out.failed_females.mean() == pytest.approx(2.0, abs=0.06)


def test_rehearse__lost_dishes_are_binomial_and_leave_the_measures() -> None:
    n = 6
    data = spawning_data(np.arange(n), np.arange(n, 2 * n), n, parents=np.full((2 * n, 2), -1), most_uses=1)
    risks = MorningRisks(0, 0, 0, 0, 0, 2, 0.25)
    out = rehearse(data, np.eye(n, dtype=int), np.ones((1, 2 * n)), risks, times=6000, seed=2)
    assert out.lost.mean() == pytest.approx(1.5, abs=0.06)
    assert np.array_equal(out.families, n - out.lost)
    living = out.lost < n
    assert out.effective_parents[living] == pytest.approx(2.0 * out.families[living])
    # k unrelated pairs of equal size: mean kinship with self pairs is 1/(4k).
    assert out.kinship[living] == pytest.approx(1 / (4 * out.families[living]))


def test_rehearse__one_good_spare_is_enough() -> None:
    data = spawning_data([0, 1, 2], [3, 4, 5], 2, parents=np.full((6, 2), -1), most_uses=1)
    plan = np.array([[1, 0, 0], [0, 1, 0], [0, 0, 0]])
    ripe = np.array([[0.0, 1, 1, 1, 1, 1]])
    out = rehearse(data, plan, ripe, NO_RISK, times=20)
    assert (out.laid == 2).all()
    assert (out.spare_females == 1).all()
    assert (out.asked_females == 1).all()
    assert (out.spare_males == 0).all()
    assert (out.idle_males == 1).all()


def test_rehearse__same_seed_same_mornings(plan_case: CaseMaker) -> None:
    data, plan = plan_case(8, nf=6, nm=7)
    ripe = np.full((3, data.n_candidates), 0.6)

    def run(seed: int) -> Mornings:
        return rehearse(data, plan, ripe, MorningRisks(), times=700, seed=seed)

    first, again, other = run(7), run(7), run(8)
    for name in ("laid", "kinship", "asked_males", "lost"):
        assert np.array_equal(getattr(first, name), getattr(again, name))
    assert not np.array_equal(first.laid, other.laid)


def test_rehearse__more_mornings_do_not_change_the_first_ones(plan_case: CaseMaker) -> None:
    data, plan = plan_case(8)
    ripe = np.full((1, data.n_candidates), 0.6)
    short = rehearse(data, plan, ripe, MorningRisks(), times=500, seed=7)
    long = rehearse(data, plan, ripe, MorningRisks(), times=800, seed=7)
    assert np.array_equal(short.kinship, long.kinship[:500])


def test_rehearse__males_at_hand_only_help(plan_case: CaseMaker) -> None:
    data, plan = plan_case(11, nf=6, nm=7)
    few = rehearse(data, plan, np.full((1, data.n_candidates), 0.5), MorningRisks(), times=600)
    many = rehearse(data, plan, np.full((1, data.n_candidates), 0.95), MorningRisks(), times=600)
    assert many.laid.mean() > few.laid.mean()
    assert many.effective_parents.mean() > few.effective_parents.mean()


def test_rehearse__floor_of_a_founder_is_counted() -> None:
    data = spawning_data(
        [0, 1], [2, 3], 2, parents=np.full((4, 2), -1), most_uses=1, founders=[0], founder_share=[0.2]
    )
    plan = np.eye(2, dtype=int)
    out = rehearse(data, plan, np.array([[0.5, 1, 1, 1]]), NO_RISK, times=400)
    kept = out.failed_females == 0
    assert np.array_equal(out.floors_kept[:, 0], kept)
    assert 0 < kept.mean() < 1


def test_working_chance__closed_form() -> None:
    data = spawning_data(
        [0], [1, 2], 1, parents=np.full((3, 2), -1), straws=[-1, -1, 6], hold=[False, False, False]
    )
    risks = MorningRisks(death=0.1, no_milt=0.2, thaw_fails=0.3, bad_eggs=0.4)
    found = working_chance(data, np.array([0.5, 0.5, 1.0]), risks)
    assert found == pytest.approx([0.5 * 0.6 * 0.9, 0.5 * 0.8 * 0.9, 0.7])
    held = changed(data, hold=np.array([True, False, False]))
    assert working_chance(held, np.ones(3), risks)[0] == 0


def test_spread__quantiles_are_values_that_occurred(plan_case: CaseMaker) -> None:
    data, plan = plan_case(8)
    out = rehearse(data, plan, np.full((1, data.n_candidates), 0.6), MorningRisks(), times=101)
    spread = out.spread("laid")
    ordered = np.sort(out.laid)
    assert (spread.low, spread.value, spread.high) == (ordered[5], ordered[50], ordered[95])
    assert spread.level == 0.9
    assert spread.n_used == 101


@pytest.mark.parametrize(
    ("change", "kind", "words"),
    [
        ({"plan": np.zeros((2, 2))}, UsageError, "found a plan without dishes"),
        ({"plan": np.eye(3)}, ShapeError, r"found shape \(3, 3\)\. Expected \(2, 2\)"),
        ({"plan": -np.eye(2)}, ValueRangeError, r"planned dishes \[0, 0\]: found -1.0"),
        ({"plan": 2 * np.eye(2)}, UsageError, "pair 0 x 2: found 2 dishes. Expected at most 1"),
        ({"ripe": np.full((1, 4), 1.5)}, ValueRangeError, "found 1.5. Expected 0 to at most 1"),
        ({"ripe": np.full((1, 3), 0.5)}, ShapeError, "chance to be ripe: found shape"),
        ({"times": 0}, ValueRangeError, "mornings to play: found 0"),
    ],
)
def test_rehearse__refuses(change: dict, kind: type[Exception], words: str) -> None:
    data = spawning_data([0, 1], [2, 3], 2, parents=np.full((4, 2), -1))
    given = {"plan": np.eye(2), "ripe": np.ones((1, 4)), "times": 20} | change
    with pytest.raises(kind, match=words):
        rehearse(data, given["plan"], given["ripe"], MorningRisks(), times=given["times"])


def test_rehearse__refuses_one_sex_and_full_factorial() -> None:
    data = spawning_data([0, 1], [], 2, parents=np.full((2, 2), -1))
    with pytest.raises(UsageError, match=r"found 2 females and 0 males\. Expected fish of both sexes"):
        rehearse(data, np.zeros((2, 0)), np.ones((1, 2)), MorningRisks())
    none = spawning_data([], [], 2, parents=np.full((2, 2), -1))
    with pytest.raises(UsageError, match="found 0 females and 0 males"):
        rehearse(none, np.zeros((0, 0)), np.ones((1, 0)), MorningRisks())
    square = spawning_data([0, 1], [2, 3], 4, parents=np.full((4, 2), -1), factorial=(2, 2))
    with pytest.raises(UsageError, match="found the rule of a full factorial"):
        rehearse(square, np.ones((2, 2)), np.ones((1, 4)), MorningRisks())


def test_morning_risks__refuse_what_is_no_chance() -> None:
    with pytest.raises(
        ValueRangeError, match=r"morning risks, no_milt: found -0\.1\. Expected a share from 0 to 1"
    ):
        MorningRisks(no_milt=-0.1)
    with pytest.raises(ValueRangeError, match="few_eggs_dishes: found 0"):
        MorningRisks(few_eggs_dishes=0)
