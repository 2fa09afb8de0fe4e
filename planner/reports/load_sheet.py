"""The truck loading sheet: one strip for each trip, the fish in the order they are loaded, and the log of the way."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from planner.provenance import Provenance
from planner.reports.cautions import cautions_for
from planner.reports.provenance_lines import provenance_lines
from planner.reports.sheet import Block, CheckBlock, ColumnSpec, Sheet, TableBlock

CAUTIONED = ("names", "transport", "water_order", "release", "heat", "privacy", "decision")
HOURS_ON_THE_WAY = 3
KM_PER_HOUR = 60.0
"""Speed behind the number of lines of the log; one more than it takes. Common practice, no source."""
MOST_HOURS = 8
MANY_LOADS = 12


@dataclass(frozen=True)
class TripStrip:
    """One trip as it is printed.

    Parameters
    ----------
    title : str
        Number of the load, day, truck and trip.
    facts : sequence of (str, str)
        Stops in order, fish, mass, density, distance.
    loads : sequence of (water, family, size class, unit, fish, kg)
        In the order of loading: what leaves last goes in first.
    stops : sequence of str
        Waters in the order of the way.
    hours : int
        Lines of the log between loading and the first water.
    """

    title: str
    facts: Sequence[tuple[str, str]]
    loads: Sequence[tuple[str, str, str, str, str, str]]
    stops: Sequence[str] = ()
    hours: int = HOURS_ON_THE_WAY


def trip_strips(trips: Sequence[Mapping[str, Any]]) -> list[TripStrip]:
    """Return the strips of the trips of a file of loads.

    Parameters
    ----------
    trips : sequence of mapping
        ``trips`` of ``load_plan.json``.

    Raises
    ------
    KeyError
        If the file was made before it held date, volume and mass of each load.
    """
    out = []
    for k, trip in enumerate(trips, 1):
        on = dt.date.fromisoformat(trip["date"])
        stops = " → ".join(
            f"{s['site']} ({sum(x['number'] for x in s['loads'])} fish, water rank {s['water_risk']})"
            for s in trip["stops"]
        )
        loads = [
            (s["site"], x["family"], x["size_class"], x["unit"] or "–", str(x["number"]), f"{x['kg']:.1f}")
            for s in reversed(trip["stops"])
            for x in sorted(s["loads"], key=lambda x: (x["unit"], x["family"], x["size_class"]))
        ]
        out.append(
            TripStrip(
                f"Load {k}: {on:%d %b %Y}, {trip['truck']}, trip {trip['trip']}",
                (
                    ("Stops", stops),
                    ("Fish, mass", f"{trip['fish']}, {trip['kg']:.1f} kg of {trip['most_kg']:.1f} kg"),
                    (
                        "Density",
                        f"{1000 * trip['kg'] / trip['volume_l']:.0f} g/L in {trip['volume_l']:.0f} L",
                    ),
                    ("Distance and back", f"{trip['km']:.0f} km"),
                ),
                loads,
                tuple(s["site"] for s in trip["stops"]),
                min(MOST_HOURS, int(trip["km"] / 2 / KM_PER_HOUR) + 2),
            )
        )
    return out


def load_sheet(
    programme: str,
    day: str,
    trips: Sequence[TripStrip],
    facts: Sequence[tuple[str, str]],
    provenance: Provenance,
) -> Sheet:
    """Lay out the truck loading sheet.

    Parameters
    ----------
    programme, day : str
        Heading.
    trips : sequence of TripStrip
        Trips by day, truck and number.
    facts : sequence of (str, str)
        Figures of the plan.
    provenance : Provenance
        What the plan was made from.

    Returns
    -------
    Sheet
        Ready for `planner.reports.html` or `planner.reports.pdf`.
    """
    return Sheet(
        "Truck loading sheet",
        " · ".join(x for x in (programme, day) if x),
        provenance.mark,
        provenance.version,
        tuple(facts),
        trip_blocks(trips),
        cautions_for(CAUTIONED),
        provenance_lines(provenance),
    )


def trip_blocks(trips: Sequence[TripStrip]) -> tuple[Block, ...]:
    """Return the blocks of each trip: what is loaded, checks before leaving, log of the way."""
    blocks: list[Block] = []
    for trip in trips:
        total = sum(int(x[4]) for x in trip.loads)
        blocks.append(
            TableBlock(
                trip.title,
                (
                    ColumnSpec("Load", 0.45, "right"),
                    ColumnSpec("For water", 1.5),
                    ColumnSpec("Family", 0.9),
                    ColumnSpec("Size class", 1.3),
                    ColumnSpec("From unit", 0.8),
                    ColumnSpec("Fish", 0.5, "right"),
                    ColumnSpec("kg", 0.5, "right"),
                    ColumnSpec("Loaded", 0.9, blank=True),
                ),
                tuple((str(k), *load, "") for k, load in enumerate(trip.loads, 1)),
                facts=tuple(trip.facts),
                note="Loaded in this order: the fish for the last water go in first. kg are from the mean mass of the line.",
                small=len(trip.loads) > MANY_LOADS,
            )
        )
        blocks.append(
            CheckBlock(
                "",
                (
                    f"Loaded ________ of {total} fish; not found or held back ________ , written on the line",
                    "Clean-truck check done; permit and health certificate in the cab; tag list on board; phones ____________",
                    "Fish without food for ______ hours; salt in the water: no / yes ; treatment against mussels: no / yes",
                    "Driver ____________   second person ____________   time out ______",
                ),
            )
        )
        blocks.append(_log(trip))
    return tuple(blocks)


def _log(trip: TripStrip) -> TableBlock:
    places = [
        "At loading",
        *(f"Hour {k}" for k in range(1, trip.hours + 1)),
        *(f"At {s}" for s in trip.stops),
    ]
    return TableBlock(
        "On the way",
        (
            ColumnSpec("", 1.8),
            ColumnSpec("Time", 0.8, blank=True),
            ColumnSpec("Oxygen mg/L", 0.9, blank=True),
            ColumnSpec("°C in the tank", 0.9, blank=True),
            ColumnSpec("°C of the water", 0.9, blank=True),
            ColumnSpec("Dead, scanned", 0.9, blank=True),
            ColumnSpec("By", 0.7, blank=True),
        ),
        tuple((p, *[""] * 6) for p in places),
        keep_together=True,
    )
