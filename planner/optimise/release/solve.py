"""Plan a release: most survivors first, then least kinship at the survivors chosen, then the proof."""

from __future__ import annotations

import threading
import time
from dataclasses import dataclass

import numpy as np

from broodstock.arrays import BigIntArray, FloatArray
from planner.optimise.release.build import aim_at_survivors, build_rules, objective
from planner.optimise.release.conflicts import find_conflicts
from planner.optimise.release.data import ReleaseData
from planner.optimise.release.frame import Frame
from planner.optimise.release.limits import priced_rules
from planner.optimise.release.model import load
from planner.optimise.release.plan import ReleasePlan, Stage
from planner.optimise.release.proof import BoundProof, make_proof
from planner.optimise.release.read import plan_without_numbers, read_plan
from planner.optimise.release.relax import KinshipModel, Relaxed, numbers_of, relax, row_prices
from planner.optimise.release.search import Search, Tell, search
from planner.optimise.solver import Session, read_values, solver_versions
from planner.optimise.status import SolveReport, SolveStatus, relative_gap

SURVIVORS_GAP = 1e-3
"""Gap to which the most expected survivors are sought."""

RELAXATION_SHARE = 0.1
"""Share of the gap asked for that the relaxation may leave open."""

LIMITS_FROM_SHARE = 0.99
"""Share of the most survivors from which the columns are limited by it; below, the limits are too wide to help."""

ROUNDING_SHARE = 0.15
"""Share of the time kept for whole fish when the relaxation takes long."""


@dataclass(frozen=True)
class MostSurvivors:
    """The plan with the most expected survivors.

    Parameters
    ----------
    report : SolveReport
        The run; its objective is minus the survivors.
    numbers : ndarray, int64, shape (n_groups, n_sites), or None
        The plan.
    value : float or None
        Its expected survivors.
    bound : float or None
        No plan under the rules has more.
    prices : ndarray, float64, shape (n_priced,), or None
        Prices of the rules when fish may be divided, for `planner.optimise.release.limits`.
    """

    report: SolveReport
    numbers: BigIntArray | None
    value: float | None
    bound: float | None
    prices: FloatArray | None = None


@dataclass(frozen=True)
class Earlier:
    """What searches at other shares of the most survivors found; all else equal.

    Parameters
    ----------
    most : MostSurvivors
        The plan with the most expected survivors.
    plans : tuple of ReleasePlan
        Plans at lower floors. Their tangents serve again, their bounds hold at the higher floor, and those that reach
        it are places to start from.
    """

    most: MostSurvivors
    plans: tuple[ReleasePlan, ...] = ()


def plan_release(
    data: ReleaseData,
    *,
    progress: Tell | None = None,
    cancel: threading.Event | None = None,
    earlier: Earlier | None = None,
) -> ReleasePlan:
    """Plan which fish go where.

    Parameters
    ----------
    data : ReleaseData
        Groups, families, sites, survival and settings.
    progress : callable, optional
        Called with the step in words, the best objective and the bound so far (either may be None).
    cancel : threading.Event, optional
        Set from another thread to stop; the best plan so far is returned.
    earlier : Earlier, optional
        What searches at lower shares of the most survivors found, under the same rules.

    Returns
    -------
    ReleasePlan
        The plan with its proven gap, or why there is none. The same data and settings give the same plan
        whenever the gap is reached before the time limit.

    Notes
    -----
    Minimised is sum_s w_s N_s theta_s + w_0 N theta_all, theta = p'Kp over the shares of living fish
    (arrivals times survival, plus residents), at no fewer expected survivors than
    `ReleaseSettings.survivors_share` of the most that can be reached. The sum grows with the number of
    survivors, so without a floor it would favour few fish and poor waters; at a floor that binds it ranks
    plans as their weighted mean kinship does. See `planner.optimise.release.cuts` for the bound.
    """
    began = time.perf_counter()
    deadline = began + data.settings.time_limit
    tell = progress or _say_nothing
    if earlier is None:
        tell("seeking the most survivors", None, None)
        near_most = data.settings.survivors_share >= LIMITS_FROM_SHARE
        found = most_survivors(
            data, time_limit=data.settings.time_limit, with_prices=near_most, cancel=cancel
        )
        earlier = Earlier(found)
    first = earlier.most
    stages = [Stage("most survivors", time.perf_counter() - began)]
    if first.numbers is None or first.value is None:
        return _no_plan(data, first.report, stages, began)
    floor = max(data.settings.survivors_share * first.value - 1e-9, data.settings.survivors_min)
    model = KinshipModel.make(data, floor, first.prices)
    start = _best_start(data, earlier, floor)
    state = Search(
        model,
        data.settings.gap,
        deadline,
        start,
        objective(data, start),
        -np.inf,
        tell,
        cancel,
    )
    tell("lowering kinship, parts of fish allowed", state.value, None)
    proven = _highest_proof(earlier, floor)
    relaxed = relax(
        model,
        [first.numbers],
        gap=data.settings.gap * RELAXATION_SHARE,
        deadline=deadline - ROUNDING_SHARE * data.settings.time_limit,
        first_cuts=() if proven is None else proven[1].cuts,
        cancel=cancel,
    )
    if relaxed.bound is not None:
        state.bound = relaxed.bound
    stages.append(Stage("relaxation", relaxed.seconds, relaxed.value, relaxed.bound))
    n_cuts, before = len(model.cuts), time.perf_counter()
    proof = _proof(model, relaxed, n_cuts, floor, first.prices)
    if proven is not None and proven[0] > state.bound:
        state.bound, proof = proven
    status = search(state, relaxed)
    bound = state.bound if np.isfinite(state.bound) else None
    stages.append(Stage("whole fish", time.perf_counter() - before, state.value, bound))
    report = SolveReport(
        status,
        True,
        state.value,
        bound,
        relative_gap(state.value, bound),
        first.report.nodes + state.nodes,
        time.perf_counter() - began,
        solver_versions(),
    )
    return read_plan(data, state.best, report, first.value, floor, proof, tuple(stages))


