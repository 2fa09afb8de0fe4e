"""Survival from live captures and remote scans together, with tags that stay readable without a living fish.

In each occasion a tag is in a living fish, lies readable in the water (its fish dead, or the tag shed), or is out of
reach for good. A living fish may be caught, scanned, or both; a tag on the ground can be scanned but never caught. A
model that takes every scan for a living fish reports survival too high; here captures and scans are read together.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from scipy.special import expit, log_expit

from broodstock.arrays import BoolArray, FloatArray
from broodstock.errors import ShapeError, ValueRangeError
from broodstock.estimates import Estimate
from planner.monitor.fit_maximum import Maximum, Objective, maximise
from planner.monitor.histories import EncounterHistories, compress
from planner.monitor.open_design import Design
from planner.monitor.open_fit import WIDE, profile_of

HOW = "maximum likelihood of captures and scans together, with readable tags of fish no longer alive"
PARTS = ("survival", "caught", "scanned", "scanned on the ground", "left readable", "stays readable")


@dataclass(frozen=True)
class IntegratedModel:
    """Histories with linear predictors on the logit scale.

    Parameters
    ----------
    histories : EncounterHistories
        With captures, scans and the effort of both.
    survival : Design
        Living on with the tag in place, per unit of time.
    caught, scanned : Design
        Chance that a living fish is caught, and scanned, in the occasion at the interval's end.
    ground : Design
        Chance that a readable tag on the ground is scanned.
    """

    histories: EncounterHistories
    survival: Design
    caught: Design
    scanned: Design
    ground: Design

    def __post_init__(self) -> None:
        n, t = len(self.histories.release), self.histories.n_occasions - 1
        for name, d in zip(PARTS, self.designs, strict=False):
            if d.values.shape[0] not in (1, n) or d.values.shape[1] != t:
                raise ShapeError(
                    f"{name} design: found shape {d.values.shape}. Expected ({n} or 1, {t}, columns)."
                )

    @property
    def designs(self) -> tuple[Design, Design, Design, Design]:
        """The four predictors in the order of the parameters."""
        return self.survival, self.caught, self.scanned, self.ground

    @property
    def names(self) -> tuple[str, ...]:
        """Name of each parameter; the last two are chances that a tag is left readable, and stays so per time."""
        named = [f"{part}: {x}" for part, d in zip(PARTS, self.designs, strict=False) for x in d.names]
        return (*named, PARTS[4], PARTS[5])

    @property
    def n_parameters(self) -> int:
        """Length of the parameter vector."""
        return sum(d.n_columns for d in self.designs) + 2

    def slices(self) -> list[slice]:
        """Where the parameters of each predictor stand."""
        ends = np.cumsum([0, *(d.n_columns for d in self.designs)])
        return [slice(int(a), int(b)) for a, b in pairwise(ends)]


def integrated_log_likelihood(model: IntegratedModel) -> Objective:
    """Return the log likelihood with its gradient, as a function of the parameters.

    The sum over hidden states runs forward; the gradient is the expected derivative of the complete-data log
    likelihood given the observations (Fisher's identity), from the backward pass.

    Parameters
    ----------
    model : IntegratedModel
        Histories with designs.

    Raises
    ------
    ValueRangeError
        If fish were caught or scanned where the effort of that kind is zero.

    References
    ----------
    .. [1] Multistate form: Lebreton, Nichols, Barker, Pradel & Spendelow (2009), Advances in Ecological Research
       41:87-173; forward and backward sums: Baum, Petrie, Soules & Weiss (1970), Annals of Mathematical Statistics
       41:164-171 (from memory).
    """
    h = model.histories
    n, t = len(h.release), h.n_occasions - 1
    looked = (h.effort[1:] > 0).T.astype(np.float64)  # (2, t): hand, readers
    c, s = h.caught[:, 1:], h.scanned[:, 1:]
    for kind, met in ((0, c), (1, s)):
        if (met & (looked[kind] == 0)).any():
            word = ("caught", "scanned")[kind]
            raise ValueRangeError(
                f"effort: found fish {word} in an occasion without such effort. Enter the effort."
            )
    step = np.arange(t)
    active = (step >= h.release[:, None]) & ~(h.removed[:, None] & (step >= h.last[:, None]))
    weight = h.number.astype(np.float64)
    d = h.interval
    where = model.slices()

    def value(beta: FloatArray) -> tuple[float, FloatArray]:
        eta = [np.broadcast_to(x.values @ beta[w], (n, t)) for x, w in zip(model.designs, where, strict=True)]
        surv, pc, ps, pg = (expit(e) for e in eta)
        left, stay = float(expit(beta[-2])), float(expit(beta[-1]))
        phi = np.exp(log_expit(eta[0]) * d)
        lost = np.maximum(-np.expm1(log_expit(eta[0]) * d), 1e-300)
        kept = stay**d
        live = _seen(c, pc, looked[0]) * _seen(s, ps, looked[1])
        ground = np.where(c, 0.0, _seen(s, pg, looked[1]))
        gone = np.where(c | s, 0.0, 1.0)
        alpha, total = _forward(active, phi, lost, left, kept, live, ground, gone)
        back = _backward(active, phi, lost, left, kept, live, ground, gone, alpha[1])
        state, scale = alpha
        # expected transitions given the observations; scaled sums make each row of alpha * back sum to one
        u = np.where(active, weight[:, None] / scale, 0.0)
        a, g = state[:, :-1, 0], state[:, :-1, 1]
        aa = u * a * phi * live * back[:, 1:, 0]
        ag = u * a * lost * left * ground * back[:, 1:, 1]
        ad = u * a * lost * (1 - left) * gone * back[:, 1:, 2]
        gg = u * g * kept * ground * back[:, 1:, 1]
        gd = u * g * (1 - kept) * gone * back[:, 1:, 2]
        in_ground = ag + gg
        by = [
            d * (1 - surv) * (aa - (ag + ad) * phi / lost),
            aa * (c - pc) * looked[0],
            aa * (s - ps) * looked[1],
            in_ground * (s - pg) * looked[1],
        ]
        gradient = np.empty(len(beta))
        for x, w, b in zip(model.designs, where, by, strict=True):
            gradient[w] = (
                b.sum(axis=0) @ x.values[0] if x.common else b.ravel() @ x.values.reshape(-1, x.n_columns)
            )
        gradient[-2] = (ag * (1 - left) - ad * left).sum()
        gradient[-1] = (d * (1 - stay) * (gg - gd * kept / np.maximum(1 - kept, 1e-300))).sum()
        return float(weight @ total), gradient

    return value


def _seen(met: BoolArray, p: FloatArray, looked: FloatArray) -> FloatArray:
    q = p * looked
    return np.where(met, q, 1.0 - q)


def _forward(
    active: BoolArray,
    phi: FloatArray,
    lost: FloatArray,
    left: float,
    kept: FloatArray,
    live: FloatArray,
    ground: FloatArray,
    gone: FloatArray,
) -> tuple[tuple[FloatArray, FloatArray], FloatArray]:
    n, t = active.shape
    state, scale, total = np.zeros((n, t + 1, 3)), np.ones((n, t)), np.zeros(n)
    state[:, 0, 0] = 1.0
    for j in range(t):
        a, g, x = state[:, j, 0], state[:, j, 1], state[:, j, 2]
        new = np.stack(
            [
                a * phi[:, j] * live[:, j],
                (a * lost[:, j] * left + g * kept[j]) * ground[:, j],
                (a * lost[:, j] * (1 - left) + g * (1 - kept[j]) + x) * gone[:, j],
            ],
            axis=1,
        )
        size = np.maximum(new.sum(axis=1), 1e-300)
        on = active[:, j]
        scale[:, j] = np.where(on, size, 1.0)
        total += np.where(on, np.log(size), 0.0)
        state[:, j + 1] = np.where(on[:, None], new / size[:, None], state[:, j])
    return (state, scale), total


def _backward(
    active: BoolArray,
    phi: FloatArray,
    lost: FloatArray,
    left: float,
    kept: FloatArray,
    live: FloatArray,
    ground: FloatArray,
    gone: FloatArray,
    scale: FloatArray,
) -> FloatArray:
    n, t = active.shape
    back = np.ones((n, t + 1, 3))
    for j in range(t - 1, -1, -1):
        a = live[:, j] * back[:, j + 1, 0]
        g = ground[:, j] * back[:, j + 1, 1]
        x = gone[:, j] * back[:, j + 1, 2]
        new = np.stack(
            [
                phi[:, j] * a + lost[:, j] * (left * g + (1 - left) * x),
                kept[j] * g + (1 - kept[j]) * x,
                x,
            ],
            axis=1,
        )
        back[:, j] = np.where(active[:, j, None], new / scale[:, j, None], back[:, j + 1])
    return back


@dataclass(frozen=True)
class IntegratedFit:
    """A fitted model of captures and scans.

    Parameters
    ----------
    model : IntegratedModel
        The model, histories compressed.
    maximum : Maximum or None
        Parameters and information; None when nothing could be fitted.
    n_fish : int
        Fish behind it.
    reason : str
        Why nothing could be fitted.
    """

    model: IntegratedModel
    maximum: Maximum | None
    n_fish: int
    reason: str = ""

    def survival(self, row: int = 0, level: float = 0.95, profile: bool = False) -> list[Estimate]:
        """Return survival with the tag, per unit of time, in each interval; see `estimate`."""
        return self._each(0, row, level, profile)

    def caught(self, row: int = 0, level: float = 0.95, profile: bool = False) -> list[Estimate]:
        """Return the chance that a living fish is caught, by occasion."""
        return self._each(1, row, level, profile)

    def scanned(self, row: int = 0, level: float = 0.95, profile: bool = False) -> list[Estimate]:
        """Return the chance that a living fish is scanned, by occasion."""
        return self._each(2, row, level, profile)

    def left_readable(self, level: float = 0.95, profile: bool = False) -> Estimate:
        """Return the chance that the tag of a fish that died, or shed it, is left readable."""
        return self._linear(self._unit(-2), level, profile)

    def stays_readable(self, level: float = 0.95, profile: bool = False) -> Estimate:
        """Return the chance per unit of time that a readable tag on the ground stays readable."""
        return self._linear(self._unit(-1), level, profile)

    def _each(self, part: int, row: int, level: float, profile: bool) -> list[Estimate]:
        d = self.model.designs[part]
        out, known = [], {}
        for columns in d.values[0 if d.common else row]:
            key = columns.tobytes()
            if key not in known:
                e = np.zeros(self.model.n_parameters)
                e[self.model.slices()[part]] = columns
                known[key] = self._linear(e, level, profile)
            out.append(known[key])
        return out

    def _unit(self, k: int) -> FloatArray:
        e = np.zeros(self.model.n_parameters)
        e[k] = 1.0
        return e

    def _linear(self, direction: FloatArray, level: float, profile: bool) -> Estimate:
        from scipy.stats import norm

        if self.maximum is None:
            return Estimate.not_estimable(self.reason, HOW, self.n_fish)
        found = self.maximum
        eta, variance = float(direction @ found.beta), found.variance_along(direction)
        edge = abs(eta) > WIDE and (variance is None or variance > 100)
        if variance is None and not edge:
            return Estimate.not_estimable(
                "captures and scans together do not tell it apart", HOW, self.n_fish
            )
        if profile or edge:
            objective = integrated_log_likelihood(self.model)
            low, high = profile_of(objective, found.beta, found.log_likelihood, direction, level)
            how = HOW + ", interval by profile likelihood"
        else:
            half = float(norm.ppf(0.5 + level / 2)) * float(np.sqrt(variance or 0.0))
            low, high = eta - half, eta + half
            how = HOW + ", interval from the standard error of the logit"
        p, lo, hi = (float(expit(x)) for x in (eta, low, high))
        if edge:
            p, lo, hi = (1.0, lo, 1.0) if eta > 0 else (0.0, 0.0, hi)
            return Estimate(
                p,
                lo,
                hi,
                how,
                self.n_fish,
                level=level,
                note="the estimate lies at the edge of what is possible",
            )
        return Estimate(p, lo, hi, how, self.n_fish, level=level)


def fit_integrated(
    histories: EncounterHistories,
    survival: Design,
    caught: Design,
    scanned: Design,
    ground: Design,
    start: npt.ArrayLike | None = None,
) -> IntegratedFit:
    """Fit survival to captures and scans together.

    Survival is that of a fish with its tag in place. Divide by tag retention from double tags
    (`planner.monitor.tag_loss.survival_without_tag_loss`) for survival of the fish: the histories of single-tagged
    fish hold no word on retention, so fitting both at once gives the same.

    Parameters
    ----------
    histories : EncounterHistories
        With captures and scans.
    survival, caught, scanned, ground : Design
        Predictors; see `IntegratedModel`.
    start : array_like of float, optional
        Parameters to begin from.

    Returns
    -------
    IntegratedFit
        Not estimable, with the reason, when there were no captures or no scans, or no fish was released early enough.

    Raises
    ------
    ShapeError
        If a design does not fit the histories.
    ValueRangeError
        If fish were met where the effort of that kind is zero.
    """
    full = IntegratedModel(histories, survival, caught, scanned, ground)
    integrated_log_likelihood(full)
    n = histories.n_fish
    if histories.n_releases == 0:
        return IntegratedFit(full, None, n, "no fish was released before the last occasion")
    if not histories.caught.any():
        return IntegratedFit(
            full, None, n, "no fish was caught: scans alone do not tell living fish from tags on the ground"
        )
    if not histories.scanned.any():
        return IntegratedFit(full, None, n, "no fish was scanned; fit captures alone as an open population")
    varying = [x.values.reshape(len(x.values), -1) for x in full.designs if not x.common]
    small, row = compress(histories, *(v[:, np.ptp(v, axis=0) > 0] for v in varying))
    designs = [x if x.common else Design(x.names, np.ascontiguousarray(x.values[row])) for x in full.designs]
    model = IntegratedModel(small, *designs)
    objective = integrated_log_likelihood(model)
    if start is not None:
        begin = [np.asarray(start, np.float64)]
        if begin[0].shape != (model.n_parameters,):
            raise ShapeError(f"start: found shape {begin[0].shape}. Expected ({model.n_parameters},).")
    else:
        # two beginnings: few or many tags on the ground; the likelihood may have a second, lower top
        begin = [_start(model, (0.6, 0.2, 0.3, 0.5), ground) for ground in ((0.2, 0.8), (0.6, 0.8))]
    tops = [maximise(objective, x) for x in begin]
    return IntegratedFit(model, max(tops, key=lambda m: m.log_likelihood), n)


def _start(
    model: IntegratedModel, values: tuple[float, float, float, float], ground: tuple[float, float]
) -> FloatArray:
    parts = []
    for d, p in zip(model.designs, values, strict=True):
        flat = d.values.reshape(-1, d.n_columns)
        flat = flat[:: max(1, len(flat) // 20_000)]
        parts.append(np.linalg.lstsq(flat, np.full(len(flat), np.log(p / (1 - p))), rcond=None)[0])
    return np.concatenate([*parts, [np.log(x / (1 - x)) for x in ground]])
