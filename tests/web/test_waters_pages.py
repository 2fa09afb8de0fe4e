"""Waters and the release day in the browser: lights, plan, a water that is red, the printed manifest."""

from __future__ import annotations

import re
import time
from collections.abc import Callable
from typing import Any

import httpx
import pytest


@pytest.fixture(scope="module")
def planned(browser: Any, server: str) -> str:
    """The server with a release plan made through the form."""
    context = browser.new_context(bypass_csp=True)
    page = context.new_page()
    page.goto(server + "/release")
    page.get_by_text("Settings of this plan").click()
    page.get_by_label("time limit").fill("3")
    page.get_by_role("button", name="Make the plan").click()
    page.get_by_role("link", name="Manifest to print").wait_for(timeout=180_000)
    context.close()
    return server


def done(client: httpx.Client, address: str, form: dict[str, str]) -> None:
    """Send a form that starts a job and wait until it is done."""
    number = client.post(address, data=form).headers["location"].split("job=")[1]
    for _ in range(600):
        shown = client.get(f"/jobs/{number}/progress").text
        if "every 700ms" not in shown:
            assert "Done in" in shown, shown
            return
        time.sleep(0.2)
    raise AssertionError(f"job {number} goes on and on")


def newest(client: httpx.Client, address: str) -> int:
    """The version that a page shows."""
    found = re.search(r"[Vv]ersion (\d+)", client.get(address).text)
    return int(found.group(1)) if found else 0


@pytest.fixture(scope="module")
def twice(planned: str, secret_of: Callable[[str], str]) -> str:
    """The server with two versions of the release plan or more."""
    with httpx.Client(base_url=planned, timeout=60) as client:
        if "Two versions are needed" in client.get("/release/compare").text:
            token = secret_of(client.get("/look").text)
            done(client, "/release/day/closed", {"csrf": token, "version": "1", "closed": "Saltvetch"})
    return planned


@pytest.fixture(scope="module")
def loaded(planned: str, secret_of: Callable[[str], str]) -> str:
    """The server with loads for the release plan in force."""
    with httpx.Client(base_url=planned, timeout=60) as client:
        done(client, "/release/loads", {"csrf": secret_of(client.get("/look").text), "day": ""})
    return planned


def test_waters__map_strip_and_lights(look: Any) -> None:
    look.go("/waters/map")
    text = look.page.locator("main").inner_text()
    assert "What would change it" in text
    assert look.page.locator(".mark").count() > 2
    assert look.page.locator(".map .at").count() > 2
    look.assert_clean()
    look.page.locator(".strips a").first.click()
    look.settle()
    assert "May fish go here" in look.page.locator("main").inner_text()
    look.assert_clean()


def test_waters__map_is_taken_away_with_its_numbers(server: str) -> None:
    picture = httpx.get(server + "/waters/map.svg", timeout=60)
    table = httpx.get(server + "/waters/map.csv", timeout=60)
    assert picture.text.startswith("<svg")
    assert table.headers["content-type"].startswith("text/csv")
    names = [line.split(",")[1] for line in table.text.splitlines()[1:]]
    assert names
    for name in names:
        assert name in picture.text


def test_waters__unknown_water_is_said_in_words(server: str) -> None:
    answer = httpx.get(server + "/waters/site/nowhere", timeout=60)
    assert answer.status_code == 400
    assert "Expected one of" in answer.text


def test_release__plan_shows_survivors_with_interval_and_proof(look: Any, planned: str) -> None:
    look.go("/release")
    text = look.page.locator("main").inner_text()
    for words in ("Expected survivors", "proven gap", "Fish no water may take", "Plans without optimisation"):
        assert words in text, words
    how = look.page.locator("details.how").first
    how.locator("summary").click()
    assert "survival curve" in how.inner_text()
    look.assert_clean()


def test_release_day__a_red_water_gives_a_new_version(phone: Any, planned: str) -> None:
    phone.go("/release/day")
    assert phone.page.evaluate("document.documentElement.scrollWidth") <= 390
    phone.assert_clean()
    strips = phone.page.locator("section.strip")
    closed = strips.first.locator("h2").inner_text()
    strips.first.get_by_role("button").click()
    phone.page.get_by_role("link", name="Show version").wait_for(timeout=120_000)
    phone.page.get_by_role("link", name="Show version").click()
    phone.settle()
    assert closed not in phone.page.locator("section.strip h2").all_inner_texts()
    assert "changed" in phone.page.locator("main").inner_text()
    sheet = httpx.get(planned + "/plans/release/2/release_manifest.pdf")
    assert sheet.content.startswith(b"%PDF")


def test_release_day__ranks_a_fallback_for_each_water(look: Any, planned: str) -> None:
    look.go("/release/day")
    strip = look.page.locator("section.strip").first
    strip.get_by_text("If this water is red today").click()
    ranked = strip.locator("ol > li")
    assert ranked.count() > 0 or "they stay at the station" in strip.inner_text()
    look.assert_clean()


@pytest.mark.slow
def test_release__versions_are_compared(look: Any, phone: Any, twice: str) -> None:
    phone.go("/release/compare")
    assert phone.page.evaluate("document.documentElement.scrollWidth") <= 390
    phone.assert_clean()
    look.go("/release/compare")
    text = look.page.locator("main").inner_text()
    for words in ("Expected survivors, 95 % interval", "fish go to the same water in both", "More or less"):
        assert words in text, words
    look.assert_clean()


