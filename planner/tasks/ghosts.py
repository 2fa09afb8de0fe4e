"""Encounters without ghosts."""

from __future__ import annotations

from planner.tasks.programme import Programme
from planner.tasks.survival_models_encounters import Encounters, encounters_of


def encounters_without_ghosts(programme: Programme) -> Encounters:
    """Return the encounters."""
    return encounters_of(programme)
