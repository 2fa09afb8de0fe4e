"""Captures, releases and detections in the terms of Darwin Core, and sites as GeoJSON; places blurred on request.

Terms: Darwin Core quick reference guide (Biodiversity Information Standards, TDWG); GeoJSON: RFC 7946.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from planner.tasks.rows import rows

EVENT = (
    "eventID",
    "eventType",
    "eventDate",
    "locationID",
    "locality",
    "decimalLatitude",
    "decimalLongitude",
    "geodeticDatum",
    "coordinateUncertaintyInMeters",
    "dataGeneralizations",
    "samplingProtocol",
    "samplingEffort",
)
OCCURRENCE = (
    "occurrenceID",
    "eventID",
    "basisOfRecord",
    "occurrenceStatus",
    "scientificName",
    "organismID",
    "individualCount",
    "sex",
    "lifeStage",
    "degreeOfEstablishment",
    "recordedBy",
    "materialSampleID",
    "occurrenceRemarks",
)
MEASUREMENT = (
    "measurementID",
    "occurrenceID",
    "measurementType",
    "measurementValue",
    "measurementUnit",
    "measurementMethod",
)
KM_PER_DEGREE = 111.32
"""Length of one degree of latitude, and of longitude at the equator, on the WGS 84 sphere of 6 378.137 km."""
LENGTHS = {"TL": "total length", "FL": "fork length", "SL": "standard length", "": "length"}


def blurred(latitude: float, longitude: float, grid_km: float) -> tuple[float, float, float]:
    """Move a point to the middle of its cell of a grid.

    Parameters
    ----------
    latitude, longitude : float
        Degrees.
    grid_km : float
        Width of a cell.

    Returns
    -------
    tuple of float
        Latitude and longitude of the middle of the cell, degrees, and the greatest distance of a point of the cell
        from it, metres. All points of a cell give the same answer.
    """
    step = grid_km / KM_PER_DEGREE
    row = math.floor((latitude + 90.0) / step)
    middle = min((row + 0.5) * step - 90.0, 90.0)
    wide = step / max(math.cos(math.radians(middle)), 0.01)
    column = math.floor((longitude + 180.0) / wide)
    across = min((column + 0.5) * wide - 180.0, 180.0)
    near = min(abs(row * step - 90.0), abs((row + 1) * step - 90.0))
    half_wide = 0.5 * wide * KM_PER_DEGREE * math.cos(math.radians(near))
    reach = math.hypot(0.5 * grid_km, half_wide) * 1000.0
    return round(middle, 5), round(across, 5), float(math.ceil(reach))


def site_places(sites: pd.DataFrame, grid_km: float | None) -> dict[str, dict[str, Any]]:
    """Return the location terms of each site; without coordinates only its name."""
    out = {}
    for row in rows(sites):
        place: dict[str, Any] = {"locationID": row.site_id, "locality": row.name}
        if not (pd.isna(row.latitude) or pd.isna(row.longitude)):
            latitude, longitude = float(row.latitude), float(row.longitude)
            if grid_km is not None:
                latitude, longitude, reach = blurred(latitude, longitude, grid_km)
                place["coordinateUncertaintyInMeters"] = f"{reach:.0f}"
                place["dataGeneralizations"] = f"coordinates moved to the middle of a grid of {grid_km:g} km"
            place |= {
                "decimalLatitude": _number(latitude),
                "decimalLongitude": _number(longitude),
                "geodeticDatum": "WGS84",
            }
        if grid_km is not None:
            place["locality"] = ""
        out[str(row.site_id)] = place
    return out


def sites_geojson(sites: pd.DataFrame, grid_km: float | None, without_names: bool) -> str:
    """Return the sites as a GeoJSON collection of points, longitude before latitude; a site without has no geometry.

    Parameters
    ----------
    sites : DataFrame
        The table of sites.
    grid_km : float, optional
        Width of the grid that places are blurred to; the names of waters are left out then.
    without_names : bool
        Leave out partners and free text.
    """
    places = site_places(sites, grid_km)
    features = []
    for row in sites.to_dict("records"):
        place = places[str(row["site_id"])]
        point = None
        if "decimalLatitude" in place:
            at = [float(place["decimalLongitude"]), float(place["decimalLatitude"])]
            point = {"type": "Point", "coordinates": at}
        kept = ["site_id", "kind", "predators", "connection"] + (
            [] if grid_km is not None else ["name", "purpose"]
        )
        kept += [] if without_names else ["partner", "note"]
        properties = {k: row[k] for k in kept if row[k] not in ("", None) and row[k] == row[k]}
        for term in ("coordinateUncertaintyInMeters", "dataGeneralizations"):
            if term in place:
                properties[term] = place[term]
        features.append(
            {"type": "Feature", "id": row["site_id"], "geometry": point, "properties": properties}
        )
    return (
        json.dumps({"type": "FeatureCollection", "features": features}, indent=1, ensure_ascii=False) + "\n"
    )


def darwin_core(
    tables: Mapping[str, pd.DataFrame],
    days: pd.DataFrame,
    species: str,
    grid_km: float | None,
    recorded_by: Mapping[tuple[str, int], str],
    without_names: bool,
) -> dict[str, pd.DataFrame]:
    """Return events, occurrences and measurements.

    Parameters
    ----------
    tables : mapping of str to DataFrame
        Records; the index holds the number of the record.
    days : DataFrame
        The table ``detection_days``.
    species : str
        Scientific name of the programme's species.
    grid_km : float, optional
        Width of the grid that places are blurred to.
    recorded_by : mapping of (str, int) to str
        Who entered a record, by table and number.
    without_names : bool
        Leave out who entered a record, and free text.

    Returns
    -------
    dict of str to DataFrame
        ``event``, ``occurrence`` and ``measurementorfact``, text in every cell.
    """
    places = site_places(tables["sites"], grid_km)
    fish_of = _fish_of_tags(tables)
    events: dict[str, dict[str, Any]] = {}
    occurrences: list[dict[str, Any]] = []
    measures: list[dict[str, Any]] = []

    def event(name: str, kind: str, on: pd.Timestamp, site: str, **more: Any) -> str:
        events.setdefault(
            name,
            {
                "eventID": name,
                "eventType": kind,
                "eventDate": on.date().isoformat(),
                **places.get(site, {}),
                **more,
            },
        )
        return name

    def measure(occurrence: str, kind: str, value: Any, unit: str) -> None:
        if not pd.isna(value):
            measures.append(
                {
                    "measurementID": f"{occurrence}:{kind.replace(' ', '-')}",
                    "occurrenceID": occurrence,
                    "measurementType": kind,
                    "measurementValue": _number(float(value)),
                    "measurementUnit": unit,
                }
            )

    def occurrence(name: str, at: str, basis: str, tag: str, table: str, record: int, **more: Any) -> None:
        occurrences.append(
            {
                "occurrenceID": name,
                "eventID": at,
                "basisOfRecord": basis,
                "occurrenceStatus": "present",
                "scientificName": species,
                "organismID": fish_of.get(tag, f"tag:{tag}" if tag else ""),
                "individualCount": "1",
                "recordedBy": "" if without_names else recorded_by.get((table, record), ""),
                **more,
            }
        )

    for row in rows(tables["captures"]):
        name = f"capture:{row.capture_id}"
        effort = "" if pd.isna(row.effort_h) else f"{row.effort_h:g} net hours"
        at = event(
            f"capture:{row.captured_on.date()}:{row.site_id}:{row.method}",
            "Survey",
            row.captured_on,
            row.site_id,
            samplingProtocol=row.method,
            samplingEffort=effort,
        )
        occurrence(
            name,
            at,
            "HumanObservation",
            row.tag or row.new_tag,
            "captures",
            int(row.Index),
            sex=_sex(row.sex),
            materialSampleID=row.sample_id,
            occurrenceRemarks="" if without_names else row.note,
        )
        measure(name, LENGTHS[row.length_type], row.length_mm, "mm")
        measure(name, "weight", row.weight_g, "g")
    for row in rows(tables["releases"]):
        name = f"release:{row.event}:{row.tag}"
        at = event(
            f"release:{row.event}:{row.site_id}",
            "Release",
            row.released_on,
            row.site_id,
            samplingProtocol="release",
        )
        more = {"sex": _sex(row.sex), "degreeOfEstablishment": "released"}
        occurrence(name, at, "HumanObservation", row.tag, "releases", int(row.Index), **more)
        measure(name, "total length", row.total_length_mm, "mm")
        measure(name, "weight", row.weight_g, "g")
    site_of = dict(zip(tables["deployments"]["deployment_id"], tables["deployments"]["site_id"], strict=True))
    for row in rows(days):
        at = event(
            f"detection:{row.deployment_id}:{row.day.date()}",
            "Detection",
            row.day,
            str(site_of.get(row.deployment_id, "")),
            samplingProtocol="remote PIT reader",
        )
        name = f"detection:{row.deployment_id}:{row.day.date()}:{row.tag}"
        occurrence(name, at, "MachineObservation", row.tag, "detection_days", int(row.Index))
        measure(name, "contacts", row.contacts, "1")
    return {
        "event": _frame(list(events.values()), EVENT),
        "occurrence": _frame(occurrences, OCCURRENCE),
        "measurementorfact": _frame(measures, MEASUREMENT),
    }


def _fish_of_tags(tables: Mapping[str, pd.DataFrame]) -> dict[str, str]:
    """Return the fish each tag is or was in, by our own name."""
    marks, fish = tables["identifiers"], tables["fish"]
    out = dict(zip(marks["code"], marks["fish_id"], strict=True))
    out |= dict(zip(fish["tag"], fish["fish_id"], strict=True))
    out.pop("", None)
    return {str(k): str(v) for k, v in out.items()}


def _sex(word: str) -> str:
    return "" if word == "unknown" else word


def _number(value: float) -> str:
    return str(int(value)) if value.is_integer() else repr(value)


def _frame(made: list[dict[str, Any]], head: tuple[str, ...]) -> pd.DataFrame:
    frame = pd.DataFrame(
        {c: np.array([r.get(c, "") or "" for r in made] + [""], dtype=object)[:-1] for c in head}
    )
    return frame[list(head)]
