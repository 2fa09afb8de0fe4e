"""Reports in the browser: asked, computed in a process of its own, shown with tables, figures and files."""

from __future__ import annotations

from typing import Any

import httpx
import pytest


@pytest.mark.parametrize(
    ("path", "words"),
    [
        pytest.param("/diversity/trends", "expected", marks=pytest.mark.slow),
        pytest.param("/projection", "assum", marks=pytest.mark.slow),
        pytest.param("/monitoring", "Numbers in", marks=pytest.mark.slow),
        ("/audit", "year class"),
    ],
)
def test_reports__are_computed_and_shown(look: Any, path: str, words: str) -> None:
    look.go(path)
    if path == "/projection":
        look.page.get_by_label("Years").fill("5")
        look.page.get_by_label("Replicates").fill("2")
        for name in ("equal-families", "least-kinship"):
            look.page.get_by_role("checkbox", name=name).first.uncheck()
    look.page.get_by_role("button", name="Compute").click()
    look.settle(170)
    text = look.page.locator("main").inner_text()
    assert look.page.get_by_role("alert").count() == 0, text[:600]
    assert words in text
    assert look.page.locator("figure").count() or path == "/monitoring"
    for link in look.page.locator("figure figcaption a").all():
        assert look.page.request.get(look.home + str(link.get_attribute("href"))).status == 200
    look.assert_clean()
    # The same question is answered from what was made, without a job; after other records it would not be.
    if path == "/diversity/trends":
        look.go(path)
        assert "All files of this report" in look.page.locator("main").inner_text()


def test_audit__is_read_in_the_browser_without_a_request(look: Any) -> None:
    look.go("/audit")
    if look.page.get_by_role("link", name="Read the report").count() == 0:
        look.page.get_by_role("button", name="Compute").click()
        look.settle(170)
    look.page.get_by_role("link", name="Read the report").click()
    look.page.wait_for_load_state("networkidle")
    assert "In plain words" in look.page.content()
    assert look.page.locator("figure svg").count() > 3
    assert not look.foreign
    with look.page.expect_download() as saved:
        look.page.locator("a.data").first.click()
    assert saved.value.suggested_filename.endswith(".csv")


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
