"""Sheets in the browser: print one, key it in with the keyboard alone, void paper, and a spawning morning on paper."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest

from planner.store.register import Register
from planner.tasks.sheets.forms import EntryForm, FormField, FormLine

DESKTOP = {"width": 1280, "height": 900}
PHONE = {"width": 390, "height": 844}


class Desk:
    """A server on a register of its own, a page at it, its register and its work folder."""

    def __init__(self, look: Any, place: Path, work: Path) -> None:
        self.look, self.page, self.place, self.work = look, look.page, place, work

    def rows(self, table: str, **where: Any) -> list[dict[str, Any]]:
        with Register.open(self.place, read_only=True) as register:
            return register.rows(table, where)

    def keys(self, *words: str) -> None:
        """Type words and press Enter after each; an empty word leaves a blank empty, a space ticks a box."""
        for word in words:
            if word == " ":
                self.page.keyboard.press("Space")
            elif word:
                self.page.keyboard.type(word)
            self.page.keyboard.press("Enter")

    def press(self, name: str) -> None:
        self.page.get_by_role("button", name=name, exact=True).click()
        self.look.settle()

    def text(self) -> str:
        return str(self.page.locator("main").inner_text())


@pytest.fixture(scope="module")
def running(
    browser: Any,
    practice: str,
    serve: Callable[[Any], Any],
    look_at: Callable[[Any, str], Any],
    tmp_path_factory: pytest.TempPathFactory,
) -> Iterator[Desk]:
    """A server of its own: what is keyed in here stays out of the register that other tests read."""
    from planner.web.app import create_app

    work = tmp_path_factory.mktemp("paper")
    place = work / "records.kinshoal"
    shutil.copy(practice, place)
    with serve(create_app(str(place), work / "work")) as home:
        context = browser.new_context(viewport=DESKTOP, bypass_csp=True)
        yield Desk(look_at(context.new_page(), home), place, work / "work")
        context.close()


def plan_of(desk: Desk, version: int) -> dict[str, Any]:
    path = desk.work / "spawning" / "versions" / str(version) / "spawning_plan.json"
    found: dict[str, Any] = json.loads(path.read_text())
    return found


def test_spawning_morning__from_plan_to_paper_to_records_to_the_next_plan(running: Desk) -> None:
    desk, page = running, running.page
    desk.look.go("/spawning")
    page.get_by_role("button", name="Make the plan").click()
    page.get_by_role("link", name="Sheet to print").wait_for(timeout=120_000)
    plan = plan_of(desk, 1)
    first = plan["crosses"][0]["dam"]
    hers = [c for c in plan["crosses"] if c["dam"] == first]
    spare = plan["next_in_line"][first][0].split()[0]
    desk.look.go("/sheets")
    row = page.locator("#kept-list tr", has_text="Spawning sheet, version 1")
    assert "in force" in row.inner_text()

    desk.look.go("/spawning/day")
    page.get_by_role("link", name="Key in the paper of version 1").click()
    desk.look.settle()
    desk.look.assert_clean()
    page.locator("#version").focus()
    desk.keys("1", plan["provenance"]["mark"][:4], " ", "07:30", "2100", "", "", "07:42", "1900", spare)
    page.get_by_role("button", name="Enter it", exact=True).press("Enter")
    desk.look.settle()
    assert "2 line(s) entered as change" in desk.text(), desk.text()
    made = {r["cross_id"]: r for r in desk.rows("crosses", made_on="2025-02-14")}
    assert set(made) == {c["dish_id"] for c in hers[:2]}
    assert [(made[c["dish_id"]]["made_at"], made[c["dish_id"]]["eggs"]) for c in hers[:2]] == [
        ("07:30", 2100),
        ("07:42", 1900),
    ]
    assert [made[c["dish_id"]]["sire"] for c in hers[:2]] == [hers[0]["sire"], spare]

    desk.look.go("/spawning/day")
    assert f"2 laid, {len(plan['crosses']) - 2} to lay" in page.locator("main .lead").inner_text()
    assert page.get_by_text("in the records").count() == 2
    desk.look.assert_clean()
    gone = plan["crosses"][-1]["dam"]
    assert gone != first
    page.get_by_label(f"Female {gone}").get_by_role("button", name="Not ripe").click()
    page.get_by_role("link", name="Show version").wait_for(timeout=120_000)
    newer = plan_of(desk, 2)
    assert sorted(newer["events"]["laid"]) == sorted([[first, hers[0]["sire"]], [first, spare]])
    assert gone not in {c["dam"] for c in newer["crosses"]}
    assert not {c["dish_id"] for c in newer["crosses"]} & set(made)

    # A third dish was laid from the old paper before the new one reached the dock.
    left = next(c for c in plan["crosses"] if c["dam"] not in (first, gone))
    at = [c["dam"] for c in plan["crosses"]]
    block = list(dict.fromkeys(at)).index(left["dam"])
    desk.look.go("/sheets")
    assert "void" in page.locator("#kept-list tr", has_text="Spawning sheet, version 1").inner_text()
    page.locator("#kept-list tr", has_text="Spawning sheet, version 1").get_by_role(
        "link", name="PDF"
    ).click()
    desk.look.settle()
    assert "This sheet is void" in desk.text()
    desk.look.assert_clean()
    desk.look.go("/sheets/enter/spawning-plan/2025-02-14/1")
    page.locator("#version").fill("1")
    page.locator("#mark").fill(plan["provenance"]["mark"])
    page.locator(f"[name='t.{block}.1.tick']").check()
    desk.press("Enter it")
    assert "version 2 voids" in page.get_by_role("alert").inner_text()
    assert len(desk.rows("crosses", made_on="2025-02-14")) == 2
    page.get_by_label("This was done on this paper although version 2 voids it").check()
    page.get_by_label("Why").fill("laid before the new sheet came")
    desk.press("Enter it")
    assert "1 line(s) entered" in desk.text(), desk.text()
    desk.look.go("/spawning/day")
    assert "3 laid" in page.locator("main .lead").inner_text()
    other = next(
        c["sire"] for c in newer["crosses"] if c["sire"] not in (left["sire"], spare, hers[0]["sire"])
    )
    page.get_by_label(f"Male {other}").get_by_role("button", name="No milt").click()
    page.get_by_role("link", name="Show version").wait_for(timeout=120_000)
    last = plan_of(desk, 3)
    assert sorted(last["events"]["laid"]) == sorted(
        [[first, hers[0]["sire"]], [first, spare], [left["dam"], left["sire"]]]
    )


def test_ripeness__is_printed_and_keyed_in_with_the_keyboard_alone(running: Desk) -> None:
    desk, page = running, running.page
    desk.look.go("/sheets")
    desk.look.assert_clean()
    page.locator("#kind-ripeness summary").click()
    page.locator("#a-ripeness-day").fill("2024-10-20")
    page.locator("#kind-ripeness").get_by_role("button", name="Print").click()
    desk.look.settle(120)
    assert "in force" in page.locator("#kept-list").inner_text()
    kept = json.loads(next((desk.work / "sheets" / "ripeness").glob("*/1/sheet.json")).read_text())
    pdf = httpx.get(
        desk.look.home + page.get_by_role("link", name="Open the PDF").get_attribute("href"),
        follow_redirects=True,
    )
    assert pdf.content.startswith(b"%PDF")
    assert pdf.headers["content-disposition"].startswith("inline")
    page.locator(".card.good").get_by_role("link", name="Key in").click()
    desk.look.settle()
    desk.look.assert_clean()
    blanks = len(kept["forms"][0]["fields"])
    skip = [""] * (blanks - 1)
    fish = [line["known"]["fish_id"] for line in kept["forms"][0]["lines"]]

    page.locator("#version").focus()
    desk.keys(
        "1", kept["mark"][:4], "not", *skip, "ripe", "2025-13-01", *skip[1:], *[""] * blanks, "no-m", *skip
    )
    assert page.evaluate("document.activeElement.name") == "t.0.5.state"  # along the line, then down
    page.keyboard.press("Shift+Enter")
    assert page.evaluate("document.activeElement.name").startswith("t.0.4.")
    page.get_by_role("button", name="Enter it", exact=True).press("Enter")
    desk.look.settle()
    assert "1 fault: nothing was entered" in desk.text()
    assert page.evaluate("document.activeElement.name") == "t.0.2.window_start"  # the fault has the focus
    assert page.locator("[name='t.0.1.state']").input_value() == "not-ripe"  # what was typed is kept
    assert not desk.rows("ripeness", checked_on="2024-10-20")
    desk.look.assert_clean()
    page.keyboard.press("Control+A")
    page.keyboard.type("2025-02-20")
    page.get_by_role("button", name="Check only").press("Enter")
    desk.look.settle()
    assert "3 line(s) ready; nothing was entered yet." in desk.text()
    page.get_by_role("button", name="Enter 3 lines").press("Enter")
    desk.look.settle()
    assert "3 line(s) entered as change" in desk.text()
    desk.look.assert_clean()
    seen = {r["fish_id"]: r["state"] for r in desk.rows("ripeness", checked_on="2024-10-20")}
    assert seen == {fish[0]: "not-ripe", fish[1]: "ripe", fish[3]: "no-milt"}

    desk.look.go(f"/sheets/enter/ripeness/{kept['subject']}/1")
    assert "Keyed in before by local" in desk.text()
    page.locator("#version").focus()
    desk.keys("1", kept["mark"][:4], "spent")
    desk.press("Check only")
    assert "differ from the records" in desk.text()
    page.get_by_label("take what I typed").check()
    desk.press("Enter it")
    assert {r["fish_id"]: r["state"] for r in desk.rows("ripeness", checked_on="2024-10-20")}[
        fish[0]
    ] == "spent"


def test_pages__fit_a_phone(running: Desk, browser: Any, look_at: Callable[[Any, str], Any]) -> None:
    context = browser.new_context(viewport=PHONE, has_touch=True, is_mobile=True, bypass_csp=True)
    phone = look_at(context.new_page(), running.look.home)
    phone.go("/sheets")
    assert phone.page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
    phone.assert_clean()
    phone.page.get_by_role("link", name="Key in").first.click()
    phone.settle()
    assert phone.page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
    assert (
        phone.page.locator("form.keyed select, form.keyed input:not([type=hidden])")
        .nth(3)
        .bounding_box()["height"]
        >= 44
    )
    phone.assert_clean()
    context.close()


def kept(work: Path, name: str, *forms: EntryForm) -> str:
    """Keep a sheet as if it had been printed; return its way on the server."""
    place = work / "sheets" / name / "tried" / "1"
    place.mkdir(parents=True)
    values = {
        "name": name,
        "title": "A sheet",
        "subtitle": "of a test",
        "subject": "tried",
        "version": 1,
        "mark": "aaaa111111",
        "content": "",
        "asked": {},
        "forms": [f.as_dict() for f in forms],
    }
    (place / "sheet.json").write_text(json.dumps(values))
    return f"/sheets/enter/{name}/tried/1"


def test_lines__are_added_and_a_permit_stop_offers_the_second_person(
    running: Desk, secret_of: Callable[[str], str]
) -> None:
    caught = EntryForm(
        "captures",
        "Caught",
        (FormField("length_mm", "Length"),),
        (FormLine("line 1", ""),),
        {"captured_on": "2024-10-20", "site_id": "QL", "length_type": "TL"},
        named="capture_id",
        prefix="CAP-T",
    )
    lot = running.rows("lots")[0]["lot_id"]
    culled = EntryForm(
        "group_moves",
        "Taken out",
        (FormField("number", "Number"),),
        (FormLine("a", lot, {"from_lot": lot}),),
        {"happened_on": "2024-10-20", "kind": "cull"},
        named="move_id",
        prefix="CULL-T",
    )
    way = kept(running.work, "tried", caught, culled)
    with httpx.Client(base_url=running.look.home) as client:
        form = {"csrf": secret_of(client.get("/look").text), "version": "1", "mark": "aaaa"}
        more = client.post(way, data=form | {"added.0": "0", "t.0.1.length_mm": "310", "do": "more.0"})
        assert 'name="t.0.2.length_mm"' in more.text
        assert 'value="310"' in more.text
        assert 'name="added.0" value="1"' in more.text
        assert "Add a line" in more.text.split("Taken out")[0]
        assert "Add a line" not in more.text.split("Taken out")[1]
        filled = form | {"added.0": "1", "t.0.1.length_mm": "310", "t.0.2.length_mm": "320"}
        stopped = client.post(way, data=filled | {"t.1.1.number": "900000", "do": "enter"})
        assert stopped.status_code == 422
        assert "900000 more to sacrifice" in stopped.text
        assert "propose it beyond the permit" in stopped.text
        assert not [r for r in running.rows("captures") if r["capture_id"].startswith("CAP-T")]
        done = client.post(way, data=filled | {"t.1.1.number": "900000", "beyond": "yes", "do": "enter"})
        assert "2 line(s) entered as change" in done.text
        assert "1 wait for a second person in proposal" in done.text
    made = {
        r["capture_id"]: r["length_mm"]
        for r in running.rows("captures")
        if r["capture_id"].startswith("CAP-T")
    }
    assert made == {"CAP-T-1": 310, "CAP-T-2": 320}
    assert running.rows("proposals")[0]["act"] == "permit-exceeded"


def test_addresses__stay_inside_and_folders_are_refused(
    running: Desk, serve: Callable[[Any], Any], tmp_path: Path
) -> None:
    from planner.web.app import create_app

    home = running.look.home
    subject = next((running.work / "sheets" / "ripeness").iterdir()).name
    for way in (
        f"/sheets/file/ripeness/{subject}/1/..%2fsheet.json",
        f"/sheets/file/ripeness/{subject}/1/sheet.json",
        f"/sheets/file/ripeness/{subject}/9/ripeness.pdf",
        "/sheets/open/ripeness/..%2f..%2fx/1",
        "/sheets/open/nothing/x/1",
        "/sheets/enter/ripeness/x/1",
        "/sheets/printed/99999",
        "/sheets/plan/release/7/release_manifest.pdf",
    ):
        assert httpx.get(home + way).status_code == 404, way
    folder = running.place.parent / "nothing"
    folder.mkdir(exist_ok=True)
    shutil.copytree(running.work / "sheets", tmp_path / "sheets")
    with serve(create_app(str(folder), tmp_path, workers=0)) as other:
        assert "keying in needs a register" in httpx.get(f"{other}/sheets").text
        answer = httpx.get(f"{other}/sheets/enter/ripeness/{subject}/1")
        assert answer.status_code == 409
        assert "can only be read" in answer.text


def test_keying__asks_for_the_role(guarded: tuple[str, Path]) -> None:
    home, _ = guarded
    with httpx.Client(base_url=home) as client:
        assert client.get("/sheets").status_code == 303
        assert client.post("/sheets/enter/ripeness/x/1", data={"do": "enter"}).status_code in (303, 403)
