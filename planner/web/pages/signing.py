"""Sign in, sign out, and how the pages look."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Form, HTTPException, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from planner.web.desk import COOKIE, own_address, state_of
from planner.web.render import THEMES, page

router = APIRouter(include_in_schema=False)


@router.get("/sign-in", response_class=HTMLResponse)
def ask(request: Request, then: str = "/") -> Response:
    """Ask who it is."""
    return page(request, "sign_in.html", title="Sign in", then=own_address(then), wrong="")


@router.post("/sign-in", response_class=HTMLResponse)
def sign_in(
    request: Request,
    name: Annotated[str, Form()],
    password: Annotated[str, Form()],
    then: Annotated[str, Form()] = "/",
) -> Response:
    """Check a password and start a new session."""
    state = state_of(request)
    caller = request.client.host if request.client else ""
    if not state.sign_in_rate.allows(caller):
        raise HTTPException(429, "Too many tries. Wait a minute.")
    role = state.keys.role_of(name, password)
    if role is None:
        return page(
            request,
            "sign_in.html",
            422,
            title="Sign in",
            then=own_address(then),
            wrong="Name and password do not belong together.",
        )
    state.sessions.close(request.state.session_key)
    key, _ = state.sessions.open(name, role)
    response = RedirectResponse(own_address(then), 303)
    response.set_cookie(COOKIE, key, httponly=True, samesite="strict", path="/")
    return response


@router.post("/sign-out")
def sign_out(request: Request) -> Response:
    """End the session."""
    state_of(request).sessions.close(request.state.session_key)
    response = RedirectResponse("/", 303)
    response.delete_cookie(COOKIE)
    return response


@router.get("/look", response_class=HTMLResponse)
def look(request: Request, then: str = "/") -> Response:
    """Ask which colours."""
    here_only = not state_of(request).open_to_network
    return page(request, "look.html", title="Look", then=own_address(then), here_only=here_only)


@router.post("/look")
def choose_look(
    request: Request,
    theme: Annotated[str, Form()],
    then: Annotated[str, Form()] = "/",
    name: Annotated[str, Form()] = "",
) -> Response:
    """Keep the colours in this browser; at this machine, also who is signing."""
    if theme not in THEMES:
        raise HTTPException(422, f"theme: found {theme!r}. Expected one of {', '.join(THEMES)}.")
    if name.strip() and not state_of(request).open_to_network:
        request.state.session.name = name.strip()
    response = RedirectResponse(own_address(then), 303)
    response.set_cookie("theme", theme, max_age=5 * 365 * 86400, samesite="strict", path="/")
    return response
