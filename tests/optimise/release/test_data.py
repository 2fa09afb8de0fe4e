"""Release data: what is refused, and how the refusal is worded."""

from __future__ import annotations

import numpy as np
import pytest

from broodstock.errors import ShapeError, ValueRangeError
from planner.optimise.release.data import Families, Groups, ReleaseData, Sites
from planner.optimise.release.settings import SitesTotal
from tests.optimise.release.instances import plain, programme, unrelated


def test_release_data__negative_stock_is_refused() -> None:
    with pytest.raises(
        ValueRangeError, match=r"groups, available, 'G1': found -3\. Expected a whole number from 0"
    ):
        plain(available=(6, -3, 6))


def test_release_data__broken_fish_are_refused() -> None:
    with pytest.raises(ValueRangeError, match=r"groups, available, 'G0': found 2\.5"):
        plain(available=(2.5, 3, 3))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("given", "message"),
    [
        ({"survival": np.nan}, r"data, survival, 'G0' at 'S0': found nan"),
        ({"survival": 1.2}, r"data, survival, 'G0' at 'S0': found 1\.2\. Expected a number from 0 to 1"),
        ({"lengths": np.nan}, r"groups, length_mm, 'G0': found nan"),
        ({"groups": {"weight_g": [np.nan, 1.0, 1.0]}}, r"groups, weight_g, 'G0': found nan"),
        ({"sites": {"capacity_fish": np.nan}}, r"sites, capacity_fish, 'S0': found nan"),
        ({"sites": {"residents": [[0, np.nan], [0, 0], [0, 0]]}}, r"residents, 'F0' at 'S1': found nan"),
        ({"sites": {"family_cap": 1.5}}, r"sites, family_cap, 'S0': found 1\.5"),
        ({"sites": {"predators": ["none", "few"]}}, r"sites, predators, 'S1': found 'few'"),
        ({"sites": {"weight": -1.0}}, r"sites, weight, 'S0': found -1"),
        ({"groups": {"shortest_mm": 400.0}}, r"shortest_mm, 'G0': found 400 mm, above the mean length"),
        ({"committed": 9}, r"committed, 'G0': found 18 fish promised\. Expected no more than the 6"),
        ({"family": (0, 1, 7), "n_families": 3}, r"groups, family, 'G2': found family number 7"),
        ({"settings": {"living_share": 2.0}}, r"settings, living_share: found 2\.0"),
        ({"settings": {"gap": np.nan}}, r"settings, gap: found nan"),
        ({"settings": {"totals": (SitesTotal("x", (5,)),)}}, r"settings, totals, 'x': found site number 5"),
        ({"settings": {"totals": (SitesTotal("x", (0,), low=-2),)}}, r"totals, 'x': found -2 to -1 fish"),
        ({"kinship": np.full((3, 3), np.nan)}, r"families, kinship, 'F0' and 'F0': found nan"),
        ({"kinship": np.eye(3) * 2}, r"families, kinship, 'F0' and 'F0': found 2\."),
        (
            {"kinship": np.array([[0.25, 0.1, 0], [0.0, 0.25, 0], [0, 0, 0.25]])},
            r"families, kinship, 'F0' and 'F1': found 0\.1 one way and 0 the other",
        ),
        (
            {"kinship": np.array([[0.1, 0.3, 0], [0.3, 0.1, 0], [0, 0, 0.25]])},
            r"families, kinship: found an eigenvalue of -0\.2\. Expected none below 0",
        ),
    ],
)
def test_release_data__impossible_values_are_refused(given: dict[str, object], message: str) -> None:
    with pytest.raises(ValueRangeError, match=message):
        plain(**given)  # type: ignore[arg-type]


def test_release_data__all_faults_come_together() -> None:
    with pytest.raises(ValueRangeError, match=r"release data: 3 fault\(s\)") as caught:
        plain(available=(6, -3, -1), settings={"living_share": 2.0})
    assert "'G1'" in str(caught.value)
    assert "'G2'" in str(caught.value)
    assert "living_share" in str(caught.value)


def test_release_data__wrong_shapes_are_refused() -> None:
    families = Families.make(["A", "B"], unrelated(2))
    groups = Groups.make(["a", "b"], [0, 1], 3, 300.0)
    sites = Sites.make(["X"], 2)
    with pytest.raises(
        ShapeError, match=r"data, survival: found an array of shape \(3, 1\)\. Expected \(2, 1\)"
    ):
        ReleaseData.make(families, groups, sites, np.ones((3, 1)))


def test_release_data__names_are_unique() -> None:
    groups = Groups.make(["a", "a"], [0, 0], 3, 300.0)
    with pytest.raises(ValueRangeError, match=r"groups, name: found 'a' twice"):
        ReleaseData.make(Families.make(["A"], [[0.25]]), groups, Sites.make(["X"], 1), 0.5)


def test_sites_make__unknown_field_is_refused() -> None:
    with pytest.raises(TypeError, match=r"sites: found the field 'capcity_fish'"):
        Sites.make(["X"], 1, capcity_fish=3)


def test_sites_room__capacity_residents_and_order() -> None:
    sites = Sites.make(
        ["a", "b", "c", "d"],
        1,
        capacity_fish=[10, 10, -1, 3],
        residents=[[4, 4, 4, 9]],
        max_receive=[-1, 2, -1, -1],
    )
    assert sites.room.tolist() == [6, 2, -1, 0]


def test_family_living__counts_groups_sites_and_elsewhere() -> None:
    data = plain(
        available=(5, 2),
        family=(0, 0),
        n_families=2,
        families={"elsewhere": [1, 7]},
        sites={"residents": [[3, 0], [0, 2]]},
    )
    assert data.family_living.tolist() == [11, 9]


def test_living__survivors_plus_residents() -> None:
    data = plain(
        available=(4, 4),
        family=(0, 0),
        survival=[[0.5, 0.25], [1.0, 0.0]],
        sites={"residents": [[2, 1]], "resident_survival": [0.75, 1.0]},
    )
    assert data.living(np.array([[2, 4], [1, 0]])).tolist() == [[1.0 + 1.0 + 1.5, 1.0 + 1.0]]


def test_programme__is_a_programme_sized_problem() -> None:
    data = programme()
    assert (data.n_families, data.n_groups, data.n_sites) == (80, 240, 15)
