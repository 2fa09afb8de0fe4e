"""The first page and the home page of each desk."""

from __future__ import annotations

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from planner.tasks.desk_facts import facts_of_desk
from planner.web.desk import state_of
from planner.web.navigation import DESKS
from planner.web.render import page

router = APIRouter(include_in_schema=False)

LEADS = {
    "Today": "What is due, who is ripe, which spawning day comes next, and which holds and permits end.",
    "Waters": "Which waters are ready, how many fish wait for them, and how the release plan stands.",
    "Diversity": "What the stock still carries, with its uncertainty, where it goes, and when it was last audited.",
    "Records": "Everything that is known, who said so, and when.",
}


@router.get("/", response_class=HTMLResponse)
def first(request: Request) -> Response:
    """Show the desks."""
    return page(request, "first.html", title="Desks")


@router.get("/favicon.ico")
def icon() -> Response:
    """Send browsers that ask for the old name to the mark."""
    return RedirectResponse("/static/mark.svg", 301)


def _desk(number: int) -> None:
    d = DESKS[number]

    def home(request: Request) -> Response:
        return page(request, "desk.html", title=d.title, d=d, lead=LEADS[d.title])

    def now(request: Request) -> Response:
        return page(request, "now.html", now=facts_of_desk(state_of(request).workplace, d.title))

    router.add_api_route(d.home, home, response_class=HTMLResponse, name=f"home-{d.title}")
    router.add_api_route(f"{d.home}/now", now, response_class=HTMLResponse, name=f"now-{d.title}")


for _number in range(len(DESKS)):
    _desk(_number)
