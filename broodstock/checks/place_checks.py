"""Checks of where waters lie on the map."""

from __future__ import annotations

import numpy as np

from broodstock.arrays import FloatArray
from broodstock.checks.records import CheckInput, file_of
from broodstock.findings import Findings, Place

FAR_KM = 500.0
"""Distance from the middle of all sites from which one is doubted. Common practice, no source."""
_EARTH_KM = 6371.0
_SLIPS = (
    ("latitude and longitude may be exchanged", lambda a, b: (b, a)),
    ("the sign of the longitude may be lost", lambda a, b: (a, -b)),
    ("the sign of the latitude may be lost", lambda a, b: (-a, b)),
    ("both signs may be lost", lambda a, b: (-a, -b)),
)


def check_coordinates(records: CheckInput, findings: Findings) -> None:
    """Check that every site lies near the others: exchanged coordinates and lost signs lead far away."""
    sites = records.tables["sites"]
    has = (sites["latitude"].notna() & sites["longitude"].notna()).to_numpy(dtype=bool)
    if has.sum() < 3:
        return
    latitude = sites["latitude"].to_numpy(dtype=np.float64)[has]
    longitude = sites["longitude"].to_numpy(dtype=np.float64)[has]
    middle = (float(np.median(latitude)), float(np.median(longitude)))
    away = distance_km(latitude, longitude, *middle)
    rows = sites.index[has]
    names = sites["site_id"].to_numpy(dtype=object)[has]
    for i in np.flatnonzero(away > FAR_KM):
        a, b = float(latitude[i]), float(longitude[i])
        slips = [words for words, change in _SLIPS if _near(*change(a, b), middle)]
        hint = f"{slips[0][0].upper()}{slips[0][1:]}. " if slips else ""
        findings.add(
            "site-far-off",
            Place(file_of(sites, "sites"), int(rows[i]), "latitude"),
            f"'{names[i]}' at latitude {a:g}, longitude {b:g}, {away[i]:.0f} km from the middle of all sites",
            f"at most {FAR_KM:.0f} km",
            f"{hint}Look at the map and correct the coordinates.",
            "warning",
        )


def _near(latitude: float, longitude: float, middle: tuple[float, float]) -> bool:
    if not -90.0 <= latitude <= 90.0:
        return False
    there = distance_km(np.array([latitude]), np.array([longitude]), *middle)
    return bool(there[0] <= FAR_KM)


def distance_km(
    latitude: FloatArray, longitude: FloatArray, to_latitude: float, to_longitude: float
) -> FloatArray:
    """Return great-circle distances to one point.

    Parameters
    ----------
    latitude, longitude : ndarray, float64, shape (n,)
        Degrees.
    to_latitude, to_longitude : float
        Degrees.

    Returns
    -------
    ndarray, float64, shape (n,)
        Kilometres on a sphere of 6 371 km; haversine formula (Sinnott 1984, from memory).
    """
    a, b = np.radians(latitude), np.radians(to_latitude)
    across = np.radians(np.asarray(longitude) - to_longitude)
    h = np.sin((a - b) / 2.0) ** 2 + np.cos(a) * np.cos(b) * np.sin(across / 2.0) ** 2
    out: FloatArray = 2.0 * _EARTH_KM * np.arcsin(np.sqrt(np.clip(h, 0.0, 1.0)))
    return out
