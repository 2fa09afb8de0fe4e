"""The sheets that can be printed, in the order of the year; each is made by one function."""

from __future__ import annotations

import importlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from broodstock.errors import UsageError
from broodstock.intake.near_words import did_you_mean, near_word
from planner.reports.labels import LabelSheet
from planner.reports.sheet import Sheet
from planner.tasks.programme import Programme
from planner.tasks.sheets.asked import Asked
from planner.tasks.sheets.forms import EntryForm


@dataclass(frozen=True)
class Printed:
    """A sheet before it has a version, and what its blanks become.

    Parameters
    ----------
    sheet : Sheet or LabelSheet
        What stands on it; mark and version are filled in by `planner.tasks.sheets.make`.
    forms : tuple of EntryForm
        What can be keyed in when the paper comes back; none for a sheet that is only read.
    tables : mapping of str to str
        CSV files kept beside it, text by file name.
    about : str
        What it is about where the words asked leave that open, such as the day of the plan: versions count within it.
    """

    sheet: Sheet | LabelSheet
    forms: tuple[EntryForm, ...] = ()
    tables: Mapping[str, str] = field(default_factory=dict)
    about: str = ""


@dataclass(frozen=True)
class Ask:
    """One thing a sheet may be asked for: name, label, example, whether it is needed.

    What is only of the layout (how many blank lines) is no other subject: asked otherwise, it makes a new version.
    """

    name: str
    label: str
    example: str = ""
    needed: bool = False
    layout: bool = False


@dataclass(frozen=True)
class SheetKind:
    """One kind of sheet.

    Parameters
    ----------
    name : str
        Word on the command line.
    title, lead : str
        Title, and what it is for in one sentence.
    maker : str
        ``module:function``; the function takes a `Programme` and an `Asked` and returns a `Printed`.
    asks : tuple of Ask
        What may be given.
    plan : str
        Kind of plan it is made from; ``any`` for whatever plan is there; empty for a sheet made from records alone.
    scans : bool
        Whether the contacts of scanners count.
    """

    name: str
    title: str
    lead: str
    maker: str
    asks: tuple[Ask, ...] = ()
    plan: str = ""
    scans: bool = False

    def function(self) -> Callable[[Programme, Asked], Printed]:
        """Import and return the function that makes it."""
        module, name = self.maker.split(":")
        found: Callable[[Programme, Asked], Printed] = getattr(importlib.import_module(module), name)
        return found


_HERE = "planner.tasks.sheets"
DAY = Ask("day", "Day", "2025-02-14")

