"""Does any plan meet these rules? The question behind conflicts and smallest changes."""

from __future__ import annotations

import threading
import time
from collections.abc import Collection

import numpy as np

from broodstock.arrays import BigIntArray, FloatArray
from planner.optimise.kinship_bound import SquareForm
from planner.optimise.spawning.build import Row, draft_rules
from planner.optimise.spawning.coefficients import Coefficients
from planner.optimise.spawning.data import SpawningData
from planner.optimise.spawning.search import Goal, Search
from planner.optimise.status import SolveStatus


class Oracle:
    """Tells whether any plan meets a set of rules.

    Parameters
    ----------
    data : SpawningData
    co : Coefficients
    time_limit : float
        Seconds for all questions together.
    cancel : threading.Event, optional
    """

    def __init__(
        self,
        data: SpawningData,
        co: Coefficients,
        *,
        time_limit: float,
        cancel: threading.Event | None = None,
    ) -> None:
        self.data, self.co, self.cancel = data, co, cancel
        self.ends = time.perf_counter() + time_limit
        self.always_out: list[str] = []

    @property
    def time_is_over(self) -> bool:
        """True when no further question will be answered."""
        return time.perf_counter() >= self.ends or (self.cancel is not None and self.cancel.is_set())

    def answer(
        self,
        data: SpawningData,
        leave_out: Collection[str] = (),
        cost: FloatArray | None = None,
        *,
        most_dishes: int | None = None,
    ) -> tuple[bool | None, BigIntArray | None]:
        """Return whether a plan exists (None: not known in time) and contributions of one, of least cost.

        Parameters
        ----------
        data : SpawningData
            Changed data; fish and pedigree must be those of the oracle.
        leave_out : collection of str
            Codes of rules to ignore.
        cost : ndarray, float64, shape (n_candidates,), optional
            Cost of each dish of a candidate; the plan returned has the least cost.
        most_dishes : int, optional
            Most new dishes, for questions that leave out the rule on their number.
        """
        if self.time_is_over:
            return None, None
        n = data.n_candidates
        ignored = [*self.always_out, *leave_out]
        draft = draft_rules(data, self.co, ignored)
        if "dishes" in ignored:
            draft.rows.append(_balance(data))
            if most_dishes is not None:
                top = float(draft.base[data.is_female].sum() + most_dishes)
                females = data.is_female.astype(np.float64)
                draft.rows.append(Row("balance", females, np.zeros(n), -np.inf, top))
        left = self.ends - time.perf_counter()
        goal, gap = _spread(n) if cost is None else _cheapest(cost, data.all_dishes)
        found = Search(draft, goal, time_limit=left, gap=gap, cancel=self.cancel).run()
        if found.c is not None:
            return True, found.c
        return (False if found.report.status is SolveStatus.INFEASIBLE else None), None

    def feasible(self, data: SpawningData, leave_out: Collection[str] = ()) -> bool:
        """Tell whether a plan is known to exist."""
        return self.answer(data, leave_out)[0] is True


def _balance(data: SpawningData) -> Row:
    """Females and males still take part in equally many dishes when their number is free."""
    sign = np.where(data.is_female, 1.0, -1.0)
    return Row("balance", sign, np.zeros(data.n_candidates), 0.0, 0.0)


def _spread(n: int) -> tuple[Goal, float]:
    """Return a goal that spreads dishes over many fish, which pair easily; any plan will do."""
    squares = SquareForm(n, np.ones(n), tuple(((i, 1.0),) for i in range(n)), ((),) * n)
    return Goal(squares, np.eye(n), np.zeros(n)), 0.999


def _cheapest(cost: FloatArray, dishes: int) -> tuple[Goal, float]:
    """Return a goal of least cost in which an even spread only breaks ties between whole costs."""
    n = len(cost)
    share = 0.25 / (2.0 * max(1, dishes) ** 2)
    squares = SquareForm(n, np.full(n, share), tuple(((i, 1.0),) for i in range(n)), ((),) * n)
    lift = float(np.abs(cost).max(initial=0.0)) * 2.0 * dishes + 1.0  # keeps the goal above 0
    return Goal(squares, share * np.eye(n), cost, 1.0, lift), 0.2 / (2.0 * lift)
