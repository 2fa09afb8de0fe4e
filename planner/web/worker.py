"""Long work beside the pages: worker processes that keep the records warm, one job each at a time."""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
import threading
import time
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

from planner.tasks.jobs import JOBS, work_off

MOST_KEPT = 200
"""Jobs remembered; the oldest finished ones are forgotten first."""

LAST_WORDS = 40
PATIENCE_S = 6.0
"""Seconds a stopped job has to hand over the best plan so far; then its process is ended."""


@dataclass
class RunningJob:
    """One job as the pages see it.

    Parameters
    ----------
    number : int
        Its number.
    name : str
        Kind of job.
    options : dict
        What was asked.
    who : str
        Who asked.
    state : {'waiting', 'running', 'done', 'failed', 'stopped'}
        Where it stands.
    words : list of str
        What was said on the way.
    result : dict
        Plain values when done, the error body when failed.
    seconds : float
        Time spent so far.
    """

    number: int
    name: str
    options: dict[str, Any]
    who: str
    state: str = "waiting"
    words: list[str] = field(default_factory=list)
    result: dict[str, Any] = field(default_factory=dict)
    started: float = 0.0
    ended: float = 0.0

    @property
    def is_over(self) -> bool:
        """Whether nothing more will happen."""
        return self.state in ("done", "failed", "stopped")

    @property
    def seconds(self) -> float:
        """Seconds since it started, or that it took."""
        if not self.started:
            return 0.0
        return (self.ended or time.monotonic()) - self.started

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for the interface."""
        return {
            "job": self.number,
            "name": self.name,
            "state": self.state,
            "progress": self.words[-LAST_WORDS:],
            "seconds": round(self.seconds, 2),
            "result": self.result,
        }


class _Worker:
    """One process and the thread that feeds it."""

    def __init__(self, workers: Workers) -> None:
        self.workers = workers
        self.job: RunningJob | None = None
        self.stopping = 0.0
        self.start()
        threading.Thread(target=self._feed, daemon=True).start()

    def start(self) -> None:
        mine, theirs = multiprocessing.get_context("spawn").Pipe()
        self.process = multiprocessing.get_context("spawn").Process(
            target=work_off, args=(theirs, self.workers.place, str(self.workers.work)), daemon=True
        )
        self.process.start()
        theirs.close()
        self.pipe: Connection = mine

    def _feed(self) -> None:
        while True:
            job = self.workers.next_job()
            if job is None:
                return
            self.job, self.stopping = job, 0.0
            job.state, job.started = "running", time.monotonic()
            try:
                self.pipe.send((job.number, job.name, job.options))
                self._listen(job)
            except (EOFError, OSError):
                self._end(
                    job,
                    "stopped" if self.stopping else "failed",
                    {
                        "code": "stopped" if self.stopping else "our-fault",
                        "message": "Stopped; nothing half-written."
                        if self.stopping
                        else "The worker process ended by itself; nothing half-written. Try again; if it happens again, report it.",
                        "findings": [],
                    },
                )
            if not self.process.is_alive() and not self.workers.closed:
                self.start()

    def _listen(self, job: RunningJob) -> None:
        while not job.is_over:
            if self.pipe.poll(0.2):
                _, kind, value = self.pipe.recv()
                if kind == "progress":
                    job.words.append(value)
                elif kind == "done":
                    self._end(job, "done", value)
                else:
                    self._end(job, "stopped" if value.get("code") == "stopped" else "failed", value)
            elif self.stopping and time.monotonic() - self.stopping > PATIENCE_S:
                self.process.terminate()
                self.process.join(5)
                raise EOFError
            elif not self.process.is_alive():
                raise EOFError

    def _end(self, job: RunningJob, state: str, result: dict[str, Any]) -> None:
        job.result, job.ended = result, time.monotonic()
        job.state = state
        self.job = None

    def stop(self) -> None:
        """Ask the job at hand to stop."""
        if self.job is not None and not self.stopping and self.process.pid is not None:
            self.stopping = time.monotonic()
            with contextlib.suppress(ProcessLookupError):
                os.kill(self.process.pid, signal.SIGINT)


class Workers:
    """A queue of jobs and the processes that work it off.

    Parameters
    ----------
    place : str
        Records, as `planner.tasks.workplace.Workplace` takes them.
    work : Path
        Folder for results.
    number : int
        Processes.
    """

    def __init__(self, place: str, work: Path, number: int = 1) -> None:
        self.place, self.work = place, work
        self.closed = False
        self._jobs: dict[int, RunningJob] = {}
        self._waiting: deque[RunningJob] = deque()
        self._change = threading.Condition()
        self._last = 0
        self._workers = [_Worker(self) for _ in range(number)]

    def submit(self, name: str, options: Mapping[str, Any], who: str = "") -> RunningJob:
        """Queue a job.

        Raises
        ------
        KeyError
            If there is no such kind of job.
        """
        if name not in JOBS:
            raise KeyError(name)
        with self._change:
            self._last += 1
            job = RunningJob(self._last, name, dict(options), who)
            self._jobs[job.number] = job
            over = [n for n, j in self._jobs.items() if j.is_over]
            for n in over[: max(len(self._jobs) - MOST_KEPT, 0)]:
                del self._jobs[n]
            self._waiting.append(job)
            self._change.notify()
            return job

    def next_job(self) -> RunningJob | None:
        """Wait for the next job; None when the workers are closed."""
        with self._change:
            while not self._waiting and not self.closed:
                self._change.wait()
            return None if self.closed else self._waiting.popleft()

    def get(self, number: int) -> RunningJob | None:
        """Return a job by number."""
        return self._jobs.get(number)

    def latest(self, name: str, state: str = "done") -> RunningJob | None:
        """Return the newest job of a kind in a state."""
        found = [j for j in self._jobs.values() if j.name == name and j.state == state]
        return found[-1] if found else None

    def all_jobs(self) -> list[RunningJob]:
        """Return all jobs remembered, newest first."""
        return sorted(self._jobs.values(), key=lambda j: -j.number)

    def stop(self, number: int) -> RunningJob | None:
        """Stop a job: a waiting one is taken off the queue, a running one is asked and then made to end."""
        job = self.get(number)
        if job is None or job.is_over:
            return job
        with self._change:
            if job in self._waiting:
                self._waiting.remove(job)
                job.state = "stopped"
                return job
        for worker in self._workers:
            if worker.job is job:
                worker.stop()
        return job

    def close(self) -> None:
        """End all processes."""
        with self._change:
            self.closed = True
            self._change.notify_all()
        for worker in self._workers:
            worker.process.terminate()
        for worker in self._workers:
            worker.process.join(5)
