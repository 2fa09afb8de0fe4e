"""Survival and detection of an open population by maximum likelihood, with intervals or the reason why not."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.special import expit, logit

from broodstock.arrays import FloatArray
from broodstock.errors import ShapeError, ValueRangeError
from broodstock.estimates import Estimate
from planner.monitor.fit_maximum import EDGE, Maximum, Objective, maximise
from planner.monitor.histories import EncounterHistories
from planner.monitor.open_design import Design
from planner.monitor.open_likelihood import SurvivalModel, log_likelihood

WIDE = 5.0
"""A logit beyond this whose direction carries no information is taken to lie at 0 or 1."""


@dataclass(frozen=True)
class FittedModel:
    """A fitted model of survival and detection.

    Parameters
    ----------
    model : SurvivalModel
        The model, histories compressed.
    maximum : Maximum or None
        Parameters, information and covariance; None when there was nothing to fit.
    n_releases, n_fish : int
        Releases and re-releases followed by an occasion, and fish.
    c_hat : float
        Overdispersion by which variances are multiplied, 1 or more.
    reason : str
        Why nothing could be fitted; empty when something was.
    """

    model: SurvivalModel
    maximum: Maximum | None
    n_releases: int
    n_fish: int
    c_hat: float = 1.0
    reason: str = ""

    @property
    def name(self) -> str:
        """Name of the model."""
        return self.model.name

    @property
    def log_likelihood(self) -> float:
        """Largest log likelihood.

        Raises
        ------
        ValueRangeError
            If nothing could be fitted.
        """
        return self.found.log_likelihood

    @property
    def found(self) -> Maximum:
        """The maximum; raises ValueRangeError with the reason when there is none."""
        if self.maximum is None:
            raise ValueRangeError(f"model '{self.name}': not estimable because {self.reason}.")
        return self.maximum

    @property
    def n_told(self) -> int:
        """Parameters the data tell, those at the edge among them: the number that information criteria count."""
        found = self.found
        at_edge = sum(1 for k in range(found.flat.shape[1]) if self._edge_direction(found.flat[:, k]))
        return found.rank + at_edge

    def with_overdispersion(self, c_hat: float) -> FittedModel:
        """Return the same fit with variances multiplied by ``max(c_hat, 1)``."""
        return replace(self, c_hat=max(float(c_hat), 1.0))

    def parameters(self, level: float = 0.95) -> dict[str, Estimate]:
        """Return every parameter on the logit scale with its interval or the reason why there is none."""
        out = {}
        for k, name in enumerate(self.model.names):
            e = np.zeros(self.model.n_parameters)
            e[k] = 1.0
            out[name] = self._linear(e, level, False, logit_scale=True)
        return out

    def survival(self, row: int = 0, level: float = 0.95, profile: bool = False) -> list[Estimate]:
        """Return survival per unit of time in each interval for the fish of one design row."""
        values = self.model.survival.values[0 if self.model.survival.common else row]
        known: dict[bytes, Estimate] = {}
        for v in values:
            if v.tobytes() not in known:
                known[v.tobytes()] = self.survival_at(v, level, profile)
        return [known[v.tobytes()] for v in values]

    def detection(self, row: int = 0, level: float = 0.95, profile: bool = False) -> list[Estimate]:
        """Return the chance to be met at the end of each interval for the fish of one design row."""
        values = self.model.detection.values[0 if self.model.detection.common else row]
        looked = self.model.histories.looked[1:]
        none = Estimate.not_estimable("nobody looked in this occasion", n_used=self.n_fish)
        known: dict[bytes, Estimate] = {}
        for v in values:
            if v.tobytes() not in known:
                known[v.tobytes()] = self.detection_at(v, level, profile)
        return [known[v.tobytes()] if y else none for v, y in zip(values, looked, strict=True)]

    def survival_at(self, columns: npt.ArrayLike, level: float = 0.95, profile: bool = False) -> Estimate:
        """Return survival per unit of time at given values of the survival design's columns.

        Parameters
        ----------
        columns : array_like of float, shape (n_survival_columns,)
            Values of the columns.
        level : float
            Coverage aimed at.
        profile : bool
            Interval from the profile of the likelihood instead of the standard error of the logit.

        Raises
        ------
        ShapeError
            If the number of values is wrong.
        """
        return self._linear(self._pad(columns, True), level, profile)

    def detection_at(self, columns: npt.ArrayLike, level: float = 0.95, profile: bool = False) -> Estimate:
        """Return the chance to be met at given values of the detection design's columns; as `survival_at`."""
        return self._linear(self._pad(columns, False), level, profile)

    def standard_error(self, columns: npt.ArrayLike, survival: bool = True) -> float | None:
        """Return the standard error of survival (or detection) by the delta method; None when not told."""
        direction = self._pad(columns, survival)
        if self.maximum is None:
            return None
        variance = self.found.variance_along(direction)
        if variance is None:
            return None
        p = float(expit(direction @ self.found.beta))
        return float(np.sqrt(variance * self.c_hat)) * p * (1 - p)

    def _pad(self, columns: npt.ArrayLike, survival: bool) -> FloatArray:
        x = np.asarray(columns, np.float64)
        k, n = self.model.survival.n_columns, self.model.n_parameters
        wanted = k if survival else n - k
        if x.shape != (wanted,):
            raise ShapeError(
                f"columns: found shape {x.shape}. Expected ({wanted},), one per column of the design."
            )
        out = np.zeros(n)
        out[:k] = x if survival else 0.0
        out[k:] = out[k:] if survival else x
        return out

    def _edge_direction(self, direction: FloatArray) -> bool:
        return bool(np.abs(self.found.beta[np.abs(direction) > 0.1]).max(initial=0.0) > WIDE)

    def _linear(
        self, direction: FloatArray, level: float, profile: bool, logit_scale: bool = False
    ) -> Estimate:
        how = "maximum likelihood of survival and detection in an open population (Cormack, Jolly, Seber)"
        if self.maximum is None:
            return Estimate.not_estimable(self.reason, how, self.n_fish)
        found = self.maximum
        eta = float(direction @ found.beta)
        variance = found.variance_along(direction)
        if variance is not None and variance * self.c_hat > 100.0 and abs(eta) > WIDE:
            variance = None
        edge = variance is None and abs(eta) > WIDE
        if variance is None and not edge:
            names = self._confounded(direction)
            return Estimate.not_estimable(
                f"the data tell only a combination of it with: {names}", how, self.n_fish
            )
        show = (lambda x: x) if logit_scale else (lambda x: float(expit(x)))
        if edge and logit_scale:
            return Estimate.not_estimable(
                "it lies at the edge (survival or detection 0 or 1), where the logit is infinite",
                how,
                self.n_fish,
            )
        if profile or edge:
            low, high = profile_interval(self, direction, level)
            how += ", interval by profile likelihood"
        else:
            from scipy.stats import norm

            half = float(norm.ppf(0.5 + level / 2)) * float(np.sqrt((variance or 0.0) * self.c_hat))
            low, high = eta - half, eta + half
            how += ", interval from the standard error of the logit"
        if self.c_hat > 1:
            how += f", variance multiplied by {self.c_hat:.2f} for overdispersion"
        note = "the estimate lies at the edge of what is possible" if edge else ""
        if edge:
            value = 1.0 if eta > 0 else 0.0
            low, high = show(low), show(high)
            low, high = (low, 1.0) if eta > 0 else (0.0, high)
            return Estimate(value, low, high, how, self.n_fish, level=level, note=note)
        return Estimate(show(eta), show(low), show(high), how, self.n_fish, level=level)

    def _confounded(self, direction: FloatArray) -> str:
        found = self.found
        touched = np.abs(found.flat.T @ direction) > 1e-3
        rows = (np.abs(found.flat[:, touched]) > 1e-2).any(axis=1) & (np.abs(direction) < 1e-9)
        names = [n for n, hit in zip(self.model.names, rows, strict=True) if hit]
        return ", ".join(names) or "nothing: no fish bears on it"


