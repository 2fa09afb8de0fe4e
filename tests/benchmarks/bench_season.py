"""Times of the season ahead: rehearsals, days to hold pairs for, mating designs, culls."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

import numpy as np

from planner.optimise.season.compare import design_figures
from planner.optimise.season.designs import mating_designs
from planner.optimise.season.equalise import equalise
from planner.optimise.season.holding import hold_for_days, pair_chances
from planner.optimise.season.rehearsal import MorningRisks, rehearse, to_prepare
from planner.optimise.season.ripening import RipeChances, season_shifts
from planner.optimise.spawning.coefficients import coefficients
from planner.optimise.spawning.data import SpawningData, spawning_data
from planner.optimise.spawning.read import as_table
from planner.optimise.spawning.solve import SearchSettings, plan_spawning


def programme(n_candidates: int, dishes: int, seed: int = 1) -> SpawningData:
    """Candidates of the third generation of unequal families, with the usual rules."""
    rng = np.random.default_rng(seed)
    parents = [(-1, -1)] * 60
    previous = list(range(60))
    for _ in range(3):
        dams, sires = previous[::2], previous[1::2]
        shares = rng.dirichlet(np.full(len(dams), 0.7)), rng.dirichlet(np.full(len(sires), 0.7))
        drawn = zip(
            rng.choice(dams, n_candidates, p=shares[0]),
            rng.choice(sires, n_candidates, p=shares[1]),
            strict=True,
        )
        start = len(parents)
        parents += [(int(d), int(s)) for d, s in drawn]
        previous = list(range(start, len(parents)))
    return spawning_data(
        previous[::2],
        previous[1::2],
        dishes,
        parents=np.array(parents, np.int32),
        most_uses=4,
        males_per_female=(2, 4),
        pair_limit=0.125,
    )


def timed(work: Callable[[], Any]) -> tuple[Any, float]:
    """Return a result and the seconds it took."""
    began = time.perf_counter()
    result = work()
    return result, time.perf_counter() - began


def row(work: str, size: str, seconds: float, bar: float | None, note: str) -> dict[str, Any]:
    """Return one row of the table."""
    return {"work": work, "size": size, "seconds": round(seconds, 3), "bar": bar, "note": note}


def rows() -> list[dict[str, Any]]:
    """Return one row per measurement."""
    data = programme(240, 72)
    co = coefficients(data)
    plan = plan_spawning(data, SearchSettings(time_limit=20))
    planned = as_table(data, plan.pairs)
    rng = np.random.default_rng(2)
    ripe = rng.uniform(0.5, 0.9, (9, 240))
    rehearse(data, planned, ripe, MorningRisks(), times=5, co=co)  # loads the compiled loop
    out = []
    played, seconds = timed(lambda: rehearse(data, planned, ripe, MorningRisks(), times=1000, seed=1, co=co))
    ready = to_prepare(played)
    note = f"median {played.spread('laid').text(0)} of 72 dishes, {ready.females} spare females, {ready.males} males"
    out.append(row("rehearsal, 1 000 mornings", "240 candidates, 72 dishes", seconds, 2.0, note))
    shifts = season_shifts(2.0)
    chance = rng.uniform(0.2, 0.9, (len(shifts), 240, 8))
    females, males = RipeChances(chance[:, :120], shifts), RipeChances(chance[:, 120:], shifts)
    most = np.full(8, 12)
    held, seconds = timed(lambda: hold_for_days(planned, females, males, most))
    used = int((planned.sum(axis=1) > 0).sum())
    greedy = _greedy(pair_chances(females, males, planned), planned.sum(axis=1), most)
    note = f"{held.status}, {held.expected:.2f} dishes expected, gap {held.gap:.3%}; best first: {greedy:.2f}"
    out.append(row("days to hold pairs for", f"{used} females x 8 days, 12 dishes a day", seconds, 5.0, note))
    kinship = co.K[:30, :30].copy()
    K = np.block([[kinship, co.K[:30, 120:150]], [co.K[120:150, :30], co.K[120:150, 120:150]]])
    drawn, seconds = timed(
        lambda: [design_figures(d.egg_shares(), K) for d in mating_designs(K[:30, 30:], 0.125) if d.possible]
    )
    out.append(
        row("mating designs with figures", "30 females x 30 males", seconds, 5.0, f"{len(drawn)} designs")
    )
    counts = rng.integers(0, 20000, 400)
    cull, seconds = timed(lambda: equalise(counts, 400_000, survival=rng.uniform(0.2, 0.9, 400)))
    note = f"effective families {cull.effective_before:.1f} before, {cull.effective_after:.1f} after"
    out.append(row("cull, proven", "400 families, 400 000 fish kept", seconds, 1.0, note))
    return out


def _greedy(value: np.ndarray, size: np.ndarray, most: np.ndarray) -> float:
    """Give the best female and day that still fit, again and again: what one would do by hand."""
    room, total = most.copy(), 0.0
    open_ = size > 0
    while True:
        fits = open_[:, None] & (size[:, None] <= room[None, :])
        if not fits.any():
            return total
        f, d = np.unravel_index(int(np.argmax(np.where(fits, value, -1.0))), value.shape)
        total += float(value[f, d])
        room[d] -= size[f]
        open_[f] = False


if __name__ == "__main__":
    for one in rows():
        print(one)
