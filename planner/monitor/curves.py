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
from planner.monitor.curves_detection import YearWindows, expit

REFERENCE_MM = 350.0
"""Length at which intercepts are compared; the standard error of a curve of the records holds at it."""
UNIT_MM = 50.0
SPREADS = (0.03, 0.12, 0.25, 0.5, 1.0)
"""Grid of the spread of intercepts between waters and seasons, logit."""
SLOPE_SPREADS = (0.01, 0.05, 0.15, 0.4)
"""Grid of the spread of slopes, logit per 50 mm."""
SPREAD_SCALE, SLOPE_SPREAD_SCALE = 0.5, 0.15
"""Scales of the half-normal priors of the spreads."""
MOST_STEPS = 60
STOP = 1e-5
"""Newton steps end when the log posterior can rise by no more than this."""
KNOWN = -1
"""Cohort of fish whose fate is known for certain."""


@dataclass(frozen=True)
class CurveCells:
    """The curves wanted, with those in use.

    Parameters
    ----------
    names : tuple of (str, str)
        Water and season.
    kind : ndarray, int64, shape (n_cells,)
        Kind of water.
    intercept, slope : ndarray, float64, shape (n_cells,)
        Curve in use: logit of survival is ``intercept + slope x length in mm``.
    kind_sd : ndarray, float64, shape (n_kinds,)
        Standard error of the curves in use at 350 mm, by kind of water.
    slope_sd : float
        Standard deviation of the programme's deviation in slope, logit per 50 mm.
    """

    names: tuple[tuple[str, str], ...]
    kind: BigIntArray
    intercept: FloatArray
    slope: FloatArray
    kind_sd: FloatArray
    slope_sd: float = 0.25

    def __post_init__(self) -> None:
        n = len(self.names)
        for name in ("kind", "intercept", "slope"):
            if len(getattr(self, name)) != n:
                raise ShapeError(
                    f"{name}: found {len(getattr(self, name))} values. Expected {n}, one per cell."
                )
        if not (self.kind_sd > 0).all() or not self.slope_sd > 0:
            raise ValueRangeError("curves in use: found a standard error of 0 or less. Expected more than 0.")


@dataclass(frozen=True)
class ReleasedFish:
    """Released fish in rows of like fish.

    Parameters
    ----------
    cell : ndarray, int64, shape (n_rows,)
        Cell of release.
    length_mm : ndarray, float64, shape (n_rows,)
        Total length at release, mm.
    cohort : ndarray, int64, shape (n_rows,)
        Cohort of the yearly windows; -1 where the fate is known for certain.
    number, met : ndarray, int64, shape (n_rows,)
        Fish, and those met a year or more after release (or known alive then).
    """

    cell: BigIntArray
    length_mm: FloatArray
    cohort: BigIntArray
    number: BigIntArray
    met: BigIntArray

    def __post_init__(self) -> None:
        n = len(self.cell)
        for name in ("length_mm", "cohort", "number", "met"):
            if len(getattr(self, name)) != n:
                raise ShapeError(
                    f"{name}: found {len(getattr(self, name))} values. Expected {n}, one per row."
                )
        if ((self.met < 0) | (self.met > self.number)).any():
            raise ValueRangeError(
                "released fish: found more fish met than released in a row. Expected 0 to the number released. "
                "Look for tags read twice."
            )
        if not np.isfinite(self.length_mm).all():
            raise ValueRangeError("released fish: found a length that is not a number. Leave the fish out.")

    @classmethod
    def gathered(
        cls,
        cell: BigIntArray,
        length_mm: FloatArray,
        cohort: BigIntArray,
        met: np.ndarray,
        step_mm: float = 5.0,
    ) -> ReleasedFish:
        """Put fish of one cell, cohort and length class of `step_mm` together at their mean length."""
        key = np.stack([cell, cohort, np.floor(length_mm / step_mm).astype(np.int64)], axis=1)
        groups, inverse = np.unique(key, axis=0, return_inverse=True)
        at = inverse.ravel()
        n = np.bincount(at, minlength=len(groups))
        mean = np.bincount(at, weights=length_mm, minlength=len(groups)) / np.maximum(n, 1)
        hit = np.bincount(at, weights=met.astype(float), minlength=len(groups)).astype(np.int64)
        return cls(groups[:, 0], mean, groups[:, 1], n.astype(np.int64), hit)


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
    problem = _Problem(cells, fish, windows)
    start = problem.start()
    for _ in range(2 if windows is not None else 0):
        start = problem.climb(start, 0.25, 0.05)
        problem.freeze_curvature(start)
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