def fit_survival(
    histories: EncounterHistories,
    survival: Design,
    detection: Design,
    name: str = "",
    start: npt.ArrayLike | None = None,
) -> FittedModel:
    """Fit survival and detection by maximum likelihood.

    Parameters
    ----------
    histories : EncounterHistories
        Histories of released fish.
    survival, detection : Design
        Linear predictors on the logit scale.
    name : str
        Name of the model in comparisons.
    start : array_like of float, optional
        Parameters to begin from.

    Returns
    -------
    FittedModel
        Not estimable, with the reason, when no fish was released before the last occasion, nobody looked after a
        release, or no fish was ever met again.

    Raises
    ------
    ShapeError
        If a design does not fit the histories.
    ValueRangeError
        If fish were met where nobody looked.

    References
    ----------
    .. [1] Lebreton, Burnham, Clobert & Anderson (1992), Ecological Monographs 62:67-118 (from memory).
    """
    full = SurvivalModel(histories, survival, detection, name)
    objective = log_likelihood(full)
    n_releases, n_fish = histories.n_releases, histories.n_fish
    reason = _why_nothing(histories, n_releases)
    if reason:
        return FittedModel(full, None, n_releases, n_fish, reason=reason)
    model = full.compressed()
    if model is not full:
        objective = log_likelihood(model)
    if start is None:
        x = _start(model)
        if not full.survival.common or not full.detection.common:
            x = _warm(model, x)
    else:
        x = np.asarray(start, np.float64)
        if x.shape != (model.n_parameters,):
            raise ShapeError(f"start: found shape {x.shape}. Expected ({model.n_parameters},).")
    return FittedModel(model, maximise(objective, x), n_releases, n_fish)


