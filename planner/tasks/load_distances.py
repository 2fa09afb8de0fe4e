"""Distances between the station and the waters."""

from __future__ import annotations

import numpy as np
import pandas as pd

from broodstock.arrays import FloatArray
from planner.tasks.programme import Programme
from planner.tasks.rows import rows

STATION_NAME = "station"


def distances(programme: Programme, ids: list[str], notes: list[str]) -> FloatArray:
    """Return distances between the station and sites: from the table, else along the river, else by the setting.

    Parameters
    ----------
    programme : Programme
        Open records.
    ids : list of str
        Sites.
    notes : list of str
        Told what was assumed.

    Returns
    -------
    ndarray, float64, shape (n_sites + 1, n_sites + 1)
        km, the station first.
    """
    settings = programme.settings
    known: dict[tuple[str, str], float] = {}
    for row in rows(programme.tables["distances"]):
        known[row.from_place, row.to_place] = float(row.km)
        known.setdefault((row.to_place, row.from_place), float(row.km))
    river = programme.tables["sites"].set_index("site_id")["river_km"]
    at: list[float | None] = [float(settings["station_km"])]
    at += [None if pd.isna(river[s]) else float(river[s]) for s in ids]
    places = [STATION_NAME, *ids]
    n = len(places)
    far = [k for k in range(1, n) if at[k] is None and (STATION_NAME, places[k]) not in known]
    if far:
        notes.append(
            f"Distance from the station not known for {', '.join(places[k] for k in far)}: taken as "
            f"{float(settings['far_site_km']):g} km (setting far_site_km)."
        )
    if programme.tables["distances"].empty:
        notes.append(
            f"Distances are taken along the river, the station at km {float(settings['station_km']):g} (setting "
            "station_km)."
        )
    out = np.zeros((n, n))
    for i in range(1, n):
        here = at[i]
        by_river = (
            float(settings["far_site_km"]) if here is None else abs(here - float(settings["station_km"]))
        )
        out[0, i] = known.get((STATION_NAME, places[i]), by_river)
        out[i, 0] = known.get((places[i], STATION_NAME), by_river)
    for i in range(1, n):
        for j in range(1, n):
            a, b = at[i], at[j]
            # Between places not both on the river the way leads past the station.
            way = out[i, 0] + out[0, j] if a is None or b is None else abs(a - b)
            out[i, j] = 0.0 if i == j else known.get((places[i], places[j]), way)
    return out