class _Problem:
    """Log posterior of curves and chances to be met, its gradient and Hessian."""

    def __init__(self, cells: CurveCells, fish: ReleasedFish, windows: YearWindows | None) -> None:
        self.cells, self.fish, self.windows = cells, fish, windows
        self.x = (fish.length_mm - REFERENCE_MM) / UNIT_MM
        n_kinds, n, rows = len(cells.kind_sd), len(cells.names), np.arange(len(fish.cell))
        self.n_b = n_kinds + n + 1 + n
        design = np.zeros((len(rows), self.n_b))
        design[rows, cells.kind[fish.cell]] = 1.0
        design[rows, n_kinds + fish.cell] = 1.0
        design[:, n_kinds + n] = self.x
        design[rows, n_kinds + n + 1 + fish.cell] = self.x
        self.design = design
        self.offset = cells.intercept[fish.cell] + cells.slope[fish.cell] * fish.length_mm
        self.n_eta = windows.n_parameters if windows is not None else 0
        self.frozen = np.zeros((self.n_eta, self.n_eta))

    def start(self) -> FloatArray:
        eta = self.windows.start() if self.windows is not None else np.zeros(0)
        return np.concatenate([np.zeros(self.n_b), eta])

    def prior_sd(self, spread: float, slope_spread: float) -> FloatArray:
        n = len(self.cells.names)
        parts = [self.cells.kind_sd, np.full(n, spread), [self.cells.slope_sd], np.full(n, slope_spread)]
        if self.windows is not None:
            parts.append(self.windows.prior_sd())
        return np.concatenate(parts)

    def freeze_curvature(self, theta: FloatArray) -> None:
        """Keep the curvature of the part on meetings; it hardly depends on the spreads of the curves."""
        if self.windows is None:
            return
        eta = theta[self.n_b :]
        met = self.windows.met(eta)
        d = self._chance(met)
        s = expit(self.offset + self.design @ theta[: self.n_b])
        slope_d = -(self.fish.number - self.fish.met) * s / (1.0 - s * d)
        with_cohort = self.fish.cohort >= 0
        weights = np.bincount(
            self.fish.cohort[with_cohort], weights=slope_d[with_cohort], minlength=len(self.windows.kind)
        )
        self.frozen = self.windows.curvature(eta, weights)

    def _chance(self, met: FloatArray) -> FloatArray:
        d = np.ones(len(self.fish.cohort))
        with_cohort = self.fish.cohort >= 0
        d[with_cohort] = met[self.fish.cohort[with_cohort]]
        return d

    def value(
        self, theta: FloatArray, spread: float, slope_spread: float
    ) -> tuple[float, FloatArray, FloatArray]:
        """Return log posterior (with normalised priors of the deviations), gradient and Hessian."""
        y, n = self.fish.met.astype(float), self.fish.number.astype(float)
        b, eta = theta[: self.n_b], theta[self.n_b :]
        if self.windows is not None:
            meetings, eta_slope, met, jacobian = self.windows.slopes(eta)
        else:
            meetings, eta_slope, met, jacobian = 0.0, np.zeros(0), np.zeros(0), np.zeros((0, 0))
        d = self._chance(met)
        z = self.offset + self.design @ b
        s = np.clip(expit(z), 1e-12, 1 - 1e-12)
        r = s * (1 - s)
        unseen = np.maximum(1.0 - s * d, 1e-12)
        missed = n - y
        f_z = y * (1 - s) - missed * r * d / unseen
        f_zz = -y * r - missed * (r * (1 - 2 * s) * d / unseen + (r * d / unseen) ** 2)
        f_d = -missed * s / unseen
        f_dd = -missed * (s / unseen) ** 2
        f_zd = -missed * r / unseen**2
        sd = self.prior_sd(spread, slope_spread)
        centre = self.start()
        away = (theta - centre) / sd
        value = float(y @ np.log(s) + missed @ np.log(unseen)) + meetings
        value += float(-0.5 * away @ away - np.log(sd).sum())
        gradient = -away / sd
        gradient[: self.n_b] += self.design.T @ f_z
        hessian = np.diag(-1.0 / sd**2)
        hessian[: self.n_b, : self.n_b] += self.design.T @ (f_zz[:, None] * self.design)
        if self.n_eta:
            at = self.fish.cohort
            rows = at >= 0
            per = np.zeros((self.n_eta, len(self.x)))
            per[:, rows] = jacobian[:, at[rows]]
            f_d, f_dd, f_zd = (np.where(rows, v, 0.0) for v in (f_d, f_dd, f_zd))
            gradient[self.n_b :] += eta_slope + per @ f_d
            cross = (self.design.T * f_zd) @ per.T
            hessian[: self.n_b, self.n_b :] += cross
            hessian[self.n_b :, : self.n_b] += cross.T
            hessian[self.n_b :, self.n_b :] += (per * f_dd) @ per.T + self.frozen
        return value, gradient, hessian

    def climb(self, theta: FloatArray, spread: float, slope_spread: float) -> FloatArray:
        """Return the mode: Newton steps, damped until the value rises."""
        value, gradient, hessian = self.value(theta, spread, slope_spread)
        ridge = 1e-8
        for _ in range(MOST_STEPS):
            step = _ascent(hessian, gradient, ridge)
            if float(gradient @ step) < STOP:
                break
            size = 1.0
            for _ in range(30):
                trial = theta + size * step
                new = self.value(trial, spread, slope_spread)
                if new[0] >= value - 1e-9:
                    break
                size *= 0.5
            else:
                break
            gained = new[0] - value
            theta, (value, gradient, hessian) = trial, new
            if abs(gained) < STOP:
                break
        return theta


