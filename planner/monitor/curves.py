"""First-year survival against length, one curve for each water and season, drawn towards the programme's own mean.

The logit of survival of a fish of length L released to cell c (a water and a season) of a kind of water k is

    a_c + m_c x + d_k + u_c + (d + v_c) x,      x = (L - 350 mm) / 50 mm,

with a_c + m_c x the curve in use (the prior), d_k the deviation of all waters of a kind, u_c that of one water and
season, d and v_c the same for the slope. Deviations are normal around 0: d_k with the standard error of the curves
in use, u_c and v_c with spreads that the data choose. Cells with few fish lean on the others (shrinkage).

Fitted by penalised likelihood with Laplace's approximation, joint with the chance to be met again
(`planner.monitor.curves_detection`), on a grid of the two spreads whose points are weighed by their marginal
likelihood (nested Laplace approximation: Rue, Martino & Chopin 2009, J. R. Stat. Soc. B 71:319, from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from broodstock.arrays import BigIntArray, FloatArray
from broodstock.errors import ShapeError, ValueRangeError
from broodstock.estimates import Estimate
from planner.monitor.curves_data import REFERENCE_MM, UNIT_MM, CurveCells, ReleasedFish
from planner.monitor.curves_detection import YearWindows, expit
from planner.monitor.curves_posterior import CurvePosterior

SPREADS = (0.03, 0.12, 0.25, 0.5, 1.0)
"""Grid of the spread of intercepts between waters and seasons, logit."""
SLOPE_SPREADS = (0.01, 0.05, 0.15, 0.4)
"""Grid of the spread of slopes, logit per 50 mm."""
SPREAD_SCALE, SLOPE_SPREAD_SCALE = 0.5, 0.15
"""Scales of the half-normal priors of the spreads."""


@dataclass(frozen=True)
class Component:
    """The normal approximation at one pair of spreads."""

    weight: float
    mode: FloatArray
    covariance: FloatArray


@dataclass(frozen=True)
class FitTest:
    """Fish met against those expected, over cells and classes of length.

    Parameters
    ----------
    chi_square : float
        Pearson's statistic over classes with an expectation of 3 or more, others joined.
    degrees : int
        Classes less the parameters the data chose (effective number).
    p_value : float or None
        Chance of a larger statistic; None without degrees of freedom.
    inflation : float
        Factor of the variances: chi-square per degree, at least 1.
    sentence : str
        Words for a person.
    """

    chi_square: float
    degrees: int
    p_value: float | None
    inflation: float
    sentence: str


@dataclass(frozen=True)
class CurveFit:
    """Curves with their uncertainty.

    Parameters
    ----------
    cells : CurveCells
        What was fitted.
    components : tuple of Component
        Mixture over the spreads, the weights sum to 1.
    n_b : int
        Curve parameters at the head of each mode: kinds, cells, slope, cells.
    released, met : ndarray, int64, shape (n_cells,)
        Fish with a known length and an open window, and those met again.
    fit : FitTest
        Goodness of fit.
    detection : dict of str to Estimate
        Yearly survival after the first year by kind ``survival k`` and the mean chance to be met ``met k``.
    spread, slope_spread : float
        Posterior means of the two spreads.
    level : float
        Coverage intervals aim at.
    """

    cells: CurveCells
    components: tuple[Component, ...]
    n_b: int
    released: BigIntArray
    met: BigIntArray
    fit: FitTest
    detection: dict[str, Estimate]
    spread: float
    slope_spread: float
    level: float = 0.95
    method: str = field(
        default="hierarchical logistic curve drawn towards the programme's mean and the curve in use, chance to be met "
        "fitted with it; Laplace approximation over a grid of spreads"
    )

    def logit_at(self, cell: int, length_mm: float) -> tuple[float, float]:
        """Return posterior mean and standard deviation of the logit of survival."""
        row = _row(self.cells, cell, length_mm)
        base = self.cells.intercept[cell] + self.cells.slope[cell] * length_mm
        means = np.array([base + row @ c.mode[: self.n_b] for c in self.components])
        inside = np.array([row @ c.covariance[: self.n_b, : self.n_b] @ row for c in self.components])
        weights = np.array([c.weight for c in self.components])
        mean = float(weights @ means)
        variance = float(weights @ (inside + (means - mean) ** 2)) * self.fit.inflation
        return mean, math.sqrt(max(variance, 0.0))

    def at(self, cell: int, length_mm: float) -> Estimate:
        """Return first-year survival of a fish of a length with its interval (normal on the logit)."""
        from scipy.stats import norm

        mean, sd = self.logit_at(cell, length_mm)
        z = float(norm.ppf(0.5 + self.level / 2))
        low, mid, high = (float(expit(np.array(mean + k * sd))) for k in (-z, 0.0, z))
        return Estimate(mid, low, high, self.method, int(self.released[cell]), "fish released", self.level)

    def line(self, cell: int) -> tuple[float, float, float]:
        """Return intercept at 0 mm, slope per mm, and standard error of the logit at 350 mm."""
        at_reference, error = self.logit_at(cell, REFERENCE_MM)
        slope = (self.logit_at(cell, REFERENCE_MM + UNIT_MM)[0] - at_reference) / UNIT_MM
        return at_reference - slope * REFERENCE_MM, slope, error

    def draws(self, number: int, rng: np.random.Generator) -> tuple[FloatArray, FloatArray]:
        """Draw curves from the posterior; cells of one draw belong together.

        Returns
        -------
        intercept, slope : ndarray, float64, shape (number, n_cells)
            Logit at 0 mm and per mm.
        """
        rows = np.array(
            [[_row(self.cells, c, x) for c in range(len(self.cells.names))] for x in (350.0, 400.0)]
        )
        shares = rng.multinomial(number, [c.weight for c in self.components])
        parts = []
        for component, n in zip(self.components, shares, strict=True):
            covariance = component.covariance[: self.n_b, : self.n_b] * self.fit.inflation
            root = np.linalg.cholesky(covariance + 1e-12 * np.eye(self.n_b))
            parts.append(component.mode[: self.n_b] + rng.standard_normal((n, self.n_b)) @ root.T)
        b = rng.permutation(np.concatenate(parts), axis=0)
        at_reference = self.cells.intercept + self.cells.slope * REFERENCE_MM + b @ rows[0].T
        slope = self.cells.slope + (b @ (rows[1] - rows[0]).T) / UNIT_MM
        return at_reference - slope * REFERENCE_MM, slope


def fit_curves(
    cells: CurveCells, fish: ReleasedFish, windows: YearWindows | None = None, level: float = 0.95
) -> CurveFit:
    """Fit the curves of all cells together.

    Parameters
    ----------
    cells : CurveCells
        Cells and curves in use.
    fish : ReleasedFish
        Rows of released fish; cells without fish keep the programme's mean.
    windows : YearWindows, optional
        Needed when any fate is not known for certain.
    level : float
        Coverage of intervals.

    Returns
    -------
    CurveFit

    Raises
    ------
    ShapeError
        If a row points to a cell or cohort that does not exist.
    ValueRangeError
        If there is no fish at all.
    """
    if int(fish.number.sum()) == 0:
        raise ValueRangeError(
            "survival curves: found no released fish of known length whose first year is over. Expected at least one. "
            "Keep the curves in use."
        )
    if fish.cell.min() < 0 or fish.cell.max() >= len(cells.names):
        raise ShapeError("released fish: found a cell without a curve. Add the cell.")
    if (fish.cohort >= 0).any() and (windows is None or int(fish.cohort.max()) >= len(windows.kind)):
        raise ShapeError("released fish: found a cohort without yearly windows. Add the cohort.")
    problem = CurvePosterior(cells, fish, windows)
    start = problem.start()
    found = []
    for spread in SPREADS:
        for slope_spread in SLOPE_SPREADS:
            start = problem.climb(start, spread, slope_spread)
            value, _, hessian = problem.value(start, spread, slope_spread)
            covariance, log_det = _inverse(-hessian)
            prior = -0.5 * ((spread / SPREAD_SCALE) ** 2 + (slope_spread / SLOPE_SPREAD_SCALE) ** 2)
            # Grid points stand for spans of unequal width.
            span = math.log(spread) + math.log(slope_spread)
            found.append(
                (value - 0.5 * log_det + prior + span, start.copy(), covariance, spread, slope_spread)
            )
    scores = np.array([f[0] for f in found])
    weights = np.exp(scores - scores.max())
    weights /= weights.sum()
    kept = [k for k in np.argsort(-weights) if weights[k] > 1e-4]
    total = float(weights[kept].sum())
    components = tuple(Component(float(weights[k]) / total, found[k][1], found[k][2]) for k in kept)
    fit = _goodness(problem, components[0])
    n_cells = len(cells.names)
    return CurveFit(
        cells,
        components,
        problem.n_b,
        np.bincount(fish.cell, weights=fish.number, minlength=n_cells).astype(np.int64),
        np.bincount(fish.cell, weights=fish.met, minlength=n_cells).astype(np.int64),
        fit,
        _detection(problem, components, level),
        float(weights @ np.array([f[3] for f in found])),
        float(weights @ np.array([f[4] for f in found])),
        level,
    )


def _row(cells: CurveCells, cell: int, length_mm: float) -> FloatArray:
    n_kinds, n = len(cells.kind_sd), len(cells.names)
    row = np.zeros(n_kinds + n + 1 + n)
    x = (length_mm - REFERENCE_MM) / UNIT_MM
    row[cells.kind[cell]] = 1.0
    row[n_kinds + cell] = 1.0
    row[n_kinds + n] = x
    row[n_kinds + n + 1 + cell] = x
    return row


def _inverse(precision: FloatArray) -> tuple[FloatArray, float]:
    """Return inverse and log determinant of a precision matrix; directions without curvature are held at 0.01."""
    try:
        root = np.linalg.cholesky(precision)
    except np.linalg.LinAlgError:
        values, vectors = np.linalg.eigh(precision)
        values = np.maximum(values, 0.01)
        return np.asarray((vectors / values) @ vectors.T), float(np.log(values).sum())
    return np.linalg.inv(precision), 2.0 * float(np.log(np.diag(root)).sum())


def _goodness(problem: CurvePosterior, best: Component) -> FitTest:
    """Compare fish met with fish expected by cell and class of length (Pearson)."""
    from scipy.stats import chi2

    fish = problem.fish
    theta = best.mode
    met = problem.windows.met(theta[problem.n_b :]) if problem.windows is not None else np.zeros(0)
    chance = expit(problem.offset + problem.design @ theta[: problem.n_b]) * problem.chance(met)
    expected, spread, found = _classes(fish, chance)
    if not len(expected):
        return FitTest(0.0, 0, None, 1.0, "Too few fish met again to test how well the curves fit.")
    statistic = float(((found - expected) ** 2 / np.maximum(spread, 1e-9)).sum())
    # Effective number of curve parameters: how far the data, not the prior, hold them.
    data = -problem.value(theta, 1e6, 1e6)[2][: problem.n_b, : problem.n_b]
    used = float(np.trace(best.covariance[: problem.n_b, : problem.n_b] @ data))
    degrees = int(len(expected) - round(min(used, len(expected))))
    if degrees < 1:
        return FitTest(statistic, 0, None, 1.0, "Too few classes of fish to test how well the curves fit.")
    p = float(chi2.sf(statistic, degrees))
    ratio = statistic / degrees
    inflation = max(1.0, ratio) if p < 0.05 else 1.0
    words = "fits" if p >= 0.05 else "varies more than the model says; intervals were widened"
    return FitTest(
        statistic,
        degrees,
        p,
        inflation,
        f"Goodness of fit over {len(expected)} classes of water, season and length: chi-square {statistic:.1f} on {degrees} "
        f"degrees of freedom, p {p:.3f}, {ratio:.2f} per degree; the number met again {words}.",
    )


def _classes(
    fish: ReleasedFish, chance: FloatArray, least: float = 3.0
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Join rows within cells by length until the expectation reaches `least`; leftovers of all cells together."""
    expected: list[float] = []
    spread: list[float] = []
    found: list[float] = []
    rest = np.zeros(3)
    for cell in np.unique(fish.cell):
        total = np.zeros(3)
        for k in np.flatnonzero(fish.cell == cell)[
            np.argsort(fish.length_mm[fish.cell == cell], kind="stable")
        ]:
            n, c = float(fish.number[k]), float(chance[k])
            total += (n * c, n * c * (1 - c), float(fish.met[k]))
            if total[0] >= least and total[1] > 0.5:
                for store, value in zip((expected, spread, found), total, strict=True):
                    store.append(value)
                total = np.zeros(3)
        rest += total
    if rest[0] >= least and rest[1] > 0.5:
        for store, value in zip((expected, spread, found), rest, strict=True):
            store.append(value)
    return np.array(expected), np.array(spread), np.array(found)


def _detection(problem: CurvePosterior, components: Sequence[Component], level: float) -> dict[str, Estimate]:
    from scipy.stats import norm

    if problem.windows is None:
        return {}
    z = float(norm.ppf(0.5 + level / 2))
    out = {}
    names = problem.windows.names()
    for k, name in enumerate(names[: 2 * problem.windows.n_kinds]):
        at = problem.n_b + k
        mean = float(sum(c.weight * c.mode[at] for c in components))
        spread = sum(c.weight * (c.covariance[at, at] + (c.mode[at] - mean) ** 2) for c in components)
        sd = math.sqrt(max(float(spread), 0.0))
        low, mid, high = (float(expit(np.array(mean + q * sd))) for q in (-z, 0.0, z))
        kind = k % problem.windows.n_kinds
        n = int(problem.windows.number[problem.windows.kind[problem.windows.cohort] == kind].sum())
        out[name] = Estimate(mid, low, high, "joint fit with the curves; weak prior", n, "fish met", level)
    return out
