"""From the relaxation to whole fish: round by a small search near it, then close the gap if needed."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from broodstock.arrays import BigIntArray, FloatArray
from planner.optimise.release.build import build_rules, gradient, objective
from planner.optimise.release.cuts import violated_cuts
from planner.optimise.release.frame import NONE
from planner.optimise.release.model import load
from planner.optimise.release.recheck import breaches
from planner.optimise.release.relax import KinshipModel, Relaxed, numbers_of
from planner.optimise.solver import INTEGER_TOLERANCE, Session, read_values
from planner.optimise.status import SolveReport, SolveStatus

WIDENINGS = (0, 1, 4)
"""Fish by which the search near the relaxation may leave the two whole numbers around each value."""

NEAR_ROUNDS = 3
"""Most repetitions of the search near the relaxation."""

MOST_ROUNDS = 100

DECIMALS = 1e-6
"""Differences between value and bound that the solver's own tolerances do not let us tell from 0."""

Tell = Callable[[str, float | None, float | None], None]
"""Called with the step in words, the best objective and the bound."""


@dataclass
class Search:
    """The state of the search for whole numbers.

    Parameters
    ----------
    model : KinshipModel
        The model, cuts of the relaxation included.
    gap : float
        Gap at which to stop.
    deadline : float
        `time.perf_counter` value at which to stop.
    best : ndarray, int64, shape (n_groups, n_sites)
        Best plan so far; it meets all rules.
    value : float
        Its objective.
    bound : float
        Proven so far.
    tell : callable
        Told about progress.
    cancel : threading.Event, optional
        Set from another thread to stop.
    nodes : int
        Nodes of the search trees so far.
    """

    model: KinshipModel
    gap: float
    deadline: float
    best: BigIntArray
    value: float
    bound: float
    tell: Tell
    cancel: threading.Event | None = None
    nodes: int = 0

    @property
    def closed(self) -> bool:
        """True when the gap is small enough, or as small as the solver's decimals can tell."""
        return self.value - self.bound <= max(self.gap * abs(self.value), DECIMALS * (1.0 + abs(self.value)))

    @property
    def over(self) -> bool:
        """True when time is up or a person stopped the search."""
        stopped = self.cancel is not None and self.cancel.is_set()
        return stopped or time.perf_counter() >= self.deadline

    def run(self) -> tuple[SolveReport, FloatArray | None]:
        """Run the solver for the time left; return its report and the column values, if any."""
        report = self.model.solve(
            time_limit=max(self.deadline - time.perf_counter(), 0.0),
            relative_gap=self.gap / 4,
            cancel=self.cancel,
        )
        self.nodes += report.nodes
        return report, self.model.read(report) if report.has_solution else None

    def raise_bound(self, report: SolveReport) -> None:
        """Take over a bound proven by a run over the whole model."""
        if report.bound is not None:
            self.bound = max(self.bound, report.bound + self.model.columns.constant)
        self.bound = min(self.bound, self.value)

    def take(self, x: FloatArray) -> float | None:
        """Keep the whole numbers of a solution if they meet all rules and are the best so far.

        Returns
        -------
        float or None
            Their objective; None when a value was not a whole number or a rule is broken after rounding.
        """
        return self.take_numbers(self.model.numbers(x))

    def take_numbers(self, numbers: FloatArray) -> float | None:
        """Keep whole numbers, shape (n_groups, n_sites), as `take` does."""
        whole = np.rint(numbers).astype(np.int64)
        if np.abs(numbers - whole).max(initial=0.0) > INTEGER_TOLERANCE:
            return None
        if breaches(self.model.data, whole, self.model.frame.survivors_floor):
            return None
        value = objective(self.model.data, whole)
        if value < self.value:
            self.best, self.value = whole, value
        return value


def search(state: Search, relaxed: Relaxed) -> SolveStatus:
    """Search for whole numbers until the gap is closed, time is up or the search is stopped.

    Parameters
    ----------
    state : Search
        Where the search stands; changed in place.
    relaxed : Relaxed
        The relaxation.

    Returns
    -------
    SolveStatus
        ``proven``, ``time limit`` or ``stopped``.
    """
    point = relaxed.numbers
    if point is not None:
        _search_around(state, point)
    if not state.closed and not state.over:
        _search_all(state)
    state.bound = min(state.bound, state.value)
    if state.closed:
        return SolveStatus.PROVEN
    if state.cancel is not None and state.cancel.is_set():
        return SolveStatus.STOPPED
    if state.over:
        return SolveStatus.TIME_LIMIT
    return SolveStatus.OTHER_LIMIT


def _search_around(state: Search, point: FloatArray) -> None:
    """Look for whole numbers near the relaxation, the quick ways first, until the gap is closed.

    The first rounding is done even when the first plan is within the gap: it costs little and often
    finds a better one.
    """
    if not state.over:
        _round_along_gradient(state, point)
    if not state.closed and not state.over:
        again = _relax_with_the_sites_of_the_best(state)
        if again is not None and not state.closed and not state.over:
            _round_along_gradient(state, again)
    if not state.closed and not state.over:
        settled = _settle_yes_no(state, point)
        if settled is not point and not state.closed and not state.over:
            _round_along_gradient(state, settled)
        point = settled
    if not state.closed and not state.over:
        _search_near(state, point)


