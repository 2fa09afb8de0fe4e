"""Templates, and how numbers and findings look on every page."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from typing import Any

from fastapi import Request
from fastapi.responses import HTMLResponse
from jinja2 import Environment, PackageLoader, StrictUndefined, select_autoescape

from planner.tasks.own_pages import OWN_PAGES
from planner.web.desk import session_of, state_of
from planner.web.navigation import DESKS, desk_of

THEMES = ("light", "dark", "contrast")


@cache
def environment() -> Environment:
    """Return the template environment; everything is escaped, an unknown name is a fault."""
    made = Environment(
        loader=PackageLoader("planner.web", "templates"),
        autoescape=select_autoescape(default=True, default_for_string=True),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters["amount"] = amount
    return made


def amount(value: Any, digits: int = 3) -> str:
    """Return a number as people read it, the words of anything else."""
    if value is None:
        return "–"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int):
        return f"{value:,}".replace(",", " ")
    if isinstance(value, float):
        return f"{value:.{digits}f}" if abs(value) < 1000 else f"{value:,.0f}".replace(",", " ")
    return str(value)


def page(request: Request, template: str, status: int = 200, **values: Any) -> HTMLResponse:
    """Draw a page or a part of one.

    Parameters
    ----------
    request : Request
        The request.
    template : str
        Name in ``templates``.
    status : int
        HTTP status.
    **values
        What the template shows; ``title`` for whole pages.
    """
    return HTMLResponse(
        environment().get_template(template).render(**_shared(request), **values), status_code=status
    )


def _shared(request: Request) -> Mapping[str, Any]:
    state, session = state_of(request), session_of(request)
    theme = request.cookies.get("theme", "light")
    path = request.url.path
    desk = desk_of(path)
    return {
        "desks": DESKS,
        "desk": desk,
        "path": path,
        "theme": theme if theme in THEMES else "light",
        "session": session,
        "csrf": session.token,
        "place": state.workplace.place,
        "is_folder": not state.workplace.is_register,
        "can_enter": state.workplace.is_register and session.may("enter"),
        "own_pages": OWN_PAGES,
        "is_part": request.headers.get("hx-request") == "true",
    }
