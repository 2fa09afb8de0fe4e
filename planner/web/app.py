"""Put the app together: doorkeeper, pages, interface, errors in words."""

from __future__ import annotations

import contextlib
import importlib
import threading
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from importlib.resources import files
from pathlib import Path
from urllib.parse import urlsplit

from fastapi import FastAPI, HTTPException, Request, Response
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, RedirectResponse
from fastapi.staticfiles import StaticFiles
from starlette.exceptions import HTTPException as PlainHTTPException

from broodstock.errors import KinshoalError
from planner.tasks.error_words import error_body
from planner.tasks.workplace import Workplace
from planner.web.api import describe
from planner.web.desk import COOKIE, LOCAL, State
from planner.web.pages import genetics
from planner.web.render import page
from planner.web.security import HEADERS, Keys, Session, host_is_ours
from planner.web.worker import Workers

PAGES = (
    "planner.web.pages.home",
    "planner.web.pages.jobs",
    "planner.web.pages.signing",
    "planner.web.pages.genetics",
    "planner.web.pages.spawning",
    "planner.web.pages.waters",
    "planner.web.pages.waters_figure",
    "planner.web.pages.around_release",
    "planner.web.pages.choices",
    "planner.web.pages.waiting",
    "planner.web.pages.records",
    "planner.web.pages.reports",
    "planner.web.pages.sheets",
    "planner.web.api",
)
"""Modules with a ``router``; one for each group of pages."""

FREE = ("/static/", "/sign-in", "/api/session", "/favicon.ico")
MOST_BYTES = 64 * 1024 * 1024
"""Largest request body taken."""

STATUS_OF = {1: 500, 2: 400, 3: 422, 4: 409, 5: 503}
"""HTTP status by exit code of the error."""


def create_app(
    place: str,
    work: Path,
    *,
    hosts: tuple[str, ...] = LOCAL,
    open_to_network: bool = False,
    workers: int = 1,
) -> FastAPI:
    """Return the app.

    Parameters
    ----------
    place : str
        Folder of records or register.
    work : Path
        Folder for plans, sheets and jobs.
    hosts : tuple of str
        Names under which it may be asked.
    open_to_network : bool
        Whether people sign in; False trusts everyone at this machine.
    workers : int
        Worker processes.
    """

    @asynccontextmanager
    async def life(app: FastAPI) -> AsyncIterator[None]:
        desk: State = app.state.desk
        threading.Thread(target=_warm_up, args=(desk.workplace,), daemon=True).start()
        if workers:
            desk.workers.submit("read", {})
        yield
        app.state.desk.workers.close()

    app = FastAPI(
        title="Kinshoal", docs_url=None, redoc_url=None, openapi_url="/api/openapi.json", lifespan=life
    )
    app.state.desk = State(
        Workplace(place, work),
        Workers(place, work, workers),
        Keys(work / "people.json"),
        open_to_network,
        hosts,
    )
    app.mount("/static", StaticFiles(directory=str(files("planner.web") / "static")), name="static")
    for name in PAGES:
        app.include_router(importlib.import_module(name).router)
    describe(app)
    app.middleware("http")(doorkeeper)
    _words_for_errors(app)
    return app


def _warm_up(workplace: Workplace) -> None:
    """Read the records before the first page asks; what is wrong with them is said when a page asks."""
    with contextlib.suppress(KinshoalError, OSError):
        _ = workplace.programme().individuals
        genetics.warm(workplace)


