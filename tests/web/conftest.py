"""A server on the tiny practice register, and Debian's Chromium to look at it."""

from __future__ import annotations

import os
import shutil
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

CHROMIUM = shutil.which("chromium")
FLAGS = [
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
AXE = Path(__file__).with_name("axe.min.js")


@pytest.fixture(scope="session")
def practice(tmp_path_factory: pytest.TempPathFactory) -> str:
    """A register of the tiny practice programme."""
    from planner.tasks.demo_records import practice_place

    return practice_place(tmp_path_factory.mktemp("practice") / "demo", tiny=True)


@contextmanager
def serving(app: Any) -> Iterator[str]:
    """Run an app on a free port; give its address."""
    import uvicorn

    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    running = uvicorn.Server(uvicorn.Config(app, host="127.0.0.1", port=port, log_level="error", ws="none"))
    thread = threading.Thread(target=running.run, daemon=True)
    thread.start()
    while not running.started:
        time.sleep(0.02)
    yield f"http://127.0.0.1:{port}"
    running.should_exit = True
    thread.join(10)


@pytest.fixture(scope="session")
def server(practice: str, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Address of a running server."""
    from planner.web.app import create_app

    with serving(create_app(practice, tmp_path_factory.mktemp("work"))) as address:
        yield address


@pytest.fixture
def guarded(practice: str, tmp_path: Path) -> Iterator[tuple[str, Path]]:
    """Address of a server that is open to the network, where 'keeper' may enter, and its folder."""
    from planner.web.app import create_app

    app = create_app(practice, tmp_path, open_to_network=True, workers=0)
    app.state.desk.keys.set("keeper", "enter", "a long enough word")
    with serving(app) as address:
        yield address, tmp_path


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    """Headless Chromium."""
    if CHROMIUM is None:
        pytest.skip("Debian's chromium is not installed")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        arguments = [*FLAGS, *(["--no-sandbox"] if os.geteuid() == 0 else [])]
        started = play.chromium.launch(executable_path=CHROMIUM, args=arguments)
        yield started
        started.close()


class Look:
    """A page with everything it asked for and complained of.

    Parameters
    ----------
    page : Page
        Playwright's page.
    home : str
        Address of the server.
    """

    def __init__(self, page: Any, home: str) -> None:
        self.page, self.home = page, home
        self.foreign: list[str] = []
        self.complaints: list[str] = []
        page.on("request", self._asked)
        page.on("console", self._said)
        page.on("pageerror", lambda error: self.complaints.append(str(error)))

    def _asked(self, request: Any) -> None:
        if not request.url.startswith((self.home, "data:", "blob:")):
            self.foreign.append(request.url)

    def _said(self, message: Any) -> None:
        # Chromium logs every answer of 4xx to a form as an error; the page itself shows it in words.
        if message.type == "error" and "the server responded with a status of 4" not in message.text:
            self.complaints.append(message.text)

    def go(self, path: str) -> Any:
        """Open a page and wait until nothing more is fetched."""
        answer = self.page.goto(self.home + path)
        self.settle()
        return answer

    def settle(self, seconds: float = 60) -> None:
        """Wait until no part of the page is still to come."""
        self.page.wait_for_load_state("networkidle")
        self.page.wait_for_function("!document.querySelector('.later, .job')", timeout=seconds * 1000)
        self.page.wait_for_load_state("networkidle")

    def violations(self) -> list[str]:
        """What axe-core finds wrong on the page."""
        self.page.evaluate(AXE.read_text(encoding="utf-8"))
        found = self.page.evaluate("axe.run(document, {resultTypes: ['violations']})")
        return [
            f"{v['id']}: {v['help']}: {v['nodes'][0]['target']} {v['nodes'][0]['failureSummary']}"
            for v in found["violations"]
        ]

    def assert_clean(self) -> None:
        """No request left the machine, nothing complained, axe-core finds nothing."""
        assert not self.foreign
        assert not self.complaints
        assert not self.violations()


@pytest.fixture
def look(browser: Any, server: str) -> Iterator[Look]:
    """A desktop page."""
    context = browser.new_context(viewport={"width": 1280, "height": 900}, bypass_csp=True)
    yield Look(context.new_page(), server)
    context.close()


@pytest.fixture
def phone(browser: Any, server: str) -> Iterator[Look]:
    """A page as a phone sees it."""
    context = browser.new_context(
        viewport={"width": 390, "height": 844},
        has_touch=True,
        is_mobile=True,
        device_scale_factor=2,
        bypass_csp=True,
    )
    yield Look(context.new_page(), server)
    context.close()


@pytest.fixture(scope="session")
def secret_of() -> Callable[[str], str]:
    """How to find the secret of the forms on a page."""
    return lambda text: text.split('name="csrf" value="')[1].split('"')[0]


@pytest.fixture(scope="session")
def serve() -> Callable[[Any], Any]:
    """How to run an app: a context that gives its address."""
    return serving


@pytest.fixture(scope="session")
def look_at() -> Callable[[Any, str], Look]:
    """How to watch a page of a server of one's own."""
    return Look
