"""Larval collection, census and drawdown: every tag and number against the records, blanks that can be keyed in.

Expected numbers are counted from the tables by plain Python or worked by hand; rules are common practice, no source.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

from broodstock.errors import UsageError
from planner.tasks.programme import Programme, open_programme
from planner.tasks.sheets.asked import Asked
from planner.tasks.sheets.census import census_crew
from planner.tasks.sheets.larval import larval_collection, year_class_of_night
from planner.tasks.sheets.make import kept_sheet, make_sheet
from planner.tasks.sheets.tick_off import drawdown_tick_off
from tests.tasks.sheets.keyed import TICK, check_form, columns_of, read_back, words_of

NIGHT = {"day": "2025-01-15"}


def with_tables(programme: Programme, **tables: pd.DataFrame) -> Programme:
    return replace(programme, tables={**programme.tables, **tables})


@pytest.fixture(scope="module")
def quotas(tiny: Programme) -> Programme:
    """40 larvae wanted from Glasswater (half in one night), 30 from Broad Basin, in the week of 13 January 2025."""
    table = pd.DataFrame(
        {
            "year_class": pd.array([2025, 2025], dtype="Int64"),
            "zone": ["Glasswater", "Broad Basin"],
            "week_from": pd.to_datetime(["2025-01-13", "2025-01-13"]),
            "number": pd.array([40, 30], dtype="Int64"),
            "night_share_max": [0.5, float("nan")],
            "note": ["", ""],
        }
    )
    return with_tables(tiny, larval_quotas=table)


@pytest.fixture(scope="module")
def scanned(tiny_folder: Path) -> Programme:
    return open_programme(tiny_folder, with_scans=True, with_calls=False)


def taken(programme: Programme, zone: str, day: str, number: int) -> Programme:
    table = programme.tables["larval_takes"]
    one = table.iloc[[0]].assign(
        take_id="LT-X", collected_on=pd.Timestamp(day), zone=zone, year_class=2025, number=number, family=""
    )
    return with_tables(
        programme, larval_takes=pd.concat([table, one.astype(table.dtypes)], ignore_index=True)
    )


# --- larvae ---------------------------------------------------------------------------------------------------------


def test_larvae__stop_line_worked_by_hand(quotas: Programme) -> None:
    """Season 70 wanted; 15 % of it is 10 for Broad Basin, half of 40 is 20 for Glasswater; Narrows wants none."""
    sheet = larval_collection(quotas, Asked(NIGHT)).sheet
    rooms = columns_of(sheet, "What each zone")
    left = dict(zip(rooms["Zone"], rooms["Stop at"], strict=True))
    assert left["Glasswater"] == "20"
    assert left["Broad Basin"] == "10"
    assert left["Upper Narrows"] == "0: not tonight"
    assert dict(sheet.facts)["Stop at"] == "30 larvae"
    assert dict(sheet.facts)["Year class"].startswith("2025")
    assert "STOP for the night at 30 larvae" in words_of(sheet)


def test_larvae__what_was_taken_counts(quotas: Programme) -> None:
    """4 taken this night in Broad Basin: 10 - 4 = 6 are left for the night; 35 on Tuesday leave 5 of Glasswater's 40."""
    some = taken(taken(quotas, "Broad Basin", "2025-01-15", 4), "Glasswater", "2025-01-14", 35)
    rooms = columns_of(larval_collection(some, Asked(NIGHT)).sheet, "What each zone")
    at = {z: k for k, z in enumerate(rooms["Zone"])}
    assert rooms["Stop at"][at["Broad Basin"]] == "6"
    assert rooms["Taken this week"][at["Broad Basin"]] == "4"
    assert rooms["Left of the quota"][at["Glasswater"]] == "5"
    assert rooms["Stop at"][at["Glasswater"]] == "5"


def test_larvae__permit_ends_the_night_before_the_quota(quotas: Programme) -> None:
    permits = quotas.tables["permits"].copy()
    permits.loc[permits["permit_id"] == "XZ-25-101", "used"] = 193
    sheet = larval_collection(with_tables(quotas, permits=permits), Asked(NIGHT)).sheet
    assert dict(sheet.facts)["Stop at"] == "7 larvae"
    assert "left under the permit" in words_of(sheet)


