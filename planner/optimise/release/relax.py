"""The relaxation: parts of a fish allowed, kinship terms approached by tangents until value and bound meet."""

from __future__ import annotations

import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from broodstock.arrays import BigIntArray, FloatArray
from planner.optimise.release.build import (
    WHOLE,
    Cut,
    KinshipColumns,
    aim_at_kinship,
    build_rules,
    cut_row,
    objective,
)
from planner.optimise.release.cuts import violated_cuts
from planner.optimise.release.data import ReleaseData
from planner.optimise.release.frame import NONE, Frame
from planner.optimise.release.limits import limit_by_survivors
from planner.optimise.release.model import LoadedModel, constraints, load
from planner.optimise.release.proof import kinship_bound
from planner.optimise.solver import Session, SolverError, read_values
from planner.optimise.status import SolveReport

MOST_ROUNDS = 200


@dataclass
class KinshipModel:
    """The loaded kinship model, to which cuts are added as long as the search goes on.

    Parameters
    ----------
    data : ReleaseData
        The data.
    frame : Frame
        Columns and rules.
    columns : KinshipColumns
        Kinship columns.
    loaded : LoadedModel
        Its PuLP form.
    session : Session
        The solver that holds it.
    cuts : list of Cut
        Tangents added so far.
    """

    data: ReleaseData
    frame: Frame
    columns: KinshipColumns
    loaded: LoadedModel
    session: Session
    cuts: list[Cut] = field(default_factory=list)

    @classmethod
    def make(
        cls, data: ReleaseData, survivors_floor: float, survivor_prices: FloatArray | None = None
    ) -> KinshipModel:
        """Build and load the model, whole numbers not yet demanded; prices of most survivors limit its columns."""
        frame = build_rules(data, survivors_floor)
        if survivor_prices is not None:
            limit_by_survivors(frame, survivor_prices)
        columns = aim_at_kinship(frame)
        loaded = load(frame.model, "release_kinship", relaxed=True)
        return cls(data, frame, columns, loaded, Session(loaded.problem))

    @property
    def fish_limits(self) -> tuple[FloatArray, FloatArray]:
        """Lower and upper limits of the columns of fish, in the order of the groups and sites that have one."""
        fish = self.frame.fish[self.frame.fish != NONE]
        return np.array(self.frame.model.low)[fish], np.array(self.frame.model.high)[fish]

    @property
    def n_rows(self) -> int:
        """Rows of the rules and cuts."""
        return len(self.frame.model.rows) + len(self.cuts)

    def add(self, cuts: list[Cut]) -> None:
        """Add tangents to the loaded model."""
        for cut in cuts:
            self.session.add_rows(constraints(cut_row(self.columns, cut), self.loaded.variables))
        self.cuts.extend(cuts)

    def solve(
        self,
        *,
        time_limit: float,
        relative_gap: float = 0.0,
        cancel: threading.Event | None = None,
    ) -> SolveReport:
        """Run the solver, by the interior point method, or the simplex method where that one gives up."""
        seed = self.data.settings.seed
        try:
            return self.session.solve(
                time_limit=time_limit, relative_gap=relative_gap, seed=seed, cancel=cancel, interior=True
            )
        except SolverError:
            return self.session.solve(
                time_limit=time_limit, relative_gap=relative_gap, seed=seed, cancel=cancel
            )

    def read(self, report: SolveReport) -> FloatArray:
        """Return the values of all columns."""
        return read_values(self.loaded.variables, report)

    def numbers(self, x: FloatArray) -> FloatArray:
        """Return the fish sent, shape (n_groups, n_sites), at column values."""
        return numbers_of(self.frame, x)

    def prices(self) -> FloatArray:
        """Return the prices of the rows and cuts after a linear solve."""
        return row_prices(self.loaded, len(self.frame.model.rows), len(self.cuts))

    def price_bound(self, prices: FloatArray) -> float:
        """Return the bound that prices prove."""
        return kinship_bound(self.frame.model, self.columns, self.cuts, prices)


