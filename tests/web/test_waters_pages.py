"""Waters and the release day in the browser: lights, plan, a water that is red, the printed manifest."""

from __future__ import annotations

from typing import Any

import httpx
import pytest


@pytest.fixture(scope="module")
def planned(browser: Any, server: str) -> str:
    """The server with a release plan made through the form."""
    context = browser.new_context(bypass_csp=True)
    page = context.new_page()
    page.goto(server + "/release")
    page.get_by_role("button", name="Make the plan").click()
    page.get_by_role("link", name="Manifest to print").wait_for(timeout=180_000)
    context.close()
    return server


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
