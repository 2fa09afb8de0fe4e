"""How many fish: visits found in the netting records, closed-population estimators side by side."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from broodstock.errors import UsageError
from broodstock.estimates import Estimate
from planner.monitor.closed_samples import (
    counts_of_histories,
    lower_bound_unequal,
    schnabel,
    schumacher_eschmeyer,
)
from planner.monitor.closed_two_sample import bailey, chapman, petersen
from planner.tasks.programme import Programme

GAP_DAYS = 5
"""Netting days further apart belong to different visits."""
LONGEST_CENSUS_DAYS = 60
"""Visits over a longer span are not of a closed group: fish die, arrive and leave."""
HEAD = ("estimator", "fish", "made from")


@dataclass(frozen=True)
class Visit:
    """One visit.

    Parameters
    ----------
    first, last : date
        Days.
    tags : frozenset of str
        Tags read or given.
    fish : int
        Fish caught, those without a tag among them.
    effort_h : float or None
        Net hours; None when not recorded.
    """

    first: dt.date
    last: dt.date
    tags: frozenset[str]
    fish: int
    effort_h: float | None


@dataclass(frozen=True)
class AbundanceReport:
    """Numbers of one water or of all waters of a kind.

    Parameters
    ----------
    where : str
        Water or kind of water.
    visits : tuple of Visit
        Visits of the census.
    estimates : tuple of (str, Estimate)
        By estimator; the first is the one to quote.
    statements : tuple of str
        What the numbers rest on.
    """

    where: str
    visits: tuple[Visit, ...]
    estimates: tuple[tuple[str, Estimate], ...]
    statements: tuple[str, ...]

    def table(self) -> tuple[list[str], list[list[str]]]:
        """Return headings and one row per estimator."""
        return list(HEAD), [[name, e.text(0), e.method] for name, e in self.estimates]

    def visit_table(self) -> tuple[list[str], list[list[str]]]:
        """Return headings and one row per visit."""
        head = ["visit", "days", "fish", "met in an earlier visit", "net hours"]
        seen: set[str] = set()
        lines = []
        for k, v in enumerate(self.visits, 1):
            again = len(v.tags & seen)
            seen |= v.tags
            days = f"{v.first} to {v.last}" if v.last > v.first else str(v.first)
            lines.append(
                [str(k), days, str(v.fish), str(again), "" if v.effort_h is None else f"{v.effort_h:.0f}"]
            )
        return head, lines

    def as_dict(self) -> dict[str, Any]:
        """Return plain values."""
        return {
            "where": self.where,
            "visits": [
                {
                    "first": v.first.isoformat(),
                    "last": v.last.isoformat(),
                    "fish": v.fish,
                    "effort_h": v.effort_h,
                }
                for v in self.visits
            ],
            "estimates": {name: e.as_dict() for name, e in self.estimates},
            "statements": list(self.statements),
        }


def abundance_report(programme: Programme, where: str = "", year: int | None = None) -> AbundanceReport:
    """Estimate numbers from the visits of one year.

    Parameters
    ----------
    programme : Programme
        Open records.
    where : str
        A water, or a kind of water; default ``reservoir-zone`` if there is one.
    year : int, optional
        Default: the latest year with two visits within 60 days, otherwise the latest with captures.

    Returns
    -------
    AbundanceReport
        Not estimable with one visit, or without fish met twice: the reason says so.

    Raises
    ------
    UsageError
        If the water is not on record, or the year has no captures there.
    """
    sites = programme.tables["sites"]
    kinds = sorted(set(sites["kind"]))
    where = where or ("reservoir-zone" if "reservoir-zone" in kinds else kinds[0] if kinds else "")
    waters = set(sites.loc[(sites["site_id"] == where) | (sites["kind"] == where), "site_id"])
    if not waters:
        known = ", ".join([*kinds, *sites["site_id"]])
        raise UsageError(f"--where: found {where!r}. Expected one of {known}.")
    captures = programme.tables["captures"]
    here = captures[captures["site_id"].isin(waters)]
    years = sorted({int(y) for y in here["captured_on"].dt.year.dropna()})
    if not years:
        reason = f"no fish was caught in {where}: there is no netting on record"
        return AbundanceReport(
            where, (), (("Chapman", Estimate.not_estimable(reason)),), (f"No captures in {where}.",)
        )
    if year is not None and year not in years:
        raise UsageError(
            f"--year: found {year}. Expected a year with captures in {where}: {', '.join(map(str, years))}."
        )
    candidates = [year] if year is not None else years[::-1]
    censuses = {y: _census(_visits(here[here["captured_on"].dt.year == y])) for y in candidates}
    chosen = next((y for y in candidates if len(censuses[y]) > 1), candidates[0])
    visits = censuses[chosen]
    level = float(programme.settings["confidence"])
    return AbundanceReport(
        where, visits, tuple(_estimates(visits, level)), tuple(_statements(visits, chosen, here))
    )


def _visits(caught: pd.DataFrame) -> list[Visit]:
    """Sort one year's captures into visits by gaps between netting days."""
    days = np.sort(caught["captured_on"].dropna().unique())
    if not len(days):
        return []
    step = np.diff(days).astype("timedelta64[D]").astype(np.int64)
    number = np.concatenate([[0], np.cumsum(step > GAP_DAYS)])
    out = []
    for k in range(int(number[-1]) + 1):
        mine = caught[caught["captured_on"].isin(days[number == k])]
        tag = mine["tag"].where(mine["tag"] != "", mine["new_tag"])
        known = set(tag) - {""}
        fish = len(known) + int((tag == "").sum())
        sets = mine.drop_duplicates(["captured_on", "site_id", "method", "effort_h"])["effort_h"]
        hours = None if sets.isna().all() else float(sets.sum())
        first, last = (pd.Timestamp(days[number == k][i]).date() for i in (0, -1))
        out.append(Visit(first, last, frozenset(str(t) for t in known), fish, hours))
    return out


