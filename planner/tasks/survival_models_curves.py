"""First-year survival curves of the programme, fitted to its own releases and encounters, beside those in use."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from broodstock.arrays import BigIntArray
from broodstock.errors import ValueRangeError
from broodstock.estimates import Estimate
from planner.monitor.curves import CurveFit, fit_curves
from planner.monitor.curves_data import REFERENCE_MM, CurveCells, ReleasedFish
from planner.monitor.curves_detection import year_windows
from planner.monitor.expected_survivors import Survivors, expected_survivors
from planner.tasks.programme import Programme
from planner.tasks.rows import rows
from planner.tasks.survival_curves import SurvivalCurve, curve_of, prior_curve_of
from planner.tasks.survival_models_encounters import Encounters

SEASONS = ("winter", "spring", "summer", "autumn")
FALLBACK = SurvivalCurve(
    -7.069, 0.01634, 1.0, "line through 5 % at 252.5 mm and 75 % at 500 mm (Zelasko et al. 2010)"
)
"""Curve that new data are set against where the records hold none; a wide error goes with it."""
USUAL_ERROR = 0.5


@dataclass(frozen=True)
class ProgrammeCurves:
    """Fitted curves with what they were fitted to.

    Parameters
    ----------
    fit : CurveFit or None
        None when nothing can be fitted; `reason` says why.
    sites : tuple of (str, str, str)
        Water, season and kind of water of each cell.
    in_use : tuple of SurvivalCurve or None
        Curve that plans use now, by cell.
    kinds : tuple of str
        Kinds of water, as numbered in the fit.
    young : int
        Released fish whose first year is not over or was not open to sight long enough.
    reason : str
        Why there is no fit.
    notes : tuple of str
        What was assumed.
    """

    fit: CurveFit | None
    sites: tuple[tuple[str, str, str], ...]
    in_use: tuple[SurvivalCurve | None, ...]
    kinds: tuple[str, ...]
    young: int = 0
    reason: str = ""
    notes: tuple[str, ...] = ()

    def at(self, cell: int, length_mm: float) -> Estimate:
        """Return first-year survival of a cell at a length."""
        if self.fit is None:
            return Estimate.not_estimable(self.reason)
        return self.fit.at(cell, length_mm)


def programme_curves(programme: Programme, met: Encounters) -> ProgrammeCurves:
    """Fit the curves of every water and season with releases.

    Parameters
    ----------
    programme : Programme
        Open records.
    met : Encounters
        Released fish and encounters.
    """
    sites = {row.site_id: row for row in rows(programme.tables["sites"])}
    fish = met.fish
    cells = sorted(
        {(s, q) for s, q in zip(fish["site_id"], fish["season"], strict=True) if s in sites},
        key=lambda c: (c[0], SEASONS.index(c[1])),
    )
    kinds = tuple(sorted({str(r.kind) for r in sites.values()}))
    words = tuple((s, q, str(sites[s].kind)) for s, q in cells)
    in_use = tuple(curve_of(programme, sites[s], q) for s, q in cells)
    if not cells:
        return ProgrammeCurves(
            None, words, in_use, kinds, reason="no tagged fish was released to a known water"
        )
    notes: list[str] = []
    prior = _priors(programme, sites, cells, kinds, notes)
    kind_of = {s: kinds.index(str(r.kind)) for s, r in sites.items()}
    places = sorted(sites)
    inside = fish["site_id"].isin(sites).to_numpy()
    kind = np.array([kind_of.get(s, 0) for s in fish["site_id"]], dtype=np.int64)
    place = np.array([places.index(s) if s in sites else 0 for s in fish["site_id"]], dtype=np.int64)
    windows, cohort, seen = year_windows(
        fish["released"].to_numpy(dtype=np.int64),
        met.who,
        met.day,
        kind,
        place,
        met.last_day,
        [met.looked.get(k, np.zeros(0, dtype=np.int64)) for k in kinds],
        kept=float(programme.settings["tag_kept_first_year"]),
    )
    length = met.length_mm
    measured = np.isfinite(length)
    if (inside & ~measured).any():
        notes.append(
            f"{int((inside & ~measured).sum())} released fish without a length were left out of the curves."
        )
    used = inside & measured & (cohort >= 0)
    looked = np.array(
        [bool(windows.looked[windows.kind[c]].any()) if c >= 0 else False for c in range(len(windows.kind))]
    )
    used[used] = looked[cohort[used]] if len(looked) else False
    reason = _why_not(int(used.sum()), int(seen[used].sum()), len(met.who), met)
    if reason:
        return ProgrammeCurves(
            None, words, in_use, kinds, int((inside & (cohort < 0)).sum()), reason, tuple(notes)
        )
    index = {c: k for k, c in enumerate(cells)}
    cell = np.array(
        [index.get((s, q), 0) for s, q in zip(fish["site_id"], fish["season"], strict=True)], dtype=np.int64
    )
    released = ReleasedFish.gathered(cell[used], length[used], cohort[used], seen[used])
    fit = fit_curves(prior, released, windows, float(programme.settings["confidence"]))
    return ProgrammeCurves(fit, words, in_use, kinds, int((inside & (cohort < 0)).sum()), "", tuple(notes))


def _why_not(used: int, seen: int, encounters: int, met: Encounters) -> str:
    """Say why curves cannot be fitted, or nothing."""
    if used == 0:
        if not any(len(d) for d in met.looked.values()):
            return "no nets or readers were out: without effort nobody can be met, alive or not"
        return "no released fish was out for a year and a half in waters where anybody looked"
    if seen == 0:
        return (
            f"none of {used} fish was met a year or more after release ({encounters} encounters in all): survival and the "
            "chance to be met cannot be told apart; keep the curves in use"
        )
    return ""


def _priors(
    programme: Programme,
    sites: dict[str, Any],
    cells: list[tuple[str, str]],
    kinds: tuple[str, ...],
    notes: list[str],
) -> CurveCells:
    curves, missing = [], []
    for s, q in cells:
        curve = prior_curve_of(programme, sites[s], q)
        if curve is None:
            others = [prior_curve_of(programme, sites[s], other) for other in SEASONS]
            curve = next((c for c in others if c is not None), None)
            missing.append(f"{s} {q}")
        curves.append(curve or FALLBACK)
    if missing:
        notes.append(
            f"No curve of their own for {', '.join(missing)}: the new curve leans on another season or, without one, on the "
            "published two-point line."
        )
    kind = np.array([kinds.index(str(sites[s].kind)) for s, _ in cells], dtype=np.int64)
    errors = np.array([c.error if c.error else USUAL_ERROR for c in curves])
    kind_sd = np.array(
        [float(errors[kind == k].max()) if (kind == k).any() else USUAL_ERROR for k in range(len(kinds))]
    )
    return CurveCells(
        tuple(cells),
        kind,
        np.array([c.intercept for c in curves]),
        np.array([c.slope for c in curves]),
        kind_sd,
    )


def plan_survivors(
    programme: Programme,
    curves: ProgrammeCurves,
    site_id: list[str],
    season: str,
    length_mm: np.ndarray,
    draws: int = 2000,
) -> tuple[Survivors, tuple[str, ...], tuple[str, ...]]:
    """Return the expected survivors of fish sent to waters, with intervals.

    Parameters
    ----------
    programme : Programme
        Open records.
    curves : ProgrammeCurves
        Fitted curves; cells they lack use the curve in use with its own error.
    site_id : list of str, length n_fish
        Water of each fish.
    season : str
        Season of release.
    length_mm : ndarray, float64, shape (n_fish,)
        Total length, mm.
    draws : int
        Draws.

    Returns
    -------
    survivors : Survivors
        Totals, and by water.
    waters : tuple of str
        Waters in the order of the groups.
    notes : tuple of str
        Where a curve came from when it is not the fitted one.

    Raises
    ------
    ValueRangeError
        If a water has no curve at all.
    """
    rng = np.random.default_rng(int(programme.settings["seed"]))
    waters = tuple(dict.fromkeys(site_id))
    table = {row.site_id: row for row in rows(programme.tables["sites"])}
    fitted = {(s, q): k for k, (s, q, _) in enumerate(curves.sites)}
    if curves.fit is not None:
        intercepts, slopes = curves.fit.draws(draws, rng)
    columns_a, columns_b, notes = [], [], []
    shared: dict[tuple[float, float, float | None], np.ndarray] = {}
    for water in waters:
        k = fitted.get((water, season))
        if curves.fit is not None and k is not None:
            columns_a.append(intercepts[:, k])
            columns_b.append(slopes[:, k])
            continue
        curve = curve_of(programme, table[water], season) if water in table else None
        if curve is None:
            raise ValueRangeError(
                f"{water}: found no survival curve for {season}. Expected one in survival.csv or releases to fit it to. Add it."
            )
        notes.append(
            f"{water}: curve in use ({curve.source}); the programme has no releases there in {season}."
        )
        key = (curve.intercept, curve.slope, curve.error)
        if key not in shared:
            shared[key] = rng.normal(0.0, curve.error or 0.0, draws)
        columns_a.append(curve.intercept + shared[key])
        columns_b.append(np.full(draws, curve.slope))
    group: BigIntArray = np.array([waters.index(s) for s in site_id], dtype=np.int64)
    key2 = np.column_stack([group, np.round(length_mm / 5.0)])
    classes, at = np.unique(key2, axis=0, return_inverse=True)
    number = np.bincount(at.ravel(), minlength=len(classes)).astype(np.int64)
    mean = np.bincount(at.ravel(), weights=length_mm, minlength=len(classes)) / number
    where = classes[:, 0].astype(np.int64)
    found = expected_survivors(
        np.column_stack(columns_a),
        np.column_stack(columns_b),
        where,
        mean,
        number,
        where,
        len(waters),
        rng,
        float(programme.settings["confidence"]),
    )
    return found, waters, tuple(notes)


def reference_logit(curve: SurvivalCurve) -> float:
    """Return the logit of survival at 350 mm."""
    return curve.intercept + curve.slope * REFERENCE_MM
