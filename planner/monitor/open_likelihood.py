"""Likelihood of survival and detection in open populations, and its exact gradient."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.special import expit, log_expit

from broodstock.arrays import BoolArray, FloatArray
from broodstock.errors import ShapeError, ValueRangeError
from planner.monitor.histories import EncounterHistories, compress
from planner.monitor.open_design import Design

Objective = Callable[[FloatArray], tuple[float, FloatArray]]


@dataclass(frozen=True)
class SurvivalModel:
    """Histories with the linear predictors of survival and detection.

    Survival is apparent survival per unit of time (a fish that leaves for good counts as dead, a fish that lost its
    tag too); over an interval of length d it is the d-th power.

    Parameters
    ----------
    histories : EncounterHistories
        Histories, compressed or not.
    survival, detection : Design
        Predictors by interval; detection belongs to the occasion at the interval's end.
    name : str
        Name of the model in comparisons.
    """

    histories: EncounterHistories
    survival: Design
    detection: Design
    name: str = ""

    def __post_init__(self) -> None:
        n, t = len(self.histories.release), self.histories.n_occasions - 1
        for label, d in (("survival", self.survival), ("detection", self.detection)):
            if d.values.shape[0] not in (1, n) or d.values.shape[1] != t:
                raise ShapeError(
                    f"{label} design: found shape {d.values.shape}. Expected ({n} or 1, {t}, columns)."
                )

    @property
    def n_parameters(self) -> int:
        """Length of the parameter vector, survival first."""
        return self.survival.n_columns + self.detection.n_columns

    @property
    def names(self) -> tuple[str, ...]:
        """Name of each parameter."""
        return tuple(f"survival: {x}" for x in self.survival.names) + tuple(
            f"detection: {x}" for x in self.detection.names
        )

    def compressed(self) -> SurvivalModel:
        """Return the same model with equal histories of equal fish joined."""
        blocks = [
            d.values.reshape(len(d.values), -1) for d in (self.survival, self.detection) if not d.common
        ]
        varying = [b[:, np.ptp(b, axis=0) > 0] for b in blocks if len(b)]
        histories, row = compress(self.histories, *varying)
        if len(row) == len(self.histories.release):
            return self
        s, p = (
            d if d.common else Design(d.names, np.ascontiguousarray(d.values[row]))
            for d in (self.survival, self.detection)
        )
        return SurvivalModel(histories, s, p, self.name)

    def logits(self, beta: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the logits of survival per unit of time and of detection, shape (n_histories or 1, n_intervals)."""
        k = self.survival.n_columns
        return self.survival.values @ beta[:k], self.detection.values @ beta[k:]

    def survival_values(self, beta: FloatArray) -> FloatArray:
        """Return survival per unit of time, shape (n_histories or 1, n_intervals)."""
        return np.asarray(expit(self.logits(beta)[0]))

    def detection_values(self, beta: FloatArray) -> FloatArray:
        """Return the chance to be met, 0 where nobody looked, shape (n_histories or 1, n_intervals)."""
        return np.asarray(expit(self.logits(beta)[1])) * self.histories.looked[1:]


@dataclass(frozen=True)
class _Cells:
    between: BoolArray  # interval lies between release and last encounter: known alive through it
    met: BoolArray
    missed: BoolArray
    looked: BoolArray


def _cells(h: EncounterHistories) -> _Cells:
    t = np.arange(h.n_occasions - 1)
    between = (t >= h.release[:, None]) & (t < h.last[:, None])
    seen, looked = h.seen[:, 1:], h.looked[1:]
    return _Cells(between, seen & between, ~seen & between & looked, looked)


