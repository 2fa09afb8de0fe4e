"""Checks across tables: no false alarm on sound records, every planted fault found, nothing else raised."""

from __future__ import annotations

import copy
import datetime as dt
import sys
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from broodstock.checks.date_checks import expected_year_class
from broodstock.checks.measure_checks import fulton_condition
from broodstock.checks.records import Limits
from broodstock.checks.run import CHECKS, latest_day, run_checks
from broodstock.errors import UsageError
from broodstock.fields import TABLES
from broodstock.findings import Finding
from broodstock.findings_catalogue import CATALOGUE

sys.path.insert(0, str(Path(__file__).resolve().parent))
from sound_programme import SETTINGS, TODAY, Rows, code, frames, sound_rows

SOUND = sound_rows()


def found_in(rows: Rows) -> list[Finding]:
    return run_checks(frames(rows), {}, SETTINGS, TODAY)


def test_run_checks__sound_records_raise_nothing() -> None:
    assert [f.text() for f in found_in(SOUND)] == []


def test_run_checks__empty_tables_raise_nothing() -> None:
    assert run_checks(frames({}), {}, {}, TODAY) == []
    assert run_checks(frames({})) == []


def swap_tag(r: Rows) -> None:
    r["fish"][3]["tag"] = r["fish"][5]["tag"]


def transpose_digits(r: Rows) -> None:
    r["captures"][0]["tag"] = _swapped(r["captures"][0]["tag"])


def _swapped(tag: str) -> str:
    """Swap the last two different neighbours of a code."""
    i = max(k for k in range(len(tag) - 1) if tag[k] != tag[k + 1])
    return tag[:i] + tag[i + 1] + tag[i] + tag[i + 2 :]


def wrong_maker(r: Rows) -> None:
    r["stock"][0]["tag"] = "989" + r["stock"][0]["tag"][3:]


def release_before_hatch(r: Rows) -> None:
    r["releases"][100]["released_on"] = "2020-05-12"


def capture_before_tagging(r: Rows) -> None:
    r["captures"][0] |= {"captured_on": "2023-06-01", "length_mm": r["releases"][0]["total_length_mm"]}


def year_class_off(r: Rows) -> None:
    r["larval_takes"][0]["year_class"] = 2020


def sex_reversed(r: Rows) -> None:
    r["fish"][1]["sex"] = "male"


def young_parent(r: Rows) -> None:
    r["fish"][1] |= {"year_class": 2021}


def dead_crossed(r: Rows) -> None:
    r["fish"][1] |= {"status": "dead", "status_on": "2021-06-01", "unit": None}


def two_tanks(r: Rows) -> None:
    r["fish"].append(
        {"fish_id": "Z-1", "sex": "unknown", "origin": "hatchery", "family": r["stock"][0]["family"], "year_class": 2022,
         "status": "to-release", "unit": "T1", "tag": r["stock"][0]["tag"]}
    )  # fmt: skip


def length_type(r: Rows) -> None:
    r["captures"][2]["length_mm"] = round(r["captures"][2]["length_mm"] * 0.84)


def inches(r: Rows) -> None:
    r["captures"][2]["length_mm"] = round(r["captures"][2]["length_mm"] / 25.4, 1)


def kilograms(r: Rows) -> None:
    r["releases"][2]["weight_g"] = round(r["releases"][2]["weight_g"] / 1000, 3)


def lot_grows(r: Rows) -> None:
    r["crosses"][0] |= {"hatched": 5000, "swim_up": 5240}


def dry_site(r: Rows) -> None:
    r["sites"][2]["renovated_on"] = "2023-11-05"
    r["releases"][0] |= {"site_id": "NP"}
    r["captures"][0] |= {"site_id": "NP"}


def certificate(r: Rows) -> None:
    r["certificates"][0]["valid_until"] = "2024-11-09"


def permit(r: Rows) -> None:
    r["permits"][0] |= {"limit_number": 12_000, "used": 12_212}


def clock(r: Rows) -> None:
    r["deployments"][0]["utc_offset_h"] = -6


def clock_late(r: Rows) -> None:
    r["scans"].append(
        {"deployment_id": "D-GW", "tag": r["scans"][0]["tag"], "scanned_at": "2024-06-05T10:52:00"}
    )


