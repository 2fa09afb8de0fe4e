"""The truck loading sheet, from the file of loads: all trips or one of them."""

from __future__ import annotations

from typing import Any

import pandas as pd

from broodstock.errors import UsageError
from planner.reports.cautions import cautions_for
from planner.reports.load_sheet import CAUTIONED, trip_blocks, trip_strips
from planner.reports.sheet import Sheet
from planner.tasks.programme import Programme
from planner.tasks.sheets.asked import Asked
from planner.tasks.sheets.kinds import Printed

FISH_FILE = "load_fish.csv"


def truck_loading(programme: Programme, asked: Asked) -> Printed:
    """Lay out the loading sheet of a file of loads.

    Parameters
    ----------
    programme : Programme
        Records; only the name is read.
    asked : Asked
        ``load`` (number of one load; default all) and the folder of the loads.

    Raises
    ------
    UsageError
        If there are no loads, no such load, or they were made for another release plan than the one at hand.
    """
    plan = asked.plan("load")
    mark = asked.plan("release")["provenance"]["mark"] if "release" in asked.plans else None
    trips = loads_of(asked, mark)
    number = load_number(asked, trips)
    strips = trip_strips(trips)
    shown = [strips[number - 1]] if number else strips
    chosen = [trips[number - 1]] if number else trips
    made = plan["provenance"]
    days = sorted({t["date"] for t in chosen})
    notes = tuple(("Assumed", n) for n in plan["notes"])
    sheet = Sheet(
        "Truck loading sheet",
        " · ".join(
            x
            for x in (programme.settings["programme_name"], " to ".join(dict.fromkeys((days[0], days[-1]))))
            if x
        ),
        "",
        0,
        (
            ("Loads", f"{len(chosen)} of {len(trips)}; version {made['version']}, mark {made['mark']}"),
            ("For release plan", f"version {plan['release_version']}, mark {plan['release_mark']}"),
            ("Fish, mass", f"{sum(t['fish'] for t in chosen)}, {sum(t['kg'] for t in chosen):.1f} kg"),
            ("Trucks", ", ".join(sorted({t["truck"] for t in chosen}))),
        ),
        trip_blocks(shown),
        cautions_for(CAUTIONED),
        notes,
    )
    return Printed(sheet)


def loads_of(asked: Asked, release_mark: str | None) -> list[dict[str, Any]]:
    """Return the trips of the loads at hand.

    Raises
    ------
    UsageError
        If there are none, or they were made for another release plan.
    """
    plan = asked.plan("load")
    if release_mark is not None and plan["release_mark"] != release_mark:
        raise UsageError(
            f"loads: found loads for the release plan of mark {plan['release_mark']}. Expected loads for the plan at hand, "
            f"mark {release_mark}. Make the loads again with 'kinshoal load'."
        )
    trips: list[dict[str, Any]] = plan["trips"]
    if not trips or any("date" not in t for t in trips):
        raise UsageError(
            "loads: found a file without trips, or one made before it held days and masses. Expected trips. Make the loads "
            "again with 'kinshoal load'."
        )
    return trips


def load_number(asked: Asked, trips: list[dict[str, Any]]) -> int:
    """Return the number of the load asked for, 0 for all.

    Raises
    ------
    UsageError
        If there is no such load.
    """
    return asked.whole("load", 0, 1, len(trips))


def loaded_fish(asked: Asked) -> pd.DataFrame:
    """Return the table of single fish beside the file of loads: ``day, truck, trip, stop, site, stock_id, tag``, as text.

    Raises
    ------
    UsageError
        If it is not there.
    """
    asked.plan("load")  # says so when there is none
    path = asked.plans["load"] / FISH_FILE
    if not path.exists():
        raise UsageError(
            f"{path}: found no table of the fish. Expected one beside the loads. Make the loads again."
        )
    return pd.read_csv(path, dtype=str, keep_default_na=False)
