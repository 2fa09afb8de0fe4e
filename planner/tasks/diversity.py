"""Diversity by group: table, figure, plain values."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from broodstock.diversity.table import DiversityRow, diversity_table
from broodstock.estimates import Estimate
from planner.tasks.groups import By, call_set, group_labels, one_sample_per_fish, sample_table
from planner.tasks.programme import Programme

STATISTICS = {
    "observed_heterozygosity": "Ho",
    "expected_heterozygosity": "He",
    "allelic_richness": "Ar",
    "private_allelic_richness": "private Ar",
    "inbreeding_coefficient": "Fis",
}


@dataclass(frozen=True)
class DiversityReport:
    """Diversity of every group.

    Parameters
    ----------
    rows : tuple of DiversityRow
        One per group.
    call_set, by : str
        What was asked.
    left_out : dict of str to int
        Samples not used, by reason.
    """

    rows: tuple[DiversityRow, ...]
    call_set: str
    by: str
    left_out: dict[str, int]

    def table(self) -> tuple[list[str], list[list[str]]]:
        """Return headings and rows as words."""
        g = max((r.g for r in self.rows), default=0)
        head = ["group", "fish", "loci", "Ho", "He", f"Ar(g={g})", "private Ar", "Fis"]
        rows = []
        for r in self.rows:
            values = [_short(getattr(r, name)) for name in STATISTICS]
            rows.append([str(r.group), str(r.n_typed), str(r.loci_typed), *values])
        return head, rows

    def long_table(self) -> pd.DataFrame:
        """Return one row per group and statistic with its interval and method."""
        records = [
            {
                "group": str(r.group),
                "fish": r.n_typed,
                "loci": r.loci_typed,
                "g": r.g,
                "statistic": name,
                **_flat(getattr(r, name)),
            }
            for r in self.rows
            for name in STATISTICS
        ]
        return pd.DataFrame(records)

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        groups = [
            {
                "group": str(r.group),
                "fish": r.n_typed,
                "loci": r.loci_typed,
                "g": r.g,
                **{name: getattr(r, name).as_dict() for name in STATISTICS},
            }
            for r in self.rows
        ]
        return {"call_set": self.call_set, "by": self.by, "left_out": self.left_out, "groups": groups}

    def notes(self) -> list[str]:
        """Return what the reader must know: method, samples left out, why a value is missing."""
        out = []
        if self.rows:
            method = self.rows[0].expected_heterozygosity.method
            out.append(f"He: {method}.")
        out += [f"{n} samples left out: {why}." for why, n in self.left_out.items() if n]
        reasons: dict[str, list[str]] = {}
        for r in self.rows:
            for name, short in STATISTICS.items():
                estimate: Estimate = getattr(r, name)
                if not estimate.estimable:
                    reasons.setdefault(estimate.reason, []).append(f"{r.group} {short}")
        out += [f"{', '.join(which)}: not estimable because {why}." for why, which in reasons.items()]
        return out


def diversity_by(programme: Programme, by: By = "year-class-and-line", name: str = "snps") -> DiversityReport:
    """Estimate diversity of every group of samples of one call set.

    Parameters
    ----------
    programme : Programme
        Open records.
    by : str
        What makes a group, see `planner.tasks.groups.group_labels`.
    name : str
        Call set.

    Returns
    -------
    DiversityReport
        Rows ordered by group name.

    Raises
    ------
    UsageError
        If the call set or the grouping is unknown.
    """
    genotypes = call_set(programme, name)
    table = sample_table(programme, genotypes)
    neutral = [i for i, locus in enumerate(genotypes.loci) if locus.role == "neutral"]
    typed = pd.Series(genotypes.typed[neutral].sum(axis=0), index=table.index)
    used = one_sample_per_fish(table, typed)
    enough = typed >= programme.settings["sample_call_rate_min"] * max(len(neutral), 1)
    labels = group_labels(table, by)
    final = [label if keep and ok else None for label, keep, ok in zip(labels, used, enough, strict=True)]
    left_out = {
        "replicates, controls and second samples of a fish": int((~used).sum()),
        "typed at too few loci": int((used & ~enough).sum()),
        "without the group asked for": sum(
            label is None and keep and ok for label, keep, ok in zip(labels, used, enough, strict=True)
        ),
    }
    order = sorted({x for x in final if x is not None})
    rows = diversity_table(
        genotypes,
        final,
        order=order,
        g=programme.settings["rarefy_to"] or None,
        n_replicates=programme.settings["bootstrap_replicates"],
        level=programme.settings["confidence"],
        seed=np.random.default_rng(programme.settings["seed"]),
    )
    return DiversityReport(tuple(rows), name, by, left_out)


def trend_table(report: DiversityReport, statistic: str = "expected_heterozygosity") -> pd.DataFrame:
    """Return one statistic by year class and line, for the trend figure.

    Parameters
    ----------
    report : DiversityReport
        Made with ``by='year-class-and-line'`` or ``'year-class'``.
    statistic : str
        Attribute of `DiversityRow`.

    Returns
    -------
    DataFrame
        Columns year_class, line, value, low, high, n; groups without an estimate or interval are absent.
    """
    records = []
    for r in report.rows:
        year, _, line = str(r.group).partition(" ")
        e: Estimate = getattr(r, statistic)
        if year.isdigit() and e.value is not None and e.low is not None and e.high is not None:
            records.append(
                {
                    "year_class": int(year),
                    "line": line or "all",
                    "value": e.value,
                    "low": e.low,
                    "high": e.high,
                    "n": r.n_typed,
                }
            )
    return pd.DataFrame(records, columns=["year_class", "line", "value", "low", "high", "n"])


def _short(e: Estimate) -> str:
    return e.text(3) if e.estimable else "not estimable"


def _flat(e: Estimate) -> dict[str, Any]:
    values = e.as_dict()
    return {k: values[k] for k in ("value", "low", "high", "level", "method", "note", "reason")}
