"""Verbs, roles, second person and card on a small register made by hand."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from broodstock.errors import InputError, UsageError
from planner.store.errors import RecordInUse, RecordMissing, StaleRecord, TableUnknown
from planner.store.register import Register
from planner.tasks import verbs
from planner.tasks.card import card_of
from planner.tasks.merge_fish import propose_merge
from planner.tasks.people import NotAllowedError
from planner.tasks.programme import Programme
from planner.tasks.proposals import PermitStopError, confirm

FISH = [
    {"fish_id": "G1", "sex": "female", "origin": "wild-adult", "status": "dead", "status_on": "2020-01-01"},
    {"fish_id": "D", "sex": "female", "origin": "hatchery", "status": "brood", "dam": "G1", "unit": "B-1"},
    {"fish_id": "S", "sex": "male", "origin": "wild-adult", "status": "brood", "unit": "B-1"},
    {
        "fish_id": "X", "sex": "female", "origin": "hatchery", "status": "brood", "dam": "D", "sire": "S",
        "unit": "B-1", "tag": "999009000000011", "year_class": 2018, "total_length_mm": 400, "weight_g": 700,
        "measured_on": "2023-10-01",
    },
    {"fish_id": "Y", "sex": "male", "origin": "hatchery", "status": "brood", "dam": "D", "sire": "S", "year_class": 2018},
    {"fish_id": "Z", "sex": "female", "origin": "hatchery", "status": "brood", "dam": "D", "tag": "999009000000099"},
]  # fmt: skip


@pytest.fixture
def register(tmp_path: Path) -> Iterator[Register]:
    with Register.create(tmp_path / "r.kinshoal") as made:
        with made.writing("TA", "first records") as writer:
            writer.add("settings", [{"name": "today", "value": "2024-10-20"}])
            writer.add("units", [{"unit_id": "B-1", "kind": "tank"}])
            writer.add("fish", FISH)
            writer.add(
                "sites",
                [{"site_id": "BB", "name": "Basin", "kind": "reservoir-zone", "predators": "present"}],
            )
            writer.add("holds", [{"subject": "X", "subject_kind": "fish", "reason": "health", "from_date": "2024-10-01",
                                  "until_date": "2024-12-01", "note": "fungus on the tail"}])  # fmt: skip
            writer.add("permits", [{"permit_id": "P1", "activity": "collect-larvae", "limit_number": 10,
                                    "valid_from": "2024-01-01", "valid_until": "2024-12-31", "phone_note": "the office"}])  # fmt: skip
        with made.writing("TA", "people") as writer:
            writer.add("people", [{"person_id": p, "role": r} for p, r in
                                  (("TA", "approve"), ("RB", "approve"), ("EN", "enter"), ("VI", "view"))])  # fmt: skip
        yield made


def test_verbs__nobody_rewrites_who_proposed_to_confirm_alone(register: Register) -> None:
    made = propose_merge(register, "X", "Z", "TA", "one genotype")
    with pytest.raises(
        UsageError, match="Expected a decision on the page /proposals or with 'kinshoal confirm'"
    ):
        verbs.change(register, "proposals", made.proposal, {"proposed_by": "RB"}, "TA", "x")
    with pytest.raises(UsageError, match="Expected a decision"):
        verbs.add(register, "proposals", {"proposal_id": "77", "proposed_by": "RB"}, "TA", "x")
    with pytest.raises(NotAllowedError, match="another person"):
        confirm(register, made.proposal, "TA", answer="x")


def test_add__checks_values_with_the_words_of_the_importers(register: Register) -> None:
    with pytest.raises(InputError, match="Did you mean 'health'"):
        verbs.add(
            register,
            "holds",
            {"subject": "Y", "subject_kind": "fish", "reason": "healthy", "from_date": "2024-10-01"},
            "EN",
        )
    with pytest.raises(TableUnknown, match="Did you mean 'holds'"):
        verbs.add(register, "hold", {"a": "1"}, "EN")
    with pytest.raises(UsageError, match="Expected COLUMN=VALUE"):
        verbs.pairs(["sex"])
    with pytest.raises(UsageError, match="twice"):
        verbs.pairs(["sex=male", "sex=female"])


def test_change_and_history__keep_old_and_new(register: Register) -> None:
    verbs.change(register, "fish", "X", {"weight_g": "720"}, "EN", "weighed")
    lines, data = verbs.history_of(register, "fish", "X")
    assert "  weight_g: 700 -> 720" in lines
    assert data["history"][-1]["change"]["entered_by"] == "EN"
    before, total = verbs.list_records(register, "fish", {"fish_id": "X"}, columns=["weight_g"], known_on="2")
    assert (before[0]["weight_g"], total) == (700, 1)
    with pytest.raises(RecordMissing, match="Expected a fish_id of the register"):
        verbs.change(register, "fish", "XX", {"weight_g": "1"}, "EN")


def test_withdraw__keeps_the_history_and_refuses_what_is_named(register: Register) -> None:
    with pytest.raises(RecordInUse):
        verbs.withdraw(register, "fish", "D", "EN", "typed twice")
    verbs.withdraw(register, "holds", "#1", "EN", "typed twice")
    assert verbs.list_records(register, "holds")[1] == 0
    assert any("withdrawn" in line for line in verbs.history_of(register, "holds", "#1")[0])
    verbs.withdraw(register, "fish", "Y", "EN", "no such fish")
    assert any("withdrawn" in line for line in verbs.history_of(register, "fish", "Y")[0])


def test_list__filters_sorts_and_limits(register: Register) -> None:
    found, total = verbs.list_records(
        register, "fish", {"sex": "female"}, columns=["fish_id"], sort=["-fish_id"], limit=2
    )
    assert ([r["fish_id"] for r in found], total) == (["Z", "X"], 4)
    assert verbs.list_records(register, "fish", {"dam": ""})[1] == 2


def test_find__names_notes_and_near_tags(register: Register) -> None:
    assert verbs.find(register, "FUNGUS")[2]["found"][0]["table"] == "holds"
    assert verbs.find(register, "999009000000012")[2]["found"][0]["how"] == "one digit wrong"
    assert verbs.find(register, "999009000000011")[2]["found"][0]["how"] == "exact"
    assert verbs.find(register, "100%_no")[2]["found"] == []


def test_people__roles(register: Register) -> None:
    with pytest.raises(NotAllowedError, match="role view"):
        verbs.change(register, "fish", "X", {"note": "a"}, "VI")
    with pytest.raises(NotAllowedError, match="does not know"):
        verbs.change(register, "fish", "X", {"note": "a"}, "Nobody")
    with pytest.raises(NotAllowedError, match="Expected role approve"):
        verbs.add(register, "people", {"person_id": "NN", "role": "enter"}, "EN")
    verbs.change(register, "people", "EN", {"active": "no"}, "TA")
    with pytest.raises(NotAllowedError, match="no longer active"):
        verbs.change(register, "fish", "X", {"note": "a"}, "EN")


def test_people__the_first_must_approve(tmp_path: Path) -> None:
    with Register.create(tmp_path / "empty.kinshoal") as made:
        with pytest.raises(NotAllowedError, match="Begin with an approver"):
            verbs.add(made, "people", {"person_id": "EN", "role": "enter"}, "EN")
        verbs.add(made, "people", {"person_id": "TA", "role": "approve"}, "TA")


def test_confirm__a_second_person_and_one_change_that_names_both(register: Register) -> None:
    done = verbs.change(register, "fish", "X", {"status": "dead"}, "TA", "health officer", euthanasia=True)
    assert register.get("fish", "X")["status"] == "brood"  # type: ignore[index]
    for who, words in (("ta", "who proposed it"), ("EN", "Expected role approve")):
        with pytest.raises(NotAllowedError, match=words):
            confirm(register, done.proposal, who)
    confirm(register, done.proposal, "RB", answer="seen")
    row = register.get("fish", "X")
    assert row is not None
    assert row["status"] == "dead"
    assert register.history("fish", row["record_id"])[-1].entered.entered_by == "TA and RB"
    with pytest.raises(UsageError, match="Expected an open one"):
        confirm(register, done.proposal, "RB")
    assert register.verify().ok


def test_confirm__a_record_changed_meanwhile_stops_it_and_refusal_changes_nothing(register: Register) -> None:
    first = verbs.change(register, "fish", "X", {"status": "released"}, "EN", "for Basin")
    verbs.change(register, "fish", "X", {"weight_g": "710"}, "EN", "weighed")
    with pytest.raises(StaleRecord):
        confirm(register, first.proposal, "RB")
    assert register.get("proposals", first.proposal)["state"] == "open"  # type: ignore[index]
    confirm(register, first.proposal, "RB", refuse=True, answer="not now")
    assert register.get("fish", "X")["status"] == "brood"  # type: ignore[index]
    release = {"event": "R1", "released_on": "2024-11-12", "site_id": "BB", "tag": "999009000000011"}
    second = verbs.add(register, "releases", release, "EN", "autumn release")
    with pytest.raises(NotAllowedError, match="who proposed it"):
        confirm(register, second.proposal, "RB", take_back=True)
    confirm(register, second.proposal, "EN", take_back=True)
    assert register.count("releases") == 0


def take(number: int) -> dict[str, str]:
    return {
        "take_id": f"T{number}",
        "collected_on": "2024-03-01",
        "zone": "A",
        "year_class": "2024",
        "number": str(number),
    }


def test_add__a_permit_is_a_hard_stop(register: Register) -> None:
    verbs.add(register, "larval_takes", take(8), "EN")
    with pytest.raises(PermitStopError, match=r"8 of 10 used, 2 left.*phone the office"):
        verbs.add(register, "larval_takes", take(3), "EN")
    verbs.add(register, "larval_takes", take(2), "EN")
    done = verbs.add(register, "larval_takes", take(4), "EN", "was taken in error", beyond_permit=True)
    assert register.count("larval_takes") == 2
    confirm(register, done.proposal, "RB")
    assert register.count("larval_takes") == 3


def test_change__a_larger_number_needs_room_under_the_permit(register: Register) -> None:
    verbs.add(register, "larval_takes", take(8), "EN")
    verbs.change(register, "larval_takes", "T8", {"number": "10"}, "EN")
    with pytest.raises(PermitStopError, match=r"found 1 more.*10 of 10 used, 0 left"):
        verbs.change(register, "larval_takes", "T8", {"number": "11"}, "EN")
    verbs.change(register, "larval_takes", "T8", {"number": "7"}, "EN")
    with pytest.raises(PermitStopError, match=r"found 5 more.*7 of 10 used, 3 left"):
        verbs.change(register, "larval_takes", "T8", {"number": "12"}, "EN")
    done = verbs.change(
        register, "larval_takes", "T8", {"number": "12"}, "EN", "miscounted", beyond_permit=True
    )
    assert register.rows("larval_takes")[0]["number"] == 7
    confirm(register, done.proposal, "RB")
    assert register.rows("larval_takes")[0]["number"] == 12
    done = verbs.change(register, "larval_takes", "T8", {"number": "6"}, "EN", beyond_permit=True)
    assert not done.proposal


def test_merge_fish__moves_every_reference(register: Register) -> None:
    for keep, gone, words in (
        ("X", "Y", "Expected one sex"),
        ("D", "X", "one as dam of the other"),
        ("X", "no", "no fish of the register"),
        ("X", "X", "Expected two names"),
    ):
        with pytest.raises(UsageError, match=words):
            propose_merge(register, keep, gone, "EN", "one genotype")
    with register.writing("EN", "records of Z") as writer:
        for fish in ("X", "Z"):
            writer.add("ripeness", [{"fish_id": fish, "checked_on": "2024-10-01", "state": "ripe"}])
        writer.add("samples", [{"sample_id": "S1", "fish_id": "Z", "group": "brood"}])
        writer.add(
            "holds", [{"subject": "Z", "subject_kind": "fish", "reason": "other", "from_date": "2024-01-01"}]
        )
        writer.add(
            "fish", [{"fish_id": "K", "sex": "male", "origin": "hatchery", "status": "hold", "dam": "Z"}]
        )
    done = propose_merge(register, "X", "Z", "EN", "one genotype")
    confirm(register, done.proposal, "RB")
    assert register.get("fish", "Z") is None
    assert register.get("samples", "S1")["fish_id"] == "X"  # type: ignore[index]
    assert register.get("fish", "K")["dam"] == "X"  # type: ignore[index]
    assert {r["subject"] for r in register.rows("holds")} == {"X"}
    assert len(register.rows("ripeness")) == 1
    assert [r["code"] for r in register.rows("identifiers", {"fish_id": "X"})] == ["999009000000099"]
    assert any("withdrawn" in line for line in verbs.history_of(register, "fish", "Z")[0])
    assert register.verify().ok


def test_card__has_kin_holds_and_uses_by_name_and_by_tag(register: Register) -> None:
    card = card_of(register.place, "X")
    assert card.data["kin"]["nearest"]["Y"] == pytest.approx(0.25)
    assert card.data["kin"]["nearest"]["D"] == pytest.approx(0.25)
    assert card.data["kin"]["nearest"]["Z"] == pytest.approx(0.125)
    assert card.data["kin"]["mean"] == pytest.approx((0.25 * 3 + 0.125) / 4)
    text = card.text()
    for words in (
        "Y: kinship 0.2500, full sib",
        "Z: kinship 0.1250, half sib",
        "IN FORCE  health",
        "crossing: no: hold: health",
    ):
        assert words in text
    assert card_of(register.place, "999009000000011").fish == "X"
    with pytest.raises(UsageError, match="Expected the name or a tag"):
        card_of(register.place, "nobody")


def test_card__kinship_is_that_of_the_whole_pedigree(tiny_folder: Path, tiny: Programme) -> None:
    """The same number by another way: arrays over the whole pedigree."""
    from broodstock.pedigree.kinship import kinship_between

    fish = str(tiny.tables["fish"].query("status == 'brood'")["fish_id"].iloc[-1])
    row = tiny.pedigree.rows([fish])
    others = tiny.living_rows[tiny.living_rows != row[0]]
    expected = kinship_between(tiny.pedigree.parents, row, others, tiny.inbreeding).mean()
    assert card_of(tiny_folder, fish).data["kin"]["mean"] == pytest.approx(float(expected))


def test_card__needs_no_pandas_for_a_register(register: Register) -> None:
    script = (
        "import sys; from planner.tasks.card import card_of; "
        f"card_of({register.place!r}, 'X'); print('pandas' in sys.modules, 'numba' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["False", "False"]
