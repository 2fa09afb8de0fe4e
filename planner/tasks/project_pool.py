"""Run replicates on all cores or on a cluster; the answer depends on the seed alone."""

from __future__ import annotations

import multiprocessing
import os
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass
from typing import Any

import numpy as np

from broodstock.arrays import FloatArray
from broodstock.errors import KinshoalError, UsageError
from planner.project.measures import measure_names
from planner.project.model import Model, Strategy
from planner.project.outcome import Replicates
from planner.project.population import Prepared, prepare
from planner.project.replicate import run_replicate, seed_of
from planner.provenance import library_versions

WORTH_A_POOL = 6.0
"""Seconds of work below which other processes are not started: starting them takes about half of that."""
MUST_MATCH = ("kinshoal", "numpy", "numba")
CONNECT_SECONDS = 20


class ProjectionStoppedError(KinshoalError):
    """The projection was stopped before all replicates were done; nothing was written (exit code 5)."""

    code = "stopped"
    exit_code = 5


@dataclass(frozen=True)
class Batch:
    """Replicates ``first`` to before ``last`` of one strategy."""

    strategy: Strategy
    place: int
    first: int
    last: int
    years: int
    seed: int


def run_replicates(
    model: Model,
    strategies: Sequence[Strategy],
    years: int,
    replicates: int,
    seed: int,
    *,
    workers: int | None = None,
    cluster: str = "",
    progress: Callable[[str], None] = lambda _: None,
    stopped: Callable[[], bool] = lambda: False,
) -> list[Replicates]:
    """Run all replicates of all strategies.

    Parameters
    ----------
    model : Model
    strategies : sequence of Strategy
    years, replicates : int
        At least 1.
    seed : int
        Replicate k uses child k of this seed, in every strategy and on every machine.
    workers : int, optional
        Processes on this machine; default one per core. Short work is done in this process.
    cluster : str
        Address of a dask.distributed scheduler, such as ``tcp://host:8786``; its workers need the same version of
        this package.
    progress : callable
        Takes a sentence now and then.
    stopped : callable
        Asked between batches; True stops.

    Returns
    -------
    list of Replicates
        In the order of the strategies.

    Raises
    ------
    UsageError
        If a number is below 1, the cluster cannot be reached, has no worker or other versions.
    ProjectionStoppedError
        If `stopped` says so.
    """
    if years < 1 or replicates < 1 or not strategies or (workers is not None and workers < 1):
        raise UsageError(
            f"projection: found {years} years, {replicates} replicates, {len(strategies)} strategies and {workers} "
            "workers. Expected at least one of each."
        )
    names = measure_names(model)
    values = [np.full((replicates, years + 1, len(names)), np.nan) for _ in strategies]
    done = 0
    total = replicates * len(strategies)
    said = time.monotonic()
    for batch, table in _results(model, strategies, years, replicates, seed, workers, cluster, stopped):
        values[batch.place][batch.first : batch.last] = table
        done += batch.last - batch.first
        if time.monotonic() - said > 2 or done == total:
            said = time.monotonic()
            progress(f"{done} of {total} replicates done")
    return [Replicates(s.name, names, v) for s, v in zip(strategies, values, strict=True)]


Results = Iterator[tuple[Batch, FloatArray]]


