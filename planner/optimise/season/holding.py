"""Which females, with their planned males, to hold for which spawning day.

A female is stripped once, so all her dishes belong to one day; a male may serve on several. With the chance
``p(f, m, d)`` that both fish of a pair are ripe on day d, the expected number of planned dishes made is

    sum over females f and days d of  y(f, d) x sum over males m of dishes(f, m) x p(f, m, d),

which is made as large as possible over 0/1 choices y, each female on one day at most, the dishes of each day
within the crew's limits.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from broodstock.arrays import BigIntArray, FloatArray
from broodstock.errors import KinshoalError, ShapeError, UsageError
from broodstock.estimates import Estimate
from planner.optimise.season.checking import numbers
from planner.optimise.season.ripening import RipeChances
from planner.optimise.status import SolveReport, SolveStatus, relative_gap

NO_DAY = -1
"""Code of a female that is held for no day."""


class HoldingError(KinshoalError, RuntimeError):
    """The days found break a rule: a fault of the program."""

    code = "holding"


@dataclass(frozen=True)
class HoldingPlan:
    """Days of the females of a plan.

    Parameters
    ----------
    status : SolveStatus
        ``proven`` when no choice of days makes more planned dishes in expectation.
    day : ndarray, int64, shape (n_females,)
        Number of the day of each female, -1 for females without dishes or without a day.
    value : ndarray, float64, shape (n_females, n_days)
        Planned dishes of a female that can be expected if she is held for that day.
    dishes : ndarray, int64, shape (n_days,)
        Planned dishes held for each day.
    expected : float or None
        Expected number of planned dishes made; None without a solution.
    bound, gap : float or None
        No choice of days can be expected to make more; (bound - expected) / expected.
    report : SolveReport
    """

    status: SolveStatus
    day: BigIntArray
    value: FloatArray
    dishes: BigIntArray
    expected: float | None
    bound: float | None
    gap: float | None
    report: SolveReport


def pair_chances(females: RipeChances, males: RipeChances, weights: npt.ArrayLike) -> FloatArray:
    """Return the weighted number of ripe pairs of each female: sum over males of weight x chance both are ripe.

    Parameters
    ----------
    females, males : RipeChances
        With the same shifts.
    weights : array_like, float64, shape (n_females, n_males)
        Dishes of each pair.

    Returns
    -------
    ndarray, float64, shape (n_females, n_days)

    Raises
    ------
    ShapeError
        If weights, shifts or days do not fit.
    ValueRangeError
        If a weight is negative.
    """
    shape = (females.by_shift.shape[1], males.by_shift.shape[1])
    w = numbers("dishes of the pairs", weights, shape)
    if females.by_shift.shape[::2] != males.by_shift.shape[::2]:
        raise ShapeError(
            f"ripe chances: found {females.by_shift.shape[::2]} shifts and days of females and "
            f"{males.by_shift.shape[::2]} of males. Expected the same."
        )
    total = np.einsum("sfd,smd,fm->fd", females.by_shift, males.by_shift, w, optimize=True)
    return np.asarray(total / len(females.shifts), dtype=np.float64)


def hold_for_days(
    dishes: npt.ArrayLike,
    females: RipeChances,
    males: RipeChances,
    most: npt.ArrayLike,
    least: npt.ArrayLike | None = None,
    *,
    time_limit: float = 20.0,
    cancel: threading.Event | None = None,
) -> HoldingPlan:
    """Choose a day for each female of a plan so that most planned dishes can be expected.

    Parameters
    ----------
    dishes : array_like, integer, shape (n_females, n_males)
        Planned dishes of each pair.
    females, males : RipeChances
        Chances on the spawning days.
    most : array_like, integer, shape (n_days,)
        Most dishes on each day.
    least : array_like, integer, shape (n_days,), optional
        Fewest dishes to hold for each day.
    time_limit : float
        Seconds.
    cancel : threading.Event, optional
        Set from elsewhere to stop; the best days so far are returned with status ``stopped``.

    Returns
    -------
    HoldingPlan

    Raises
    ------
    UsageError
        If the plan has no dish, no dish fits into any day, or the fewest dishes of the days cannot be met.
    ShapeError, ValueRangeError
        If an array does not fit or a number is negative.
    HoldingError
        If the days found break a rule: a fault of the program.
    """
    planned = np.asarray(dishes, dtype=np.int64)
    value = pair_chances(females, males, planned)
    n_days = value.shape[1]
    room = numbers("most dishes of a day", most, (n_days,))
    floor = np.zeros(n_days) if least is None else numbers("fewest dishes of a day", least, (n_days,))
    size = planned.sum(axis=1)
    if not size.any():
        raise UsageError(
            "holding: found a plan without dishes. Expected at least one. Make a spawning plan first."
        )
    if not (size[size > 0].min() <= room).any():
        raise UsageError(
            f"holding: found room for at most {int(room.max())} dishes on a day, and the smallest female of the plan "
            f"has {int(size[size > 0].min())}. Expected a day with room. Raise the most dishes of a day."
        )
    day, report = _solve(value, size, room, floor, time_limit, cancel)
    if report.no_plan_exists:
        raise UsageError(
            f"holding: found fewest dishes of the days {_words(floor)}, most {_words(room)}, and {int(size.sum())} "
            "planned dishes in whole females. Expected numbers that can be met. Lower the fewest dishes."
        )
    if day is None:
        none = np.full(len(size), NO_DAY, dtype=np.int64)
        return HoldingPlan(report.status, none, value, np.zeros(n_days, np.int64), None, None, None, report)
    held = np.flatnonzero(day != NO_DAY)
    laid = np.bincount(day[held], weights=size[held], minlength=n_days).astype(np.int64)
    expected = float(value[held, day[held]].sum())
    _demand(laid, room, floor, expected, report)
    bound = None if report.bound is None else max(report.bound, expected)
    gap = relative_gap(expected, bound)
    return HoldingPlan(report.status, day, value, laid, expected, bound, gap, report)


def kept_as_planned(
    plan: HoldingPlan,
    dishes: npt.ArrayLike,
    females: RipeChances,
    males: RipeChances,
    *,
    times: int = 2000,
    seed: int = 1,
    level: float = 0.9,
) -> Estimate:
    """Play the season and return how many planned dishes can be made as planned.

    One draw decides for each fish how late or early it is for its chances, so that a male who is ripe on a day
    of small chance is ripe on days of greater chance too.

    Parameters
    ----------
    plan : HoldingPlan
    dishes, females, males
        As in `hold_for_days`.
    times : int
        Seasons played.
    seed : int
    level : float
        Coverage of the interval.

    Returns
    -------
    Estimate
        Value: the exact expectation; interval: quantiles of the seasons played.

    Raises
    ------
    ValueRangeError
        If `times` is below 20.
    """
    method = f"expected value exact; interval from {times} played seasons"
    if plan.expected is None:
        return Estimate.not_estimable("no days were found in time", method)
    numbers("seasons to play", times, (), 20)
    planned = np.asarray(dishes, dtype=np.int64)
    held = np.flatnonzero(plan.day != NO_DAY)
    rng = np.random.default_rng(seed)
    shift = rng.integers(len(females.shifts), size=times)
    of_f = rng.random((times, len(held)))
    of_m = rng.random((times, planned.shape[1]))
    day = plan.day[held]
    ripe_f = of_f < females.by_shift[shift[:, None], held[None, :], day[None, :]]
    kept = np.zeros(times)
    for d in range(plan.value.shape[1]):
        today = day == d
        if today.any():
            ripe_m = of_m < males.by_shift[shift, :, d]
            both = ripe_m.astype(np.float64) @ planned[held[today]].T
            kept += (both * ripe_f[:, today]).sum(axis=1)
    tail = (1 - level) / 2
    low, high = np.quantile(kept, [tail, 1 - tail], method="inverted_cdf")
    return Estimate(plan.expected, float(low), float(high), method, times, "played seasons", level)


def _solve(
    value: FloatArray,
    size: BigIntArray,
    room: FloatArray,
    floor: FloatArray,
    time_limit: float,
    cancel: threading.Event | None = None,
) -> tuple[BigIntArray | None, SolveReport]:
    import pulp

    from planner.optimise.solver import numbered, read_counts, solve

    n, n_days = value.shape
    problem = pulp.LpProblem("holding", pulp.LpMaximize)
    fits = [(f, d) for f in range(n) for d in range(n_days) if 0 < size[f] <= room[d]]
    y = {fd: problem.add_variable(numbered("y", *fd), 0, 1, pulp.LpInteger) for fd in fits}
    late = 1e-9 / n_days  # the earlier of two equal days, so that the answer is the same everywhere
    problem.setObjective(pulp.lpSum([(float(value[fd]) - late * fd[1]) * y[fd] for fd in fits]))
    for f in np.flatnonzero(size).tolist():
        mine = [y[f, d] for d in range(n_days) if (f, d) in y]
        if mine:
            problem.addConstraint(pulp.lpSum(mine) <= 1, numbered("one_day", f))
    for d in range(n_days):
        here = pulp.lpSum([int(size[f]) * y[f, d] for f in range(n) if (f, d) in y])
        if any((f, d) in y for f in range(n)):
            problem.addConstraint(here <= float(room[d]), numbered("most", d))
            problem.addConstraint(here >= float(floor[d]), numbered("least", d))
        elif floor[d] > 0:
            y_none = problem.add_variable(numbered("none", d), 0, 0)
            problem.addConstraint(y_none >= float(floor[d]), numbered("least", d))
    report = solve(problem, time_limit=time_limit, cancel=cancel)
    if not report.has_solution:
        return None, report
    chosen = read_counts([y[fd] for fd in fits], report)
    day = np.full(n, NO_DAY, dtype=np.int64)
    for (f, d), on in zip(fits, chosen.tolist(), strict=True):
        if on:
            day[f] = d
    return day, report


def _demand(
    laid: BigIntArray, room: FloatArray, floor: FloatArray, expected: float, report: SolveReport
) -> None:
    """Check the days without the solver.

    Raises
    ------
    HoldingError
        If a limit is broken or the value differs from the solver's.
    """
    if (laid > room).any() or (laid < floor).any():
        raise HoldingError(
            f"holding: found {laid.tolist()} dishes a day. Expected {_words(floor)} to {_words(room)}. Report this "
            "as a fault of the program."
        )
    if report.objective is None or abs(report.objective - expected) > 1e-6 * (1 + expected):
        raise HoldingError(
            f"holding: found {expected} expected dishes. Expected {report.objective} as the solver says. Report "
            "this as a fault of the program."
        )


def _words(values: FloatArray) -> str:
    return ", ".join(f"{int(v)}" for v in values)
