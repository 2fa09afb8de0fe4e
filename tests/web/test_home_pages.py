"""The first page of each desk says what its user came for: due, ripe, ready, waiting, measured, audited."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pytest

from planner.tasks.desk_facts import DeskNow, facts_of_desk
from planner.tasks.workplace import Workplace


def words_of(now: DeskNow) -> list[str]:
    return [f"{n.state}: {n.words}" for n in now.notices]


@pytest.fixture(scope="module")
def workplace(practice: str, tmp_path_factory: pytest.TempPathFactory) -> Workplace:
    """The practice register with something due, a hold that ends, and a permit near its limit."""
    from planner.tasks import verbs

    folder = tmp_path_factory.mktemp("home")
    place = folder / "records.kinshoal"
    shutil.copy(practice, place)
    with verbs.open_register(place) as register:
        day = str(register.get("settings", "today")["value"])  # 2024-10-20
        assert day == "2024-10-20"
        hold = {"subject": "F-03", "subject_kind": "fish", "reason": "health"}
        verbs.add(register, "holds", hold | {"from_date": "2024-10-01", "until_date": "2024-10-25"}, "TA")
        paper = {"certificate_id": "FH-web", "unit": "B-01", "issued_on": "2024-04-01", "result": "clear"}
        verbs.add(register, "certificates", paper | {"valid_until": "2024-11-02"}, "TA")
        permit = {"permit_id": "XZ-web", "activity": "collect-adults", "limit_number": "20", "used": "19"}
        verbs.add(
            register, "permits", permit | {"valid_from": "2024-01-01", "valid_until": "2025-09-30"}, "TA"
        )
    return Workplace(str(place), folder / "work")


def test_today__says_what_is_due_ripe_and_near_an_end(workplace: Workplace) -> None:
    now = facts_of_desk(workplace, "Today")
    facts = {f.label: f for f in now.facts}
    assert "14 Feb 2025, in 117 days" in facts["Next spawning day"].words
    assert all(f.how for f in now.facts)
    title, ripe = now.lists[0]
    assert "Who is ripe and free" in title
    females, males = (int(w.split()[0]) for w in facts["Ripe and free that day"].words.split(", "))
    assert len(ripe) == females + males > 0
    said = words_of(now)
    assert any("holds end within 14 days: F-03 on 25 Oct" in w for w in said), said
    assert any("certificates end within 30 days" in w and "B-01 on 02 Nov" in w for w in said), said
    assert "doubt: permit XZ-web, collect-adults: 19 of 20 used, 1 left" in said
    assert any(w.startswith("none: no spawning plan") for w in said)
    states = [n.state for n in now.notices]
    assert states == sorted(states, key=["bad", "doubt", "none", "good"].index)


def test_waters__sorts_the_waters_by_readiness(workplace: Workplace) -> None:
    now = facts_of_desk(workplace, "Waters")
    facts = {f.label: f.words for f in now.facts}
    sites = workplace.programme().tables["sites"]
    assert sum(int(v) for k, v in facts.items() if k.startswith("Waters: ")) == len(sites)
    named = " ".join(n.words for n in now.notices if n.address == "/waters/map")
    for name in sites["name"]:
        assert named.count(name) >= 1, name
    assert facts["Fish waiting"].startswith(f"{len(workplace.programme().tables['stock'])} of ")
    assert any("no release plan" in w for w in words_of(now))


def test_diversity__without_an_audit_says_so(workplace: Workplace) -> None:
    now = facts_of_desk(workplace, "Diversity")
    assert any("no audit has been made here yet" in w for w in words_of(now))


def test_diversity__shows_the_last_audit_with_intervals_and_trend(workplace: Workplace) -> None:
    he = {
        "value": 0.31,
        "low": 0.29,
        "high": 0.33,
        "level": 0.95,
        "method": "unbiased, over loci",
        "n_used": 40,
    }
    row = {
        "expected_heterozygosity": he | {"unit_used": "fish", "note": "", "reason": ""},
        "allelic_richness": {
            "value": None,
            "low": None,
            "high": None,
            "level": 0.95,
            "method": "",
            "n_used": 3,
        }
        | {"unit_used": "fish", "note": "", "reason": "too few fish"},
    }
    old = (
        {"group": "2019 hatchery"}
        | row
        | {"expected_heterozygosity": row["expected_heterozygosity"] | {"value": 0.5}}
    )
    trend = {
        "call_set": "snps",
        "line": "hatchery",
        "statistic": "expected_heterozygosity",
        "years": "2012 to 2024",
    }
    slope = {"slope": -0.002, "slope_low": -0.003, "slope_high": -0.001, "not_estimable": ""}
    audit = {
        "year_class": 2024,
        "to_do": ["Look at one thing."],
        "diversity": {"snps": {"year class and line": [{"group": "2024 hatchery"} | row, old]}},
        "trend": {"tests": [trend | slope, trend | {"line": "wild", "not_estimable": "one year class"}]},
        "provenance": {"made_on": "2024-10-20", "inputs": workplace.programme().fingerprint},
    }
    path = workplace.work / "reports" / "audit" / "audit.json"
    path.parent.mkdir(parents=True)
    path.write_text(json.dumps(audit))
    now = facts_of_desk(workplace, "Diversity")
    shown = {f.label: f.estimate for f in now.facts if f.estimate}
    assert shown["He, 2024 hatchery, snps"]["low"] == 0.29
    assert "He, 2019 hatchery, snps" not in shown
    assert shown["Allelic richness, 2024 hatchery, snps"]["reason"] == "too few fish"
    said = words_of(now)
    assert any(w.startswith("bad: trend of He, hatchery") and "(-0.00300 to -0.00100)" in w for w in said), (
        said
    )
    assert any("wild" in w and "not estimable because one year class" in w for w in said)
    assert any("made from the records as they are" in w for w in said)
    path.write_text(json.dumps(audit | {"provenance": {"made_on": "2024-10-20", "inputs": "other"}}))
    assert any("the records have changed since" in w for w in words_of(facts_of_desk(workplace, "Diversity")))
    shutil.rmtree(path.parent)


@pytest.mark.parametrize("desk", ["today", "waters", "diversity", "records"])
def test_desk__a_figure_says_how_it_was_made_by_keyboard(look: Any, phone: Any, desk: str) -> None:
    for at in (look, phone):
        at.go(f"/{desk}")
        assert (
            at.page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
            <= 0
        )
    how = look.page.locator("details.how").first
    how.locator("summary").focus()
    look.page.keyboard.press("Enter")
    assert how.evaluate("e => e.open")
    assert len(how.locator("p").inner_text()) > 10
    look.assert_clean()
    phone.assert_clean()


def test_folder__has_desks_too(practice: str, tmp_path: Path) -> None:
    folder = Workplace(str(Path(practice).parent / "records"), tmp_path)
    for desk in ("Today", "Waters", "Diversity", "Records"):
        now = facts_of_desk(folder, desk)
        assert now.facts
        assert not any("proposals wait" in n.words for n in now.notices)
