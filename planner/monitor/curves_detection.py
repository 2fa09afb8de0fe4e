"""Were the survivors of the first year met again? Yearly windows after it, and the chance to be met in any.

A fish counts as alive a year after its release when it is met at all from then on. Whether a survivor is met depends
on the chance to be met in each later year and on survival through those years; both come from the order in which
fish were met and missed, as in the models of Cormack (1964), Jolly (1965) and Seber (1965), here conditional on
living through the first year. Two things differ from the plain model. A window is a whole year, so a fish that dies
in it is open to sight for half of it. And fish differ in their chance to be met: the logit has a normal spread
between fish, integrated over by Gauss and Hermite's rule (a continuous form of the mixtures of Pledger, Pollock &
Norris 2003, Biometrics 59:786, from memory); without it survival comes out too low.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit

from broodstock.arrays import BigIntArray, BoolArray, FloatArray
from broodstock.errors import ShapeError, ValueRangeError

PHI_MEAN, PHI_SD = 1.1, 1.0
"""Weak prior of the logit of yearly survival after the first year: about 0.75, almost anything possible."""
P_MEAN, P_SD, P_YEAR_SD, P_PLACE_SD = -2.0, 2.0, 1.0, 0.75
"""Weak priors of the logit of the chance to be met: mean of a kind of water, its years, its waters."""
LOG_SPREAD_MEAN, LOG_SPREAD_SD = -0.3, 0.4
"""Prior of the logarithm of the spread of that logit between fish: about 0.75, from 0.3 to 1.6."""
NODES, NODE_WEIGHTS = np.polynomial.hermite_e.hermegauss(7)
NODE_WEIGHTS = NODE_WEIGHTS / NODE_WEIGHTS.sum()


@dataclass(frozen=True)
class YearWindows:
    """Encounters of released fish in yearly windows that begin one year after release.

    A cohort is all fish of one kind of water, one water and one first window.

    Parameters
    ----------
    kind : ndarray, int64, shape (n_cohorts,)
        Kind of water, 0 to ``n_kinds - 1``: yearly survival and the years' chance to be met are shared in it.
    place : ndarray, int64, shape (n_cohorts,)
        Water of release, 0 to ``n_places - 1``.
    first : ndarray, int64, shape (n_cohorts,)
        Calendar column of the first window.
    n_windows : ndarray, int64, shape (n_cohorts,)
        Windows that were open to sight, 1 or more.
    history : ndarray, bool, shape (n_histories, n_columns)
        Different orders of meetings of the fish met at least once; window 0 is the first.
    cohort, number : ndarray, int64, shape (n_histories,)
        Cohort and fish of each.
    looked : ndarray, bool, shape (n_kinds, n_calendar_columns)
        Whether anybody looked in waters of this kind in this calendar column; elsewhere nobody can be met.
    kept : float
        Share of the fish alive after the first year that still carry a readable tag.
    """

    kind: BigIntArray
    place: BigIntArray
    first: BigIntArray
    n_windows: BigIntArray
    history: BoolArray
    cohort: BigIntArray
    number: BigIntArray
    looked: BoolArray
    kept: float = 1.0

    def __post_init__(self) -> None:
        n = len(self.kind)
        for name in ("place", "first", "n_windows"):
            if len(getattr(self, name)) != n:
                raise ShapeError(
                    f"{name}: found {len(getattr(self, name))} values. Expected {n}, one per cohort."
                )
        if not len(self.history) == len(self.cohort) == len(self.number):
            raise ShapeError(
                f"histories: found {len(self.history)}. Expected a cohort and a number for each."
            )
        if n and int(self.n_windows.min()) < 1:
            raise ValueRangeError(
                "windows: found a cohort without a window. Expected 1 or more. Leave it out."
            )
        if n and int((self.first + self.n_windows).max()) > self.looked.shape[1]:
            raise ShapeError("windows: found windows beyond the calendar columns of 'looked'. Add columns.")
        if not 0 < self.kept <= 1:
            raise ValueRangeError(f"share of tags kept: found {self.kept}. Expected above 0 and at most 1.")

    @property
    def n_kinds(self) -> int:
        """Kinds of water."""
        return int(self.looked.shape[0])

    @property
    def n_places(self) -> int:
        """Waters."""
        return int(self.place.max()) + 1 if len(self.place) else 0

    @property
    def n_parameters(self) -> int:
        """Length of the parameter vector: survival, mean and spread by kind, years looked, waters."""
        return 3 * self.n_kinds + int(self.looked.sum()) + self.n_places

    def names(self) -> list[str]:
        """Return what each parameter is: ``survival 0``, ``met 0``, ``spread 0``, ``year 0 3``, ``place 2``."""
        kinds = range(self.n_kinds)
        return [
            *(f"survival {k}" for k in kinds),
            *(f"met {k}" for k in kinds),
            *(f"spread {k}" for k in kinds),
            *(f"year {k} {c}" for k, c in np.argwhere(self.looked)),
            *(f"place {s}" for s in range(self.n_places)),
        ]

    def start(self) -> FloatArray:
        """Return the prior means."""
        out = np.zeros(self.n_parameters)
        k = self.n_kinds
        out[:k], out[k : 2 * k], out[2 * k : 3 * k] = PHI_MEAN, P_MEAN, LOG_SPREAD_MEAN
        return out

    def prior_sd(self) -> FloatArray:
        """Return the prior standard deviations."""
        k = self.n_kinds
        parts = [np.full(k, PHI_SD), np.full(k, P_SD), np.full(k, LOG_SPREAD_SD)]
        return np.concatenate(
            [*parts, np.full(int(self.looked.sum()), P_YEAR_SD), np.full(self.n_places, P_PLACE_SD)]
        )

    def _columns(self) -> tuple[BigIntArray, BigIntArray]:
        """Calendar column, and parameter of its year (-1 where nobody looked), by cohort and window."""
        width = max(self.history.shape[1], int(self.n_windows.max()) if len(self.kind) else 1)
        columns = np.minimum(self.first[:, None] + np.arange(width), self.looked.shape[1] - 1)
        year = np.full(self.looked.shape, -1, dtype=np.int64)
        year[self.looked] = 3 * self.n_kinds + np.arange(int(self.looked.sum()))
        return columns, year[self.kind[:, None], columns]

    def slopes(self, eta: FloatArray) -> tuple[float, FloatArray, FloatArray, FloatArray, FloatArray]:
        """Return the log-likelihood and chances to be met, with derivatives.

        Parameters
        ----------
        eta : ndarray, float64, shape (n_parameters,)
            In the order of `names`: logits, for spreads the logarithm.

        Returns
        -------
        log_likelihood : float
            Sum over the fish met of the logarithm of the chance of their order of meetings, given life at one year.
        gradient : ndarray, float64, shape (n_parameters,)
            Its derivatives.
        met : ndarray, float64, shape (n_cohorts,)
            Chance that a fish alive one year after release is met at least once (and kept its tag).
        jacobian : ndarray, float64, shape (n_parameters, n_cohorts)
            Derivatives of `met`.
        information : ndarray, float64, shape (n_parameters, n_parameters)
            Sum over the fish met of the outer products of their scores: with the fish never met it is the expected
            information, because the second derivatives of all chances together sum to 0.
        """
        k = self.n_kinds
        _, year = self._columns()
        place = 3 * k + int(self.looked.sum()) + self.place
        logit = eta[k + self.kind][:, None] + np.where(year >= 0, eta[year], 0.0) + eta[place][:, None]
        spread = np.exp(eta[2 * k + self.kind])
        phi = expit(eta[self.kind])
        n = len(self.kind)
        never = np.zeros((n, year.shape[1]), dtype=np.bool_)
        rows = np.concatenate([self.history, never[:, : self.history.shape[1]]]) if n else never
        if rows.shape[1] < year.shape[1]:
            rows = np.pad(rows, ((0, 0), (0, year.shape[1] - rows.shape[1])))
        at = np.concatenate([self.cohort, np.arange(n)])
        chance, by_window, by_phi, by_spread = _histories(
            rows, at, self.n_windows, logit, year >= 0, phi, spread, NODES, NODE_WEIGHTS
        )
        h = len(self.cohort)
        scale = np.concatenate([self.number / np.maximum(chance[:h], 1e-300), np.ones(n)])
        total = float(self.number @ np.log(np.maximum(chance[:h], 1e-300))) + float(
            self.number.sum()
        ) * float(np.log(self.kept))
        per = np.zeros((self.n_parameters + 1, h + n))
        order = np.arange(h + n)
        per[self.kind[at], order] += by_phi
        per[2 * k + self.kind[at], order] += by_spread * spread[at]
        summed = by_window.sum(axis=1)
        per[k + self.kind[at], order] += summed
        per[place[at], order] += summed
        for j in range(year.shape[1]):
            per[year[at, j], order] += by_window[:, j]  # where nobody looked the derivative is 0
        per = per[:-1] * scale
        met = self.kept * (1.0 - chance[h:])
        information = (per[:, :h] / np.maximum(self.number, 1)) @ per[:, :h].T
        return total, per[:, :h].sum(axis=1), met, -self.kept * per[:, h:], information

    def met(self, eta: FloatArray) -> FloatArray:
        """Return the chance of each cohort to be met, shape (n_cohorts,)."""
        return self.slopes(eta)[2]


@njit(cache=True)
def _histories(
    rows: np.ndarray,
    cohort: np.ndarray,
    n_windows: np.ndarray,
    logit: np.ndarray,
    looked: np.ndarray,
    phi: np.ndarray,
    spread: np.ndarray,
    nodes: np.ndarray,
    weights: np.ndarray,
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Chance of each order of meetings, and its derivatives by logit of each window, logit of phi, and spread.

    Backward: ``u`` is the chance of what follows from the start of a window on, given life at its start.
    """
    n, width = len(rows), rows.shape[1]
    chance, by_phi, by_spread = np.zeros(n), np.zeros(n), np.zeros(n)
    by_window = np.zeros((n, width))
    for i in range(n):
        c = cohort[i]
        last = -1
        for j in range(n_windows[c]):
            if rows[i, j]:
                last = j
        f = phi[c]
        for q in range(len(nodes)):
            u, u_phi = 1.0, 0.0
            slope = np.zeros(width)
            for j in range(n_windows[c] - 1, -1, -1):
                if looked[c, j]:
                    p = 0.5 * (1.0 + np.tanh(0.5 * (logit[c, j] + spread[c] * nodes[q])))
                    half = np.sqrt(1.0 - p)
                    half_slope = -0.5 * half * p  # of the square root, by the logit
                else:
                    p, half, half_slope = 0.0, 1.0, 0.0
                r = p * (1.0 - p)
                if rows[i, j]:
                    here, here_slope, die, die_slope = p, r, 1.0 - half, -half_slope
                else:
                    here, here_slope, die, die_slope = 1.0 - p, -r, half, half_slope
                if j < last:
                    die, die_slope = 0.0, 0.0  # met later, so it did not die here
                for k in range(j + 1, n_windows[c]):
                    slope[k] *= f * here
                slope[j] = f * here_slope * u + (1.0 - f) * die_slope
                u_phi = f * here * u_phi + here * u - die
                u = f * here * u + (1.0 - f) * die
            chance[i] += weights[q] * u
            by_phi[i] += weights[q] * u_phi * f * (1.0 - f)
            for j in range(n_windows[c]):
                by_window[i, j] += weights[q] * slope[j]
                by_spread[i] += weights[q] * slope[j] * nodes[q]
    return chance, by_window, by_phi, by_spread


