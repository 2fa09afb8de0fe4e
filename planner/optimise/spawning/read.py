"""The plan as plain values: who is crossed with whom, in how many dishes, and what is proven about it."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any

import numpy as np

from broodstock.arrays import BigIntArray, IntArray
from planner.optimise.spawning.coefficients import Coefficients
from planner.optimise.spawning.data import MANY, SpawningData
from planner.optimise.spawning.measures import CohortMeasures, cohort_measures
from planner.optimise.status import SolveReport, SolveStatus, relative_gap


@dataclass(frozen=True, slots=True)
class Conflict:
    """One rule of a smallest set of rules that cannot all hold.

    Parameters
    ----------
    code : str
        Rule.
    sentence : str
        What it demands.
    facts : str
        Numbers and fish behind it.
    relaxations : tuple of str
        The smallest changes of this rule alone that make a plan possible; empty when none was found.
    group : int
        Number of the set it belongs to; every set must be solved.
    """

    code: str
    sentence: str
    facts: str
    relaxations: tuple[str, ...] = ()
    group: int = 1


@dataclass(frozen=True)
class SpawningPlan:
    """A spawning plan, or the reason why there is none.

    Parameters
    ----------
    status : SolveStatus
        ``proven``: within the gap asked for. ``near best``: not the best on purpose (an alternative, or a plan
        that changes little). ``infeasible``: no plan meets the rules, see `conflicts`. Other
        words: the search was stopped; there is a plan if `has_plan` is True.
    pairs : ndarray, int32, shape (n_pairs, 3)
        New dishes: row of the dam, row of the sire, dishes; sorted by dam and sire.
    made : ndarray, int32, shape (n_made, 3)
        Dishes already made this season, in the same form.
    candidates : ndarray, int32, shape (n_candidates,)
        Rows of the candidates, females first.
    contributions : ndarray, int64, shape (n_candidates,)
        Dishes of each candidate this season, made and new.
    value, bound, gap : float or None
        The goal, the least value that is possible for any plan under the same rules, and
        (value - bound) / value.
    measures : CohortMeasures or None
        What the plan means for the season's young.
    report : SolveReport
        Outcome of the search.
    settings : dict
        The numbers of the day as given (arrays that are the same for all candidates as one number).
    seed : int
        Seed of the search.
    conflicts : tuple of Conflict
        A smallest set of rules that conflict, when there is no plan.
    """

    status: SolveStatus
    pairs: IntArray
    made: IntArray
    candidates: IntArray
    contributions: BigIntArray
    value: float | None
    bound: float | None
    gap: float | None
    measures: CohortMeasures | None
    report: SolveReport
    settings: dict[str, Any]
    seed: int
    conflicts: tuple[Conflict, ...] = ()

    @property
    def has_plan(self) -> bool:
        """True when there are dishes to lay."""
        return self.measures is not None

    def sentence(self) -> str:
        """Return what is proven about the plan, in one sentence."""
        if not self.has_plan:
            if self.status is SolveStatus.INFEASIBLE:
                return f"No plan meets all rules: {len(self.conflicts)} of them conflict."
            return f"The search ended ({self.status}) before a plan was found. Allow it more time."
        if self.gap is None or self.bound is None:
            return (
                f"Best plan found when the search ended ({self.status}); nothing is proven about better ones."
            )
        best = f"No plan under the same rules can be more than {100 * self.gap:.2f} % better."
        if self.status in (SolveStatus.PROVEN, SolveStatus.NEAR_BEST):
            return best
        return f"Best plan found when the search ended ({self.status}). {best}"


def read_plan(
    data: SpawningData,
    co: Coefficients,
    new: BigIntArray | None,
    report: SolveReport,
    *,
    seed: int,
    conflicts: tuple[Conflict, ...] = (),
) -> SpawningPlan:
    """Turn dishes per pair into a plan.

    Parameters
    ----------
    data : SpawningData
    co : Coefficients
    new : ndarray, int64, shape (n_females, n_males), or None
        New dishes of each pair; None when there is no plan.
    report : SolveReport
        Outcome of the search, value and bound in the unit of the goal.
    seed : int
    conflicts : tuple of Conflict

    Returns
    -------
    SpawningPlan
    """
    measures = None if new is None else cohort_measures(data, co, new)
    table = np.zeros((data.n_females, data.n_males), dtype=np.int64) if new is None else new
    both = table + data.made_pairs
    value, bound = (None if measures is None else measures.goal), report.bound
    if value is not None and bound is not None:
        bound = min(bound, value)  # rounding in the last digit must not put the bound above the value
    return SpawningPlan(
        status=report.status,
        pairs=as_rows(data, table),
        made=as_rows(data, data.made_pairs.astype(np.int64)),
        candidates=data.candidates,
        contributions=np.concatenate([both.sum(axis=1), both.sum(axis=0)]).astype(np.int64),
        value=value,
        bound=bound,
        gap=relative_gap(value, bound),
        measures=measures,
        report=report,
        settings=settings_echo(data),
        seed=seed,
        conflicts=conflicts,
    )


def as_rows(data: SpawningData, table: BigIntArray) -> IntArray:
    """Return a table of dishes as rows (dam row, sire row, dishes)."""
    f, m = np.nonzero(table)
    return np.column_stack([data.females[f], data.males[m], table[f, m]]).astype(np.int32)


def as_table(data: SpawningData, rows: IntArray) -> BigIntArray:
    """Return rows (dam row, sire row, dishes) as a table over the candidates of `data`.

    Raises
    ------
    KeyError
        If a row names a fish that is no candidate.
    """
    of_female = {int(row): k for k, row in enumerate(data.females)}
    of_male = {int(row): k for k, row in enumerate(data.males)}
    table = np.zeros((data.n_females, data.n_males), dtype=np.int64)
    for dam, sire, dishes in np.asarray(rows).reshape(-1, 3).tolist():
        table[of_female[dam], of_male[sire]] += dishes
    return table


def settings_echo(data: SpawningData) -> dict[str, Any]:
    """Return the settings as plain values; arrays over fish only where they hold one value, else a count."""
    echo: dict[str, Any] = {"candidates_female": data.n_females, "candidates_male": data.n_males}
    skipped = {"ids", "parents", "kinship", "females", "males", "pair_upper", "scenarios"}
    for field in fields(data):
        if field.name in skipped:
            continue
        value = getattr(data, field.name)
        if isinstance(value, np.ndarray):
            value = _plain(value)
        elif isinstance(value, tuple):
            value = [None if v == MANY else v for v in value]
        echo[field.name] = value
    return echo | {"kinship_tables": len(data.scenarios)}


def _plain(array: np.ndarray) -> Any:
    """Return one value for an array that holds one, a list if it is short, else how many differ from the first."""
    if array.size == 0:
        return []
    flat = array.ravel()
    if (flat == flat[0]).all():
        value = flat[0].item()
        return None if value == MANY else value
    if array.ndim == 1 and array.size <= 40:
        return array.tolist()
    if array.dtype == bool:
        return {"true": int(array.sum()), "false": int(array.size - array.sum())}
    return {"from": flat.min().item(), "to": flat.max().item()}
