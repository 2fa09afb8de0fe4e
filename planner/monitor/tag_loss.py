"""Tag loss from fish that carry two tags, and survival and numbers corrected for it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from broodstock.arrays import FloatArray
from broodstock.errors import ShapeError, ValueRangeError
from broodstock.estimates import Estimate
from planner.monitor.closed_two_sample import chapman, chapman_variance, log_limits
from planner.monitor.fit_maximum import Maximum, Objective, maximise

INDEPENDENT = "assumes that the two tags are lost independently and that a fish with either is met alike"


def _proportion(k: int, n: int, level: float) -> tuple[float, float]:
    from scipy.stats import beta

    tail = (1 - level) / 2
    low = float(beta.ppf(tail, k, n - k + 1)) if k else 0.0
    high = float(beta.ppf(1 - tail, k + 1, n - k)) if k < n else 1.0
    return low, high


def equal_tag_loss(n_one: int, n_both: int, level: float = 0.95) -> Estimate:
    """Return the chance that a tag is lost, from fish tagged twice alike: ``n_one / (n_one + 2 n_both)``.

    Parameters
    ----------
    n_one, n_both : int
        Double-tagged fish met later with one tag left, and with both.
    level : float
        Coverage, at least reached: exact binomial limits of the share with one tag, ``2 p / (1 + p)``, turned into p.

    Raises
    ------
    ValueRangeError
        If a number is negative.

    References
    ----------
    .. [1] Seber (1982), The estimation of animal abundance, 2nd ed., section on tag loss (from memory).
    """
    _counts(n_one, n_both)
    n = n_one + n_both
    how = "double tagging, two tags alike, exact binomial interval"
    if n == 0:
        return Estimate.not_estimable("no double-tagged fish was met again", how)
    low, high = (x / (2 - x) for x in _proportion(n_one, n, level))
    return Estimate(n_one / (n_one + 2 * n_both), low, high, how, n, level=level, note=INDEPENDENT)


def unequal_tag_loss(
    n_only_a: int, n_only_b: int, n_both: int, level: float = 0.95
) -> tuple[Estimate, Estimate]:
    """Return the chances that tag A and tag B are lost: ``n_b / (n_b + n_ab)`` for A and the reverse for B.

    Parameters
    ----------
    n_only_a, n_only_b, n_both : int
        Double-tagged fish met later with tag A only, tag B only, both.
    level : float
        Coverage, at least reached; exact binomial limits.

    Raises
    ------
    ValueRangeError
        If a number is negative.

    References
    ----------
    .. [1] Seber (1982), The estimation of animal abundance, 2nd ed. (from memory).
    """
    _counts(n_only_a, n_only_b, n_both)
    how = "double tagging, two kinds of tag, exact binomial interval"
    out = []
    for lost, name in ((n_only_b, "B"), (n_only_a, "A")):
        n = lost + n_both
        if n == 0:
            out.append(Estimate.not_estimable(f"no fish was met with tag {name}", how))
        else:
            low, high = _proportion(lost, n, level)
            out.append(Estimate(lost / n, low, high, how, n, level=level, note=INDEPENDENT))
    return out[0], out[1]


def _counts(*numbers: int) -> None:
    for x in numbers:
        if x != int(x) or x < 0:
            raise ValueRangeError(f"double-tagged fish: found {x}. Expected a whole number, 0 or more.")


@dataclass(frozen=True)
class TagRetention:
    """Chance that a tag is still kept some time after tagging: ``exp(-(rate time)^shape)``.

    Parameters
    ----------
    maximum : Maximum or None
        Logarithms of rate and, when free, shape; None when there was nothing to fit.
    shape_free : bool
        False: a constant hazard, shape 1.
    n_fish : int
        Double-tagged fish behind it.
    reason : str
        Why there is none.
    """

    maximum: Maximum | None
    shape_free: bool
    n_fish: int
    reason: str = ""

    def at(self, time: float, level: float = 0.95) -> Estimate:
        """Return the chance that a tag is still kept after this time.

        Raises
        ------
        ValueRangeError
            If the time is negative.
        """
        from scipy.stats import norm

        how = "double tagging over time, Weibull hazard of loss" if self.shape_free else (
            "double tagging over time, constant hazard of loss")  # fmt: skip
        how += ", maximum likelihood, interval on the log of the cumulative hazard"
        if time < 0:
            raise ValueRangeError(f"time: found {time:g}. Expected 0 or more since tagging.")
        if self.maximum is None:
            return Estimate.not_estimable(self.reason, how, self.n_fish)
        if time == 0:
            return Estimate(1.0, 1.0, 1.0, how, self.n_fish, level=level)
        b = self.maximum.beta
        k = math.exp(b[1]) if self.shape_free else 1.0
        u = b[0] + math.log(time)
        log_hazard = k * u
        direction = np.array([k, k * u]) if self.shape_free else np.array([k])
        variance = self.maximum.variance_along(direction)
        if variance is None:
            return Estimate.not_estimable("the times of the meetings do not tell the shape", how, self.n_fish)
        half = float(norm.ppf(0.5 + level / 2)) * math.sqrt(variance)
        value, low, high = (math.exp(-math.exp(log_hazard + x)) for x in (0.0, half, -half))
        return Estimate(value, low, high, how, self.n_fish, level=level, note=INDEPENDENT)


def fit_tag_retention(
    time: npt.ArrayLike, n_one: npt.ArrayLike, n_both: npt.ArrayLike, shape_free: bool = True
) -> TagRetention:
    """Fit the hazard of tag loss since tagging from double-tagged fish met at different times.

    Of fish met with at least one of two like tags, each lost with probability p by then, a share ``2 p / (1 + p)``
    has one: the likelihood is conditional on being met, so survival and detection drop out.

    Parameters
    ----------
    time : array_like of float, shape (n,)
        Time since tagging, above 0.
    n_one, n_both : array_like of int, shape (n,)
        Fish met then with one tag left, and with both.
    shape_free : bool
        Weibull hazard; a constant hazard when False.

    Raises
    ------
    ShapeError
        If the arrays differ in length.
    ValueRangeError
        If a time is not positive or a number negative.

    References
    ----------
    .. [1] Wetherall (1982), Fishery Bulletin 80:687-701, analyses double tagging over time (from memory).
    """
    t, a, b = (np.asarray(x, np.float64) for x in (time, n_one, n_both))
    if not len(t) == len(a) == len(b):
        raise ShapeError("double-tagged fish: found arrays of different lengths. Expected one row per time.")
    if np.any(t <= 0) or not np.isfinite(t).all() or np.any(a < 0) or np.any(b < 0):
        raise ValueRangeError("double-tagged fish: found a time not above 0 or a negative number of fish.")
    n = int(a.sum() + b.sum())
    if n == 0:
        return TagRetention(None, shape_free, 0, "no double-tagged fish was met again")
    if a.sum() == 0:
        return TagRetention(None, shape_free, n, f"none of {n} double-tagged fish met again had lost a tag")
    if b.sum() == 0:
        return TagRetention(None, shape_free, n, f"each of {n} double-tagged fish met again had lost a tag")
    if shape_free and len(np.unique(t[a + b > 0])) < 2:
        return TagRetention(
            None, True, n, "all fish were met after the same time; fit a constant hazard instead"
        )
    objective = retention_log_likelihood(t, a, b, shape_free)
    p = a.sum() / (a.sum() + 2 * b.sum())
    mean = float((t @ (a + b)) / n)
    start = [math.log(-math.log1p(-p) / mean)] + [0.0] * int(shape_free)
    return TagRetention(maximise(objective, np.array(start)), shape_free, n)


def retention_log_likelihood(t: FloatArray, a: FloatArray, b: FloatArray, shape_free: bool) -> Objective:
    """Return the log likelihood of `fit_tag_retention` with its gradient, as a function of log rate and log shape."""

    def value(x: FloatArray) -> tuple[float, FloatArray]:
        k = math.exp(min(x[1], 5.0)) if shape_free else 1.0
        u = x[0] + np.log(t)
        hazard = np.exp(np.clip(k * u, -700, 600))
        q = np.exp(-hazard)  # kept; the share with one tag is 2 (1 - q) / (2 - q), with both q / (2 - q)
        lost = -np.expm1(-hazard)
        total = a @ np.log(np.maximum(2 * lost, 1e-300)) - b @ hazard - (a + b) @ np.log(2 - q)
        by_hazard = a * q / np.maximum(lost, 1e-300) - b - (a + b) * q / (2 - q)
        by_log = by_hazard * hazard
        gradient = [float(by_log.sum() * k)]
        if shape_free:
            gradient.append(float((by_log * k * u).sum()))
        return float(total), np.array(gradient)

    return value


def survival_without_tag_loss(
    apparent: Estimate, standard_error: float, kept: Estimate, level: float = 0.95
) -> Estimate:
    """Return survival corrected for tag loss: apparent survival over the chance that the tag is kept.

    Parameters
    ----------
    apparent : Estimate
        Survival of fish with their tags.
    standard_error : float
        Its standard error.
    kept : Estimate
        Chance that the tag is kept over the same time, independent of it; its standard error is taken from its
        limits on the log scale.
    level : float
        Coverage aimed at; delta method on the log scale.

    References
    ----------
    .. [1] Arnason & Mills (1981), Canadian Journal of Fisheries and Aquatic Sciences 38:1077-1095 (from memory).
    """
    from scipy.stats import norm

    how = "apparent survival over tag retention, delta-method interval on the log scale"
    if apparent.value is None:
        return Estimate.not_estimable(apparent.reason, how, apparent.n_used)
    if kept.value is None or not kept.value or kept.low is None or kept.high is None:
        return Estimate.not_estimable(f"tag retention: {kept.reason or 'no interval'}", how, apparent.n_used)
    if apparent.value <= 0 or kept.low <= 0:
        return Estimate.not_estimable("survival or retention lies at its edge of 0", how, apparent.n_used)
    z = float(norm.ppf(0.5 + level / 2))
    se_kept = math.log(kept.high / kept.low) / (2 * float(norm.ppf(0.5 + kept.level / 2)))
    half = z * math.hypot(standard_error / apparent.value, se_kept)
    value = apparent.value / kept.value
    note = "above 1: survival or retention is estimated too roughly; read the interval" if value > 1 else ""
    return Estimate(
        min(value, 1.0),
        min(value * math.exp(-half), 1.0),
        min(value * math.exp(half), 1.0),
        how,
        apparent.n_used,
        level=level,
        note=note,
    )


def number_without_tag_loss(
    marked: int, caught: int, recaptured: int, kept: Estimate, level: float = 0.95
) -> Estimate:
    """Return Chapman's number with recaptures raised for marked fish that had lost their tags.

    Recaptures become ``R / kept``; the variance adds that of the retention by the delta method.

    Parameters
    ----------
    marked, caught, recaptured : int
        As `planner.monitor.closed_two_sample.chapman`; recaptured fish are those with a tag.
    kept : Estimate
        Chance that a marked fish still shows that it was marked.
    level : float
        Coverage aimed at; log-normal for the fish never seen.

    Raises
    ------
    ValueRangeError
        As `chapman`.

    References
    ----------
    .. [1] Seber (1982), The estimation of animal abundance, 2nd ed. (from memory).
    """
    from scipy.stats import norm

    plain = chapman(marked, caught, recaptured, level)
    how = "two samples, Chapman with recaptures corrected for tag loss, log-normal interval"
    if plain.value is None:
        return Estimate.not_estimable(plain.reason, how, plain.n_used)
    if kept.value is None or not kept.value or kept.low is None or kept.high is None:
        return Estimate.not_estimable(f"tag retention: {kept.reason or 'no interval'}", how, plain.n_used)
    r = min(recaptured / kept.value, float(min(marked, caught)))
    value = (marked + 1) * (caught + 1) / (r + 1) - 1
    se_kept = (kept.high - kept.low) / (2 * float(norm.ppf(0.5 + kept.level / 2)))
    slope = (marked + 1) * (caught + 1) / (r + 1) ** 2 * r / kept.value
    # the spread of the recaptures is that of the tags seen: scaled from the sample of recaptured, not of r, fish
    spread = chapman_variance(marked, caught, recaptured) * ((value + 1) / (plain.value + 1)) ** 2
    low, high = log_limits(value, spread + (slope * se_kept) ** 2, marked + caught - r, level)
    return Estimate(value, low, high, how, plain.n_used, level=level, note=INDEPENDENT)
