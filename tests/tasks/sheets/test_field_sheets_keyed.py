"""Field sheets of a small register: printed, filled, keyed in, and found again in the records, each as one change."""

from __future__ import annotations

import shutil
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from planner.store.register import Register
from planner.tasks.plan_file import write_plan_file
from planner.tasks.programme import open_programme
from planner.tasks.sheets.asked import Asked, plans_in
from planner.tasks.sheets.entry import enter, plan_entry
from planner.tasks.sheets.make import make_sheet
from planner.tasks.sheets.typed import TICK, Spot, Typed

TAGS = [f"99900000000{k:04d}" for k in range(1, 5)]
NEW_TAG = "999000000009999"
DAY = "2025-02-14"


@pytest.fixture(scope="module")
def first_place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("first") / "r.kinshoal"
    with Register.create(path) as made:
        with made.writing("TA", "first records") as writer:
            writer.add("settings", [{"name": "today", "value": DAY}])
            water = {"predators": "none", "water_risk": 2}
            writer.add("sites", [
                {"site_id": "NP", "name": "Nine Posts", "kind": "isolated-backwater", **water},
                {"site_id": "BB", "name": "Lake: Broad Basin", "kind": "reservoir-zone", **water},
            ])  # fmt: skip
            writer.add("families", [{"family_id": "L25-1", "kind": "larval-group", "year_class": 2025}])
            writer.add("releases", [
                {"event": "R-1", "released_on": "2024-11-12", "site_id": "NP", "tag": TAGS[0], "total_length_mm": 350.0}
            ])  # fmt: skip
            writer.add("stock", [
                {"stock_id": f"S-{k}", "tag": t, "family": "L25-1", "year_class": 2023, "total_length_mm": 320.0}
                for k, t in enumerate(TAGS[1:], 1)
            ])  # fmt: skip
            writer.add("permits", [
                {"permit_id": f"X-{a}", "activity": a, "limit_number": 50, "valid_from": "2025-01-01", "valid_until": "2025-12-31"}
                for a in ("collect-larvae", "release")
            ])  # fmt: skip
        with made.writing("TA", "people") as writer:
            writer.add(
                "people", [{"person_id": "RB", "role": "approve"}, {"person_id": "EN", "role": "enter"}]
            )
    return path


@pytest.fixture
def place(first_place: Path, tmp_path: Path) -> Path:
    return Path(shutil.copy(first_place, tmp_path / "r.kinshoal"))


def key_in(
    path: Path,
    name: str,
    words: Mapping[str, str],
    lines: Mapping[Spot, Mapping[str, str]],
    plan: Path | None = None,
) -> Register:
    """Print a sheet, key its lines in with two people, and return the register."""
    asked = Asked(words, plans_in([plan] if plan else []))
    kept = make_sheet(open_programme(path), name, asked, path.parent / "sheets")
    register = Register.open(path)
    typed = Typed(str(kept.version), kept.mark, lines)
    assert plan_entry(register, kept, typed).faults == ()
    enter(register, kept, typed, "EN", confirmed_by="RB")
    return register


def found(register: Register, table: str, **where: Any) -> list[dict[str, Any]]:
    return [dict(r) for r in register.rows(table, where)]


def test_larvae__taken_and_counted_against_the_permit(place: Path) -> None:
    lines = {
        (0, 1): {"effort_h": "3.5", "number": "12", "family": "L25-1"},
        (0, 3): {"effort_h": "3", "number": "0"},
    }
    with key_in(place, "larvae", {"day": DAY}, lines) as register:
        takes = found(register, "larval_takes")
        assert [(t["take_id"], t["zone"], t["number"], t["effort_h"], t["year_class"]) for t in takes] == [
            (f"LT-{DAY}-1", "Broad Basin", 12, 3.5, 2025),
            (f"LT-{DAY}-2", "Broad Basin", 0, 3.0, 2025),
        ]
    again = make_sheet(open_programme(place), "larvae", Asked({"day": DAY}), place.parent / "sheets")
    assert again.version == 2  # 12 fewer are left: the paper of before is void
    assert "38 larvae" in again.files[1].read_text(encoding="utf-8")


