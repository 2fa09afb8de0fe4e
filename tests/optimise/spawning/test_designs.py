"""Designs side by side."""

from __future__ import annotations

import numpy as np
import pytest

from broodstock.errors import UsageError
from planner.optimise.season.compare import sterile_loss
from planner.optimise.spawning.data import spawning_data
from planner.optimise.spawning.designs import (
    compare_designs,
    factorial_blocks,
    full_factorial,
    nested,
    partial_factorial,
    price_of_caution,
    single_pairs,
    usual_designs,
)
from planner.optimise.spawning.read import as_table
from planner.optimise.spawning.solve import SearchSettings, plan_spawning
from planner.optimise.status import SolveStatus

UNRELATED = np.full((24, 2), -1)


def unrelated(dishes: int, **rules):
    return spawning_data(range(12), range(12, 24), dishes, parents=UNRELATED, **rules)


def test_compare_designs__same_contributions_same_kinship_other_risks() -> None:
    """12 dishes: pairs and two mates each; unrelated fish, so mean kinship is 1/8F + 1/8M (textbook form)."""
    rows = compare_designs(
        unrelated(12),
        [single_pairs(), partial_factorial(2, 2), nested(3), full_factorial(3, 4), factorial_blocks(2, 2, 3)],
        SearchSettings(relative_gap=0),
    )
    used = [(r.plan.measures.females_used, r.plan.measures.males_used) for r in rows]
    assert used == [(12, 12), (6, 6), (4, 12), (3, 4), (6, 6)]
    for row, (f, m) in zip(rows, used, strict=True):
        assert row.plan.measures.cohort_kinship == pytest.approx(1 / (8 * f) + 1 / (8 * m))
        assert row.plan.measures.effective_parents == pytest.approx(4 * f * m / (f + m))
        assert row.dishes == 12
    figures = [r.figures for r in rows]
    assert [f.sterile.eggs_most for f in figures] == pytest.approx([1 / 12, 1 / 6, 1 / 12, 1 / 4, 1 / 6])
    assert [f.sterile.females_most for f in figures] == [1, 0, 0, 0, 0]
    for row, f in zip(rows, figures, strict=True):
        assert f.dishes == row.dishes
        assert f.kinship == pytest.approx(row.plan.measures.cohort_kinship)
        assert f.effective == pytest.approx(row.plan.measures.effective_parents)
        assert f.families == row.plan.measures.families
        assert (f.females, f.males) == (row.plan.measures.females_used, row.plan.measures.males_used)
    assert rows[1].design.name == "partial factorial, 2 males per female"


def test_compare_designs__tables_have_the_shape_of_the_design(skewed_pedigree) -> None:
    parents, sex, youngest = skewed_pedigree(2, per=40)
    data = spawning_data(
        youngest[sex[youngest] == 0], youngest[sex[youngest] == 1], 12, parents=parents, pair_limit=0.125
    )
    designs = [single_pairs(), nested(2), partial_factorial(2, 3, (1, 3)), full_factorial(3, 3)]
    tables = []
    for row in compare_designs(data, designs):
        assert row.plan.status is SolveStatus.PROVEN
        tables.append(as_table(data, row.plan.pairs))
    assert tables[0].sum(axis=0).max() == tables[0].sum(axis=1).max() == 1
    assert set(tables[1].sum(axis=1).tolist()) == {0, 2}
    assert tables[1].sum(axis=0).max() == 1
    assert set(tables[2].sum(axis=1).tolist()) <= {0, 2, 3}
    used = tables[3][tables[3].any(axis=1)][:, tables[3].any(axis=0)]
    assert used.tolist() == [[1, 1, 1]] * 3


def test_compare_designs__an_impossible_design_says_why() -> None:
    (row,) = compare_designs(unrelated(13), [single_pairs()])
    assert row.plan.status is SolveStatus.INFEASIBLE
    assert row.figures is None
    assert row.plan.conflicts


def test_usual_designs__fit_the_fish_their_limits_and_permits() -> None:
    hold = np.zeros(24, bool)
    hold[[0, 23]] = True  # 11 of each sex are left
    permit = np.full(24, -1)
    permit[1:5] = 0  # of these four females two may be used: 9 females are left
    data = unrelated(20, hold=hold, permit=permit, permit_limit=[2], most_uses=3, males_per_female=(1, 3))
    designs = usual_designs(data)
    assert [(d.name, d.applied_to(data).dishes) for d in designs] == [
        ("the rules of the settings", 20),
        ("single pairs", 9),
        ("each female with 2 males of her own", 10),
        ("partial factorial, 2 males per female", 18),
        ("partial factorial, 3 males per female", 18),
        ("4 blocks of 2 females x 2 males", 16),
        ("2 blocks of 3 females x 3 males", 18),
        ("full factorial, 3 females x 3 males", 9),
    ]
    rows = compare_designs(data, designs, SearchSettings(relative_gap=0))
    assert [r.plan.has_plan for r in rows] == [True] * 8
    for row in rows:
        used = row.plan.contributions > 0
        assert not used[hold].any()
        assert used[1:5].sum() <= 2
    assert min(r.plan.value for r in rows) == pytest.approx(rows[0].plan.value)
    assert [d.name for d in usual_designs(unrelated(20, hold=np.ones(24, bool)))] == [
        "the rules of the settings"
    ]


def test_sterile_loss__of_a_plan_by_hand() -> None:
    data = spawning_data(
        [0, 1], [2, 3], 3, parents=np.full((4, 2), -1), forbidden=[[False, False], [False, True]]
    )
    plan = plan_spawning(data)
    assert as_table(data, plan.pairs).tolist() == [[1, 1], [1, 0]]
    loss = sterile_loss(as_table(data, plan.pairs), 0.05)
    assert loss.eggs_most == pytest.approx(2 / 3)
    assert (loss.females_alone, loss.females_most) == (1, 1)


def test_designs__refuse_what_makes_no_sense() -> None:
    with pytest.raises(UsageError, match="males: found 0"):
        nested(0)
    with pytest.raises(UsageError, match="mates: found 3 to 2"):
        partial_factorial(3, 2)
    with pytest.raises(UsageError, match="females: found 0"):
        full_factorial(0, 2)
    with pytest.raises(UsageError, match="blocks: found 0"):
        factorial_blocks(2, 2, 0)


def test_price_of_caution__is_not_negative_and_counts_doubtful_pairs(skewed_pedigree) -> None:
    from planner.optimise.spawning.coefficients import coefficients

    parents, sex, youngest = skewed_pedigree(4, per=40)
    free = spawning_data(
        youngest[sex[youngest] == 0], youngest[sex[youngest] == 1], 10, parents=parents, pair_limit=0.125
    )
    rng = np.random.default_rng(1)
    upper = coefficients(free).pair_kinship + rng.uniform(0, 0.12, (free.n_females, free.n_males))
    data = spawning_data(
        free.females, free.males, 10, parents=parents, pair_limit=0.125, pair_upper=upper, limit_on="upper"
    )
    price = price_of_caution(data, SearchSettings(relative_gap=0))
    assert price.pairs_by_upper < price.pairs_by_estimate
    assert price.price >= -1e-9
    assert price.pairs_in_doubt > 0
    laid = as_table(data, price.by_upper.pairs) > 0
    assert (upper[laid] <= 0.125 + 1e-9).all()
    with pytest.raises(UsageError, match="found no pair limit or no upper kinship"):
        price_of_caution(free)
