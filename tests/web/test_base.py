"""Every page of the navigation loads clean; the doorkeeper refuses what it must."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import httpx
import pytest

from planner.web.navigation import DESKS

EVERY_PAGE = (
    *("/", "/look", "/sign-in", "/fish/F-06"),
    *(desk.home for desk in DESKS),
    *(link.path for desk in DESKS for link in desk.links),
)


def test_navigation__addresses_are_unique() -> None:
    paths = [link.path for desk in DESKS for link in desk.links] + [desk.home for desk in DESKS]
    assert len(paths) == len(set(paths))


@pytest.mark.parametrize("path", EVERY_PAGE)
def test_pages__load_clean(look: Any, path: str) -> None:
    answer = look.go(path)
    assert answer.status == 200
    assert look.page.locator("h1").count() == 1
    assert look.page.get_by_role("alert").count() == 0
    look.assert_clean()


def test_pages__dark_and_high_contrast_are_readable(look: Any) -> None:
    for theme in ("dark", "contrast"):
        look.page.context.add_cookies([{"name": "theme", "value": theme, "url": look.home}])
        look.go("/today")
        assert look.page.locator("html").get_attribute("data-theme") == theme
        look.assert_clean()


def test_pages__fit_a_phone(phone: Any) -> None:
    phone.go("/today")
    assert phone.page.evaluate("document.documentElement.scrollWidth") <= 390
    assert phone.page.locator("nav.thumb").is_visible()
    phone.assert_clean()


def test_csp__no_page_needs_more_than_it_allows(browser: Any, server: str) -> None:
    context = browser.new_context()
    page = context.new_page()
    said: list[str] = []
    page.on("console", lambda m: said.append(m.text))
    page.goto(server + "/today")
    page.wait_for_load_state("networkidle")
    assert not said
    context.close()


def test_doorkeeper__refuses_foreign_hosts_origins_and_forged_forms(server: str) -> None:
    with httpx.Client(base_url=server) as client:
        assert client.get("/", headers={"host": "evil.example"}).status_code == 421
        assert client.get("/", headers={"origin": "http://evil.example"}).status_code == 403
        client.get("/look")
        forged = client.post("/look", data={"theme": "dark"})
        assert forged.status_code == 403
        assert "Load the page again" in forged.text
        late = client.post("/look", data={"theme": "dark", "csrf": "guessed"})
        assert late.status_code == 403


def test_doorkeeper__headers_on_every_answer(server: str) -> None:
    for path in ("/", "/static/app.css", "/nothing", "/api/nothing"):
        answer = httpx.get(server + path)
        assert "default-src 'self'" in answer.headers["content-security-policy"]
        assert answer.headers["x-content-type-options"] == "nosniff"


def test_errors__have_words_and_the_one_body(server: str) -> None:
    missing = httpx.get(server + "/nothing-here")
    assert missing.status_code == 404
    assert "There is no such page." in missing.text
    body = httpx.get(server + "/api/nothing-here")
    assert body.status_code == 404
    assert body.json()["error"] == {"code": "http", "message": "There is no such page.", "findings": []}


def test_paths__never_lead_out(server: str) -> None:
    for path in ("/static/..%2f..%2fdesk.py", "/static/%2e%2e/%2e%2e/app.py", "/static/../app.py"):
        assert httpx.get(server + path).status_code in (400, 404)


def test_sign_in__is_asked_when_open_to_the_network(
    guarded: tuple[str, Path], secret_of: Callable[[str], str]
) -> None:
    address, folder = guarded
    assert "a long enough word" not in (folder / "people.json").read_text()
    assert (folder / "people.json").stat().st_mode & 0o077 == 0
    with httpx.Client(base_url=address) as client:
        asked = client.get("/today")
        assert asked.status_code == 303
        assert asked.headers["location"].startswith("/sign-in")
        assert client.get("/api/today").status_code == 401
        form = {"csrf": secret_of(client.get("/sign-in").text), "name": "keeper", "password": "wrong"}
        assert client.post("/sign-in", data=form).status_code == 422
        right = client.post("/sign-in", data=form | {"password": "a long enough word"})
        assert right.status_code == 303
        page = client.get("/jobs")
        assert page.status_code == 200
        assert "keeper" in page.text


def test_sign_in__tries_are_limited(guarded: tuple[str, Path], secret_of: Callable[[str], str]) -> None:
    with httpx.Client(base_url=guarded[0]) as client:
        form = {"csrf": secret_of(client.get("/sign-in").text), "name": "nobody", "password": "guess"}
        codes = [client.post("/sign-in", data=form).status_code for _ in range(10)]
    assert codes[0] == 422
    assert codes[-1] == 429


def test_sign_in__never_leads_to_another_site(
    guarded: tuple[str, Path], secret_of: Callable[[str], str]
) -> None:
    with httpx.Client(base_url=guarded[0]) as client:
        for then in ("https://evil.example", "//evil.example", "/\\evil.example"):
            form = {
                "csrf": secret_of(client.get("/sign-in").text),
                "name": "keeper",
                "password": "a long enough word",
            }
            answer = client.post("/sign-in", data=form | {"then": then})
            assert answer.headers["location"] == "/"
