"""Time of reading and checking large record files: ``python -m tests.benchmarks.run intake``."""

from __future__ import annotations

import csv
import datetime as dt
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

CAPTURES, SCANS, FISH_TAGS = 200_000, 1_420_000, 34_000


def make_captures(path: Path, n: int = CAPTURES, seed: int = 20) -> None:
    """Write a captures table with measures, tags of an invented test range and no faults."""
    rng = np.random.default_rng(seed)
    days = np.datetime64("2012-01-01") + rng.integers(0, 4600, n)
    tags = rng.integers(0, FISH_TAGS, n)
    days = np.sort(days)
    usual = rng.normal(420, 40, FISH_TAGS).clip(300, 560)  # each fish keeps its length, give or take an error
    lengths = (usual[tags] + rng.normal(0, 3, n)).round(0)
    weights = (lengths**3 / 1e5 * rng.normal(1.1, 0.08, n)).round(1)
    with path.open("w", newline="", encoding="utf-8") as out:
        w = csv.writer(out, lineterminator="\n")
        w.writerow(
            [
                "capture_id",
                "captured_on",
                "site_id",
                "tag",
                "new_tag",
                "sex",
                "length_mm",
                "length_type",
                "weight_g",
                "method",
                "effort_h",
                "sample_id",
                "note",
            ]
        )
        for i in range(n):
            w.writerow(
                [
                    f"C-{i:06d}",
                    str(days[i]),
                    f"SITE-{i % 12}",
                    f"9990090{tags[i]:08d}",
                    "",
                    ("female", "male", "unknown")[i % 3],
                    lengths[i],
                    "TL",
                    weights[i],
                    "trammel",
                    12.5,
                    "",
                    "",
                ]
            )


def make_scans(path: Path, n: int = SCANS, seed: int = 21) -> None:
    """Write a scans table: times to the second, 3 412 tags, 40 deployments."""
    rng = np.random.default_rng(seed)
    times = np.datetime_as_string(
        np.sort(np.datetime64("2019-01-01T00:00:00") + rng.integers(0, 5 * 365 * 86400, n))
    )
    tags, places = rng.integers(0, 3412, n), rng.integers(0, 40, n)
    with path.open("w", encoding="utf-8") as out:
        out.write("deployment_id,scanned_at,tag\n")
        out.writelines(
            f"DEP-{p:02d},{t},9990090{g:08d}\n" for p, t, g in zip(places, times, tags, strict=True)
        )


def _timed(work: Callable[[], Any]) -> tuple[Any, float]:
    start = time.perf_counter()
    result = work()
    return result, time.perf_counter() - start


def rows() -> list[dict[str, Any]]:
    """Read and check a large table of captures and one of scanner contacts."""
    from broodstock.checks.run import run_checks
    from broodstock.fields import TABLES
    from broodstock.intake.tables import empty_frame, read_table
    from broodstock.intake.write import write_table

    out: list[dict[str, Any]] = []

    def add(work: str, size: str, seconds: float, bar: float | None = None, note: str = "") -> None:
        out.append({"work": work, "size": size, "seconds": seconds, "bar": bar, "note": note})

    with tempfile.TemporaryDirectory() as folder:
        captures, scans = Path(folder) / "captures.csv", Path(folder) / "scans.csv"
        make_captures(captures)
        make_scans(scans)
        (frame, findings), seconds = _timed(lambda: read_table(captures, "captures"))
        assert not [f for f in findings if f.level == "error"], findings[:3]
        size = f"{CAPTURES:,} rows".replace(",", " ")
        add("read a table of captures, every cell checked", size, seconds, 15.0)
        (contacts, _), scan_seconds = _timed(lambda: read_table(scans, "scans"))
        add("read scanner contacts", f"{SCANS:,} rows".replace(",", " "), scan_seconds)
        tables = {name: empty_frame(spec) for name, spec in TABLES.items()}
        tables["captures"], tables["scans"] = frame, contacts
        found, seconds = _timed(lambda: run_checks(tables, today=dt.date(2024, 10, 20)))
        add("all checks across tables", "both of these", seconds, 15.0, f"{len(found)} findings")
        _, seconds = _timed(lambda: write_table(frame, Path(folder) / "again.csv", "captures"))
        add("write the captures", size, seconds)
    return out
