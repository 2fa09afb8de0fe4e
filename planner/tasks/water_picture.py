"""The map of the waters to take away: as a picture, and as the table it was drawn from."""

from __future__ import annotations

import datetime as dt

import pandas as pd

from planner.reports.waters_figure import waters_svg
from planner.tasks.programme import Programme
from planner.tasks.water_pages import HIGH, WIDE, map_points, water_cards


def waters_picture(programme: Programme, day: dt.date | None = None) -> str:
    """Return the map as SVG text, with the lights for a release on a day, default the setting ``release_day``."""
    when = day or programme.settings.day("release_day")
    points = [(p.card.name, p.card.state, p.x, p.y) for p in map_points(water_cards(programme, when))]
    return waters_svg(points, WIDE, HIGH, when.isoformat())


def waters_table(programme: Programme, day: dt.date | None = None) -> str:
    """Return the waters with place, fish and lights as CSV text."""
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
        for c in water_cards(programme, day)
    ]
    return pd.DataFrame(rows).to_csv(index=False, lineterminator="\n")
