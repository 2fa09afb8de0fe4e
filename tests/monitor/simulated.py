"""Simulated histories with known truth for the tests of open populations."""

from __future__ import annotations

import numpy as np

from planner.monitor.histories import EncounterHistories


def simulate(rng, release, phi, p, effort=None, interval=None) -> EncounterHistories:
    """Fish released in given occasions; phi and p broadcast to (n_fish, n_intervals)."""
    n = len(release)
    t = np.asarray(p).shape[-1]
    phi, p = np.broadcast_to(phi, (n, t)), np.broadcast_to(p, (n, t))
    caught = np.zeros((n, t + 1), dtype=bool)
    alive = np.ones(n, dtype=bool)
    gaps = np.ones(t) if interval is None else np.asarray(interval, float)
    for j in range(t):
        started = release <= j
        alive &= ~started | (rng.random(n) < phi[:, j] ** gaps[j])
        caught[:, j + 1] = started & alive & (rng.random(n) < p[:, j])
    hours = np.column_stack([np.ones(t + 1), np.zeros(t + 1)]) if effort is None else effort
    return EncounterHistories(
        caught, np.zeros_like(caught), release.astype(np.int64), np.ones(n, dtype=np.int64), np.zeros(n, bool), gaps,
        hours,
    )  # fmt: skip
