"""A register as a programme that reads each table only when it is asked for, without running the checks."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING

from broodstock.fields import TABLES
from planner.tasks.programme import Programme
from planner.tasks.settings import read_settings

if TYPE_CHECKING:
    import pandas as pd

    from planner.store.register import Register


class TablesOf(Mapping[str, "pd.DataFrame"]):
    """Tables of a register by name, each read once, when it is first asked for.

    Parameters
    ----------
    register : Register
        Open; must stay open as long as tables are asked for.
    """

    def __init__(self, register: Register) -> None:
        self._register = register
        self._read: dict[str, pd.DataFrame] = {}

    def __getitem__(self, name: str) -> pd.DataFrame:
        if name not in TABLES:
            raise KeyError(name)
        if name not in self._read:
            self._read[name] = self._register.frame(name)
        return self._read[name]

    def __iter__(self) -> Iterator[str]:
        return iter(TABLES)

    def __len__(self) -> int:
        return len(TABLES)


def view_of(register: Register) -> Programme:
    """Return a register as a programme without genotypes and findings.

    Parameters
    ----------
    register : Register
        Open; must stay open as long as the programme is used.
    """
    found = register.rows("settings", columns=["record_id", "name", "value", "source"])
    settings, faults = read_settings(
        [(r["record_id"], r["name"], r["value"], r["source"] or "") for r in found], "settings"
    )
    return Programme(
        register.place, TablesOf(register), {}, settings, tuple(faults), register.data_version().hash
    )
