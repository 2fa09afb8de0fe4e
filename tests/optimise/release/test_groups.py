"""Groups made from single fish."""

from __future__ import annotations

import numpy as np
import pytest

from broodstock.errors import ShapeError, ValueRangeError
from planner.optimise.release.groups import group_fish


def test_group_fish__family_size_class_and_holds() -> None:
    found = group_fish(
        [0, 0, 0, 1, 0],
        ["A", "B"],
        [290.0, 300.0, 340.0, 299.0, 310.0],
        [200.0, 220.0, 300.0, 210.0, 240.0],
        [300.0, 350.0],
        year_class=2022,
        health_hold=[False, False, False, False, True],
    )
    assert found.groups.name == (
        "A below 300 mm 2022 rank 0",
        "A 300 to 350 mm 2022 rank 0",
        "A 300 to 350 mm 2022 rank 0 on health hold",
        "B below 300 mm 2022 rank 0",
    )
    assert found.group.tolist() == [0, 1, 1, 3, 2]
    assert found.groups.available.tolist() == [1, 2, 1, 1]
    assert found.groups.length_mm.tolist() == [290.0, 320.0, 310.0, 299.0]
    assert found.groups.shortest_mm.tolist() == [290.0, 300.0, 310.0, 299.0]
    assert found.groups.weight_g.tolist() == [200.0, 260.0, 240.0, 210.0]
    assert found.groups.health_hold.tolist() == [False, False, True, False]


def test_group_fish__a_fish_of_doubtful_sex_is_a_group_of_its_own() -> None:
    found = group_fish(
        [0, 0], ["A"], [310.0, 320.0], [200.0, 220.0], [], year_class=2022, sex_doubt=[False, True]
    )
    assert found.groups.name == ("A all sizes 2022 rank 0", "A all sizes 2022 rank 0 of doubtful sex")
    assert found.groups.sex_doubt.tolist() == [False, True]
    assert found.groups.on_hold.tolist() == [False, True]


def test_group_fish__order_of_the_fish_does_not_matter() -> None:
    rng = np.random.default_rng(2)
    n = 200
    family, length = rng.integers(0, 5, n), rng.uniform(250, 400, n)
    weight = rng.uniform(100, 400, n)
    order = rng.permutation(n)
    a = group_fish(family, list("ABCDE"), length, weight, [300.0])
    b = group_fish(family[order], list("ABCDE"), length[order], weight[order], [300.0])
    assert a.groups.name == b.groups.name
    np.testing.assert_array_equal(a.group[order], b.group)
    np.testing.assert_array_equal(a.groups.available, b.groups.available)
    np.testing.assert_array_equal(a.groups.shortest_mm, b.groups.shortest_mm)


def test_group_fish__no_fish() -> None:
    found = group_fish([], ["A"], [], [], [300.0])
    assert len(found.groups) == 0
    assert found.group.shape == (0,)


def test_group_fish__one_size_class() -> None:
    assert group_fish([0], ["A"], [300.0], [200.0], []).groups.size_class == ("all sizes",)
    assert group_fish([0], ["A"], [300.0], [200.0], [300.0]).groups.size_class == ("300 mm and more",)


def test_group_fish__refuses() -> None:
    with pytest.raises(ValueRangeError, match=r"length_mm, fish number 1: found nan"):
        group_fish([0, 0], ["A"], [300.0, np.nan], [1.0, 1.0], [300.0])
    with pytest.raises(ValueRangeError, match=r"weight_g, fish number 0: found 0\.0"):
        group_fish([0], ["A"], [300.0], [0.0], [300.0])
    with pytest.raises(ValueRangeError, match=r"found the edges \[350\.0, 300\.0\]"):
        group_fish([0], ["A"], [300.0], [1.0], [350.0, 300.0])
    with pytest.raises(ValueRangeError, match=r"found family numbers 0 to 3"):
        group_fish([0, 3], ["A"], [300.0, 300.0], [1.0, 1.0], [300.0])
    with pytest.raises(ShapeError, match=r"Expected one of each per fish"):
        group_fish([0, 0], ["A"], [300.0], [1.0], [300.0])
