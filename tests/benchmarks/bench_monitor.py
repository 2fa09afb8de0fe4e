"""Times of monitoring: contacts collapsed, ghosts suspected, survival fitted with covariates, captures and scans."""

from __future__ import annotations

import time
from typing import Any

import numpy as np
from scipy.special import expit

from planner.monitor.ghosts import site_histories, suspect_ghosts
from planner.monitor.histories import EncounterHistories
from planner.monitor.histories_scans import looks_like_marker, tag_site_days
from planner.monitor.integrated import fit_integrated
from planner.monitor.open_design import constant, design, each_looked_occasion, groups, of_fish, since_release
from planner.monitor.open_fit import fit_survival


def released(n: int, n_occasions: int, seed: int = 1) -> tuple[EncounterHistories, Any, Any]:
    """Fish of many lengths released over the years at four sites; length moves survival."""
    rng = np.random.default_rng(seed)
    t = n_occasions - 1
    release, length, site = rng.integers(0, t, n), rng.normal(size=n), rng.integers(0, 4, n)
    phi = expit(0.6 + 0.5 * length[:, None] - 0.9 * (np.arange(t)[None, :] == release[:, None]))
    p = rng.uniform(0.05, 0.2, t)
    alive = np.ones(n, dtype=bool)
    met = np.zeros((2, n, n_occasions), dtype=bool)
    for j in range(t):
        on = release <= j
        alive &= ~on | (rng.random(n) < phi[:, j])
        for kind in (0, 1):
            met[kind, :, j + 1] = on & alive & (rng.random(n) < p[j] * (1 + kind))
    h = EncounterHistories(
        met[0],
        met[1],
        release,
        np.ones(n, np.int64),
        np.zeros(n, bool),
        np.ones(t),
        np.ones((n_occasions, 2)),
    )
    return h, length, site


def rows() -> list[dict[str, Any]]:
    """Measure each and return the rows of the table."""
    out = []
    rng = np.random.default_rng(1)
    n = 1_420_000
    tag, site, second = rng.integers(0, 3412, n), rng.integers(0, 8, n), rng.random(n) * 1.6e8
    start = time.perf_counter()
    collapsed = tag_site_days(tag, site, (second // 86400).astype(np.int64))
    spent = time.perf_counter() - start
    out.append(
        _row("collapse contacts to tag, site and day", f"{n} contacts", spent, f"{len(collapsed.tag)} rows")
    )
    start = time.perf_counter()
    looks_like_marker(tag, second)
    out.append(_row("look for marker tags", f"{n} contacts", time.perf_counter() - start, "none planted"))

    h, length, at = released(30_000, 15)
    survival = design(
        h,
        constant(),
        of_fish("length", length),
        groups(at, ["a", "b", "c", "d"], baseline=True),
        since_release(h),
    )
    start = time.perf_counter()
    fit = fit_survival(h, survival, design(h, each_looked_occasion(h)))
    spent = time.perf_counter() - start
    slope = fit.found.beta[1]
    out.append(
        _row(
            "survival and detection, length, site, time since release, 14 detections",
            "30 000 fish x 15 occasions, 20 parameters",
            spent,
            f"length moves the logit by {slope:.3f}, true .5; gradient {np.abs(fit.found.gradient).max():.0e}",
            20.0,
        )
    )
    one = design(h, constant())
    start = time.perf_counter()
    both = fit_integrated(h, one, one, one, one)
    spent = time.perf_counter() - start
    out.append(
        _row("captures and scans together", "30 000 fish x 15 occasions", spent, both.survival()[0].text())
    )

    who, when = np.nonzero(h.seen)
    fish = h.take(np.arange(3412))
    use = who < 3412
    looked = np.ones((8, 15), dtype=bool)
    places = rng.integers(0, 8, int(use.sum()))
    sites = site_histories(
        who[use],
        when[use],
        places,
        np.zeros(int(use.sum()), bool),
        fish.release,
        rng.integers(0, 8, 3412),
        looked,
    )
    start = time.perf_counter()
    ghosts = suspect_ghosts(sites)
    spent = time.perf_counter() - start
    out.append(
        _row("ghost tags", "3 412 tags x 8 waters x 15 occasions", spent, f"{ghosts.iterations} rounds")
    )
    return out


def _row(work: str, size: str, seconds: float, note: str, bar: float | None = None) -> dict[str, Any]:
    return {"work": work, "size": size, "seconds": seconds, "bar": bar, "note": note}