def _best_start(data: ReleaseData, earlier: Earlier, floor: float) -> BigIntArray:
    """Return the plan with the lowest objective of those known that reach the floor."""
    assert earlier.most.numbers is not None
    known = [earlier.most.numbers, *(p.numbers for p in earlier.plans if p.numbers is not None)]
    reaching = [n for n in known if float((n * data.survival).sum()) >= floor]
    return min(reaching or known[:1], key=lambda n: objective(data, n))


def _highest_proof(earlier: Earlier, floor: float) -> tuple[float, BoundProof] | None:
    """Return the highest bound proven at a floor no higher than this one, with its proof."""
    found = [
        (p.bound, p.proof)
        for p in earlier.plans
        if p.bound is not None and p.proof is not None and p.proof.survivors_floor <= floor
    ]
    return max(found, key=lambda one: one[0], default=None)


def most_survivors(
    data: ReleaseData,
    *,
    time_limit: float | None = None,
    with_prices: bool = True,
    cancel: threading.Event | None = None,
) -> MostSurvivors:
    """Find the plan with the most expected survivors under all rules.

    Parameters
    ----------
    data : ReleaseData
        The data.
    time_limit : float, optional
        Seconds.
    with_prices : bool
        Find the prices that limit the columns, too.
    cancel : threading.Event, optional
        Set from another thread to stop.

    Returns
    -------
    MostSurvivors
        The plan, or none when no plan meets the rules or time was up.
    """
    frame = build_rules(data, data.settings.survivors_min)
    aim_at_survivors(frame)
    loaded = load(frame.model, "most_survivors")
    report = Session(loaded.problem).solve(
        time_limit=time_limit,
        relative_gap=min(SURVIVORS_GAP, data.settings.gap),
        seed=data.settings.seed,
        cancel=cancel,
    )
    if not report.has_solution:
        return MostSurvivors(report, None, None, None)
    x = read_values(loaded.variables, report)
    numbers = np.rint(numbers_of(frame, x)).astype(np.int64)
    bound = None if report.bound is None else -report.bound
    prices = _survivor_prices(frame, time_limit, cancel) if with_prices else None
    return MostSurvivors(report, numbers, float((numbers * data.survival).sum()), bound, prices)


def _survivor_prices(
    frame: Frame, time_limit: float | None, cancel: threading.Event | None
) -> FloatArray | None:
    """Return the prices of the rules in the model of most survivors with fish divisible."""
    loaded = load(frame.model, "survivor_prices", relaxed=True)
    report = Session(loaded.problem).solve(
        time_limit=time_limit, seed=frame.data.settings.seed, cancel=cancel
    )
    return priced_rules(frame, row_prices(loaded, len(frame.model.rows))) if report.proven else None


def _proof(
    model: KinshipModel, relaxed: Relaxed, n_cuts: int, floor: float, survivor_prices: FloatArray | None
) -> BoundProof | None:
    if relaxed.prices is None:
        return None
    n_rows = len(model.frame.model.rows)
    return make_proof(floor, model.cuts[:n_cuts], relaxed.prices[: n_rows + n_cuts], n_rows, survivor_prices)


def _no_plan(data: ReleaseData, report: SolveReport, stages: list[Stage], began: float) -> ReleasePlan:
    """Return why there is no plan."""
    conflicts = None
    if report.status in (SolveStatus.INFEASIBLE, SolveStatus.INFEASIBLE_OR_UNBOUNDED):
        before = time.perf_counter()
        conflicts = find_conflicts(data)
        stages.append(Stage("conflicts", time.perf_counter() - before))
    whole = SolveReport(
        SolveStatus.INFEASIBLE if conflicts is not None else report.status,
        False,
        None,
        None,
        None,
        report.nodes,
        time.perf_counter() - began,
        solver_versions(),
    )
    return plan_without_numbers(data, whole, conflicts, tuple(stages))


def _say_nothing(step: str, value: float | None, bound: float | None) -> None:
    """Ignore progress."""
