"""The same answer for the same seed: in this process, in two processes, on a cluster of two workers."""

from __future__ import annotations

import numpy as np
import pytest

from broodstock.errors import UsageError
from planner.project.model import Genome, Life, Model, Start, Station, Strategy, Water
from planner.tasks import project_pool
from planner.tasks.project_pool import ProjectionStoppedError, run_replicates

STRATEGIES = (Strategy("random", "random"), Strategy("least-kinship", "least"))


def small() -> Model:
    n = 40
    start = Start(
        np.full((n, 2), -1, np.int32),
        np.arange(n, dtype=np.int32),
        np.full(n, -1, np.int8),
        np.full(n, 2, np.int16),
        (np.arange(n) % 2).astype(np.int16),
    )
    water = Water("pond", 40, np.full(6, 0.6), 1.0, 0.5, 20, spread=0.2)
    return Model(
        Life(2, 2, 5, 1.0, 1.0), (water,), Station(20, 0.8, 6, 6), Genome.free(10), start, np.zeros((1, 1))
    )


@pytest.fixture(scope="module")
def here() -> list[np.ndarray]:
    return [r.values for r in run_replicates(small(), STRATEGIES, 5, 7, 42, workers=1)]


def test_run_replicates__two_processes_give_the_same(
    here: list[np.ndarray], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(project_pool, "WORTH_A_POOL", 0.0)
    said: list[str] = []
    there = run_replicates(small(), STRATEGIES, 5, 7, 42, workers=2, progress=said.append)
    for a, b in zip(here, there, strict=True):
        np.testing.assert_array_equal(a, b.values)
    assert said[-1] == "14 of 14 replicates done"


def test_run_replicates__a_local_cluster_gives_the_same(here: list[np.ndarray]) -> None:
    distributed = pytest.importorskip("distributed")
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=False, dashboard_address=None
    ) as cluster:
        there = run_replicates(small(), STRATEGIES, 5, 7, 42, cluster=cluster.scheduler_address)
        with pytest.raises(ProjectionStoppedError, match="stopped before all replicates"):
            run_replicates(
                small(), STRATEGIES, 5, 7, 42, cluster=cluster.scheduler_address, stopped=lambda: True
            )
    for a, b in zip(here, there, strict=True):
        np.testing.assert_array_equal(a, b.values)


@pytest.mark.slow
def test_run_replicates__two_worker_processes_of_a_cluster_over_tcp(here: list[np.ndarray]) -> None:
    distributed = pytest.importorskip("distributed")
    with distributed.LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster:
        assert cluster.scheduler_address.startswith("tcp://")
        there = run_replicates(small(), STRATEGIES, 5, 7, 42, cluster=cluster.scheduler_address)
    for a, b in zip(here, there, strict=True):
        np.testing.assert_array_equal(a, b.values)


def test_run_replicates__first_replicates_do_not_depend_on_how_many(here: list[np.ndarray]) -> None:
    fewer = run_replicates(small(), STRATEGIES, 5, 3, 42, workers=1)
    np.testing.assert_array_equal(fewer[1].values, here[1][:3])


def test_run_replicates__no_cluster_at_the_address(monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("distributed")
    monkeypatch.setattr(project_pool, "CONNECT_SECONDS", 1)
    with pytest.raises(UsageError, match=r"found nothing to talk to at tcp://127\.0\.0\.1:1 "):
        run_replicates(small(), STRATEGIES, 5, 7, 42, cluster="tcp://127.0.0.1:1")


def test_run_replicates__workers_with_other_versions_are_refused() -> None:
    class Other:
        def run(self, _: object) -> dict[str, dict[str, str]]:
            return {"tcp://worker": project_pool.library_versions() | {"numpy": "1.0"}}

    with pytest.raises(UsageError, match=r"found numpy 1\.0 \(here "):
        project_pool._check_workers(Other(), "tcp://x")
    Other.run = lambda self, _: {}  # type: ignore[method-assign]
    with pytest.raises(UsageError, match="found no worker"):
        project_pool._check_workers(Other(), "tcp://x")


def test_run_replicates__stops_when_told() -> None:
    with pytest.raises(ProjectionStoppedError, match="Nothing was written"):
        run_replicates(small(), STRATEGIES, 5, 7, 42, workers=1, stopped=lambda: True)


@pytest.mark.parametrize("wrong", [{"years": 0}, {"replicates": 0}, {"workers": 0}])
def test_run_replicates__refuses_nothing_to_do(wrong: dict[str, int]) -> None:
    years, replicates = wrong.pop("years", 5), wrong.pop("replicates", 3)
    with pytest.raises(UsageError, match="Expected at least one of each"):
        run_replicates(small(), STRATEGIES, years, replicates, 42, **wrong)