def row_prices(loaded: LoadedModel, n_rows: int, n_cuts: int = 0) -> FloatArray:
    """Return the prices of the rows of a model, then of the cuts added to it, after a linear solve."""
    owners = loaded.row_of
    found = [0.0 if c.pi is None else float(c.pi) for c in loaded.problem.constraints()]
    prices = np.zeros(n_rows + n_cuts)
    np.add.at(prices, np.array(owners, dtype=np.int64), np.array(found[: len(owners)]))
    prices[n_rows:] = found[len(owners) :]
    return prices


def numbers_of(frame: Frame, x: FloatArray) -> FloatArray:
    """Return the fish sent, shape (n_groups, n_sites), at column values."""
    used = frame.fish != NONE
    numbers = np.zeros(frame.fish.shape)
    numbers[used] = x[frame.fish[used]]
    return numbers


@dataclass(frozen=True)
class Relaxed:
    """Where the relaxation ended.

    Parameters
    ----------
    report : SolveReport
        The last solver run.
    numbers : ndarray, float64, shape (n_groups, n_sites), or None
        Best fractional numbers found.
    value : float or None
        Their true objective.
    bound : float or None
        Proven by prices.
    prices : ndarray, float64, or None
        The prices.
    rounds : int
        Linear programs solved.
    seconds : float
        Time spent.
    """

    report: SolveReport
    numbers: FloatArray | None
    value: float | None
    bound: float | None
    prices: FloatArray | None
    rounds: int
    seconds: float


def relax(
    model: KinshipModel,
    first_points: list[BigIntArray | FloatArray],
    *,
    gap: float,
    deadline: float,
    first_cuts: Sequence[Cut] = (),
    cancel: threading.Event | None = None,
) -> Relaxed:
    """Solve the relaxation by outer approximation.

    Parameters
    ----------
    model : KinshipModel
        The loaded model without demand for whole numbers; tangents are added to it.
    first_points : list of ndarray, shape (n_groups, n_sites)
        Numbers of fish at which tangents are laid before the first solve.
    gap : float
        Stop when (value - bound) / value is no larger.
    deadline : float
        `time.perf_counter` value at which to stop.
    first_cuts : sequence of Cut
        Tangents of an earlier search under the same rules, laid before the first solve.
    cancel : threading.Event, optional
        Set from another thread to stop.

    Returns
    -------
    Relaxed
        The best point and the bound; the report says why it stopped.
    """
    began = time.perf_counter()
    for point in first_points:
        model.add(_all_cuts(model, point))
    model.add(list(first_cuts))
    best: FloatArray | None = None
    best_value = np.inf
    bound: float | None = None
    prices: FloatArray | None = None
    rounds = 0
    while True:
        left = max(deadline - time.perf_counter(), 0.0)
        report = model.solve(time_limit=left, cancel=cancel)
        rounds += 1
        if not report.proven:
            break
        x = model.read(report)
        numbers = model.numbers(x)
        value = objective(model.data, numbers)
        if value < best_value:
            best, best_value = numbers, value
        assert report.objective is not None
        reached = report.objective + model.columns.constant
        prices = model.prices()
        finished = best_value - reached <= gap * abs(best_value) + 1e-9
        new = violated_cuts(model.columns, x, value)
        if finished or not new or rounds >= MOST_ROUNDS or time.perf_counter() >= deadline:
            break
        model.add(new)
    if prices is not None:
        prices = np.concatenate([prices, np.zeros(model.n_rows - len(prices))])
        bound = model.price_bound(prices)
    value_found = None if best is None else float(best_value)
    return Relaxed(report, best, value_found, bound, prices, rounds, time.perf_counter() - began)


def _all_cuts(model: KinshipModel, numbers: BigIntArray | FloatArray) -> list[Cut]:
    """Return the tangents of every block and direction at numbers of fish."""
    living = model.data.living(numbers)
    directions = model.columns.directions
    cuts = []
    for b, site in enumerate(model.columns.block.tolist()):
        fish = living.sum(axis=1) if site == WHOLE else living[:, site]
        total = float(fish.sum())
        if total > 0:
            ratios = directions.T @ fish / total
            cuts += [Cut(b, k, float(q)) for k, q in enumerate(ratios)]
    return cuts
