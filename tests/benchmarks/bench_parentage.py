"""Times of parentage and genotype quality work on data of real size."""

from __future__ import annotations

import time
from typing import Any

import numpy as np

from broodstock.genotypes.quality.duplicates import matching_pairs
from broodstock.genotypes.quality.report import quality_report
from broodstock.genotypes.quality.thresholds import SampleRecords
from broodstock.parentage.assign import assign_parents
from broodstock.parentage.error_model import ErrorModel
from broodstock.parentage.sibship import SibshipSettings, reconstruct_sibships
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


def duplicates_row(n_samples: int = 4400, n_loci: int = 192) -> dict[str, Any]:
    """Compare all pairs of samples; one clip in twenty is there twice."""
    rng = np.random.default_rng(2)
    minor = rng.uniform(0.1, 0.5, n_loci)
    calls = draw_unrelated(np.stack([1 - minor, minor], axis=1), n_samples, rng)
    twice = n_samples // 20
    calls[:, -twice:] = calls[:, :twice]
    calls[rng.random((n_loci, n_samples)) < 0.03] = -1
    genotypes = genotype_set(calls, 2)
    matching_pairs(genotypes.take(samples=range(10)))
    start = time.perf_counter()
    pairs, _ = matching_pairs(genotypes)
    return {
        "work": "find duplicate genotypes",
        "size": f"{n_samples} samples x {n_loci} SNPs, all pairs",
        "seconds": time.perf_counter() - start,
        "bar": 10.0,
        "note": f"{len(pairs)} pairs found, {twice} planted",
    }


def quality_row(n_samples: int = 4339, n_loci: int = 192) -> dict[str, Any]:
    """Run the whole quality report."""
    rng = np.random.default_rng(3)
    minor = rng.uniform(0.1, 0.5, n_loci)
    p = np.stack([1 - minor, minor], axis=1)
    truth = draw_unrelated(p, n_samples - 200, rng)
    truth = np.concatenate([truth, truth[:, :200]], axis=1)
    genotypes = genotype_set(read_with_errors(truth, p, ErrorModel.uniform(n_loci, 0.004), 0.03, rng), 2)
    names = genotypes.samples
    fish = dict(zip(names, [*names[:-200], *names[:200]], strict=True))
    quality_report(genotypes.take(samples=range(60)))
    start = time.perf_counter()
    report = quality_report(genotypes, SampleRecords(fish_of=fish))
    return {
        "work": "genotype quality report",
        "size": f"{n_samples} samples x {n_loci} SNPs",
        "seconds": time.perf_counter() - start,
        "bar": 30.0,
        "note": f"{len(report.exclusions)} left out, {len(report.notices)} notices",
    }


def sibship_row(n_larvae: int = 200, n_loci: int = 150) -> dict[str, Any]:
    """Reconstruct the families of larvae of unknown parents: 30 dams with one to three mates each, unequal."""
    rng = np.random.default_rng(4)
    minor = rng.uniform(0.1, 0.5, n_loci)
    p = np.stack([1 - minor, minor], axis=1)
    matings = np.array(
        [(d, 30 + s) for d in range(30) for s in rng.choice(30, rng.integers(1, 4), replace=False)]
    )
    share = rng.gamma(1.0, size=len(matings))
    pairs = matings[rng.choice(len(matings), n_larvae, p=share / share.sum())]
    young = draw_offspring(draw_unrelated(p, 60, rng), pairs, rng)
    genotypes = genotype_set(read_with_errors(young, p, ErrorModel.uniform(n_loci), 0.03, rng), 2)
    reconstruct_sibships(genotypes, range(6), settings=SibshipSettings(chains=1, burn_in=2, samples=1))
    start = time.perf_counter()
    found = reconstruct_sibships(genotypes)
    return {
        "work": "sibship reconstruction",
        "size": f"{n_larvae} larvae x {n_loci} SNPs, 2 chains of 60 sweeps",
        "seconds": time.perf_counter() - start,
        "bar": 120.0,
        "note": f"{found.n_parents.text(0)} parents found, {len(np.unique(pairs))} true",
    }


def rows() -> list[dict[str, Any]]:
    """Return one row per benchmark: work, size, seconds, bar, note."""
    return [assignment_row(), duplicates_row(), quality_row(), sibship_row()]


if __name__ == "__main__":
    for row in rows():
        print(row)
