"""The invented waters: twelve sites, their states, and the programme's survival curves for them."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from planner.demo.days import day
from planner.demo.scale import Scale

# site_id, name, kind, river_km, ha, depth, capacity, kg, predators, surveyed_on, connection, berm, renovated_on,
# water_risk, min_length, min_group, wanted, max_receive, open, weight, purpose, note
_SITES: tuple[tuple[Any, ...], ...] = (
    ("UN", "Lake: Upper Narrows", "reservoir-zone", 88, 410, 18, None, None, "present", "2024-09-03", "open", None, None,
     4, 300, 50, 450, 600, True, 1.0, "permanent population", "Strong flow; remote readers see few fish."),
    ("GW", "Lake: Glasswater", "reservoir-zone", 61, 980, 31, None, None, "present", "2024-09-03", "open", None, None,
     4, 300, 50, 1150, 1400, True, 1.0, "permanent population", "Best winter survival so far."),
    ("BB", "Lake: Broad Basin", "reservoir-zone", 34, 2350, 44, None, None, "present", "2024-09-04", "open", None, None,
     4, 300, 50, 1150, 1400, True, 1.0, "permanent population", "Most readers and most contacts."),
    ("DP", "Lake: Dam Pool", "reservoir-zone", 6, 640, 60, None, None, "present", "2024-09-04", "open", None, None,
     4, 300, 50, 450, 600, True, 1.0, "permanent population", "Tags of dead fish gather before the dam."),
    ("QL", "Quern Lagoon", "isolated-backwater", 57, 1.9, 4.2, 190, 160, "unknown", "2024-09-18", "none", 0.4,
     "2019-09-10", 2, 300, 20, None, 106, True, 2.0, "breeding refuge",
     "A bass was seen in September; berm only 0.4 m above the highest forecast level."),
    ("NP", "Nine Posts", "isolated-backwater", 49, 0.8, 3.1, 80, 70, "none", "2024-09-19", "none", 0.9,
     "2023-11-23", 2, 250, 30, None, 80, True, 2.0, "breeding refuge", "Renovated and empty: a new founder group is needed."),
    ("SV", "Saltvetch", "isolated-backwater", 41, 1.2, 3.6, 110, 95, "none", "2024-09-19", "none", 1.4,
     "2021-09-14", 2, 250, 10, None, 47, True, 2.0, "breeding refuge", "All residents come from three families."),
    ("LT", "Long Tarsen", "isolated-backwater", 29, 2.6, 5.0, 260, 230, "none", "2023-09-12", "none", 1.1,
     "2017-09-12", 2, 250, 20, None, 119, True, 2.0, "breeding refuge", "Two basins; the last survey is older than a year."),
    ("HR", "Hollowreed", "isolated-backwater", 22, 0.4, 2.2, 35, 30, "none", "2024-09-20", "none", 1.8,
     "2022-09-06", 2, 250, 5, None, 15, True, 1.0, "overflow", "Oxygen fails at dawn each August."),
    ("VC", "Veddick Cut", "connected-backwater", 18, 1.5, 4.0, 130, 110, "present", "2024-09-20", "screened", 0.7,
     "2020-09-15", 1, 300, 10, None, 59, True, 1.0, "breeding refuge", "Carp; the screen leaked in 2022."),
    ("PP", "Pellamoor ponds", "refuge", None, 0.9, 2.5, 300, 260, "none", "2024-09-25", "none", None,
     "2024-09-25", 0, 200, 10, None, 88, True, 2.0, "refuge", "Backup copies; five families have none here."),
    ("GP", "Dunmarrow G-pond", "grow-out", None, 0.6, 2.0, 4000, 900, "none", "2024-10-01", "none", None,
     "2024-03-10", 1, 40, 0, None, 0, False, 0.0, "grow-out", "Too hot for handling in July."),
)  # fmt: skip
_COLUMNS = (
    "site_id", "name", "kind", "river_km", "area_ha", "max_depth_m", "capacity_fish", "capacity_kg", "predators",
    "surveyed_on", "connection", "berm_m", "renovated_on", "water_risk", "min_length_mm", "min_group", "wanted",
    "max_receive", "open_for_release", "weight", "purpose", "note",
)  # fmt: skip
_ORIGIN_LON, _ORIGIN_LAT = -38.5, 27.5
RENOVATED = {row[0]: day(row[12]) for row in _SITES if row[12] and row[0] not in ("PP", "GP")}
"""Day on which the fish of a backwater were moved to the lake and the water was renovated."""
SITE_CODES = tuple(row[0] for row in _SITES)
PONDS = ("QL", "NP", "SV", "LT", "HR", "VC", "PP")


def sites_table(scale: Scale) -> pd.DataFrame:
    """Return the table of sites; the tiny set has five of them and smaller numbers."""
    rows = [dict(zip(_COLUMNS, row, strict=True)) for row in _SITES if row[0] in scale.sites]
    if scale.name == "tiny":
        tiny = {"GW": (30, 60), "BB": (40, 60), "QL": (None, 20), "NP": (None, 20), "SV": (None, 12)}
        for row in rows:
            row["wanted"], row["max_receive"] = tiny[row["site_id"]]
            row["min_group"] = min(row["min_group"], 6)
    frame = pd.DataFrame(rows, columns=list(_COLUMNS))
    for name in ("capacity_fish", "water_risk", "min_group", "wanted", "max_receive"):
        frame[name] = frame[name].astype("Int64")
    for name in ("river_km", "area_ha", "max_depth_m", "capacity_kg", "berm_m", "min_length_mm", "weight"):
        frame[name] = frame[name].astype(float)
    for name in ("surveyed_on", "renovated_on"):
        frame[name] = pd.to_datetime(frame[name])
    # An impossible place: a line of dots in the open mid-Atlantic, where nobody stocks chub.
    along = (frame["river_km"] / 100.0).fillna(2.0)
    frame["latitude"] = [round(_ORIGIN_LAT + 0.01 * k, 4) for k in range(len(frame))]
    frame["longitude"] = [round(_ORIGIN_LON + float(a), 4) for a in along]
    return frame


def survival_table(scale: Scale) -> pd.DataFrame:
    """Return the curves the programme plans with: near the hidden truth, not equal to it."""
    two_anchor = "line through 5 % at 252.5 mm and 75 % at 500 mm on the logit scale, invented for the demo"
    shifted = "two-anchor curve shifted for the season, invented for the demo"
    rows: list[tuple[Any, ...]] = [
        ("", "reservoir-zone", "autumn", -7.069, 0.01634, 0.25, two_anchor),
        ("", "reservoir-zone", "winter", -7.0, 0.01634, 0.25, shifted),
        ("", "reservoir-zone", "spring", -7.2, 0.01634, 0.30, shifted),
        ("", "reservoir-zone", "summer", -8.6, 0.01634, 0.60, shifted),
    ]
    if "GW" in scale.sites:
        rows.append(
            (
                "GW",
                "reservoir-zone",
                "winter",
                -6.6,
                0.01634,
                0.35,
                "site-specific shift, invented for the demo",
            )
        )
    for kind, intercept in (("isolated-backwater", -5.0), ("connected-backwater", -5.6), ("refuge", -4.1)):
        rows += [
            ("", kind, s, intercept, 0.0195, 0.35, "invented for the demo")
            for s in ("autumn", "winter", "spring")
        ]
    rows.append(("", "grow-out", "autumn", -2.0, 0.0150, 0.50, "invented for the demo"))
    names = ["site_id", "site_kind", "season", "intercept", "slope_per_mm", "intercept_se", "source"]
    frame = pd.DataFrame(rows, columns=names)
    for name in names[3:6]:
        frame[name] = frame[name].astype(float)
    return frame


def site_positions(codes: list[str]) -> np.ndarray:
    """Return the positions of sites in `SITE_CODES`."""
    where = {c: i for i, c in enumerate(SITE_CODES)}
    return np.array([where[c] for c in codes], dtype=np.int8)