KINDS: dict[str, SheetKind] = {
    k.name: k
    for k in (
        SheetKind(
            "ripeness",
            "Ripeness check",
            "Every broodfish in walking order with its last look and expected window, and boxes for what is seen today.",
            f"{_HERE}.ripeness:ripeness_check",
            (DAY, Ask("building", "Building"), Ask("sex", "Sex", "female")),
        ),
        SheetKind(
            "inventory",
            "Inventory",
            "Fish expected in each unit in walking order, boxes for what is found and measured, room for fish not listed.",
            f"{_HERE}.inventory:tank_inventory",
            (DAY, Ask("building", "Building"), Ask("unit", "Unit", "B-01")),
        ),
        SheetKind(
            "labels",
            "Labels",
            "Labels for dishes, cells, milt, units or samples, with a code that a scanner reads and words that an eye reads wet.",
            f"{_HERE}.labels:labels",
            (
                Ask("what", "Labels for", "dishes, cells, milt, units or samples", needed=True),
                DAY,
                Ask("building", "Building, for units"),
                Ask("group", "Group, for samples", "brood"),
                Ask("plate", "Plate, for samples"),
                Ask("copies", "Copies of each", "1", layout=True),
                Ask("skip", "Labels already used on the first page", "0", layout=True),
            ),
        ),
        SheetKind(
            "eggs",
            "Egg counts",
            "Dishes of a day by female: eggs by weight or volume, fertilised, dead picked, hatched, swim-up.",
            f"{_HERE}.eggs:egg_counts",
            (DAY,),
        ),
        SheetKind(
            "incubator",
            "Incubator map",
            "Cells in rows and columns with the dish in each, how families are spread, and a box for every round.",
            f"{_HERE}.incubator:incubator_map",
            (DAY, Ask("rounds", "Rounds to tick", "8", layout=True)),
        ),
        SheetKind(
            "cull",
            "Cull list",
            "Fish of each family to keep and to take out so that families come out equal, with boxes for two people.",
            f"{_HERE}.cull:cull_list",
            (
                Ask("season", "Spawning season", "2024", needed=True),
                Ask("keep", "Fish to keep in all", "60000", needed=True),
                Ask("count", "Count it starts from", "swim_up"),
                DAY,
            ),
        ),
        SheetKind(
            "larvae",
            "Larval collection",
            "Light-trap stations of a night by zone, what quota and permits leave, and the number that ends the night.",
            f"{_HERE}.larval:larval_collection",
            (DAY, Ask("zone", "Zone"), Ask("stations", "Stations of each zone", "4", layout=True)),
        ),
        SheetKind(
            "census",
            "Census crew sheet",
            "One water and its days: tags that may be met, blank lines for captures, effort, and what to do with odd fish.",
            f"{_HERE}.census:census_crew",
            (
                Ask("water", "Water", "BB", needed=True),
                DAY,
                Ask("days", "Days", "3", layout=True),
                Ask("gears", "Gears", "trammel net, hoop net", layout=True),
                Ask("lines", "Blank lines for captures", "24", layout=True),
                Ask("tags", "Most tags printed", "300", layout=True),
            ),
            scans=True,
        ),
        SheetKind(
            "release",
            "Release form",
            "The tags planned for one water to tick off, the dead on arrival, the water on the shore, two signatures.",
            f"{_HERE}.release_form:release_form",
            (
                Ask("water", "Water", "NP", needed=True),
                DAY,
                Ask("load", "Number of the load, for the fish of one truck", "1"),
                Ask("event", "Name of the release", "R-2024-05"),
            ),
            "release",
        ),
        SheetKind(
            "loading",
            "Truck loading",
            "One strip for each trip: what is loaded in which order, density, stops, checks on the way.",
            f"{_HERE}.loading:truck_loading",
            (Ask("load", "Number of the load", "1"),),
            "load",
        ),
        SheetKind(
            "drawdown",
            "Drawdown tick-off",
            "Tags that may be in a water that is emptied, to tick off, and lines for young, strangers and other species.",
            f"{_HERE}.tick_off:drawdown_tick_off",
            (
                Ask("water", "Water", "QL", needed=True),
                DAY,
                Ask("drawdown", "Name of the drawdown", "DD-2024-QL"),
            ),
            scans=True,
        ),
        SheetKind(
            "memo",
            "Decision memo",
            "One page: a question, the choices of a plan side by side, what is not known, and room for what was decided.",
            f"{_HERE}.memo:decision_memo",
            (
                Ask("about", "Plan", "release"),
                Ask("question", "Question", layout=True),
                Ask("review", "Day of review", "2025-09-01", layout=True),
            ),
            "any",
        ),
        SheetKind(
            "stocking",
            "Annual stocking table",
            "What was released in a year, by water, family, line and year class, with permits and certificates, for the agency.",
            f"{_HERE}.stocking:stocking_table",
            (Ask("year", "Year", "2024"), Ask("first_month", "First month of the year", "1")),
        ),
    )
}
"""Sheets by name."""


def kind_of(name: str) -> SheetKind:
    """Return the kind of sheet called `name`.

    Raises
    ------
    UsageError
        If there is none.
    """
    if name not in KINDS:
        raise UsageError(
            f"sheet: found {name!r}. {did_you_mean(near_word(name, list(KINDS)))}Expected one of {', '.join(KINDS)}."
        )
    return KINDS[name]
