"""The release plan, the single move and the lights of a water judge alike: each fish at each water, fault by fault."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from planner.optimise.release.pair_rules import allowed
from planner.tasks.fish_state import quarantined, withdrawals
from planner.tasks.may_move import NO, may_move
from planner.tasks.move_subjects import stock_movers
from planner.tasks.permits import Room
from planner.tasks.programme import Programme
from planner.tasks.release_data import release_inputs
from planner.tasks.water_pages import BAD, GOOD, water_card
from planner.tasks.water_state import water_states

DAY = dt.date(2024, 11, 12)
OF_ALL = ("room", "permit to release")
"""Reasons that speak of numbers, which the plan keeps as rules of whole sites."""


def with_rows(programme: Programme, table: str, *new: dict[str, object]) -> Programme:
    """The programme with rows added to a table."""
    old = programme.tables[table]
    frame = pd.concat([old, pd.DataFrame(list(new)).reindex(columns=old.columns)], ignore_index=True)
    for column in old:
        if old[column].dtype.kind == "M":
            frame[column] = pd.to_datetime(frame[column])
        elif old[column].dtype == object or str(old[column].dtype).startswith("str"):
            frame[column] = frame[column].fillna("")
    return replace(programme, tables={**programme.tables, table: frame})


def with_cell(programme: Programme, table: str, key: str, name: str, column: str, value: object) -> Programme:
    """The programme with one cell changed."""
    frame = programme.tables[table].copy()
    frame.loc[frame[key] == name, column] = value
    return replace(programme, tables={**programme.tables, table: frame})


def treated(programme: Programme, **values: object) -> Programme:
    """The programme with one treatment of a unit with stock."""
    base = {
        "treatment_id": "T-1",
        "subject_kind": "unit",
        "subject": unit_of(programme),
        "reason": "skin",
        "product_class": "salt",
    }
    return with_rows(programme, "treatments", base | values)  # fmt: skip


def unit_of(programme: Programme) -> str:
    """The unit that holds most of the stock."""
    return str(programme.tables["stock"]["unit"].mode()[0])


def water_of(programme: Programme) -> str:
    """An isolated backwater that is free of predators."""
    sites = programme.tables["sites"]
    good = sites[(sites["kind"] == "isolated-backwater") & (sites["predators"] == "none")]
    return str(good["site_id"].iloc[-1])


FAULTS: dict[str, Callable[[Programme], Programme]] = {
    "as it is": lambda p: p,
    "treated, withdrawal running": lambda p: treated(
        p, started_on="2024-11-01", ended_on="2024-11-03", withdrawal_until="2024-11-20"
    ),
    "treated, withdrawal over": lambda p: treated(
        p, started_on="2024-10-01", ended_on="2024-10-03", withdrawal_until="2024-11-11"
    ),
    "treatment goes on": lambda p: treated(p, started_on="2024-11-10"),
    "in quarantine": lambda p: with_cell(p, "units", "unit_id", unit_of(p), "kind", "quarantine"),
    "certificate over": lambda p: with_cell(
        p, "certificates", "unit", unit_of(p), "valid_until", pd.Timestamp("2024-11-11")
    ),
    "water dry": lambda p: with_cell(p, "sites", "site_id", water_of(p), "max_depth_m", 0.0),
    "water closed": lambda p: with_cell(p, "sites", "site_id", water_of(p), "open_for_release", False),
    "month shut": lambda p: with_cell(p, "sites", "site_id", water_of(p), "closed_months", "10 11"),
    "survey old": lambda p: with_cell(
        p, "sites", "site_id", water_of(p), "surveyed_on", pd.Timestamp("2023-01-05")
    ),
    "never surveyed": lambda p: with_cell(p, "sites", "site_id", water_of(p), "surveyed_on", pd.NaT),
    "work not over": lambda p: with_rows(
        p,
        "renovations",
        {"renovation_id": "R-1", "site_id": water_of(p), "from_date": "2024-11-01", "kind": "berm"},
    ),
    "emptied, not checked": lambda p: with_rows(
        p,
        "renovations",
        {
            "renovation_id": "R-1",
            "site_id": water_of(p),
            "from_date": "2024-10-01",
            "to_date": "2024-10-09",
            "kind": "drained",
        },
    ),
    "emptied and checked": lambda p: with_rows(
        p,
        "renovations",
        {
            "renovation_id": "R-1",
            "site_id": water_of(p),
            "from_date": "2024-10-01",
            "to_date": "2024-10-09",
            "kind": "drained",
            "checked_on": "2024-11-01",
        },
    ),
    "water cleaner than the tank": lambda p: with_cell(p, "units", "unit_id", unit_of(p), "water_risk", 8),
}


SOME = (
    "as it is",
    "treatment goes on",
    "in quarantine",
    "certificate over",
    "never surveyed",
    "emptied, not checked",
)
"""Tried with every change of the program; the others with the long tests."""


@pytest.mark.parametrize(
    "fault", [f if f in SOME else pytest.param(f, marks=pytest.mark.slow) for f in FAULTS]
)
def test_plan_and_single_move__say_the_same_of_every_fish(
    tiny: Programme, fault: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    # The room of the permits is a number for all waters together: not asked again for each fish.
    room = Room(True, None, "not asked", "", ())
    monkeypatch.setattr("planner.tasks.may_move.permit_room", lambda *_: room)
    programme = FAULTS[fault](tiny)
    inputs = release_inputs(programme, DAY)
    goes = allowed(inputs.data)
    fish = inputs.fish
    # One fish of each group (fish of a group are alike in everything that these rules look at), and of those the first
    # of each unit, family with doubts, and size that a rule tells apart.
    some = fish.drop_duplicates("group")
    long = some["total_length_mm"] >= float(programme.settings["predator_min_length_mm"])
    some = some[~pd.DataFrame({"unit": some["unit"], "long": long, "dna": some["dna"] != ""}).duplicated()]
    refused = 0
    for j, site in enumerate(programme.tables["sites"]["site_id"]):
        for name, group in zip(some["stock_id"], some["group"], strict=True):
            answer = may_move(programme, name, site, DAY)
            against = [r.rule for r in answer.reasons if r.says == NO and r.rule not in OF_ALL]
            assert bool(goes[group, j]) is (not against), (name, site, against)
            refused += bool(against)
    assert 0 < refused < len(some) * len(programme.tables["sites"])


def test_faults__change_the_answer_where_they_should(tiny: Programme) -> None:
    before = allowed(release_inputs(tiny, DAY).data).sum()
    for fault, make in FAULTS.items():
        harmless = fault in ("as it is", "treated, withdrawal over", "emptied and checked")
        after = release_inputs(make(tiny), DAY)
        count = allowed(after.data).sum() if len(after.data.groups) else 0
        assert bool(count == before) is harmless, fault


def test_lights__are_those_of_the_plan(tiny: Programme) -> None:
    water = water_of(tiny)
    for fault in ("water dry", "water closed", "work not over", "emptied, not checked", "month shut"):
        card = water_card(FAULTS[fault](tiny), water, DAY)
        assert card.state == BAD, fault
        assert not np.any(allowed(release_inputs(FAULTS[fault](tiny), DAY).data)[:, place(tiny, water)])
    light = {x.name: x for x in water_card(FAULTS["never surveyed"](tiny), water, DAY).lights}["Predators"]
    assert light.state != GOOD
    assert "never surveyed" in light.words
    assert "only fish of" in light.change


def place(programme: Programme, site: str) -> int:
    """Column of a site."""
    return list(programme.tables["sites"]["site_id"]).index(site)


def test_withdrawal__the_last_of_all_sources_counts_through_its_day(tiny: Programme) -> None:
    programme = treated(tiny, started_on="2024-11-01", ended_on="2024-11-02", withdrawal_until="2024-11-12")
    movers = [m for m in stock_movers(programme) if m.unit == unit_of(programme)]
    assert set(withdrawals(programme, movers, DAY)) == {m.name for m in movers}
    assert {end for end, _ in withdrawals(programme, movers, DAY).values()} >= {DAY}
    own = {m.name for m in movers if m.withdrawal_until and m.withdrawal_until > DAY}
    assert set(withdrawals(programme, movers, DAY + dt.timedelta(days=1))) == own


def test_quarantine__ends_on_the_day_the_setting_says(tiny: Programme) -> None:
    programme = FAULTS["in quarantine"](tiny)
    mover = next(m for m in stock_movers(programme) if m.unit == unit_of(programme))
    days = int(programme.settings["quarantine_days"])
    came = replace(mover, here_since=DAY - dt.timedelta(days=days - 1))
    assert quarantined(programme, [came], DAY) == {mover.name: DAY + dt.timedelta(days=1)}
    assert quarantined(programme, [came], DAY + dt.timedelta(days=1)) == {}
    assert quarantined(programme, [mover], DAY) == {mover.name: None}


def test_openness_not_recorded__counts_as_open_and_is_said(tiny: Programme) -> None:
    water = water_of(tiny)
    frame = tiny.tables["sites"].copy()
    frame["open_for_release"] = frame["open_for_release"].astype("boolean")
    frame.loc[frame["site_id"] == water, "open_for_release"] = pd.NA
    programme = replace(tiny, tables={**tiny.tables, "sites": frame})
    assert water_states(programme, DAY)[water].is_open is None
    assert any(f"taken as open: {water}" in n for n in release_inputs(programme, DAY).notes)
    assert water_card(programme, water, DAY).state != GOOD
