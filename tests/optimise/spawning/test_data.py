"""Faults of the data are named before anything is built."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from broodstock.errors import PedigreeError, ShapeError, UsageError, ValueRangeError
from planner.optimise.spawning.data import changed, spawning_data, without_uses
from planner.optimise.spawning.read import as_rows, as_table

FOUR = np.full((4, 2), -1)


def four(**rules):
    return spawning_data([0, 1], [2, 3], 2, parents=FOUR, **rules)


@pytest.mark.parametrize(
    ("rules", "error", "text"),
    [
        ({"ripe": [True]}, ShapeError, r"ripe: found shape \(1,\)\. Expected \(4,\)"),
        ({"forbidden": np.zeros((2, 3))}, ShapeError, r"forbidden: found shape \(2, 3\)"),
        ({"living": [1.0]}, ShapeError, "living: found shape"),
        ({"pair_upper": np.zeros((1, 2))}, ShapeError, "pair_upper"),
        ({"most_uses": -1}, ValueRangeError, "most_uses: found -1"),
        ({"least_uses": [-2, 0, 0, 0]}, ValueRangeError, "least_uses: found -2"),
        ({"straws_per_dish": 0}, ValueRangeError, "straws_per_dish: found 0 or less"),
        ({"pair_repeats": 0}, ValueRangeError, "pair_repeats: found 0"),
        ({"males_per_female": (3, 2)}, ValueRangeError, "males_per_female: found 3 to 2"),
        ({"females_per_male": (0, 2)}, ValueRangeError, "females_per_male: found 0 to 2"),
        ({"pair_limit": 1.5}, ValueRangeError, r"pair_limit: found 1\.5"),
        ({"pair_limit": float("nan")}, ValueRangeError, "pair_limit: found nan"),
        ({"living": [1, 1, np.nan, 0]}, ValueRangeError, "living: found a value that is not a number"),
        ({"living": [1, 1, -1, 0]}, ValueRangeError, "negative weight of fish '2'"),
        ({"living_share": 0.5}, UsageError, "without living fish or expected"),
        ({"limit_on": "middle"}, UsageError, "found 'middle'"),
        ({"limit_on": "upper"}, UsageError, "without upper kinship of pairs"),
        ({"permit": [0, 1, -1, -1], "permit_limit": [3]}, ValueRangeError, "permit: found number 1"),
        ({"made": [[0, 2, 1]]}, ValueRangeError, "a position that does not exist"),
        ({"made": [[0, 0, 0]]}, ValueRangeError, "number of dishes below 1"),
        ({"moon": 3}, UsageError, "found the setting 'moon'"),
    ],
)
def test_spawning_data__names_the_fault(rules, error, text) -> None:
    with pytest.raises(error, match=text):
        four(**rules)


def test_spawning_data__needs_kinship_of_some_kind() -> None:
    with pytest.raises(UsageError, match="found neither parents nor kinship"):
        spawning_data([0], [1], 1)
    with pytest.raises(UsageError, match="founder shares without a pedigree"):
        spawning_data([0], [1], 1, kinship=np.eye(2) / 2, founders=[0], founder_share=[0.1])
    with pytest.raises(PedigreeError, match="parents come first"):
        spawning_data([0], [1], 1, parents=[[1, -1], [-1, -1]])


def test_spawning_data__refuses_impossible_candidates_and_numbers() -> None:
    with pytest.raises(UsageError, match="found '1' twice"):
        spawning_data([0, 1], [1], 1, parents=FOUR)
    with pytest.raises(ValueRangeError, match="found row 9"):
        spawning_data([9], [1], 1, parents=FOUR)
    with pytest.raises(ValueRangeError, match="dishes: found -1"):
        spawning_data([0], [1], -1, parents=FOUR)
    with pytest.raises(ValueRangeError, match="no new dish and none made"):
        spawning_data([0], [1], 0, parents=FOUR)


def test_spawning_data__changes_are_checked_again() -> None:
    with pytest.raises(ValueRangeError, match="pair_repeats"):
        changed(four(), pair_repeats=0)
    with pytest.raises(TypeError, match="moon"):
        changed(four(), moon=1)
    assert without_uses(four(), [1]).ripe.tolist() == [True, False, True, True]


def test_spawning_data__made_dishes_add_up() -> None:
    data = four(made=[[0, 1, 2], [0, 1, 1], [1, 0, 1]])
    assert data.made_pairs.tolist() == [[0, 3], [1, 0]]
    assert data.made_uses.tolist() == [3, 1, 1, 3]
    assert data.all_dishes == 6
    assert data.name(2) == "2"
    rows = as_rows(data, data.made_pairs.astype(np.int64))
    assert rows.tolist() == [[0, 3, 3], [1, 2, 1]]
    assert as_table(data, rows).tolist() == data.made_pairs.tolist()
    with pytest.raises(KeyError, match="3"):
        as_table(data, np.array([[3, 2, 1]]))


def test_spawning_data__is_not_changed_by_the_caller_afterwards() -> None:
    ripe = np.ones(4, bool)
    data = four(ripe=ripe)
    ripe[0] = False
    assert data.ripe[0]
    assert replace(data, dishes=3).dishes == 3