def _ascent(hessian: FloatArray, gradient: FloatArray, ridge: float) -> FloatArray:
    """Newton step; where the Hessian bends upwards the bends are turned down."""
    values, vectors = np.linalg.eigh(-hessian)
    values = np.maximum(np.abs(values), max(ridge, 1e-6 * float(np.abs(values).max())))
    return np.asarray(vectors @ ((vectors.T @ gradient) / values))


def _inverse(precision: FloatArray) -> tuple[FloatArray, float]:
    """Return inverse and log determinant of a precision matrix; directions without curvature are held at 0.01."""
    values, vectors = np.linalg.eigh(precision)
    values = np.maximum(values, 0.01)
    return np.asarray((vectors / values) @ vectors.T), float(np.log(values).sum())


def _goodness(problem: _Problem, best: Component) -> FitTest:
    """Compare fish met with fish expected by cell and class of length (Pearson)."""
    from scipy.stats import chi2

    fish = problem.fish
    theta = best.mode
    met = problem.windows.met(theta[problem.n_b :]) if problem.windows is not None else np.zeros(0)
    chance = expit(problem.offset + problem.design @ theta[: problem.n_b]) * problem._chance(met)
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
    expected, spread, found = [], [], []
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


def _detection(problem: _Problem, components: Sequence[Component], level: float) -> dict[str, Estimate]:
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