def _results(
    model: Model,
    strategies: Sequence[Strategy],
    years: int,
    replicates: int,
    seed: int,
    workers: int | None,
    cluster: str,
    stopped: Callable[[], bool],
) -> Results:
    if cluster:
        batches = _batches(strategies, years, replicates, seed, 0, 25)
        yield from _on_cluster(model, batches, cluster, stopped)
        return
    # The first replicate of each strategy is run here: it tells how long the work is, and compiles it once for all.
    prepared = prepare(model)
    for batch in _batches(strategies, years, 1, seed, 0, 1):
        yield batch, run_batch(prepared, batch)
    begin = time.perf_counter()
    second = _batches(strategies, years, min(2, replicates), seed, 1, 1)
    for batch in second:
        yield batch, run_batch(prepared, batch)
    work = (time.perf_counter() - begin) * max(replicates - 2, 0)
    n = workers or _cores()
    size = max(1, min(25, -(-replicates // (4 * n))))
    rest = _batches(strategies, years, replicates, seed, 2, size)
    if n == 1 or work < WORTH_A_POOL:
        for batch in rest:
            _go_on(stopped)
            yield batch, run_batch(prepared, batch)
        return
    yield from _on_cores(model, rest, n, stopped)


def _batches(
    strategies: Sequence[Strategy], years: int, replicates: int, seed: int, first: int, size: int
) -> list[Batch]:
    return [
        Batch(strategy, place, start, min(start + size, replicates), years, seed)
        for start in range(first, replicates, size)
        for place, strategy in enumerate(strategies)
    ]


def run_batch(prepared: Prepared, batch: Batch) -> FloatArray:
    """Return the tables of a batch, shape (n_replicates, years + 1, n_measures)."""
    return np.stack(
        [
            run_replicate(prepared, batch.strategy, batch.years, seed_of(batch.seed, k)).values
            for k in range(batch.first, batch.last)
        ]
    )


def _go_on(stopped: Callable[[], bool]) -> None:
    if stopped():
        raise ProjectionStoppedError(
            "projection: stopped before all replicates were done. Nothing was written."
        )


def _cores() -> int:
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


_held: dict[str, Any] = {}
"""The model of this worker process, prepared once."""


def _hold(model: Model) -> None:
    _held["prepared"] = prepare(model)


def _held_batch(batch: Batch) -> FloatArray:
    return run_batch(_held["prepared"], batch)


def _on_cores(model: Model, batches: list[Batch], workers: int, stopped: Callable[[], bool]) -> Results:
    """Run batches in fresh processes (spawned, so safe under a threaded server)."""
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(workers, context, initializer=_hold, initargs=(model,)) as pool:
        try:
            waiting = {pool.submit(_held_batch, batch): batch for batch in batches}
            for done in as_completed(waiting):
                _go_on(stopped)
                yield waiting[done], done.result()
        finally:
            pool.shutdown(wait=True, cancel_futures=True)


def cluster_batch(model: Model, batch: Batch) -> FloatArray:
    """Run a batch on a worker of a cluster, preparing the model when it is another than last time."""
    if _held.get("model") is not model:
        _held["model"], _held["prepared"] = model, prepare(model)
    return _held_batch(batch)


def _on_cluster(model: Model, batches: list[Batch], address: str, stopped: Callable[[], bool]) -> Results:
    try:
        from distributed import Client
        from distributed import as_completed as in_turn_of_end
    except ImportError:
        raise UsageError(
            "cluster: the package 'distributed' is not installed. Install kinshoal[cluster], or leave the cluster out."
        ) from None
    try:
        client = Client(address, timeout=CONNECT_SECONDS)
    except (OSError, ValueError, TimeoutError) as error:
        raise UsageError(
            f"cluster: found nothing to talk to at {address} ({type(error).__name__}). Expected the address of a "
            "running dask scheduler, such as tcp://host:8786."
        ) from None
    with client:
        _check_workers(client, address)
        there = client.scatter(model, broadcast=True)
        waiting = {client.submit(cluster_batch, there, batch, pure=False): batch for batch in batches}
        try:
            for done in in_turn_of_end(list(waiting)):
                _go_on(stopped)
                yield waiting[done], done.result()
        finally:
            client.cancel(list(waiting))


def _check_workers(client: Any, address: str) -> None:
    """Refuse a cluster without workers, or whose workers run other versions."""
    here = library_versions()
    try:
        others = client.run(library_versions)
    except ModuleNotFoundError as error:
        raise UsageError(
            f"cluster {address}: a worker lacks {error.name!r}. Install this version of kinshoal on every worker."
        ) from None
    if not others:
        raise UsageError(f"cluster {address}: found no worker. Start at least one.")
    for worker, versions in others.items():
        wrong = [
            f"{n} {versions.get(n)} (here {here.get(n)})"
            for n in MUST_MATCH
            if versions.get(n) != here.get(n)
        ]
        if wrong:
            raise UsageError(
                f"cluster {address}, worker {worker}: found {', '.join(wrong)}. Expected the versions of this machine, "
                "so that the answer is the same. Install them there."
            )