def test_larvae__form_has_every_station_of_open_zones(quotas: Programme) -> None:
    printed = larval_collection(quotas, Asked({**NIGHT, "stations": "3"}))
    (form,) = printed.forms
    check_form(form)
    assert [line.known["zone"] for line in form.lines] == ["Glasswater"] * 3 + ["Broad Basin"] * 3
    for zone in ("Glasswater", "Broad Basin"):
        block = columns_of(printed.sheet, f"{zone}: stations")
        assert block["Station"] == ["1", "2", "3"]
        headings = [h for h in block if h in ("Hours", "Taken, dead ones too", "Larval group")]
        assert [f.column for f in form.fields] == ["effort_h", "number", "family"]
        assert len(headings) == 3
    back = read_back(
        printed, 0, {2: {"effort_h": "3.5", "number": "12"}, 4: {"effort_h": "2", "number": "0"}}
    )
    assert list(back["number"]) == [12, 0]
    assert list(back["zone"]) == ["Glasswater", "Broad Basin"]
    assert list(back["collected_on"]) == [pd.Timestamp("2025-01-15")] * 2
    assert list(back["year_class"]) == [2025, 2025]


def test_larvae__without_quota_the_permit_stops(tiny: Programme) -> None:
    sheet = larval_collection(tiny, Asked(NIGHT)).sheet
    assert set(columns_of(sheet, "What each zone")["Stop at"]) == {"the permit"}
    assert dict(sheet.facts)["Stop at"] == "200 larvae"
    none = tiny.tables["permits"].iloc[:0]
    bare = larval_collection(with_tables(tiny, permits=none), Asked(NIGHT)).sheet
    assert dict(bare.facts)["Stop at"] == "no number set"
    assert "Ask for the number before you leave" in words_of(bare)


def test_larvae__december_is_next_years_class() -> None:
    """A published trap of these programmes: larvae of December belong to the class of the next calendar year."""
    assert year_class_of_night(dt.date(2024, 12, 27)) == 2025
    assert year_class_of_night(dt.date(2025, 4, 1)) == 2025


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ({"day": "2024-11-20"}, "140 of 128 used, 0 left. Expected room for at least one larva"),
        ({"day": "15.1.2025"}, "day: found '15.1.2025'. Expected a day"),
        ({**NIGHT, "zone": "Glaswater"}, "Did you mean 'Glasswater'"),
        ({**NIGHT, "zone": "Upper Narrows"}, "found nothing left to take on 2025-01-15 in Upper Narrows"),
        ({**NIGHT, "stations": "0"}, "stations: found '0'. Expected a whole number from 1 to 20"),
    ],
)
def test_larvae__refusals(quotas: Programme, words: dict[str, str], said: str) -> None:
    with pytest.raises(UsageError) as caught:
        larval_collection(quotas, Asked(words))
    assert said in str(caught.value)


def test_larvae__no_zone_known(tiny: Programme) -> None:
    bare = with_tables(
        tiny, **{t: tiny.tables[t].iloc[:0] for t in ("sites", "larval_takes", "larval_quotas")}
    )
    with pytest.raises(UsageError, match="found no zone in sites"):
        larval_collection(bare, Asked(NIGHT))


# --- census ---------------------------------------------------------------------------------------------------------


def tags_last_here(programme: Programme, site: str, until: str) -> dict[str, bool]:
    """Return the tags last released or met at a water, and whether met: the slow way, event by event."""
    events = [(r.released_on, 0, r.tag, r.site_id) for r in programme.tables["releases"].itertuples()]
    for c in programme.tables["captures"].itertuples():
        events += [(c.captured_on, 1, t, c.site_id) for t in (c.tag, c.new_tag)]
    where = programme.tables["deployments"].set_index("deployment_id")["site_id"].to_dict()
    for s in programme.tables["scans"].itertuples():
        events.append((s.scanned_at.normalize(), 1, s.tag, where[s.deployment_id]))
    last: dict[str, tuple[str, bool]] = {}
    for day, how, tag, place in sorted(events, key=lambda e: (e[0], e[1])):
        if tag and day <= pd.Timestamp(until):
            last[tag] = (place, bool(how))
    return {t: met for t, (place, met) in last.items() if place == site}


@pytest.mark.parametrize("site", ["QL", "BB"])
def test_census__every_tag_that_may_be_met_stands_on_it(scanned: Programme, site: str) -> None:
    expected = tags_last_here(scanned, site, "2025-03-10")
    assert expected
    printed = census_crew(scanned, Asked({"water": site, "day": "2025-03-10", "tags": "3000"}))
    block = next(b for b in printed.sheet.blocks if b.title == "Tags that may be met")
    cells = [c for row in block.rows for c in row if c.strip()]  # type: ignore[union-attr]
    assert sorted(c.split()[1] for c in cells) == sorted(expected)
    released = {c.split()[1] for c in cells if c.endswith(" r")}
    assert released == {t for t, met in expected.items() if not met}
    table = printed.tables["expected_tags.csv"].splitlines()
    assert len(table) == len(expected) + 1


