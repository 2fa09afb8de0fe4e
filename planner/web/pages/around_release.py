"""Around a release plan: survivors against kinship as a picture, and the loads of the trucks."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Form, HTTPException, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from planner.tasks.jobs_release import release_version, tradeoff_shown
from planner.tasks.plan_pages import loads_shown, settings_shown, voided
from planner.web.desk import changed_settings, fields_given, needs, safe_file, state_of
from planner.web.downloads import download
from planner.web.pages.waters import ON_FORM
from planner.web.render import page

router = APIRouter(include_in_schema=False)


@router.get("/release/tradeoff", response_class=HTMLResponse)
def tradeoff(request: Request, job: int | None = None) -> Response:
    """Show the form, the work going on, and the picture."""
    return page(request, "tradeoff.html", title="Survivors against kinship", job=job)


@router.get("/release/tradeoff/form", response_class=HTMLResponse)
def tradeoff_form(request: Request) -> Response:
    """Show points, day and settings."""
    workplace = state_of(request).workplace
    programme = workplace.programme()
    last = tradeoff_shown(workplace.plan_folder("tradeoff"))
    asked = last["asked"] if last else {"points": 7, "lowest": 90.0, "day": ""}
    return page(
        request,
        "tradeoff_form.html",
        asked=asked,
        lowest=f"{asked['lowest']:g}",
        day=asked["day"] or programme.settings.day("release_day").isoformat(),
        settings=settings_shown(programme, [n for n in ON_FORM if n != "survivors_share"]),
    )


@router.post("/release/tradeoff")
async def make_tradeoff(request: Request) -> Response:
    """Start the row of plans, or look for plans nearly as good."""
    session = needs(request, "enter")
    given = dict(await fields_given(request))
    options = {k: given.get(k, "") for k in ("points", "lowest", "day", "others", "tolerance", "only_others")}
    job = state_of(request).workers.submit(
        "tradeoff", options | {"settings": changed_settings(given, ON_FORM)}, session.name
    )
    return RedirectResponse(f"/release/tradeoff?job={job.number}", 303)


@router.get("/release/tradeoff/result", response_class=HTMLResponse)
def tradeoff_result(request: Request) -> Response:
    """Show the picture and the points."""
    return page(
        request, "tradeoff_result.html", t=tradeoff_shown(state_of(request).workplace.plan_folder("tradeoff"))
    )


@router.get("/release/tradeoff/file/{name}")
def tradeoff_file(request: Request, name: str) -> Response:
    """Send the picture, the table or the data."""
    path = safe_file(state_of(request).workplace.plan_folder("tradeoff"), name)
    return download(path, path.name)


@router.get("/release/loads", response_class=HTMLResponse)
def loads(request: Request, job: int | None = None, version: int | None = None) -> Response:
    """Show the work going on and the loads."""
    return page(request, "loads.html", title="Truck loads", job=job, version=version)


@router.get("/release/loads/result", response_class=HTMLResponse)
def loads_result(request: Request, version: int | None = None) -> Response:
    """Show a version of the loads, the newest by default."""
    workplace = state_of(request).workplace
    shown = loads_shown(workplace.plan_folder("loads"), version)
    day = shown.day if shown else workplace.programme().settings.day("release_day").isoformat()
    return page(request, "loads_result.html", x=shown, release=release_version(workplace), day=day)


@router.post("/release/loads")
def make_loads(request: Request, day: Annotated[str, Form()] = "") -> Response:
    """Load the trucks for the last release plan."""
    session = needs(request, "enter")
    job = state_of(request).workers.submit("loads", {"day": day}, session.name)
    return RedirectResponse(f"/release/loads?job={job.number}", 303)


@router.post("/release/loads/failed")
def truck_fails(request: Request, truck: Annotated[str, Form()], version: Annotated[int, Form()]) -> Response:
    """Load again without a truck that does not drive, besides those that failed before."""
    session = needs(request, "enter")
    state = state_of(request)
    shown = loads_shown(state.workplace.plan_folder("loads"))
    if shown is None or shown.version != version:
        raise HTTPException(409, voided("loads", version, shown.version if shown else 0))
    if truck not in shown.trucks:
        raise HTTPException(422, f"truck: found {truck!r}. Expected one of {', '.join(shown.trucks)}.")
    options = {"day": shown.day, "failed": [*shown.failed, truck]}
    job = state.workers.submit("loads", options, session.name)
    return RedirectResponse(f"/release/loads?job={job.number}", 303)
