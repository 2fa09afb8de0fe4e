"""For each rule: data in which only this rule stands in the way of the plan that would be best without it."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from planner.optimise.release.data import ReleaseData
from planner.optimise.release.settings import SitesShare, SitesTotal
from tests.optimise.release.instances import plain

Case = tuple[ReleaseData, ReleaseData]
"""Data without the rule, and with it."""


def _more_survivors(**given: object) -> ReleaseData:
    """Plans here want every fish at the first site, where survival is far better."""
    settings = {"survivors_share": 1.0, **given.pop("settings", {})}  # type: ignore[dict-item]
    survival = np.tile([0.9, 0.1], (len(given.get("available", (6, 6, 6))), 1))  # type: ignore[arg-type]
    return plain(survival=given.pop("survival", survival), settings=settings, **given)  # type: ignore[arg-type]


def _held(field: str) -> Case:
    return _more_survivors(), _more_survivors(groups={field: [True, False, False]})


def closed() -> Case:
    return _more_survivors(), _more_survivors(sites={"open": [False, True]})


def health_hold() -> Case:
    return _held("health_hold")


def withdrawal() -> Case:
    return _held("withdrawal_hold")


def predators() -> Case:
    given = {"lengths": (250.0, 350.0, 350.0), "sites": {"predators": ["unknown", "none"]}}
    return _more_survivors(**given), _more_survivors(**given, settings={"predator_safe_mm": 300.0})


def connection() -> Case:
    given = {"lengths": (250.0, 350.0, 350.0), "sites": {"connected": [True, False]}}
    return _more_survivors(**given), _more_survivors(**given, settings={"connected_min_mm": 300.0})


def min_length() -> Case:
    given = {"lengths": (250.0, 350.0, 350.0), "groups": {"shortest_mm": [240.0, 299.0, 340.0]}}
    return _more_survivors(**given), _more_survivors(**given, sites={"min_length_mm": [300.0, 0.0]})


def water_risk() -> Case:
    given = {"groups": {"water_risk": [0, 1, 2]}}
    return (
        _more_survivors(**given, sites={"water_risk": 2}),
        _more_survivors(**given, sites={"water_risk": [1, 2]}),
    )


def forbidden_move() -> Case:
    return _more_survivors(), _more_survivors(forbidden=[[True, False], [False, False], [False, False]])


def stock() -> Case:
    return _more_survivors(available=(6, 6, 9)), _more_survivors(available=(6, 6, 6))


def committed() -> Case:
    return _more_survivors(), _more_survivors(committed=[[0, 2], [0, 0], [0, 0]])


def capacity_fish() -> Case:
    given = {"residents": [[4, 0], [0, 0], [0, 0]]}
    return (
        _more_survivors(sites=given),
        _more_survivors(sites={**given, "capacity_fish": [10, -1]}),
    )


def capacity_kg() -> Case:
    given = {"groups": {"weight_g": [500.0, 250.0, 250.0]}}
    return (
        _more_survivors(**given),
        _more_survivors(**given, sites={"capacity_kg": [4.1, np.inf], "resident_kg": [1.0, 0.0]}),
    )


def wanted() -> Case:
    return _more_survivors(), _more_survivors(sites={"wanted": [7, -1]})


def receive_range() -> Case:
    return _more_survivors(), _more_survivors(sites={"min_receive": [0, 5], "max_receive": [12, -1]})


def min_group() -> Case:
    given = {"sites": {"capacity_fish": [14, -1]}}
    return (
        _more_survivors(**given),
        _more_survivors(sites={"capacity_fish": [14, -1], "min_group": [0, 9]}),
    )


def family_cap() -> Case:
    given = {"available": (12, 3, 3)}
    return _more_survivors(**given), _more_survivors(**given, sites={"family_cap": [0.5, 1.0]})


def living_share() -> Case:
    return _more_survivors(), _more_survivors(settings={"living_share": 0.5})


def family_spread() -> Case:
    return _more_survivors(), _more_survivors(settings={"min_sites": 2, "min_sites_from": 4})


def year_classes() -> Case:
    given = {"groups": {"year_class": [2021, 2021, 2022]}, "sites": {"open": [True, True]}}
    only_old = {"forbidden": [[False, True], [False, True], [True, False]]}
    return (
        _more_survivors(**given, **only_old),
        _more_survivors(
            groups={"year_class": [2021, 2021, 2022]},
            sites={"min_year_classes": [2, 0]},
            **only_old,
        ),
    )


def min_families() -> Case:
    only_one = {"forbidden": [[False, True], [True, False], [True, False]]}
    return (
        _more_survivors(**only_one),
        _more_survivors(**only_one, sites={"min_families": [2, 0]}),
    )


def refuge_copies() -> Case:
    return _more_survivors(), _more_survivors(sites={"refuge_copies": [[0, 3], [0, 0], [0, 2]]})


def totals() -> Case:
    total = (SitesTotal("east", (1,), low=4), SitesTotal("west", (0,), high=10))
    return _more_survivors(), _more_survivors(settings={"totals": total})


def release_total() -> Case:
    return _more_survivors(), _more_survivors(settings={"total_min": 3, "total_max": 11})


def keep_back() -> Case:
    return (
        _more_survivors(),
        _more_survivors(settings={"keep_back": 5}, families={"keep_back": [0, 3, 0]}),
    )


def other_species() -> Case:
    return _held("other_species")


def sex_doubt() -> Case:
    return _held("sex_doubt")


def season() -> Case:
    shut = np.zeros((12, 2), dtype=bool)
    shut[10, 0] = True
    given = {"sites": {"closed_months": shut}}
    return _more_survivors(**given), _more_survivors(**given, settings={"month": 11})


def temperature() -> Case:
    given = {"groups": {"water_c": [8.0, 12.0, -99.0]}, "sites": {"water_c": [12.0, 8.0]}}
    return _more_survivors(**given), _more_survivors(**given, settings={"temperature_step_c": 3.0})


def sex_ratio() -> Case:
    given = {"groups": {"sex": ["female", "female", "male"]}}
    return (
        _more_survivors(**given),
        _more_survivors(
            **given, sites={"female_low": 0.4, "female_high": [0.6, 1.0], "sex_known_from": [5, 13]}
        ),
    )


def shares() -> Case:
    agreed = (SitesShare("east", (1,), low=0.25), SitesShare("west", (0,), 0.1, 0.7))
    return _more_survivors(), _more_survivors(settings={"shares": agreed})


def permit() -> Case:
    return _more_survivors(), _more_survivors(settings={"permit_left": 11})


def survivors() -> Case:
    data = plain(survival=0.5, settings={"survivors_share": 0.0})
    return data, data.with_settings(survivors_min=4.0)


CASES: dict[str, Callable[[], Case]] = {
    "site-closed": closed,
    "health-hold": health_hold,
    "withdrawal": withdrawal,
    "predators": predators,
    "connection": connection,
    "min-length": min_length,
    "water-risk": water_risk,
    "forbidden-move": forbidden_move,
    "other-species": other_species,
    "sex-doubt": sex_doubt,
    "season": season,
    "temperature": temperature,
    "stock": stock,
    "committed": committed,
    "capacity-fish": capacity_fish,
    "capacity-kg": capacity_kg,
    "wanted": wanted,
    "receive-range": receive_range,
    "min-group": min_group,
    "family-cap": family_cap,
    "living-share": living_share,
    "family-spread": family_spread,
    "year-classes": year_classes,
    "min-families": min_families,
    "refuge-copies": refuge_copies,
    "totals": totals,
    "release-total": release_total,
    "keep-back": keep_back,
    "sex-ratio": sex_ratio,
    "shares": shares,
    "permit": permit,
    "survivors": survivors,
}


def impossible() -> dict[str, ReleaseData]:
    """Data no plan exists for, by the code of a rule that must be named among the conflicting ones."""
    base = _more_survivors
    dry = {"settings": {"total_min": 1}}
    return {
        "site-closed": base(sites={"open": False}, **dry),
        "health-hold": base(groups={"health_hold": True}, **dry),
        "withdrawal": base(groups={"withdrawal_hold": True}, **dry),
        "predators": base(
            lengths=250.0,
            sites={"predators": "present"},
            settings={"total_min": 1, "predator_safe_mm": 300.0},
        ),
        "connection": base(
            lengths=250.0, sites={"connected": True}, settings={"total_min": 1, "connected_min_mm": 300.0}
        ),
        "min-length": base(lengths=250.0, sites={"min_length_mm": 300.0}, **dry),
        "water-risk": base(groups={"water_risk": 3}, sites={"water_risk": 1}, **dry),
        "forbidden-move": base(forbidden=True, **dry),
        "committed": base(committed=[[0, 2], [0, 0], [0, 0]], sites={"open": [True, False]}),
        "capacity-fish": base(sites={"capacity_fish": [5, 0], "wanted": [6, -1]}),
        "capacity-kg": base(sites={"capacity_kg": [1.0, np.inf], "wanted": [6, -1]}),
        "wanted": base(sites={"wanted": [5, -1], "max_receive": [3, -1]}),
        "receive-range": base(sites={"min_receive": [8, 0], "max_receive": [7, -1]}),
        "min-group": base(sites={"min_group": [10, 0], "wanted": [4, -1]}),
        "family-cap": base(sites={"family_cap": [0.3, 1.0], "wanted": [9, -1]}),
        "living-share": base(settings={"living_share": 0.4, "total_min": 15}),
        "family-spread": base(settings={"min_sites": 2}, sites={"open": [True, False]}),
        "year-classes": base(
            groups={"year_class": 2021}, sites={"min_year_classes": [2, 0], "wanted": [4, -1]}
        ),
        "min-families": base(sites={"min_families": [4, 0], "wanted": [9, -1]}),
        "refuge-copies": base(sites={"refuge_copies": [[9, 0], [0, 0], [0, 0]]}),
        "totals": base(settings={"totals": (SitesTotal("both", (0, 1), low=12),), "total_max": 11}),
        "release-total": base(settings={"total_min": 10, "total_max": 9}),
        "keep-back": base(settings={"keep_back": 10, "total_min": 9}),
        "other-species": base(groups={"other_species": True}, **dry),
        "sex-doubt": base(groups={"sex_doubt": True}, **dry),
        "season": base(sites={"closed_months": True}, settings={"total_min": 1, "month": 3}),
        "temperature": base(
            groups={"water_c": 4.0},
            sites={"water_c": 9.0},
            settings={"total_min": 1, "temperature_step_c": 2.5},
        ),
        "sex-ratio": base(
            groups={"sex": ["female", "female", "male"]},
            sites={"female_low": [0.5, 0.0], "female_high": [0.6, 1.0], "wanted": [16, -1]},
        ),
        "shares": base(
            settings={"shares": (SitesShare("east", (1,), 0.5),), "total_min": 1},
            sites={"open": [True, False]},
        ),
        "permit": base(settings={"permit_left": 5, "total_min": 6}),
        "survivors": base(settings={"survivors_min": 17.0}),
    }
