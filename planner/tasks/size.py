"""Effective size of year classes, every method that the records allow, side by side."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from broodstock.effective_size.side_by_side import GroupData, SideBySide, effective_size_side_by_side
from broodstock.errors import UsageError
from planner.tasks.groups import call_set, one_sample_per_fish, sample_table
from planner.tasks.programme import Programme

FEWEST_FISH = 10


@dataclass(frozen=True)
class SizeReport:
    """Effective size of some groups.

    Parameters
    ----------
    groups : tuple of SideBySide
        One per group.
    passed_over : tuple of (str, int)
        Groups with too few typed fish, and how many they have.
    """

    groups: tuple[SideBySide, ...]
    passed_over: tuple[tuple[str, int], ...]

    def table(self) -> tuple[list[str], list[list[str]]]:
        """Return headings and rows as words."""
        rows = [
            [g.group, r.method, r.quantity, r.estimate.text(1), f"{r.estimate.n_used} {r.estimate.unit_used}"]
            for g in self.groups
            for r in g.rows
        ]
        return ["group", "method", "is", "estimate (95 % interval)", "from"], rows

    def notes(self) -> list[str]:
        """Return what each number means and rests on."""
        out: dict[str, None] = {}
        for g in self.groups:
            for r in g.rows:
                if r.estimate.note:
                    out.setdefault(f"{g.group}, {r.method}: {r.estimate.note}")
                out.setdefault(f"{r.method.split(',')[0]} rests on: {r.rests_on}")
        out.update(
            {f"{name}: {n} fish, too few (fewer than {FEWEST_FISH})": None for name, n in self.passed_over}
        )
        return list(out)

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {
            "groups": [
                {
                    "group": g.group,
                    "methods": [
                        {
                            "method": r.method,
                            "quantity": r.quantity,
                            "rests_on": r.rests_on,
                            **r.estimate.as_dict(),
                        }
                        for r in g.rows
                    ],
                    "not_run": list(g.not_run),
                }
                for g in self.groups
            ],
            "passed_over": [{"group": name, "fish": n} for name, n in self.passed_over],
        }


def effective_sizes(
    programme: Programme, year_class: int | None = None, line: str | None = None, name: str = "snps"
) -> SizeReport:
    """Estimate the effective size behind year classes of a line.

    Parameters
    ----------
    programme : Programme
        Open records.
    year_class : int, optional
        One year class; default all.
    line : str, optional
        One supply line; default each.
    name : str
        Call set.

    Returns
    -------
    SizeReport
        Groups by year class, then line.

    Raises
    ------
    UsageError
        If no sample fits.
    """
    genotypes = call_set(programme, name)
    table = sample_table(programme, genotypes)
    neutral = [i for i, locus in enumerate(genotypes.loci) if locus.role == "neutral"]
    typed = pd.Series(genotypes.typed[neutral].sum(axis=0), index=table.index)
    used = one_sample_per_fish(table, typed) & (
        typed >= programme.settings["sample_call_rate_min"] * max(len(neutral), 1)
    )
    used &= table["year_class"].notna() & table["line"].fillna("").ne("")
    if year_class is not None:
        used &= (table["year_class"] == year_class).fillna(False)
    if line is not None:
        used &= table["line"] == line
    chosen = table[used]
    if chosen.empty:
        raise UsageError(
            f"effective size: found no typed sample of year class {year_class or 'any'} and line {line or 'any'}. "
            "Expected at least one. Check year_class and line in samples.csv."
        )
    position = pd.Series(np.arange(len(table)), index=table.index)
    groups, passed = [], []
    for (year, where), part in chosen.groupby(["year_class", "line"], sort=True):
        label = f"year class {int(year)}, {where}"
        if len(part) < FEWEST_FISH:
            passed.append((label, len(part)))
            continue
        columns = position[part.index].to_numpy()
        contributions = _contributions(programme, int(year)) if where == "hatchery" else {}
        groups.append(
            effective_size_side_by_side(
                GroupData(group=label, genotypes=genotypes.take(samples=columns), **contributions),
                screens=(programme.settings["screen_allele"], "no singletons"),
                level=programme.settings["confidence"],
                seed=programme.settings["seed"],
                threads=1,
            )
        )
    return SizeReport(tuple(groups), tuple(passed))


def _contributions(programme: Programme, year: int) -> dict[str, Any]:
    """Return breeders and their shares of the fry kept, from the crosses of one season."""
    crosses = programme.tables["crosses"]
    season = crosses[(crosses["season"] == year) & (crosses["dam"] != "") & (crosses["sire"] != "")]
    if season.empty:
        return {}
    kept = season["kept"].where(season["kept"].notna(), season["swim_up"]).astype("Float64").fillna(0.0)
    dams = kept.groupby(season["dam"]).sum()
    sires = kept.groupby(season["sire"]).sum()
    out: dict[str, Any] = {"n_females": len(dams), "n_males": len(sires)}
    if dams.sum() > 0:
        out["female_shares"] = list(dams[dams > 0].astype(float))
        out["male_shares"] = list(sires[sires > 0].astype(float))
    return out
