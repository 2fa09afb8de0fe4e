"""Linear predictors of survival and detection: which covariates move which parameter, on the logit scale."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from broodstock.arrays import BoolArray, FloatArray
from broodstock.errors import ShapeError, ValueRangeError
from planner.monitor.histories import EncounterHistories

SCALE_LIMIT = 1e6
"""Covariates larger than this are refused: centre and scale them, or the numbers drown in rounding."""


@dataclass(frozen=True)
class Term:
    """One covariate or set of columns of a linear predictor.

    Parameters
    ----------
    names : tuple of str
        Name of each column.
    values : ndarray, float64, shape (n_histories or 1, n_intervals or 1, n_columns)
        Values by history and interval. For detection, interval t means the occasion at its end.
    """

    names: tuple[str, ...]
    values: FloatArray


@dataclass(frozen=True)
class Design:
    """A linear predictor: eta = values @ beta on the logit scale, by history and interval.

    Parameters
    ----------
    names : tuple of str
        Name of each column.
    values : ndarray, float64, shape (n_histories or 1, n_intervals, n_columns)
        Values; a first axis of length 1 says that all fish are alike.
    """

    names: tuple[str, ...]
    values: FloatArray

    @property
    def n_columns(self) -> int:
        """Parameters of the predictor."""
        return int(self.values.shape[2])

    @property
    def common(self) -> bool:
        """Whether all fish are alike."""
        return bool(self.values.shape[0] == 1)


def constant(name: str = "mean") -> Term:
    """Return the intercept."""
    return Term((name,), np.ones((1, 1, 1)))


def each_interval(histories: EncounterHistories, name: str = "interval") -> Term:
    """Return one parameter per interval (or the occasion at its end); takes the place of the intercept.

    Intervals before every release are not given a column; for occasions in which nobody looked see
    `each_looked_occasion`.
    """
    t = histories.n_occasions - 1
    first = int(histories.release.min()) if len(histories.release) else 0
    eye = np.eye(t)[:, first:]
    return Term(tuple(f"{name} {i + 1}" for i in range(first, t)), eye[None])


def each_looked_occasion(histories: EncounterHistories, name: str = "occasion") -> Term:
    """Return one detection parameter per occasion after the first release in which anybody looked.

    Raises
    ------
    ValueRangeError
        If nobody looked in any occasion after the first release.
    """
    t = histories.n_occasions - 1
    first = int(histories.release.min()) if len(histories.release) else 0
    use = [i for i in range(first, t) if histories.looked[i + 1]]
    if not use:
        raise ValueRangeError(
            "effort: found none after the first release. Expected an occasion in which somebody looked."
        )
    return Term(tuple(f"{name} {i + 2}" for i in use), np.eye(t)[:, use][None])


def interval_sets(sets: npt.ArrayLike, names: Sequence[str]) -> Term:
    """Return one parameter per set of intervals (season, year, flood); takes the place of the intercept.

    Parameters
    ----------
    sets : array_like of int, shape (n_intervals,)
        Set of each interval, 0 to ``len(names) - 1``.
    names : sequence of str
        Name of each set.

    Raises
    ------
    ValueRangeError
        If a set lies outside the names.
    """
    return Term(tuple(names), _indicator(sets, len(names))[None])


def groups(group: npt.ArrayLike, names: Sequence[str], baseline: bool = False) -> Term:
    """Return one parameter per group of fish (release group, site, sex).

    Parameters
    ----------
    group : array_like of int, shape (n_histories,)
        Group of each history, 0 to ``len(names) - 1``.
    names : sequence of str
        Name of each group.
    baseline : bool
        Leave the first group's column out: differences from it, beside an intercept.

    Raises
    ------
    ValueRangeError
        If a group lies outside the names.
    """
    table = _indicator(group, len(names))[:, None, :]
    return Term(tuple(names[1:]), table[:, :, 1:]) if baseline else Term(tuple(names), table)


def of_fish(name: str, values: npt.ArrayLike) -> Term:
    """Return one individual covariate, such as length at release; shape (n_histories,)."""
    return Term((name,), _finite(name, values)[:, None, None])


def of_time(name: str, values: npt.ArrayLike) -> Term:
    """Return one covariate of intervals, such as effort or water level; shape (n_intervals,)."""
    return Term((name,), _finite(name, values)[None, :, None])


def log_effort(histories: EncounterHistories, kind: int = 0, name: str = "log effort") -> Term:
    """Return the logarithm of effort at the end of each interval, centred; 0 where nobody looked.

    Parameters
    ----------
    histories : EncounterHistories
        Histories with effort.
    kind : {0, 1}
        In the hand, by readers.
    name : str
        Name of the column.

    Raises
    ------
    ValueRangeError
        If there was no effort of this kind, or the same in every occasion.
    """
    hours = histories.effort[1:, kind]
    use = hours > 0
    if not use.any():
        raise ValueRangeError(f"{name}: found no effort of this kind. Expected some. Leave the term out.")
    logs = np.zeros(len(hours))
    logs[use] = np.log(hours[use])
    if np.ptp(logs[use]) == 0:
        raise ValueRangeError(
            f"{name}: found the same effort in every occasion. Expected differences. Leave it out."
        )
    logs[use] -= logs[use].mean()
    return Term((name,), logs[None, :, None])


def since_release(histories: EncounterHistories, name: str = "first interval after release") -> Term:
    """Return 1 in the first interval after release, 0 later: the price of being new to the river."""
    t = np.arange(histories.n_occasions - 1)
    return Term((name,), (t[None, :] == histories.release[:, None]).astype(np.float64)[:, :, None])


def age_classes(histories: EncounterHistories, classes: int, name: str = "since release") -> Term:
    """Return one parameter per interval since release, the last class open; takes the place of the intercept."""
    age = np.arange(histories.n_occasions - 1)[None, :] - histories.release[:, None]
    k = np.clip(age, 0, classes - 1)
    values = (k[:, :, None] == np.arange(classes)).astype(np.float64)
    return Term(tuple(f"{name} {i + 1}" for i in range(classes)), values)


def met_last_occasion(histories: EncounterHistories, name: str = "met in the occasion before") -> Term:
    """Return 1 where the fish was met, or released, in the occasion before: trap-dependence of detection."""
    met = histories.seen.copy()
    met[np.arange(len(met)), histories.release] = True
    return Term((name,), met[:, :-1].astype(np.float64)[:, :, None])


def times(a: Term, b: Term) -> Term:
    """Return the interaction of two terms: the products of their columns, the first term's varying slowest."""
    values = a.values[:, :, :, None] * b.values[:, :, None, :]
    names = tuple(f"{x} : {y}" for x in a.names for y in b.names)
    return Term(names, values.reshape(values.shape[0], values.shape[1], -1))


