"""Time of a large register: ``python -m tests.benchmarks.run store``."""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from tests.benchmarks.bench_intake import CAPTURES, make_captures

FISH, CARDS = 100_000, 200


def make_fish(n: int = FISH, seed: int = 30) -> pd.DataFrame:
    """Return a table of fish of 40 year classes, each with two parents of an earlier class."""
    rng = np.random.default_rng(seed)
    year = np.sort(rng.integers(0, 40, n))
    parent = (rng.random((2, n)) * np.searchsorted(year, year)).astype(int)
    names = np.array([f"FISH-{i:06d}" for i in range(n)], dtype=object)
    born = year > 0
    return pd.DataFrame(
        {
            "fish_id": names,
            "sex": np.where(np.arange(n) % 2, "female", "male").astype(object),
            "origin": "hatchery",
            "year_class": 1980 + year,
            "dam": np.where(born, names[parent[0]], ""),
            "sire": np.where(born, names[parent[1]], ""),
            "status": np.where(year > 35, "brood", "released").astype(object),
            "tag": np.array([f"9990090{i:08d}" for i in range(n)], dtype=object),
            "total_length_mm": rng.normal(420, 40, n).clip(100, 700).round(),
            "weight_g": rng.normal(800, 90, n).clip(10, 4000).round(1),
        }
    )


def _timed(work: Callable[[], Any]) -> tuple[Any, float]:
    start = time.perf_counter()
    result = work()
    return result, time.perf_counter() - start


def _write(register: Any, table: str, frame: pd.DataFrame, **more: Any) -> None:
    with register.writing("bench", "measure", kind="import") as w:
        w.add(table, frame, **more)


def rows() -> list[dict[str, Any]]:
    """Write, open, read, ask and verify a large register in a file."""
    from broodstock.intake.tables import read_table
    from planner.store.register import Register
    from planner.store.undo import undo

    out: list[dict[str, Any]] = []

    def add(work: str, size: str, seconds: float, bar: float | None = None, note: str = "") -> None:
        out.append({"work": work, "size": size, "seconds": seconds, "bar": bar, "note": note})

    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder) / "bench.kinshoal"
        register, seconds = _timed(lambda: Register.create(place))
        add("make a register", "no rows", seconds, 1.0)
        sites = [
            {"site_id": f"SITE-{i}", "name": f"Site {i}", "kind": "refuge", "predators": "none"}
            for i in range(12)
        ]
        with register.writing("bench", "sites") as w:
            w.add("sites", sites)
        fish = make_fish()
        _, seconds = _timed(lambda: _write(register, "fish", fish))
        add("write fish", f"{FISH:,} rows".replace(",", " "), seconds)
        path = Path(folder) / "captures.csv"
        make_captures(path)

        def take_in() -> None:
            frame, findings = read_table(path, "captures")
            assert not [f for f in findings if f.level == "error"]
            _write(register, "captures", frame, source_rows=frame.index)

        size = f"{CAPTURES:,} rows".replace(",", " ")
        _, seconds = _timed(take_in)
        add(
            "read, check and write captures into a register",
            size,
            seconds,
            15.0,
            "one change, hash chain included",
        )
        register.close()
        megabytes = place.stat().st_size / 1e6
        whole = f"{FISH:,} fish, {CAPTURES:,} captures".replace(",", " ")
        register, seconds = _timed(lambda: Register.open(place))
        add("open a register", whole, seconds, 2.0, f"{megabytes:.0f} MB")
        _, seconds = _timed(register.records)
        add("all tables as frames", whole, seconds, 5.0)
        _, seconds = _timed(lambda: register.frame("fish", as_known_on=1))
        add("fish as known before they were entered", whole, seconds)
        rng = np.random.default_rng(3)
        cards = rng.integers(0, FISH, CARDS)

        def card(number: int) -> None:
            one = register.get("fish", f"FISH-{number:06d}")
            assert one is not None
            register.history("fish", one["record_id"])
            for parent in (one["dam"], one["sire"]):
                assert parent is None or register.get("fish", parent)
            for column in ("dam", "sire"):
                register.rows("fish", {column: one["fish_id"]})
            for table, column, value in (
                ("identifiers", "fish_id", one["fish_id"]),
                ("samples", "fish_id", one["fish_id"]),
                ("parent_claims", "child", one["fish_id"]),
                ("captures", "tag", one["tag"]),
                ("releases", "tag", one["tag"]),
                ("scans", "tag", one["tag"]),
            ):
                register.rows(table, {column: value})

        card(0)
        _, seconds = _timed(lambda: [card(int(n)) for n in cards])
        add("questions of one fish card", whole, seconds / CARDS, 0.2, f"12 questions, mean of {CARDS} fish")

        def correct() -> None:
            for n in cards[:50]:
                with register.writing("bench", "weighed") as w:
                    one = w.get("fish", f"FISH-{n:06d}")
                    assert one is not None
                    w.change("fish", one["record_id"], {"weight_g": one["weight_g"] + 1.5})

        _, seconds = _timed(correct)
        add("correct one fish, one change", whole, seconds / 50, 0.2, "mean of 50, on the disk each")
        report, seconds = _timed(register.verify)
        assert report.ok, report.problems
        add("verify file, references and hash chain", whole, seconds, 20.0, f"{report.rows} versions")
        _, seconds = _timed(lambda: undo(register, 3, "bench", "measure"))
        add("undo the captures by a counter-entry", size, seconds)
        register.close()
    return out
