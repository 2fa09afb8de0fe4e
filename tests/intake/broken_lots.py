"""Folders with one fault each about lots and the order of states; the form is that of ``broken_folders``."""

from __future__ import annotations

from typing import Any

from broken_folders import GW, T1, Expected, Row, family, fish, release

UNITS = [{"unit_id": "T1", "kind": "tank", "capacity_fish": 6000}, {"unit_id": "T2", "kind": "tank"}]


def lot(name: str = "A-22", **more: Any) -> Row:
    """Return one lot of the year class 2022."""
    return {"lot_id": name, "year_class": 2022, "kind": "larval-group", "opened_on": "2022-03-01"} | more


def come(number: int = 5000, **more: Any) -> Row:
    """Return 5 000 counted fish put in a lot."""
    event = {"move_id": "G-1", "happened_on": "2022-03-01", "kind": "in", "to_lot": "A-22", "to_unit": "T1"}
    return event | {"number": number, "method": "counted", "family": "FA"} | more


def then(kind: str, number: int | None = None, **more: Any) -> Row:
    """Return a later event of the lot."""
    event = {
        "move_id": "G-2",
        "happened_on": "2022-10-03",
        "kind": kind,
        "from_lot": "A-22",
        "from_unit": "T1",
    }
    return event | {"number": number, "method": "counted"} | more


def folder(moves: list[Row], lots: list[Row] | None = None, **more: list[Row]) -> dict[str, list[Row]]:
    """Return the tables of a lot."""
    return {
        "units": UNITS,
        "families": [family("FA"), family("FB")],
        "lots": lots or [lot()],
        "group_moves": moves,
    } | more


LOT_CASES: dict[str, tuple[dict[str, Any], Expected]] = {
    "status-jump": (
        {
            "sites": GW,
            "releases": [release(T1), release(T1, event="E2", released_on="2024-03-02")],
            "fish": [fish("F1", tag=T1, status="released", status_on="2023-11-12")],
        },
        [("releases.csv", "status-jump", 3, "released_on")],
    ),
    "lot-more-out-than-in": (
        folder([come(), then("out", 5240)]),
        [("group_moves.csv", "lot-more-out-than-in", 3, "number")],
    ),
    "lot-empty-moved": (
        folder([come(), then("move", 300, from_unit="T2", to_unit="T1")]),
        [("group_moves.csv", "lot-empty-moved", 3, "number")],
    ),
    "lot-loss-unexplained": (
        folder([come(), then("count", 3900)]),
        [("group_moves.csv", "lot-loss-unexplained", 3, "number")],
    ),
    "lot-loss-unexplained-when-closed": (
        folder([come(), then("out", 4000)], [lot(closed_on="2022-10-03")]),
        [("lots.csv", "lot-loss-unexplained", 2, "closed_on")],
    ),
    "lot-count-too-high": (
        folder([come(), then("count", 5600)]),
        [("group_moves.csv", "lot-count-too-high", 3, "number")],
    ),
    "lot-name-reused": (
        folder([come(family="FC")], families=[family("FC", year_class=2023, made_on="2023-02-14")]),
        [("group_moves.csv", "lot-name-reused", 2, "to_lot")],
    ),
    "lot-name-reused-almost": (
        folder([come()], [lot(), lot("a22")]),
        [("lots.csv", "lot-name-reused", 3, "lot_id")],
    ),
    "lot-not-open": (
        folder([come(), then("count", 5000, happened_on="2023-10-03")], [lot(closed_on="2022-12-01")]),
        [
            ("lots.csv", "lot-loss-unexplained", 2, "closed_on"),
            ("group_moves.csv", "lot-not-open", 3, "from_lot"),
        ],
    ),
    "lot-event-incomplete": (
        folder([come(), then("split", 300, to_unit="T2")]),
        [("group_moves.csv", "lot-event-incomplete", 3, "kind")],
    ),
    "lot-family-unexpected": (
        folder([come(), then("dna-sample", None, family_numbers="FA:40 FB:8")]),
        [("group_moves.csv", "lot-family-unexpected", 3, "family_numbers")],
    ),
    "lot-families-not-told-apart": (
        folder([come(family="", family_numbers="FA:2500 FB:2500")], [lot(kind="pooled")]),
        [("lots.csv", "lot-families-not-told-apart", 2, "told_apart")],
    ),
    "unit-over-capacity-by-lots": (
        folder([come(7000)]),
        [("group_moves.csv", "unit-over-capacity", 2, "to_unit")],
    ),
}
