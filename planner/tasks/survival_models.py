"""Survival after release: curves by water and season, models compared, by group, length class, year; fit shown."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from broodstock.errors import UsageError
from broodstock.estimates import Estimate
from planner.reports.figures import write_figure
from planner.reports.monitoring_figures import survival_curves_figure
from planner.tasks.outputs import write_text
from planner.tasks.programme import Programme
from planner.tasks.survival_models_compared import compared_models
from planner.tasks.survival_models_curves import ProgrammeCurves, programme_curves
from planner.tasks.survival_models_encounters import Encounters, encounters_of

BY = ("event", "site", "length", "season", "year", "year-class")
LENGTHS = (250.0, 300.0, 350.0, 400.0)
MET_AFTER_DAYS = 365


@dataclass(frozen=True)
class SurvivalReport:
    """Survival of released fish.

    Parameters
    ----------
    met : Encounters
        Released fish and encounters.
    curves : ProgrammeCurves
        Fitted curves.
    by : str
        Grouping of `groups`.
    groups : DataFrame
        ``group``, ``released``, ``met``, ``share`` (Estimate), ``survival`` (float or None).
    models : tuple of tuple of str
        Models of survival and detection compared, as text.
    statements : tuple of str
        Goodness of fit, what is not estimable and why, what was left out.
    """

    met: Encounters
    curves: ProgrammeCurves
    by: str
    groups: pd.DataFrame
    models: tuple[tuple[str, ...], ...]
    statements: tuple[str, ...]

    def curve_table(self) -> tuple[list[str], list[list[str]]]:
        """Return headings and one row per water and season."""
        head = [
            "water",
            "season",
            "released",
            "met",
            *(f"at {x:.0f} mm" for x in LENGTHS),
            "in use at 350 mm",
        ]
        lines = []
        for k, (site, season, _) in enumerate(self.curves.sites):
            old = self.curves.in_use[k]
            fit = self.curves.fit
            counts = ["", ""] if fit is None else [str(int(fit.released[k])), str(int(fit.met[k]))]
            values = [self.curves.at(k, x) for x in LENGTHS]
            shown = [v.text(3) if v.value is not None else "not estimable" for v in values]
            lines.append(
                [site, season, *counts, *shown, "none" if old is None else f"{float(old.at(350.0)):.3f}"]
            )
        return head, lines

    def group_table(self) -> tuple[list[str], list[list[str]]]:
        """Return headings and one row per group."""
        head = [self.by, "released", "met a year later or more", "share met", "survival by the curves"]
        return head, [
            [
                str(r["group"]),
                str(r["released"]),
                str(r["met"]),
                r["share"].text(3),
                "" if r["survival"] is None else f"{r['survival']:.3f}",
            ]
            for r in self.groups.to_dict("records")
        ]

    def detection_table(self) -> tuple[list[str], list[list[str]]]:
        """Return yearly survival after the first year and the chance to be met, by kind of water."""
        head = ["kind of water", "later yearly survival", "met in a middling year"]
        if self.curves.fit is None:
            return head, []
        d = self.curves.fit.detection
        return head, [
            [kind, d[f"survival {k}"].text(3), d[f"met {k}"].text(3)]
            for k, kind in enumerate(self.curves.kinds)
            if d.get(f"survival {k}") is not None and d[f"survival {k}"].n_used > 0
        ]

    def as_dict(self) -> dict[str, Any]:
        """Return plain values."""
        return {
            "by": self.by,
            "curves": [
                {
                    "site_id": site,
                    "season": season,
                    "survival": {f"{x:.0f}": self.curves.at(k, x).as_dict() for x in LENGTHS},
                }
                for k, (site, season, _) in enumerate(self.curves.sites)
            ],
            "detection": {}
            if self.curves.fit is None
            else {k: e.as_dict() for k, e in self.curves.fit.detection.items()},
            "groups": [{**r, "share": r["share"].as_dict()} for r in self.groups.to_dict("records")],
            "models": [list(m) for m in self.models],
            "statements": list(self.statements),
        }


def survival_report(programme: Programme, by: str = "event", met: Encounters | None = None) -> SurvivalReport:
    """Fit survival and set the groups beside it.

    Parameters
    ----------
    programme : Programme
        Open records, with scans.
    by : {'event', 'site', 'length', 'season', 'year', 'year-class'}
        Groups of released fish.
    met : Encounters, optional
        Released fish and encounters; made from the records when not given.

    Raises
    ------
    UsageError
        If `by` is none of these.
    """
    if by not in BY:
        raise UsageError(f"--by: found {by!r}. Expected one of {', '.join(BY)}.")
    met = met or encounters_of(programme)
    curves = programme_curves(programme, met)
    statements = list(met.notes) + list(curves.notes)
    if curves.fit is None:
        statements.append(f"Curves are not estimable because {curves.reason}.")
    else:
        statements.append(curves.fit.fit.sentence)
        statements.append(
            f"Waters and seasons differ with a spread of {curves.fit.spread:.2f} (logit) around their kind's mean; few fish lean "
            "on the mean and on the curve in use."
        )
    if curves.young:
        statements.append(
            f"{curves.young} fish were released too lately to say whether they lived through a year."
        )
    kept = float(programme.settings["tag_kept_first_year"])
    words = (
        "is of fish with a readable tag: tag loss counts as death"
        if kept == 1
        else f"allows for {1 - kept:.1%} tags lost"
    )
    statements.append(f"Survival {words} (setting tag_kept_first_year).")
    models, said = compared_models(programme, met)
    statements += said
    return SurvivalReport(met, curves, by, _groups(programme, met, curves, by), models, tuple(statements))


def _groups(programme: Programme, met: Encounters, curves: ProgrammeCurves, by: str) -> pd.DataFrame:
    fish = met.fish
    old = met.last_day - fish["released"].to_numpy(dtype=np.int64) >= MET_AFTER_DAYS + 180
    late = met.day - fish["released"].to_numpy(dtype=np.int64)[met.who] >= MET_AFTER_DAYS
    seen = np.zeros(len(fish), dtype=bool)
    seen[met.who[late]] = True
    labels = _labels(fish, by, int(programme.settings["size_class_mm"]))
    index = {(s, q): k for k, (s, q, _) in enumerate(curves.sites)}
    survival = np.full(len(fish), np.nan)
    if curves.fit is not None:
        for (site, season), k in index.items():
            here = ((fish["site_id"] == site) & (fish["season"] == season)).to_numpy()
            intercept, slope, _ = curves.fit.line(k)
            survival[here] = 1 / (1 + np.exp(-(intercept + slope * met.length_mm[here])))
    level = float(programme.settings["confidence"])
    out = []
    for label in sorted(set(labels[old])):
        mine = old & (labels == label)
        n, y = int(mine.sum()), int(seen[mine].sum())
        known = survival[mine & np.isfinite(survival)]
        out.append(
            {
                "group": label,
                "released": n,
                "met": y,
                "share": _wilson(y, n, level),
                "survival": float(known.mean()) if len(known) else None,
            }
        )
    return pd.DataFrame(out, columns=["group", "released", "met", "share", "survival"]).astype(object)


def _labels(fish: pd.DataFrame, by: str, width: int) -> np.ndarray:
    if by == "length":
        floor = np.floor(fish["length_mm"].to_numpy(dtype=np.float64) / width) * width
        return np.array(
            ["not measured" if np.isnan(x) else f"{x:.0f} to {x + width - 1:.0f} mm" for x in floor],
            dtype=object,
        )
    if by == "year":
        days = fish["released"].to_numpy(dtype=np.int64).astype("datetime64[D]")
        return np.array([str(d)[:4] for d in days], dtype=object)
    if by == "year-class":
        return np.array(
            ["not known" if pd.isna(y) else str(int(y)) for y in fish["year_class"]], dtype=object
        )
    column = {"event": "event", "site": "site_id", "season": "season"}[by]
    return fish[column].to_numpy(dtype=object)


def _wilson(y: int, n: int, level: float) -> Estimate:
    """Return a share with Wilson's interval (Wilson 1927, from memory)."""
    from scipy.stats import norm

    z = float(norm.ppf(0.5 + level / 2))
    p = y / n
    middle = (p + z * z / (2 * n)) / (1 + z * z / n)
    half = z * float(np.sqrt(p * (1 - p) / n + z * z / (4 * n * n))) / (1 + z * z / n)
    return Estimate(
        p, max(0.0, middle - half), min(1.0, middle + half), "share met, Wilson interval", n, level=level
    )


