"""Time of the pages on the full practice programme: ``python -m tests.benchmarks.run web``.

A page is loaded in Chromium by a browser that has seen the site's style and scripts, with the records read and the plans
made. What a page fetches after it is measured by itself. Repeated; the median counts. With KINSHOAL_FULL_DEMO the register
in that folder is used instead of a new one.
"""

from __future__ import annotations

import os
import re
import statistics
import tempfile
import time
from pathlib import Path
from typing import Any

REPEATS = 7
BAR, HEAT_BAR = 0.5, 1.0
LOADED = "performance.getEntriesByType('navigation')[0].loadEventEnd"


def rows() -> list[dict[str, Any]]:
    """Load every page of the navigation and of each detail, and draw the heat map."""
    import httpx
    from playwright.sync_api import sync_playwright

    from planner.web.app import create_app
    from tests.web.conftest import CHROMIUM, FLAGS, serving
    from tests.web.full_demo import addresses, full_place, prepare

    if CHROMIUM is None:
        return []
    with tempfile.TemporaryDirectory() as text:
        folder = Path(text)
        app = create_app(full_place(folder), folder / "work")
        with (
            serving(app) as home,
            httpx.Client(base_url=home, timeout=600, follow_redirects=True) as client,
            sync_playwright() as play,
        ):
            prepare(app.state.desk)
            paths = addresses(client)
            start = time.perf_counter()
            client.get("/kinship/matrix.json")
            cold = time.perf_counter() - start
            parts = _parts(client, paths)
            arguments = [*FLAGS, *(["--no-sandbox"] if os.geteuid() == 0 else [])]
            browser = play.chromium.launch(executable_path=CHROMIUM, args=arguments)
            page = browser.new_context(viewport={"width": 1280, "height": 900}, bypass_csp=True).new_page()
            loads = {p: _median([_load(page, home + p) for _ in range(REPEATS)]) for p in paths}
            heat = _median([_heat(page, home) for _ in range(REPEATS)])
            fish = len(client.get("/kinship/matrix.json").json()["fish"])
            browser.close()
            served = {p: _median([_serve(client, p) for _ in range(REPEATS)]) for p in paths}
            fetched = {p: _median([_serve(client, p) for _ in range(REPEATS)]) for p in parts}
    for p in paths:
        print(f"   {p}: load event {loads[p]:.3f} s, server {served[p]:.3f} s")
    for p in parts:
        print(f"   {p}: server {fetched[p]:.3f} s")
    return [
        _row("load event of a page, slowest", f"{len(paths)} pages, full demo", loads, BAR),
        _row("server time of a page, slowest", f"{len(paths)} pages, full demo", served, BAR),
        _row("part fetched after its page, slowest", f"{len(parts)} parts, full demo", fetched, BAR),
        {
            "work": "heat map of kinship, from the request of the page until it is drawn",
            "size": f"{fish} x {fish} fish, full demo",
            "seconds": heat,
            "bar": HEAT_BAR,
            "note": f"matrix for new records {cold:.2f} s, kept until they change",
        },
    ]


def _row(work: str, size: str, seconds: dict[str, float], bar: float) -> dict[str, Any]:
    worst = max(seconds, key=lambda p: seconds[p])
    middle = statistics.median(seconds.values())
    note = f"{worst}; the middle one {middle:.3f} s; median of {REPEATS}"
    return {"work": work, "size": size, "seconds": seconds[worst], "bar": bar, "note": note}


def _median(values: list[float]) -> float:
    return float(statistics.median(values))


def _parts(client: Any, paths: list[str]) -> list[str]:
    """Addresses of what the pages fetch by themselves after loading."""
    out: dict[str, None] = {}
    for path in paths:
        for found in re.findall(r'class="later" hx-get="([^"]+)"', client.get(path).text):
            out[found.replace("&amp;", "&")] = None
    return list(out)


def _load(page: Any, address: str) -> float:
    page.goto(address, wait_until="load")
    page.wait_for_function(f"{LOADED} > 0")
    return float(page.evaluate(LOADED)) / 1000


def _heat(page: Any, home: str) -> float:
    page.goto(home + "/kinship", wait_until="load")
    page.wait_for_selector("#heat[data-drawn]")
    return float(page.locator("#heat").get_attribute("data-drawn")) / 1000


def _serve(client: Any, path: str) -> float:
    start = time.perf_counter()
    answer = client.get(path)
    seconds = time.perf_counter() - start
    if answer.status_code != 200:
        raise RuntimeError(f"{path}: {answer.status_code}")
    return seconds
