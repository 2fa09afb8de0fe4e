"""Plans almost as good as the best one that place as many fish as possible otherwise.

A plan is one of many that are nearly as good. Within a stated tolerance of its objective, and under the same rules,
each alternative makes the number of fish placed otherwise than in every earlier plan as large as can be found; the
solver's bound says how much larger it could be at most (maximal diversity among near-optimal plans, found one after
the other: Brill, Chang & Hopkins 1982, Management Science 28, 221-235, from memory).

The bound holds step by step: with the earlier plans as they are. The first alternative found decides what the second can
differ from, so nothing is proven of the alternatives together, and plans chosen together could lie further apart.
"""

from __future__ import annotations

import threading
import time
from dataclasses import dataclass

import numpy as np

from broodstock.arrays import BigIntArray, FloatArray
from planner.optimise.release.build import (
    WHOLE,
    Cut,
    KinshipColumns,
    aim_at_kinship,
    build_rules,
    cut_row,
    gradient,
    objective,
)
from planner.optimise.release.cuts import violated_cuts
from planner.optimise.release.data import ReleaseData
from planner.optimise.release.frame import NONE, Frame
from planner.optimise.release.measures import ReleaseMeasures, measure
from planner.optimise.release.model import LoadedModel, constraints, load, row
from planner.optimise.release.plan import ReleasePlan
from planner.optimise.release.recheck import Breach, breaches
from planner.optimise.release.recheck_plan import AGREEMENT, slow_objective
from planner.optimise.release.relax import numbers_of
from planner.optimise.release.search import WIDENINGS
from planner.optimise.solver import Session, SolverError, read_values
from planner.optimise.status import SolveReport, SolveStatus

MOST = 3
"""Most alternatives."""

MOST_ROUNDS = 60
LINEAR_ROUNDS = 12

MARGIN = 0.1
"""Share of the tolerance that the quick search leaves for rounding."""

PULLS = (0.0, 0.15, 0.3, 0.5, 0.7, 0.85)
"""Shares of the way back to the plan at which rounding is tried."""


@dataclass(frozen=True)
class NearBest:
    """One alternative plan.

    Parameters
    ----------
    numbers : ndarray, int64, shape (n_groups, n_sites)
        Fish of each group to each site.
    objective : float
        Its objective.
    above : float
        Share by which the objective lies above that of the plan; below 0 when it is lower.
    gap : float or None
        Share by which the objective lies above the proven bound of the plan at most.
    otherwise : tuple of int
        Fish placed otherwise than in the plan, and than in each earlier alternative.
    most_otherwise : float
        Proven for this step alone, with those plans as they are: no plan within the tolerance places more fish
        otherwise than in every one of them. It says nothing of the alternatives together.
    status : SolveStatus
        ``proven`` when the least of `otherwise` is proven to be the largest possible.
    measures : ReleaseMeasures
        Every goal by itself.
    breaches : tuple of Breach
        What the recheck found; empty.
    """

    numbers: BigIntArray
    objective: float
    above: float
    gap: float | None
    otherwise: tuple[int, ...]
    most_otherwise: float
    status: SolveStatus
    measures: ReleaseMeasures
    breaches: tuple[Breach, ...]


def placed_otherwise(data: ReleaseData, one: BigIntArray, other: BigIntArray) -> int:
    """Return how many fish two plans place differently; staying at the station is a place too.

    Parameters
    ----------
    data : ReleaseData
        The data of both.
    one, other : ndarray, int64, shape (n_groups, n_sites)
        Fish sent.

    Returns
    -------
    int
        Half the sum of absolute differences over all places.
    """
    stays = data.groups.available - one.sum(axis=1), data.groups.available - other.sum(axis=1)
    return int(np.abs(one - other).sum() + np.abs(stays[0] - stays[1]).sum()) // 2


