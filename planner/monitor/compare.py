"""Comparison of models by information criteria, and estimates averaged over models."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from broodstock.errors import ShapeError, ValueRangeError
from broodstock.estimates import Estimate
from planner.monitor.open_fit import FittedModel


@dataclass(frozen=True)
class ModelLine:
    """One model in a comparison.

    Parameters
    ----------
    name : str
        Its name.
    n_parameters : int
        Parameters the data tell, and one for overdispersion when it was estimated.
    minus_twice_log_likelihood : float
        As fitted.
    criterion : float
        Small-sample AIC, or its quasi-likelihood form.
    difference, weight : float
        Difference from the smallest, and share of the support.
    """

    name: str
    n_parameters: int
    minus_twice_log_likelihood: float
    criterion: float
    difference: float
    weight: float


def small_sample_criterion(
    log_likelihood: float, n_parameters: int, n: int, c_hat: float = 1.0, count_c_hat: bool = False
) -> float:
    """Return ``-2 ln L / c + 2 K + 2 K (K + 1) / (n - K - 1)``; infinite when n is not larger than K + 1.

    Parameters
    ----------
    log_likelihood : float
        Largest log likelihood.
    n_parameters : int
        K.
    n : int
        Sample size: releases and re-releases followed by an occasion.
    c_hat : float
        Overdispersion; values below 1 count as 1.
    count_c_hat : bool
        Count the overdispersion as a parameter.

    References
    ----------
    .. [1] Hurvich & Tsai (1989), Biometrika 76:297-307. Burnham & Anderson (2002), Model selection and multimodel
       inference, 2nd ed. (from memory).
    """
    k = n_parameters + int(count_c_hat)
    if n - k - 1 <= 0:
        return math.inf
    return -2 * log_likelihood / max(c_hat, 1.0) + 2 * k + 2 * k * (k + 1) / (n - k - 1)


def compare_models(fits: Sequence[FittedModel], c_hat: float = 1.0) -> list[ModelLine]:
    """Compare models fitted to the same histories; the best first.

    Parameters
    ----------
    fits : sequence of FittedModel
        Fits to the same fish and occasions.
    c_hat : float
        Overdispersion of the most general model; above 1 the quasi-likelihood form is used and counts it.

    Raises
    ------
    ValueRangeError
        If there is no model, one could not be fitted, or they are of different data.
    """
    if not fits:
        raise ValueRangeError("comparison: found no model. Expected at least one.")
    if len({(f.n_fish, f.n_releases) for f in fits}) > 1:
        raise ValueRangeError(
            "comparison: found models of different fish. Expected the same histories in all of them."
        )
    n, quasi = fits[0].n_releases, c_hat > 1
    values = np.array([small_sample_criterion(f.log_likelihood, f.n_told, n, c_hat, quasi) for f in fits])
    weights = criterion_weights(values)
    lines = [
        ModelLine(
            f.name, f.n_told + int(quasi), -2 * f.log_likelihood, float(v), float(v - values.min()), float(w)
        )
        for f, v, w in zip(fits, values, weights, strict=True)
    ]
    return sorted(lines, key=lambda line: (line.criterion, line.name))


def criterion_weights(criteria: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Return the share of support of each model: ``exp(-difference / 2)``, made to sum to 1.

    Raises
    ------
    ValueRangeError
        If every criterion is infinite: more parameters than releases.
    """
    x = np.asarray(criteria, np.float64)
    if not np.isfinite(x).any():
        raise ValueRangeError(
            "comparison: found more parameters than releases in every model. Use simpler ones."
        )
    w = np.exp(-(x - x[np.isfinite(x)].min()) / 2)
    return np.asarray(w / w.sum())


def average_over_models(
    values: npt.ArrayLike,
    standard_errors: npt.ArrayLike,
    weights: npt.ArrayLike,
    level: float = 0.95,
    n_used: int = 0,
) -> Estimate:
    """Return the weighted mean of a probability over models with the unconditional variance.

    The standard error is ``sum w sqrt(se^2 + (value - mean)^2)``: it holds what the choice between models adds.

    Parameters
    ----------
    values, standard_errors, weights : array_like of float, shape (n_models,)
        Estimate, its standard error and the weight in each model; probabilities strictly between 0 and 1.
    level : float
        Coverage aimed at; the interval is symmetric on the logit scale.
    n_used : int
        Fish behind it.

    Raises
    ------
    ShapeError
        If the arrays differ in length.

    References
    ----------
    .. [1] Buckland, Burnham & Augustin (1997), Biometrics 53:603-618 (from memory).
    """
    from scipy.special import expit, logit
    from scipy.stats import norm

    v, s, w = (np.asarray(x, np.float64) for x in (values, standard_errors, weights))
    if not len(v) == len(s) == len(w):
        raise ShapeError(
            f"average: found {len(v)} values, {len(s)} errors, {len(w)} weights. Expected one each."
        )
    how = "mean over models weighted by their support, unconditional standard error, interval on the logit scale"
    total = w.sum()
    if total <= 0 or not len(v):
        return Estimate.not_estimable("no model carries any weight", how, n_used)
    w = w / total
    mean = float(w @ v)
    if not 0 < mean < 1:
        return Estimate.not_estimable("the mean lies at the edge of 0 or 1", how, n_used)
    error = float(w @ np.sqrt(s**2 + (v - mean) ** 2))
    half = float(norm.ppf(0.5 + level / 2)) * error / (mean * (1 - mean))
    low, high = float(expit(logit(mean) - half)), float(expit(logit(mean) + half))
    return Estimate(mean, low, high, how, n_used, level=level, note=f"standard error {error:.6f}")


def average_survival(
    fits: Sequence[FittedModel], interval: int, row: int = 0, c_hat: float = 1.0
) -> Estimate:
    """Return survival in one interval averaged over the models in which the data tell it.

    Parameters
    ----------
    fits : sequence of FittedModel
        Fits to the same histories.
    interval : int
        Interval, 0 first.
    row : int
        Design row of the fish, for models in which fish differ.
    c_hat : float
        Overdispersion.

    Raises
    ------
    ValueRangeError
        As `compare_models`.
    """
    compare_models(fits, c_hat)
    n, quasi = fits[0].n_releases, c_hat > 1
    kept, criteria = [], []
    for f in fits:
        d = f.model.survival
        columns = d.values[0 if d.common else row, interval]
        g = f.with_overdispersion(c_hat)
        estimate, error = g.survival_at(columns), g.standard_error(columns)
        if estimate.value is not None and error is not None and 0 < estimate.value < 1:
            kept.append((estimate.value, error))
            criteria.append(small_sample_criterion(f.log_likelihood, f.n_told, n, c_hat, quasi))
    if not kept:
        return Estimate.not_estimable("no model tells it", n_used=fits[0].n_fish)
    out = average_over_models(
        [k[0] for k in kept], [k[1] for k in kept], criterion_weights(criteria), n_used=fits[0].n_fish
    )
    left = len(fits) - len(kept)
    if left and out.value is not None:
        note = f"{out.note}; {left} models that do not tell it left out"
        return Estimate(out.value, out.low, out.high, out.method, out.n_used, level=out.level, note=note)
    return out
