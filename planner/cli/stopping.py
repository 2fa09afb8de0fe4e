"""Ctrl-C on a long search: the best plan so far is kept; pressed twice, the command ends at once."""

from __future__ import annotations

import threading
from contextlib import AbstractContextManager

from planner.cli.output import progress
from planner.tasks.stopping import stop_asked


def stopped_by_hand() -> AbstractContextManager[threading.Event]:
    """Give an event that the first Ctrl-C sets, and say so; the second one ends the command. See `stop_asked`."""
    return stop_asked(
        lambda: progress(
            "Stopping: the best plan so far is kept, if there is one. Press again to leave at once."
        )
    )