def marker(r: Rows) -> None:
    at = np.datetime64("2024-02-01T00:00:00")
    r["scans"] += [
        {"deployment_id": "D-GW", "tag": code(90001), "scanned_at": str(at + np.timedelta64(10 * i, "m"))}
        for i in range(1140)
    ]


def unlisted_marker(r: Rows) -> None:
    marker(r)
    r["tags_bought"].pop()


def duplicate_release(r: Rows) -> None:
    r["releases"].append(dict(r["releases"][150]))
    r["permits"][1]["used"] = 161


def two_agencies(r: Rows) -> None:
    r["captures"].append(
        r["captures"][0] | {"capture_id": "C-900", "length_mm": r["captures"][0]["length_mm"] + 2}
    )


def shrunk(r: Rows) -> None:
    r["captures"][1]["length_mm"] = r["releases"][1]["total_length_mm"] - 15
    r["captures"][1]["weight_g"] = None


def grew(r: Rows) -> None:
    r["captures"][1] |= {"length_mm": r["releases"][1]["total_length_mm"] + 140, "weight_g": None}


def far_away(r: Rows) -> None:
    r["scans"].append(
        {"deployment_id": "D-BB", "tag": r["scans"][0]["tag"], "scanned_at": "2024-04-02T06:10:00"}
    )
    r["scans"].append(
        {"deployment_id": "D-GW", "tag": r["scans"][0]["tag"], "scanned_at": "2024-04-02T06:11:00"}
    )


def loop(r: Rows) -> None:
    r["fish"] += [
        {"fish_id": "Z-1", "sex": "unknown", "origin": "hatchery", "status": "lost", "dam": "Z-2"},
        {"fish_id": "Z-2", "sex": "female", "origin": "hatchery", "status": "lost", "dam": "Z-3"},
        {"fish_id": "Z-3", "sex": "female", "origin": "hatchery", "status": "lost", "dam": "Z-2"},
    ]


def loop_through_family(r: Rows) -> None:
    r["families"].append(
        {"family_id": "FA-90", "kind": "cross", "year_class": 2018, "dam": "Z-2", "sire": "W-000"}
    )
    r["families"].append(
        {"family_id": "FA-91", "kind": "cross", "year_class": 2018, "dam": "Z-1", "sire": "W-000"}
    )
    r["fish"] += [
        {
            "fish_id": f"Z-{k}",
            "sex": "female",
            "origin": "hatchery",
            "status": "lost",
            "family": f"FA-9{k - 1}",
        }
        for k in (1, 2)
    ]


def self_parent(r: Rows) -> None:
    r["fish"].append(
        {"fish_id": "Z-1", "sex": "female", "origin": "hatchery", "status": "lost", "dam": "Z-1"}
    )


def overfull(r: Rows) -> None:
    r["units"][0]["capacity_fish"] = 23


def stock_gone(r: Rows) -> None:
    r["releases"][150]["tag"] = r["stock"][0]["tag"]
    r["releases"][150] |= {"family": "FA-00", "year_class": 2022, "total_length_mm": None, "weight_g": None}


PLANTED: list[tuple[Callable[[Rows], None], set[str]]] = [
    (swap_tag, {"tag-two-fish"}),
    (transpose_digits, {"tag-unknown"}),
    (wrong_maker, {"tag-not-bought"}),
    (release_before_hatch, {"release-before-hatch", "permit-tally-differs"}),
    (capture_before_tagging, {"capture-before-tagging"}),
    (year_class_off, {"year-class-mismatch"}),
    (sex_reversed, {"sex-against-role"}),
    (young_parent, {"parent-age"}),
    (dead_crossed, {"gone-fish-crossed", "gone-fish-seen"}),
    (two_tanks, {"fish-two-units"}),
    (length_type, {"length-kind-doubtful", "growth-shrinking"}),
    (inches, {"measures-implausible", "growth-shrinking"}),
    (kilograms, {"measures-implausible"}),
    (lot_grows, {"counts-increase"}),
    (dry_site, {"site-without-water"}),
    (certificate, {"certificate-expired"}),
    (permit, {"permit-exceeded"}),
    (clock, {"clock-offset-odd"}),
    (clock_late, {"clock-outside-deployment"}),
    (marker, {"tag-marker"}),
    (unlisted_marker, {"tag-marker-suspected"}),
    (duplicate_release, {"release-duplicate"}),
    (two_agencies, {"capture-duplicate"}),
    (shrunk, {"growth-shrinking"}),
    (grew, {"growth-too-fast"}),
    (far_away, {"places-far-apart"}),
    (loop, {"pedigree-loop"}),
    (loop_through_family, {"pedigree-loop"}),
    (self_parent, {"self-parent"}),
    (overfull, {"unit-over-capacity"}),
    (stock_gone, {"stock-already-released", "release-before-tagging", "growth-shrinking"}),
]


