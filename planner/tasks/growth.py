"""Growth and condition from the programme's measurements: released fish and fish of the nets met again."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from broodstock.estimates import Estimate
from planner.monitor.growth import GrowthFit, fit_growth
from planner.monitor.growth_condition import WeightLength, mean_condition, weight_length
from planner.tasks.programme import Programme
from planner.tasks.survival_models_encounters import day_numbers

HEAD = ("group", "asymptote mm", "K per year", "spread mm", "pairs", "condition K", "fish")
LONGEST_STEP_YEARS = 8.0
LEAST_CONDITION, MOST_CONDITION = 0.3, 3.0
"""Condition outside this span is a wrong unit, not a thin or a fat fish."""
ODD_MM = -25.0
"""A fish that shrank by more than this has a wrong length, unit or tag."""


@dataclass(frozen=True)
class GrowthGroup:
    """Growth and condition of one group.

    Parameters
    ----------
    name : str
        Group.
    growth : GrowthFit
        Growth.
    condition : Estimate
        Mean of Fulton's condition.
    line : WeightLength
        Weight against length.
    """

    name: str
    growth: GrowthFit
    condition: Estimate
    line: WeightLength

    def cells(self) -> list[str]:
        """Return the group as a row of text."""
        g = self.growth
        if g.asymptote.value is None:
            head = [self.name, g.asymptote.text(), "", "", str(g.asymptote.n_used)]
        else:
            head = [
                self.name,
                g.asymptote.text(0),
                g.rate.text(2),
                g.asymptote_spread.text(0),
                str(g.rate.n_used),
            ]
        condition = self.condition.text(2) if self.condition.value is not None else "too few weighed"
        return [*head, condition, str(self.condition.n_used)]


@dataclass(frozen=True)
class GrowthReport:
    """Growth of all fish and of each kind of water and sex.

    Parameters
    ----------
    groups : tuple of GrowthGroup
        All fish first.
    pairs : DataFrame
        Pairs of lengths: ``tag``, ``kind``, ``first_mm``, ``second_mm``, ``years``.
    notes : tuple of str
        What was left out.
    """

    groups: tuple[GrowthGroup, ...]
    pairs: pd.DataFrame
    notes: tuple[str, ...]

    def table(self) -> tuple[list[str], list[list[str]]]:
        """Return headings and rows."""
        return list(HEAD), [g.cells() for g in self.groups]

    def as_dict(self) -> dict[str, Any]:
        """Return plain values."""
        return {
            "groups": [
                {
                    "group": g.name,
                    "asymptote_mm": g.growth.asymptote.as_dict(),
                    "rate_per_year": g.growth.rate.as_dict(),
                    "asymptote_spread_mm": g.growth.asymptote_spread.as_dict(),
                    "residual_mm": g.growth.error.as_dict(),
                    "goodness_of_fit": g.growth.sentence,
                    "growth_of_300_mm_in_a_month": g.growth.monthly(300.0).as_dict(),
                    "condition": g.condition.as_dict(),
                    "log_a": g.line.log_a.as_dict(),
                    "b": g.line.b.as_dict(),
                    "back_transform": g.line.back_transform,
                }
                for g in self.groups
            ],
            "notes": list(self.notes),
        }


def growth_report(programme: Programme) -> GrowthReport:
    """Fit growth from successive total lengths of the same tag, and condition from fish weighed.

    Only total lengths count. Pairs less than four weeks apart, or with a fish that shrank by more than 25 mm, are left
    out and counted.
    """
    pairs, notes = length_pairs(programme)
    captures = programme.tables["captures"]
    weighed = captures[
        captures["weight_g"].notna()
        & captures["length_mm"].notna()
        & captures["length_type"].isin(["TL", ""])
    ]
    k = 1e5 * weighed["weight_g"] / weighed["length_mm"] ** 3
    odd = (k < LEAST_CONDITION) | (k > MOST_CONDITION)
    if odd.any():
        rows_named = ", ".join(list(weighed.loc[odd, "capture_id"])[:4])
        notes.append(
            f"{int(odd.sum())} fish with a condition below {LEAST_CONDITION} or above {MOST_CONDITION} were left out of condition "
            f"({rows_named}): look at the units of length and weight."
        )
    weighed = weighed[~odd]
    kinds = programme.tables["sites"].set_index("site_id")["kind"]
    level = float(programme.settings["confidence"])
    groups = [_group("all fish", pairs, weighed, level)]
    water = weighed["site_id"].map(kinds)
    groups += [
        _group(str(kind), pairs[pairs["kind"] == kind], weighed[water == kind], level)
        for kind in sorted(set(pairs["kind"]) | set(water.dropna()))
    ]
    for sex in ("female", "male"):
        mine = pairs[pairs["sex"] == sex]
        if len(mine):
            groups.append(_group(f"{sex}s", mine, weighed[weighed["sex"] == sex], level))
    return GrowthReport(tuple(groups), pairs, tuple(notes))


def length_pairs(programme: Programme) -> tuple[pd.DataFrame, list[str]]:
    """Return successive total lengths of the same tag, and what was left out."""
    releases, captures = programme.tables["releases"], programme.tables["captures"]
    kinds = programme.tables["sites"].set_index("site_id")["kind"]
    caught = captures[captures["length_mm"].notna()]
    other = caught[~caught["length_type"].isin(["TL", ""])]
    caught = caught[caught["length_type"].isin(["TL", ""])]
    notes = []
    if len(other):
        notes.append(f"{len(other)} lengths that are not total lengths were left out of growth.")
    tag = caught["tag"].where(caught["tag"] != "", caught["new_tag"])
    measured = pd.concat(
        [
            pd.DataFrame(
                {
                    "tag": releases["tag"],
                    "day": day_numbers(releases["released_on"]),
                    "mm": releases["total_length_mm"],
                    "site": releases["site_id"],
                    "sex": releases["sex"],
                }
            ),
            pd.DataFrame(
                {
                    "tag": tag,
                    "day": day_numbers(caught["captured_on"]),
                    "mm": caught["length_mm"],
                    "site": caught["site_id"],
                    "sex": caught["sex"],
                }
            ),
        ],
        ignore_index=True,
    )
    measured = measured[(measured["tag"] != "") & measured["mm"].notna()]
    measured = measured.sort_values(["tag", "day"], kind="stable")
    seen_sex = measured[measured["sex"].isin(["female", "male"])].groupby("tag")["sex"].last()
    before = measured.groupby("tag").shift(1)
    pairs = pd.DataFrame(
        {
            "tag": measured["tag"],
            "kind": measured["site"].map(kinds).fillna("unknown water"),
            "sex": measured["tag"].map(seen_sex).fillna("unknown"),
            "first_mm": before["mm"].astype(float),
            "second_mm": measured["mm"].astype(float),
            "years": (measured["day"] - before["day"]).astype(float) / 365.25,
        }
    ).dropna(subset=["first_mm", "years"])
    short = (pairs["years"] < 28 / 365.25) | (pairs["years"] > LONGEST_STEP_YEARS)
    odd = ~short & (pairs["second_mm"] - pairs["first_mm"] < ODD_MM)
    if odd.any():
        tags = ", ".join(list(dict.fromkeys(pairs.loc[odd, "tag"]))[:4])
        notes.append(
            f"{int(odd.sum())} pairs of lengths in which the fish shrank by more than {-ODD_MM:.0f} mm were left out ({tags}): "
            "look at unit, kind of length and tag."
        )
    return pairs[~short & ~odd].reset_index(drop=True), notes


def _group(name: str, pairs: pd.DataFrame, weighed: pd.DataFrame, level: float) -> GrowthGroup:
    growth = fit_growth(
        pairs["first_mm"].to_numpy(dtype=np.float64),
        pairs["second_mm"].to_numpy(dtype=np.float64),
        pairs["years"].to_numpy(dtype=np.float64),
        level,
    )
    length = weighed["length_mm"].to_numpy(dtype=np.float64)
    weight = weighed["weight_g"].to_numpy(dtype=np.float64)
    return GrowthGroup(
        name, growth, mean_condition(length, weight, level), weight_length(length, weight, level)
    )
