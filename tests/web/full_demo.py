"""The full practice programme behind a server: its pages, and how to wait for what a page fetches."""

from __future__ import annotations

import os
import re
import shutil
import time
from pathlib import Path
from typing import Any

import httpx

from planner.web.navigation import DESKS

GIVEN = "KINSHOAL_FULL_DEMO"
"""Environment variable: a folder with the register of the full demo, so that it is not made again."""


def full_place(folder: Path) -> str:
    """Return a register of the full practice programme below a folder.

    Parameters
    ----------
    folder : Path
        New or empty folder; the register given by `GIVEN` is copied there.
    """
    from planner.tasks.demo_records import REGISTER, practice_place

    given = os.environ.get(GIVEN)
    if not given:
        return practice_place(folder / "demo")
    shutil.copy(Path(given) / REGISTER, folder / REGISTER)
    return str(folder / REGISTER)


def work_off(state: Any, name: str, options: dict[str, Any], seconds: float = 900) -> None:
    """Run a job of the server and wait for it.

    Raises
    ------
    RuntimeError
        If it is not done in time.
    """
    job = state.workers.submit(name, options)
    end = time.monotonic() + seconds
    while not job.is_over and time.monotonic() < end:
        time.sleep(0.2)
    if job.state != "done":
        raise RuntimeError(f"{name} {options}: {job.state} {job.result}")


def prepare(state: Any, audit: bool = False) -> None:
    """Make a plan of each kind and the reports that pages show, so that no page is empty."""
    work_off(state, "read", {})
    work_off(state, "findings", {})
    work_off(state, "spawn", {})
    work_off(state, "release", {})
    for name in ("lots", "season", "permits", "trends", *(("monitoring", "audit") if audit else ())):
        work_off(state, "report", {"report": name})


def addresses(client: httpx.Client) -> list[str]:
    """Return every page of the navigation and one of each kind of detail."""

    def first(page: str, pattern: str) -> str:
        text = client.get(page).text
        found = re.search(f'href="({pattern})"', text)
        if found is None:
            raise RuntimeError(f"{page}: found no link like {pattern}.")
        return found[1].replace("&amp;", "&")

    fish = first("/kinship/table", '/fish/[^"/]+')
    out = ["/", "/look", *(d.home for d in DESKS), *(link.path for d in DESKS for link in d.links)]
    out += [fish, fish.replace("/fish/", "/pedigree?fish="), "/find?q=" + fish.removeprefix("/fish/")]
    out.append(first("/waters/map/drawing", '/waters/site/[^"/]+'))
    out += ["/records/table/fish", "/records/table/captures"]
    out.append(first("/records/table/fish", "/records/table/fish/[0-9]+"))
    out += ["/records/table/fish/new", "/spawning?version=1", "/release?version=1"]
    return list(dict.fromkeys(out))