@pytest.mark.parametrize(("plant", "codes"), PLANTED, ids=[p.__name__ for p, _ in PLANTED])
def test_run_checks__finds_a_planted_fault_and_nothing_else(
    plant: Callable[[Rows], None], codes: set[str]
) -> None:
    rows = copy.deepcopy(SOUND)
    plant(rows)
    found = found_in(rows)
    assert codes & {f.code for f in found}
    assert {f.code for f in found} <= codes, [f.text() for f in found]


def _planted_together() -> Rows:
    rows = copy.deepcopy(SOUND)
    for plant in (
        swap_tag,
        year_class_off,
        sex_reversed,
        length_type,
        kilograms,
        lot_grows,
        clock,
        far_away,
        loop,
    ):
        plant(rows)
    return rows


def test_run_checks__order_of_rows_does_not_matter() -> None:
    rows = _planted_together()
    rng = np.random.default_rng(3)
    shuffled = {name: [table[i] for i in rng.permutation(len(table))] for name, table in rows.items()}
    before, after = found_in(rows), found_in(shuffled)
    assert Counter(f.code for f in before) == Counter(f.code for f in after)
    exact = {
        "year-class-mismatch",
        "sex-against-role",
        "measures-implausible",
        "counts-increase",
        "clock-offset-odd",
    }
    assert {f.found for f in before if f.code in exact} == {f.found for f in after if f.code in exact}


def test_run_checks__names_of_fish_do_not_matter() -> None:
    rows = _planted_together()
    renamed = copy.deepcopy(rows)
    for table, columns in (
        ("fish", ("fish_id", "dam", "sire")),
        ("families", ("dam", "sire")),
        ("crosses", ("dam", "sire")),
        ("identifiers", ("fish_id",)),
        ("holds", ("subject",)),
        ("ripeness", ("fish_id",)),
        ("frozen_milt", ("fish_id",)),
        ("parent_claims", ("child", "parent")),
    ):
        for row in renamed[table]:
            row |= {c: f"New {row[c]}" for c in columns if row.get(c)}
    places = [[(f.code, f.where) for f in found_in(r)] for r in (rows, renamed)]
    assert places[0] == places[1]


def test_run_checks__found_place_is_the_row_at_fault() -> None:
    rows = copy.deepcopy(SOUND)
    lot_grows(rows)
    (found,) = found_in(rows)
    assert found.text() == (
        "crosses.csv, row 2, swim_up: found swim_up 5240 after hatched 5000. Expected at most 5000. Count again; "
        "fish of another dish may have been mixed in. [counts-increase]"
    )


def test_run_checks__near_tag_is_named() -> None:
    rows = copy.deepcopy(SOUND)
    right = rows["captures"][0]["tag"]
    transpose_digits(rows)
    (found,) = found_in(rows)
    assert f"'{right}' (two digits swapped)" in found.remedy


def test_run_checks__expired_three_days_is_counted() -> None:
    rows = copy.deepcopy(SOUND)
    certificate(rows)
    (found,) = found_in(rows)
    assert "3 day(s) too short" in found.found


def test_run_checks__permit_says_by_how_many() -> None:
    rows = copy.deepcopy(SOUND)
    permit(rows)
    (found,) = found_in(rows)
    assert "212 more than the limit" in found.found