def design(histories: EncounterHistories, *terms: Term) -> Design:
    """Join terms to a linear predictor.

    Parameters
    ----------
    histories : EncounterHistories
        Histories the terms belong to.
    *terms : Term
        One or more.

    Raises
    ------
    ShapeError
        If a term does not fit the histories.
    ValueRangeError
        If there is no term, or a covariate is missing, infinite or larger than a million.
    """
    n, t = len(histories.release), histories.n_occasions - 1
    if not terms:
        raise ValueRangeError("design: found no term. Expected at least 'constant()'.")
    rows = max(term.values.shape[0] for term in terms)
    blocks = []
    for term in terms:
        a, b, _ = term.values.shape
        if a not in (1, n) or b not in (1, t):
            raise ShapeError(
                f"term '{term.names[0]}': found values for {a} histories and {b} intervals. Expected {n} (or 1) "
                f"and {t} (or 1)."
            )
        if not np.isfinite(term.values).all() or np.abs(term.values).max(initial=0) > SCALE_LIMIT:
            raise ValueRangeError(
                f"term '{term.names[0]}': found a missing, infinite or huge value. Expected numbers near 1: "
                "centre and scale the covariate, leave out fish without it."
            )
        blocks.append(np.broadcast_to(term.values, (rows, t, term.values.shape[2])))
    return Design(
        tuple(n for term in terms for n in term.names), np.ascontiguousarray(np.concatenate(blocks, axis=2))
    )


def _indicator(codes: npt.ArrayLike, n: int) -> FloatArray:
    k = np.asarray(codes, np.int64)
    if len(k) and (k.min() < 0 or k.max() >= n):
        raise ValueRangeError(f"set: found a number outside 0 to {n - 1}. Expected one of {n} names.")
    return (k[:, None] == np.arange(n)).astype(np.float64)


def _finite(name: str, values: npt.ArrayLike) -> FloatArray:
    x = np.asarray(values, np.float64)
    if x.ndim != 1:
        raise ShapeError(f"covariate '{name}': found {x.ndim} dimensions. Expected one.")
    if not np.isfinite(x).all():
        raise ValueRangeError(
            f"covariate '{name}': found {int((~np.isfinite(x)).sum())} missing values. Expected a number for each."
        )
    return x


def can_be_met(histories: EncounterHistories) -> BoolArray:
    """Whether anybody looked at the end of each interval; shape (n_intervals,)."""
    return histories.looked[1:]