def test_release_day__a_voided_page_is_refused(twice: str, secret_of: Callable[[str], str]) -> None:
    with httpx.Client(base_url=twice) as client:
        token = secret_of(client.get("/look").text)
        before = client.get("/jobs").text.count("Plan which fish go where.")
        form = {"csrf": token, "version": "1", "closed": "Quern Lagoon"}
        late = client.post("/release/day/closed", data=form)
        assert late.status_code == 409
        assert "this page shows version 1" in late.text
        assert "voids it. Nothing was done" in late.text
        assert client.get("/jobs").text.count("Plan which fish go where.") == before


@pytest.mark.slow
def test_tradeoff__picture_points_with_proof_and_others_on_demand(
    look: Any, phone: Any, planned: str
) -> None:
    look.go("/release/tradeoff")
    look.assert_clean()
    look.page.get_by_label("Plans, 2 to 25").fill("2")
    look.page.get_by_text("Settings of this plan").click()
    look.page.get_by_label("time limit").fill("2")
    look.page.get_by_role("button", name="Make the plans").click()
    look.page.get_by_role("button", name="Stop").wait_for(timeout=60_000)
    look.page.locator("figure img").wait_for(timeout=180_000)
    look.settle()
    points = look.page.locator("table tbody tr")
    assert points.count() == 2
    for k in range(2):
        assert "gap" in points.nth(k).inner_text()
        assert " to " in points.nth(k).locator(".range").inner_text()
    text = look.page.locator("main").inner_text()
    assert "none recommended" in text
    points.first.locator("summary").first.press("Enter")
    assert "survival curve" in points.first.inner_text()
    look.assert_clean()
    table = httpx.get(planned + "/release/tradeoff/file/tradeoff.csv")
    assert table.headers["content-type"].startswith("text/csv")
    assert len(table.text.splitlines()) == 3
    assert "<svg" in httpx.get(planned + "/release/tradeoff/file/tradeoff.svg").text
    look.page.get_by_role("button", name="Look for them").click()
    found = look.page.get_by_text("Fish placed otherwise").or_(look.page.get_by_text("None was found within"))
    found.first.wait_for(timeout=180_000)
    phone.go("/release/tradeoff")
    assert phone.page.evaluate("document.documentElement.scrollWidth") <= 390
    phone.assert_clean()


def test_tradeoff__is_stopped_and_says_so(look: Any, planned: str) -> None:
    look.go("/release/tradeoff")
    look.page.get_by_label("Plans, 2 to 25").fill("25")
    look.page.get_by_role("button", name="Make the plans").click()
    look.page.locator(".said li").get_by_text("points from").wait_for(timeout=60_000)
    look.page.get_by_role("button", name="Stop").click()
    ended = look.page.locator("figure img").or_(look.page.get_by_role("alert"))
    ended.first.wait_for(timeout=60_000)
    look.settle()
    assert "stopped" in look.page.locator("main").inner_text().lower()


def test_loads__trucks_are_loaded_and_one_fails(look: Any, phone: Any, planned: str) -> None:
    look.go("/release/loads")
    look.assert_clean()
    look.page.get_by_role("button", name="Load the trucks").click()
    look.page.get_by_role("link", name="Loading sheet to print").wait_for(timeout=120_000)
    look.settle()
    assert "Trips" in look.page.locator("main").inner_text()
    look.assert_clean()
    version = int(look.page.locator("main h2").first.inner_text().removeprefix("Version "))
    sheet = httpx.get(f"{planned}/plans/loads/{version}/loading_sheet.pdf")
    assert sheet.content.startswith(b"%PDF")
    first = look.page.get_by_role("button", name="fails: plan again").first
    truck = first.inner_text().removesuffix(" fails: plan again")
    first.click()
    look.page.get_by_role("heading", name=f"Version {version + 1}").wait_for(timeout=120_000)
    look.settle()
    assert f"without {truck}" in look.page.locator("main").inner_text()
    assert not [w for w in look.page.locator("section.strip h2").all_inner_texts() if f" {truck}," in w]
    phone.go("/release/loads")
    assert phone.page.evaluate("document.documentElement.scrollWidth") <= 390
    phone.assert_clean()
    phone.go(f"/release/loads?version={version}")
    assert "void, a newer version is in force" in phone.page.locator("main").inner_text()
    assert phone.page.get_by_role("button", name="fails").count() == 0


def test_loads__a_voided_page_and_an_unknown_truck_are_refused(
    loaded: str, secret_of: Callable[[str], str]
) -> None:
    with httpx.Client(base_url=loaded) as client:
        form = {"csrf": secret_of(client.get("/look").text), "truck": "bicycle"}
        now = newest(client, "/release/loads/result")
        late = client.post("/release/loads/failed", data=form | {"version": str(now + 7)})
        assert late.status_code == 409
        assert f"version {now} voids it" in late.text
        wrong = client.post("/release/loads/failed", data=form | {"version": str(now)})
        assert wrong.status_code == 422
        assert "Expected one of truck" in wrong.text
