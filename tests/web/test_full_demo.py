"""Every page on the full practice programme, in Chromium: `pytest --slow`. How long pages take is measured by the
benchmark `python -m tests.benchmarks.run web`, never here."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import httpx
import pytest

from tests.web.conftest import Look
from tests.web.full_demo import addresses, full_place, prepare

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def full(tmp_path_factory: pytest.TempPathFactory, serve: Callable[[Any], Any]) -> Iterator[str]:
    """Address of a server on the full demo with plans and reports made."""
    from planner.web.app import create_app

    folder = tmp_path_factory.mktemp("full")
    app = create_app(full_place(folder), folder / "work")
    with serve(app) as home:
        prepare(app.state.desk, audit=True)
        yield home


@pytest.mark.parametrize("width", [1280, 390])
def test_full_demo__every_page_is_clean(full: str, browser: Any, width: int) -> None:
    with httpx.Client(base_url=full, timeout=120, follow_redirects=True) as client:
        paths = addresses(client)
    assert len(paths) > 40
    context = browser.new_context(viewport={"width": width, "height": 900}, bypass_csp=True)
    look = Look(context.new_page(), full)
    failed: list[str] = []
    look.page.on("response", lambda r: failed.append(f"{r.status} {r.url}") if r.status >= 400 else None)
    wrong: list[str] = []
    for path in paths:
        look.page.goto(full + path)
        look.settle(600)
        problems = [*look.foreign, *look.complaints, *failed, *look.violations()]
        if look.page.locator("h1").count() != 1:
            problems.append("not one heading")
        if look.page.get_by_role("alert").count():
            problems.append(look.page.get_by_role("alert").first.inner_text())
        if look.page.evaluate("document.documentElement.scrollWidth") > width:
            problems.append("wider than the screen")
        wrong += [f"{path}: {p}" for p in problems]
        for seen in (look.foreign, look.complaints, failed):
            seen.clear()
    context.close()
    assert not wrong, "\n".join(wrong)


@pytest.mark.parametrize("theme", ["dark", "contrast"])
def test_full_demo__pages_of_numbers_are_readable_in_every_look(full: str, browser: Any, theme: str) -> None:
    context = browser.new_context(viewport={"width": 1280, "height": 900}, bypass_csp=True)
    context.add_cookies([{"name": "theme", "value": theme, "url": full}])
    look = Look(context.new_page(), full)
    for path in ("/kinship", "/founders", "/lots", "/permits", "/diversity/trends", "/monitoring", "/audit"):
        look.page.goto(full + path)
        look.settle(600)
        look.assert_clean()
    context.close()


def test_full_demo__the_heat_map_holds_every_pair(full: str, browser: Any) -> None:
    context = browser.new_context(viewport={"width": 1280, "height": 900}, bypass_csp=True)
    look = Look(context.new_page(), full)
    look.go("/kinship")
    look.page.wait_for_selector("#heat[data-drawn]")
    fish = httpx.get(full + "/kinship/matrix.json", timeout=60).json()["fish"]
    assert len(fish) > 140
    canvas = look.page.locator("#heat canvas")
    canvas.focus()
    for _ in range(len(fish) // 10 + 1):
        look.page.keyboard.press("Shift+ArrowDown")
        look.page.keyboard.press("Shift+ArrowRight")
    said = look.page.locator("#heat output").inner_text()
    assert fish[-1] in said
    assert "with itself" in said
    context.close()
