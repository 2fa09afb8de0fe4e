"""An interrupt of long work: the first one lets a search hand over what it has, the second one ends it."""

from __future__ import annotations

import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType


@contextmanager
def stop_asked(told: Callable[[], None] | None = None) -> Iterator[threading.Event]:
    """Give an event that the first interrupt sets, so that a search can hand over what it has; a second one ends it.

    Parameters
    ----------
    told : callable, optional
        Called at the first interrupt.

    Yields
    ------
    threading.Event
        For a use case that can be cancelled.

    Raises
    ------
    KeyboardInterrupt
        At the second interrupt.
    """
    event = threading.Event()
    if threading.current_thread() is not threading.main_thread():
        yield event  # signals reach the main thread alone
        return

    def stop(number: int, frame: FrameType | None) -> None:
        if event.is_set():
            raise KeyboardInterrupt
        event.set()
        if told is not None:
            told()

    before = signal.signal(signal.SIGINT, stop)
    try:
        yield event
    finally:
        signal.signal(signal.SIGINT, before)
