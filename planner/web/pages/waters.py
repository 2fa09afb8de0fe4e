"""Waters: cards with lights, the map, the river; the release plan and the release day."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Form, HTTPException, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from planner.tasks.jobs_planning import day_of, names_of
from planner.tasks.plan_pages import plan_shown, release_difference, settings_shown, versions_of, voided
from planner.tasks.water_pages import map_points, river_strip, water_card, water_cards
from planner.web.desk import changed_settings, fields_given, needs, state_of
from planner.web.render import page

router = APIRouter(include_in_schema=False)

ON_FORM = (
    "release_wanted",
    "keep_back",
    "survivors_share",
    "family_share_cap",
    "families_in_at_least_sites",
    "predator_min_length_mm",
    "survey_valid_days",
    "release_gap",
    "time_limit",
)


@router.get("/waters/map", response_class=HTMLResponse)
def waters_map(request: Request) -> Response:
    """Show map and strip."""
    return page(request, "waters_map.html", title="Map")


@router.get("/waters/map/drawing", response_class=HTMLResponse)
def drawing(request: Request, day: str = "") -> Response:
    """Draw the waters and their cards."""
    cards = water_cards(state_of(request).workplace.programme(), day_of({"day": day}))
    marks, length, elsewhere = river_strip(cards)
    return page(
        request,
        "waters_drawing.html",
        cards=cards,
        points=map_points(cards),
        marks=marks,
        length=length,
        elsewhere=elsewhere,
    )


@router.get("/waters/site/{site_id}", response_class=HTMLResponse)
def site(request: Request, site_id: str, day: str = "") -> Response:
    """Show one water."""
    card = water_card(state_of(request).workplace.programme(), site_id, day_of({"day": day}))
    return page(request, "water.html", title=card.name, c=card)


@router.get("/release", response_class=HTMLResponse)
def release(request: Request, job: int | None = None, version: int | None = None) -> Response:
    """Show the form, the work going on, and the plan."""
    return page(request, "release.html", title="Release plan", job=job, version=version)


@router.get("/release/form", response_class=HTMLResponse)
def form(request: Request) -> Response:
    """Show day, waters and settings."""
    programme = state_of(request).workplace.programme()
    return page(
        request,
        "release_form.html",
        day=programme.settings.day("release_day").isoformat(),
        cards=water_cards(programme),
        settings=settings_shown(programme, ON_FORM),
    )


@router.post("/release/run")
async def run(request: Request) -> Response:
    """Start a plan."""
    session = needs(request, "enter")
    fields = await fields_given(request)
    given = dict(fields)
    options = {
        "day": str(given.get("day", "")),
        "closed": [v for k, v in fields if k == "closed"],
        "from_scratch": True,
        "settings": changed_settings(given, ON_FORM),
    }
    job = state_of(request).workers.submit("release", options, session.name)
    return RedirectResponse(f"/release?job={job.number}", 303)


@router.get("/release/result", response_class=HTMLResponse)
def result(request: Request, version: int | None = None) -> Response:
    """Show a version of the plan."""
    plan = plan_shown(state_of(request).workplace.plan_folder("release"), "release", version)
    return page(request, "release_result.html", plan=plan)


@router.get("/release/day", response_class=HTMLResponse)
def day(request: Request, job: int | None = None) -> Response:
    """Show the day of release: where each water's fish go, and a button for a water that is red."""
    plan = plan_shown(state_of(request).workplace.plan_folder("release"), "release")
    return page(request, "release_day.html", title="Release day", job=job, plan=plan)


@router.post("/release/day/closed")
def closed(
    request: Request, closed: Annotated[list[str], Form()], version: Annotated[int, Form()]
) -> Response:
    """Plan again without waters that turned red."""
    session = needs(request, "enter")
    state = state_of(request)
    kept = versions_of(state.workplace.plan_folder("release"))
    now = kept[0] if kept else 0
    if now != version:
        raise HTTPException(409, voided("release plan", version, now))
    job = state.workers.submit("release", {"closed": list(names_of({"c": closed}, "c"))}, session.name)
    return RedirectResponse(f"/release/day?job={job.number}", 303)


@router.get("/release/compare", response_class=HTMLResponse)
def compare(request: Request, older: int = 0, newer: int = 0) -> Response:
    """Compare two versions of the release plan."""
    folder = state_of(request).workplace.plan_folder("release")
    kept = versions_of(folder)
    if len(kept) > 1 and not (older and newer):
        newer, older = kept[0], kept[1]
    plans = [plan_shown(folder, "release", v) for v in (older, newer)]
    return page(
        request,
        "release_compare.html",
        title="Compare versions",
        versions=kept,
        older=older,
        newer=newer,
        d=release_difference(plans[0], plans[1]) if plans[0] and plans[1] else None,
    )


@router.get("/release/day/new", response_class=HTMLResponse)
def new_version(request: Request) -> Response:
    """Say that there is a new version."""
    plan = plan_shown(state_of(request).workplace.plan_folder("release"), "release")
    return page(request, "release_new.html", plan=plan)