def _census(visits: list[Visit]) -> tuple[Visit, ...]:
    """Return the run of visits within 60 days that holds the most fish."""
    best: list[Visit] = []
    for i in range(len(visits)):
        run = [v for v in visits[i:] if (v.last - visits[i].first).days <= LONGEST_CENSUS_DAYS]
        if (min(len(run), 2), sum(v.fish for v in run)) > (min(len(best), 2), sum(v.fish for v in best)):
            best = run
    return tuple(best)


def _estimates(visits: tuple[Visit, ...], level: float) -> list[tuple[str, Estimate]]:
    if len(visits) < 2:
        why = "there was one visit only: numbers need fish marked on one visit and looked for on another"
        return [("Chapman", Estimate.not_estimable(why))]
    if any(v.effort_h == 0 for v in visits):
        why = "a visit has no effort: its nets stood for 0 hours. Enter the hours or leave the visit out"
        return [("Chapman", Estimate.not_estimable(why))]
    first, second = visits[0], visits[1]
    m, c, r = len(first.tags), second.fish, len(first.tags & second.tags)
    out = [
        ("Chapman", chapman(m, c, r, level)),
        ("Petersen", petersen(m, c, r, level)),
        ("Bailey", bailey(m, c, r, level)),
    ]
    if len(visits) > 2:
        tags = sorted(set().union(*(v.tags for v in visits)))
        seen = np.array([[t in v.tags for v in visits] for t in tags])
        counts = counts_of_histories(seen)
        out = [
            ("Schnabel", schnabel(counts, level)),
            ("Schumacher and Eschmeyer", schumacher_eschmeyer(counts, level)),
            ("lower bound with unequal fish", lower_bound_unequal(seen, level)),
            *((f"{name}, first two visits", e) for name, e in out),
        ]
    return out


def _statements(visits: tuple[Visit, ...], year: int, here: pd.DataFrame) -> list[str]:
    out = [f"Captures of {year}; visits are netting days at most {GAP_DAYS} days apart."]
    if len(visits) >= 2:
        first, second = visits[0], visits[1]
        r = len(first.tags & second.tags)
        if r == 0:
            out.append("No fish of the first visit was met on the second: only a lower limit can be told.")
        elif r == second.fish:
            out.append(
                "Every fish of the second visit was met on the first: either nearly all are marked, or the same few are caught "
                "again and again. Look at where the nets stood."
            )
        elif r < 7:
            out.append(
                f"{r} fish met twice: fewer than 7, so the estimate is biased low and its interval is very wide."
            )
        untagged = first.fish - len(first.tags)
        if untagged:
            out.append(f"{untagged} fish of the first visit went back without a tag and cannot be met again.")
        out.append(
            "Holds if no fish died, arrived, left or lost its tag between the visits, and all can be caught alike; fish that are "
            "hard to catch make the estimate too low."
        )
    if here["effort_h"].isna().any():
        out.append(f"{int(here['effort_h'].isna().sum())} captures without net hours.")
    return out
