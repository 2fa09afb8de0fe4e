"""Calendar of renovations of waters: what was done, what is planned, what is due. Schedules and records only."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Any

import pandas as pd

from planner.tasks.programme import Programme
from planner.tasks.rows import rows

HEAD = ("water", "last renovated", "years ago", "planned", "residents", "predators", "state", "why")
BACKWATERS = ("isolated-backwater", "connected-backwater", "refuge", "grow-out")
CAUTIONS = (
    "Piscicides: licensed applicator, permits and public notices first; amounts and neutralising are the applicator's and "
    "the label's, never this program's.",
    "Before refilling fish: the water is found free of other fish and safe for fish by test fish; write both days down.",
    "Move the residents first: see the drawdown sheet. Never drain a water whose residents have no place to go.",
)


@dataclass(frozen=True)
class RenovationReport:
    """Calendar.

    Parameters
    ----------
    rows : tuple of dict
        One per backwater.
    calendar : tuple of dict
        Every renovation on record or planned, by date.
    """

    rows: tuple[dict[str, Any], ...]
    calendar: tuple[dict[str, Any], ...]

    def table(self) -> tuple[list[str], list[list[str]]]:
        """Return headings and one row per water."""
        keys = ("site_id", "last", "years", "planned", "residents", "predators", "state", "why")
        return list(HEAD), [["" if r[k] is None else str(r[k]) for k in keys] for r in self.rows]

    def calendar_table(self) -> tuple[list[str], list[list[str]]]:
        """Return headings and one row per renovation."""
        keys = ("from_date", "to_date", "site_id", "kind", "checked_on", "note")
        head = ["from", "to", "water", "what", "found free of fish", "note"]
        return head, [["" if r[k] is None else str(r[k]) for k in keys] for r in self.calendar]

    def as_dict(self) -> dict[str, Any]:
        """Return plain values."""
        return {"waters": list(self.rows), "calendar": list(self.calendar), "cautions": list(CAUTIONS)}


def renovation_report(programme: Programme) -> RenovationReport:
    """Build the calendar from the tables ``sites`` and ``renovations``.

    A water is due when predators are there, or its last renovation is older than the setting ``renovation_years``. A
    renovation without a day on which the water was found free of fish is open.
    """
    sites, jobs = programme.tables["sites"], programme.tables["renovations"]
    residents = programme.residents_now.groupby("site_id")["number"].sum()
    today, limit = programme.today, int(programme.settings["renovation_years"])
    now = pd.Timestamp(today)
    out = []
    for site in rows(sites[sites["kind"].isin(BACKWATERS)]):
        mine = jobs[jobs["site_id"] == site.site_id]
        past, ahead = mine[mine["from_date"] <= now], mine[mine["from_date"] > now]
        days = [
            d for d in (site.renovated_on, past["from_date"].max() if len(past) else pd.NaT) if pd.notna(d)
        ]
        last = max(days).date() if days else None
        years = None if last is None else round((today - last).days / 365.25, 1)
        here = int(residents.get(site.site_id, 0))
        reasons = []
        if site.predators == "present":
            reasons.append("predators are there")
        if site.predators == "unknown":
            reasons.append("predators unknown: survey first")
        if years is None:
            reasons.append("no renovation on record")
        elif years > limit:
            reasons.append(f"older than {limit} years")
        unchecked = past[past["checked_on"].isna()]
        if len(unchecked):
            reasons.append("not yet found free of other fish")
        state = (
            "planned"
            if len(ahead)
            else "due"
            if any(r != "no renovation on record" for r in reasons)
            else "in order"
        )
        if here and state in ("planned", "due"):
            reasons.append(f"{here} residents to move first")
        out.append(
            {
                "site_id": str(site.site_id),
                "last": _text(last),
                "years": years,
                "planned": _text(ahead["from_date"].min().date() if len(ahead) else None),
                "residents": here,
                "predators": str(site.predators),
                "state": state,
                "why": "; ".join(reasons),
            }
        )
    calendar = [
        {
            "from_date": _text(j.from_date),
            "to_date": _text(j.to_date),
            "site_id": str(j.site_id),
            "kind": str(j.kind),
            "checked_on": _text(j.checked_on),
            "note": str(j.note),
        }
        for j in rows(jobs.sort_values("from_date", kind="stable"))
    ]
    return RenovationReport(tuple(out), tuple(calendar))


def _text(day: Any) -> str | None:
    if day is None or pd.isna(day):
        return None
    return day.isoformat()[:10] if isinstance(day, dt.date) else str(day)[:10]