def _why_nothing(h: EncounterHistories, n_releases: int) -> str:
    if n_releases == 0:
        return "no fish was released before the last occasion"
    if not h.looked[1:].any():
        return "there was no effort after the first occasion"
    after = h.looked & (np.arange(h.n_occasions) > int(h.release.min()))
    if not after.any():
        return "there was no effort after the first release"
    if not (h.seen.any(axis=1) & (h.number > 0)).any():
        return f"none of {h.n_fish} released fish was met again"
    return ""


def _start(model: SurvivalModel) -> FloatArray:
    """Begin at survival 0.6 per unit and detection 0.3, spread over the columns by least squares."""
    parts = []
    for d, value in ((model.survival, 0.6), (model.detection, 0.3)):
        flat = d.values.reshape(-1, d.n_columns)
        step = max(1, len(flat) // 20_000)
        target = np.full(len(flat[::step]), logit(value))
        parts.append(np.linalg.lstsq(flat[::step], target, rcond=None)[0])
    return np.concatenate(parts)


def _warm(model: SurvivalModel, x: FloatArray) -> FloatArray:
    """Take a start from a sample of the histories when there are many."""
    n = len(model.histories.release)
    if n < 8_000:
        return x
    rows = np.arange(0, n, n // 2_000)
    s, p = (d if d.common else Design(d.names, d.values[rows]) for d in (model.survival, model.detection))
    from scipy.optimize import minimize

    objective = log_likelihood(SurvivalModel(model.histories.take(rows), s, p))

    def negative(beta: FloatArray) -> tuple[float, FloatArray]:
        v, g = objective(beta)
        return -v, -g

    found = minimize(
        negative, x, jac=True, method="L-BFGS-B", bounds=[(-6, 6)] * len(x), options={"maxiter": 60}
    )
    return np.asarray(found.x, np.float64)


def profile_interval(fit: FittedModel, direction: npt.ArrayLike, level: float = 0.95) -> tuple[float, float]:
    """Return the profile-likelihood interval of a linear combination of the parameters.

    The limits are where twice the fall of the log likelihood, all else refitted, reaches the chi-square quantile
    (times the overdispersion).

    Parameters
    ----------
    fit : FittedModel
        A fit.
    direction : array_like of float, shape (n_parameters,)
        Coefficients of the combination.
    level : float
        Coverage aimed at.

    Returns
    -------
    tuple of float
        Limits on the logit scale; minus or plus infinity when the likelihood does not fall far enough.

    Raises
    ------
    ValueRangeError
        If nothing was fitted.

    References
    ----------
    .. [1] Venzon & Moolgavkar (1988), Applied Statistics 37:87-94 (from memory).
    """
    found = fit.found
    return profile_of(
        log_likelihood(fit.model),
        found.beta,
        found.log_likelihood,
        np.asarray(direction, float),
        level,
        fit.c_hat,
        _half_width(fit, np.asarray(direction, float), level),
    )


def _half_width(fit: FittedModel, direction: FloatArray, level: float) -> float:
    """Half the width of the plain interval: where to look for the limit first."""
    variance = fit.found.variance_along(direction)
    from scipy.stats import norm

    if variance is None or not 1e-8 < variance < 25:
        return 0.25
    return float(norm.ppf(0.5 + level / 2)) * float(np.sqrt(variance * fit.c_hat))


def profile_of(
    objective: Objective,
    beta: FloatArray,
    top: float,
    direction: FloatArray,
    level: float,
    c_hat: float = 1.0,
    first_step: float = 0.25,
) -> tuple[float, float]:
    """Profile interval of ``direction @ beta`` under any log likelihood with a gradient; see `profile_interval`."""
    from scipy.optimize import brentq, minimize
    from scipy.stats import chi2

    drop = float(chi2.ppf(level, 1)) / 2 * c_hat
    unit = direction / (direction @ direction)
    _, _, vt = np.linalg.svd(direction[None, :])
    rest = vt[1:].T
    best = float(direction @ beta)
    state = {"z": rest.T @ beta}

    def fall(eta: float) -> float:
        base = unit * eta
        if not rest.shape[1]:
            return drop - (top - objective(base)[0])

        def negative(z: FloatArray) -> tuple[float, FloatArray]:
            v, g = objective(base + rest @ z)
            return -v, -(rest.T @ g)

        z0 = np.clip(state["z"], -25, 25)
        found = minimize(negative, z0, jac=True, method="L-BFGS-B", options={"maxiter": 200, "ftol": 1e-12})
        state["z"] = found.x
        return drop - (top + float(found.fun))

    limits = []
    for side in (-1.0, 1.0):
        state["z"] = rest.T @ beta
        inner, step, outer = best, first_step, best
        reached = False
        while abs(outer) < EDGE + WIDE or outer * side < 0:
            outer = outer + side * step
            step *= 1.6
            if fall(outer) < 0:
                reached = True
                break
            inner = outer
        if not reached:
            limits.append(side * float("inf"))
            continue
        limits.append(float(brentq(fall, inner, outer, xtol=1e-6)))
    return limits[0], limits[1]


def mean_survival(fit: FittedModel, rows: Sequence[FloatArray], level: float = 0.95) -> Estimate:
    """Return survival over several intervals in a row: the product, with a delta-method interval on its log(-log).

    Parameters
    ----------
    fit : FittedModel
        A fit.
    rows : sequence of ndarray, each shape (n_survival_columns,)
        Design rows of the intervals, each of one unit of time.
    level : float
        Coverage aimed at.
    """
    from scipy.stats import norm

    how = "product of fitted survivals, delta-method interval on the complementary log-log scale"
    if fit.maximum is None:
        return Estimate.not_estimable(fit.reason, how, fit.n_fish)
    directions = [fit._pad(r, True) for r in rows]
    p = np.array([expit(v @ fit.maximum.beta) for v in directions])
    total = np.sum(
        [v * (1 - q) for v, q in zip(directions, p, strict=True)], axis=0
    )  # gradient of log product
    variance = fit.maximum.variance_along(total)
    if variance is None:
        return Estimate.not_estimable("the data do not tell one of its survivals", how, fit.n_fish)
    log_product = float(np.log(p).sum())
    if log_product > -1e-9:
        return Estimate.not_estimable("survival lies at its edge of 1", how, fit.n_fish)
    half = float(norm.ppf(0.5 + level / 2)) * np.sqrt(variance * fit.c_hat) / abs(log_product)
    low, high = np.exp(log_product * np.exp(half)), np.exp(log_product * np.exp(-half))
    return Estimate(float(np.exp(log_product)), float(low), float(high), how, fit.n_fish, level=level)
