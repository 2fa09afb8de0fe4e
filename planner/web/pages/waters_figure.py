"""The map of the waters to take away: as SVG, and as the table it was drawn from."""

from __future__ import annotations

import pandas as pd
from fastapi import APIRouter, Request
from fastapi.responses import Response

from planner.reports.waters_figure import waters_svg
from planner.tasks.jobs_planning import day_of
from planner.tasks.water_pages import HIGH, WIDE, map_points, water_cards
from planner.web.desk import state_of
from planner.web.downloads import safe_table

router = APIRouter(include_in_schema=False)


def _file(text: str, kind: str, name: str) -> Response:
    return Response(text, media_type=kind, headers={"Content-Disposition": f'attachment; filename="{name}"'})


@router.get("/waters/map.svg")
def svg(request: Request, day: str = "") -> Response:
    """Send the map."""
    programme = state_of(request).workplace.programme()
    when = day_of({"day": day}) or programme.settings.day("release_day")
    points = [(p.card.name, p.card.state, p.x, p.y) for p in map_points(water_cards(programme, when))]
    return _file(waters_svg(points, WIDE, HIGH, when.isoformat()), "image/svg+xml", "waters.svg")


@router.get("/waters/map.csv")
def csv(request: Request, day: str = "") -> Response:
    """Send the waters with their place, fish and lights."""
    cards = water_cards(state_of(request).workplace.programme(), day_of({"day": day}))
    rows = [
        {
            "site_id": c.site_id,
            "name": c.name,
            "kind": c.kind,
            "state": c.state,
            "river_km": c.river_km,
            "latitude": c.latitude,
            "longitude": c.longitude,
            "residents": c.residents,
            "capacity": c.capacity,
        }
        | {light.name: light.state for light in c.lights}
        for c in cards
    ]
    table = pd.DataFrame(rows).to_csv(index=False, lineterminator="\n")
    return _file(safe_table(table), "text/csv; charset=utf-8", "waters.csv")
