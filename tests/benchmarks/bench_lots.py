"""Time of following lots: ``python -m tests.benchmarks.run lots``."""

from __future__ import annotations

import datetime as dt
import time

import numpy as np

from broodstock.lots.composition import balance_totals, follow
from broodstock.lots.mixture import MixtureOptions
from broodstock.lots.moves import Move, Pool

START = dt.date(2015, 2, 1)


def history(years: int = 10, families: int = 60, seed: int = 3) -> list[Move]:
    """Return a station's years: families two to a tank, together in ten ponds, sampled, released to ten waters."""
    rng = np.random.default_rng(seed)
    moves: list[Move] = []
    for year in range(years):
        first = START + dt.timedelta(365 * year)
        ponds = [Pool(f"G{year}-{k}", "unit", f"P{k}") for k in range(10)]
        for t in range(families // 2):
            lot, names = f"N{year}-{t}", [f"H{year}-{2 * t + j}" for j in (0, 1)]
            tank = Pool(lot, "unit", f"T{t}")
            moves.append(
                Move(
                    f"{lot}a",
                    first,
                    "in",
                    target=tank,
                    number=1800,
                    error=0.02,
                    families=dict.fromkeys(names, 900),
                )
            )
            died = rng.integers(300, 500, 3)
            moves += [
                Move(f"{lot}{k}", first + dt.timedelta(30 * (k + 1)), "death", lot, number=int(n), error=0.03)
                for k, n in enumerate(died)
            ]
            there = 1800 - int(died.sum())
            moves.append(Move(f"{lot}c", first + dt.timedelta(110), "count", lot, number=there, error=0.02))
            moves.append(
                Move(f"{lot}m", first + dt.timedelta(120), "merge", lot, target=ponds[t % 10], number=None)
            )
        for k, pond in enumerate(ponds):
            here = [f"H{year}-{2 * t + j}" for t in range(k, families // 2, 10) for j in (0, 1)]
            moves.append(
                Move(f"{pond.lot}d", first + dt.timedelta(150), "death", pond.lot, number=120, error=0.03)
            )
            typed = dict(
                zip(here, rng.multinomial(48, rng.dirichlet(np.full(len(here), 3.0))).tolist(), strict=True)
            )
            moves.append(
                Move(f"{pond.lot}s", first + dt.timedelta(200), "dna-sample", pond.lot, families=typed)
            )
            moves += [
                Move(f"{pond.lot}r{w}", first + dt.timedelta(280 + w), "release", pond.lot, number=150, error=0.0,
                     target=Pool(pond.lot, "released", f"W{(k + w) % 10}"))
                for w in range(6)
            ]  # fmt: skip
    return moves


def rows() -> list[dict[str, object]]:
    """Measure."""
    out: list[dict[str, object]] = []
    for years in (2, 10):
        moves = history(years)
        size = f"{len(moves)} events, {60 * years} families, {40 * years} lots"
        start = time.perf_counter()
        ledger = balance_totals(moves)
        out.append(
            {
                "work": "totals and mass balance of all lots",
                "size": size,
                "seconds": time.perf_counter() - start,
                "note": f"{len(ledger.pools)} pools, {len(ledger.differences)} differences",
            }
        )
        start = time.perf_counter()
        state = follow(moves, options=MixtureOptions(4000))
        parts = state.composition(state.pools(lambda p: p.place == "W3"))
        out.append(
            {
                "work": "families of every pool, 4 000 particles",
                "size": size,
                "seconds": time.perf_counter() - start,
                "note": f"one water: {len(parts.families)} families, effective {parts.effective_families.text(1)}",
            }
        )
    return out
