"""Released fish and the days on which each was met: captures and scans joined by tag, ghosts and impossible days out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from broodstock.arrays import BigIntArray, FloatArray
from planner.tasks.programme import Programme
from planner.tasks.release_data import season_of


@dataclass(frozen=True)
class Encounters:
    """Released fish and their encounters.

    Parameters
    ----------
    fish : DataFrame
        One row per released tag: ``tag``, ``site_id``, ``family``, ``year_class``, ``event``, ``season``, ``released``
        (days since 1970), ``length_mm`` (NaN when not measured).
    who : ndarray, int64, shape (n,)
        Row of `fish` of each encounter, one per tag, day and site.
    day : ndarray, int64, shape (n,)
        Day of each.
    site : ndarray, object, shape (n,)
        Water of each.
    by_scan : ndarray, bool, shape (n,)
        Met by a remote reader.
    looked : dict of str to ndarray of int64
        Days on which nets or readers were out, by kind of water.
    last_day : int
        Last day of observation.
    notes : tuple of str
        What was left out, in words.
    """

    fish: pd.DataFrame
    who: BigIntArray
    day: BigIntArray
    site: np.ndarray
    by_scan: np.ndarray
    looked: Mapping[str, BigIntArray]
    last_day: int
    notes: tuple[str, ...]

    @property
    def length_mm(self) -> FloatArray:
        """Length at release, mm."""
        return self.fish["length_mm"].to_numpy(dtype=np.float64)


def day_numbers(column: pd.Series) -> BigIntArray:
    """Return dates or times as days since 1970."""
    return column.to_numpy().astype("datetime64[D]").astype(np.int64)


def encounters_of(programme: Programme, ghosts: Mapping[str, int] | None = None) -> Encounters:
    """Join releases, captures and scans by tag.

    Parameters
    ----------
    programme : Programme
        Open records, with scans when they are to count.
    ghosts : mapping of str to int, optional
        Tags suspected to lie in the water without a living fish, and the day from which on their contacts do not
        count.

    Returns
    -------
    Encounters
        A tag released twice counts from its first release; contacts on the day of release are left out.
    """
    tables, notes = programme.tables, []
    releases = tables["releases"]
    first = releases[releases["tag"] != ""].sort_values("released_on", kind="stable").drop_duplicates("tag")
    first = first.sort_index()
    if len(first) < len(releases):
        notes.append(
            f"{len(releases) - len(first)} releases of a tag released before: the first release counts."
        )
    fish = pd.DataFrame(
        {
            "tag": first["tag"].to_numpy(),
            "site_id": first["site_id"].to_numpy(),
            "family": first["family"].to_numpy(),
            "year_class": first["year_class"].to_numpy(),
            "event": first["event"].to_numpy(),
            "season": [season_of(d) for d in first["released_on"]],
            "released": day_numbers(first["released_on"]),
            "length_mm": first["total_length_mm"].to_numpy(dtype=np.float64),
        }
    )
    met = _contacts(programme)
    place = pd.Series(np.arange(len(fish)), index=fish["tag"])
    known = met["tag"].isin(place.index).to_numpy()
    met = met[known]
    who = place.reindex(met["tag"]).to_numpy().astype(np.int64)
    day = met["day"].to_numpy(dtype=np.int64)
    released = fish["released"].to_numpy()[who] if len(fish) else np.zeros(0, dtype=np.int64)
    early = day < released
    if early.any():
        tags = sorted(set(met["tag"].to_numpy()[early]))
        shown = ", ".join(tags[:5]) + (" and others" if len(tags) > 5 else "")
        notes.append(
            f"{int(early.sum())} encounters lie before the release of their fish and were left out ({shown}). Check the "
            "dates and tags."
        )
    last_day = int(np.datetime64(programme.today, "D").astype(np.int64))
    keep = ~early & (day > released) & (day <= last_day)
    if ghosts:
        limit = np.array([ghosts.get(t, 2**40) for t in met["tag"]], dtype=np.int64)
        ghostly = keep & (day >= limit)
        keep &= day < limit
        n = len(set(met["tag"].to_numpy()[ghostly]))
        if n:
            notes.append(
                f"{int(ghostly.sum())} days of {n} tags that may lie in the water without a fish were left out."
            )
    return Encounters(
        fish,
        who[keep],
        day[keep],
        met["site_id"].to_numpy()[keep],
        met["by_scan"].to_numpy()[keep],
        _looked(programme),
        last_day,
        tuple(notes),
    )


def _contacts(programme: Programme) -> pd.DataFrame:
    """Return captures and scans, one row per tag, site and day; marker tags left out."""
    captures, scans = programme.tables["captures"], programme.tables["scans"]
    deployments = programme.tables["deployments"].set_index("deployment_id")
    netted = pd.DataFrame(
        {
            "tag": captures["tag"].to_numpy(),
            "site_id": captures["site_id"].to_numpy(),
            "day": day_numbers(captures["captured_on"]),
            "by_scan": False,
        }
    )
    read = pd.DataFrame({"tag": scans["tag"].to_numpy(), "at": scans["deployment_id"].to_numpy()})
    read["day"] = day_numbers(scans["scanned_at"])
    read = read.drop_duplicates()
    read["site_id"] = read["at"].map(deployments["site_id"]) if len(read) else ""
    read["by_scan"] = True
    parts = [p[["tag", "site_id", "day", "by_scan"]] for p in (netted, read) if len(p)]
    if not parts:
        return netted
    both = pd.concat(parts, ignore_index=True)
    return (
        both[both["tag"] != ""].drop_duplicates(["tag", "site_id", "day", "by_scan"]).reset_index(drop=True)
    )


def _looked(programme: Programme) -> dict[str, BigIntArray]:
    """Return the days of netting, and of readers every thirtieth day, by kind of water."""
    kinds = programme.tables["sites"].set_index("site_id")["kind"]
    captures, deployments = programme.tables["captures"], programme.tables["deployments"]
    out: dict[str, list[int]] = {str(k): [] for k in sorted(set(kinds))}
    for site, day in zip(captures["site_id"], day_numbers(captures["captured_on"]), strict=True):
        if site in kinds.index:
            out[str(kinds[site])].append(int(day))
    spans = zip(
        deployments["site_id"],
        day_numbers(deployments["from_time"]),
        day_numbers(deployments["to_time"]),
        deployments["scan_hours"],
        strict=True,
    )
    for site, start, end, hours in spans:
        if site in kinds.index and hours != 0:
            out[str(kinds[site])] += list(range(int(start), int(end) + 1, 30))
    return {k: np.unique(np.array(v, dtype=np.int64)) for k, v in out.items()}
