"""Filled paper comes back: every kind of blank, all faults at once, void paper, second keying, two people, permits.

The expected outcomes are worked by hand from a register of a few records; common practice, no source.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from broodstock.errors import UsageError
from planner.store.register import Register
from planner.tasks.people import NotAllowedError
from planner.tasks.proposals import confirm
from planner.tasks.register_state import undo_change
from planner.tasks.sheets.entry import check_paper, enter, plan_entry
from planner.tasks.sheets.entry_report import EntryPlan, EntryRefusedError, PaperVoidError
from planner.tasks.sheets.forms import EntryForm, FormField, FormLine
from planner.tasks.sheets.make import KeptSheet
from planner.tasks.sheets.typed import TICK, Spot, Typed, blank_csv, typed_of_csv

MARK = "3f9c0a1234"
TAG = "999000000000123"
OTHER_TAG = "999000000000124"


@pytest.fixture
def register(tmp_path: Path) -> Iterator[Register]:
    with Register.create(tmp_path / "r.kinshoal") as made:
        with made.writing("TA", "first records") as writer:
            writer.add("settings", [{"name": "today", "value": "2025-02-14"}])
            writer.add("units", [{"unit_id": "T-1", "kind": "tank"}])
            writer.add(
                "sites",
                [{"site_id": "NP", "name": "Nine Posts", "kind": "isolated-backwater", "predators": "none"}],
            )
            writer.add(
                "fish",
                [fish("F-1", "female"), fish("F-2", "female"), fish("M-1", "male"), fish("M-2", "male")],
            )
            writer.add(
                "crosses",
                [{"cross_id": "D-1", "season": 2025, "made_on": "2025-02-13", "dam": "F-1", "sire": "M-1"}],
            )
        with made.writing("TA", "people") as writer:
            people = (("TA", "approve"), ("RB", "approve"), ("EN", "enter"), ("VI", "view"))
            writer.add("people", [{"person_id": p, "role": r} for p, r in people])
        yield made


def fish(name: str, sex: str) -> dict[str, Any]:
    return {
        "fish_id": name,
        "sex": sex,
        "origin": "wild-adult",
        "status": "brood",
        "year_class": 2015,
        "unit": "T-1",
    }


def paper(*forms: EntryForm, name: str = "ripeness", version: int = 1, newest: int = 1) -> KeptSheet:
    return KeptSheet(
        name, "Ripeness check", "14 Feb 2025", "2025-02-14", version, MARK, newest, (), forms, {}
    )


def ripeness() -> EntryForm:
    lines = tuple(FormLine(f, f"T-1 · {f}", {"fish_id": f}) for f in ("F-1", "F-2", "M-1", "M-2"))
    fields = (FormField("state", "Seen today"), FormField("probability", "Chance"))
    return EntryForm("ripeness", "Broodfish", fields, lines, {"checked_on": "2025-02-14"})


def typed(lines: Mapping[Spot, Mapping[str, str]], **more: Any) -> Typed:
    return Typed("1", MARK[:4], lines, **more)


def only(lines: Mapping[int, Mapping[str, str]], **more: Any) -> Typed:
    return typed({(0, n): v for n, v in lines.items()}, **more)


def states(plan: EntryPlan) -> list[str]:
    return [x.state for x in plan.lines]


BLANKS = {
    "text": ("group_moves", "note", {"move_id": "G-1", "happened_on": "2025-02-14", "kind": "count", "to_unit": "T-1", "number": "5"}, "  seen dead  ", "seen dead"),
    "integer": ("larval_takes", "number", {"take_id": "L-1", "collected_on": "2025-02-14", "zone": "Z", "year_class": "2025"}, "12", 12),
    "number": ("captures", "length_mm", {"capture_id": "C-1", "captured_on": "2025-02-14", "site_id": "NP", "length_type": "TL", "tag": TAG}, "312.5", 312.5),
    "date": ("ripeness", "window_start", {"fish_id": "F-1", "checked_on": "2025-02-14", "state": "ripening"}, "2025-02-20", "2025-02-20"),
    "datetime": ("deployments", "to_time", {"deployment_id": "A-1", "site_id": "NP", "from_time": "2025-02-13T08:00:00"}, "2025-02-14T08:30:00", "2025-02-14T08:30:00"),
    "choice": ("ripeness", "state", {"fish_id": "F-1", "checked_on": "2025-02-14"}, "Not ripe", "not-ripe"),
    "flag": ("trucks", "in_service", {"truck": "truck 1", "volume_l": "900", "kg_per_l": "0.1", "trips_per_day": "2", "stops": "2"}, "x", True),
    "tag": ("captures", "tag", {"capture_id": "C-1", "captured_on": "2025-02-14", "site_id": "NP"}, TAG, TAG),
}  # fmt: skip
FAULTY = {
    "integer": ("a dozen", "whole number"), "number": ("31,5", "decimal point"), "date": ("2025-02-31", "date"),
    "datetime": ("half past", "local time"), "choice": ("rype", "Did you mean 'ripe'"), "flag": ("perhaps", "yes or no"),
    "tag": ("9.99E+14", "spreadsheet"),
}  # fmt: skip


def one_blank(kind: str) -> KeptSheet:
    table, column, known, _, _ = BLANKS[kind]
    form = EntryForm(table, "Block", (FormField(column, "Seen"),), (FormLine("a", "printed words", known),))
    return paper(form)


@pytest.mark.parametrize("kind", list(BLANKS))
def test_every_kind_of_blank__is_read_as_in_an_import(register: Register, kind: str) -> None:
    table, column, _, text, stored = BLANKS[kind]
    done = enter(register, one_blank(kind), only({1: {column: text}}), "EN")
    assert done.change_id == 3, done.text()
    row = register.rows(table)[0]
    assert row[column] == stored
    change = register.changes()[-1]
    assert (change.entered_by, change.kind) == ("EN", "sheet")
    assert change.source == f"sheet ripeness 2025-02-14 version 1 mark {MARK}"


@pytest.mark.parametrize("kind", list(FAULTY))
def test_every_kind_of_blank__names_line_and_heading_of_a_fault(register: Register, kind: str) -> None:
    table, column = BLANKS[kind][:2]
    text, words = FAULTY[kind]
    with pytest.raises(EntryRefusedError, match=r"line 1 \(printed words\), Seen: found") as refused:
        enter(register, one_blank(kind), only({1: {column: text}}), "EN")
    assert words in str(refused.value)
    assert register.count(table) == 0


def test_refusal__lists_all_faults_at_once_and_writes_nothing(register: Register) -> None:
    faulty = only(
        {1: {"state": "ripe"}, 2: {"state": "rype"}, 3: {"probability": "2"}, 4: {"state": "spent"}}
    )
    with pytest.raises(EntryRefusedError) as refused:
        enter(register, paper(ripeness()), faulty, "EN")
    found = {(f.spot[1], f.column) for f in refused.value.faults}
    assert found == {
        (2, "state"),
        (3, "state"),
        (3, "probability"),
    }  # line 3: a chance above 1, and nothing seen
    assert register.count("ripeness") == 0
    assert register.data_version().change_id == 2


def test_lines__left_empty_are_not_entered_and_a_ticked_one_is(register: Register) -> None:
    line = FormLine("D-2", "D-2", {"cross_id": "D-2", "dam": "F-2", "sire": "M-2"})
    form = EntryForm(
        "crosses", "Female F-2", (FormField("eggs", "Eggs"), FormField("sire", "Another male")),
        (line, replace(line, key="D-3", known={**line.known, "cross_id": "D-3"}), replace(line, key="D-4", known={**line.known, "cross_id": "D-4"})),
        {"season": "2025", "made_on": "2025-02-14"}, tick="Laid",
    )  # fmt: skip
    enter(
        register,
        paper(form),
        only({1: {TICK: "x"}, 2: {"eggs": ""}, 3: {"sire": "M-1", "eggs": "900"}}),
        "EN",
    )
    made = {
        r["cross_id"]: (r["sire"], r["eggs"]) for r in register.rows("crosses", {"made_on": "2025-02-14"})
    }
    assert made == {"D-2": ("M-2", None), "D-4": ("M-1", 900)}  # what was typed goes before what was printed


def test_record_checks__say_what_an_import_would_say(register: Register) -> None:
    form = ripeness()
    late = plan_entry(
        register, paper(replace(form, fixed={"checked_on": "2025-02-20"})), only({1: {"state": "ripe"}})
    )
    assert not late.faults
    assert "line 1 (T-1 · F-1), checked on: found 2025-02-20" in late.doubts[0].text()
    assert "day-to-come" in late.doubts[0].text()
    dish = FormLine("D-2", "D-2", {"cross_id": "D-2", "dam": "F-2", "sire": "M-2"})
    dishes = EntryForm(
        "crosses",
        "Dishes",
        (FormField("sire", "Another male"),),
        (dish,),
        {"season": "2025", "made_on": "2025-02-14"},
    )
    plan = plan_entry(
        register, paper(dishes), only({1: {"sire": "F-1"}})
    )  # a female in the place of the male
    assert [f.spot for f in plan.faults] == [(0, 1)]
    assert "Another male: found" in plan.faults[0].text()
    stranger = replace(form, lines=(FormLine("F-9", "F-9", {"fish_id": "F-9"}),))
    plan = plan_entry(register, paper(stranger), only({1: {"state": "ripe"}}))
    assert "line 1 (F-9), fish id: found 'F-9'" in plan.faults[0].text()


def test_paper__of_another_version_or_mark_is_refused(register: Register) -> None:
    lines = {(0, 1): {"state": "ripe"}}
    for version, mark, words in (
        ("2", MARK, "version: found '2' on the paper"),
        ("1", "3f9", "mark: found '3f9'"),
        ("1", "0000000000", "may be another sheet"),
    ):
        with pytest.raises(UsageError, match=words):
            enter(register, paper(ripeness()), Typed(version, mark, lines), "EN")
    check_paper(paper(ripeness()), Typed("v1", MARK.upper()[:5], lines))  # as people write it
    with pytest.raises(UsageError, match="only read"):
        enter(register, paper(), Typed("1", MARK, {}), "EN")


def test_void_paper__needs_a_reason_and_the_reason_stays(register: Register) -> None:
    void = paper(ripeness(), version=1, newest=2)
    with pytest.raises(PaperVoidError, match="version 1, which version 2 voids"):
        enter(register, void, only({1: {"state": "ripe"}}), "EN")
    enter(register, void, only({1: {"state": "ripe"}}, although="the crew had left with it"), "EN")
    assert "although version 2 voids it: the crew had left with it" in register.changes()[-1].reason
    assert register.count("ripeness") == 1


def test_second_keying__says_who_and_when_and_offers_only_what_differs(register: Register) -> None:
    sheet = paper(ripeness())
    enter(register, sheet, only({1: {"state": "ripe"}, 2: {"state": "spent"}, 3: {"state": "ripe"}}), "EN")
    again = only({1: {"state": "ripe"}, 2: {"state": "not-ripe"}, 4: {"state": "no-milt"}})
    plan = plan_entry(register, sheet, again)
    assert states(plan) == ["same", "differs", "new"]
    assert plan.before.words()[0].startswith("Keyed in before by EN on ")
    assert plan.left_empty == 1
    differs = plan.of("differs")[0]
    assert (differs.old, differs.values) == ({"state": "spent"}, {"state": "not-ripe"})
    enter(register, sheet, again, "RB")
    held = {r["fish_id"]: r["state"] for r in register.rows("ripeness")}
    assert held == {"F-1": "ripe", "F-2": "spent", "M-1": "ripe", "M-2": "no-milt"}
    enter(register, sheet, replace(again, take=frozenset({(0, 2)})), "RB")
    assert register.get("ripeness", ["F-2", "2025-02-14"])["state"] == "not-ripe"  # type: ignore[index]
    last = enter(register, sheet, replace(again, take=frozenset({(0, 2)})), "RB")
    assert not last.change_id
    assert "hold all of it already" in last.outcome()


def test_second_keying__knows_lines_without_a_name_of_their_own(register: Register) -> None:
    blank = tuple(FormLine(str(n), "") for n in (1, 2))
    fields = (FormField("tag", "PIT code"), FormField("length_mm", "Length"))
    form = EntryForm("captures", "Caught", fields, blank,
                     {"captured_on": "2025-02-14", "site_id": "NP", "length_type": "TL"}, named="capture_id", prefix="CAP")  # fmt: skip
    first = only({1: {"tag": TAG}, 3: {"tag": OTHER_TAG, "length_mm": "300"}})
    enter(register, paper(form), first, "EN")
    assert [r["capture_id"] for r in register.rows("captures")] == ["CAP-1", "CAP-2"]
    again = only({1: {"tag": TAG, "length_mm": "280"}, 3: {"tag": OTHER_TAG}, 2: {"tag": ""}})
    plan = plan_entry(register, paper(form), again)
    assert states(plan) == ["differs", "differs"]
    assert [x.values for x in plan.lines] == [{"length_mm": 280.0}, {"length_mm": None}]
    undo_change(register.place, 3, "TA", "another water")
    anew = enter(register, paper(form), again, "EN")
    assert states(anew.plan) == ["new", "new"]
    assert len(register.rows("captures")) == 2


def test_a_record_from_elsewhere__is_not_entered_twice(register: Register) -> None:
    with register.writing("TA", "by hand") as writer:
        writer.add("ripeness", [{"fish_id": "F-1", "checked_on": "2025-02-14", "state": "ripe"},
                                {"fish_id": "F-2", "checked_on": "2025-02-14", "state": "ripe"}])  # fmt: skip
    plan = plan_entry(register, paper(ripeness()), only({1: {"state": "ripe"}, 2: {"state": "spent"}}))
    assert states(plan) == ["same", "differs"]
    assert not plan.before.changes


def test_change__adds_to_a_record_and_a_second_keying_asks(register: Register) -> None:
    lines = (FormLine("D-1", "D-1", {"cross_id": "D-1"}), FormLine("D-8", "D-8", {"cross_id": "D-8"}))
    fields = (FormField("eggs", "Eggs"), FormField("fertilised", "Fertilised"))
    form = EntryForm("crosses", "Dishes", fields, lines, action="change")
    sheet = paper(form, name="eggs")
    enter(register, sheet, only({1: {"eggs": "1000"}}), "EN")
    assert register.get("crosses", "D-1")["eggs"] == 1000  # type: ignore[index]
    plan = plan_entry(register, sheet, only({1: {"eggs": "1200", "fertilised": "900"}}))
    assert states(plan) == ["differs"]
    with pytest.raises(EntryRefusedError, match=r"line 2 \(D-8\), cross id: found 'D-8'"):
        enter(register, sheet, only({2: {"eggs": "5"}}), "EN")
    odd = plan_entry(
        register, sheet, only({1: {"eggs": "1000", "fertilised": "1100"}}, take=frozenset({(0, 1)}))
    )
    assert "counts-increase" in odd.doubts[0].text()


def releases(*tags: str) -> EntryForm:
    lines = tuple(FormLine(t, t, {"tag": t}) for t in tags)
    fixed = {"event": "R-1", "released_on": "2025-02-14", "site_id": "NP"}
    return EntryForm(
        "releases", "Tags", (FormField("total_length_mm", "Length"),), lines, fixed, tick="Released"
    )


def test_releases__wait_for_a_second_person_beside_the_lines_that_do_not(register: Register) -> None:
    sheet = paper(ripeness(), releases(TAG, OTHER_TAG), name="release")
    both = typed(
        {(0, 1): {"state": "ripe"}, (1, 1): {TICK: "x"}, (1, 2): {TICK: "x", "total_length_mm": "250"}}
    )
    with pytest.raises(NotAllowedError, match="role view"):
        enter(register, sheet, both, "VI")
    done = enter(register, sheet, both, "EN")
    assert (done.proposals, register.count("releases"), register.count("ripeness")) == (("1",), 0, 1)
    assert "1 line(s) entered as change 3; 2 wait for a second person in proposal 1" in done.outcome()
    assert register.data_version().change_id == 3  # lines and proposal in one change
    waiting = plan_entry(register, sheet, both)
    assert states(waiting) == ["same", "waits", "waits"]
    assert not any(x.old for x in waiting.lines)
    other = plan_entry(register, sheet, typed({(1, 2): {TICK: "x", "total_length_mm": "205"}}))
    assert other.lines[0].old == {"total_length_mm": "250.0"}
    with pytest.raises(NotAllowedError, match="who proposed it"):
        confirm(register, "1", "EN")
    confirm(register, "1", "TA")
    assert {r["tag"] for r in register.rows("releases")} == {TAG, OTHER_TAG}
    assert f"mark {MARK}" in register.changes()[-1].reason
    assert states(plan_entry(register, sheet, both)) == ["same", "same", "same"]


def test_releases__are_entered_at_once_under_two_names(register: Register) -> None:
    one = typed({(0, 1): {TICK: "x"}})
    sheet = paper(releases(TAG), name="release")
    for second, words in (("EN", "role enter"), ("RB", "who keys it in"), ("nobody", "does not know")):
        who = "RB" if second == "RB" else "EN"
        with pytest.raises(NotAllowedError, match=words):
            enter(register, sheet, one, who, confirmed_by=second)
    enter(register, sheet, one, "EN", confirmed_by="TA")
    assert register.changes()[-1].entered_by == "EN and TA"
    assert register.count("releases") == 1


def test_a_refused_proposal__can_be_keyed_again(register: Register) -> None:
    sheet = paper(releases(TAG), name="release")
    one = typed({(0, 1): {TICK: "x"}})
    enter(register, sheet, one, "EN")
    confirm(register, "1", "TA", refuse=True)
    assert enter(register, sheet, one, "EN").proposals == ("2",)


def test_cull_list__asks_two_people_and_a_death_elsewhere_does_not(register: Register) -> None:
    form = EntryForm("fish", "Fish", (FormField("status_on", "Day"),), (FormLine("F-2", "F-2", {"fish_id": "F-2"}),),
                     {"status": "dead", "unit": ""}, action="change")  # fmt: skip
    one = only({1: {"status_on": "2025-02-14"}})
    done = enter(register, paper(form, name="cull"), one, "EN")
    assert done.plan.lines[0].act == "euthanasia"
    assert register.get("fish", "F-2")["status"] == "brood"  # type: ignore[index]
    confirm(register, "1", "TA")
    assert register.get("fish", "F-2")["status"] == "dead"  # type: ignore[index]
    other = replace(form, lines=(FormLine("F-1", "F-1", {"fish_id": "F-1"}),))
    found = enter(
        register, replace(paper(other, name="round"), mark="aaaa000000"), replace(one, mark="aaaa"), "EN"
    )
    assert not found.proposals
    assert register.get("fish", "F-1")["status"] == "dead"  # type: ignore[index]


def permit(register: Register, activity: str, limit: int) -> None:
    with register.writing("TA", "permit") as writer:
        writer.add("permits", [{"permit_id": "P-1", "activity": activity, "limit_number": limit, "used": 0,
                                "valid_from": "2025-01-01", "valid_until": "2025-12-31", "phone_note": "permit officer"}])  # fmt: skip


def test_permits__count_all_lines_of_the_paper_together(register: Register) -> None:
    permit(register, "release", 1)
    sheet = paper(releases(TAG, OTHER_TAG), name="release")
    one, both = typed({(0, 1): {TICK: "x"}}), typed({(0, 1): {TICK: "x"}, (0, 2): {TICK: "x"}})
    assert not plan_entry(register, sheet, one).faults
    with pytest.raises(EntryRefusedError, match="found 2 more to release") as refused:
        enter(register, sheet, both, "EN")
    assert refused.value.faults[0].column == "permit"
    done = enter(register, sheet, replace(both, beyond_permit=True), "EN")
    assert register.get("proposals", done.proposals[0])["act"] == "permit-exceeded"  # type: ignore[index]


def test_permits__count_a_female_once(register: Register) -> None:
    permit(register, "spawn", 2)  # F-1 has spawned on the day before: one female is left
    lines = [("D-2", "F-1"), ("D-3", "F-2"), ("D-4", "F-2")]
    known = [
        {"cross_id": c, "dam": d, "sire": "M-2", "season": "2025", "made_on": "2025-02-14"} for c, d in lines
    ]
    form = EntryForm(
        "crosses",
        "Dishes",
        (FormField("eggs", "Eggs"),),
        tuple(FormLine(k["cross_id"], "", k) for k in known),
    )
    assert not plan_entry(register, paper(form), only({n: {"eggs": "5"} for n in (1, 2, 3)})).faults
    with register.writing("TA", "one less") as writer:
        row = register.rows("permits")[0]
        writer.change("permits", row["record_id"], {"limit_number": 1})
    plan = plan_entry(register, paper(form), only({n: {"eggs": "5"} for n in (1, 2, 3)}))
    assert "found 1 more to spawn" in plan.faults[0].text()
    assert not plan_entry(register, paper(form), only({1: {"eggs": "5"}})).faults


def test_another_person_writing_meanwhile__is_seen(
    register: Register, monkeypatch: pytest.MonkeyPatch
) -> None:
    from planner.tasks.sheets import entry

    sheet, lines = paper(ripeness()), only({1: {"state": "ripe"}})
    real = entry.plan_entry
    calls: list[int] = []

    def slow(*args: Any) -> EntryPlan:
        plan = real(*args)
        if not calls:  # someone keys in the same paper after this one was judged
            calls.append(1)
            with Register.open(register.place) as other:
                enter(other, sheet, lines, "RB")
        return plan

    monkeypatch.setattr(entry, "plan_entry", slow)
    done = enter(register, sheet, lines, "EN")
    assert not done.change_id
    assert [c.entered_by for c in done.plan.before.changes] == ["RB"]
    assert register.count("ripeness") == 1


def test_csv__goes_out_blank_and_comes_back_typed() -> None:
    sheet = paper(ripeness(), releases(TAG))
    rows = blank_csv(sheet).splitlines()
    assert rows[0] == "block,line,printed,tick,state,probability,total_length_mm"
    assert rows[1] == "1,1,T-1 · F-1,,,,"
    assert rows[5] == f"2,1,{TAG},,,,"
    text = "﻿block,line,Seen today,Released\n1,F-2,spent,\n2,1,,x\n"
    assert typed_of_csv(sheet, text.encode(), "v.csv") == {(0, 2): {"state": "spent"}, (1, 1): {"tick": "x"}}
    one = paper(ripeness())
    assert typed_of_csv(one, b"line,state\n2,ripe\n\n", "v.csv") == {(0, 2): {"state": "ripe"}}
    assert typed_of_csv(one, b"line;state\n2;ripe\n", "v.csv") == {(0, 2): {"state": "ripe"}}
    for broken, words in (
        ("", "found nothing"),
        ("line,stat\n", "Did you mean 'state'"),
        ("line,state\n9,ripe\n", "row 2, line: found '9'"),
        ("line,state\n2,ripe\n2,ripe\n", "row 3: found line 2 of the paper twice"),
        ("block,line,state\n3,1,ripe\n", "row 2, block: found '3'"),
        ("line,state\n1,ripe,spent\n", "row 2: found 3 cells"),
        ("line,state\n1\n", "row 2: found 1 cells"),
    ):
        with pytest.raises(UsageError, match=words):
            typed_of_csv(one, broken.encode(), "v.csv")
    with pytest.raises(UsageError, match="row 2: found bytes that are not UTF-8"):
        typed_of_csv(one, "line,state\n2,café\n".encode("cp1252"), "v.csv")


def test_report__is_plain_values(register: Register) -> None:
    done = enter(register, paper(ripeness()), only({1: {"state": "ripe"}}), "EN")
    values = json.loads(json.dumps(done.as_dict()))
    assert values["lines"][0] == {"block": 1, "line": 1, "words": "T-1 · F-1", "table": "ripeness", "state": "new",
                                  "values": {"fish_id": "F-1", "checked_on": "2025-02-14", "state": "ripe"}, "old": {}, "needs_second": None}  # fmt: skip
    assert values["change"] == 3
