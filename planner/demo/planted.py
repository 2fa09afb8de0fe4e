"""Errors planted on purpose in the records, each written down with the finding it must raise."""

from __future__ import annotations

import numpy as np
import pandas as pd

from planner.demo import planted_field as in_water
from planner.demo import planted_station as in_station
from planner.demo.planted_row import Planted
from planner.demo.records import Demo

_PLANTERS = {
    14: in_station.two_tanks,
    16: in_station.missing_sire,
    13: in_station.dead_fish_crossed,
    2: in_water.transposed_digits,
    21: in_water.standard_length,
    22: in_water.inches,
    23: in_water.kilograms,
    5: in_water.two_identities,
    10: in_station.year_class,
    11: in_station.sex_reversed,
    15: in_station.swapped_mothers,
    17: in_station.hybrid,
    18: in_station.mixed_vial,
    19: in_station.same_clip,
    20: in_station.shifted_plate,
    24: in_station.counts,
    25: in_water.dry_site,
    26: in_station.certificate,
    27: in_station.permit,
    28: in_water.clock,
    29: in_water.marker,
}
"""In the order in which they are planted: later ones keep off rows spoilt before."""


def plant(demo: Demo) -> list[Planted]:
    """Plant the softer errors in the accepted records, which stay free of hard faults.

    Parameters
    ----------
    demo : Demo
        Its tables are changed in place.

    Returns
    -------
    list of Planted
        Rows spoilt, by number.
    """
    out: list[Planted] = []
    for number, function in _PLANTERS.items():
        if number in demo.scale.planted:
            out += function(demo)
    return sorted(out, key=lambda p: p.number)


def withdrawal_days(demo: Demo) -> None:
    """Give two fish of the stock a withdrawal time that ends after the day of release."""
    stock = demo.tables["stock"]
    rows = demo.rngs["planted"].choice(len(stock), size=2, replace=False)
    stock.loc[np.sort(rows), "withdrawal_until"] = pd.Timestamp("2024-11-20")
    stock.loc[np.sort(rows), "note"] = "treated on 2024-10-16"
