"""Write results whole or not at all: a temporary file beside the target, then one rename."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO


@contextmanager
def atomic_text(path: Path) -> Iterator[IO[str]]:
    """Open a text file that takes its name only when everything is written.

    Raises
    ------
    OSError
        If the folder cannot be written; the old file, if any, is left as it was.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, temporary = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
    try:
        with os.fdopen(handle, "w", encoding="utf-8", newline="") as out:
            yield out
        os.chmod(temporary, 0o644)
        os.replace(temporary, path)
    except BaseException:
        Path(temporary).unlink(missing_ok=True)
        raise


def write_bytes(path: Path, content: bytes) -> None:
    """Write a file whole or not at all.

    Raises
    ------
    OSError
        If the folder cannot be written.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, temporary = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as out:
            out.write(content)
        os.chmod(temporary, 0o644)
        os.replace(temporary, path)
    except BaseException:
        Path(temporary).unlink(missing_ok=True)
        raise


def write_text(path: Path, content: str) -> None:
    """Write a text file (UTF-8) whole or not at all; errors as in `write_bytes`."""
    write_bytes(path, content.encode())