def test_census__fewer_tags_are_printed_but_none_is_lost(tiny: Programme) -> None:
    full = tags_last_here(tiny, "BB", "2025-03-10")
    printed = census_crew(tiny, Asked({"water": "BB", "day": "2025-03-10", "tags": "2"}))
    assert f"2 of {len(full)} are printed" in words_of(printed.sheet)
    assert len(printed.tables["expected_tags.csv"].splitlines()) == len(full) + 1
    block = next(b for b in printed.sheet.blocks if b.title == "Tags that may be met")
    shown = {c.split()[1] for row in block.rows for c in row if c.strip()}  # type: ignore[union-attr]
    assert all(full[t] for t in shown) or not any(full.values())


def test_census__lines_become_captures_and_clips(tiny: Programme) -> None:
    printed = census_crew(
        tiny, Asked({"water": "QL", "day": "2025-03-10", "lines": "6", "days": "2", "gears": "net, trap"})
    )
    clips, captures = printed.forms
    check_form(clips)
    check_form(captures)
    block = columns_of(printed.sheet, "Captures")
    vials = [c.removeprefix("☐ ") for c in block["Clip taken, vial"]]
    assert vials == [f"QL250310-{k:02d}" for k in range(1, 7)]
    assert [line.known["sample_id"] for line in clips.lines] == vials
    blanks = [h for h in block if h not in ("Line", "Set")]
    assert [f.label for f in captures.fields if f.label != "Gear"] == [h for h in blanks if h != "Gear"]
    filled = {
        1: {
            "captured_on": "2025-03-11",
            "tag": "999009000010054",
            "sex": "female",
            "length_mm": "540",
            "length_type": "TL",
        },
        2: {
            "captured_on": "2025-03-11",
            "new_tag": "999009000099999",
            "sample_id": vials[1],
            "method": "net",
            "effort_h": "4",
        },
    }
    back = read_back(printed, 1, filled)
    assert list(back["capture_id"]) == ["CAP-2025-03-10-1", "CAP-2025-03-10-2"]
    assert list(back["site_id"]) == ["QL", "QL"]
    taken_clips = read_back(printed, 0, {2: {TICK: "x", "collected_on": "2025-03-11"}})
    assert list(taken_clips["sample_id"]) == [vials[1]]
    assert list(taken_clips["group"]) == ["capture"]


def test_census__a_vial_is_never_named_twice(tiny: Programme) -> None:
    samples = tiny.tables["samples"]
    one = samples.iloc[[0]].assign(sample_id="QL250310-02")
    more = with_tables(tiny, samples=pd.concat([samples, one], ignore_index=True))
    printed = census_crew(more, Asked({"water": "QL", "day": "2025-03-10", "lines": "3"}))
    assert [x.known["sample_id"] for x in printed.forms[0].lines] == [
        "QL250310-01",
        "QL250310-03",
        "QL250310-04",
    ]


@pytest.mark.parametrize(
    ("gears", "there", "absent"),
    [
        ("trammel net", "Nets: look at each set", "Electrofishing"),
        ("electrofishing boat", "nobody alone", "Nets: look"),
        ("angling", "Boats: life jackets", "Electrofishing"),
    ],
)
def test_census__cautions_of_its_gears_only(tiny: Programme, gears: str, there: str, absent: str) -> None:
    said = " ".join(census_crew(tiny, Asked({"water": "QL", "gears": gears})).sheet.cautions)
    assert there in said
    assert absent not in said
    assert "Do not publish exact sites" in said


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ({"water": "QLL"}, "water: found 'QLL'. Did you mean 'QL'?"),
        ({"water": "QL", "days": "22"}, "days: found '22'. Expected a whole number from 1 to 21"),
        ({"water": "QL", "gears": " , "}, "gears: found only commas"),
        ({"water": "QL", "lines": "0"}, "lines: found '0'"),
    ],
)
def test_census__refusals(tiny: Programme, words: dict[str, str], said: str) -> None:
    with pytest.raises(UsageError) as caught:
        census_crew(tiny, Asked(words))
    assert said in str(caught.value)


