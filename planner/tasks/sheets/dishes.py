"""The dishes of a day: those laid by the records, and those a spawning plan still asks for; cells by their own names."""

from __future__ import annotations

import datetime as dt
import re
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any

import pandas as pd

from broodstock.errors import UsageError
from planner.tasks.programme import Programme
from planner.tasks.rows import rows
from planner.tasks.sheets.asked import Asked

LAST = 10**6


@dataclass(frozen=True)
class Dish:
    """One dish.

    Parameters
    ----------
    name, dam, sire, cell : str
        Name, parents, and cell by the name of its unit where there is one.
    number, of : int
        Number among the dishes of this female that day, and how many she has.
    laid : bool
        Whether the records hold it.
    made_on : date
        Day it was laid or is to be laid.
    family : str
        Family, empty while it has no name.
    eggs, fertilised, hatched, swim_up : int or None
        Counts in the records.
    """

    name: str
    dam: str
    sire: str
    cell: str
    number: int
    of: int
    laid: bool
    made_on: dt.date
    family: str = ""
    eggs: int | None = None
    fertilised: int | None = None
    hatched: int | None = None
    swim_up: int | None = None


@dataclass(frozen=True)
class DishDay:
    """Dishes of one day, females in walking order.

    Parameters
    ----------
    day : date
        Day they are laid.
    dishes : tuple of Dish
        Dishes.
    plan : str
        Mark and version of the plan, empty when the dishes come from the records alone.
    """

    day: dt.date
    dishes: tuple[Dish, ...]
    plan: str

    @property
    def females(self) -> dict[str, list[Dish]]:
        """Dishes by female, in walking order."""
        out: dict[str, list[Dish]] = {}
        for d in self.dishes:
            out.setdefault(d.dam, []).append(d)
        return out


def dishes_of_day(programme: Programme, asked: Asked, days_back: int = 0) -> DishDay:
    """Return the dishes of the day asked for, and those laid up to some days before.

    A plan counts when it is there and of that day; without a day asked for, the day is that of the plan.

    Raises
    ------
    UsageError
        If the plan is of another day, or neither records nor plan hold a dish of that day.
    """
    plan = asked.plan("spawning") if "spawning" in asked.plans else None
    planned_day = _day_of(plan)
    day = asked.day("day", planned_day or programme.settings.day("spawning_day"))
    if plan is not None and asked.text("day") and planned_day is not None and planned_day != day:
        raise UsageError(
            f"day: found {day}, and a spawning plan of {planned_day}. Expected the same day. Give day={planned_day}, "
            "or leave the plan away to print the dishes of the records."
        )
    crosses = programme.tables["crosses"]
    until = pd.Timestamp(day)
    mine = crosses[
        (crosses["made_on"] <= until) & (crosses["made_on"] >= until - pd.Timedelta(days=days_back))
    ]
    cells = cell_names(programme)
    out = {r.cross_id: _laid(r, cells) for r in rows(mine)}
    mark = ""
    if plan is not None:
        mark = f"{plan['provenance']['mark']} v{plan['provenance']['version']}"
        for x in plan["crosses"]:
            if x["dish_id"] not in out:
                out[x["dish_id"]] = Dish(
                    x["dish_id"],
                    x["dam"],
                    x["sire"],
                    named_cell(x["cell"], cells),
                    int(x["dish"]),
                    0,
                    False,
                    day,
                )
    if not out:
        raise UsageError(
            f"dishes of {day}: found none in the table crosses. Expected crosses made on that day, or a spawning "
            "plan of that day. Enter the crosses, name the folder of the plan with --plan, or give another day."
        )
    order = walk_of_fish(programme)
    listed = sorted(out.values(), key=lambda d: (*order.get(d.dam, (LAST, "")), d.dam, d.number, d.name))
    count = Counter((d.dam, d.made_on) for d in listed)
    return DishDay(day, tuple(replace(d, of=count[d.dam, d.made_on]) for d in listed), mark)


def cell_names(programme: Programme) -> dict[str, str]:
    """Return the names of the units of kind cell by their letters and digits alone: a plan may write C01 for C-01."""
    units = programme.tables["units"]
    return {_bare(u): u for u in units.loc[units["kind"] == "cell", "unit_id"]}


def cell_trays(programme: Programme) -> list[tuple[str, list[str]]]:
    """Return building and cells of each tray: the cells of a building in walking order, cut into rows.

    The setting ``incubator_columns`` says how many cells a tray holds; so many trays as ``incubator_rows`` says hang on
    one water supply.
    """
    units = programme.tables["units"]
    order = walk_of_units(programme)
    rooms: dict[str, list[str]] = {}
    for r in sorted(
        rows(units[units["kind"] == "cell"]), key=lambda r: (order[r.unit_id], natural(r.unit_id))
    ):
        rooms.setdefault(r.building, []).append(r.unit_id)
    across = int(programme.settings["incubator_columns"])
    return [
        (room, cells[k : k + across]) for room, cells in rooms.items() for k in range(0, len(cells), across)
    ]


def named_cell(text: str, cells: dict[str, str]) -> str:
    """Return the unit that a cell's text means, or the text itself."""
    return cells.get(_bare(text), text)


def walk_of_fish(programme: Programme) -> dict[str, tuple[int, str]]:
    """Return place on the walk and unit of each fish."""
    fish = programme.tables["fish"]
    order = walk_of_units(programme)
    return {r.fish_id: (order.get(r.unit, LAST), r.unit) for r in rows(fish)}


def walk_of_units(programme: Programme) -> dict[str, int]:
    """Return the place of each unit on the walk; units without one come last."""
    units = programme.tables["units"]
    return {r.unit_id: int(r.walk_order) if pd.notna(r.walk_order) else LAST for r in rows(units)}


def natural(name: str) -> tuple[tuple[int, int | str], ...]:
    """Return a key that puts F-9 before F-10."""
    parts = re.findall(r"\d+|\D+", name)
    return tuple((0, int(p)) if p.isdigit() else (1, p) for p in parts)


def head_line(programme: Programme, words: Iterable[str]) -> str:
    """Return the line under the title: programme, station and further words."""
    parts = (programme.settings["programme_name"], programme.settings["station"], *words)
    return " · ".join(x for x in parts if x)


def _day_of(plan: dict[str, object] | None) -> dt.date | None:
    if plan is None:
        return None
    try:
        return dt.date.fromisoformat(plan["provenance"]["settings"]["spawning_day"])  # type: ignore[index]
    except (KeyError, TypeError, ValueError):
        return None


def _laid(r: Any, cells: dict[str, str]) -> Dish:
    def number(name: str) -> int | None:
        value = getattr(r, name)
        return int(value) if pd.notna(value) else None

    return Dish(
        r.cross_id, r.dam, r.sire, named_cell(r.cell, cells), number("dish") or 0, 0, True, r.made_on.date(),
        r.family, number("eggs"), number("fertilised"), number("hatched"), number("swim_up"),
    )  # fmt: skip


def _bare(text: str) -> str:
    return re.sub(r"[^0-9a-z]", "", (text or "").lower())