def write_survival(report: SurvivalReport, folder: Path) -> list[Path]:
    """Write the curves and groups as CSV, and the figure of the curves.

    Raises
    ------
    OSError
        If the folder cannot be written.
    """
    folder.mkdir(parents=True, exist_ok=True)
    out = [folder / "survival_curves.csv", folder / "survival_groups.csv"]
    head, lines = report.curve_table()
    write_text(out[0], pd.DataFrame(lines, columns=head).to_csv(index=False, lineterminator="\n"))
    head, lines = report.group_table()
    write_text(out[1], pd.DataFrame(lines, columns=head).to_csv(index=False, lineterminator="\n"))
    drawn = curve_points(report.curves)
    if len(drawn):
        title = "First-year survival by length, water and season"
        out += write_figure(survival_curves_figure(drawn, title), folder / "survival_curves")
    return out


def curve_points(curves: ProgrammeCurves) -> pd.DataFrame:
    """Return points of the fitted curves and of those in use; waters with fish whose first year is over."""
    if curves.fit is None:
        return pd.DataFrame(columns=["panel", "length_mm", "value", "low", "high", "in_use"])
    out = []
    for k, (site, season, _) in enumerate(curves.sites):
        if int(curves.fit.released[k]) == 0:
            continue
        for x in np.arange(200.0, 501.0, 20.0):
            e, old = curves.fit.at(k, float(x)), curves.in_use[k]
            out.append(
                (
                    f"{site}, {season}",
                    float(x),
                    e.value,
                    e.low,
                    e.high,
                    None if old is None else float(old.at(x)),
                )
            )
    return pd.DataFrame(out, columns=["panel", "length_mm", "value", "low", "high", "in_use"])