def log_likelihood(model: SurvivalModel) -> Objective:
    """Return a function of the parameters: log likelihood and its gradient.

    Each fish, given its release, lives through the intervals up to its last encounter, was met or missed in each
    occasion, and was then never met again: dead, or alive and missed. The chance never to be met after occasion t is
    ``chi_t = 1 - phi_t + phi_t (1 - p_(t+1)) chi_(t+1)`` with ``chi = 1`` in the last occasion.

    Parameters
    ----------
    model : SurvivalModel
        Histories with designs.

    Returns
    -------
    callable
        ``f(beta)`` with beta, float64, shape (n_parameters,): survival's parameters, then detection's. Returns the
        log likelihood (without constants) and its gradient.

    Raises
    ------
    ValueRangeError
        If a fish was met where nobody looked.

    References
    ----------
    .. [1] Cormack (1964), Biometrika 51:429-438. Jolly (1965), Biometrika 52:225-247. Seber (1965), Biometrika
       52:249-259. Individual covariates on the logit scale: Lebreton, Burnham, Clobert & Anderson (1992), Ecological
       Monographs 62:67-118 (from memory).
    """
    h = model.histories
    cells = _cells(h)
    if (h.seen[:, 1:] & ~cells.looked).any():
        raise ValueRangeError("effort: found fish met in an occasion without effort. Enter the effort.")
    n, t = len(h.release), h.n_occasions - 1
    weight = h.number.astype(np.float64)
    d = h.interval
    after = np.where(h.removed, t, h.last)
    looked = cells.looked.astype(np.float64)
    known, met, missed = (x * weight[:, None] for x in (cells.between, cells.met, cells.missed))
    known_by_time, met_by_time, missed_by_time = (x.sum(axis=0) for x in (known, met, missed))
    x_phi, x_p = model.survival, model.detection
    # chi needs one value per fish and occasion only when fish differ; otherwise one row serves all.
    alike = x_phi.common and x_p.common
    ending = np.bincount(after, weights=weight, minlength=t + 1) if alike else None

    def value(beta: FloatArray) -> tuple[float, FloatArray]:
        eta_s, eta_p = model.logits(beta)
        s, p = expit(eta_s), expit(eta_p) * looked
        phi = np.exp(log_expit(eta_s) * d)
        total = 0.0
        if alike:
            total += float(known_by_time @ (log_expit(eta_s) * d)[0])
            total += float(met_by_time @ log_expit(eta_p)[0] + missed_by_time @ log_expit(-eta_p)[0])
        else:
            total += float(np.sum(known * (log_expit(eta_s) * d)))
            total += float(np.sum(met * log_expit(eta_p)) + np.sum(missed * log_expit(-eta_p)))
        rows = 1 if alike else n
        phi, p = np.broadcast_to(phi, (rows, t)), np.broadcast_to(p, (rows, t))
        s = np.broadcast_to(s, (rows, t))
        chi = np.ones((rows, t + 1))
        for j in range(t - 1, -1, -1):
            chi[:, j] = 1.0 - phi[:, j] + phi[:, j] * (1.0 - p[:, j]) * chi[:, j + 1]
        chi = np.maximum(chi, 1e-300)
        if ending is not None:
            total += float(ending @ np.log(chi[0]))
            flow = (ending / chi[0])[None, :]
        else:
            at = np.arange(n)
            total += float(weight @ np.log(chi[at, after]))
            flow = np.zeros((n, t + 1))
            flow[at, after] = weight / chi[at, after]
        # forward: flow[:, j] becomes the derivative of the log likelihood by chi_j
        flow = flow.copy()
        d_phi, d_p = np.empty((rows, t)), np.empty((rows, t))
        for j in range(t):
            q = 1.0 - p[:, j]
            d_phi[:, j] = flow[:, j] * (q * chi[:, j + 1] - 1.0)
            d_p[:, j] = -flow[:, j] * phi[:, j] * chi[:, j + 1]
            flow[:, j + 1] += flow[:, j] * phi[:, j] * q
        by_eta_s = d_phi * phi * d * (1.0 - s)
        by_eta_p = d_p * p * (1.0 - p)
        if alike:
            by_eta_s = by_eta_s + known_by_time * d * (1.0 - s)
            by_eta_p = by_eta_p + met_by_time * (1.0 - p) - missed_by_time * p
        else:
            by_eta_s = by_eta_s + known * d * (1.0 - s)
            by_eta_p = by_eta_p + met * (1.0 - p) - missed * p
        return total, np.concatenate([_pull(by_eta_s, x_phi), _pull(by_eta_p, x_p)])

    return value


def _pull(by_eta: FloatArray, design: Design) -> FloatArray:
    """Sum the derivative by each logit over the design: gradient by the parameters."""
    if design.common:
        return np.asarray(by_eta.sum(axis=0) @ design.values[0])
    return np.asarray(by_eta.reshape(-1) @ design.values.reshape(-1, design.n_columns))


def expected_next_met(model: SurvivalModel, beta: FloatArray) -> FloatArray:
    """Return expected numbers first met again in each occasion, by occasion of release.

    Parameters
    ----------
    model : SurvivalModel
        Histories with designs.
    beta : ndarray, float64, shape (n_parameters,)
        Parameters.

    Returns
    -------
    ndarray, float64, shape (n_occasions - 1, n_occasions - 1)
        Layout of `planner.monitor.histories.release_table`; the releases are those observed.
    """
    h = model.histories
    t, n = h.n_occasions - 1, len(h.release)
    phi = np.broadcast_to(model.survival_values(beta) ** h.interval, (n, t))
    p = np.broadcast_to(model.detection_values(beta), (n, t))
    alive_at = h.seen.copy()
    alive_at[np.arange(n), h.release] = True
    alive_at[np.arange(n), h.last] &= ~h.removed
    out = np.zeros((t, t))
    for i in range(t):
        rows = np.nonzero(alive_at[:, i])[0]
        stay = h.number[rows].astype(np.float64)
        for j in range(i, t):
            alive = stay * phi[rows, j]
            out[i, j] = float(np.sum(alive * p[rows, j]))
            stay = alive * (1 - p[rows, j])
    return out
