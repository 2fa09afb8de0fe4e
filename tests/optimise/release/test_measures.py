"""Measures of a plan against hand-worked numbers and slow versions."""

from __future__ import annotations

import numpy as np
import pytest

from planner.optimise.release.measures import (
    effective_number,
    expected_survivors,
    kinship_across,
    kinship_within,
    measure,
)
from tests.optimise.release.instances import family_kinship, plain, unrelated

Z95 = 1.959964
"""97.5 % point of the normal distribution, from printed tables."""


def test_expected_survivors__errors_of_one_curve_go_together() -> None:
    data = plain(
        available=(10, 10),
        n_sites=3,
        survival=0.5,
        sites={"curve": [0, 0, 1]},
    )
    numbers = np.array([[4, 2, 1], [0, 0, 3]])
    se = np.full((2, 3), 0.1)
    from dataclasses import replace

    found = expected_survivors(replace(data, survival_se=se), numbers)
    # Curve 0: (4 + 2) x 0.1 added; curve 1: (1 + 3) x 0.1; the two are independent.
    error = np.sqrt(0.6**2 + 0.4**2)
    assert found.value == pytest.approx(5.0)
    assert found.low == pytest.approx(5.0 - Z95 * error, abs=1e-5)
    assert found.high == pytest.approx(5.0 + Z95 * error, abs=1e-5)
    assert found.n_used == 10


def test_expected_survivors__stays_between_none_and_all_fish() -> None:
    data = plain(available=(4,), n_sites=1, survival=0.9)
    from dataclasses import replace

    found = expected_survivors(replace(data, survival_se=np.array([[0.5]])), np.array([[4]]))
    assert found.low == 0.0
    assert found.high == 4.0


def test_expected_survivors__no_fish_and_no_errors() -> None:
    data = plain(available=(4,), n_sites=1)
    none = expected_survivors(data, np.array([[0]]))
    assert (none.value, none.low, none.high) == (0.0, 0.0, 0.0)
    certain = expected_survivors(data, np.array([[4]]))
    assert certain.value == pytest.approx(2.0)
    assert certain.low is None
    assert certain.note == "no standard errors given"


def test_effective_number__of_equal_and_skewed_families() -> None:
    assert effective_number(np.array([5, 5, 5, 5])) == pytest.approx(4.0)
    # Shares .65 .20 .11 .04: 1 / (.4225 + .04 + .0121 + .0016) = 2.0999.
    assert effective_number(np.array([65, 20, 11, 4])) == pytest.approx(2.10, abs=0.005)
    assert effective_number(np.zeros(3, dtype=np.int64)) is None


@pytest.mark.parametrize("seed", range(10))
def test_kinship_within_and_across__add_up_to_the_whole(seed: int) -> None:
    rng = np.random.default_rng(seed)
    k = family_kinship(rng, 7)
    living = rng.uniform(0, 6, (7, 4))
    totals = living.sum(axis=0)
    same = (totals**2).sum() / totals.sum() ** 2
    site = [living[:, s] @ k @ living[:, s] / totals[s] ** 2 for s in range(4)]
    within_by_pairs = float((totals**2) @ site / (totals**2).sum())
    everything = living.sum(axis=1)
    whole = float(everything @ k @ everything) / totals.sum() ** 2
    across = kinship_across(k, living)
    assert across is not None
    assert same * within_by_pairs + (1 - same) * across == pytest.approx(whole)
    assert kinship_within(k, living) == pytest.approx(float(totals @ site) / totals.sum())


def test_kinship_across__needs_two_sites_with_fish() -> None:
    assert kinship_across(unrelated(2), np.array([[3.0, 0.0], [1.0, 0.0]])) is None
    assert kinship_within(unrelated(2), np.zeros((2, 2))) is None


def test_measure__of_a_small_plan() -> None:
    data = plain(
        available=(6, 6, 6),
        survival=1.0,
        kinship=unrelated(3, 0.25, 0.0),
        families={"single": [True, True, True], "self_kinship": 0.5},
        groups={"weight_g": [100.0, 200.0, 300.0], "year_class": [2021, 2022, 2022]},
        sites={
            "residents": [[2, 0], [0, 0], [0, 4]],
            "resident_kg": [1.0, 2.0],
            "capacity_fish": [10, -1],
            "capacity_kg": [5.0, np.inf],
        },
    )
    found = measure(data, np.array([[2, 0], [4, 1], [0, 3]]))
    first, second = found.sites
    assert (first.arrivals, first.residents, first.capacity_fish) == (6, 2, 10)
    assert first.arrivals_kg == pytest.approx(1.0)
    assert first.total_kg == pytest.approx(2.0)
    assert (first.capacity_kg, second.capacity_kg) == (5.0, None)
    # 4 and 4 fish of two unrelated families of full sibs: 1/8; with each fish itself, + (1/2 - 1/4) / 8.
    assert first.kinship == pytest.approx(0.125)
    assert first.kinship_with_self == pytest.approx(0.125 + 0.25 / 8)
    assert first.kinship_before == pytest.approx(0.25)
    assert (first.families, first.new_families, first.year_classes) == (2, 1, 2)
    assert first.effective_families == pytest.approx(2.0)
    assert (first.largest_share, first.largest_family) == (0.5, "F0")
    assert (second.families, second.new_families) == (2, 1)
    assert second.largest_share == pytest.approx(7 / 8)
    assert (found.released, found.kept_back) == (10, 8)
    assert (found.families_released, found.families_in_one_site) == (3, 2)
    assert found.sites_per_family == pytest.approx(4 / 3)
    assert found.gene_diversity == pytest.approx(1.0 - (found.kinship_whole or 0.0))


def test_measure__empty_site() -> None:
    found = measure(plain(available=(3,), n_sites=1), np.array([[0]]))
    site = found.sites[0]
    assert (site.kinship, site.effective_families, site.largest_share) == (None, None, None)
    assert site.largest_family == ""
    assert found.kinship_whole is None
    assert found.gene_diversity is None
    assert found.kinship_weighted is None
    assert found.sites_per_family is None


def test_measure__weighted_kinship_is_the_objective_per_fish() -> None:
    from planner.optimise.release.build import objective

    data = plain(available=(6, 6, 6), sites={"weight": [2.0, 0.5]}, settings={"whole_weight": 0.7})
    numbers = np.array([[2, 1], [3, 3], [0, 6]])
    living = data.living(numbers)
    weighted = living.sum(axis=0) @ [2.0, 0.5] + 0.7 * living.sum()
    assert measure(data, numbers).kinship_weighted == pytest.approx(objective(data, numbers) / weighted)
