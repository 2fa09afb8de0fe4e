"""Reports in the browser: asked, computed in a process of its own, shown with tables, figures and files."""

from __future__ import annotations

from typing import Any

import httpx
import pytest


@pytest.mark.parametrize(
    ("path", "words"),
    [
        ("/diversity/trends", "expected"),
        ("/projection", "assum"),
        ("/monitoring", "Numbers in"),
        ("/audit", "year class"),
    ],
)
def test_reports__are_computed_and_shown(look: Any, path: str, words: str) -> None:
    look.go(path)
    if path == "/projection":
        look.page.get_by_label("Years").fill("5")
        look.page.get_by_label("Replicates").fill("2")
        look.page.get_by_label("Strategies").fill("do-nothing, random")
    look.page.get_by_role("button", name="Compute").click()
    look.settle(170)
    text = look.page.locator("main").inner_text()
    assert look.page.get_by_role("alert").count() == 0, text[:600]
    assert words in text
    look.assert_clean()


def test_reports__odd_wishes_are_refused_in_words(look: Any) -> None:
    look.go("/projection")
    look.page.get_by_label("Years").fill("many")
    look.page.get_by_role("button", name="Compute").click()
    look.page.get_by_role("alert").wait_for(timeout=60_000)
    assert "Expected a whole number" in look.page.get_by_role("alert").inner_text()


def test_card__finds_a_fish_and_says_when_there_is_none(look: Any) -> None:
    look.go("/fish/F-06")
    assert "F-06" in look.page.locator("h1").inner_text()
    look.assert_clean()
    missing = httpx.get(look.home + "/fish/no-such-fish")
    assert missing.status_code in (400, 404, 422)
    assert "Expected" in missing.text


def test_files__stay_inside_their_report(server: str) -> None:
    for name in ("..%2f..%2fpeople.json", "%2e%2e%2fx", "nothing.pdf"):
        assert httpx.get(f"{server}/reports/file/audit/{name}").status_code == 404
    assert httpx.get(server + "/reports/file/other/x.pdf").status_code == 404