# --- drawdown -------------------------------------------------------------------------------------------------------


def test_drawdown__every_expected_tag_once_in_the_order_of_the_paper(scanned: Programme) -> None:
    expected = tags_last_here(scanned, "QL", "2025-03-10")
    printed = drawdown_tick_off(scanned, Asked({"water": "QL", "day": "2025-03-10"}))
    listed = columns_of(printed.sheet, "Expected")
    assert sorted(listed["PIT code"]) == sorted(expected)
    form = printed.forms[0]
    assert [line.known["tag"] for line in form.lines] == listed["PIT code"]
    assert [line.known["number"] for line in form.lines] == listed["No"]
    numbers = [line.known["number"] for f in printed.forms[:4] for line in f.lines]
    assert numbers == [str(k) for k in range(1, len(numbers) + 1)]
    titles = ("Expected", "Not on the list", "Young of this water", "Other species")
    assert [columns_of(printed.sheet, t)["No"] for t in titles] == [
        [x.known["number"] for x in f.lines] for f in printed.forms[:4]
    ]


def test_drawdown__lines_become_handled_fish(tiny: Programme) -> None:
    printed = drawdown_tick_off(tiny, Asked({"water": "QL", "day": "2025-03-10", "drawdown": "DD-1"}))
    for form in printed.forms:
        check_form(form)
    back = read_back(
        printed, 0, {1: {"fate": "moved", "to_site": "BB", "total_length_mm": "512", "sex": "male"}}
    )
    assert list(back["fate"]) == ["moved"]
    assert list(back["drawdown_id"]) == ["DD-1"]
    other = read_back(printed, 3, {1: {"species": "bass", "note": "about 20"}})
    assert list(other["kind"]) == ["intruder"]
    young = read_back(
        printed, 2, {4: {"new_tag": "999009000099999", "total_length_mm": "120", "fate": "alive"}}
    )
    assert list(young["kind"]) == ["young"]


def test_drawdown__refusals(tiny: Programme) -> None:
    with pytest.raises(
        UsageError, match=r"found BB, a reservoir-zone\. Expected a water that can be emptied"
    ):
        drawdown_tick_off(tiny, Asked({"water": "BB"}))
    with pytest.raises(UsageError, match=r"water: found 'XX'\. Expected one of"):
        drawdown_tick_off(tiny, Asked({"water": "XX"}))
    handled = tiny.tables["drawdown_fish"].reindex(range(2)).assign(drawdown_id="DD-2025-03-10-QL")
    with pytest.raises(UsageError, match=r"under which 2 fish are on record\. Expected a new name"):
        drawdown_tick_off(
            with_tables(tiny, drawdown_fish=handled), Asked({"water": "QL", "day": "2025-03-10"})
        )


# --- versions -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("larvae", NIGHT),
        ("census", {"water": "QL", "day": "2025-03-10"}),
        ("drawdown", {"water": "QL", "day": "2025-03-10"}),
    ],
)
def test_versions__a_changed_record_voids_the_older_paper(
    quotas: Programme, name: str, words: dict[str, str], tmp_path: Path
) -> None:
    first = make_sheet(quotas, name, Asked(words), tmp_path)
    assert first.version == 1
    assert make_sheet(quotas, name, Asked(words), tmp_path).version == 1
    assert all(f.exists() for f in first.files)
    releases = quotas.tables["releases"]
    more = releases.iloc[[0]].assign(
        tag="999009000088888", site_id="QL", released_on=pd.Timestamp("2025-03-01")
    )
    changed = taken(
        with_tables(quotas, releases=pd.concat([releases, more], ignore_index=True)),
        "Broad Basin",
        "2025-01-15",
        4,
    )
    second = make_sheet(changed, name, Asked(words), tmp_path)
    assert second.version == 2
    assert second.mark != first.mark
    assert kept_sheet(tmp_path, name, first.subject, 1).is_void
    assert not kept_sheet(tmp_path, name, first.subject, 2).is_void


def test_versions__another_layout_of_a_census_voids_the_older_paper(tiny: Programme, tmp_path: Path) -> None:
    words = {"water": "QL", "day": "2025-03-10", "lines": "3"}
    first = make_sheet(tiny, "census", Asked(words), tmp_path)
    second = make_sheet(tiny, "census", Asked({**words, "lines": "4"}), tmp_path)
    assert (first.subject, second.version) == (second.subject, 2)
