"""Find the water a sheet is asked for."""

from __future__ import annotations

from typing import Any

from planner.tasks.programme import Programme
from planner.tasks.rows import rows
from planner.tasks.sheets.asked import Asked


def water_of(programme: Programme, asked: Asked) -> Any:
    """Return the row of the table of sites whose short name is the word ``water``.

    Raises
    ------
    UsageError
        If there is no such water.
    """
    sites = {str(s.site_id): s for s in rows(programme.tables["sites"])}
    return sites[asked.one_of("water", sites)]
