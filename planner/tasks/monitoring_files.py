"""Write what monitoring found: tables as CSV, figures."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from planner.reports.figures import write_figure
from planner.reports.monitoring_figures import contribution_figure, growth_figure, quota_figure
from planner.tasks.contribution import ContributionReport
from planner.tasks.feedback import Feedback
from planner.tasks.growth import GrowthReport
from planner.tasks.outputs import write_text
from planner.tasks.quota import QuotaReport

MOST_GROUPS = 40


def _csv(path: Path, head: Sequence[str], lines: Sequence[Sequence[str]]) -> Path:
    write_text(path, pd.DataFrame(list(lines), columns=list(head)).to_csv(index=False, lineterminator="\n"))
    return path


def write_quota(report: QuotaReport, folder: Path) -> list[Path]:
    """Write the tally and its figure, and the accumulation of parents when there is one.

    Raises
    ------
    OSError
        If the folder cannot be written.
    """
    folder.mkdir(parents=True, exist_ok=True)
    out = [_csv(folder / "larval_quota.csv", *report.table())]
    cells = pd.DataFrame(
        [(c.zone, c.week_from.isoformat(), c.taken, c.wanted, c.light) for c in report.cells],
        columns=["zone", "week", "taken", "wanted", "light"],
    )
    if len(cells):
        out += write_figure(
            quota_figure(cells, f"Larvae of year class {report.year_class}"), folder / "larval_quota"
        )
    for name, found in report.parents.items():
        points = [(c.units, c.kind, c.parents.value, c.parents.low, c.parents.high) for c in found.curve]
        frame = pd.DataFrame(points, columns=["units", "kind", "parents", "low", "high"])
        path = folder / f"parents_by_{name}.csv"
        write_text(path, frame.to_csv(index=False, lineterminator="\n"))
        out.append(path)
    return out


def write_growth(report: GrowthReport, folder: Path) -> list[Path]:
    """Write the groups, the pairs of lengths and the figure; errors as in `write_quota`."""
    folder.mkdir(parents=True, exist_ok=True)
    out = [_csv(folder / "growth.csv", *report.table()), folder / "length_pairs.csv"]
    write_text(out[1], report.pairs.to_csv(index=False, lineterminator="\n"))
    pairs = report.pairs[report.pairs["years"].between(0.5, 1.5)]
    if len(pairs):
        drawn = pairs.assign(per_year=(pairs["second_mm"] - pairs["first_mm"]) / pairs["years"])
        all_fish = report.groups[0].growth
        lines = []
        if all_fish.rate.value is not None:
            for x in np.linspace(float(pairs["first_mm"].min()), float(pairs["first_mm"].max()), 30):
                e = all_fish.length_after(float(x), 1.0)
                if e.value is not None and e.low is not None and e.high is not None:
                    lines.append((float(x), e.value - x, e.low - x, e.high - x))
        frame = pd.DataFrame(lines, columns=["first_mm", "per_year", "low", "high"]).astype(float)
        chart = growth_figure(
            drawn[["first_mm", "per_year", "kind"]],
            frame,
            "Growth of fish measured again after half a year to a year and a half",
        )
        out += write_figure(chart, folder / "growth")
    return out


def write_contribution(reports: Sequence[ContributionReport], folder: Path) -> list[Path]:
    """Write the shares to adults and larvae and their figures; errors as in `write_quota`."""
    folder.mkdir(parents=True, exist_ok=True)
    out = []
    for report in reports:
        if report.found is None:
            continue
        out.append(_csv(folder / f"contribution_to_{report.of}.csv", *report.table()))
        total = max(sum(report.released), 1)
        order = [r[0] for r in report.table(MOST_GROUPS)[1]]
        place = {g: k for k, g in enumerate(report.found.groups)}
        lines = []
        for group in order:
            e = report.found.share[place[group]]
            if e.value is not None:
                lines.append((group, e.value, e.low, e.high, report.released[place[group]] / total))
        if lines:
            frame = pd.DataFrame(lines, columns=["group", "value", "low", "high", "released"])
            chart = contribution_figure(frame, f"Contribution to {report.of} by {report.by}", order)
            out += write_figure(chart, folder / f"contribution_to_{report.of}")
    return out


def write_feedback(found: Feedback, folder: Path) -> list[Path]:
    """Write the table of proposals; errors as in `write_quota`."""
    folder.mkdir(parents=True, exist_ok=True)
    return [_csv(folder / "proposals.csv", *found.table())]
