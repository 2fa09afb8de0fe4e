"""The truck loading sheet: one strip for each trip, the fish in the order they are loaded."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from planner.provenance import Provenance
from planner.reports.cautions import cautions_for
from planner.reports.provenance_lines import provenance_lines
from planner.reports.sheet import Block, CheckBlock, ColumnSpec, Sheet, TableBlock


@dataclass(frozen=True)
class TripStrip:
    """One trip as it is printed.

    Parameters
    ----------
    title : str
        Day, truck and trip.
    facts : sequence of (str, str)
        Stops in order, fish, mass, density, distance.
    loads : sequence of (water, family, size class, unit, fish, kg)
        In the order of loading: what leaves last goes in first.
    """

    title: str
    facts: Sequence[tuple[str, str]]
    loads: Sequence[tuple[str, str, str, str, str, str]]


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
    blocks: list[Block] = []
    for trip in trips:
        blocks.append(
            TableBlock(
                trip.title,
                (
                    ColumnSpec("Load", 0.5, "right"),
                    ColumnSpec("For water", 1.4),
                    ColumnSpec("Family", 1.1),
                    ColumnSpec("Size class", 1.1),
                    ColumnSpec("From unit", 0.8),
                    ColumnSpec("Fish", 0.5, "right"),
                    ColumnSpec("kg", 0.6, "right"),
                    ColumnSpec("Loaded", 0.7, blank=True),
                ),
                tuple((str(k), *load, "") for k, load in enumerate(trip.loads, 1)),
                facts=tuple(trip.facts),
                note="Loaded in this order: the fish for the last water go in first.",
                small=len(trip.loads) > 12,
            )
        )
        blocks.append(
            CheckBlock(
                "",
                (
                    "Clean-truck check done; permit and health certificate in the cab; tag list on board",
                    "Oxygen ______ and water temperature ______ at loading; again every hour ______ ______ ______",
                    "Time out ______   driver ____________   dead on arrival, scanned ______",
                ),
            )
        )
    return Sheet(
        "Truck loading sheet",
        " · ".join(x for x in (programme, day) if x),
        provenance.mark,
        provenance.version,
        tuple(facts),
        tuple(blocks),
        cautions_for(("names", "transport", "water_order", "release", "heat", "privacy", "decision")),
        provenance_lines(provenance),
    )
