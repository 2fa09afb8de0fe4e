"""Survival from fates that are known, from captures and scans read together, and the loss of tags from double tags."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from broodstock.arrays import FloatArray
from broodstock.errors import ValueRangeError
from broodstock.estimates import Estimate
from planner.monitor.goodness import goodness_components
from planner.monitor.histories import EncounterHistories
from planner.monitor.integrated import fit_integrated
from planner.monitor.known_fate import product_limit
from planner.monitor.open_design import age_classes, constant, design
from planner.monitor.tag_loss import TagRetention, fit_tag_retention
from planner.tasks.programme import Programme
from planner.tasks.rows import rows
from planner.tasks.survival_models_compared import year_histories, year_of
from planner.tasks.survival_models_encounters import Encounters, day_numbers

YEARS = (1, 2, 3, 5, 10)
DAYS_PER_YEAR = 365.25
GONE = ("released", "lost", "unknown")
TAGS = ("pit-iso", "pit-legacy")


@dataclass(frozen=True)
class NamedEstimates:
    """Estimates with names, and what must be said with them.

    Parameters
    ----------
    head : tuple of str
        Headings: the name of the rows, then one per estimate.
    rows : tuple of (str, tuple of Estimate)
        Name and estimates of each row.
    statements : tuple of str
        Goodness of fit, what was left out, or why there is nothing.
    """

    head: tuple[str, ...]
    rows: tuple[tuple[str, tuple[Estimate, ...]], ...]
    statements: tuple[str, ...]

    def table(self) -> tuple[list[str], list[list[str]]]:
        """Return headings and rows."""
        return list(self.head), [
            [name, *(e.text(3) if e.value is not None else f"not estimable: {e.reason}" for e in found)]
            for name, found in self.rows
        ]

    def as_dict(self) -> dict[str, Any]:
        """Return plain values."""
        return {
            "rows": [
                {"name": name, **{h: e.as_dict() for h, e in zip(self.head[1:], found, strict=True)}}
                for name, found in self.rows
            ],
            "statements": list(self.statements),
        }


def station_survival(programme: Programme) -> NamedEstimates:
    """Return survival of fish kept at the station, whose fates are on record, by their origin.

    A fish is watched from the day it entered until it died, or until it was released or lost or, alive, until the day
    of the records: it then leaves the watch without a death. Time counts in years since it entered.

    Parameters
    ----------
    programme : Programme
        Open records.

    Returns
    -------
    NamedEstimates
        One row per origin, survival by the product-limit method to `YEARS`.
    """
    fish = programme.tables["fish"]
    head = ("origin", *(f"alive after {y} y" for y in YEARS))
    gone = fish["status"].isin((*GONE, "dead")).to_numpy()
    dated = fish["entered_on"].notna().to_numpy() & (~gone | fish["status_on"].notna().to_numpy())
    use = fish[dated]
    if use.empty:
        return NamedEstimates(
            head,
            (),
            (
                "Survival of known fates is not estimable because no fish has its day of entry, and of its end, on record.",
            ),
        )
    notes = []
    if len(use) < len(fish):
        notes.append(f"{len(fish) - len(use)} fish without a day of entry, or of their end, are left out.")
    entered = day_numbers(use["entered_on"])
    today = int(np.datetime64(programme.today, "D").astype(np.int64))
    end = np.full(len(use), today)
    ended = use["status"].isin((*GONE, "dead")).to_numpy()
    end[ended] = day_numbers(use.loc[ended, "status_on"])
    died = (use["status"] == "dead").to_numpy()
    late = end > today
    end[late], died = np.minimum(end[late], today), died & ~late
    backward = end <= entered
    if backward.any():
        notes.append(
            f"{int(backward.sum())} fish ended on the day they entered or before it and are left out."
        )
    years = (end - entered) / DAYS_PER_YEAR
    level = float(programme.settings["confidence"])
    lines: list[tuple[str, tuple[Estimate, ...]]] = []
    origin = use["origin"].to_numpy(dtype=object)
    for name in sorted(set(origin[~backward])):
        mine = ~backward & (origin == name)
        curve = product_limit(years[mine], died[mine])
        lines.append(
            (
                f"{name} ({int(mine.sum())} fish, {int(died[mine].sum())} deaths)",
                tuple(curve.at(float(y), level) for y in YEARS),
            )
        )
    notes.append(
        "Known fates at the station: the product-limit method fits the deaths themselves and assumes no curve, so there is no "
        "fit to test; it does assume that fish released or lost would have lived like the others."
    )
    return NamedEstimates(head, tuple(lines), tuple(notes))


def joint_survival(programme: Programme, met: Encounters) -> NamedEstimates:
    """Return yearly survival from captures and scans together, tags on the ground allowed for.

    Parameters
    ----------
    programme : Programme
        Open records, with scans.
    met : Encounters
        Encounters with suspected ghosts kept: the model tells them itself.

    Returns
    -------
    NamedEstimates
        Survival in the first year and later, chances to be caught and scanned, and of tags on the ground.
    """
    head = ("what", "estimate")
    histories, kind, _, reason = year_histories(programme, met)
    if histories is None:
        return NamedEstimates(head, (), (f"Captures with scans are not estimable because {reason}.",))
    level = float(programme.settings["confidence"])
    try:
        histories = _with_looked(programme, met, histories)
        one = design(histories, constant())
        fit = fit_integrated(histories, design(histories, age_classes(histories, 2)), one, one, one)
        test = goodness_components(histories, kind)
    except ValueRangeError as error:
        return NamedEstimates(head, (), (f"Captures with scans are not estimable: {error}",))
    if fit.maximum is None:
        return NamedEstimates(head, (), (f"Captures with scans are not estimable because {fit.reason}.",))
    # a history released in the first occasion has both classes of time since release, whatever its row
    row = int(np.argmin(fit.model.histories.release))
    survival = fit.survival(row, level)
    first = int(fit.model.histories.release[row])
    lines: list[tuple[str, tuple[Estimate, ...]]] = [("survival in the first year", (survival[first],))]
    if first + 1 < len(survival):
        lines.append(("survival in a later year", (survival[first + 1],)))
    lines += [
        ("living fish caught in a year", (fit.caught(level=level)[0],)),
        ("living fish scanned in a year", (fit.scanned(level=level)[0],)),
        ("tag of a dead fish left readable", (fit.left_readable(level),)),
        ("such a tag stays readable for a year", (fit.stays_readable(level),)),
    ]
    c_hat = test.c_hat
    fits = c_hat.text(2) if c_hat.value is not None else f"not estimable: {c_hat.reason}"
    poor = []
    if c_hat.low is not None and c_hat.value is not None and c_hat.low > 1:
        poor.append(
            f"The fit is poor: fish of different waters, lengths or years are not alike. The intervals are too narrow, by a "
            f"factor of about {np.sqrt(c_hat.value):.1f} on the logit scale; plan with the curves by water and length."
        )
    parts = [
        f"{c.name} {c.chi_square:.1f} on {c.degrees}, p {c.p_value:.3f}"
        for c in test.components
        if c.p_value is not None
    ]
    return NamedEstimates(
        head,
        tuple(lines),
        (
            f"Goodness of fit of the histories, captures and scans taken as one: c-hat {fits}"
            + (f" ({'; '.join(parts)})." if parts else "."),
            "The test knows no tags on the ground: those alone make 3.SM and 2.CT large. The intervals are not widened by it.",
            *poor,
            f"{fit.n_fish} released fish. Survival is that of a fish with its tag in place; each chance is the same in all years "
            "and waters, so a difference from the curves by water is to be expected.",
        ),
    )


def _with_looked(programme: Programme, met: Encounters, histories: EncounterHistories) -> EncounterHistories:
    """Return the histories with effort only in the years with a netting or with a reader out, by the records."""
    known = met.fish["site_id"].isin(set(programme.tables["sites"]["site_id"])).to_numpy()
    first = int(year_of(met.fish["released"].to_numpy(dtype=np.int64)[known]).min())
    n = histories.n_occasions
    effort: FloatArray = np.zeros((n, 2))
    effort[:, 0], effort[:, 1] = histories.caught.any(axis=0), histories.scanned.any(axis=0)
    netted = year_of(day_numbers(programme.tables["captures"]["captured_on"])) - first
    effort[netted[(netted >= 0) & (netted < n)], 0] = 1.0
    out = programme.tables["deployments"]
    out = out[(out["scan_hours"] != 0).to_numpy()]
    spans = zip(
        year_of(day_numbers(out["from_time"])) - first,
        year_of(day_numbers(out["to_time"])) - first,
        strict=True,
    )
    for start, end in spans:
        effort[max(int(start), 0) : max(int(end) + 1, 0), 1] = 1.0
    return replace(histories, effort=effort)


def tag_retention(programme: Programme) -> tuple[TagRetention, int]:
    """Return how long tags are kept, from fish that carried two tags at once.

    Two tags of one fish whose spans overlap by more than a day are a double tag. It is met with one tag on the day the
    first of them ended while the other stayed, and with both on the day the fish was last measured, or both ended.

    Returns
    -------
    retention : TagRetention
        In years since the second tag was given; a constant hazard of loss.
    n_double : int
        Fish with two tags at once.
    """
    table, fish = programme.tables["identifiers"], programme.tables["fish"]
    table = table[table["kind"].isin(TAGS) & table["from_date"].notna()]
    last = pd.Series(fish["measured_on"].to_numpy(), index=fish["fish_id"])
    time, one, both, n = [], [], [], 0
    for name, mine in table.sort_values("from_date", kind="stable").groupby("fish_id", sort=True):
        if len(mine) < 2:
            continue
        a, b = rows(mine.iloc[:2])
        begin, ends = b.from_date, [r.to_date for r in (a, b) if pd.notna(r.to_date)]
        if pd.notna(a.to_date) and (a.to_date - begin).days <= 1:
            continue
        n += 1
        lost = len(ends) == 1 or (len(ends) == 2 and ends[0] != ends[1])
        seen = min(ends) if ends else last.get(name)
        if seen is None or pd.isna(seen) or seen <= begin:
            continue
        time.append((seen - begin).days / DAYS_PER_YEAR)
        one.append(int(lost))
        both.append(int(not lost))
    if not n:
        return TagRetention(None, False, 0, "no fish on record carried two tags at once"), 0
    return fit_tag_retention(np.array(time), np.array(one), np.array(both), shape_free=False), n