def test_census__captures_with_their_clips_are_one_change(place: Path) -> None:
    words = {"water": "NP", "day": DAY, "days": "1", "gears": "trammel net", "lines": "4"}
    seen = {"tag": TAGS[0], "sex": "female", "length_mm": "410", "length_type": "TL", "effort_h": "4"}
    no_tag = {
        "new_tag": NEW_TAG,
        "length_mm": "395",
        "length_type": "FL",
        "sample_id": "NP250214-02",
        "note": "hybrid?",
    }
    lines = {(0, 2): {TICK: "x"}, (1, 1): seen, (1, 2): no_tag}
    with key_in(place, "census", words, lines) as register:
        captures = found(register, "captures")
        assert [(c["tag"], c["new_tag"], c["sample_id"], c["method"]) for c in captures] == [
            (TAGS[0], None, None, "trammel net"),
            (None, NEW_TAG, "NP250214-02", "trammel net"),
        ]
        assert [(s["sample_id"], s["group"], s["site_id"]) for s in found(register, "samples")] == [
            ("NP250214-02", "capture", "NP")
        ]
        assert {r["change_id"] for t in ("captures", "samples") for r in found(register, t)} == {
            captures[0]["change_id"]
        }


def test_drawdown__the_expected_fish_and_others(place: Path) -> None:
    lines = {
        (0, 1): {"fate": "moved", "to_site": "BB", "total_length_mm": "412", "sex": "female"},
        (1, 1): {"new_tag": NEW_TAG, "fate": "returned"},
        (3, 2): {"species": "bass", "note": "about 20"},
        (4, 1): {"version": "crew leader", "alive": "2", "dead": "0"},
        (4, 2): {"version": "second person", "alive": "1", "dead": "1"},
    }
    with key_in(place, "drawdown", {"water": "NP", "day": DAY}, lines) as register:
        fish = found(register, "drawdown_fish", drawdown_id=f"DD-{DAY}-NP")
        assert [(f["number"], f["kind"], f["tag"], f["fate"]) for f in fish] == [
            (1, "adult", TAGS[0], "moved"),
            (2, "adult", None, "returned"),
            (1 + 12 + 12 + 2, "intruder", None, None),
        ]
        counts = found(register, "drawdown_counts")
        assert [(c["version"], c["expected"], c["alive"], c["dead"]) for c in counts] == [
            ("crew leader", 1, 2, 0),
            ("second person", 1, 1, 1),
        ]


def test_release__free_dead_and_a_fish_not_on_the_list(place: Path, tmp_path: Path) -> None:
    made = {"kind": "release plan", "version": 1, "mark": "0123456789", "settings": {"release_day": DAY}}
    plan = write_plan_file(
        tmp_path / "plan" / "release_plan.json",
        {"fish": {"Nine Posts": ["S-1", "S-2", "S-3"]}, "provenance": made},
    )
    lines = {
        (0, 1): {TICK: "x"},
        (0, 3): {TICK: "x"},
        (1, 2): {TICK: "x"},
        (2, 1): {"tag": NEW_TAG, "total_length_mm": "305"},
    }
    with key_in(place, "release", {"water": "NP"}, lines, plan.parent) as register:
        released = found(register, "releases", event=f"R-{DAY}-NP")
        assert [r["tag"] for r in released] == [TAGS[1], TAGS[3], NEW_TAG]
        assert [r["total_length_mm"] for r in released] == [320.0, 320.0, 305.0]
        notes = {s["stock_id"]: s["note"] for s in found(register, "stock")}
        assert notes == {"S-1": None, "S-2": f"dead at release to NP on {DAY}", "S-3": None}
