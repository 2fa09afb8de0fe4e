"""What waits for a person, in the browser: proposals that a second one confirms, the queue, an import that two sign."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest

WORDS = {"TA": "a long word of TA", "RB": "a long word of RB", "EN": "a long word of EN"}
ROLES = {"TA": "approve", "RB": "approve", "EN": "enter"}


@pytest.fixture(scope="module")
def place(practice: str, tmp_path_factory: pytest.TempPathFactory) -> str:
    """A copy of the practice register with three people, three proposals and three differences."""
    from planner.tasks import verbs
    from planner.tasks.register_state import import_into

    folder = tmp_path_factory.mktemp("office")
    copy = folder / "records.kinshoal"
    shutil.copy(practice, copy)
    with verbs.open_register(copy) as register:
        for name, role in ROLES.items():
            verbs.add(register, "people", {"person_id": name, "role": role}, "TA", "people")
        fish = register.rows("fish", {"status": "brood"}, limit=3)
        names = [str(f["fish_id"]) for f in fish]
        verbs.change(
            register,
            "fish",
            names[0],
            {"status": "dead"},
            "EN",
            "the veterinarian advises it",
            euthanasia=True,
        )
        verbs.change(register, "fish", names[1], {"status": "released"}, "EN", "to the lagoon")
        verbs.change(register, "fish", names[2], {"status": "released"}, "TA", "to the posts")
    rows = "\n".join(f"{f['fish_id']},{f['sex']},{f['origin']},{f['status']},9999" for f in fish)
    file = folder / "fish.csv"
    file.write_text(f"fish_id,sex,origin,status,weight_g\n{rows}\n")
    import_into(copy, file, who="EN", reason="a list from the field", write=True)
    return str(copy)


@pytest.fixture(scope="module")
def office(
    place: str, tmp_path_factory: pytest.TempPathFactory, serve: Callable[[Any], Any]
) -> Iterator[str]:
    """A server open to the network, where three people can sign in."""
    from planner.web.app import create_app

    app = create_app(place, tmp_path_factory.mktemp("office-work"), open_to_network=True)
    app.state.desk.sign_in_rate.most = 100
    for name, role in ROLES.items():
        app.state.desk.keys.set(name, role, WORDS[name])
    with serve(app) as address:
        yield address


@pytest.fixture
def sign_in(browser: Any, office: str, look_at: Callable[..., Any]) -> Iterator[Callable[..., Any]]:
    """How to sign in as a person; gives the page."""
    opened = []

    def do(name: str, **context: Any) -> Any:
        made = browser.new_context(
            **({"viewport": {"width": 1280, "height": 900}} | context), bypass_csp=True
        )
        opened.append(made)
        at = look_at(made.new_page(), office)
        at.go("/sign-in")
        at.page.get_by_label("Name").fill(name)
        at.page.get_by_label("Password").fill(WORDS[name])
        at.page.get_by_role("button", name="Sign in").click()
        at.page.wait_for_url(office + "/")
        return at

    yield do
    for made in opened:
        made.close()


def test_badge__counts_on_the_records_desk(sign_in: Callable[..., Any]) -> None:
    at = sign_in("EN")
    at.go("/records")
    badge = at.page.get_by_role("link", name="proposals wait for a second person")
    assert badge.locator(".count").inner_text() == "3"
    assert at.page.get_by_role("link", name="differences wait").locator(".count").inner_text() == "3"
    at.assert_clean()
    badge.click()
    assert at.page.locator("section.strip").count() == 3
    at.assert_clean()


def test_proposal__shows_both_values_and_refuses_the_proposer(sign_in: Callable[..., Any]) -> None:
    at = sign_in("EN", viewport={"width": 390, "height": 844}, has_touch=True, is_mobile=True)
    at.go("/proposals/1")
    cells = at.page.locator("tbody td").all_inner_texts()
    assert cells[:3] == ["status", "brood", "dead"]
    assert "the veterinarian advises it" in at.page.locator("main").inner_text()
    assert at.page.evaluate("document.documentElement.scrollWidth") <= 390
    at.assert_clean()
    tries = (
        ("EN", WORDS["EN"], "Expected role approve"),
        ("TA", "not the word of TA", "do not belong together"),
    )
    for name, word, told in tries:
        at.page.get_by_label("A word on why").fill("I saw it myself")
        at.page.get_by_label("Name of the second person").fill(name)
        at.page.get_by_label("Password of that person").fill(word)
        at.page.get_by_role("button", name="Confirm").click()
        assert told in at.page.locator("#wrong").inner_text()
        assert at.page.get_by_label("A word on why").input_value() == "I saw it myself"
        assert at.page.get_by_label("Password of that person").input_value() == ""
    at.assert_clean()


def test_proposal__a_second_person_signs_in_on_the_same_page(sign_in: Callable[..., Any]) -> None:
    at = sign_in("EN")
    at.go("/proposals/1")
    at.page.get_by_label("A word on why").fill("looked at the fish")
    at.page.get_by_label("Name of the second person").fill("TA")
    at.page.get_by_label("Password of that person").fill(WORDS["TA"])
    at.page.get_by_role("button", name="Confirm").click()
    assert "confirmed by EN and TA" in at.page.get_by_role("status").first.inner_text()
    assert "EN" in at.page.locator(".person").inner_text()  # the session is still that of the first person
    at.go("/proposals/1")
    assert "confirmed" in at.page.locator("main").inner_text()
    assert at.page.get_by_role("button", name="Confirm").count() == 0


def test_proposal__an_approver_decides_under_the_own_sign_in_and_says_why(
    sign_in: Callable[..., Any],
) -> None:
    at = sign_in("RB")
    at.go("/proposals/2")
    assert at.page.get_by_label("Password").count() == 0
    at.page.get_by_role("button", name="Refuse").click()
    assert "answer: found nothing" in at.page.locator("#wrong").inner_text()
    at.page.get_by_label("A word on why").fill("the lagoon is red")
    at.page.get_by_role("button", name="Refuse").click()
    assert "refused; nothing was changed" in at.page.get_by_role("status").first.inner_text()


def test_proposal__the_proposer_cannot_confirm_by_a_forged_form(
    office: str, secret_of: Callable[[str], str]
) -> None:
    with httpx.Client(base_url=office, timeout=60) as client:
        form = {"csrf": secret_of(client.get("/sign-in").text), "name": "TA", "password": WORDS["TA"]}
        client.post("/sign-in", data=form)
        token = {"csrf": secret_of(client.get("/look").text)}
        own = client.post("/proposals/3", data=token | {"decision": "confirm", "answer": "yes"})
        assert own.status_code == 422
        assert "Expected another person with role approve" in own.text
        odd = client.post("/proposals/3", data=token | {"decision": "maybe", "answer": "yes"})
        assert "Expected confirm, refuse or take-back" in odd.text
        none = client.get("/proposals/77")
        assert none.status_code == 400
        assert "There is no such proposal" in none.text
        back = client.post("/proposals/3", data=token | {"decision": "take-back"})
        assert "taken-back" in back.text


def test_queue__both_versions_and_a_reason(sign_in: Callable[..., Any]) -> None:
    at = sign_in("EN")
    at.go("/records/queue")
    at.assert_clean()
    items = at.page.locator("section.card:has(form)")
    total = items.count()
    assert "9999" in items.last.locator("table").first.inner_text()
    items.last.get_by_role("button", name="Take the file").click()
    assert "Expected why this version is right" in at.page.get_by_role("alert").inner_text()
    at.assert_clean()
    items.last.get_by_label("Why").fill("weighed twice")
    items.last.get_by_role("button", name="Take the file").click()
    assert "the other version was taken" in at.page.get_by_role("status").first.inner_text()
    assert items.count() == total - 1
    items.last.get_by_label("Why").fill("a slip of the pen")
    items.last.get_by_role("button", name="Keep the register").click()
    assert "stays as it is" in at.page.get_by_role("status").first.inner_text()
    at.page.set_viewport_size({"width": 390, "height": 844})
    assert at.page.evaluate("document.documentElement.scrollWidth") <= 390
    at.assert_clean()


def test_import__releases_are_signed_by_two(sign_in: Callable[..., Any], place: str, tmp_path: Path) -> None:
    from planner.tasks import verbs

    with verbs.open_register(place, read_only=True) as register:
        changes = len(register.changes())
        fish = register.rows("stock", limit=1)[0]
    file = tmp_path / "releases.csv"
    file.write_text(
        "event,released_on,site_id,tag,family,year_class\n"
        f"R-web,2024-10-18,QL,{fish['tag']},{fish['family']},{fish['year_class']}\n"
    )
    at = sign_in("EN")
    at.go("/records/import")
    at.page.locator("#file").set_input_files(file)
    at.page.get_by_role("button", name="Dry run").click()
    at.page.get_by_text("A second person signs").wait_for(timeout=60_000)
    at.settle()
    at.assert_clean()
    at.page.get_by_label("Why", exact=True).fill("the list of the driver")
    at.page.get_by_label("Name of the second person").fill("TA")
    at.page.get_by_label("Password of that person").fill("not the word of TA")
    at.page.get_by_role("button", name="Write it").click()
    assert "do not belong together" in at.page.get_by_role("alert").inner_text()
    assert at.page.get_by_label("Why", exact=True).input_value() == "the list of the driver"
    at.assert_clean()
    at.page.get_by_label("Password of that person").fill(WORDS["TA"])
    at.page.get_by_role("button", name="Write it").click()
    at.page.get_by_role("heading", name="Written").wait_for(timeout=60_000)
    with verbs.open_register(place, read_only=True) as register:
        made = register.changes()[changes:]
    assert "EN and TA" in {c.entered_by for c in made}


def test_proposal__at_one_machine_the_second_person_signs_by_name(
    place: str, tmp_path: Path, serve: Callable[[Any], Any], secret_of: Callable[[str], str]
) -> None:
    from planner.tasks import verbs
    from planner.web.app import create_app

    with verbs.open_register(place) as register:
        fish = register.rows("fish", {"status": "brood"}, limit=1)[0]["fish_id"]
        made = verbs.change(register, "fish", str(fish), {"status": "released"}, "EN", "at last")
    with serve(create_app(place, tmp_path, workers=0)) as address, httpx.Client(base_url=address) as client:
        shown = client.get(f"/proposals/{made.proposal}", timeout=60).text
        assert "This machine asks for no password" in shown
        form = {"csrf": secret_of(shown), "decision": "confirm", "answer": "seen"}
        nobody = client.post(f"/proposals/{made.proposal}", data=form)
        assert "second person: found nobody" in nobody.text
        done = client.post(f"/proposals/{made.proposal}", data=form | {"name": "RB"})
        assert "confirmed by EN and RB" in done.text


def test_proposals__are_made_by_the_forms(sign_in: Callable[..., Any], place: str) -> None:
    from planner.tasks import verbs

    with verbs.open_register(place, read_only=True) as register:
        fish = register.rows("fish", {"status": "brood"})[-1]
    at = sign_in("EN")
    at.go(f"/records/table/fish/{fish['record_id']}/change")
    at.page.get_by_label("The fish is to be killed").check()
    at.page.locator("#v-status").select_option("dead")
    at.page.get_by_label("Why").fill("the veterinarian orders it")
    at.page.get_by_role("button", name="Enter it").click()
    assert at.page.get_by_role("heading", name="Waits for a second person").count() == 1
    at.assert_clean()
    at.page.get_by_role("link", name="Proposal").click()
    assert "euthanasia" in at.page.locator("main").inner_text()
    assert at.page.locator("tbody td").all_inner_texts()[:3] == ["status", "brood", "dead"]
    at.page.get_by_role("button", name="Take it back").click()
    assert "taken-back" in at.page.get_by_role("status").first.inner_text()


def test_proposals__an_entry_beyond_a_permit_is_a_hard_stop_first(
    sign_in: Callable[..., Any], place: str
) -> None:
    from planner.tasks import verbs

    with verbs.open_register(place, read_only=True) as register:
        night = register.rows("larval_takes", limit=1)[0]
    values = {"take_id": "LT-web", "collected_on": "2024-10-19", "number": "25", "year_class": "2024"}
    at = sign_in("EN")
    at.go("/records/table/larval_takes/new")
    for name, value in (values | {"zone": str(night["zone"])}).items():
        at.page.locator(f"#v-{name}").fill(value)
    at.page.get_by_label("Why").fill("taken in the night")
    at.page.get_by_role("button", name="Enter it").click()
    told = at.page.get_by_role("alert").inner_text()
    assert "STOP" in told
    at.assert_clean()
    at.page.get_by_label("It has been done already").check()
    at.page.get_by_role("button", name="Enter it").click()
    assert at.page.get_by_role("heading", name="Waits for a second person").count() == 1


def test_proposals__two_names_of_one_fish(sign_in: Callable[..., Any], place: str) -> None:
    from planner.tasks import verbs

    at = sign_in("EN")
    at.go("/proposals")
    at.page.get_by_label("Name that stays").fill("M-03")
    at.page.get_by_label("Name that goes").fill("nobody")
    at.page.get_by_label("Why").fill("one genotype")
    at.page.get_by_role("button", name="Propose it").click()
    assert "which is no fish of the register" in at.page.get_by_role("alert").inner_text()
    assert at.page.get_by_label("Name that stays").input_value() == "M-03"
    assert at.page.get_by_label("Why").input_value() == "one genotype"
    at.assert_clean()
    with verbs.open_register(place) as register:
        verbs.add(
            register,
            "fish",
            {"fish_id": "M-twin", "sex": "male", "origin": "wild-adult", "status": "brood"},
            "TA",
        )
        verbs.add(
            register,
            "fish",
            {"fish_id": "M-one", "sex": "male", "origin": "wild-adult", "status": "brood"},
            "TA",
        )
    at.page.get_by_label("Name that stays").fill("M-one")
    at.page.get_by_label("Name that goes").fill("M-twin")
    at.page.get_by_role("button", name="Propose it").click()
    assert "M-twin and M-one are one fish; M-one stays" in at.page.locator("main").inner_text()
    at.assert_clean()