def alternatives(
    data: ReleaseData,
    plan: ReleasePlan,
    *,
    tolerance: float = 0.02,
    number: int = MOST,
    time_limit: float = 20.0,
    cancel: threading.Event | None = None,
) -> list[NearBest]:
    """Find plans within a tolerance of a plan's objective that differ from it and from each other as much as possible.

    Parameters
    ----------
    data : ReleaseData
        The data the plan was made from.
    plan : ReleasePlan
        A plan with numbers.
    tolerance : float
        Share by which the objective may lie above that of the plan, 0 to 1.
    number : int
        Alternatives to look for, 1 to 3.
    time_limit : float
        Seconds for each.
    cancel : threading.Event, optional
        Set from another thread to stop; what was found is returned.

    Returns
    -------
    list of NearBest
        In the order found, each with the bound of its own step; fewer than asked for when no plan within the
        tolerance places any fish otherwise, or none was found in time. None is recommended.

    Raises
    ------
    ValueError
        If the plan has no numbers, or the tolerance or the number is out of range.
    """
    if plan.numbers is None or plan.objective is None:
        raise ValueError("alternatives: found no plan. Expected a plan with numbers. Make one first.")
    if not (0 <= tolerance <= 1 and 1 <= number <= MOST):
        raise ValueError(
            f"alternatives: found a tolerance of {tolerance} and {number} plans. Expected a tolerance from 0 to 1 "
            f"and 1 to {MOST} plans."
        )
    known = [plan.numbers]
    out: list[NearBest] = []
    limit = plan.objective * (1.0 + tolerance)
    for _ in range(number):
        model = _Model.make(data, plan.survivors_floor, limit, known)
        found = model.search(time.perf_counter() + time_limit, cancel)
        if found is None:
            break
        numbers, most = found
        differs = tuple(placed_otherwise(data, numbers, k) for k in known)
        if min(differs) == 0:
            break
        value = objective(data, numbers)
        broken = list(breaches(data, numbers, plan.survivors_floor))
        again = slow_objective(data, numbers)
        if abs(again - value) > AGREEMENT * max(abs(again), 1e-9) or again > limit * (1 + AGREEMENT):
            broken.append(Breach("objective", "the alternative", f"{value:.6f}", f"at most {limit:.6f}"))
        proven = most - min(differs) < 1.0 - 1e-6
        out.append(
            NearBest(
                numbers,
                value,
                value / plan.objective - 1.0 if plan.objective else 0.0,
                None if plan.bound is None or value <= 0 else (value - plan.bound) / value,
                differs,
                most,
                SolveStatus.PROVEN if proven else SolveStatus.TIME_LIMIT,
                measure(data, numbers),
                tuple(broken),
            )
        )
        known.append(numbers)
        if cancel is not None and cancel.is_set():
            break
    return out


