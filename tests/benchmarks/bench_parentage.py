"""Times of parentage and genotype quality work on data of real size."""

from __future__ import annotations

import time
from typing import Any

import numpy as np

from broodstock.parentage.assign import assign_parents
from broodstock.parentage.error_model import ErrorModel
from broodstock.parentage.simulate import draw_offspring, draw_unrelated, genotype_set, read_with_errors


def assignment_row(n_offspring: int = 2000, n_candidates: int = 300, n_loci: int = 200) -> dict[str, Any]:
    """Assign offspring among candidates of both sexes; a fifth of the true parents is not sampled."""
    rng = np.random.default_rng(1)
    minor = rng.uniform(0.1, 0.5, n_loci)
    p = np.stack([1 - minor, minor], axis=1)
    n_parents = int(n_candidates / 0.8)
    half, kept = n_parents // 2, n_candidates // 2
    parents = draw_unrelated(p, n_parents, rng)
    pairs = np.stack([rng.integers(0, half, n_offspring), half + rng.integers(0, half, n_offspring)], axis=1)
    error = ErrorModel.uniform(n_loci)
    truth = np.concatenate([parents, draw_offspring(parents, pairs, rng)], axis=1)
    genotypes = genotype_set(read_with_errors(truth, p, error, 0.03, rng), 2)
    candidates = np.concatenate([np.arange(kept), half + np.arange(kept)])
    sex = (candidates >= half).astype(np.int64)
    offspring = n_parents + np.arange(n_offspring)
    assign_parents(genotypes, offspring[:2], candidates, sex)
    start = time.perf_counter()
    run = assign_parents(genotypes, offspring, candidates, sex)
    seconds = time.perf_counter() - start
    sampled = set(candidates.tolist())
    right = sum(
        (a.dam, a.sire) == tuple(genotypes.samples[j] if j in sampled else None for j in pair)
        for a, pair in zip(run.assignments, pairs.tolist(), strict=True)
    )
    return {
        "work": "assign both parents",
        "size": f"{n_offspring} offspring x {n_candidates} candidates x {n_loci} SNPs",
        "seconds": seconds,
        "bar": 60.0,
        "note": f"{100 * right / n_offspring:.1f} % right",
    }


def rows() -> list[dict[str, Any]]:
    """Return one row per benchmark: work, size, seconds, bar, note."""
    return [assignment_row()]


if __name__ == "__main__":
    for row in rows():
        print(row)