def expit(x: np.ndarray) -> np.ndarray:
    """Return 1 / (1 + exp(-x)) for real or complex numbers, without overflow."""
    return np.asarray(0.5 * (1.0 + np.tanh(0.5 * x)))


def year_windows(
    released: npt.NDArray[np.int64],
    encounter_fish: npt.NDArray[np.int64],
    encounter_day: npt.NDArray[np.int64],
    kind: npt.NDArray[np.int64],
    place: npt.NDArray[np.int64],
    last_day: int,
    looked_days: list[npt.NDArray[np.int64]],
    least_days: int = 180,
    kept: float = 1.0,
) -> tuple[YearWindows, BigIntArray, BoolArray]:
    """Sort encounters into yearly windows after the first year.

    Parameters
    ----------
    released : ndarray, int64, shape (n_fish,)
        Day of release, days since 1970.
    encounter_fish, encounter_day : ndarray, int64, shape (n_encounters,)
        Fish (position) and day of each encounter.
    kind, place : ndarray, int64, shape (n_fish,)
        Kind of water and water of release.
    last_day : int
        Last day of observation.
    looked_days : list of ndarray, int64, one per kind
        Days on which anybody looked in waters of each kind.
    least_days : int
        A window cut short by `last_day` counts when at least this long.
    kept : float
        Share of the fish alive after the first year that still carry a readable tag.

    Returns
    -------
    windows : YearWindows
        Cohorts with counts.
    cohort : ndarray, int64, shape (n_fish,)
        Cohort of each fish, -1 when it has no window yet (released too lately).
    met : ndarray, bool, shape (n_fish,)
        Met in any window.

    Raises
    ------
    ValueRangeError
        If an encounter lies before the release of its fish; drop or correct such records first.

    Notes
    -----
    Calendar columns are the years in which the middle of a window lies.
    """
    before = encounter_day < released[encounter_fish]
    if before.any():
        k = int(np.flatnonzero(before)[0])
        raise ValueRangeError(
            f"encounter {k}: found a fish met {int(released[encounter_fish[k]] - encounter_day[k])} days before its "
            "release. Expected encounters after it. Correct the date or the tag, or leave the record out."
        )
    n = len(released)
    open_days = last_day - (released + 365)
    n_windows = np.maximum((open_days + 365 - least_days) // 365, 0)
    middle = (released + 365 + 182).astype("datetime64[D]").astype("datetime64[Y]").astype(np.int64)
    base = int(middle.min()) if n else 0
    column = middle - base
    has = n_windows > 0
    width = int((column + n_windows)[has].max()) if has.any() else 1
    window = (encounter_day - released[encounter_fish]) // 365 - 1
    good = (window >= 0) & (window < n_windows[encounter_fish])
    hits = np.zeros((n, max(int(n_windows.max()) if n else 1, 1)), dtype=bool)
    hits[encounter_fish[good], window[good]] = True
    met = hits.any(axis=1)
    looked = np.zeros((len(looked_days), width), dtype=bool)
    for k, days in enumerate(looked_days):
        years = days.astype("datetime64[D]").astype("datetime64[Y]").astype(np.int64) - base
        looked[k, np.unique(years[(years >= 0) & (years < width)])] = True
    # A window reaches into the years beside its middle: where fish were met, somebody looked.
    f, w = np.nonzero(hits)
    looked[kind[f], column[f] + w] = True
    key = np.stack([kind, place, column, n_windows], axis=1)
    cohort = np.full(n, -1, dtype=np.int64)
    groups, inverse = np.unique(key[has], axis=0, return_inverse=True)
    cohort[has] = inverse.ravel()
    m = np.flatnonzero(met)
    orders, inverse = np.unique(np.column_stack([cohort[m], hits[m]]), axis=0, return_inverse=True)
    number = np.bincount(inverse.ravel(), minlength=len(orders)).astype(np.int64)
    windows = YearWindows(
        groups[:, 0],
        groups[:, 1],
        groups[:, 2],
        groups[:, 3],
        orders[:, 1:].astype(bool),
        orders[:, 0].astype(np.int64),
        number,
        looked,
        kept,
    )
    return windows, cohort, met