@dataclass
class _Model:
    """The rules, the kinship terms held below the limit, and the number of fish placed otherwise to maximise."""

    data: ReleaseData
    frame: Frame
    columns: KinshipColumns
    loaded: LoadedModel
    session: Session
    switches: BigIntArray
    margin: int
    known: list[BigIntArray]
    floor: float
    limit: float
    most: float

    @classmethod
    def make(cls, data: ReleaseData, floor: float, limit: float, known: list[BigIntArray]) -> _Model:
        frame = build_rules(data, floor)
        columns = aim_at_kinship(frame)
        model = frame.model
        cost = np.array(model.cost)
        priced = np.flatnonzero(cost)
        margin = int(model.add((1,), 0.0, max(limit, 1.0))[0])
        factors = [*cost[priced], 1.0]
        model.rows.append(row("", "tolerance", [*priced, margin], factors, high=limit - columns.constant))
        model.cost = [0.0] * model.n_columns
        most = float(data.groups.available.sum())
        least = int(model.add((1,), 0.0, most, cost=-1.0)[0])
        switches: list[int] = []
        for numbers in known:
            moved = _moved_columns(data, frame, numbers, switches)
            model.rows.append(row("", "otherwise", [*moved, least], [*np.ones(len(moved)), -1.0], low=0.0))
        loaded = load(model, "near_best", relaxed=True)
        one = cls(
            data,
            frame,
            columns,
            loaded,
            Session(loaded.problem),
            np.array(switches, dtype=np.int64),
            margin,
            known,
            floor,
            limit,
            float(data.groups.available.sum()),
        )
        for numbers in known:
            one.add(one.tangents(numbers))
        return one

    def add(self, cuts: list[Cut]) -> None:
        for cut in cuts:
            self.session.add_rows(constraints(cut_row(self.columns, cut), self.loaded.variables))

    def tangents(self, numbers: BigIntArray | FloatArray) -> list[Cut]:
        """Return the tangents of every kinship term at numbers of fish."""
        living = self.data.living(numbers)
        cuts = []
        for b, site in enumerate(self.columns.block.tolist()):
            fish = living.sum(axis=1) if site == WHOLE else living[:, site]
            total = float(fish.sum())
            if total > 0:
                ratios = self.columns.directions.T @ fish / total
                cuts += [Cut(b, k, float(q)) for k, q in enumerate(ratios)]
        return cuts

    def search(self, deadline: float, cancel: threading.Event | None) -> tuple[BigIntArray, float] | None:
        """Return the plan that differs most of those found, and the most any plan can differ."""
        began = time.perf_counter()
        left = deadline - began
        switches = self.loaded.pick(self.switches)
        ones = np.ones(len(switches))
        # Quick first: no place keeps more fish than before, and a part of the tolerance is left over for rounding.
        # Every plan found so is one of the whole problem.
        self.session.set_bounds(switches, ones, ones)
        self._leave(MARGIN * (self.limit - objective(self.data, self.known[0])))
        point = self._collect_tangents(began + 0.3 * left, cancel, bounding=False)
        best = None if point is None else self._rounded(point, began + 0.5 * left, cancel)
        self.session.set_bounds(switches, 0.0 * ones, ones)
        self._leave(0.0)
        self._collect_tangents(began + 0.7 * left, cancel, bounding=True)
        whole = np.flatnonzero(self.frame.model.whole)
        self.session.set_integer(self.loaded.pick(whole), True)
        best = self._rounds(best, deadline, cancel)
        return None if best is None else (best, self.most)

    def _leave(self, margin: float) -> None:
        """Leave a part of the tolerance unused."""
        column = self.loaded.pick(np.array([self.margin]))
        self.session.set_bounds(column, np.array([max(margin, 0.0)]), np.array([max(self.limit, 1.0)]))

    def _collect_tangents(
        self, deadline: float, cancel: threading.Event | None, *, bounding: bool
    ) -> FloatArray | None:
        """Solve with parts of fish allowed until the kinship terms are close.

        Each value over the whole problem (`bounding`) bounds what can differ; otherwise the first point whose true
        objective keeps the limit is enough.
        """
        numbers = None
        for _ in range(LINEAR_ROUNDS):
            report = self._run(deadline, cancel, interior=True)
            if report is None or not report.has_solution:
                break
            if bounding and report.proven and report.objective is not None:
                self.most = min(self.most, -report.objective)
            x = read_values(self.loaded.variables, report)
            numbers = numbers_of(self.frame, x)
            new = violated_cuts(self.columns, x, self.limit)
            self.add(new)
            if not new or (not bounding and objective(self.data, numbers) <= self.limit):
                break
        return numbers

    def _rounded(
        self, point: FloatArray, deadline: float, cancel: threading.Event | None
    ) -> BigIntArray | None:
        """Return whole numbers around a point under all rules, at the least first-order change of kinship.

        Where rounding passes the limit, the point is pulled towards the plan, around which it is known to hold.
        """
        frame = build_rules(self.data, self.floor)
        used = frame.fish != NONE
        slopes = gradient(self.data, point)[used]
        for column, cost in zip(frame.fish[used].tolist(), slopes.tolist(), strict=True):
            frame.model.cost[column] = cost
        loaded = load(frame.model, "near_best_rounding")
        session = Session(loaded.problem)
        stock = np.broadcast_to(self.data.groups.available[:, None], used.shape)[used].astype(np.float64)
        for pull in PULLS:
            near = (1.0 - pull) * point + pull * self.known[0]
            for width in WIDENINGS[:2]:
                low = np.maximum(np.floor(near[used] + 1e-6) - width, 0.0)
                high = np.minimum(np.ceil(near[used] - 1e-6) + width, stock)
                session.set_bounds(loaded.pick(frame.fish[used]), low, high)
                left = deadline - time.perf_counter()
                if left <= 0 or (cancel is not None and cancel.is_set()):
                    return None
                report = session.solve(
                    time_limit=left, relative_gap=1e-4, seed=self.data.settings.seed, cancel=cancel
                )
                if not report.has_solution:
                    continue
                numbers = np.rint(numbers_of(frame, read_values(loaded.variables, report))).astype(np.int64)
                if self._holds(numbers) and self._least(numbers):
                    return numbers
        return None

    def _holds(self, numbers: BigIntArray) -> bool:
        """Tell whether a plan keeps the limit and every rule."""
        within = objective(self.data, numbers) <= self.limit * (1 + AGREEMENT)
        return within and not breaches(self.data, numbers, self.floor)

    def _run(
        self, deadline: float, cancel: threading.Event | None, *, interior: bool = False
    ) -> SolveReport | None:
        """Solve for the time left, by the simplex method where the interior point method gives up."""
        left = deadline - time.perf_counter()
        if left <= 0 or (cancel is not None and cancel.is_set()):
            return None
        seed = self.data.settings.seed
        try:
            return self.session.solve(
                time_limit=left,
                absolute_gap=0.5,
                seed=seed,
                cancel=cancel,
                interior=interior,
            )
        except SolverError:
            return self.session.solve(time_limit=left, absolute_gap=0.5, seed=seed, cancel=cancel)

    def _rounds(
        self, best: BigIntArray | None, deadline: float, cancel: threading.Event | None
    ) -> BigIntArray | None:
        """Solve in whole numbers, adding tangents where a plan passes the limit, until one holds it."""
        for _ in range(MOST_ROUNDS):
            if best is not None and self.most - self._least(best) < 1.0 - 1e-6:
                break
            report = self._run(deadline, cancel)
            if report is None:
                break
            if report.bound is not None:
                self.most = min(self.most, -report.bound)
            if not report.has_solution:
                break
            numbers = np.rint(numbers_of(self.frame, read_values(self.loaded.variables, report))).astype(
                np.int64
            )
            if self._holds(numbers):
                if best is None or self._least(numbers) > self._least(best):
                    best = numbers
                break
            self.add(self.tangents(numbers))
        return best

    def _least(self, numbers: BigIntArray) -> int:
        return min(placed_otherwise(self.data, numbers, k) for k in self.known)


