"""Time and memory of reading and checking large record files.

Run: ``PYTHONPATH=. python tests/benchmarks/bench_intake.py``
"""

from __future__ import annotations

import csv
import resource
import sys
import tempfile
import time
from pathlib import Path

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


def timed(label: str, work):  # type: ignore[no-untyped-def]
    """Run a piece of work, print its time and the largest memory of the process so far."""
    start = time.perf_counter()
    result = work()
    took = time.perf_counter() - start
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"{label:<58} {took:7.2f} s   peak {peak:6.0f} MB")
    return result


def main() -> int:
    """Run the benchmark; returns 0."""
    from broodstock.checks.run import run_checks
    from broodstock.fields import TABLES
    from broodstock.intake.tables import empty_frame, read_table
    from broodstock.intake.write import write_table

    with tempfile.TemporaryDirectory() as folder:
        captures, scans = Path(folder) / "captures.csv", Path(folder) / "scans.csv"
        make_captures(captures)
        make_scans(scans)
        frame, found = timed(f"read and check {CAPTURES} captures", lambda: read_table(captures, "captures"))
        assert len(frame) == CAPTURES
        assert not [f for f in found if f.level == "error"]
        timed("write them as csv.gz", lambda: write_table(frame, Path(folder) / "c.csv.gz", "captures"))
        frame, found = timed(f"read and check {SCANS} scans", lambda: read_table(scans, "scans"))
        assert len(frame) == SCANS
        assert not [f for f in found if f.level == "error"]
        tables = {name: empty_frame(spec) for name, spec in TABLES.items()}
        tables |= {"captures": read_table(captures, "captures")[0], "scans": frame}
        timed("all checks across these tables", lambda: run_checks(tables))
    return 0


if __name__ == "__main__":
    sys.exit(main())
