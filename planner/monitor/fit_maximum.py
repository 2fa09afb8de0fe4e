"""Maximum of a log likelihood with its gradient: parameters, information, and which of them the data do not tell."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from broodstock.arrays import BoolArray, FloatArray
from broodstock.errors import ValueRangeError

Objective = Callable[[FloatArray], tuple[float, FloatArray]]
EDGE = 9.0
"""A logit beyond this (0.99988) with no information about it lies at the edge of what is possible."""
FLAT = 1e-6
"""Share of the largest scaled eigenvalue of the information below which a direction counts as not told."""


@dataclass(frozen=True)
class Maximum:
    """Where a log likelihood is largest.

    Parameters
    ----------
    beta : ndarray, float64, shape (n_parameters,)
        Parameters.
    log_likelihood : float
        Its value.
    gradient : ndarray, float64
        Gradient there.
    information : ndarray, float64, shape (n_parameters, n_parameters)
        Minus the second derivatives.
    covariance : ndarray, float64, shape (n_parameters, n_parameters)
        Generalised inverse of the information over the directions the data tell.
    told : ndarray, bool, shape (n_parameters,)
        Whether the data tell each parameter apart.
    flat : ndarray, float64, shape (n_parameters, n_flat)
        Directions the data do not tell, orthonormal.
    converged : bool
        Whether the gradient vanished.
    """

    beta: FloatArray
    log_likelihood: float
    gradient: FloatArray
    information: FloatArray
    covariance: FloatArray
    told: BoolArray
    flat: FloatArray
    converged: bool

    @property
    def rank(self) -> int:
        """Number of parameters, or combinations of them, that the data tell."""
        return len(self.beta) - int(self.flat.shape[1])

    def variance_along(self, direction: FloatArray) -> float | None:
        """Variance of a linear combination of the parameters; None when the data do not tell it."""
        length = float(np.linalg.norm(direction))
        if length == 0:
            return 0.0
        if self.flat.shape[1] and np.linalg.norm(direction @ self.flat) > 1e-3 * length:
            return None
        return max(float(direction @ self.covariance @ direction), 0.0)


def second_derivatives(objective: Objective, beta: FloatArray, step: float = 1e-4) -> FloatArray:
    """Return the matrix of second derivatives from central differences of the exact gradient.

    Parameters
    ----------
    objective : callable
        Returns value and gradient.
    beta : ndarray, float64, shape (n,)
        Where.
    step : float
        Half the distance; the error is of the order of its square.
    """
    n = len(beta)
    out = np.empty((n, n))
    for k in range(n):
        e = np.zeros(n)
        e[k] = step
        out[k] = (objective(beta + e)[1] - objective(beta - e)[1]) / (2 * step)
    return (out + out.T) / 2


def maximise(objective: Objective, start: FloatArray, tolerance: float = 1e-6) -> Maximum:
    """Climb to the maximum by a quasi-Newton method, then by Newton steps.

    Parameters
    ----------
    objective : callable
        Returns value and gradient at a vector.
    start : ndarray, float64, shape (n,)
        Where to begin.
    tolerance : float
        Largest part of the gradient, per unit of log likelihood's scale, that counts as none.

    Returns
    -------
    Maximum
        With the observed information, its generalised inverse, and the directions the data do not tell.

    Raises
    ------
    ValueRangeError
        If the log likelihood is not a number at the start.
    """
    from scipy.optimize import minimize

    x = np.asarray(start, np.float64)
    first, _ = objective(x)
    if not np.isfinite(first):
        raise ValueRangeError(
            "fit: the log likelihood is not a number at the start. Expected another start or data without "
            "impossible encounters."
        )

    def negative(beta: FloatArray) -> tuple[float, FloatArray]:
        v, g = objective(beta)
        if not np.isfinite(v):
            return 1e300, np.zeros_like(beta)
        return -v, -g

    found = minimize(negative, x, jac=True, method="L-BFGS-B", bounds=[(-25.0, 25.0)] * len(x),
                     options={"maxiter": 500, "maxcor": 25, "ftol": 1e-13, "gtol": 1e-7})  # fmt: skip
    x = np.asarray(found.x, np.float64)
    value, gradient = objective(x)
    information = -second_derivatives(objective, x)
    for _ in range(12):
        if np.abs(gradient).max(initial=0) <= tolerance * 1e-3:
            break
        moved = _newton_step(objective, x, value, gradient, information)
        if moved is None:
            break
        x, value, gradient = moved
        information = -second_derivatives(objective, x)
    covariance, flat = _inverse(information)
    told = ~(np.abs(flat) > 1e-2).any(axis=1) if flat.shape[1] else np.ones(len(x), dtype=bool)
    scale = max(1.0, abs(value))
    converged = bool(np.abs(gradient).max(initial=0) <= tolerance * scale)
    return Maximum(x, float(value), gradient, information, covariance, told, flat, converged)


def _newton_step(
    objective: Objective, x: FloatArray, value: float, gradient: FloatArray, information: FloatArray
) -> tuple[FloatArray, float, FloatArray] | None:
    covariance, _ = _inverse(information)
    step = covariance @ gradient
    longest = np.abs(step).max(initial=0)
    if longest > 2:
        step *= 2 / longest
    for _ in range(8):
        new = x + step
        v, g = objective(new)
        better = v > value or (v >= value - 1e-9 and np.abs(g).max() < np.abs(gradient).max())
        if np.isfinite(v) and better:
            return new, v, g
        step = step / 2
    return None


def _inverse(information: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Generalised inverse over the told directions, and an orthonormal base of the others."""
    if not len(information):
        return information.copy(), np.zeros((0, 0))
    size = np.sqrt(np.maximum(np.diag(information), 0.0))
    largest = size.max(initial=0.0)
    dead = size <= 1e-4 * max(largest, 1e-12)
    scale = np.where(dead, 1.0, 1.0 / np.where(dead, 1.0, size))
    scaled = information * scale[:, None] * scale[None, :]
    scaled[dead] = 0.0
    scaled[:, dead] = 0.0
    values, vectors = np.linalg.eigh(scaled)
    use = values > FLAT * max(values.max(initial=0.0), 1e-12)
    kept = vectors[:, use]
    covariance = (kept / values[use]) @ kept.T * scale[:, None] * scale[None, :]
    flat = vectors[:, ~use] * scale[:, None]
    if flat.shape[1]:
        flat, _ = np.linalg.qr(flat)
    return covariance, np.asarray(flat)
