"""Tags that may lie in the water without a living fish, and encounters without them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from broodstock.arrays import BigIntArray
from broodstock.estimates import Estimate
from planner.monitor.ghosts import site_histories as build_histories
from planner.monitor.ghosts import suspect_ghosts
from planner.tasks.programme import Programme
from planner.tasks.survival_models_encounters import Encounters, day_numbers, encounters_of

HEAD = ("tag", "water", "since", "last contact", "days met since", "chance to be a ghost")
LEFT_OUT_FROM = 0.99
"""Tags this likely to be ghosts at their last contact are left out of survival from then on."""
LEAST_DAYS = 30
"""And scanned in one water on at least so many days since: fish that rest near a reader are read often too."""
OCCASIONS_PER_YEAR = 4


@dataclass(frozen=True)
class GhostReport:
    """Suspected ghost tags.

    Parameters
    ----------
    rows : tuple of dict
        ``tag``, ``site_id``, ``since``, ``last``, ``days``, ``chance``; the most likely first.
    expected : Estimate
        Expected number of ghosts among the tags scanned.
    scanned : int
        Released tags scanned at least once.
    notes : tuple of str
        What it rests on, or why there is no judgement.
    """

    rows: tuple[dict[str, Any], ...]
    expected: Estimate
    scanned: int
    notes: tuple[str, ...]

    def table(self, most: int | None = None) -> tuple[list[str], list[list[str]]]:
        """Return headings and rows, the most likely first."""
        keys = ("tag", "site_id", "since", "last", "days")
        lines = [[*(str(r[k]) for k in keys), f"{r['chance']:.3f}"] for r in self.rows[:most]]
        return list(HEAD), lines

    def as_dict(self) -> dict[str, Any]:
        """Return plain values."""
        return {
            "ghosts": list(self.rows),
            "expected": self.expected.as_dict(),
            "scanned": self.scanned,
            "notes": list(self.notes),
        }

    def days(self) -> dict[str, int]:
        """Return the tags to leave out and the day from which on."""
        return {r["tag"]: int(np.datetime64(r["since"], "D").astype(np.int64)) for r in self.rows}


def ghost_report(
    programme: Programme,
    met: Encounters | None = None,
    least: float = LEFT_OUT_FROM,
    least_days: int = LEAST_DAYS,
) -> GhostReport:
    """Judge every released tag that was scanned.

    Parameters
    ----------
    programme : Programme
        Open records, with scans.
    met : Encounters, optional
        Released fish and encounters.
    least : float
        Chance from which on a tag is listed.
    least_days : int
        Days in one water since, from which on it is.
    """
    met = met or encounters_of(programme)
    table = programme.tables["sites"]
    sites = [str(s) for s in table["site_id"]]
    scanned = len(np.unique(met.who[met.by_scan]))
    if not scanned or not len(met.fish):
        why = "no released tag was scanned by a reader: ghosts cannot be told, and captures in the hand need no such care"
        return GhostReport((), Estimate.not_estimable(why, unit_used="tags"), 0, (f"Ghosts: {why}.",))
    place = {s: k for k, s in enumerate(sites)}
    # Only tags scanned at least once, from the first scan on: the others say nothing of ghosts.
    edges_first = int(met.day[met.by_scan].min()) - 1
    tags = np.unique(met.who[met.by_scan])
    short = np.full(len(met.fish), -1, dtype=np.int64)
    short[tags] = np.arange(len(tags))
    width = 365.25 / OCCASIONS_PER_YEAR

    def occasion(days: np.ndarray) -> BigIntArray:
        return np.asarray((days - edges_first) // width, dtype=np.int64)

    n_occasions = int(occasion(np.array([met.last_day]))[0]) + 1
    looked = _looked(programme, place, occasion, n_occasions)
    known = (
        np.array([s in place for s in met.site], dtype=bool) & (short[met.who] >= 0) & (met.day > edges_first)
    )
    home = np.array([place.get(s, 0) for s in met.fish["site_id"].iloc[tags]], dtype=np.int64)
    order = np.flatnonzero(known)[np.argsort(met.day[known], kind="stable")]
    when = occasion(met.day[order])
    where = np.array([place[s] for s in met.site[order]], dtype=np.int64)
    scans = met.by_scan[order]
    looked[where[scans], when[scans]] = True
    histories = build_histories(
        short[met.who[order]],
        when,
        where,
        ~scans,
        np.maximum(occasion(met.fish["released"].to_numpy(dtype=np.int64)[tags]), 0),
        home,
        looked,
    )
    found = suspect_ghosts(histories)
    if found.reason:
        return GhostReport((), found.expected, scanned, (f"Ghosts: {found.reason}.",))
    chosen = np.flatnonzero((found.at_last_contact >= least) & (found.since >= 0))
    out = []
    for tag in chosen[np.argsort(-found.at_last_contact[chosen], kind="stable")]:
        mine = order[(met.who[order] == tags[tag]) & scans & (when >= found.since[tag])]
        if len(mine) < least_days:
            continue
        first, last = int(met.day[mine].min()), int(met.day[mine].max())
        out.append(
            {
                "tag": str(met.fish["tag"].iloc[tags[tag]]),
                "site_id": str(met.site[mine[-1]]),
                "since": str(np.datetime64(first, "D")),
                "last": str(np.datetime64(last, "D")),
                "days": len(mine),
                "chance": float(found.at_last_contact[tag]),
            }
        )
    notes = (
        f"{scanned} released tags scanned; a ghost is scanned in one water only, steadily. Suspicion, never proof: look for the "
        "tag, or wait for the fish in a net.",
        "Waters are taken as open to each other, because fish are moved too. Where fish never leave, only steady scans speak "
        "for a ghost: there a doubt is weak.",
    )
    return GhostReport(tuple(out), found.expected, scanned, notes)


def _looked(programme: Programme, place: dict[str, int], occasion: Any, n_occasions: int) -> np.ndarray:
    """Whether a reader worked, by water and occasion."""
    out = np.zeros((len(place), n_occasions), dtype=bool)
    table = programme.tables["deployments"]
    spans = zip(
        table["site_id"],
        occasion(day_numbers(table["from_time"])),
        occasion(day_numbers(table["to_time"])),
        table["scan_hours"],
        strict=True,
    )
    for site, a, b, hours in spans:
        if site in place and hours != 0:
            out[place[site], max(int(a), 0) : max(int(b) + 1, 0)] = True
    return out


def encounters_without_ghosts(programme: Programme) -> Encounters:
    """Return released fish and encounters, contacts of tags that are all but surely ghosts left out."""
    met = encounters_of(programme)
    ghosts = ghost_report(programme, met).days()
    return encounters_of(programme, ghosts) if ghosts else met