def _yes_no_columns(model: KinshipModel) -> BigIntArray:
    """Return the whole-number columns that are not numbers of fish."""
    whole = np.flatnonzero(model.frame.model.whole)
    return np.setdiff1d(whole, model.frame.fish[model.frame.fish != NONE])


def _relax_with_the_sites_of_the_best(state: Search) -> FloatArray | None:
    """Solve the relaxation again with the sites that receive fish as in the best plan.

    A site that the relaxation sends less than its smallest group is then either left out or given enough.

    Returns
    -------
    ndarray, float64, shape (n_groups, n_sites), or None
        The fractional point; None when no site has such a yes-or-no column.
    """
    model = state.model
    asked = np.flatnonzero(model.frame.sent != NONE)
    if not asked.size:
        return None
    variables = model.loaded.pick(model.frame.sent[asked])
    receives = (state.best[:, asked].sum(axis=0) > 0).astype(np.float64)
    model.session.set_bounds(variables, receives, receives)
    point = None
    for _ in range(NEAR_ROUNDS):
        _, x = state.run()
        if x is None:
            break
        point = model.numbers(x)
        new = violated_cuts(model.columns, x, objective(model.data, point))
        model.add(new)
        if not new or state.over:
            break
    columns = model.frame.sent[asked]
    low, high = np.array(model.frame.model.low)[columns], np.array(model.frame.model.high)[columns]
    model.session.set_bounds(variables, low, high)
    return point


def _settle_yes_no(state: Search, point: FloatArray) -> FloatArray:
    """Decide the yes-or-no columns while fish are still divisible; raises the bound too.

    Nothing is done when the point meets all rules as it stands.
    """
    model = state.model
    if not breaches(model.data, point, model.frame.survivors_floor):
        return point
    variables = model.loaded.pick(_yes_no_columns(model))
    model.session.set_integer(variables, True)
    for _ in range(NEAR_ROUNDS):
        report, x = state.run()
        state.raise_bound(report)
        if x is None:
            break
        point = model.numbers(x)
        value = objective(model.data, point)
        model.add(violated_cuts(model.columns, x, value))
        state.tell("deciding which sites and families take part", state.value, state.bound)
        if state.over or value - state.bound <= state.gap / 2 * abs(value):
            break
    return point


def _round_along_gradient(state: Search, point: FloatArray) -> None:
    """Round to one of the two whole numbers around each value, under all rules, at the least first-order cost.

    At the optimum of the relaxation the cost of rounding is of second order, so this small linear search
    often closes the gap by itself.
    """
    data = state.model.data
    frame = build_rules(data, state.model.frame.survivors_floor)
    used = frame.fish != NONE
    for column, cost in zip(frame.fish[used].tolist(), gradient(data, point)[used].tolist(), strict=True):
        frame.model.cost[column] = cost
    loaded = load(frame.model, "rounding")
    session = Session(loaded.problem)
    for width in WIDENINGS:
        low, high = _around(state, point, width)
        session.set_bounds(loaded.pick(frame.fish[used]), low, high)
        report = session.solve(
            time_limit=max(state.deadline - time.perf_counter(), 0.0),
            relative_gap=state.gap / 10,
            seed=data.settings.seed,
            cancel=state.cancel,
        )
        state.nodes += report.nodes
        if report.has_solution:
            state.take_numbers(numbers_of(frame, read_values(loaded.variables, report)))
        if report.has_solution or state.over:
            break
    state.tell("rounding to whole fish", state.value, state.bound)


def _around(state: Search, point: FloatArray, width: int) -> tuple[FloatArray, FloatArray]:
    """Return limits around the values of a point, for the groups and sites that have a column."""
    used = state.model.frame.fish != NONE
    least, most = state.model.fish_limits
    low = np.maximum(np.floor(point[used] + 1e-6) - width, least)
    return low, np.minimum(np.ceil(point[used] - 1e-6) + width, most)


def _search_near(state: Search, point: FloatArray) -> None:
    """Search the whole numbers around a fractional point."""
    model = state.model
    used = model.frame.fish != NONE
    fish = model.loaded.pick(model.frame.fish[used])
    _demand_whole(model)
    for width in WIDENINGS:
        model.session.set_bounds(fish, *_around(state, point, width))
        found = _near_rounds(state)
        if found or state.over:
            break
    model.session.set_bounds(fish, *model.fish_limits)


def _near_rounds(state: Search) -> bool:
    """Solve the limited model, adding tangents; tell whether it has a solution."""
    for _ in range(NEAR_ROUNDS):
        _, x = state.run()
        if x is None:
            return False
        before = state.value
        value = state.take(x)
        state.tell("searching near the relaxation", state.value, state.bound)
        new = violated_cuts(state.model.columns, x, state.value)
        state.model.add(new)
        if state.closed or state.over or not new or value is None:
            break
        if before - state.value < 1e-4 * abs(state.value):
            break
    return True


def _search_all(state: Search) -> None:
    """Search the whole model, adding tangents, until value and bound meet."""
    model = state.model
    _demand_whole(model)
    for _ in range(MOST_ROUNDS):
        report, x = state.run()
        state.raise_bound(report)
        if x is not None:
            state.take(x)
            new = violated_cuts(model.columns, x, state.value)
            model.add(new)
        state.tell("closing the gap", state.value, state.bound)
        if state.closed or state.over or x is None or (not new and report.proven):
            break


def _demand_whole(model: KinshipModel) -> None:
    whole = np.flatnonzero(model.frame.model.whole)
    model.session.set_integer(model.loaded.pick(whole), True)
