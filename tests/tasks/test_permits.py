"""Running tallies of permits: arithmetic by hand, the practice programme, hard stop, plans."""

from __future__ import annotations

import datetime as dt
import json
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

from broodstock.errors import UsageError
from planner.tasks.permit_events import Event, events_of
from planner.tasks.permits import count_events, permit_room, planned_by, state_of, tallies, tally_lines
from planner.tasks.programme import Programme

D = dt.date


def with_rows(programme: Programme, table: str, *rows: dict) -> Programme:  # type: ignore[type-arg]
    frame = programme.tables[table]
    extra = pd.DataFrame(
        [{c: r.get(c, "" if frame[c].dtype == object else None) for c in frame.columns} for r in rows]
    )
    for c in frame.columns:
        extra[c] = extra[c].astype(frame[c].dtype)
    joined = pd.concat([frame, extra], ignore_index=True)
    joined.attrs = frame.attrs
    return replace(programme, tables={**programme.tables, table: joined})


def test_count_events__counts_a_female_once() -> None:
    day = D(2025, 2, 14)
    events = [
        Event(day, 1, "", "", "female F-01"),
        Event(day, 1, "", "", "female F-01"),
        Event(day, 1, "", "", "female F-02"),
        Event(day, 7, "", ""),
        Event(day, 7, "", ""),
    ]
    assert count_events(events) == (16, {"female F-01", "female F-02"})


@pytest.mark.parametrize(
    ("used", "limit", "day", "state"),
    [
        (0, 10, D(2025, 1, 1), "open"),
        (9, 10, D(2025, 1, 1), "nearly used"),
        (10, 10, D(2025, 1, 1), "stop"),
        (11, 10, D(2025, 1, 1), "exceeded"),
        (11, 10, D(2027, 1, 1), "exceeded"),
        (0, 10, D(2024, 1, 1), "not yet valid"),
        (0, 10, D(2026, 1, 1), "no longer valid"),
        (5, None, D(2025, 1, 1), "no limit"),
        (0, 0, D(2025, 1, 1), "stop"),
    ],
)
def test_state_of__by_number_and_day(used: int, limit: int | None, day: dt.date, state: str) -> None:
    assert state_of(used, limit, D(2025, 1, 1), D(2025, 12, 31), day, 0.9) == state


def test_tallies__are_the_sums_of_the_tables(tiny: Programme) -> None:
    takes = tiny.tables["larval_takes"]
    for t in tallies(tiny):
        assert (
            sum(e.number for e in t.events if not e.once) + len({e.once for e in t.events} - {""})
            == t.counted
        )
        assert all(t.valid_from <= e.on <= min(t.valid_until, tiny.today) for e in t.events)
        if t.activity == "collect-larvae":
            inside = takes[
                (takes["collected_on"] >= pd.Timestamp(t.valid_from))
                & (takes["collected_on"] <= pd.Timestamp(t.valid_until))
            ]
            assert t.counted == inside["number"].sum()


def test_tallies__the_planted_excess_stops_and_names_the_phone(tiny: Programme) -> None:
    over = [t for t in tallies(tiny) if t.state == "exceeded"]
    assert [t.permit for t in over] == ["XZ-24-101"]
    text = over[0].stop_text()
    assert "140 of 128 used, 12 too many" in text
    assert "Phone: permit officer of the river office" in text
    assert text in tally_lines(over)
    assert any("LT-" in line for line in tally_lines(over, with_events=True))


def test_tallies__only_events_until_the_day_count(tiny: Programme) -> None:
    late, early = ({t.permit: t.counted for t in tallies(tiny, d)} for d in (D(2024, 10, 20), D(2024, 2, 1)))
    assert early["XZ-24-101"] < late["XZ-24-101"]


