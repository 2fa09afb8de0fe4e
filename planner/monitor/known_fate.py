"""Survival of fish whose fate is known, entering at different times (telemetry, cages, ponds counted out)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from broodstock.arrays import BigIntArray, FloatArray
from broodstock.errors import ShapeError, ValueRangeError
from broodstock.estimates import Estimate

HOW = "product-limit survival with staggered entry, Greenwood's variance, log-log interval"


@dataclass(frozen=True)
class KnownFateSurvival:
    """Survival by the product-limit method.

    Parameters
    ----------
    time : ndarray, float64, shape (n_times,)
        Times with deaths, increasing.
    at_risk, deaths : ndarray, int64, shape (n_times,)
        Fish watched just before each, and deaths at it.
    survival, standard_error : ndarray, float64, shape (n_times,)
        Survival just after each, and its standard error by Greenwood's formula (0 where survival is 0).
    n_fish : int
        Fish watched.
    last_time : float
        Last time at which any fish was watched.
    gaps : tuple of float
        Times with deaths after which no fish was left though others entered later: survival beyond is not told.
    """

    time: FloatArray
    at_risk: BigIntArray
    deaths: BigIntArray
    survival: FloatArray
    standard_error: FloatArray
    n_fish: int
    last_time: float
    gaps: tuple[float, ...]
    fewest_watched: int

    def at(self, time: float, level: float = 0.95) -> Estimate:
        """Return survival to a time with its interval.

        Parameters
        ----------
        time : float
            Time since the origin.
        level : float
            Coverage aimed at.

        Returns
        -------
        Estimate
            Not estimable beyond the last time a fish was watched. Without deaths the limit is the exact one of the
            fewest fish watched at a time; where all have died the upper limit is that of the time before.
        """
        from scipy.stats import norm

        if self.n_fish == 0:
            return Estimate.not_estimable("no fish was watched", HOW)
        if time > self.last_time:
            return Estimate.not_estimable(
                f"no fish was watched after {self.last_time:g}", HOW, n_used=self.n_fish
            )
        if self.gaps and time >= self.gaps[0]:
            return Estimate.not_estimable(
                f"every fish watched at {self.gaps[0]:g} died while others entered later", HOW, self.n_fish
            )
        k = int(np.searchsorted(self.time, time, side="right")) - 1
        note = ""
        if k >= 0 and self.at_risk[: k + 1].min() < 10:
            note = f"only {int(self.at_risk[: k + 1].min())} fish were watched at one of the deaths"
        if k < 0:
            low = ((1 - level) / 2) ** (1 / self.fewest_watched) if self.fewest_watched else 0.0
            return Estimate(
                1.0, low, 1.0, HOW, self.n_fish, level=level, note="no death yet; exact lower limit"
            )
        s = float(self.survival[k])
        if s == 0:
            before = float(self.time[k - 1]) if k else -np.inf
            high = self.at(before, level).high if k else 1.0
            return Estimate(0.0, 0.0, high, HOW, self.n_fish, level=level, note="all fish watched had died")
        width = float(norm.ppf(0.5 + level / 2)) * float(self.standard_error[k]) / (s * abs(np.log(s)))
        low, high = s ** np.exp(width), s ** np.exp(-width)
        return Estimate(s, float(low), float(high), HOW, self.n_fish, level=level, note=note)

    def simple_error(self, time: float) -> float:
        """Return Pollock's simple standard error ``S sqrt((1 - S) / r)``, r the fish watched at the last death.

        Raises
        ------
        ValueRangeError
            If the time lies before the first death.
        """
        k = int(np.searchsorted(self.time, time, side="right")) - 1
        if k < 0:
            raise ValueRangeError(f"time: found {time:g}, before the first death. Expected a later time.")
        s = float(self.survival[k])
        return float(s * np.sqrt((1 - s) / self.at_risk[k]))


def product_limit(
    exit_time: npt.ArrayLike, died: npt.ArrayLike, entry_time: npt.ArrayLike | None = None
) -> KnownFateSurvival:
    """Return survival by the product-limit method, fish entering when they were released.

    A fish is watched at a death when it entered before it and left at it or later.

    Parameters
    ----------
    exit_time : array_like of float, shape (n_fish,)
        Time of death, or the last time the fish was known alive.
    died : array_like of bool, shape (n_fish,)
        True for a death, False for a fish lost from sight or alive at the end.
    entry_time : array_like of float, shape (n_fish,), optional
        Time it came under watch; 0 for all when absent.

    Raises
    ------
    ShapeError
        If the arrays differ in length.
    ValueRangeError
        If a time is missing or a fish left before or when it entered.

    References
    ----------
    .. [1] Kaplan & Meier (1958), Journal of the American Statistical Association 53:457-481. Pollock, Winterstein,
       Bunck & Curtis (1989), Journal of Wildlife Management 53:7-15. Greenwood (1926); log-log limits: Kalbfleisch &
       Prentice (1980) (from memory).
    """
    x, d = np.asarray(exit_time, np.float64), np.asarray(died, bool)
    e = np.zeros(len(x)) if entry_time is None else np.asarray(entry_time, np.float64)
    if not len(x) == len(d) == len(e):
        raise ShapeError(
            f"fates: found {len(x)} exits, {len(d)} fates, {len(e)} entries. Expected one per fish."
        )
    if not (np.isfinite(x).all() and np.isfinite(e).all()):
        raise ValueRangeError(
            "fates: found a missing time. Expected entry and exit of each fish. Leave it out."
        )
    if (x <= e).any():
        k = int(np.nonzero(x <= e)[0][0])
        raise ValueRangeError(
            f"fish {k}: found exit {x[k]:g} and entry {e[k]:g}. Expected the exit after the entry."
        )
    time = np.unique(x[d])
    entered = np.searchsorted(np.sort(e), time, side="left")
    left = np.searchsorted(np.sort(x), time, side="left")
    at_risk = (entered - left).astype(np.int64)
    deaths = (
        np.searchsorted(np.sort(x[d]), time, "right") - np.searchsorted(np.sort(x[d]), time, "left")
    ).astype(np.int64)
    survival = np.cumprod(1 - deaths / at_risk) if len(time) else np.zeros(0)
    rest = at_risk - deaths
    terms = deaths / (at_risk * np.where(rest > 0, rest, 1)) if len(time) else np.zeros(0)
    error = survival * np.sqrt(np.cumsum(terms))
    end = float(x.max()) if len(x) else 0.0
    gaps = tuple(float(t) for t in time[rest == 0] if t < end)
    moments = np.sort(e)
    watched = np.searchsorted(np.sort(e), moments, "right") - np.searchsorted(np.sort(x), moments, "right")
    first = float(time[0]) if len(time) else np.inf
    early = watched[(moments < first) & (moments > e.min(initial=np.inf))] if len(e) else watched
    fewest = int(min([*early, (e == e.min()).sum()])) if len(e) else 0
    return KnownFateSurvival(time, at_risk, deaths, survival, error, len(x), end, gaps, fewest)
