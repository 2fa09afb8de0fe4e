"""Contributions for the worst of several cases: swaps judged by all cases, and the mixture that bounds best.

For any weights on the cases that add up to one, the least value of the weighted mean is a lower bound on the
least value of the worst case. The weights that bound best are looked for by raising the weight of the cases that
are worst where the weighted mean is least.

References
----------
.. [1] Freund, Y. & Schapire, R. E. (1999), Games and Economic Behavior 29, 79-103 (multiplicative weights find the
   value of a game; from memory).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from broodstock.arrays import BigIntArray, FloatArray
from planner.optimise.spawning.build import Draft, Row
from planner.optimise.spawning.improve import Improver
from planner.optimise.spawning.scenarios import Case, greatest, mixture

_ROUNDS = 15


class WorstImprover(Improver):
    """Rounds and improves contributions judged by the worst of several cases.

    Parameters
    ----------
    draft, values, rows
        As for `Improver`.
    lead : Case
        Weighted mean of the cases, along which relaxed solutions are rounded.
    cases : sequence of Case
        The goal is the greatest of them.
    """

    def __init__(
        self,
        draft: Draft,
        lead: Case,
        cases: Sequence[Case],
        values: Sequence[BigIntArray],
        rows: Sequence[Row],
    ) -> None:
        super().__init__(draft, lead.K, lead.linear, values, rows)
        self.cases = cases

    def value(self, c: BigIntArray) -> float:
        """Return the greatest goal over all cases at c, in squared dishes."""
        return greatest(self.cases, c.astype(np.float64))

    def _rises(
        self,
        c: BigIntArray,
        gradient: FloatArray,
        givers: BigIntArray,
        takers: BigIntArray,
        dishes: BigIntArray,
    ) -> FloatArray:
        """Change of the greatest goal for every swap."""
        amount = dishes[:, None].astype(np.float64)
        whole = c.astype(np.float64)
        after = np.full((givers.size, takers.size), -np.inf)
        for case in self.cases:
            own = np.diag(case.K)
            slopes = 2.0 * (case.K @ whole) + case.linear
            spread = own[givers][:, None] + own[takers][None, :] - 2.0 * case.K[np.ix_(givers, takers)]
            slope = slopes[takers][None, :] - slopes[givers][:, None]
            np.maximum(after, case.of(whole) + amount * slope + amount**2 * spread, out=after)
        return after - self.value(c)

    def _best_triple(self, c: BigIntArray, gradient: FloatArray) -> BigIntArray | None:
        change = super()._best_triple(c, gradient)
        if change is None or self.value(c + change) >= self.value(c) - 1e-9 * (1.0 + abs(self.value(c))):
            return None
        return change


def bounding_weights(
    draft: Draft, cases: Sequence[Case], values: Sequence[BigIntArray], rows: Sequence[Row]
) -> FloatArray:
    """Return weights on the cases whose weighted mean bounds the worst case well.

    Parameters
    ----------
    draft : Draft
    cases : sequence of Case
    values : sequence of ndarray
        Possible dishes of each candidate, none empty.
    rows : sequence of Row

    Returns
    -------
    ndarray, float64, shape (n_cases,)
        Not below 0, adding up to 1. Any such weights give a valid bound; these were the best of a few rounds.
    """
    weights = np.full(len(cases), 1.0 / len(cases))
    if len(cases) == 1:
        return weights
    best, best_value = weights, -np.inf
    for _ in range(_ROUNDS):
        lead = mixture(cases, weights)
        improver = Improver(draft, lead.K, lead.linear, values, rows)
        c = improver.built()
        if c is None:
            return weights
        c = improver.improved(c, most_rounds=200)
        goals = np.array([case.of(c.astype(np.float64)) for case in cases])
        least = float(weights @ goals)
        if least > best_value:
            best, best_value = weights, least
        spread = float(goals.max() - goals.min())
        if spread <= 0:
            return weights
        raised = weights * np.exp((goals - goals.max()) / spread)
        weights = raised / raised.sum()
    return best