def test_run_checks__a_tag_may_move_to_another_fish_when_dates_do_not_overlap() -> None:
    rows = copy.deepcopy(SOUND)
    reused = code(30001)
    rows["identifiers"] += [
        {
            "fish_id": "W-004",
            "kind": "pit-iso",
            "code": reused,
            "from_date": "2016-03-01",
            "to_date": "2018-01-01",
        },
        {
            "fish_id": "W-006",
            "kind": "pit-iso",
            "code": reused,
            "from_date": "2019-01-01",
            "to_date": "2020-01-01",
        },
    ]
    assert found_in(rows) == []
    rows["identifiers"][-1]["from_date"] = "2017-06-01"
    (found,) = found_in(rows)
    assert (found.code, found.level) == ("tag-two-fish", "warning")


def test_run_checks__frozen_milt_of_a_dead_male_may_be_used() -> None:
    rows = copy.deepcopy(SOUND)
    rows["fish"][2] |= {"status": "dead", "status_on": "2021-06-01", "unit": None}
    assert found_in(rows) == []


def test_run_checks__a_limit_is_a_setting() -> None:
    rows = copy.deepcopy(SOUND)
    young_parent(rows)
    rows["fish"][1]["year_class"] = 2020
    assert {f.level for f in found_in(rows)} == {"warning"}
    assert run_checks(frames(rows), {}, SETTINGS | {"min_age_female": 2}, TODAY) == []
    assert Limits.from_settings({"min_age_male": 4, "station": "x"}) == Limits(min_age_male=4)


def test_run_checks__only_some(monkeypatch: pytest.MonkeyPatch) -> None:
    rows = _planted_together()
    found = run_checks(frames(rows), {}, SETTINGS, TODAY, only=["counts-of-dishes", "reader-clocks"])
    assert {f.code for f in found} == {"counts-increase", "clock-offset-odd"}
    with pytest.raises(UsageError, match=r"found nonsense\. Expected some of one-fish-per-tag"):
        run_checks(frames(rows), {}, SETTINGS, TODAY, only=["nonsense"])


def test_run_checks__raises_without_a_table() -> None:
    tables = frames({})
    del tables["holds"]
    with pytest.raises(UsageError, match=r"found no table holds\. Expected every registered table"):
        run_checks(tables)


def test_run_checks__long_lists_are_cut_and_counted() -> None:
    rows = copy.deepcopy(SOUND)
    rows["captures"] = [
        {"capture_id": f"C-{i}", "captured_on": "2030-01-01", "site_id": "GW"} for i in range(250)
    ]
    found = found_in(rows)
    assert len(found) == 201
    assert found[-1].found == "50 more of the same kind"


def test_checks__each_has_a_sentence_and_known_codes() -> None:
    assert len({c.name for c in CHECKS}) == len(CHECKS)
    for check in CHECKS:
        assert check.sentence.endswith("."), check.name
        assert check.codes
        for c in check.codes:
            assert c in CATALOGUE, c


def test_checks__raise_only_the_codes_they_declare() -> None:
    rows = _planted_together()
    for plant in (dead_crossed, two_tanks, marker, permit, dry_site, stock_gone):
        plant(rows)
    tables = frames(rows)
    for check in CHECKS:
        found = run_checks(tables, {}, SETTINGS, TODAY, only=[check.name])
        assert {f.code for f in found} <= set(check.codes), check.name
        for f in found:
            assert f.level in CATALOGUE[f.code].levels, f.text()


# Fulton's K of four fish measured in published field reports and by hand: 10^5 W / L^3.
@pytest.mark.parametrize(
    ("length", "grams", "k"), [(317, 348, 1.09), (310, 360, 1.21), (350, 550, 1.28), (559, 2150, 1.23)]
)
def test_fulton_condition(length: float, grams: float, k: float) -> None:
    assert fulton_condition([grams], [length])[0] == pytest.approx(k, abs=0.005)


def test_expected_year_class__december_larvae_belong_to_the_next_year() -> None:
    days = pd.Series(pd.to_datetime(["2023-12-28", "2024-01-03", "2024-06-30", "2024-07-01", None]))
    assert expected_year_class(days, 7).tolist()[:4] == [2024, 2024, 2024, 2025]
    assert np.isnan(expected_year_class(days, 7).iloc[4])


def test_latest_day__is_read_from_the_records() -> None:
    assert latest_day(frames(SOUND)) == dt.date(2024, 10, 2)
    assert set(frames(SOUND)) == set(TABLES)
