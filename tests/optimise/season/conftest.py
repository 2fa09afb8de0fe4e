"""Cases that the tests of the season share."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from planner.optimise.spawning.data import SpawningData, spawning_data

CaseMaker = Callable[..., tuple[SpawningData, np.ndarray]]


@pytest.fixture(scope="session")
def plan_case() -> CaseMaker:
    def make(seed: int, nf: int = 4, nm: int = 5) -> tuple[SpawningData, np.ndarray]:
        """A random programme with a plan that keeps its rules, made by laying random allowed dishes."""
        rng = np.random.default_rng(seed)
        founders = nf + nm
        parents = np.full((2 * founders, 2), -1, np.int32)
        parents[founders:, 0] = rng.integers(0, nf, founders)
        parents[founders:, 1] = rng.integers(nf, founders, founders)
        females = rng.permutation(np.arange(founders, 2 * founders))[:nf]
        males = np.setdiff1d(np.arange(founders, 2 * founders), females)
        n = nf + nm
        straws = np.full(n, -1)
        straws[nf:] = np.where(rng.random(nm) < 0.3, rng.integers(2, 6, nm), -1)
        living = np.zeros(len(parents))
        living[founders:] = 1.0
        data = spawning_data(
            females,
            males,
            6,
            parents=parents,
            most_uses=rng.integers(2, 4, n),
            males_per_female=(int(rng.integers(1, 3)), 3),
            females_per_male=(1, 3),
            pair_limit=float(rng.choice([0.125, 0.25, 0.5])),
            pair_repeats=int(rng.integers(1, 3)),
            straws=straws,
            permit=np.where(straws >= 0, 0, np.where(rng.random(n) < 0.5, 1, -1)),
            permit_limit=[int(rng.integers(0, 3)), int(rng.integers(3, 2 * n))],
            made=[[0, 0, 1]] if rng.random() < 0.4 else [],
            living=living,
            living_share=0.3,
            young=5.0,
        )
        return data, _random_plan(data, rng)

    return make


def _random_plan(data: SpawningData, rng: np.random.Generator) -> np.ndarray:
    """A plan made of pairs with males enough for each female, none over its limits."""
    from planner.optimise.season.rehearsal import _permits_left
    from planner.optimise.spawning.build import draft_rules
    from planner.optimise.spawning.coefficients import coefficients

    draft = draft_rules(data, coefficients(data))
    new = np.zeros((data.n_females, data.n_males), np.int64)
    permits, others = _permits_left(data).tolist()
    for f in rng.permutation(data.n_females).tolist():
        need = max(1, data.males_per_female[0])
        for m in rng.permutation(data.n_males).tolist():
            uses = np.concatenate([new.sum(axis=1), new.sum(axis=0)]) + data.made_uses
            k = data.n_females + m
            frozen = data.straws[k] >= 0 and new[:, m].sum() == 0 and data.made_uses[k] == 0
            if (
                draft.pair_room[f, m] < 1
                or uses[f] >= draft.most[f]
                or uses[k] >= draft.most[k]
                or new[f].sum() >= need
                or (frozen and permits == 0)
                or new.sum() >= data.dishes
            ):
                continue
            fresh = [
                i for i in (f, k) if data.permit[i] == 1 and data.made_uses[i] == 0 and not _used(new, i)
            ]
            if len(fresh) > others:
                continue
            others -= len(fresh)
            permits -= int(frozen)
            new[f, m] += 1
        if new[f].sum() < need:
            for m in np.flatnonzero(new[f]).tolist():
                k = data.n_females + m
                if data.straws[k] >= 0 and new[:, m].sum() == 1 and data.made_uses[k] == 0:
                    permits += 1
            new[f] = 0
    return new


def _used(new: np.ndarray, position: int) -> bool:
    return bool(np.concatenate([new.sum(axis=1), new.sum(axis=0)])[position])
