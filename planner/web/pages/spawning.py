"""The spawning plan and the spawning day."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Form, HTTPException, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from planner.tasks.jobs_planning import PLAN_FILES, day_of
from planner.tasks.keyed_dishes import day_now
from planner.tasks.plan_pages import (
    candidates_shown,
    difference,
    laid_pairs,
    plan_shown,
    settings_shown,
    spawning_day,
    tick,
    versions_of,
    voided,
)
from planner.web.desk import changed_settings, fields_given, needs, safe_file, state_of
from planner.web.downloads import download
from planner.web.render import page

router = APIRouter(include_in_schema=False)

ON_FORM = (
    "crosses_wanted",
    "cells",
    "pair_kinship_limit",
    "males_per_female_min",
    "males_per_female_max",
    "female_uses_max",
    "male_uses_max",
    "living_weight",
    "frozen_sires_max",
    "kinship_source",
    "kinship_caution",
    "time_limit",
)
"""Settings on the form of the plan, in the order of the work."""

LOST = {"not-ripe": "not ripe", "no-milt": "no milt", "dead": "dead", "hybrid": "hybrid"}
"""Why a fish falls out, by the value of its button."""


@router.get("/spawning", response_class=HTMLResponse)
def spawning(request: Request, job: int | None = None, version: int | None = None) -> Response:
    """Show the form, the work going on, and the plan."""
    return page(request, "spawning.html", title="Spawning plan", job=job, version=version)


@router.get("/spawning/form", response_class=HTMLResponse)
def form(request: Request, day: str = "") -> Response:
    """Show who may be crossed and the settings."""
    programme = state_of(request).workplace.programme()
    when, judged = candidates_shown(programme, day_of({"day": day}))
    shown = settings_shown(programme, ON_FORM)
    return page(request, "spawning_form.html", day=when.isoformat(), judged=judged, settings=shown)


@router.post("/spawning/run")
async def run(request: Request) -> Response:
    """Start the plan."""
    session = needs(request, "enter")
    given = dict(await fields_given(request))
    options: dict[str, Any] = {
        "day": str(given.get("day", "")),
        "not_ripe": str(given.get("not_ripe", "")),
        "also_ripe": str(given.get("also_ripe", "")),
        "others": int(bool(given.get("others"))) * 3,
        "settings": changed_settings(given, ON_FORM),
    }
    job = state_of(request).workers.submit("spawn", options, session.name)
    return RedirectResponse(f"/spawning?job={job.number}", 303)


@router.get("/spawning/result", response_class=HTMLResponse)
def result(request: Request, version: int | None = None) -> Response:
    """Show a version of the plan."""
    plan = plan_shown(state_of(request).workplace.plan_folder("spawning"), "spawning", version)
    return page(request, "spawning_result.html", plan=plan)


@router.get("/spawning/compare", response_class=HTMLResponse)
def compare(request: Request, older: int = 0, newer: int = 0) -> Response:
    """Compare two versions."""
    folder = state_of(request).workplace.plan_folder("spawning")
    kept = versions_of(folder)
    if len(kept) > 1 and not (older and newer):
        newer, older = kept[0], kept[1]
    plans = [plan_shown(folder, "spawning", v) for v in (older, newer)]
    found = difference(plans[0], plans[1]) if plans[0] and plans[1] else None
    return page(
        request,
        "spawning_compare.html",
        title="Compare versions",
        versions=kept,
        older=older,
        newer=newer,
        d=found,
    )


@router.get("/plans/{kind}/{version}/{name}")
def file(request: Request, kind: str, version: int, name: str) -> Response:
    """Send one file of a plan."""
    if kind not in PLAN_FILES:
        raise HTTPException(404, "There is no such kind of plan.")
    folder = state_of(request).workplace.plan_folder(kind) / "versions" / str(version)
    if not folder.is_dir():
        raise HTTPException(404, "There is no such version.")
    path = safe_file(folder, name)
    return download(path, f"{kind}-v{version}-{path.name}")


@router.get("/spawning/day", response_class=HTMLResponse)
def day(request: Request, job: int | None = None) -> Response:
    """Show the day: dishes with large buttons."""
    state = day_now(state_of(request).workplace)
    return page(request, "spawning_day.html", title="Spawning day", job=job, d=state)


@router.post("/spawning/day/laid")
def laid(
    request: Request,
    dish: Annotated[str, Form()],
    version: Annotated[int, Form()],
    laid: Annotated[str, Form()] = "yes",
) -> Response:
    """Tick a dish as laid, or take it back."""
    needs(request, "enter")
    folder = state_of(request).workplace.plan_folder("spawning")
    kept = versions_of(folder)
    if (kept[0] if kept else 0) != version:
        words = voided("spawning plan", version, kept[0] if kept else 0)
        if request.headers.get("hx-request") == "true":
            return page(request, "spawning_late.html", 409, dish=dish, words=words)
        raise HTTPException(409, words)
    tick(folder, dish, laid == "yes", version)
    if request.headers.get("hx-request") == "true":
        state = day_now(state_of(request).workplace)
        assert state is not None
        found = next(d for _, dishes, _ in state.females for d in dishes if d.dish_id == dish)
        return page(request, "spawning_dish.html", x=found, version=state.version)
    return RedirectResponse("/spawning/day", 303)


@router.post("/spawning/day/event")
def event(
    request: Request,
    version: Annotated[int, Form()],
    what: Annotated[str, Form()],
    fish: Annotated[str, Form()] = "",
    number: Annotated[str, Form()] = "",
    sex: Annotated[str, Form()] = "",
) -> Response:
    """Plan the rest of the day again after something happened."""
    session = needs(request, "enter")
    state = state_of(request)
    folder = state.workplace.plan_folder("spawning")
    now = spawning_day(folder)
    if now is None or now.version != version:
        raise HTTPException(409, voided("spawning plan", version, now.version if now else 0))
    options: dict[str, Any] = {"laid": laid_pairs(folder)}
    if what in LOST and fish:
        options["lost"] = {fish: LOST[what]}
    elif what == "few-eggs" and fish and number.isdigit():
        options["few_eggs"] = {fish: int(number)}
    elif what == "unreadable" and fish:
        options["unreadable"] = [fish]
    elif what == "arrived" and fish and sex in ("female", "male"):
        options["arrived"] = {fish: sex}
    elif what == "cells" and number.isdigit():
        options["cells"] = int(number)
    else:
        raise HTTPException(422, "This button needs a fish, a number or a sex that was not given.")
    job = state.workers.submit("replan", options, session.name)
    return RedirectResponse(f"/spawning/day?job={job.number}", 303)


@router.get("/spawning/day/new", response_class=HTMLResponse)
def new_version(request: Request) -> Response:
    """Say that there is a new version and show the page anew."""
    return page(request, "spawning_new.html", d=day_now(state_of(request).workplace))
