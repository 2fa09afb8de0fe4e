"""Log posterior of survival curves and chances to be met, its gradient and Hessian, and the climb to its mode."""

from __future__ import annotations

import numpy as np
from scipy.linalg import LinAlgError, cho_factor, cho_solve
from scipy.sparse import csr_matrix

from broodstock.arrays import FloatArray
from planner.monitor.curves_data import REFERENCE_MM, UNIT_MM, CurveCells, ReleasedFish
from planner.monitor.curves_detection import YearWindows, expit

MOST_STEPS = 60
STOP = 1e-5
"""Newton steps end when the log posterior can rise by no more than this."""


class CurvePosterior:
    """Log posterior of curves and chances to be met, its gradient and Hessian."""

    def __init__(self, cells: CurveCells, fish: ReleasedFish, windows: YearWindows | None) -> None:
        self.cells, self.fish, self.windows = cells, fish, windows
        self.x = (fish.length_mm - REFERENCE_MM) / UNIT_MM
        n_kinds, n, rows = len(cells.kind_sd), len(cells.names), np.arange(len(fish.cell))
        self.n_b = n_kinds + n + 1 + n
        columns = np.stack(
            [
                cells.kind[fish.cell],
                n_kinds + fish.cell,
                np.full(len(rows), n_kinds + n),
                n_kinds + n + 1 + fish.cell,
            ]
        )
        ones = np.ones(len(rows))
        entries = np.concatenate([ones, ones, self.x, self.x])
        self.design = csr_matrix((entries, (np.tile(rows, 4), columns.ravel())), shape=(len(rows), self.n_b))
        self.with_cohort = np.flatnonzero(fish.cohort >= 0)
        self.n_cohorts = len(windows.kind) if windows is not None else 0
        spots = (self.with_cohort, fish.cohort[self.with_cohort])
        self.member = csr_matrix((np.ones(len(spots[0])), spots), shape=(len(rows), self.n_cohorts))
        self.offset = cells.intercept[fish.cell] + cells.slope[fish.cell] * fish.length_mm
        self.n_eta = windows.n_parameters if windows is not None else 0

    def start(self) -> FloatArray:
        """Return the prior means of all parameters."""
        eta = self.windows.start() if self.windows is not None else np.zeros(0)
        return np.concatenate([np.zeros(self.n_b), eta])

    def prior_sd(self, spread: float, slope_spread: float) -> FloatArray:
        """Return the prior standard deviations of all parameters."""
        n = len(self.cells.names)
        parts: list[FloatArray] = [
            self.cells.kind_sd,
            np.full(n, spread),
            np.array([self.cells.slope_sd]),
            np.full(n, slope_spread),
        ]
        if self.windows is not None:
            parts.append(self.windows.prior_sd())
        return np.concatenate(parts)

    def chance(self, met: FloatArray) -> FloatArray:
        """Return for each row the chance that a survivor is met; 1 where the fate is known."""
        d = np.ones(len(self.fish.cohort))
        d[self.with_cohort] = met[self.fish.cohort[self.with_cohort]]
        return d

    def value(
        self, theta: FloatArray, spread: float, slope_spread: float
    ) -> tuple[float, FloatArray, FloatArray]:
        """Return log posterior (with normalised priors of the deviations), gradient and Hessian."""
        y, n = self.fish.met.astype(float), self.fish.number.astype(float)
        b, eta = theta[: self.n_b], theta[self.n_b :]
        if self.windows is not None:
            meetings, eta_slope, met, jacobian, information = self.windows.slopes(eta)
        else:
            meetings, eta_slope, met = 0.0, np.zeros(0), np.zeros(0)
            jacobian = information = np.zeros((0, 0))
        d = self.chance(met)
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
        hessian[: self.n_b, : self.n_b] += (self.design.T.multiply(f_zz) @ self.design).toarray()
        if self.n_eta:
            gradient[self.n_b :] += eta_slope + jacobian @ (self.member.T @ f_d)
            cross = (self.design.T.multiply(f_zd) @ self.member).toarray() @ jacobian.T
            hessian[: self.n_b, self.n_b :] += cross
            hessian[self.n_b :, : self.n_b] += cross.T
            hessian[self.n_b :, self.n_b :] += (jacobian * (self.member.T @ f_dd)) @ jacobian.T - information
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
    try:
        root = cho_factor(-hessian, check_finite=False)
    except LinAlgError:
        values, vectors = np.linalg.eigh(-hessian)
        values = np.maximum(np.abs(values), max(ridge, 1e-6 * float(np.abs(values).max())))
        return np.asarray(vectors @ ((vectors.T @ gradient) / values))
    return np.asarray(cho_solve(root, gradient, check_finite=False))
