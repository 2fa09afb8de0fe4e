"""Choices without optimisation, to show what the optimised one gains."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from broodstock.arrays import BigIntArray
from planner.optimise.selection.data import SelectionData, kept_kinship, objective
from planner.optimise.selection.recheck import breaches


@dataclass(frozen=True)
class PlainChoice:
    """A choice without optimisation.

    Parameters
    ----------
    name : str
        How it was made.
    objective, kinship : float
        As for the optimised choice; means over draws where fish are drawn at random.
    low, high : float
        Middle 95 % of the kinship over draws; equal to `kinship` for a single choice.
    rules_broken : int
        Rules broken by the choice, or by the first draw.
    """

    name: str
    objective: float
    kinship: float
    low: float
    high: float
    rules_broken: int


def random_choice(data: SelectionData, rng: np.random.Generator, draws: int = 200) -> PlainChoice:
    """Draw fish at random, every fish with the same chance, and average over draws.

    Parameters
    ----------
    data : SelectionData
        Kinds; only their available numbers and what must be chosen are respected.
    rng : numpy Generator
        Source of randomness.
    draws : int
        Draws.
    """
    drawn = [_drawn(data, rng) for _ in range(draws)]
    values = np.array([kept_kinship(data, n) for n in drawn])
    low, high = np.quantile(values, [0.025, 0.975])
    return PlainChoice(
        f"drawn at random (mean of {draws})",
        float(np.mean([objective(data, n) for n in drawn])),
        float(values.mean()),
        float(low),
        float(high),
        len(breaches(data, drawn[0])),
    )


def equal_choice(data: SelectionData) -> PlainChoice:
    """Take the same number of every family as far as it has fish, kinds of a family in turn."""
    n = equal_numbers(data)
    value = kept_kinship(data, n)
    broken = len(breaches(data, n))
    return PlainChoice("the same number of every family", objective(data, n), value, value, value, broken)


def equal_numbers(data: SelectionData) -> BigIntArray:
    """Return fish per kind, shape (n_kinds,), as equal over families as numbers allow."""
    n = np.minimum(data.least, data.most)
    t = data.family_numbers(n)
    while n.sum() < data.number:
        free = np.flatnonzero(n < data.most)
        if free.size == 0:
            break
        fewest = free[t[data.family[free]] == t[data.family[free]].min()]
        i = int(fewest[np.argmin(n[fewest])])
        n[i] += 1
        t[data.family[i]] += 1
    return n


def _drawn(data: SelectionData, rng: np.random.Generator) -> BigIntArray:
    must = np.minimum(data.least, data.most)
    room = data.most - must
    wanted = int(min(max(data.number - must.sum(), 0), room.sum()))
    drawn: BigIntArray = must + rng.multivariate_hypergeometric(room, wanted)
    return drawn