def _moved_columns(data: ReleaseData, frame: Frame, numbers: BigIntArray, switches: list[int]) -> list[int]:
    """Add for each place with fish a column of the fish that leave it: at most max(0, r - n).

    With a switch b: moved <= r b and moved <= r - n + (stock - r)(1 - b).
    """
    model = frame.model
    moved: list[int] = []
    for g, stock in enumerate(data.groups.available.tolist()):
        stays = stock - int(numbers[g].sum())
        places = [(int(numbers[g, s]), [int(frame.fish[g, s])], 1.0, 0.0) for s in np.flatnonzero(numbers[g])]
        going = [int(j) for j in frame.group_fish(g)]
        if stays and going:
            # n = stock - fish sent, so r - n = r - stock + fish sent.
            places.append((stays, going, -1.0, float(stock)))
        for r, columns, sign, beside in places:
            if NONE in columns:
                continue
            column = int(model.add((1,), 0.0, float(r))[0])
            switch = int(model.add((1,), 0.0, 1.0, whole=True)[0])
            room = float(stock - r)
            model.rows.append(row("", "leaves", [column, switch], [1.0, -float(r)], high=0.0))
            factors = [1.0, room, *[sign] * len(columns)]
            model.rows.append(
                row("", "leaves", [column, switch, *columns], factors, high=float(r) + room - beside)
            )
            switches.append(switch)
            moved.append(column)
    return moved
