"""Records held open by a program that runs for hours: read once per version, plans and sheets beside them."""

from __future__ import annotations

import hashlib
import threading
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from planner.tasks.registers import is_register, register_version

if TYPE_CHECKING:
    from planner.tasks.programme import Programme

T = TypeVar("T")

MOST_KEPT = 3
"""Programmes kept in memory: the records as they are, and a few with changed settings."""


class Workplace:
    """Records at a place, and the folder where plans and sheets are written.

    Parameters
    ----------
    place : str
        Folder of records, register file, or address of a register.
    work : Path
        Folder for plans, sheets and jobs; made when first written to.
    """

    def __init__(self, place: str, work: Path) -> None:
        self.place = place
        self.work = work
        self._lock = threading.Lock()
        self._kept: dict[tuple[str, tuple[tuple[str, str], ...]], Programme] = {}
        self._made: tuple[str, dict[str, Any]] = ("", {})
        self._making = threading.Lock()

    @property
    def is_register(self) -> bool:
        """Whether records can be entered here; a folder can only be read."""
        return is_register(self.place)

    @property
    def source(self) -> Path | str:
        """The place as `planner.tasks.programme.open_programme` takes it."""
        return self.place if self.is_register else Path(self.place)

    def version(self) -> str:
        """Return a word that changes when the records change, without reading them whole."""
        if self.is_register:
            return register_version(self.place)
        seen = hashlib.sha256()
        for path in sorted(Path(self.place).rglob("*")):
            if path.is_file():
                facts = path.stat()
                seen.update(
                    f"{path.relative_to(self.place)}\0{facts.st_size}\0{facts.st_mtime_ns}\n".encode()
                )
        return seen.hexdigest()

    def programme(self, overrides: Mapping[str, str] | None = None) -> Programme:
        """Return the records as one programme, read again only when they changed.

        Parameters
        ----------
        overrides : mapping, optional
            Settings as text, for this use only.

        Raises
        ------
        InputError
            If the records have hard faults.
        UsageError
            If a setting is unknown or out of range.
        """
        from planner.tasks.programme import open_programme

        key = (self.version(), tuple(sorted((overrides or {}).items())))
        with self._lock:
            if key not in self._kept:
                opened = open_programme(self.source, overrides)
                for old in [k for k in self._kept if k[0] != key[0]]:
                    del self._kept[old]
                while len(self._kept) >= MOST_KEPT:
                    del self._kept[next(iter(self._kept))]
                self._kept[key] = opened
            return self._kept[key]

    def kept(self, name: str, make: Callable[[Programme], T]) -> T:
        """Return what `make` makes of the records, made once for each version of them.

        Parameters
        ----------
        name : str
            Name under which it is kept.
        make : callable
            Makes it; what it returns is shared and must not be changed.

        Raises
        ------
        InputError
            If the records have hard faults.
        """
        version = self.version()
        with self._making:
            if self._made[0] != version:
                self._made = (version, {})
            made = self._made[1]
            if name not in made:
                made[name] = make(self.programme())
            value: T = made[name]
            return value

    def is_warm(self) -> bool:
        """Whether the records as they are now have been read already."""
        return (self.version(), ()) in self._kept

    def plan_folder(self, kind: str) -> Path:
        """Return the folder of the plans of one kind, for example ``spawning``."""
        return self.work / kind
