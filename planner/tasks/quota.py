"""Larval quota by zone and week: tally, what is over-represented, and whether enough parents were caught."""

from __future__ import annotations

import datetime as dt
import itertools
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from broodstock.errors import UsageError
from broodstock.parentage.parent_accumulation import ParentAccumulation, parent_accumulation
from planner.tasks.programme import Programme
from planner.tasks.rows import rows

HEAD = ("zone", "week from", "wanted", "taken", "share", "nights", "larvae/h", "light", "why")
GREEN, AMBER, RED = "green", "amber", "red"


@dataclass(frozen=True)
class QuotaCell:
    """One zone and week.

    Parameters
    ----------
    zone : str
        Zone.
    week_from : date
        First day of the week (Monday).
    wanted : int or None
        Quota; None when none is set.
    taken, nights : int
        Larvae and nights.
    share : float
        Share of all larvae of the season.
    per_hour : float or None
        Larvae per trap hour; None without effort.
    light : str
        green, amber or red.
    why : str
        What the light says, in words.
    """

    zone: str
    week_from: dt.date
    wanted: int | None
    taken: int
    nights: int
    share: float
    per_hour: float | None
    light: str
    why: str

    def cells(self) -> list[str]:
        """Return the cell as a row of text."""
        return [
            self.zone,
            self.week_from.isoformat(),
            "" if self.wanted is None else str(self.wanted),
            str(self.taken),
            f"{self.share:.1%}",
            str(self.nights),
            "" if self.per_hour is None else f"{self.per_hour:.2f}",
            self.light,
            self.why,
        ]


@dataclass(frozen=True)
class QuotaReport:
    """Tally of a season.

    Parameters
    ----------
    year_class : int
        Year class.
    cells : tuple of QuotaCell
        By zone and week.
    total, wanted : int
        Larvae taken and wanted.
    notes : tuple of str
        Zones and weeks without larvae, permit, parents.
    parents : dict of str to ParentAccumulation
        By larvae and by nights; empty when parents are not known.
    """

    year_class: int
    cells: tuple[QuotaCell, ...]
    total: int
    wanted: int
    notes: tuple[str, ...]
    parents: dict[str, ParentAccumulation]

    def table(self) -> tuple[list[str], list[list[str]]]:
        """Return headings and rows."""
        return list(HEAD), [c.cells() for c in self.cells]

    def as_dict(self) -> dict[str, Any]:
        """Return plain values."""
        return {
            "year_class": self.year_class,
            "taken": self.total,
            "wanted": self.wanted,
            "cells": [
                {
                    "zone": c.zone,
                    "week_from": c.week_from.isoformat(),
                    "wanted": c.wanted,
                    "taken": c.taken,
                    "nights": c.nights,
                    "share": c.share,
                    "larvae_per_hour": c.per_hour,
                    "light": c.light,
                    "why": c.why,
                }
                for c in self.cells
            ],
            "notes": list(self.notes),
            "parents": {
                k: {
                    "observed": p.observed.as_dict(),
                    "coverage": p.coverage.as_dict(),
                    "needed": p.needed.as_dict(),
                    "enough": p.enough,
                    "sentence": p.sentence,
                    "curve": [{"units": c.units, "kind": c.kind, **c.parents.as_dict()} for c in p.curve],
                }
                for k, p in self.parents.items()
            },
        }


def quota_report(programme: Programme, year_class: int | None = None) -> QuotaReport:
    """Tally the larvae of a season against the quota.

    Parameters
    ----------
    programme : Programme
        Open records.
    year_class : int, optional
        Default: the latest with takes or quotas.

    Returns
    -------
    QuotaReport
        A light is red where a zone or week gives more than the setting ``larval_share_max`` of the season or a night
        more than ``larval_night_share_max``, amber where the quota is passed or not met.

    Raises
    ------
    UsageError
        If there are no takes and no quotas of the year class.
    """
    takes, quotas = programme.tables["larval_takes"], programme.tables["larval_quotas"]
    years = {int(y) for t in (takes, quotas) for y in t["year_class"].dropna()}
    if not years:
        raise UsageError(
            "larval quota: found no row in larval_takes.csv or larval_quotas.csv. Expected the nights of collection, or what "
            "is wanted. Fill one of the tables."
        )
    year = max(years) if year_class is None else year_class
    if year not in years:
        known = ", ".join(map(str, sorted(years)))
        raise UsageError(f"--year-class: found {year}. Expected one of {known}.")
    mine = _takes_of(programme, year)
    total = int(mine["number"].sum())
    cells = quota_cells(programme, year)
    zone_share = mine.groupby("zone")["number"].sum() / max(total, 1)
    week_share = mine.groupby("week")["number"].sum() / max(total, 1)
    notes = [*_gaps(programme, mine, zone_share, week_share), *_permit_words(programme, mine)]
    parents, words = _parents(programme, year)
    return QuotaReport(year, cells, total, sum(c.wanted or 0 for c in cells), (*notes, *words), parents)


