"""The plan against every possible plan of small cases."""

from __future__ import annotations

import numpy as np
import pytest

from planner.optimise.spawning.data import spawning_data
from planner.optimise.spawning.read import as_table
from planner.optimise.spawning.recheck import CHECKS, Laid, recheck
from planner.optimise.spawning.solve import SearchSettings, plan_spawning
from planner.optimise.status import SolveStatus

EXACT = SearchSettings(relative_gap=0.0, explain_conflicts=False)


def compare(data, best_by_trying, faults) -> bool:
    best = best_by_trying(data)
    plan = plan_spawning(data, EXACT)
    if best is None:
        assert plan.status is SolveStatus.INFEASIBLE
        assert not plan.has_plan
        assert plan.value is None
        return False
    assert plan.status is SolveStatus.PROVEN
    assert plan.value == pytest.approx(best[0], abs=1e-10)
    assert plan.bound == pytest.approx(best[0], rel=1e-6)
    assert plan.bound <= plan.value
    assert faults(data, as_table(data, plan.pairs)) == []
    return True


@pytest.mark.parametrize("block", range(8))
def test_plan__equals_the_best_of_all_plans(block: int, small_case, best_by_trying, faults) -> None:
    solved = [compare(small_case(1000 * block + k), best_by_trying, faults) for k in range(20)]
    assert any(solved)
    assert not all(solved)


@pytest.mark.parametrize("block", range(3))
def test_plan__with_repeated_pairs_equals_the_best_of_all_plans(
    block: int, small_case, best_by_trying, faults
) -> None:
    cases = [small_case(50_000 + 1000 * block + k, repeats=True) for k in range(15)]
    solved = [compare(data, best_by_trying, faults) for data in cases]
    assert any(solved)


@pytest.mark.slow
def test_plan__equals_the_best_of_all_plans_many_times(small_case, best_by_trying, faults) -> None:
    for seed in range(100_000, 101_500):
        compare(small_case(seed, rate=0.4 + 0.4 * (seed % 2)), best_by_trying, faults)
    for seed in range(200_000, 200_500):
        compare(small_case(seed, repeats=True), best_by_trying, faults)


def test_plan__least_inbreeding_among_pairings_of_its_contributions(small_case, faults) -> None:
    """Second goal: no other table with the same contributions and no broken rule has less inbreeding."""
    import itertools

    tried = 0
    for seed in range(40):
        data = small_case(seed, rate=0.3)
        plan = plan_spawning(data, EXACT)
        if not plan.has_plan:
            continue
        tried += 1
        least = min(
            (table * pair_kinship(data)).sum()
            for code in itertools.product(range(2), repeat=9)
            if sum(code) == data.dishes
            and not faults(data, table := np.array(code).reshape(3, 3))
            and np.array_equal(
                np.concatenate([table.sum(axis=1), table.sum(axis=0)]) + data.made_uses, plan.contributions
            )
        )
        assert (as_table(data, plan.pairs) * pair_kinship(data)).sum() == pytest.approx(least, abs=1e-9)
    assert tried > 15


def test_plan__most_even_families_among_pairings_of_least_inbreeding(small_case, faults) -> None:
    """Third goal: of all tables with the same contributions and inbreeding, the least sum of squared dishes over pairs."""
    import itertools

    unequal = 0
    for seed in range(300, 380):
        data = small_case(seed, repeats=True, rate=0.15)
        plan = plan_spawning(data, EXACT)
        if not plan.has_plan:
            continue
        kin = pair_kinship(data)
        judged = []
        for code in itertools.product(range(3), repeat=6):
            table = np.array(code).reshape(2, 3)
            uses = np.concatenate([table.sum(axis=1), table.sum(axis=0)]) + data.made_uses
            if (
                sum(code) == data.dishes
                and np.array_equal(uses, plan.contributions)
                and not faults(data, table)
            ):
                judged.append((float((table * kin).sum()), int(((data.made_pairs + table) ** 2).sum())))
        least = min(k for k, _ in judged)
        squares = [square for k, square in judged if k <= least + 1e-9]
        unequal += len(set(squares)) > 1
        table = as_table(data, plan.pairs)
        assert (table * kin).sum() == pytest.approx(least, abs=1e-9)
        assert ((data.made_pairs + table) ** 2).sum() == min(squares)
    assert unequal >= 3


def pair_kinship(data) -> np.ndarray:
    from broodstock.pedigree.kinship import kinship_matrix

    return kinship_matrix(data.parents)[np.ix_(data.females, data.males)]


def test_recheck__agrees_with_the_obvious_rules_on_random_tables(small_case, faults) -> None:
    rng = np.random.default_rng(8)
    seen: set[str] = set()
    for seed in range(150):
        data = small_case(seed, rate=1.0)
        for _ in range(6):
            table = (rng.random((data.n_females, data.n_males)) < 0.4).astype(np.int64)
            laid = Laid(data, table, data.made_pairs.astype(np.int64))
            found = sorted(code for code, check in CHECKS.items() if check(laid))
            assert found == faults(data, table)
            seen |= set(found)
    assert seen >= set(CHECKS) - {"made", "pair-repeats"}


def test_recheck__has_nothing_to_say_about_an_empty_plan(small_case) -> None:
    for seed in range(30):
        data = small_case(seed, rate=1.0)
        plan = plan_spawning(data, EXACT)
        if not plan.has_plan:
            assert recheck(data, plan) == []
            return
    pytest.fail("no infeasible case")


@pytest.mark.parametrize("seed", range(8))
def test_plan__in_blocks_equals_the_best_of_all_arrangements(seed: int, random_pedigree, slow_goal) -> None:
    """Two blocks of two females and two males among five of each: every choice and every partition is tried."""
    import itertools

    rng = np.random.default_rng(seed)
    while True:
        parents, sex = random_pedigree(rng, founders=6, generations=2, per=8)
        if min((sex == 0).sum(), (sex == 1).sum()) >= 5:
            break
    females, males = np.flatnonzero(sex == 0)[-5:], np.flatnonzero(sex == 1)[-5:]
    barred = rng.random((5, 5)) < 0.3
    data = spawning_data(females, males, 8, parents=parents, forbidden=barred, factorial=(2, 2), blocks=2)

    def halves(fish) -> list[tuple]:
        pairs = list(itertools.combinations(fish, 2))
        return [(a, b) for a in pairs for b in pairs if not set(a) & set(b)]

    K = pair_kinship(data)
    found = []
    for (f1, f2), (m1, m2) in itertools.product(halves(range(5)), halves(range(5))):
        table = np.zeros((5, 5), np.int64)
        table[np.ix_(f1, m1)] = table[np.ix_(f2, m2)] = 1
        if not table[barred].any():
            found.append((slow_goal(data, table), (table * K).sum() / 8))
    plan = plan_spawning(data, EXACT)
    if not found:
        assert plan.status is SolveStatus.INFEASIBLE
        return
    assert plan.value == pytest.approx(min(found)[0], abs=1e-10)
    same = [inbreeding for value, inbreeding in found if value < plan.value + 1e-10]
    assert plan.measures.mean_inbreeding >= min(same) - 1e-9
    assert plan.measures.mean_inbreeding <= max(same) + 1e-9
