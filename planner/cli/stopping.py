"""Ctrl-C on a long search: the best plan so far is kept; pressed twice, the command ends at once."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

from planner.cli.output import progress


@contextmanager
def stopped_by_hand() -> Iterator[threading.Event]:
    """Give an event that the first Ctrl-C sets; the second one ends the command.

    Yields
    ------
    threading.Event
        To be handed to a use case that can be cancelled.

    Raises
    ------
    KeyboardInterrupt
        At the second Ctrl-C.
    """
    event = threading.Event()
    if threading.current_thread() is not threading.main_thread():
        yield event  # signals reach the main thread alone
        return

    def stop(number: int, frame: FrameType | None) -> None:
        if event.is_set():
            raise KeyboardInterrupt
        event.set()
        progress("Stopping: the best plan so far is kept, if there is one. Press again to leave at once.")

    before = signal.signal(signal.SIGINT, stop)
    try:
        yield event
    finally:
        signal.signal(signal.SIGINT, before)
