"""The spawning morning in the browser: plan, tick, a female that is not ripe, a new version, the printed sheet."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import httpx
import pytest


@pytest.fixture(scope="module")
def planned(browser: Any, server: str) -> str:
    """The server with a plan made through the form."""
    context = browser.new_context(bypass_csp=True)
    page = context.new_page()
    page.goto(server + "/spawning")
    page.get_by_role("button", name="Make the plan").click()
    page.get_by_role("link", name="Sheet to print").wait_for(timeout=120_000)
    context.close()
    return server


def test_spawning__plan_shows_proof_reasons_and_refusals(look: Any, planned: str) -> None:
    look.go("/spawning")
    text = look.page.locator("main").inner_text()
    for words in (
        "proven gap",
        "Next males in line",
        "Not used, and why",
        "fish and mates at random",
        "Who may be crossed",
    ):
        assert words in text, words
    look.assert_clean()


def test_spawning__sheet_is_a_pdf_and_paths_stay_inside(planned: str) -> None:
    sheet = httpx.get(planned + "/plans/spawning/1/spawning_sheet.pdf")
    assert sheet.content.startswith(b"%PDF")
    for name in ("..%2f..%2fpeople.json", "%2e%2e", ".hidden", "no_such.csv"):
        assert httpx.get(f"{planned}/plans/spawning/1/{name}").status_code == 404
    assert httpx.get(planned + "/plans/other/1/x").status_code == 404


def test_spawning_day__story_on_a_phone(phone: Any, planned: str, tmp_path: Path) -> None:
    phone.go("/spawning/day")
    assert phone.page.evaluate("document.documentElement.scrollWidth") <= 390
    first = phone.page.locator(".dish button").first
    box = first.bounding_box()
    assert box["height"] >= 44
    first.click()
    phone.page.locator(".dish.laid").first.wait_for()
    females = phone.page.locator("section.strip[aria-label^='Female']")
    version = phone.page.locator("main .lead").inner_text()
    assert "1 laid" in version or phone.page.reload()
    gone = females.last.locator("h2").inner_text()
    females.last.get_by_role("button", name="Not ripe").click()
    phone.page.get_by_role("link", name="Show version").wait_for(timeout=60_000)
    phone.page.get_by_role("link", name="Show version").click()
    phone.settle()
    names = phone.page.locator("section.strip[aria-label^='Female'] h2").all_inner_texts()
    assert gone not in names
    assert "voids" not in gone
    assert phone.page.locator(".lead").inner_text().count("version 2") == 1
    phone.assert_clean()
    phone.go("/spawning/compare")
    assert "Only in version" in phone.page.locator("main").inner_text()
    phone.assert_clean()


def test_spawning_day__an_old_page_is_refused(planned: str, secret_of: Callable[[str], str]) -> None:
    with httpx.Client(base_url=planned) as client:
        token = secret_of(client.get("/look").text)
        answer = client.post(
            "/spawning/day/event", data={"csrf": token, "version": "999", "what": "dead", "fish": "F-01"}
        )
        assert answer.status_code == 409
        assert "this page shows version 999" in answer.text
        for headers in ({}, {"hx-request": "true"}):
            late = client.post(
                "/spawning/day/laid", data={"csrf": token, "version": "999", "dish": "D1"}, headers=headers
            )
            assert late.status_code == 409
            assert "Load the page again" in late.text


def test_spawning__wrong_settings_are_said_in_words(look: Any, planned: str) -> None:
    look.go("/spawning")
    look.page.get_by_text("Settings of this plan").click()
    look.page.get_by_label("pair kinship limit").fill("seven")
    look.page.get_by_role("button", name="Make the plan").click()
    look.page.get_by_role("alert").wait_for(timeout=60_000)
    assert "pair_kinship_limit" in look.page.get_by_role("alert").inner_text()
    assert not look.foreign
