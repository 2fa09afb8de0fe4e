"""Kinship that is not known for sure: several tables that may be true, and the goal that minds the worst of them.

With tables K_1 .. K_D over the candidates and a weight w on the worst, a plan with contributions c is judged by

    (1 - w) x mean over d of q_d(c) + w x greatest of q_d(c) = greatest over d of q'_d(c),

where q_d is the goal under table d and q'_d the goal under the table ``(1 - w) mean + w K_d``. One table of upper
limits with w = 1 is the interval form: contributions are never negative, so the greatest value over all tables
whose entries stay below the limits is the value at the limits themselves.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from broodstock.arrays import FloatArray
from broodstock.errors import ShapeError, ValueRangeError

MOST_BELOW_ZERO = 1e-8
"""Share of the largest entry by which rounding may push an eigenvalue below zero."""


@dataclass(frozen=True, slots=True)
class Scenario:
    """Kinship as it may be.

    Parameters
    ----------
    K : ndarray, float64, shape (n_candidates, n_candidates)
        Kinship of the candidates, females first; symmetric, no eigenvalue below zero.
    with_living : ndarray, float64, shape (n_candidates,)
        Mean kinship of each candidate with the living group; zeros without one.
    living_kinship : float
        Mean kinship of the living group, self-pairs in; 0 without one.
    """

    K: FloatArray
    with_living: FloatArray
    living_kinship: float = 0.0


@dataclass(frozen=True, slots=True)
class Case:
    """One quadratic goal in squared dishes: ``c'Kc + linear'c + constant``.

    Parameters
    ----------
    K : ndarray, float64, shape (n_candidates, n_candidates)
    linear : ndarray, float64, shape (n_candidates,)
    constant : float
    """

    K: FloatArray
    linear: FloatArray
    constant: float

    def of(self, c: FloatArray) -> float:
        """Return the goal at contributions c."""
        return float(c @ self.K @ c + self.linear @ c + self.constant)


def check_scenarios(scenarios: Sequence[Scenario], caution: float, n_candidates: int) -> None:
    """Refuse scenarios no plan can be judged by.

    Parameters
    ----------
    scenarios : sequence of Scenario
    caution : float
        Weight on the worst of them.
    n_candidates : int

    Raises
    ------
    ShapeError
        If a table does not fit the candidates.
    ValueRangeError
        If the weight is not within 0 to 1, an entry is not a number, or a table is not symmetric or has an
        eigenvalue below zero.
    """
    if not 0 <= caution <= 1:
        raise ValueRangeError(f"spawning data, caution: found {caution!r}. Expected 0 to 1.")
    for number, one in enumerate(scenarios, start=1):
        place = f"spawning data, scenarios, table {number}"
        if one.K.shape != (n_candidates, n_candidates) or one.with_living.shape != (n_candidates,):
            raise ShapeError(
                f"{place}: found shapes {one.K.shape} and {one.with_living.shape}. Expected "
                f"{(n_candidates, n_candidates)} and {(n_candidates,)}."
            )
        if not (np.isfinite(one.K).all() and np.isfinite(one.with_living).all()):
            raise ValueRangeError(f"{place}: found a value that is not a number. Expected finite numbers.")
        if not np.allclose(one.K, one.K.T, atol=1e-9):
            raise ValueRangeError(
                f"{place}: found a table that is not symmetric. Expected f(i, j) = f(j, i)."
            )
        lowest = float(np.linalg.eigvalsh(one.K)[0]) if n_candidates else 0.0
        if lowest < -MOST_BELOW_ZERO * max(1.0, float(np.abs(one.K).max(initial=0.0))):
            raise ValueRangeError(
                f"{place}: found a smallest eigenvalue of {lowest:.3g}. Expected 0 or more, so that the worst case "
                "has a proven least value. Raise its diagonal by that amount, or use `semidefinite`."
            )


def semidefinite(K: FloatArray) -> FloatArray:
    """Return the table with its diagonal raised just enough that no eigenvalue lies below zero.

    A raised diagonal makes the worst case a little worse, never better.
    """
    symmetric = 0.5 * (K + K.T)
    lowest = float(np.linalg.eigvalsh(symmetric)[0]) if len(K) else 0.0
    return symmetric + max(0.0, -lowest) * (1 + 1e-9) * np.eye(len(K))


def cases_of(
    scenarios: Sequence[Scenario],
    caution: float,
    living_share: float,
    living: float,
    young: float,
    square: float,
    dishes: float,
) -> tuple[Case, ...]:
    """Return the goals of which a plan is judged by the greatest, each in squared dishes.

    Parameters
    ----------
    scenarios : sequence of Scenario
    caution : float
        Weight w on the worst scenario; the rest is on their mean.
    living_share, living, young : float
        Weight of the living group in the goal, its size, and the young expected.
    square : float
        Factor of squared dishes in the goal.
    dishes : float
        Twice the dishes of the season.

    Returns
    -------
    tuple of Case
        One for each scenario; empty without scenarios.
    """
    if not scenarios:
        return ()
    both = living + young
    a = living_share if living > 0 else 0.0
    on_living = 2 * a * young * living / (both**2 * dishes) if a else 0.0
    before = a * (living / both) ** 2 if a else 0.0
    mean_K = np.mean([s.K for s in scenarios], axis=0)
    mean_with = np.mean([s.with_living for s in scenarios], axis=0)
    mean_before = float(np.mean([s.living_kinship for s in scenarios]))
    w = caution
    return tuple(
        Case(
            (1 - w) * mean_K + w * s.K,
            on_living * ((1 - w) * mean_with + w * s.with_living) / square,
            before * ((1 - w) * mean_before + w * s.living_kinship) / square,
        )
        for s in scenarios
    )


def mixture(cases: Sequence[Case], weights: FloatArray) -> Case:
    """Return the weighted mean of cases; its value is never above the greatest of theirs."""
    return Case(
        np.tensordot(weights, np.array([x.K for x in cases]), axes=1),
        weights @ np.array([x.linear for x in cases]),
        float(weights @ np.array([x.constant for x in cases])),
    )


def greatest(cases: Sequence[Case], c: FloatArray) -> float:
    """Return the greatest goal over cases."""
    return max(case.of(c) for case in cases)
