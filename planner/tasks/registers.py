"""Is a place a register, and which version of it; without reading it whole."""

from __future__ import annotations

from pathlib import Path

SQLITE_HEAD = b"SQLite format 3\x00"


def is_register(place: str | Path) -> bool:
    """Return whether a place is the address of a register or a register file."""
    text = str(place)
    if text.startswith(("postgresql://", "postgresql+psycopg://")):
        return True
    path = Path(text)
    if not path.is_file():
        return False
    with path.open("rb") as file:
        return file.read(len(SQLITE_HEAD)) == SQLITE_HEAD


def register_version(place: str) -> str:
    """Return the hash of the last change of a register.

    Raises
    ------
    KinshoalError
        If it cannot be opened.
    """
    from planner.store.register import Register

    with Register.open(place, read_only=True) as register:
        return register.data_version().hash
