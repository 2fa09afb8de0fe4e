"""The map of the waters to take away: as SVG, and as the table it was drawn from."""

from __future__ import annotations

from fastapi import APIRouter, Request
from fastapi.responses import Response

from planner.tasks.jobs_planning import day_of
from planner.tasks.water_picture import waters_picture, waters_table
from planner.web.desk import state_of
from planner.web.downloads import safe_table

router = APIRouter(include_in_schema=False)


def _file(text: str, kind: str, name: str) -> Response:
    return Response(text, media_type=kind, headers={"Content-Disposition": f'attachment; filename="{name}"'})


@router.get("/waters/map.svg")
def svg(request: Request, day: str = "") -> Response:
    """Send the map."""
    text = waters_picture(state_of(request).workplace.programme(), day_of({"day": day}))
    return _file(text, "image/svg+xml", "waters.svg")


@router.get("/waters/map.csv")
def csv(request: Request, day: str = "") -> Response:
    """Send the waters with their place, fish and lights."""
    text = waters_table(state_of(request).workplace.programme(), day_of({"day": day}))
    return _file(safe_table(text), "text/csv; charset=utf-8", "waters.csv")
