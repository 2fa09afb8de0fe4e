"""Small models whose numbers do not vary, so that expectations are exact."""

from __future__ import annotations

import numpy as np
import pytest

from planner.project.measures import measure_names
from planner.project.model import Genome, Life, Model, Start, Station, Strategy, Water
from planner.project.outcome import Replicates, joined
from planner.project.population import prepare
from planner.project.replicate import run_replicate, seed_of

MUCH = 1e12
"""Young of a female where every free place is filled."""


def unrelated(places: list[int], ages: list[int]) -> Start:
    """Unrelated founders, sexes in turn within each place and age."""
    n = len(places)
    sex = np.zeros(n, np.int8)
    for key in set(zip(places, ages, strict=True)):
        here = [i for i in range(n) if (places[i], ages[i]) == key]
        sex[here] = np.arange(len(here)) % 2
    return Start(
        np.full((n, 2), -1, np.int32),
        np.arange(n, dtype=np.int32),
        sex,
        np.array(ages, np.int16),
        np.array(places, np.int16),
    )


def one_generation(n: int, females: int | None = None, loci: int = 8, **life: object) -> Model:
    """One water in which n fish breed at age 1 and die; every place is filled again."""
    start = unrelated([1] * n, [1] * n)
    if females is not None:
        start.sex[:] = np.arange(n) >= females
    water = Water("pond", n, np.zeros(2), MUCH)
    life = {"fixed_sexes": True} | life
    return Model(Life(1, 1, 1, **life), (water,), Station(), Genome.free(loci), start, np.zeros((1, 1)))


def run_all(model: Model, strategy: Strategy, years: int, replicates: int, seed: int = 1) -> Replicates:
    prepared = prepare(model)
    tables = [run_replicate(prepared, strategy, years, seed_of(seed, k)).values for k in range(replicates)]
    return joined(tables, strategy.name, measure_names(model))


def z_score(x: np.ndarray, expected: float) -> float:
    """Distance of the mean of replicates from an expectation in standard errors."""
    away = float(x.mean() - expected)
    return 0.0 if abs(away) < 1e-12 else away / max(float(x.std(ddof=1)) / np.sqrt(len(x)), 1e-12)


@pytest.fixture(scope="session")
def nothing() -> Strategy:
    return Strategy("do-nothing", "none")
