"""Every link, part, picture and file of every page answers."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterator
from html.parser import HTMLParser
from pathlib import Path
from typing import Any
from urllib.parse import urldefrag, urljoin, urlsplit

import httpx
import pytest

from planner.tasks.jobs_reports import report
from planner.tasks.workplace import Workplace
from planner.web.app import create_app

MOST_ALIKE = 2
"""Addresses followed that differ in a name or a number only."""


class Links(HTMLParser):
    """Addresses that a page names, and the fields its labels and descriptions point at."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []
        self.ids: list[str] = []
        self.pointed: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        for name, value in attrs:
            if name in ("href", "src", "hx-get", "data-from") and value:
                self.found.append(value)
            elif name == "id" and value:
                self.ids.append(value)
            elif name in ("for", "aria-describedby", "aria-labelledby") and value:
                self.pointed += value.split()


@pytest.fixture(scope="module")
def place(
    practice: str, tmp_path_factory: pytest.TempPathFactory, serve: Callable[[Any], Any]
) -> Iterator[tuple[httpx.Client, Path]]:
    """A server whose quick reports are made already, and its folder; nothing is computed while it is asked."""
    work = tmp_path_factory.mktemp("links")
    workplace = Workplace(practice, work)
    for name in ("lots", "permits", "trends"):
        report(workplace, {"report": name}, lambda words: None)
    with (
        serve(create_app(practice, work, workers=0)) as home,
        httpx.Client(base_url=home, timeout=60, follow_redirects=True) as client,
    ):
        yield client, work


@pytest.fixture
def client(place: tuple[httpx.Client, Path]) -> httpx.Client:
    """Who asks."""
    return place[0]


def shape_of(address: str) -> str:
    """An address without its numbers and names: pages made by one rule have one shape."""
    parts = urlsplit(address)
    words = [re.sub(r".*\d.*", "N", p) if k else p for k, p in enumerate(parts.path.strip("/").split("/"))]
    return "/".join(words) + "?" + ",".join(sorted(p.split("=")[0] for p in parts.query.split("&")))


def test_links__every_one_answers(client: httpx.Client) -> None:
    home = str(client.base_url)
    waiting, seen, shapes = ["/"], {"/"}, Counter[str]()
    wrong: list[str] = []
    while waiting:
        address = waiting.pop(0)
        answer = client.get(address)
        if answer.status_code != 200:
            wrong.append(f"{address}: {answer.status_code}")
            continue
        if "html" not in answer.headers["content-type"]:
            continue
        page = Links()
        page.feed(answer.text)
        whole = "<html" in answer.text
        if whole and len(page.ids) != len(set(page.ids)):
            wrong.append(f"{address}: an id twice")
        if whole and not set(page.pointed) <= set(page.ids):
            wrong.append(f"{address}: points at {set(page.pointed) - set(page.ids)}")
        for link in page.found:
            if link.startswith("data:"):
                continue
            there = urldefrag(urljoin(home + address, link)).url
            if not there.startswith(home):
                wrong.append(f"{address}: leads away to {link}")
                continue
            there = there.removeprefix(home)
            if there not in seen and shapes[shape_of(there)] < MOST_ALIKE:
                seen.add(there)
                shapes[shape_of(there)] += 1
                waiting.append(there)
    assert not wrong, "\n".join(wrong)
    assert len(seen) > 100
    for path in ("/kinship/heat_map.svg", "/founders/lines.csv", "/reports/form/lots", "/kinship/fish.csv"):
        assert path in seen
    assert any(a.startswith("/reports/file/trends/") and a.endswith("_data.csv") for a in seen)
    assert any(a.startswith("/fish/") for a in seen)


def test_files__hold_the_whole_table_and_stay_inside(client: httpx.Client) -> None:
    page = client.get("/diversity/trends").text
    key = page.split("/reports/shown/trends/")[1].split('"')[0]
    text = client.get(f"/reports/shown/trends/{key}").text
    name = text.split(f"/reports/file/trends/{key}/table_1")[1].split('"')[0]
    table = client.get(f"/reports/file/trends/{key}/table_1{name}")
    assert table.headers["content-disposition"].startswith("attachment")
    assert table.text.count("\n") == text.count("<tr>")
    for wrong in ("../../people.json", "..%2f..%2fpeople.json", "shown.json/x", "nothing.csv"):
        assert client.get(f"/reports/file/trends/{key}/{wrong}").status_code == 404
    assert client.get("/reports/shown/trends/zzz").status_code == 404
    assert client.get(f"/reports/shown/people/{key}").status_code == 404


def test_reports__open_without_scripts(place: tuple[httpx.Client, Path]) -> None:
    client, work = place
    folder = work / "reports" / "audit" / ("0" * 12)
    folder.mkdir(parents=True)
    (folder / "audit.html").write_text("<!doctype html><p>Report", encoding="utf-8")
    (folder / "trend.html").write_text("<!doctype html><p>Figure", encoding="utf-8")
    answer = client.get(f"/reports/file/audit/{'0' * 12}/audit.html")
    assert answer.headers["content-disposition"].startswith("inline")
    assert "default-src 'none'" in answer.headers["content-security-policy"]
    assert "sandbox" in answer.headers["content-security-policy"]
    other = client.get(f"/reports/file/audit/{'0' * 12}/trend.html")
    assert other.headers["content-disposition"].startswith("attachment")
    assert "default-src 'self'" in other.headers["content-security-policy"]