def _takes_of(programme: Programme, year: int) -> pd.DataFrame:
    takes = programme.tables["larval_takes"]
    mine = takes[takes["year_class"] == year].copy()
    mine["week"] = [monday_of(d.date()) for d in mine["collected_on"]]
    return mine


def quotas_of(programme: Programme, year: int) -> dict[tuple[str, dt.date], tuple[int, float | None]]:
    """Return larvae wanted and the largest share of one night (None: the setting) by zone and Monday of the week."""
    quotas = programme.tables["larval_quotas"]
    return {
        (z, monday_of(w.date())): (int(n), None if pd.isna(s) else float(s))
        for z, w, n, s, y in zip(
            quotas["zone"],
            quotas["week_from"],
            quotas["number"],
            quotas["night_share_max"],
            quotas["year_class"],
            strict=True,
        )
        if y == year
    }


def quota_cells(programme: Programme, year: int) -> tuple[QuotaCell, ...]:
    """Tally the larvae of a year class by zone and week, without a look at parents.

    Parameters
    ----------
    programme : Programme
        Open records.
    year : int
        Year class; without takes and quotas there are no cells.
    """
    mine, wanted = _takes_of(programme, year), quotas_of(programme, year)
    total = int(mine["number"].sum())
    settings = programme.settings
    zone_share = mine.groupby("zone")["number"].sum() / max(total, 1)
    week_share = mine.groupby("week")["number"].sum() / max(total, 1)
    cells = []
    for zone, week in sorted({*zip(mine["zone"], mine["week"], strict=True), *wanted}):
        here = mine[(mine["zone"] == zone) & (mine["week"] == week)]
        taken = int(here["number"].sum())
        hours = float(here["effort_h"].sum(min_count=1)) if here["effort_h"].notna().any() else 0.0
        quota, night_share = wanted.get((zone, week), (None, None))
        most = float(settings["larval_night_share_max"]) if night_share is None else night_share
        base = total if night_share is None else int(quota or total)
        light, why = _light(
            taken,
            quota,
            here.groupby("collected_on")["number"].sum() / max(base, 1),
            most,
            float(zone_share.get(zone, 0.0)),
            float(week_share.get(week, 0.0)),
            float(settings["larval_share_max"]),
            week > programme.today,
        )
        cells.append(
            QuotaCell(
                zone,
                week,
                quota,
                taken,
                int(here["collected_on"].nunique()),
                taken / max(total, 1),
                taken / hours if hours > 0 else None,
                light,
                why,
            )
        )
    return tuple(cells)


def monday_of(day: dt.date) -> dt.date:
    """Return the Monday of the week of a day."""
    return day - dt.timedelta(days=day.weekday())


def _light(
    taken: int,
    quota: int | None,
    nights: pd.Series,
    night_max: float,
    zone_share: float,
    week_share: float,
    share_max: float,
    to_come: bool,
) -> tuple[str, str]:
    """Return the light of a cell and why."""
    red = []
    if len(nights) and float(nights.max()) > night_max:
        red.append(f"one night gave {float(nights.max()):.0%}, more than {night_max:.0%}")
    if taken and zone_share > share_max:
        red.append(f"its zone gave {zone_share:.0%} of the season, more than {share_max:.0%}")
    if taken and week_share > share_max:
        red.append(f"its week gave {week_share:.0%} of the season, more than {share_max:.0%}")
    if red:
        return RED, "; ".join(red)
    if quota is not None and taken > quota:
        return AMBER, f"{taken - quota} above the quota"
    if quota is not None and taken < quota:
        return (GREEN, f"{quota - taken} to come") if to_come else (AMBER, f"{quota - taken} below the quota")
    return GREEN, "quota met" if quota is not None else ""


