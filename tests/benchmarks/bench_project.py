"""Time of a projection: replicates of an ideal closed population, and of the full practice programme."""

from __future__ import annotations

import resource
import tempfile
import time
from pathlib import Path

import numpy as np

from planner.project.model import Genome, Life, Model, Start, Station, Strategy, Water
from planner.tasks.project_pool import run_replicates

FISH, LOCI, REPLICATES, GENERATIONS = 300, 200, 1000, 20


def closed(longevity: int, mature: int, yearly: float) -> Model:
    """One water of 300 fish, always full; separate generations when the longest life is one year."""
    ages = np.arange(FISH) % longevity + 1
    start = Start(
        np.full((FISH, 2), -1, np.int32),
        np.arange(FISH, dtype=np.int32),
        (np.arange(FISH) // longevity % 2).astype(np.int8),
        ages.astype(np.int16),
        np.ones(FISH, np.int16),
    )
    water = Water("pond", FISH, np.full(longevity + 1, yearly), 1e12)
    return Model(
        Life(mature, mature, longevity), (water,), Station(), Genome.free(LOCI), start, np.zeros((1, 1))
    )


def _processor() -> float:
    """Processor time of this process and its ended children, seconds."""
    return sum(
        resource.getrusage(who).ru_utime + resource.getrusage(who).ru_stime
        for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
    )


def _row(
    work: str, size: str, bar: str, model: Model, strategies: list[Strategy], years: int, replicates: int
) -> dict:
    run_replicates(model, strategies, min(years, 2), 2, 1, workers=1)  # load the compiled loops
    begin, processor = time.perf_counter(), _processor()
    results = run_replicates(model, strategies, years, replicates, 1)
    seconds = time.perf_counter() - begin
    kept = "; ".join(f"{r.strategy} {r.of('gene_diversity')[:, -1].mean():.4f}" for r in results)
    note = f"processor {_processor() - processor:.1f} s; gene diversity at the end: {kept}"
    return {"work": work, "size": size, "seconds": seconds, "bar": bar, "note": note}


def rows() -> list[dict]:
    """Results of this benchmark."""
    from planner.demo.make import make_demo
    from planner.tasks.programme import open_programme
    from planner.tasks.project_model import project_model, strategies_named

    size = f"{REPLICATES} replicates x {GENERATIONS} generations x {FISH} fish x {LOCI} loci"
    nothing = [Strategy("do nothing", "none")]
    out = [
        _row(
            "projection, separate generations",
            size,
            "<= 30 s",
            closed(1, 1, 0.0),
            nothing,
            GENERATIONS,
            REPLICATES,
        ),
        _row(
            "projection, overlapping generations of about 5 years",
            f"100 replicates x 100 years x {FISH} fish x {LOCI} loci",
            "",
            closed(10, 2, 0.75),
            nothing,
            100,
            100,
        ),
    ]
    with tempfile.TemporaryDirectory() as folder:
        make_demo(Path(folder), size="full", with_scans=False)
        made = project_model(open_programme(Path(folder)))
    strategies = strategies_named(["random", "least-kinship"])
    fish = len(made.model.start.rows)
    out.append(
        _row("projection, full practice programme", f"2 strategies x 10 replicates x 20 years, {fish} fish at the start",
             "", made.model, strategies, 20, 10)
    )  # fmt: skip
    return out