def test_tallies__an_event_that_names_a_permit_counts_with_it_alone(tiny: Programme) -> None:
    lots = with_rows(
        tiny,
        "lots",
        {
            "lot_id": "L1",
            "year_class": 2024,
            "kind": "family",
            "stage": "juveniles",
            "opened_on": pd.Timestamp("2024-04-01"),
        },
    )
    moves = with_rows(
        lots,
        "group_moves",
        {
            "move_id": "1",
            "happened_on": pd.Timestamp("2024-10-05"),
            "kind": "death",
            "from_lot": "L1",
            "number": 7,
        },
        {
            "move_id": "2",
            "happened_on": pd.Timestamp("2024-10-06"),
            "kind": "cull",
            "from_lot": "L1",
            "number": 9,
            "permit_id": "another",
        },
    )
    found = {t.permit: t for t in tallies(moves)}
    assert found["XZ-25-106"].counted == 7
    assert "death from lot 'L1'" in found["XZ-25-106"].events[0].what


def test_permit_room__is_a_hard_stop(tiny: Programme) -> None:
    day = D(2024, 11, 12)
    assert permit_room(tiny, "release", 200, day).may
    too_many = permit_room(tiny, "release", 201, day)
    assert (too_many.may, too_many.left) == (False, 200)
    assert "at most 200 instead of 201" in too_many.change
    assert "phone permit officer" in too_many.change
    other_day = permit_room(tiny, "release", 1, D(2030, 1, 1))
    assert not other_day.may
    assert "no permit for release is valid on 2030-01-01" in other_day.why
    none = replace(tiny, tables={**tiny.tables, "permits": tiny.tables["permits"].iloc[:0]})
    assert "no permit for release in the records" in permit_room(none, "release", 1, day).why


def test_tallies__a_plan_adds_only_females_not_yet_counted(tiny: Programme, tmp_path: Path) -> None:
    (tmp_path / "spawning_plan.json").write_text(
        json.dumps(
            {"provenance": {"version": 1}, "crosses": [{"dam": "F-03"}, {"dam": "F-03"}, {"dam": "F-04"}]}
        )
    )
    (tmp_path / "release_plan.json").write_text(
        json.dumps({"provenance": {"version": 1}, "fish": {"Lake": ["a"] * 150, "QL": ["b"] * 60}})
    )
    planned = planned_by(tmp_path)
    assert planned == {"spawn": ["F-03", "F-04"], "release": 210}
    found = {t.permit: t for t in tallies(tiny, planned=planned)}
    assert (found["XZ-25-103"].planned, found["XZ-25-103"].left_after_plan) == (2, 28)
    assert found["XZ-25-104"].left_after_plan == -10
    assert any(line.startswith("HARD STOP: the plan needs 210") for line in tally_lines(list(found.values())))
    made = with_rows(
        tiny,
        "crosses",
        {
            "cross_id": "D1",
            "season": 2025,
            "made_on": pd.Timestamp("2025-01-10"),
            "dam": "F-03",
            "sire": "M-03",
        },
    )
    later = {t.permit: t for t in tallies(made, D(2025, 2, 14), planned)}
    assert (later["XZ-25-103"].counted, later["XZ-25-103"].planned) == (1, 1)


def test_planned_by__refuses_a_folder_without_plans(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="found no plan"):
        planned_by(tmp_path)


def test_events_of__an_unknown_activity_has_none(tiny: Programme) -> None:
    assert events_of(tiny, "watching") == []


def test_events_of__a_lot_and_its_single_fish_are_one_release(tiny: Programme) -> None:
    bare = replace(tiny, tables={**tiny.tables, "group_moves": tiny.tables["group_moves"].iloc[:0]})
    single = len(tiny.tables["releases"])
    assert sum(e.number for e in events_of(bare, "release")) == single
    first = tiny.tables["releases"].iloc[0]
    same = int(
        (
            (tiny.tables["releases"]["released_on"] == first["released_on"])
            & (tiny.tables["releases"]["site_id"] == first["site_id"])
        ).sum()
    )
    move = {
        "move_id": "1",
        "happened_on": first["released_on"],
        "kind": "release",
        "to_site": first["site_id"],
    }
    both = with_rows(bare, "group_moves", move | {"number": same + 5})
    assert sum(e.number for e in events_of(both, "release")) == single + 5