def _gaps(programme: Programme, mine: pd.DataFrame, zones: pd.Series, weeks: pd.Series) -> list[str]:
    """Name zones never sampled and long gaps in the season."""
    out = []
    kinds = programme.tables["sites"]
    lake = kinds[kinds["kind"] == "reservoir-zone"]["name"]
    names = {str(n).partition(": ")[2] or str(n) for n in lake}
    missing = sorted(n for n in names if n not in set(mine["zone"]))
    if missing and len(mine):
        out.append(f"No larvae from {', '.join(missing)}: their spawners are not represented.")
    days = sorted(weeks.index)
    gaps = [(a, b) for a, b in itertools.pairwise(days) if (b - a).days > 14]
    out += [f"No larvae between the weeks of {a} and {b}." for a, b in gaps]
    for name, shares, what in (("zone", zones, "zone"), ("week", weeks, "week of")):
        most = shares.max() if len(shares) else 0.0
        if most > float(programme.settings["larval_share_max"]):
            out.append(
                f"Over-represented: the {what} {shares.idxmax()} gave {most:.0%} of the larvae; the limit for one {name} is "
                f"{programme.settings['larval_share_max']:.0%}."
            )
    unknown = mine["effort_h"].isna().sum()
    zero = (mine["effort_h"] == 0).sum()
    if unknown or zero:
        out.append(f"{int(unknown + zero)} nights without trap hours: larvae per hour leave them out.")
    return out


def _permit_words(programme: Programme, mine: pd.DataFrame) -> list[str]:
    out = []
    permits = programme.tables["permits"]
    for p in rows(permits[permits["activity"] == "collect-larvae"]):
        inside = mine[(mine["collected_on"] >= p.valid_from) & (mine["collected_on"] <= p.valid_until)]
        if inside.empty or pd.isna(p.limit_number):
            continue
        n, limit = int(inside["number"].sum()), int(p.limit_number)
        state = f"{n - limit} above the limit" if n > limit else f"{limit - n} left"
        out.append(f"Permit {p.permit_id}: {n} of {limit} larvae in the takes, {state}.")
    return out


def _parents(programme: Programme, year: int) -> tuple[dict[str, ParentAccumulation], list[str]]:
    """Build the accumulation of parents from DNA claims on fish grown from larvae of the year class."""
    fish, claims = programme.tables["fish"], programme.tables["parent_claims"]
    larvae = fish[(fish["origin"] == "wild-larva") & (fish["year_class"] == year)]
    sure = claims[(claims["source"] == "dna") & (claims["parent"] != "")]
    known = {(c, r): p for c, r, p in zip(sure["child"], sure["role"], sure["parent"], strict=True)}
    pairs = [(known.get((f, "dam")), known.get((f, "sire"))) for f in larvae["fish_id"]]
    have = sum(any(x is not None for x in p) for p in pairs)
    if have >= 3:
        found = parent_accumulation(
            pairs, seed=int(programme.settings["seed"]), goal=float(programme.settings["parent_coverage"])
        )
        return {"larvae": found}, [found.sentence]
    return _from_genotypes(programme, year)


def _from_genotypes(programme: Programme, year: int) -> tuple[dict[str, ParentAccumulation], list[str]]:
    from broodstock.parentage.error_model import reference_frequencies
    from broodstock.parentage.sibship import SibshipSettings, reconstruct_sibships

    samples = programme.tables["samples"]
    calls = programme.genotypes.get("snps")
    mine = samples[(samples["group"] == "larva") & (samples["year_class"] == year)]
    if calls is None or mine.empty:
        return {}, [
            f"Parents behind the larvae of {year}: not known, no typed larvae. Type a sub-sample of each night."
        ]
    index = calls.index
    typed = mine[mine["sample_id"].isin(set(index))]
    if len(typed) < 8:
        return {}, [f"Parents behind the larvae of {year}: {len(typed)} typed larvae, fewer than 8."]
    seed = int(programme.settings["seed"])
    if len(typed) > 120:
        picked = np.random.default_rng(seed).choice(len(typed), 120, replace=False)
        typed = typed.iloc[np.sort(picked)]
    founders = samples[(samples["group"] == "founder") & samples["sample_id"].isin(set(index))]
    neutral = calls.with_role("neutral")
    frequencies = (
        reference_frequencies(neutral, [index[s] for s in founders["sample_id"]])
        if len(founders) >= 10
        else None
    )
    found = reconstruct_sibships(
        calls,
        [index[s] for s in typed["sample_id"]],
        frequencies,
        settings=SibshipSettings(burn_in=10, samples=10),
        seed=seed,
    )
    goal = float(programme.settings["parent_coverage"])
    placed = typed.set_index("sample_id").loc[list(found.offspring)]
    out = {"larvae": parent_accumulation(found.sampled_parents, goal=goal, seed=seed)}
    nights = list(placed["collected_on"].astype(str))
    if len(set(nights)) > 1:
        out["nights"] = parent_accumulation(found.sampled_parents, nights, goal=goal, seed=seed)
    words = [f"By {k}, families found from DNA: {p.sentence}" for k, p in out.items()]
    return out, words