async def doorkeeper(request: Request, call_next: Callable[[Request], Awaitable[Response]]) -> Response:
    """Let in what is meant for us, from whom it says, and no forged form; add the security headers."""
    state: State = request.app.state.desk
    refused = _refusal(request, state)
    if refused is not None:
        refused.headers.update(HEADERS)
        return refused
    key = request.cookies.get(COOKIE)
    session = state.sessions.get(key)
    fresh = None
    if session is None:
        fresh, session = state.sessions.open(*(("", "") if state.open_to_network else ("local", "approve")))
        key = fresh
    request.state.session, request.state.session_key = session, key
    path = request.url.path
    if not session.role and not path.startswith(FREE):
        response: Response = (
            JSONResponse({"error": {"code": "sign-in", "message": "Sign in first.", "findings": []}}, 401)
            if path.startswith("/api/")
            else RedirectResponse(f"/sign-in?then={path}", 303)
        )
    elif request.method not in ("GET", "HEAD") and not await _form_is_ours(request, session):
        response = _plain_refusal(
            request, 403, "This form is from another page or too old. Load the page again."
        )
    else:
        response = await call_next(request)
    if fresh is not None and "set-cookie" not in response.headers:
        response.set_cookie(COOKIE, fresh, httponly=True, samesite="strict", path="/")
    for name, value in HEADERS.items():  # a page may ask for less than the others are allowed, as reports do
        response.headers.setdefault(name, value)
    if not path.startswith("/static/"):
        response.headers["Cache-Control"] = "no-store"
    return response


def _refusal(request: Request, state: State) -> Response | None:
    """Refuse what is not for us: foreign hosts and origins, bodies that are too large, too many writes."""
    if not host_is_ours(request.headers.get("host", ""), state.hosts):
        return _plain_refusal(request, 421, "This server is not known by that name.")
    origin = request.headers.get("origin")
    if origin not in (None, "null") and urlsplit(origin).netloc != request.headers.get("host"):
        return _plain_refusal(request, 403, "The request comes from another site.")
    try:
        length = int(request.headers.get("content-length") or 0)
    except ValueError:
        return _plain_refusal(request, 400, "The length of the request is no number.")
    if length > MOST_BYTES:
        return _plain_refusal(request, 413, f"Found {length} bytes. Expected at most {MOST_BYTES}.")
    if request.method not in ("GET", "HEAD"):
        if "chunked" in request.headers.get("transfer-encoding", ""):
            return _plain_refusal(request, 411, "The request does not say how long it is.")
        caller = request.client.host if request.client else ""
        if not state.write_rate.allows(caller):
            return _plain_refusal(request, 429, "Too many requests. Wait a minute.")
    return None


async def _form_is_ours(request: Request, session: Session) -> bool:
    """Whether a write carries the secret of this session, in the header or as a field of the form."""
    given = request.headers.get("x-csrf-token")
    if given is None and request.headers.get("content-type", "").startswith(
        ("application/x-www-form-urlencoded", "multipart/form-data")
    ):
        await request.body()  # kept, so that the page can read the form again
        async with request.form() as form:
            value = form.get("csrf")
            given = value if isinstance(value, str) else None
    return given is not None and given == session.token


def _plain_refusal(request: Request, status: int, words: str) -> Response:
    if request.url.path.startswith("/api/"):
        return JSONResponse({"error": {"code": "refused", "message": words, "findings": []}}, status)
    return Response(words + "\n", status, media_type="text/plain; charset=utf-8")


def _words_for_errors(app: FastAPI) -> None:
    """Show every error as words on a page, or as the one error body in the interface."""

    def show(request: Request, status: int, body: dict[str, object]) -> Response:
        body = {k: v for k, v in body.items() if k not in ("exit_code", "trace")}
        if request.url.path.startswith("/api/"):
            return JSONResponse({"error": body}, status)
        return page(request, "error.html", status, title="Not done", error=body)

    async def known(request: Request, error: Exception) -> Response:
        body = error_body(error)
        return show(request, STATUS_OF.get(int(body["exit_code"]), 500), body)

    async def http(request: Request, error: Exception) -> Response:
        assert isinstance(error, PlainHTTPException)
        words = "There is no such page." if error.detail == "Not Found" else str(error.detail)
        return show(request, error.status_code, {"code": "http", "message": words, "findings": []})

    async def invalid(request: Request, error: Exception) -> Response:
        assert isinstance(error, RequestValidationError)
        words = "; ".join(f"{'.'.join(str(p) for p in e['loc'])}: {e['msg']}" for e in error.errors())
        return show(request, 422, {"code": "usage", "message": words, "findings": []})

    app.add_exception_handler(KinshoalError, known)
    app.add_exception_handler(OSError, known)
    app.add_exception_handler(PlainHTTPException, http)
    app.add_exception_handler(HTTPException, http)
    app.add_exception_handler(RequestValidationError, invalid)
