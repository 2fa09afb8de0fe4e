"""From the last release plan and the records to fish, trucks, days and distances for loading."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from broodstock.errors import UsageError
from planner.optimise.release.pair_rules import allowed, reasons
from planner.optimise.release.transport_data import TransportData
from planner.tasks.load_distances import distances
from planner.tasks.plan_file import read_plan_file
from planner.tasks.programme import Programme
from planner.tasks.release_data import release_inputs
from planner.tasks.rows import rows


@dataclass(frozen=True)
class LoadInputs:
    """What loads are made from.

    Parameters
    ----------
    data : TransportData
        Arrays for the optimiser.
    fish : DataFrame
        One row per fish of the release: ``stock_id, tag, family, size_class, unit, site, line`` (position in
        ``data.line``), ``kg``.
    lines : DataFrame
        One row per line: ``site, family, size_class, unit``.
    release_version : int
        Version of the release plan.
    release_mark : str
        Its mark.
    notes : tuple of str
        What was assumed, in words.
    """

    data: TransportData
    fish: pd.DataFrame
    lines: pd.DataFrame
    release_version: int
    release_mark: str
    notes: tuple[str, ...]


def load_inputs(
    programme: Programme, release_folder: Path, day: dt.date, failed: tuple[str, ...] = ()
) -> LoadInputs:
    """Read the last release plan and put its fish, the trucks and the distances together.

    Parameters
    ----------
    programme : Programme
        Open records.
    release_folder : Path
        Folder with ``release_plan.json``.
    day : date
        First day of the release.
    failed : tuple of str
        Trucks that do not drive.

    Returns
    -------
    LoadInputs
        Ready for `planner.optimise.release.transport`.

    Raises
    ------
    UsageError
        If there is no plan file, it does not list its fish, a fish of it may not go any more, or a truck named does
        not exist.
    ValueRangeError
        If the numbers of the records make no sense together.
    """
    path = release_folder / "release_plan.json"
    if not path.exists():
        raise UsageError(
            f"{path}: found no release plan. Expected one. Make it with 'kinshoal release FOLDER --out {release_folder}'."
        )
    values = read_plan_file(path)
    sent: Any = values.get("fish")
    if not isinstance(sent, dict):
        raise UsageError(
            f"{path}: found a plan that does not list its fish. Expected one that does. Plan again."
        )
    site_of = {one: site for site, names in sent.items() for one in names}
    fish = _fish_to_carry(programme, day, tuple(values.get("closed", ())), site_of, path)
    keys = ["site", "family", "size_class", "unit"]
    grouped = fish.groupby(keys, sort=True)
    fish["line"] = grouped.ngroup()
    lines = grouped.agg(
        number=("stock_id", "size"), kg=("kg", "mean"), risk=("water_risk", "max")
    ).reset_index()
    table = programme.tables["sites"].set_index("name")
    names = tuple(name for name in table.index if name in set(fish["site"]))
    ids = [str(table.loc[name, "site_id"]) for name in names]
    notes: list[str] = []
    trucks = _trucks(programme, failed)
    settings = programme.settings
    data = TransportData(
        site=names,
        site_risk=table.loc[list(names), "water_risk"].fillna(9).to_numpy(dtype=np.int64),
        distance_km=distances(programme, ids, notes),
        line=tuple(
            f"{r.family}, {r.size_class}, unit {r.unit or 'unknown'}, for {r.site}" for r in rows(lines)
        ),
        line_site=np.array([names.index(s) for s in lines["site"]], dtype=np.int64),
        fish=lines["number"].to_numpy(dtype=np.int64),
        kg_each=lines["kg"].to_numpy(dtype=np.float64),
        line_risk=lines["risk"].to_numpy(dtype=np.int64),
        truck=tuple(trucks["truck"]),
        volume_l=trucks["volume_l"].to_numpy(dtype=np.float64),
        kg_per_l=trucks["kg_per_l"].to_numpy(dtype=np.float64),
        trips_per_day=trucks["trips_per_day"].to_numpy(dtype=np.int64),
        stops=trucks["stops"].to_numpy(dtype=np.int64),
        crews=(int(settings["crews_per_day"]),) * int(settings["release_days"]),
    )
    version, mark = int(values["provenance"]["version"]), str(values["provenance"]["mark"])
    return LoadInputs(data, fish, lines[keys], version, mark, tuple(notes))


def _fish_to_carry(
    programme: Programme, day: dt.date, closed: tuple[str, ...], site_of: dict[str, str], path: Path
) -> pd.DataFrame:
    """Return the fish of the plan with mass and source; stop when one of them may not go any more."""
    inputs = release_inputs(programme, day, closed)
    fish = inputs.fish
    gone = sorted(set(site_of) - set(fish["stock_id"]))
    if gone:
        raise UsageError(
            f"{path}: found {len(gone)} fish that are no longer in stock.csv, the first {gone[0]!r}. Expected all of "
            "them. Make a new version of the release plan first."
        )
    out = fish[fish["stock_id"].isin(list(site_of))].copy()
    out["site"] = out["stock_id"].map(site_of)
    column = {name: k for k, name in enumerate(inputs.data.sites.name)}
    unknown = sorted(set(out["site"]) - set(column))
    if unknown:
        raise UsageError(
            f"{path}: found the site {unknown[0]!r}. Expected a site of sites.csv. Make a new version of the release "
            "plan first."
        )
    free = allowed(inputs.data)
    for one, site, group in zip(out["stock_id"], out["site"], out["group"], strict=True):
        if not free[group, column[site]]:
            why = "; ".join(reasons(inputs.data, int(group), column[site]))
            raise UsageError(
                f"{path}: found fish {one!r} for {site}, which may not go now: {why}. Expected only fish that may go. "
                "Make a new version of the release plan first."
            )
    out["size_class"] = np.array(inputs.data.groups.size_class, dtype=object)[out["group"]]
    out["kg"] = out["weight_g"] / 1000.0
    columns = ["stock_id", "tag", "family", "size_class", "unit", "site", "kg", "water_risk"]
    return out[columns].reset_index(drop=True)


def _trucks(programme: Programme, failed: tuple[str, ...]) -> pd.DataFrame:
    """Return the trucks that drive, from the table or the settings."""
    table = programme.tables["trucks"]
    settings = programme.settings
    if table.empty:
        number = int(settings["trucks"])
        table = pd.DataFrame(
            {
                "truck": [f"truck {k}" for k in range(1, number + 1)],
                "volume_l": [float(settings["truck_volume_l"])] * number,
                "kg_per_l": [float(settings["truck_kg_per_l"])] * number,
                "trips_per_day": [int(settings["truck_trips_per_day"])] * number,
                "stops": [int(settings["truck_stops"])] * number,
                "in_service": [True] * number,
            }
        )
    for name in failed:
        if name not in set(table["truck"]):
            raise UsageError(
                f"truck that failed: found {name!r}. Expected one of {', '.join(table['truck']) or 'none'}."
            )
    drives = table["in_service"].astype("boolean").fillna(True).to_numpy(dtype=bool)
    return table[drives & ~table["truck"].isin(failed).to_numpy()]
